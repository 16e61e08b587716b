"""Errors between rows: what no analysis could put right.

Ids given twice, two takes that claim to be the same one, a mount in two batches, batches that
would share a file name, times with and without an offset, a second reference.

Functions: `repeated_ids`, `role_faults`, `take_faults`, `mounted`.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

from studylib.sheets.rows import BOARD_KINDS, RowFault, Specimen, Take
from studylib.sheets.spreadsheet import Table
from studylib.words.text import shown
from studylib.writing import slug

SPECIMENS = "specimens.csv"
TAKES = "takes.csv"
MOUNT_KINDS = (*BOARD_KINDS, "airborne")


def repeated_ids(table: Table, column: str) -> list[RowFault]:
    """Ids that an earlier row has already."""
    first: dict[str, int] = {}
    faults = []
    for row in table.rows:
        name = row.cells.get(column, "")
        if not name:
            continue
        if name in first:
            faults.append(
                (
                    row.number,
                    f"{table.name}, row {row.number}, column {column}: {shown(name)} is in row "
                    f"{first[name]} already; give each {column} an id of its own",
                )
            )
        first.setdefault(name, row.number)
    return faults


def role_faults(specimens: Sequence[Specimen]) -> list[RowFault]:
    """A second reference: drift is watched on one specimen."""
    references = [s for s in specimens if s.role == "reference"]
    return [
        (
            s.row,
            f"{SPECIMENS}, row {s.row}, column role: {shown(references[0].specimen)} is the "
            "reference already; give that role to one specimen only",
        )
        for s in references[1:]
    ]


def take_faults(takes: Sequence[Take]) -> list[RowFault]:
    """Errors between rows of takes.csv: doubles, mounts in two batches, batch names, time zones."""
    return [*_doubles(takes), *_torn_mounts(takes), *_slugs(takes), *_zones(takes)]


def _doubles(takes: Sequence[Take]) -> list[RowFault]:
    """Two takes that say they are the same one. A take set aside may be made again under its
    number, and controls need no numbers."""
    first: dict[Hashable, Take] = {}
    faults = []
    for t in takes:
        if t.exclude or (t.kind not in BOARD_KINDS and t.repeat is None):
            continue
        key = (t.batch, t.kind, t.specimen, t.mount, t.repeat, t.tone_hz, t.drive_db, t.support)
        if key in first:
            faults.append(
                (
                    t.row,
                    f"{TAKES}, row {t.row}, column repeat: the same batch, kind, specimen, mount, "
                    f"repeat, tone_hz, drive_db and support as row {first[key].row}; "
                    "number the takes of one mount and signal 1, 2, ...",
                )
            )
        first.setdefault(key, t)
    return faults


def _torn_mounts(takes: Sequence[Take]) -> list[RowFault]:
    first: dict[Hashable, Take] = {}
    faults = []
    for t in mounted(takes):
        known = first.setdefault((t.specimen, t.mount, t.support), t)
        if t.batch != known.batch:
            faults.append(
                (
                    t.row,
                    f"{TAKES}, row {t.row}, column mount: mount {t.mount} of {shown(t.specimen)} "
                    f"is in batch {shown(known.batch)} (row {known.row}) already; a specimen that "
                    "is set up again has a new mount number",
                )
            )
    return faults


def _slugs(takes: Sequence[Take]) -> list[RowFault]:
    """Batches become files; two names must not become one (capitals do not count everywhere)."""
    first: dict[str, Take] = {}
    faults, said = [], set()
    for t in takes:
        known = first.setdefault(slug(t.batch).casefold(), t)
        if known.batch != t.batch and t.batch not in said:
            said.add(t.batch)
            faults.append(
                (
                    t.row,
                    f"{TAKES}, row {t.row}, column batch: {shown(t.batch)} and "
                    f"{shown(known.batch)} (row {known.row}) would share the file name "
                    f'"{slug(t.batch)}"; use other letters or digits in one of them',
                )
            )
    return faults


def _zones(takes: Sequence[Take]) -> list[RowFault]:
    """Times with and without an offset cannot be put in order."""
    timed = [t for t in takes if t.started is not None]
    odd = next((t for t in timed if _offset(t) != _offset(timed[0])), None)
    if odd is None:
        return []
    has = "has" if _offset(odd) else "has no"
    return [
        (
            odd.row,
            f"{TAKES}, row {odd.row}, column started: the time {has} an offset from UTC, unlike "
            f"row {timed[0].row}; give the offset in every row or in none",
        )
    ]


def _offset(take: Take) -> bool:
    return take.started is not None and take.started.tzinfo is not None


def mounted(takes: Iterable[Take]) -> list[Take]:
    """The takes that belong to one mount of one specimen."""
    return [t for t in takes if t.kind in MOUNT_KINDS and t.specimen and t.mount]
