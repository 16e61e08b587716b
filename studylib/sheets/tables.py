"""Read specimens.csv and takes.csv: rows as objects, with every fault and warning of the table.

What rows get wrong by themselves is found in `rows`, what they get wrong together in
`plan_faults` and `plan_warnings`, what is wrong with the recordings in `files`.

Functions: `specimen_sheet`, `take_sheet`.
"""

from __future__ import annotations

import difflib
from dataclasses import replace
from pathlib import Path

from studylib.errors import InputError
from studylib.sheets.files import as_on_disk, recording_faults
from studylib.sheets.plan_faults import repeated_ids, role_faults, take_faults
from studylib.sheets.plan_warnings import specimen_warnings
from studylib.sheets.rows import (
    SPECIMEN_COLUMNS,
    TAKE_COLUMNS,
    RowFault,
    Specimen,
    Take,
    columns_needed,
    covariate_columns,
    path_fault,
    read_specimens,
    read_takes,
)
from studylib.sheets.scheduled import split, without_recording
from studylib.sheets.spreadsheet import Row, Table, mark_faults, read_table
from studylib.words.text import nearest, shown

NOT_COMPARED = ("specimen", "source", "role", "note", "source_assumed", "row")
SIZES = ("length_mm", "width_mm", "thickness_mm", "mass_g", "moisture_pct")
NUMERIC_TAKE_COLUMNS = (
    "order", "mount", "repeat", "tone_hz", "drive_db", "gain_db", "temperature_c", "humidity_pct",
)  # fmt: skip


def specimen_sheet(
    path: Path, compare: str, *, beside: str = "", empty: bool = False
) -> tuple[list[Specimen], frozenset[str] | None, list[str], list[str]]:
    """Specimens, the ids the table holds (None when it cannot be read), faults, warnings.

    `empty` : whether a table without rows will do, as it does before boards are cut.
    """
    if compare in NOT_COMPARED or compare in SIZES:
        said = f"study.toml, [study] compare: {shown(compare)} cannot be compared"
        return [], None, [f'{said}; name a column of groups, such as "wood"'], []
    if beside and (beside in NOT_COMPARED or beside in SIZES or beside == compare):
        said = f"study.toml, [study] beside: {shown(beside)} cannot stand beside {shown(compare)}"
        return [], None, [f'{said}; name another column of groups, such as "finish"'], []
    try:
        table = read_table(path)
    except InputError as error:
        return [], None, list(error.faults), []
    required = tuple(filter(None, ("specimen", compare, beside)))
    faults = _form_faults(table, required=required, known=SPECIMEN_COLUMNS, empty=empty)
    specimens, found = read_specimens(table, compare=compare, beside=beside)
    further = covariate_columns(table, compare=compare, beside=beside)
    found += mark_faults(table, (*SIZES, *further))
    found += repeated_ids(table, "specimen") + role_faults(specimens)
    known = None
    if "specimen" in table.columns:
        known = frozenset(row.cells["specimen"] for row in table.rows)
    warnings = _further_columns(table, (compare, beside), further)
    warnings += specimen_warnings(specimens, table)
    return specimens, known, faults + _told(found), warnings


def take_sheet(
    path: Path, known: frozenset[str] | None, *, scheduled: frozenset[str], empty: bool = False
) -> tuple[list[Take], list[Take], list[str], list[str]]:
    """Takes with a recording, takes that wait for theirs, faults and warnings.

    Parameters
    ----------
    known : the ids of specimens.csv; None when it could not be read.
    scheduled : ids of takes that may be without a recording.
    empty : whether a table without rows will do, as it does before anything is planned.
    """
    try:
        table = read_table(path)
    except InputError as error:
        return [], [], list(error.faults), []
    faults = _form_faults(
        table, required=("take", "batch", "kind", "file"), known=TAKE_COLUMNS, empty=empty
    )
    faults += [
        f"{table.name}, row 1: there is no column {shown(column)}, which a {kind} take needs; "
        "add it"
        for column, kind in columns_needed(table)
    ]
    table = _as_on_disk(path.parent, table)
    takes, found = read_takes(table)
    found += mark_faults(table, NUMERIC_TAKE_COLUMNS)
    found += repeated_ids(table, "take") + take_faults(takes)
    if known is not None:
        found += _unknown_specimens(table, known)
    waiting = without_recording(path.parent, table, scheduled)
    there = [r for r in table.rows if _inside(r) and r.number not in waiting]
    found += recording_faults(path.parent, table.name, there)
    warnings = [
        f"{table.name}, row 1: the column {shown(column)} is not known and is not used; "
        f'the nearest known name is "{nearest(column, TAKE_COLUMNS)}"'
        for column in table.columns
        if column not in TAKE_COLUMNS
    ]
    recorded, planned = split(takes, waiting)
    return recorded, planned, faults + _told(found), warnings


def _inside(row: Row) -> bool:
    """Whether the row names a file by a path that stays in the study."""
    file = row.cells.get("file", "")
    return bool(file) and not path_fault(file)


def _as_on_disk(folder: Path, table: Table) -> Table:
    found = {row.number: row for row in as_on_disk(folder, [r for r in table.rows if _inside(r)])}
    return replace(table, rows=tuple(found.get(row.number, row) for row in table.rows))


def _form_faults(
    table: Table, *, required: tuple[str, ...], known: tuple[str, ...], empty: bool
) -> list[str]:
    """Required columns that are not there, and a table without rows."""
    unknown = [c for c in table.columns if c not in known and c not in required]
    faults = []
    for column in required:
        if column in table.columns:
            continue
        near = nearest(column, unknown) if unknown else ""
        hint = f" (perhaps {shown(near)} is meant to be it)" if near else ""
        faults.append(f"{table.name}, row 1: there is no column {shown(column)}; add it{hint}")
    if not table.rows and not empty:
        what = "specimen" if table.name == "specimens.csv" else "take"
        faults.append(f"{table.name} has no rows below its header; write one row for each {what}")
    return faults


def _further_columns(table: Table, groups: tuple[str, str], further: tuple[str, ...]) -> list[str]:
    """Columns of specimens.csv that we do not know: covariates near a known name, or text."""
    known = (*SPECIMEN_COLUMNS, *filter(None, groups))
    warnings = []
    for column in table.columns:
        near = nearest(column, known)
        place = f"{table.name}, row 1: the column {shown(column)}"
        if column in known:
            continue
        if column not in further:
            warnings.append(
                f"{place} is not known and does not hold numbers, so it is not used; "
                f'the nearest known name is "{near}"'
            )
        elif _close(column, near):
            warnings.append(
                f"{place} is not known and is kept as a further number of the board; "
                f'the nearest known name is "{near}"'
            )
    return warnings


def _close(name: str, known: str) -> bool:
    """Most likely a slip of the pen: "mass_kg" for "mass_g", but not "ring_width"."""
    return difflib.SequenceMatcher(None, name.casefold(), known).ratio() >= 0.75


def _unknown_specimens(table: Table, known: frozenset[str]) -> list[RowFault]:
    return [
        (
            row.number,
            f"{table.name}, row {row.number}, column specimen: {shown(name)} is not in "
            f'specimens.csv; the nearest is "{nearest(name, sorted(known))}"; '
            "correct it or add the specimen there",
        )
        for row in table.rows
        if (name := row.cells.get("specimen", "")) and name not in known
    ]


def _told(found: list[RowFault]) -> list[str]:
    """Sentences by row; those of one row in the order in which they were found."""
    return [said for _, said in sorted(found, key=lambda fault: fault[0])]
