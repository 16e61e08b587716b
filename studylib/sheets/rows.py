"""One row of specimens.csv and one row of takes.csv as typed objects.

`Specimen` and `Take` are the objects that the rest of the library works with. Their fields
are the columns; each field's description says what would be right there and appears in the
sentence about a fault. What one row can get wrong by itself is found here; what rows get
wrong together is found in `plan_checks`.

Units stand in the names: millimetres, grams, percent, hertz, decibels, degrees Celsius.

Functions: `read_specimens`, `read_takes`, `covariate_columns`,
`columns_needed`, `path_fault`.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationError,
    ValidationInfo,
)

from studylib.sheets.field_faults import field_faults
from studylib.sheets.spreadsheet import Row, Table, number, whole
from studylib.words.text import listed, nearest, shown

BOARD_KINDS = ("tone", "sweep", "tap", "pluck")
CONTROL_KINDS = ("room", "loopback", "driver", "airborne", "calibrator")
KINDS = BOARD_KINDS + CONTROL_KINDS
TONE_KINDS = ("tone", "loopback", "driver", "airborne")
ROLES = ("", "reference", "changed")
SUPPORTS = ("bench", "free")

_NEEDS = {
    "specimen": (*BOARD_KINDS, "airborne"),
    "mount": (*BOARD_KINDS, "airborne"),
    "repeat": BOARD_KINDS,
    "tone_hz": TONE_KINDS,
}

RowFault = tuple[int, str]
"""Row number and the whole sentence."""


def _comma(info: ValidationInfo) -> bool:
    return bool((info.context or {}).get("comma"))


def _measured(text: Any, info: ValidationInfo) -> float | None:
    return None if text == "" else number(text, comma=_comma(info))


def _level(text: Any, info: ValidationInfo) -> float:
    return 0.0 if text == "" else number(text, comma=_comma(info))


def _count(text: Any, info: ValidationInfo) -> int | None:
    return None if text == "" else whole(text, comma=_comma(info))


def _moment(text: Any) -> datetime | None:
    if text == "":
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(
            f"{shown(text)} is not a date and time; write it as 2025-03-14T09:30 (ISO 8601)"
        ) from None


def _yes(text: Any) -> bool:
    if text.casefold() not in ("", "yes"):
        raise ValueError(f"{shown(text)} does not fit; write yes or leave the cell empty")
    return text != ""


def _printable(text: str) -> str:
    if not text.isprintable():
        raise ValueError(
            f"{shown(text)} holds a line break or another character that cannot be printed; "
            "write it on one line"
        )
    return text


def path_fault(text: str) -> str:
    """What is wrong with the wording of a recording's path; "" when nothing is."""
    try:
        _inside(_printable(text))
    except ValueError as error:
        return str(error)
    return ""


def _inside(text: str) -> str:
    """A path that stays in the study folder by its wording; links are followed elsewhere."""
    path = PurePosixPath(text)
    if "\\" in text:
        raise ValueError(f"{shown(text)} holds a backslash; write recordings/name.wav with /")
    if path.is_absolute() or PureWindowsPath(text).drive or ".." in path.parts or text[0] == "~":
        raise ValueError(
            f"{shown(text)} leads out of the study folder; put the recording in the folder "
            "and write its path from there, as in recordings/name.wav"
        )
    return str(path)


def _one_of(*options: str, empty: str | None = None) -> BeforeValidator:
    def check(text: Any) -> str:
        word = text.casefold()
        if word == "" and empty is not None:
            return empty
        if word not in options:
            choice = listed([option for option in options if option], last="or")
            raise ValueError(
                f"{shown(text)} is not known here, the nearest known word is "
                f'"{nearest(word, options)}"; give {choice}'
                + (" or leave the cell empty" if empty is not None else "")
            )
        return word

    return BeforeValidator(check)


Name = Annotated[str, Field(min_length=1), AfterValidator(_printable)]
Text = Annotated[str, AfterValidator(_printable)]
Measured = Annotated[float | None, BeforeValidator(_measured)]
Level = Annotated[float, BeforeValidator(_level)]
Count = Annotated[int | None, BeforeValidator(_count)]

_SIZE = "a number above 0, or leave the cell empty"
_PERCENT = "a percentage from 0 to 100, or leave the cell empty"
_NUMBERED = "a whole number from 1 up"


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Specimen(_Row):
    """One board, bar or blank; `wood` is its value in the column that the study compares."""

    specimen: Name = Field(description="an id of its own for each specimen")
    wood: Text = Field(description="the group of the specimen")
    source: Text = Field("", description="the plank, tree or lot it was cut from")
    source_assumed: bool = False
    length_mm: Measured = Field(None, gt=0, description=_SIZE)
    width_mm: Measured = Field(None, gt=0, description=_SIZE)
    thickness_mm: Measured = Field(None, gt=0, description=_SIZE)
    mass_g: Measured = Field(None, gt=0, description=_SIZE)
    moisture_pct: Measured = Field(
        None, ge=0, le=300, description="percent of the dry mass, 0 or more, or leave it empty"
    )
    grain: str = ""
    role: Annotated[str, _one_of("reference", "changed", empty="")] = ""
    beside: Text = ""
    note: str = ""
    covariates: dict[str, float] = Field(default_factory=dict)
    row: int


class Take(_Row):
    """One recording; levels in dB relative to the bench's own setting, at most 0 for drive."""

    take: Name = Field(description="an id of its own for each take")
    batch: Name = Field(description="the name of the sitting")
    kind: Annotated[str, _one_of(*KINDS)] = Field(description=listed(KINDS, last="or"))
    specimen: Annotated[str | None, BeforeValidator(lambda text: text or None)] = None
    mount: Count = Field(None, ge=1, description=_NUMBERED)
    repeat: Count = Field(None, ge=1, description=_NUMBERED)
    file: Annotated[Name, AfterValidator(_inside)] = Field(
        description="the path of the recording, as in recordings/name.wav"
    )
    order: Measured = Field(None, description="a number, or leave the cell empty")
    tone_hz: Measured = Field(None, gt=0, description="the frequency of the tone in Hz, above 0")
    drive_db: Level = Field(0.0, le=0, description="0 or a negative number: dB below full drive")
    gain_db: Level = Field(0.0, description="a number of dB, or leave the cell empty")
    support: Annotated[str, _one_of(*SUPPORTS, empty="bench")] = "bench"
    started: Annotated[datetime | None, BeforeValidator(_moment)] = None
    temperature_c: Measured = Field(
        None, ge=-60, le=80, description="degrees Celsius from -60 to 80, or leave it empty"
    )
    humidity_pct: Measured = Field(None, ge=0, le=100, description=_PERCENT)
    exclude: Annotated[bool, BeforeValidator(_yes)] = False
    reason: str = ""
    row: int


SPECIMEN_COLUMNS = tuple(
    name
    for name in Specimen.model_fields
    if name not in ("source_assumed", "beside", "covariates", "row")
)
TAKE_COLUMNS = tuple(name for name in Take.model_fields if name != "row")


def covariate_columns(table: Table, *, compare: str, beside: str = "") -> tuple[str, ...]:
    """Further columns of specimens.csv in which every cell that is filled is a number."""
    further = set(table.columns) - {*SPECIMEN_COLUMNS, "source_assumed", "row", compare, beside}
    return tuple(c for c in table.columns if c in further and _numeric(table, c))


def _numeric(table: Table, column: str) -> bool:
    cells = [row.cells[column] for row in table.rows if row.cells[column]]
    try:
        for cell in cells:
            number(cell, comma=table.semicolons)
    except ValueError:
        return False
    return bool(cells)


def read_specimens(
    table: Table, *, compare: str, beside: str = ""
) -> tuple[list[Specimen], list[RowFault]]:
    """The rows of specimens.csv that are whole, and the faults of those that are not."""
    further = covariate_columns(table, compare=compare, beside=beside)
    specimens, faults = [], []
    for row in table.rows:
        given = {c: row.cells[c] for c in further if row.cells[c]}
        extra = {
            "wood": row.cells.get(compare, ""),
            "beside": row.cells.get(beside, "") if beside else "",
            "source_assumed": row.cells.get("source", "") == "",
            "covariates": {c: number(t, comma=table.semicolons) for c, t in given.items()},
        }
        specimen, found = _validate(Specimen, table, row, SPECIMEN_COLUMNS, extra)
        faults += found
        if beside and row.cells.get(beside) == "" and row.cells.get("role", "") == "":
            faults.append(
                (
                    row.number,
                    f"{_place(table, row, beside)}: the cell is empty; give the group of this "
                    "specimen, which study.toml names under [study] beside",
                )
            )
        if row.cells.get(compare) == "" and row.cells.get("role", "") == "":
            faults.append(
                (
                    row.number,
                    f"{_place(table, row, compare)}: the cell is empty; give the group of this "
                    "specimen, which the study compares",
                )
            )
        elif specimen is not None:
            own = {"source": specimen.source or specimen.specimen}
            specimens.append(specimen.model_copy(update=own))
    return specimens, faults


def read_takes(table: Table) -> tuple[list[Take], list[RowFault]]:
    """The rows of takes.csv that are whole, and the faults of those that are not."""
    takes, faults = [], []
    for row in table.rows:
        take, found = _validate(Take, table, row, TAKE_COLUMNS, {})
        found += _rule_faults(table, row)
        faults += found
        if take is not None and not found:
            takes.append(take)
    return takes, faults


def _validate(
    model: type[_Row], table: Table, row: Row, columns: tuple[str, ...], extra: dict[str, Any]
) -> tuple[Any, list[RowFault]]:
    cells = {column: row.cells.get(column, "") for column in columns}
    try:
        context = {"comma": table.semicolons}
        made = model.model_validate({**cells, **extra, "row": row.number}, context=context)
    except ValidationError as error:
        # A column that is not there is one fault of the header, told by the caller.
        return None, [
            (row.number, f"{_place(table, row, where[0])}: {_said(said)}")
            for where, said in field_faults(error, model, cells=cells)
            if where[0] in table.columns
        ]
    return made, []


def _said(sentence: str) -> str:
    return sentence.replace('"" does not fit', "the cell is empty", 1)


def _place(table: Table, row: Row, column: str) -> str:
    return f"{table.name}, row {row.number}, column {column}"


def _rule_faults(table: Table, row: Row) -> list[RowFault]:
    """What the kind of a take asks of its other cells, found on the cells as written."""
    cells = {c: row.cells.get(c, "") for c in TAKE_COLUMNS}
    kind, support = cells["kind"].casefold(), cells["support"].casefold()
    faults = [
        (column, f"the cell is empty; a {kind} take needs its {column}")
        for column, kinds in _NEEDS.items()
        if kind in kinds and column in table.columns and cells[column] == ""
    ]
    if support == "free" and kind in KINDS and kind != "tap":
        faults.append(
            (
                "support",
                f'"free" is for taps with the driver off, not for a {kind} take; '
                "write bench or leave the cell empty",
            )
        )
    if cells["exclude"].casefold() == "yes" and not cells["reason"]:
        faults.append(
            ("reason", "the cell is empty; a take that is excluded needs the reason, in words")
        )
    return [(row.number, f"{_place(table, row, c)}: {said}") for c, said in faults]


def columns_needed(table: Table) -> Iterator[tuple[str, str]]:
    """Columns that takes.csv lacks although some take needs them, with the kind of that take."""
    kinds = [row.cells.get("kind", "").casefold() for row in table.rows]
    for column, needing in _NEEDS.items():
        found = next((kind for kind in kinds if kind in needing), None)
        if column not in table.columns and found:
            yield column, found
