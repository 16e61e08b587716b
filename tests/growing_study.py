"""A study that grows by stages, written and recorded step by step.

Invented: each wood has a level of its own (`LEVELS`), each board 0.5 dB about it.
"""

from __future__ import annotations

import csv
import random
from datetime import datetime, timedelta

import numpy as np
import soundfile

from studylib.sheets.blinding import code_specimens, open_key, read_blinding
from studylib.sheets.lock import add_lock
from studylib.sheets.study import read_unrecorded

RATE, SECONDS = 8000, 0.4
TOML = f"""
[study]
title = "Rails in three stages"
question = "Does the wood of the rail change what reaches the far end?"
[channels]
drive = 2
drive_kind = "acceleration"
rate_hz = {RATE}
[tone]
harmonics = 3
skip_s = 0.05
length_s = 0.35
[decide]
primary = ["tone.h1.response_db"]
[[claim]]
text = "Robinia passes more of the tone than larch"
feature = "tone.h1.response_db"
higher = "robinia"
lower = "larch"
[plan]
mounts = 1
takes = 1
batches = 1
probes = []
drive_steps_db = []
idle = 0
turned = false
sweeps = 0
taps = 0
free_taps = 0
"""
LEVELS = {"larch": 0.0, "robinia": 8.0, "cherry": 3.0}
START = datetime(2026, 3, 2, 9)


def add_boards(folder, *woods: str, first: int) -> None:
    with (folder / "specimens.csv").open("a", encoding="utf-8") as sheet:
        for wood in woods:
            for i in range(first, first + 4):
                sheet.write(f"{wood[0].upper()}{i},{wood},{wood} {i},745,38,18,{270 + i},9,,,\n")


def blind(folder, day: int) -> None:
    study = read_unrecorded(folder)
    scheduled = {board for one in study.schedules for board in one.boards}
    code_specimens(
        folder, compare="wood", when=START + timedelta(day), rng=random.Random(day),
        scheduled=scheduled,
    )  # fmt: skip


def unblind(folder, day: int) -> str:
    study = read_unrecorded(folder)
    when = START + timedelta(day)
    seen = open_key(
        folder, specimens=study.written, compare="wood", when=when, reported={"B01"}
    )  # fmt: skip
    return seen.key


def lock(folder, day: int) -> None:
    study = read_unrecorded(folder)
    number = study.stages[-1]
    recorded = len(study.of_stages(number).takes)
    content = study.decided(number)
    add_lock(folder, content, stage=number, recorded=recorded, when=START + timedelta(day))


def own_names(folder) -> dict[str, str]:
    """Board as specimens.csv has it -> wood, as somebody with every key knows it."""
    with (folder / "specimens.csv").open(encoding="utf-8", newline="") as file:
        found = {row["specimen"]: row["wood"] for row in csv.DictReader(file)}
    for key in read_blinding(folder):
        with (folder / key.key).open(encoding="utf-8", newline="") as file:
            found |= {row["specimen"]: row["wood"] for row in csv.DictReader(file)}
    return found


def record(folder) -> None:
    """A recording for each take that waits: the wood's level, a board's 0.5 dB, whatever the order
    of the schedule (a later stage has a new one each time)."""
    woods = own_names(folder)
    for take in read_unrecorded(folder).planned:
        path = folder / take.file
        path.parent.mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng([172, *(take.specimen or "").encode()])
        noise = 1e-5 * np.random.default_rng([172, *take.take.encode()]).standard_normal(
            (round(SECONDS * RATE), 2)
        )
        if take.tone_hz:
            db = 0.5 * rng.standard_normal() + LEVELS.get(woods.get(take.specimen, ""), 0.0)
            phase = 2 * np.pi * take.tone_hz * np.arange(len(noise)) / RATE
            noise += np.stack([0.05 * 10 ** (db / 20) * np.sin(phase), 0.1 * np.sin(phase)], 1)
        soundfile.write(path, noise, RATE, subtype="PCM_24")
