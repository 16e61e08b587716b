"""Study folders with taps of a few invented boards as real files: decays of a stated truth."""

from __future__ import annotations

import csv
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ, FIRST_S, APART_S = 16_000, 0.3, 0.9
TOML = """
[study]
title = "Rails that are tapped"
question = "Does the wood of the rail change what reaches the far end?"
separate_trees = true
[listen]
length_s = 0.7
"""
MODES_HZ = {
    "larch": (310.0, 870.0, 1650.0),
    "robinia": (280.0, 790.0, 1490.0),
    "cherry": (295.0, 830.0, 1570.0),
}
BOARDS = {"L1": "larch", "L2": "larch", "R1": "robinia", "R2": "robinia"}
TAKE = [
    "take",
    "batch",
    "kind",
    "specimen",
    "mount",
    "repeat",
    "file",
    "gain_db",
    "exclude",
    "reason",
]

Change = Callable[[np.ndarray, str], np.ndarray]


def tap(
    rng: np.random.Generator,
    wood: str,
    *,
    level: float = 0.1,
    knocks: int = 2,
    first_s: float = FIRST_S,
) -> np.ndarray:
    """Taps of a board `APART_S` seconds apart, each a sum of decays, in a little noise."""
    x = 2e-5 * rng.standard_normal(round((first_s + knocks * APART_S) * RATE_HZ))
    for knock in range(knocks):
        start = round((first_s + knock * APART_S) * RATE_HZ)
        t = np.arange(len(x) - start) / RATE_HZ
        for hz in MODES_HZ[wood]:
            own = hz * (1 + 0.004 * rng.standard_normal())
            x[start:] += level * np.exp(-np.pi * own * 0.012 * t) * np.sin(2 * np.pi * own * t)
    return x


def write_tapped(
    folder: Path,
    *,
    toml: str = TOML,
    boards: Mapping[str, str] = BOARDS,
    mounts: int = 2,
    batches: Mapping[str, str] | None = None,
    change: Change | None = None,
    rows: Mapping[str, Mapping[str, str]] | None = None,
    seed: int = 1,
    names: Sequence[str] = (),
) -> Path:
    """Write the whole folder: a tap for each mount of each board.

    boards : board -> wood.  batches : board -> session, "day1" if not given.
    change : what is done to the samples of a take.  rows : take -> cells of takes.csv.
    names : only these boards have takes; all if empty.
    """
    rng = np.random.default_rng(seed)
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    with (folder / "specimens.csv").open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([["specimen", "wood"], *boards.items()])
    takes = []
    for board, wood in boards.items():
        for mount in range(1, mounts + 1):
            name = f"{board}-m{mount}"
            x = tap(rng, wood, level=0.05 * 1.5 ** rng.standard_normal())
            if names and board not in names:
                continue
            path = folder / "recordings" / f"{name}.wav"
            soundfile.write(path, change(x, name) if change else x, RATE_HZ, subtype="PCM_24")
            day = (batches or {}).get(board, "day1")
            own = [name, day, "tap", board, mount, 1, f"recordings/{name}.wav"]
            cells = dict(zip(TAKE[: len(own)], own, strict=True))
            takes.append(cells | dict((rows or {}).get(name, {})))
    with (folder / "takes.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, TAKE)
        writer.writeheader()
        writer.writerows(takes)
    return folder
