"""One row of specimens.csv and one row of takes.csv as typed objects.

`Specimen` and `Take` are the objects that the rest of the library works with. Their fields are the
columns; each field's description is the code of what would be right there. What one row can get
wrong by itself is found here; what rows get wrong together is found in `between_rows`.

Units stand in the names: millimetres, grams, percent, hertz, decibels, degrees Celsius.

What pydantic finds in a sheet, as notes of our own.

The models of `settings` and `rows` say in the description of each field what would be right there,
as a note of the chapter "right"; the bounds of the field (ge, gt, le, lt) are added here, so that
each stands once. Validators raise `CellError`, whose text is a note that has no place yet.

Functions: `read_specimens`, `with_planks`, `read_takes`, `covariate_columns`, `columns_needed`,
`has_sound_path`, `field_fault`, `placed`.
"""

import math
from collections.abc import Callable, Sequence
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
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from studylib.codes import code_of, fields_of, holding, note
from studylib.errors import CellError
from studylib.sheets.files import NAME, PATH, TEXT, Row, Table, number, whole
from studylib.words.text import nearest

BOARD_KINDS = ("tone", "sweep", "tap", "pluck")
CONTROL_KINDS = ("room", "idle", "loopback", "driver", "airborne", "calibrator")
KINDS = BOARD_KINDS + CONTROL_KINDS
MOUNT_KINDS = (*BOARD_KINDS, "airborne")
TONE_KINDS = ("tone", "loopback", "driver", "airborne")
SUPPORTS = ("bench", "free")
MOST_DB = 200.0  # no recorder and no amplifier is turned by more

TESTS = {"turned": ("tone",), "moved_mm": ("tone",), "mic_times": ("tone", "driver")}
"""The columns that make a take a test take, and the kinds they are for."""

_NEEDS = {
    "specimen": MOUNT_KINDS,
    "mount": MOUNT_KINDS,
    "repeat": BOARD_KINDS,
    "tone_hz": TONE_KINDS,
}


def _reads(convert: Callable[..., float], *, empty: float | None = None) -> BeforeValidator:
    """A cell as a number; `empty` is what an empty one stands for."""

    def read(text: Any, info: ValidationInfo) -> float | None:
        return empty if text == "" else convert(text, comma=bool((info.context or {}).get("comma")))

    return BeforeValidator(read)


def _moment(text: Any) -> datetime | None:
    if text == "":
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise CellError(note("cells.not_a_moment", value=text)) from None


def _yes(text: Any) -> bool:
    CellError.refuse(text.casefold() not in ("", "yes"), "cells.not_yes", value=text)
    return text != ""


def _printable(text: str) -> str:
    CellError.refuse(not text.isprintable(), "cells.unprintable", value=text)
    return text


def has_sound_path(row: Row) -> bool:
    """Whether the row names a file by a path that stays in the study by its wording."""
    file = row.cells.get("file", "")
    try:
        return bool(file and _inside(_printable(file)))
    except ValueError:
        return False


def _inside(text: str) -> str:
    """A path that stays in the study folder by its wording; links are followed elsewhere."""
    path = PurePosixPath(text)
    out = path.is_absolute() or PureWindowsPath(text).drive or ".." in path.parts or text[0] == "~"
    CellError.refuse("\\" in text, "cells.backslash", value=text)
    CellError.refuse(out, "cells.leads_out", value=text)
    return str(path)


def _one_of(*options: str, empty: str | None = None) -> BeforeValidator:
    known = dict(zip(options, options, strict=True)) | ({} if empty is None else {"": empty})

    def check(text: Any) -> str:
        if (word := text.casefold()) in known:
            return known[word]
        raise CellError(
            note(
                "cells.unknown_word",
                value=text,
                nearest=nearest(word, options),
                options=options,
                may_be_empty="" in known,
            )
        )

    return BeforeValidator(check)


Name = Annotated[str, Field(min_length=1, max_length=NAME), AfterValidator(_printable)]
Group = Annotated[str, Field(max_length=NAME), AfterValidator(_printable)]
Text = Annotated[str, Field(max_length=TEXT)]
Measured = Annotated[float | None, _reads(number)]
Level = Annotated[float, _reads(number, empty=0.0)]
Count = Annotated[int | None, _reads(whole)]
Place = Annotated[int, _reads(whole, empty=1)]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Specimen(_Row):
    """One board, bar or blank.

    Attributes
    ----------
    wood : its value in the column that the study compares.
    source : the plank, tree or lot; source_assumed : the cell was empty and nothing else says it
        (see `with_planks`).
    length_mm, width_mm, thickness_mm, mass_g, moisture_pct : None where not measured.
    role : "", "reference" or "changed".  covariates : further columns of numbers.
    own_name : of a coded board, once its key is open; "" without one.
    row : in the spreadsheet, the header being row 1.
    """

    specimen: Name = Field(description="right.specimen_id")
    wood: Group = Field(description="right.group")
    source: Group = Field("", description="right.source")
    source_assumed: bool = False
    length_mm: Measured = Field(None, gt=0, description="right.size")
    width_mm: Measured = Field(None, gt=0, description="right.size")
    thickness_mm: Measured = Field(None, gt=0, description="right.size")
    mass_g: Measured = Field(None, gt=0, description="right.size")
    moisture_pct: Measured = Field(None, ge=0, le=300, description="right.moisture")
    grain: Text = ""
    role: Annotated[str, _one_of("reference", "changed", empty="")] = ""
    note: Text = ""
    covariates: dict[str, float] = Field(default_factory=dict)
    own_name: str = ""
    row: int

    @property
    def shown(self) -> str:
        """What a viewer reads: the id, behind its own name where it is a code."""
        return f"{self.own_name} ({self.specimen})" if self.own_name else self.specimen

    @property
    def density_kg_m3(self) -> float:
        """By sizes and mass; NaN where one of them was not measured."""
        sizes = (self.length_mm, self.width_mm, self.thickness_mm)
        return 1e6 * self.mass_g / math.prod(sizes) if self.mass_g and all(sizes) else math.nan


class Take(_Row):
    """One recording.

    Attributes
    ----------
    take : its id.  batch : the session.  kind : one of `KINDS`.
    specimen, mount, repeat : None where a control take has none.
    file : path of the recording from the study folder.  order : within the batch, or None.
    tone_hz : frequency of the tone, or None.  drive_db : relative to full drive, at most 0.
    gain_db : of the recorder, relative to the bench's own setting.  support : "bench" or "free".
    place : where the microphone stood for these taps, 1, 2, ...; 1 where it was never moved.
    turned : the board lies end for end.  moved_mm : the driver sits so far along the board from its
    place, or None.  mic_times : the microphone stands at so many times its distance, or None.
    started, temperature_c, humidity_pct : None where not noted.
    exclude, reason : set aside by hand, and why.
    row : in the spreadsheet, the header being row 1.
    """

    take: Name = Field(description="right.take_id")
    batch: Name = Field(description="right.session")
    kind: Annotated[str, _one_of(*KINDS)] = Field(description=note("right.one_of", options=KINDS))
    specimen: Annotated[str | None, BeforeValidator(lambda text: text or None)] = None
    mount: Count = Field(None, ge=1, description="right.whole")
    repeat: Count = Field(None, ge=1, description="right.whole")
    file: Annotated[str, AfterValidator(_printable), AfterValidator(_inside)] = Field(
        min_length=1, max_length=PATH, description="right.recording"
    )
    order: Measured = Field(None, description="right.order")
    tone_hz: Measured = Field(None, gt=0, description="right.tone")
    drive_db: Level = Field(0.0, ge=-MOST_DB, le=0, description="right.drive")
    gain_db: Level = Field(0.0, ge=-MOST_DB, le=MOST_DB, description="right.gain")
    support: Annotated[str, _one_of(*SUPPORTS, empty="bench")] = "bench"
    place: Place = Field(1, ge=1, description="right.place")
    turned: Annotated[bool, BeforeValidator(_yes)] = False
    moved_mm: Measured = Field(None, gt=0, le=100, description="right.moved")
    mic_times: Measured = Field(None, gt=0, le=10, description="right.mic_times")
    started: Annotated[datetime | None, BeforeValidator(_moment)] = None
    temperature_c: Measured = Field(None, ge=-60, le=80, description="right.celsius")
    humidity_pct: Measured = Field(None, ge=0, le=100, description="right.humidity")
    exclude: Annotated[bool, BeforeValidator(_yes)] = False
    reason: Text = ""
    row: int

    @property
    def is_test(self) -> bool:
        """The bench was changed on purpose: it tests a cause and gives no feature."""
        return self.turned or self.moved_mm is not None or self.mic_times is not None


SPECIMEN_COLUMNS = tuple(
    name
    for name in Specimen.model_fields
    if name not in ("source_assumed", "covariates", "own_name", "row")
)
TAKE_COLUMNS = tuple(name for name in Take.model_fields if name != "row")


def covariate_columns(table: Table, *, compare: str) -> tuple[str, ...]:
    """Further columns of specimens.csv in which every cell that is filled is a number."""
    further = set(table.columns) - {*SPECIMEN_COLUMNS, "source_assumed", "row", compare}
    return tuple(c for c in table.columns if c in further and _numeric(table, c))


def _numeric(table: Table, column: str) -> bool:
    cells = [row.cells[column] for row in table.rows if row.cells[column]]
    try:
        return bool([number(cell, comma=table.semicolons) for cell in cells])
    except ValueError:
        return False


def read_specimens(table: Table, *, compare: str) -> tuple[list[Specimen], list[str]]:
    """The rows of specimens.csv that are whole, and the faults of those that are not."""
    further = covariate_columns(table, compare=compare)
    specimens, faults = [], []
    for row in table.rows:
        extra = {
            "wood": row.cells.get(compare, ""),
            "covariates": {
                column: number(row.cells[column], comma=table.semicolons)
                for column in further
                if row.cells[column]
            },
        }
        specimen, found = _validate(Specimen, table, row, SPECIMEN_COLUMNS, extra)
        faults += found
        # The reference needs no group.
        if row.cells.get(compare) == "" and not row.cells.get("role"):
            faults.append(note("cells.empty", **_place(table, row, compare), right="right.group"))
        elif specimen is not None:
            specimens.append(specimen)
    return specimens, faults


def with_planks(specimens: Sequence[Specimen], *, separate_trees: bool) -> list[Specimen]:
    """Every board with its plank.

    Boards of one plank are alike, and makers cut several from one. So where nothing says of which
    plank a board under comparison is, all boards of its wood count as one plank, which has the
    wood's name: whatever is measured, it holds for these boards and not for the wood.
    """
    unnamed = {s.wood for s in specimens if not (s.source or s.role or separate_trees)}
    return [
        s.model_copy(
            update={
                "source": s.wood if s.role == "" and s.wood in unnamed else s.source or s.specimen,
                "source_assumed": not (s.source or separate_trees),
            }
        )
        for s in specimens
    ]


def read_takes(table: Table) -> tuple[list[Take], list[str]]:
    """The rows of takes.csv that are whole, and the faults of those that are not."""
    read = [_validate(Take, table, row, TAKE_COLUMNS, {}) for row in table.rows]
    found = [
        [*own, *_rule_faults(table, row)] for (_, own), row in zip(read, table.rows, strict=True)
    ]
    return (
        [take for (take, _), own in zip(read, found, strict=True) if not own and take is not None],
        [fault for own in found for fault in own],
    )


def _validate(
    model: type[_Row], table: Table, row: Row, columns: tuple[str, ...], extra: dict[str, Any]
) -> tuple[Any, list[str]]:
    cells = {column: row.cells.get(column, "") for column in columns}
    try:
        return model.model_validate(
            {**cells, **extra, "row": row.number}, context={"comma": table.semicolons}
        ), []
    except ValidationError as error:
        # A column that is not there is one fault of the header, told by the caller.
        return None, [
            placed(
                field_fault(item, model.model_fields[name], written=cells.get(name)),
                **_place(table, row, name),
            )
            for item in error.errors(include_url=False)
            if (name := item["loc"][0]) in table.columns
        ]


def _place(table: Table, row: Row, column: str) -> dict[str, Any]:
    return {"file": table.name, "row": row.number, "column": column}


def _rule_faults(table: Table, row: Row) -> list[str]:
    """What the kind of a take asks of its other cells, found on the cells as written."""
    cells = {c: row.cells.get(c, "") for c in TAKE_COLUMNS}
    kind, support = cells["kind"].casefold(), cells["support"].casefold()
    no_tap = kind in KINDS and kind != "tap"
    placed_apart = no_tap and cells["place"] not in ("", "1", "1.0", "1,0")
    unexplained = cells["exclude"].casefold() == "yes" and not cells["reason"]

    def fault(code: str, column: str, **fields: Any) -> str:
        return note(code, **_place(table, row, column), **fields)

    return [
        *(
            fault("cells.needed", column, kind=kind)
            for column, kinds in _NEEDS.items()
            if kind in kinds and column in table.columns and cells[column] == ""
        ),
        *holding(
            (no_tap and support == "free", fault("cells.free_without_tap", "support", kind=kind)),
            (placed_apart, fault("cells.place_without_tap", "place", kind=kind)),
        ),
        *(
            fault("cells.test_of_another_kind", column, kind=kind, kinds=kinds)
            for column, kinds in TESTS.items()
            if cells[column] and kind in KINDS and kind not in kinds
        ),
        *holding((unexplained, fault("cells.empty", "reason", right="right.reason"))),
    ]


def columns_needed(table: Table) -> dict[str, str]:
    """Columns that takes.csv lacks although some take needs them, with the kind of the first."""
    kinds = [row.cells.get("kind", "").casefold() for row in table.rows]
    return {
        column: kind
        for column, needing in _NEEDS.items()
        if column not in table.columns
        for kind in [kind for kind in kinds if kind in needing][:1]
    }


def placed(fault: str, /, **place: Any) -> str:
    """The note of a fault with the place that it is at."""
    return note(code_of(fault), **place, **fields_of(fault))


def field_fault(item: ErrorDetails, field: FieldInfo, *, written: str | None = None) -> str:
    """One thing that pydantic found, in our own codes, without its place.

    Parameters
    ----------
    item : of the errors of a `ValidationError`.
    field : where it was found; its description is a note that says what would be right.
    written : of a row of a table the cell as written, which is then quoted.
    """
    value = item["input"] if written is None else written
    right = _right(field)
    if item["type"] == "missing":
        return note("cells.missing", right=right)
    if item["type"] == "value_error":
        return str(item["ctx"]["error"])
    if written == "":
        return note("cells.empty", right=right)
    if item["type"] == "string_too_long":
        return note("cells.too_long", letters=len(value), most=item["ctx"]["max_length"])
    # A note can hold dates as text, and lists and sections empty.
    if isinstance(value, list | dict):
        value = type(value)()
    plain = value if isinstance(value, str | bool | int | float | list | dict) else str(value)
    return note("cells.unfit", value=plain, right=right)


def _right(field: FieldInfo) -> str:
    """What would be right in a field, with its bounds."""
    limits = {
        name: getattr(one, name)
        for one in field.metadata
        for name in ("ge", "gt", "le", "lt")
        if getattr(one, name, None) is not None
    }
    return placed(field.description, **limits) if field.description else "right.anything"
