"""The demo many times over: a complete study of hundreds of boards, with every kind of take.

Each copy of the demo's twelve boards brings new boards of the same woods: its tables as measured,
moved by what boards, mounts and takes differ in (drawn, with the spreads stated below), so that no
two boards are alike. Of a board that is compared two mounts are kept, each with two tones, the
probe at three times the tone, a sweep and a tap, and the tap of the free board: eleven takes. Every
`SHARED` copies share a pair of sittings, in which the reference and the changed board, the driver
on the block, loopback, room and airborne takes are recorded once, as in the demo.

The recordings are the demo's own, under new names. Everything here is invented.
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd

from studylib.measure import measure_batch
from studylib.measure.batch import TABLES, BatchMeasurement, batch_slugs, save_part
from studylib.sheets import read_study

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
SHARED = 4  # copies in a sitting
BOARD, MOUNT, TAKE = 0.5, 0.3, 0.1  # standard deviations, dB of a level
PERCENT = 0.01  # of frequencies and sizes, between boards
KEPT = {("tone", "172", ""), ("tone", "516", ""), ("sweep", "", ""), ("tap", "", "")}
_LEVELS = {"features": "value", "curves": "level_db", "spectra": "level_db", "modes": "level_db"}


def measured_demo(place: Path) -> list[BatchMeasurement]:
    """The demo's batches, measured here; kept in `place` as parts."""
    from studylib.measure.batch import load_part, part_key

    study, found = read_study(DEMO), []
    for batch, slug in batch_slugs(study.batches).items():
        if part_key(place / slug) is None:
            save_part(measure_batch(study, batch), place / slug, key="")
        found.append(load_part(place / slug))
    return found


def write_grown(folder: Path, demo: list[BatchMeasurement], *, copies: int) -> tuple[int, int]:
    """Write the sheets of a study of `copies` times twelve boards, and its parts into
    `folder/parts`; gives the numbers of takes and of compared boards.

    demo : from `measured_demo`.
    """
    folder.mkdir(parents=True)
    shutil.copytree(DEMO / "listening", folder / "listening")
    rows = {name: _rows(DEMO / f"{name}.csv") for name in ("specimens", "takes")}
    (folder / "study.toml").write_text((DEMO / "study.toml").read_text("utf-8"), "utf-8")
    role = {row["specimen"]: row["role"] for row in rows["specimens"]}
    rng = np.random.default_rng(172)
    specimens, takes = [row for row in rows["specimens"] if row["role"]], []
    for first in range(0, copies, SHARED):
        sitting: list[list[BatchMeasurement]] = [[] for _ in demo]
        for copy in range(first, min(first + SHARED, copies)):
            boards = [_board(row, copy, rng) for row in rows["specimens"] if not row["role"]]
            specimens += boards
            own = [row for row in rows["takes"] if _is_kept(row, role, shared=copy == first)]
            takes += [_take(folder, row, copy, role) for row in own]
            for parts, part in zip(sitting, demo, strict=True):
                parts.append(_moved(part, {row["take"] for row in own}, copy, role, rng))
        for place, parts in enumerate(sitting):
            batch = f"day{2 * (first // SHARED) + place + 1}"
            frames = {
                table: pd.concat([getattr(part, table) for part in parts], ignore_index=True)
                for table in TABLES
                if table != "bench"
            }
            part = BatchMeasurement(batch=batch, bench=demo[place].bench, **frames)
            save_part(part, folder / "parts" / batch, key="")
    for name, sheet in (("specimens", specimens), ("takes", takes)):
        with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, list(rows[name][0]))
            writer.writeheader()
            writer.writerows(sheet)
    return len(takes), 12 * copies


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def _is_kept(row: dict[str, str], role: dict[str, str], *, shared: bool) -> bool:
    """Whether a copy has this take; `shared` : whether it brings those of the whole sitting."""
    if role.get(row["specimen"], "bench") or row["kind"] == "airborne":
        return shared
    what = (row["kind"], row["tone_hz"], row["drive_db"] if row["kind"] == "tone" else "")
    on_bench = row["mount"] in ("1", "2") and row["repeat"] in ("1", "2") and what in KEPT
    return on_bench or row["support"] == "free"


def _name(specimen: str, copy: int, role: dict[str, str]) -> str:
    """The name of a board in a copy: L1 to L4 in the first one, L5 to L8 in the second."""
    if role.get(specimen, "bench"):
        return specimen
    return f"{specimen[0]}{4 * copy + int(specimen[1:])}"


def _board(row: dict[str, str], copy: int, rng: np.random.Generator) -> dict[str, str]:
    own = row | {"specimen": _name(row["specimen"], copy, {row["specimen"]: ""})}
    own["source"] = f"{row['wood']} plank {own['specimen'][1:]}"
    for size, digits in (("mass_g", 1), ("thickness_mm", 2), ("moisture_pct", 1)):
        own[size] = f"{float(row[size]) * (1 + PERCENT * rng.standard_normal()):.{digits}f}"
    return own


def _batch(batch: str, copy: int) -> str:
    return f"day{2 * (copy // SHARED) + int(batch.removeprefix('day'))}"


def _mount(mount: float, specimen: str, copy: int, role: dict[str, str]) -> float:
    """The reference and the changed board are mounted anew in each sitting."""
    return mount + 5 * (copy // SHARED) * bool(role.get(specimen))


def _take(folder: Path, row: dict[str, str], copy: int, role: dict[str, str]) -> dict[str, str]:
    """The row of a take of a copy, whose recording is the demo's under a name of its own."""
    own = row | {
        "take": f"{row['take']}-{copy}",
        "file": f"recordings/{_batch(row['batch'], copy)}/{row['take']}-{copy}.flac",
        "batch": _batch(row["batch"], copy),
        "specimen": _name(row["specimen"], copy, role),
        "order": "", "started": "",
    }  # fmt: skip
    if row["mount"]:
        own["mount"] = str(_mount(int(row["mount"]), row["specimen"], copy, role))
    place = folder / own["file"]
    place.parent.mkdir(parents=True, exist_ok=True)
    # No two recordings of a study are one: a few bytes behind the sound, which no reader minds.
    place.write_bytes((DEMO / row["file"]).read_bytes() + own["take"].encode())
    return own


def _moved(
    part: BatchMeasurement, takes: set[str], copy: int, role: dict[str, str],
    rng: np.random.Generator,
) -> BatchMeasurement:  # fmt: skip
    """The tables of one batch of a copy."""
    specimen_of = part.features.drop_duplicates("take").set_index("take")["specimen"]
    frames = dict(_frames(part, takes))
    boards = {name: index for index, name in enumerate(role)}
    db, high = BOARD * rng.standard_normal(len(role)), PERCENT * rng.standard_normal(len(role))
    for name, frame in frames.items():
        of_take = frame["specimen"] if "specimen" in frame else frame["take"].map(specimen_of)
        at = of_take.map(boards)
        if name in _LEVELS:
            apart = at.map(dict(enumerate(db))).fillna(0.0).to_numpy()
            own = {take: TAKE * rng.standard_normal() for take in frame["take"].unique()}
            apart = apart + frame["take"].map(own).to_numpy()
            if "mount" in frame:
                mounts = MOUNT * rng.standard_normal((len(role), 40))
                apart = apart + mounts[at.fillna(0).astype(int), frame["mount"].astype(int)]
            column = _LEVELS[name]
            logs = ~frame["unit"].str.startswith("dB") if name == "features" else False
            moved = np.where(logs, frame[column] * np.exp(apart / 20), frame[column] + apart)
            frame[column] = moved
        if name == "modes":
            frame["frequency_hz"] *= np.exp(at.map(dict(enumerate(high))).fillna(0.0))
        if "specimen" in frame:
            mount = [_mount(m, s, copy, role) for m, s in zip(frame["mount"], of_take, strict=True)]
            frame["mount"] = mount
            frame["specimen"] = [_name(specimen, copy, role) for specimen in of_take]
        if "batch" in frame:
            frame["batch"] = [_batch(batch, copy) for batch in frame["batch"]]
        if "id" in frame:
            frame["id"] = [f"{row[:8]}{copy:04x}" for row in frame["id"]]
        frame["take"] = [f"{take}-{copy}" for take in frame["take"]]
    return BatchMeasurement(batch="", bench=part.bench, **frames)


def _frames(part: BatchMeasurement, takes: set[str]) -> Iterator[tuple[str, pd.DataFrame]]:
    for table in TABLES:
        if table != "bench":
            frame = getattr(part, table)
            yield table, frame[frame["take"].isin(takes)].reset_index(drop=True)
