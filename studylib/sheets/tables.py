"""Read specimens.csv and takes.csv: rows as objects, with every fault and warning of the table.

What rows get wrong by themselves is found in `rows`, what they get wrong together in
`between_rows`, what is wrong with the recordings in `files`.

Functions: `specimen_sheet`, `take_sheet`.
"""

import difflib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from studylib import codes, errors
from studylib.sheets import between_rows, files, records
from studylib.sheets.rows import (
    SPECIMEN_COLUMNS,
    TAKE_COLUMNS,
    Take,
    columns_needed,
    covariate_columns,
    has_sound_path,
    read_specimens,
    read_takes,
)
from studylib.words.text import nearest

MEASURED = (*between_rows.SIZES, "moisture_pct")
NOT_GROUPS = ("specimen", "source", "role", "note", "source_assumed", "row", *MEASURED)
NUMERIC_TAKE_COLUMNS = (
    "order", "mount", "repeat", "tone_hz", "drive_db", "gain_db", "place", "moved_mm",
    "mic_times", "temperature_c", "humidity_pct",
)  # fmt: skip


@dataclass(frozen=True)
class Sheet:
    """What a table gave.

    rows : what is whole, specimens or takes.  ids : every id of specimens.csv; None when it cannot
    be read.  waiting : takes without their recording yet.  faults, warnings : notes.
    """

    rows: Sequence[Any] = ()
    ids: frozenset[str] | None = None
    faults: Sequence[str] = ()
    warnings: Sequence[str] = ()
    waiting: tuple[Take, ...] = ()


def specimen_sheet(path: Path, compare: str, *, may_be_empty: bool = False) -> Sheet:
    """specimens.csv.

    Parameters
    ----------
    compare : the column of groups that study.toml names.
    may_be_empty : whether a table without rows will do, as it does before boards are cut.

    Raises
    ------
    InputError : it cannot be read as a table, or `compare` cannot hold groups.
    """
    errors.InputError.refuse(
        compare in NOT_GROUPS,
        "settings.compare_unfit",
        **{"file": "study.toml", "section": "[study]", "key": "compare"},
        value=compare,
    )
    table = files.read_table(path)
    required = ("specimen", compare)
    faults = _form_faults(table, required, SPECIMEN_COLUMNS, may_be_empty)
    specimens, found = read_specimens(table, compare=compare)
    further = covariate_columns(table, compare=compare)
    found += [
        *files.mark_faults(table, (*MEASURED, *further)),
        *between_rows.repeated_ids(table, "specimen"),
        *between_rows.role_faults(specimens),
    ]
    # Columns that we do not know: covariates near a known name, or text.
    columns = (*SPECIMEN_COLUMNS, *required)
    warnings = [
        _column_note(
            "sheets.covariate_like_known" if column in further else "sheets.text_column",
            table,
            column,
            columns,
        )
        for column in table.columns
        if column not in columns
        and (column not in further or _close(column, nearest(column, columns)))
    ]
    warnings += between_rows.specimen_warnings(specimens, table)
    return Sheet(
        specimens,
        frozenset(row.cells["specimen"] for row in table.rows if "specimen" in row.cells)
        if "specimen" in table.columns
        else None,
        faults + _by_row(found),
        warnings,
    )


def take_sheet(
    path: Path,
    specimens: frozenset[str] | None,
    *,
    scheduled: frozenset[str],
    may_be_empty: bool = False,
) -> Sheet:
    """takes.csv: takes with a recording, and takes that wait for theirs.

    Parameters
    ----------
    specimens : the ids of specimens.csv; None when it could not be read.
    scheduled : ids of takes that may be without a recording.
    may_be_empty : whether a table without rows will do, as it does before anything is planned.

    Raises
    ------
    InputError : it cannot be read as a table.
    """
    table = files.read_table(path)
    faults = [
        *_form_faults(table, ("take", "batch", "kind", "file"), TAKE_COLUMNS, may_be_empty),
        *(
            codes.note("sheets.no_column", file=table.name, row=1, columns=[column], kind=kind)
            for column, kind in columns_needed(table).items()
        ),
    ]
    spelled = {
        row.number: row
        for row in files.as_on_disk(path.parent, [row for row in table.rows if has_sound_path(row)])
    }
    table = replace(table, rows=tuple(spelled.get(row.number, row) for row in table.rows))
    takes, found = read_takes(table)
    waiting = records.without_recording(path.parent, table, scheduled)
    found += [
        *files.mark_faults(table, NUMERIC_TAKE_COLUMNS),
        *between_rows.repeated_ids(table, "take"),
        *between_rows.take_faults(takes),
        *(
            codes.note(
                "sheets.unknown_specimen",
                file=table.name,
                row=row.number,
                column="specimen",
                value=name,
                nearest=nearest(name, sorted(specimens)),
            )
            for row in (() if specimens is None else table.rows)
            if (name := row.cells.get("specimen", "")) and name not in specimens
        ),
        *files.recording_faults(
            path.parent,
            table.name,
            [r for r in table.rows if has_sound_path(r) and r.number not in waiting],
        ),
    ]
    warnings = [
        _column_note("sheets.unknown_column", table, column, TAKE_COLUMNS)
        for column in table.columns
        if column not in TAKE_COLUMNS
    ]
    return Sheet(
        [take for take in takes if take.row not in waiting],
        None,
        faults + _by_row(found),
        warnings,
        tuple(take for take in takes if take.row in waiting),
    )


def _form_faults(
    table: files.Table, required: tuple[str, ...], known: tuple[str, ...], may_be_empty: bool
) -> list[str]:
    """Required columns that are not there, and a table without rows."""
    unknown = [c for c in table.columns if c not in known and c not in required]
    return [
        *(
            codes.note(
                "sheets.no_column",
                file=table.name,
                row=1,
                columns=[name],
                perhaps=nearest(name, unknown),
            )
            for name in required
            if name not in table.columns
        ),
        *[codes.note("sheets.no_rows", file=table.name)] * (not table.rows and not may_be_empty),
    ]


def _column_note(code: str, table: files.Table, column: str, known: tuple[str, ...]) -> str:
    return codes.note(code, file=table.name, row=1, value=column, nearest=nearest(column, known))


def _close(name: str, known: str) -> bool:
    """Most likely a slip of the pen: "mass_kg" for "mass_g", but not "ring_width"."""
    return difflib.SequenceMatcher(None, name.casefold(), known).ratio() >= 0.75


def _by_row(found: list[str]) -> list[str]:
    """Faults by row; those of one row in the order in which they were found."""
    return sorted(found, key=lambda fault: codes.fields_of(fault)["row"])
