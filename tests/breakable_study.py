"""A small invented study to break in one place at a time: fretboard rails of two woods."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import soundfile

TOML = """
[study]
title = "Invented rails"
question = "Does the wood of the rail change what reaches the far end?"

[channels]
drive = 2
drive_kind = "acceleration"

[decide]
primary = ["tone.h3.rel_db", "tone.h1.level_db"]

[decide.limits]
"tone.h3.rel_db" = 1.0

[[claim]]
text = "Robinia has more third harmonic than larch"
feature = "tone.h3.rel_db"
higher = "robinia"
lower = "larch"
"""

# fmt: off
SPECIMEN_HEADER = [
    "specimen", "wood", "source", "length_mm", "width_mm", "thickness_mm", "mass_g", "role",
]
TAKE_HEADER = [
    "take", "batch", "kind", "specimen", "mount", "repeat", "file", "tone_hz", "drive_db",
    "support", "started", "exclude", "reason",
]
# fmt: on


def specimen_rows() -> list[dict[str, str]]:
    """Two boards of each wood and a reference, each from a plank of its own; rows 2 to 6."""
    boards = [("L1", "larch"), ("L2", "larch"), ("R1", "robinia"), ("R2", "robinia"), ("ref", "")]
    return [
        {
            "specimen": name,
            "wood": wood,
            "source": f"plank {name}",
            "length_mm": "700",
            "width_mm": "38.5",
            "thickness_mm": "19",
            "mass_g": "310",
            "role": "reference" if name == "ref" else "",
        }
        for name, wood in boards
    ]


def take_rows() -> list[dict[str, str]]:
    """Two mounts of two takes of each board in one batch, rows 2 to 21, then a room take (22)."""
    rows = [
        {
            "take": f"{name}-{mount}-{repeat}",
            "batch": "day 1",
            "kind": "tone",
            "specimen": name,
            "mount": str(mount),
            "repeat": str(repeat),
            "file": f"recordings/{name}-{mount}-{repeat}.wav",
            "tone_hz": "172",
        }
        for name in ("L1", "L2", "R1", "R2", "ref")
        for mount in (1, 2)
        for repeat in (1, 2)
    ]
    room = {"take": "room", "batch": "day 1", "kind": "room", "file": "recordings/room.wav"}
    return [*rows, room]


def csv_text(
    header: list[str], rows: list[dict[str, str]], *, separator: str = ",", ending: str = "\n"
) -> str:
    """Rows as CSV text, missing cells empty."""
    out = io.StringIO()
    writer = csv.DictWriter(out, header, restval="", delimiter=separator, lineterminator=ending)
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def write_study(
    folder: Path,
    *,
    toml: str = TOML,
    specimens: list[dict[str, str]] | None = None,
    takes: list[dict[str, str]] | None = None,
) -> Path:
    """Write the study, with a short recording of its own noise for every file named."""
    specimens = specimen_rows() if specimens is None else specimens
    takes = take_rows() if takes is None else takes
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(toml, encoding="utf-8")
    write_table(folder / "specimens.csv", SPECIMEN_HEADER, specimens)
    write_table(folder / "takes.csv", TAKE_HEADER, takes)
    rng = np.random.default_rng(1)
    for take in takes:
        name = take.get("file", "")
        if name.startswith("recordings/") and ".." not in name and "\\" not in name:
            noise = rng.normal(scale=0.1, size=(50, 2))
            soundfile.write(folder / name, noise, 24000)
    return folder


def write_table(path: Path, header: list[str], rows: list[dict[str, str]]) -> None:
    """Write a table; columns beyond the header are added at its end."""
    further = [column for row in rows for column in row if column not in header]
    text = csv_text([*header, *dict.fromkeys(further)], rows)
    path.write_text(text, encoding="utf-8", newline="")
