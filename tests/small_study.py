"""Study folders with a known truth, written as real files: for tests and benchmarks.

The scenario is the project's own (rails of lap dulcimers); the data are invented. Every
board passes the 172 Hz tone with its wood's level plus a board's, a mount's and a take's own
departure in dB, all drawn from normal distributions with the spreads given.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile

TONE_HZ = 172.0


@dataclass(frozen=True)
class Plan:
    """What a small study holds. `wood_db` is the truth: each wood's level in dB."""

    wood_db: dict[str, float] = field(
        default_factory=lambda: {"larch": 0.0, "cherry": 0.0, "robinia": 0.0}
    )
    boards: int = 2
    mounts: int = 2
    takes: int = 2
    batches: int = 1
    board_sd: float = 1.5
    mount_sd: float = 1.0
    take_sd: float = 0.5
    rate_hz: int = 8000
    seconds: float = 0.5
    harmonics: int = 5
    seed: int = 1
    controls: bool = True
    claim: bool = True


def write_small_study(folder: Path, plan: Plan | None = None) -> Path:
    """Write the whole folder and return it."""
    plan = plan or Plan()
    rng = np.random.default_rng(plan.seed)
    recordings = folder / "recordings"
    recordings.mkdir(parents=True)
    (folder / "study.toml").write_text(_settings(plan), encoding="utf-8")
    specimens, takes = [], []
    for wood, level in plan.wood_db.items():
        for board in range(plan.boards):
            name = f"{wood[:3]}{board + 1}"
            batch = f"day{board % plan.batches + 1}"
            specimens.append([name, wood, ""])
            _record(recordings, takes, rng, plan, name, batch, level)
    if plan.controls:
        specimens += [["ref", "larch", "reference"], ["chg", "larch", "changed"]]
        for name, level in (("ref", 0.0), ("chg", -12.0)):
            first = 1
            for day in range(plan.batches):
                _record(recordings, takes, rng, plan, name, f"day{day + 1}", level, first)
                first += plan.mounts
        for day in range(plan.batches):
            batch = f"day{day + 1}"
            file = f"recordings/{batch}_room.wav"
            _write(folder / file, _noise(rng, plan), plan)
            takes.append([f"{batch}_room", batch, "room", "", "", "", file, ""])
    _table(folder / "specimens.csv", ["specimen", "wood", "role"], specimens)
    header = ["take", "batch", "kind", "specimen", "mount", "repeat", "file", "tone_hz"]
    _table(folder / "takes.csv", header, takes)
    return folder


def _record(recordings, takes, rng, plan, name, batch, level, first_mount=1):
    board = level + plan.board_sd * rng.standard_normal()
    for mount in range(first_mount, first_mount + plan.mounts):
        at_mount = board + plan.mount_sd * rng.standard_normal()
        for repeat in range(1, plan.takes + 1):
            read = at_mount + plan.take_sd * rng.standard_normal()
            take = f"{name}_m{mount}_r{repeat}"
            _write(recordings / f"{take}.wav", tone(rng, plan, read), plan)
            takes.append(
                [take, batch, "tone", name, mount, repeat, f"recordings/{take}.wav", TONE_HZ]
            )


def tone(rng: np.random.Generator, plan: Plan, level_db: float) -> np.ndarray:
    """(frames, 2): response at -26 dB plus `level_db`, drive at -20 dB, a little distortion."""
    t = np.arange(round(plan.seconds * plan.rate_hz)) / plan.rate_hz
    phi = 2 * np.pi * TONE_HZ * t + rng.uniform(0, 2 * np.pi)
    shape = np.sin(phi) + 0.01 * np.sin(2 * phi) + 0.005 * np.sin(3 * phi)
    x = np.stack([0.05 * 10 ** (level_db / 20) * shape, 0.1 * shape], axis=1)
    return x + _noise(rng, plan)


def _noise(rng, plan):
    return 3e-5 * rng.standard_normal((round(plan.seconds * plan.rate_hz), 2))


def _write(path: Path, x: np.ndarray, plan: Plan) -> None:
    soundfile.write(path, x, plan.rate_hz, subtype="PCM_24")


def _table(path: Path, header: list[str], rows: list[list]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(rows)


def _settings(plan: Plan) -> str:
    claim = """
[[claim]]
text = "Robinia passes more of the tone than larch"
feature = "tone.h1.response_db"
higher = "robinia"
lower = "larch"
"""
    return f"""
[study]
separate_trees = true
title = "Rails, a small invented study"
question = "Does the wood of the rail change what reaches the far end?"

[channels]
response = 1
response_kind = "microphone"
drive = 2
drive_kind = "acceleration"
rate_hz = {plan.rate_hz}

[tone]
fundamental_hz = {TONE_HZ}
harmonics = {plan.harmonics}
skip_s = 0.05
length_s = {plan.seconds - 0.05}

[decide]
primary = ["tone.h1.response_db"]
smallest_n = 2

[decide.limits]
"tone.h1.response_db" = 1.0
{claim if plan.claim else ""}"""
