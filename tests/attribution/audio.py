"""Small study folders with a known truth, as real 24 bit files: from the recording to the verdict.

The physics is that of `amplitudes`, but in frequency and time: a board is a sum of damped
resonators T(f), the driver's motion under its load is M(f). A steady tone is the sum of its
harmonics passed through both; a sweep is filtered by the very same T and M by Fourier transform; a
loose contact is a half-wave that opens above a level of drive, max(0, cos - threshold), and so
vanishes at low drive by itself; the recorder is the polynomial x + a2 x^2 + a3 x^3 over all that it
records. The data are invented; the scenario is the project's own.

Conventions: amplitudes re full scale; k = 1 .. K; truth in the columns of amplitudes.Simulated.

Contents: AUDIO_SCENARIOS, audio_plan, Written, write_audio_study.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
import pandas as pd
import soundfile

from tests.attribution.amplitudes import Plan

RATE, SECONDS, SKIP = 8000, 0.6, 0.05
SWEEP_S, SILENCE_S, ROOM_S = 1.5, 0.5, 2.0
AUDIO_SCENARIOS = (
    "driver only", "buzz", "air", "recorder", "hum", "steps", "voltage", "probes elsewhere",
    "sweep", "no loopback", "no airborne", "no probe",
)  # fmt: skip
_OWN = {
    "buzz": {"buzz": frozenset({2})},
    "air": {"air_db": 0.0, "steps": True},
    "recorder": {"recorder_db": 3.0},
    "hum": {"hum_db": 3.0, "fundamental_hz": 150.0},
    "steps": {"buzz": frozenset({1}), "buzz_from": 0.7, "steps": True},
    "voltage": {"drive": "voltage"},
    "probes elsewhere": {"probed": "elsewhere"},
    "sweep": {"probed": "sweep"},
    "no loopback": {"leave_out": frozenset({"loopback"}), "buzz": frozenset({2})},
    "no airborne": {"leave_out": frozenset({"airborne"}), "buzz": frozenset({2})},
    "no probe": {"leave_out": frozenset({"probe"})},
}


def audio_plan(scenario: str, *, size: int = 6, **own) -> Plan:
    """2 specimens x 2 mounts with three tones and two probe tones at each multiple."""
    plan = Plan(
        scenario, size=size, repeats=3, probe_repeats=2, take_db=0.1, remount_db=0.5,
        air_db=-80.0, recorder_db=-60.0, buzz_from=0.7,
    )  # fmt: skip
    return replace(plan, **{**_OWN.get(scenario, {}), **own})


@dataclass(frozen=True)
class Written:
    """A study folder with its plan and truth (columns of amplitudes.Simulated.truth)."""

    folder: Path
    plan: Plan
    truth: pd.DataFrame


@dataclass(frozen=True)
class _Modes:
    """offset + sum of damped resonators: complex value at any frequency."""

    offset: complex
    gain: np.ndarray
    at_hz: np.ndarray
    loss: np.ndarray

    def __call__(self, frequency_hz) -> np.ndarray:
        x = np.atleast_1d(frequency_hz)[:, None] / self.at_hz
        return self.offset + (self.gain / (1 - x**2 + 1j * self.loss * x)).sum(axis=1)

    def mounted(self, rng: np.random.Generator, spread_db: float) -> _Modes:
        """The same board mounted again: modes a little higher or lower, and louder or softer."""
        n = self.gain.size
        turn = spread_db / 8.686
        return replace(
            self,
            gain=self.gain * np.exp(turn * rng.standard_normal(n)),
            at_hz=self.at_hz * (1 + 0.002 * rng.standard_normal(n)),
        )


class _Folder:
    """Writes recordings with the recorder's own distortion and noise, and keeps takes.csv."""

    def __init__(self, folder: Path, plan: Plan, rng: np.random.Generator, rate_hz: int) -> None:
        self.folder, self.plan, self.rng, self.rate_hz = folder, plan, rng, rate_hz
        (folder / "recordings").mkdir(parents=True)
        self.rows: list[dict] = []
        self.a2 = self.a3 = 0.0
        length = SECONDS - SKIP
        # Noise of u in a fit over n samples: u sqrt(n / 2) a sample.
        self.noise = plan.u * np.sqrt(length * rate_hz / 2)

    @cached_property
    def time(self) -> np.ndarray:
        return np.arange(round(SECONDS * self.rate_hz)) / self.rate_hz

    def tone(self, kind: str, channels: list[dict[float, complex]], **cells) -> None:
        """One steady take; a channel is frequency -> complex amplitude."""
        start = self.rng.uniform(0, 1.0)
        x = [
            sum(
                (abs(a) * np.cos(2 * np.pi * f * (self.time + start) + np.angle(a)))
                for f, a in channel.items()
            )
            + np.zeros(self.time.size)
            for channel in channels
        ]
        self.record(kind, np.stack(x, axis=1), **cells)

    def record(self, kind: str, x: np.ndarray, **cells) -> None:
        """Write what the recorder makes of x (frames, channels) and its row of takes.csv."""
        take = f"t{len(self.rows):03d}"
        file = f"recordings/{take}.wav"
        y = x + self.a2 * x**2 + self.a3 * x**3 + self.noise * self.rng.standard_normal(x.shape)
        soundfile.write(self.folder / file, y, self.rate_hz, subtype="PCM_24")
        row = {"take": take, "batch": "day1", "kind": kind, "file": file, **cells}
        self.rows.append({name: "" if value is None else value for name, value in row.items()})

    def close(self, boards: list[str]) -> None:
        names = ["take", "batch", "kind", "specimen", "mount", "repeat", "file", "tone_hz",
                 "drive_db"]  # fmt: skip
        with (self.folder / "takes.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, names, restval="")
            writer.writeheader()
            writer.writerows(self.rows)
        woods = ("larch", "cherry", "robinia")
        lines = [f"{name},{woods[i % len(woods)]}" for i, name in enumerate(boards)]
        text = "\n".join(["specimen,wood", *lines, ""])
        (self.folder / "specimens.csv").write_text(text, encoding="utf-8")
        (self.folder / "study.toml").write_text(
            _settings(self.plan, self.rate_hz), encoding="utf-8"
        )


def _settings(plan: Plan, rate_hz: int) -> str:
    kind = "voltage" if plan.drive == "voltage" else "acceleration"
    return f"""
[study]
title = "Rails, a small invented study"
question = "Board or driver?"

[channels]
response = 1
response_kind = "microphone"
drive = 2
drive_kind = "{kind}"
rate_hz = {rate_hz}

[tone]
fundamental_hz = {plan.fundamental_hz}
harmonics = {plan.size}
skip_s = {SKIP}
length_s = {SECONDS - SKIP}

[decide]
primary = ["tone.h1.response_db"]
smallest_n = 2

[decide.limits]
"tone.h1.response_db" = 1.0
"""


@dataclass
class _Mount:
    """One mount of the bench: what passes, moves, leaks and buzzes, at the K multiples."""

    specimen: str
    mount: int
    passes: _Modes
    moves: _Modes
    internal: np.ndarray
    buzz: float = 0.0

    @property
    def at(self) -> dict:
        return {"specimen": self.specimen, "mount": self.mount}


def _contact(share: float, threshold: float, size: int) -> np.ndarray:
    """Harmonics 1 .. K of max(0, share cos - threshold), over one period."""
    n = 4096
    wave = np.maximum(0.0, share * np.cos(2 * np.pi * np.arange(n) / n) - threshold)
    return 2.0 * np.fft.rfft(wave)[1 : size + 1] / n


def write_audio_study(folder: Path, plan: Plan, *, seed: int, rate_hz: int = RATE) -> Written:
    """Write the whole folder; recordings differ by `seed`."""
    rng = np.random.default_rng([172, seed])
    out = _Folder(folder, plan, rng, rate_hz)
    k = np.arange(1, plan.size + 1)
    multiples = plan.fundamental_hz * k
    block = np.exp(
        -(30.0 + 3.0 * k + rng.normal(0, 3, k.size)) / 8.686 + 2j * np.pi * rng.random(k.size)
    )
    block[0] = 1.0
    mounts = []
    for number in range(plan.boards):
        passes = _Modes(0.25, rng.uniform(0.05, 0.2, 3), rng.uniform(200, 1500, 3),
                        rng.uniform(0.02, 0.05, 3))  # fmt: skip
        moves = _Modes(0.1, rng.uniform(0.01, 0.03, 2), rng.uniform(60, 900, 2),
                       rng.uniform(0.1, 0.3, 2))  # fmt: skip
        load = 10.0 ** (rng.uniform(-2.0, 10.0, k.size) / 20.0)
        load[0] = 1.0
        for mount in range(1, plan.mounts + 1):
            again = [part.mounted(rng, plan.remount_db) for part in (passes, moves)]
            mounts.append(_Mount(f"board{number + 1}", mount, *again, block * load))
    path = np.array([each.passes(multiples) * each.moves(multiples) for each in mounts])
    middle = np.abs(path * [each.internal for each in mounts]).mean(axis=0)
    air = (
        np.abs(path).mean(axis=0)
        * 10.0 ** (plan.air_db / 20.0)
        * np.exp(2j * np.pi * rng.random(k.size))
    )
    level = 10.0 ** (plan.recorder_db / 20.0)
    # a2 A^2 / 2 at 2f and a3 A^3 / 4 at 3f for a tone of amplitude A.
    out.a2 = 2.0 * level * middle[1] / middle[0] ** 2
    out.a3 = 4.0 * level * middle[2] / middle[0] ** 3
    hum = np.where(k == 2, middle[1] * 10.0 ** (plan.hum_db / 20.0), 0.0)
    for each in mounts:
        if each.specimen == "board1" and each.mount in plan.buzz:
            own = abs(_contact(1.0, plan.buzz_from, k.size)[1])
            second = each.passes(multiples[1]) * each.moves(multiples[1]) * each.internal[1]
            each.buzz = 5.0 * abs(second[0]) / own
    truth = [_record_mount(out, each, multiples, air, hum) for each in mounts]
    _record_controls(out, mounts, multiples, air, hum, block)
    out.close(list(dict.fromkeys(each.specimen for each in mounts)))
    return Written(folder, plan, pd.concat(truth, ignore_index=True))


def _level(rng, spread_db: float) -> complex:
    return np.exp(spread_db / 8.686 * (rng.standard_normal() + 1j * rng.standard_normal()))


def _lines(frequencies, amplitudes) -> dict[float, complex]:
    return dict(zip(np.asarray(frequencies).tolist(), np.asarray(amplitudes), strict=True))


def _record_mount(out: _Folder, each: _Mount, multiples, air, hum) -> pd.DataFrame:
    """All takes of one mount; returns its truth."""
    plan, rng, k = out.plan, out.rng, np.arange(1, multiples.size + 1)
    passes, moves = each.passes(multiples), each.moves(multiples)
    held = []
    for drive_db, repeats in (
        (0.0, plan.repeats),
        *(((-6.0, 2), (-12.0, 2)) if plan.steps else ()),
    ):
        for repeat in range(1, repeats + 1):
            share = 10.0 ** ((drive_db + rng.normal(0, 0.1)) / 20.0)
            inside = each.internal * share**k
            buzz = each.buzz * _contact(share, plan.buzz_from, k.size)
            path = passes * moves * inside + buzz
            heard = passes * moves * inside * _level(rng, plan.take_db) + buzz + air * inside
            heard = heard + hum * np.exp(2j * np.pi * rng.random())
            drive = moves * inside
            if plan.drive == "voltage":
                drive = np.where(k == 1, 0.1 * share, 0)
            out.tone("tone", [_lines(multiples, heard), _lines(multiples, drive)], repeat=repeat,
                     tone_hz=plan.fundamental_hz, drive_db=drive_db, **each.at)  # fmt: skip
            if drive_db == 0:
                held.append((path, moves * inside))
    if "probe" not in plan.leave_out and (plan.probed != "elsewhere" or each.mount == 1):
        _record_probes(out, each, multiples, air, hum)
    path, moved = np.mean(held, axis=0)
    return _truth(out, each, passes, path, moved, air, hum)


def _record_probes(out: _Folder, each: _Mount, multiples, air, hum) -> None:
    plan, rng = out.plan, out.rng
    for i in range(1, 2 if plan.probed == "sweep" else multiples.size):
        for repeat in range(1, plan.probe_repeats + 1):
            share = 0.5 * 10.0 ** (rng.normal(0, 0.1) / 20.0)
            f = multiples[i]
            moved = each.moves(f)[0] * share
            heard = each.passes(f)[0] * moved * _level(rng, plan.take_db) + air[i] * share
            heard = heard + hum[i] * np.exp(2j * np.pi * rng.random())
            drive = 0.05 if plan.drive == "voltage" else moved
            out.tone("tone", [{f: heard}, {f: drive}], repeat=repeat, tone_hz=f, drive_db=-6.02,
                     **each.at)  # fmt: skip
    if plan.probed == "sweep":
        _record_sweep(out, each)


def _record_sweep(out: _Folder, each: _Mount) -> None:
    """An exponential sweep through the very T(f) and M(f) of the mount, with silence after it."""
    low, high, rate_hz = 60.0, 3500.0, out.rate_hz
    t = np.arange(round(SWEEP_S * rate_hz)) / rate_hz
    rate = np.log(high / low) / SWEEP_S
    x = np.sin(2 * np.pi * low * (np.exp(rate * t) - 1) / rate)
    fade = np.minimum(1.0, np.minimum(t, t[::-1]) / 0.02)
    n = 8 * rate_hz
    # 10 dB below full drive, so that no resonance on the way is clipped.
    spectrum = np.fft.rfft(0.3 * x * fade, n)
    frequency = np.fft.rfftfreq(n, 1 / rate_hz)
    moved = spectrum * each.moves(frequency)
    heard = moved * each.passes(frequency) * _level(out.rng, out.plan.take_db)
    length = round((SWEEP_S + SILENCE_S) * rate_hz)
    both = [np.fft.irfft(part, n)[:length] for part in (heard, moved)]
    out.record("sweep", np.stack(both, axis=1), repeat=1, **each.at)


def _recorded(out: _Folder, lines: np.ndarray) -> np.ndarray:
    """|what the recorder adds| to harmonics 1 .. K: the polynomial over one period of the wave.

    Harmonics mix with the tone, so that a loopback take of the bare tone holds less than this.
    """
    n = 256
    spectrum = np.zeros(n // 2 + 1, dtype=complex)
    spectrum[1 : lines.size + 1] = lines
    wave = np.fft.irfft(spectrum, n) * n / 2
    added = np.fft.rfft(out.a2 * wave**2 + out.a3 * wave**3)
    return 2.0 * np.abs(added[1 : lines.size + 1]) / n


def _truth(out: _Folder, each: _Mount, passes, path, moved, air, hum) -> pd.DataFrame:
    plan = out.plan
    k = np.arange(1, path.size + 1)
    leak = air * each.internal
    whole = np.abs(path + leak)
    share = {
        "excess": abs(path / (passes * moved)),
        "air": abs(leak) / whole,
        "recorder": _recorded(out, path + leak) / whole,
        "hum": hum / whole,
        "drive_recorder": _recorded(out, moved) / abs(moved),
        "snr": whole / plan.u,
        "drive_snr": abs(moved) / plan.u,
    }
    with np.errstate(divide="ignore"):
        levels = {f"{name}_db": 20 * np.log10(value) for name, value in share.items()}
    truth = pd.DataFrame(
        {"specimen": each.specimen, "mount": each.mount, "harmonic": k, "buzz": each.buzz > 0,
         **levels}
    )  # fmt: skip
    return truth[truth["harmonic"] > 1]


def _record_controls(out: _Folder, mounts: list[_Mount], multiples, air, hum, block) -> None:
    plan = out.plan
    first = mounts[0]
    if "room" not in plan.leave_out:
        t = np.arange(round(ROOM_S * out.rate_hz)) / out.rate_hz
        x = sum(a * np.cos(2 * np.pi * f * t) for f, a in zip(multiples, hum, strict=True) if a)
        out.record("room", np.stack([x + 0 * t, 0 * t], axis=1))
    if "loopback" not in plan.leave_out:
        loudest = max(
            abs(each.passes(multiples[0]) * each.moves(multiples[0]))[0] for each in mounts
        )
        level = loudest * 10.0 ** (plan.loopback_db / 20.0)
        out.tone("loopback", [{multiples[0]: level}, {}], tone_hz=plan.fundamental_hz)
    for i, f in enumerate(multiples.tolist()):
        if "airborne" not in plan.leave_out:
            # The tone in the air holds the driver's harmonics as well.
            own = _lines(multiples, 0.1 * block) if not i else {f: 0.1}
            heard = _lines(multiples, air * block + hum) if not i else {f: air[i] + hum[i]}
            out.tone("airborne", [heard, own], tone_hz=f, **first.at)
        if "driver" not in plan.leave_out and i:
            out.tone("driver", [{f: 0.05}, {f: 0.05}], tone_hz=f, drive_db=-6.02)
    if "driver" not in plan.leave_out:
        on_block = _lines(multiples, 0.1 * block)
        out.tone("driver", [on_block, on_block], tone_hz=plan.fundamental_hz)
