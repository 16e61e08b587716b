"""Read a study folder: study.toml, specimens.csv and takes.csv as one typed, checked object.

All faults of the folder are reported together, each as one sentence that names the file, the
row as the spreadsheet counts it (the header is row 1), the column, and what would be right.
What is only suspicious is a warning and stays with the study.

The three files are read independently as far as that goes, so that a slip in one does not
hide the slips in the others. Recordings are looked up and compared, not opened as audio.

Functions: `read_study`, `file_hashes`. Classes: `Study` (and `Specimen`, `Take`, `Settings`).
"""

from __future__ import annotations

import difflib
import os
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from studylib.errors import InputError
from studylib.sheets.files import as_on_disk, recording_faults, sha256, unnamed_recordings
from studylib.sheets.plan_faults import repeated_ids, role_faults, take_faults
from studylib.sheets.plan_warnings import specimen_warnings, take_warnings
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
from studylib.sheets.settings import Settings
from studylib.sheets.settings_file import claim_faults, read_settings
from studylib.sheets.spreadsheet import Row, Table, mark_faults, read_table
from studylib.wording import listed, nearest, shown, slug

__all__ = ["Settings", "Specimen", "Study", "Take", "file_hashes", "read_study"]

SHEETS = ("study.toml", "specimens.csv", "takes.csv")
NOT_COMPARED = ("specimen", "source", "role", "note", "source_assumed", "row")
SIZES = ("length_mm", "width_mm", "thickness_mm", "mass_g", "moisture_pct")
NUMERIC_TAKE_COLUMNS = (
    "order", "mount", "repeat", "tone_hz", "drive_db", "gain_db", "temperature_c", "humidity_pct",
)  # fmt: skip


@dataclass(frozen=True)
class Study:
    """A study folder without faults.

    Attributes
    ----------
    folder : absolute path of the study folder.
    name : the folder's own name, made safe for a file name.
    settings : study.toml with its defaults.
    specimens, takes : in the order of their tables.
    warnings : whole sentences about what a person should look at.
    """

    folder: Path
    name: str
    settings: Settings
    specimens: tuple[Specimen, ...]
    takes: tuple[Take, ...]
    warnings: tuple[str, ...]

    @property
    def batches(self) -> tuple[str, ...]:
        """Batch names in the order in which takes.csv first names them."""
        return tuple(dict.fromkeys(take.batch for take in self.takes))

    @property
    def woods(self) -> tuple[str, ...]:
        """Groups under comparison, in the order of specimens.csv."""
        return tuple(dict.fromkeys(s.wood for s in self.specimens if s.role == ""))

    @cached_property
    def _by_id(self) -> dict[str, Specimen]:
        return {s.specimen: s for s in self.specimens}

    def specimen(self, name: str) -> Specimen:
        """The specimen with this id.

        Raises
        ------
        InputError : there is none; the sentence gives the nearest id.
        """
        if name not in self._by_id:
            near = nearest(name, tuple(self._by_id))
            raise InputError(f'there is no specimen {shown(name)}; the nearest is "{near}"')
        return self._by_id[name]

    def takes_of(self, batch: str) -> tuple[Take, ...]:
        """The takes of one batch by `order`, then by row; takes without an order come last.

        Raises
        ------
        InputError : there is no such batch; the sentence gives the nearest.
        """
        found = [take for take in self.takes if take.batch == batch]
        if not found:
            near = nearest(batch, self.batches)
            raise InputError(f'there is no batch {shown(batch)}; the nearest is "{near}"')
        return tuple(sorted(found, key=lambda t: (t.order is None, t.order or 0.0, t.row)))

    def path_of(self, take: Take) -> Path:
        """Absolute path of a take's recording."""
        return self.folder / take.file

    def specimen_table(self) -> pd.DataFrame:
        """One row a specimen: specimen, wood, source, source_assumed, role, sizes (mm, g, %),
        then the covariates. What was not measured is NaN."""
        covariates = dict.fromkeys(name for s in self.specimens for name in s.covariates)
        words = ("specimen", "wood", "source", "source_assumed", "role")
        columns = {name: [getattr(s, name) for s in self.specimens] for name in words}
        for name in SIZES:
            columns[name] = pd.array([getattr(s, name) for s in self.specimens], dtype="Float64")
        for name in covariates:
            given = [s.covariates.get(name) for s in self.specimens]
            columns[name] = pd.array(given, dtype="Float64")
        table = pd.DataFrame(columns)
        return table.astype(dict.fromkeys([*SIZES, *covariates], "float64"))


def read_study(folder: Path | str) -> Study:
    """Read and check a study folder.

    Parameters
    ----------
    folder : holds study.toml, specimens.csv, takes.csv and the recordings.

    Raises
    ------
    InputError : with all faults of the folder together, by file and row.
    """
    folder = Path(os.path.abspath(folder))
    if not folder.is_dir():
        raise InputError(
            f"there is no study folder {shown(folder.name)}; name the folder that holds study.toml "
            "(`study new` writes an empty one)"
        )
    reading = read_settings(folder / SHEETS[0])
    settings, faults, warnings = reading.settings, [*reading.faults], [*reading.warnings]

    specimens, known, found, said = _specimens(folder / SHEETS[1], settings.study.compare)
    faults += found
    warnings += said
    if not found:
        woods = dict.fromkeys(s.wood for s in specimens if s.role == "")
        faults += claim_faults(settings, tuple(woods))

    takes, found, said = _takes(folder / SHEETS[2], known)
    faults += found
    warnings += said
    if faults:
        raise InputError(faults)
    warnings += take_warnings(takes, specimens, settings)
    warnings += _unnamed(folder, takes)
    return Study(
        folder=folder,
        name=slug(folder.name),
        settings=settings,
        specimens=tuple(specimens),
        takes=tuple(takes),
        warnings=tuple(warnings),
    )


def _specimens(
    path: Path, compare: str
) -> tuple[list[Specimen], frozenset[str] | None, list[str], list[str]]:
    """Specimens, the ids the table holds (None when it cannot be read), faults, warnings."""
    if compare in NOT_COMPARED or compare in SIZES:
        said = f"study.toml, [study] compare: {shown(compare)} cannot be compared"
        return [], None, [f'{said}; name a column of groups, such as "wood"'], []
    try:
        table = read_table(path)
    except InputError as error:
        return [], None, list(error.faults), []
    faults = _form_faults(table, required=("specimen", compare), known=SPECIMEN_COLUMNS)
    specimens, found = read_specimens(table, compare=compare)
    further = covariate_columns(table, compare=compare)
    found += mark_faults(table, (*SIZES, *further))
    found += repeated_ids(table, "specimen") + role_faults(specimens)
    known = None
    if "specimen" in table.columns:
        known = frozenset(row.cells["specimen"] for row in table.rows)
    warnings = _further_columns(table, compare, further)
    warnings += specimen_warnings(specimens, table)
    return specimens, known, faults + _told(found), warnings


def _takes(path: Path, known: frozenset[str] | None) -> tuple[list[Take], list[str], list[str]]:
    """Takes, faults and warnings; `known` are the ids of specimens.csv."""
    try:
        table = read_table(path)
    except InputError as error:
        return [], list(error.faults), []
    faults = _form_faults(table, required=("take", "batch", "kind", "file"), known=TAKE_COLUMNS)
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
    found += recording_faults(path.parent, table.name, [r for r in table.rows if _inside(r)])
    warnings = [
        f"{table.name}, row 1: the column {shown(column)} is not known and is not used; "
        f'the nearest known name is "{nearest(column, TAKE_COLUMNS)}"'
        for column in table.columns
        if column not in TAKE_COLUMNS
    ]
    return takes, faults + _told(found), warnings


def _inside(row: Row) -> bool:
    """Whether the row names a file by a path that stays in the study."""
    file = row.cells.get("file", "")
    return bool(file) and not path_fault(file)


def _as_on_disk(folder: Path, table: Table) -> Table:
    found = {row.number: row for row in as_on_disk(folder, [r for r in table.rows if _inside(r)])}
    return replace(table, rows=tuple(found.get(row.number, row) for row in table.rows))


def _form_faults(table: Table, *, required: tuple[str, ...], known: tuple[str, ...]) -> list[str]:
    """Required columns that are not there, and a table without rows."""
    unknown = [c for c in table.columns if c not in known and c not in required]
    faults = []
    for column in required:
        if column in table.columns:
            continue
        near = nearest(column, unknown) if unknown else ""
        hint = f" (perhaps {shown(near)} is meant to be it)" if near else ""
        faults.append(f"{table.name}, row 1: there is no column {shown(column)}; add it{hint}")
    if not table.rows:
        what = "specimen" if table.name == SHEETS[1] else "take"
        faults.append(f"{table.name} has no rows below its header; write one row for each {what}")
    return faults


def _further_columns(table: Table, compare: str, further: tuple[str, ...]) -> list[str]:
    """Columns of specimens.csv that we do not know: covariates near a known name, or text."""
    known = (*SPECIMEN_COLUMNS, compare)
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


def _unnamed(folder: Path, takes: list[Take]) -> list[str]:
    files = unnamed_recordings(folder, (take.file for take in takes))
    if not files:
        return []
    few = listed(map(shown, files[:3])) if len(files) < 4 else f"{shown(files[0])} and others"
    count = "1 recording is" if len(files) == 1 else f"{len(files)} recordings are"
    return [
        f"recordings/: {count} in no row of takes.csv ({few}); a take that is not used belongs in "
        "takes.csv with exclude and a reason"
    ]


def file_hashes(study: Study) -> dict[str, str]:
    """SHA-256 of the three sheets and of every recording, by path from the study folder.

    Files are read in blocks. The order is that of the sheets, then of takes.csv.

    Raises
    ------
    InputError : a file has gone or cannot be read.
    """
    names = [*SHEETS, *dict.fromkeys(take.file for take in study.takes)]
    return {name: sha256(study.folder / name) for name in names}
