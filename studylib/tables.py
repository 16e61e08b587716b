"""Every table that is written or handed on, declared once.

A table is a list of columns; a column has a name, a type and a unit. Empty tables, types, reading,
writing and the data dictionary all come from here; what a table or column means is told by the
words room (`words/en/columns.toml`). Beside the tables of a run lies `datapackage.json`, which
describes them to any program that knows the Data Package standard (Frictionless Data,
specification 1).

Types
    text      a name or a word of a fixed set; nothing is "".
    number    a float; nothing is NaN.
    integer   a whole number; a float column where some are missing or not whole.
    boolean   True or False.
    note      codes with their fields (see `codes`). In a written table the column holds the
              sentence, and a column of the same name with "_code" behind it holds the codes.

The unit stands at the end of a column's name, as in `frequency_hz`, or in the column `unit` of its
row. Files are CSV (RFC 4180), UTF-8, "\\n" line ends, numbers with as many digits as bring the same
number back. A text that a spreadsheet would work out as a formula stands behind an apostrophe; what
the program keeps for itself (`read`) has none.

Functions: `empty`, `typed`, `text_of`, `read`, `write`, `write_package`, `package`.
Classes: `Table`, `Column`. Data: `TABLES`.
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from studylib import codes, words, writing

PACKAGE = "datapackage.json"
_AT_ONCE = 20_000  # rows that are text at one time
_TYPES = {"text": "string", "note": "string"}  # the others are called as the standard calls them
_SHARES = ("p", "p_adjusted", "p_beyond", "p_within", "q", "share", "overlap")

# The end of a column's name -> its unit.
_UNITS = {
    "hz": "Hz", "db": "dB", "s": "s", "percent": "%", "deg": "degree", "mm": "mm", "g": "g",
}  # fmt: skip


@dataclass(frozen=True)
class Column:
    """One column; `unit` is "" where there is none or where the row says it.

    needed : a cell without a value would be a fault.
    """

    name: str
    type: str
    unit: str
    needed: bool


@dataclass(frozen=True)
class Table:
    """One table; `key` are the columns that tell a row from all others, if any do."""

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    @property
    def names(self) -> list[str]:
        """The columns' names, in order."""
        return [column.name for column in self.columns]

    def of_type(self, *types: str) -> list[str]:
        """The names of the columns of these types."""
        return [column.name for column in self.columns if column.type in types]


def _table(name: str, key: str, columns: str) -> Table:
    """A table from its columns as "name" (a text) or "name:type"; a key marked "?" may be empty."""
    keys = key.split()
    made = (
        Column(
            name=column,
            type=kind or "text",
            unit=_UNITS.get(column.rpartition("_")[2], "") if kind == "number" else "",
            needed=column in keys or kind == "boolean",
        )
        for column, _, kind in (given.partition(":") for given in columns.split())
    )
    return Table(name, tuple(column.rstrip("?") for column in keys), tuple(made))


_ALL = (
    _table(
        "attribution",
        "specimen mount harmonic",
        """
        specimen mount:integer harmonic:integer observed_db:number predicted_db:number
        excess_db:number low:number high:number verdict reason:note unit u:number
        phase_deg:number route:note noise_db:number air_db:number air_is_limit:boolean
        recorder_db:number recorder_is_limit:boolean hum_db:number settle:note batch
        """,
    ),
    _table(
        "board_modes",
        "specimen support mode",
        """
        specimen wood role support mode:integer frequency_hz:number frequency_u:number
        loss_factor:number loss_factor_u:number level_db:number n_mounts:integer n_takes:integer
        n_taps:integer missing:boolean reason:note
        """,
    ),
    _table(
        "boards",
        "feature specimen_a specimen_b",
        """
        feature specimen_a specimen_b difference:number unit low:number high:number
        """,
    ),
    _table(
        "budgets",
        "feature term",
        """
        feature term:note u:number unit common basis:note
        """,
    ),
    _table(
        "claims",
        "claim feature",
        """
        claim feature verdict caveats:note reason:note
        """,
    ),
    _table(
        "covariates",
        "feature covariate wood_a wood_b",
        """
        feature covariate wood_a wood_b unit difference_without:number low_without:number
        high_without:number difference_with:number low_with:number high_with:number slope:number
        slope_low:number slope_high:number slope_unit df:number overlap:number
        p_slopes_differ:number n_a:integer n_b:integer note:note p_without:number p_with:number
        reliability:number within_sd:number covariate_unit left_out:integer
        """,
    ),
    _table(
        "drive_steps",
        "specimen mount harmonic drive_db",
        """
        specimen mount:integer harmonic:integer drive_db:number growth_db:number
        sensed_growth_db:number block_growth_db:number own_growth_db:number difference_db:number
        low:number high:number verdict
        """,
    ),
    _table(
        "effects",
        "id",
        """
        id feature role wood_a wood_b difference:number unit low:number high:number df:number
        p:number p_adjusted:number p_beyond:number p_within:number q:number g:number g_low:number
        g_high:number over_boards:number limit:number verdict caveats:note n_a:integer n_b:integer
        needed method:note
        """,
    ),
    _table(
        "effects_without",
        "feature without wood_a wood_b",
        """
        feature without wood_a wood_b unit difference:number low:number high:number
        p_adjusted:number verdict difference_without:number low_without:number
        high_without:number p_adjusted_without:number verdict_without changes:boolean
        """,
    ),
    _table(
        "features",
        "id",
        """
        id take batch kind specimen wood mount:integer repeat:integer feature value:number unit
        u:number usable:boolean reason:note
        """,
    ),
    _table(
        "harmonics",
        "take harmonic",
        """
        take harmonic:integer frequency_hz:number seconds:number response_re:number
        response_im:number response_u:number drive_re:number drive_im:number drive_u:number
        dof:integer offset_db:number unit usable:boolean off_cents:number off_u_cents:number
        """,
    ),
    _table(
        "listening",
        "about listener? file?",
        """
        about listener file wood_a wood_b answers:integer correct:integer share:number
        share_low:number share_high:number p:number p_adjusted:number p_woods:number able:number
        able_low:number able_high:number d_prime:number d_prime_low:number d_prime_high:number
        used:boolean verdict reason:note
        """,
    ),
    _table(
        "modes",
        "take tap frequency_hz",
        """
        take batch kind specimen wood mount:integer repeat:integer support tap:integer
        frequency_hz:number frequency_u:number loss_factor:number loss_factor_u:number
        level_db:number level_u:number snr_db:number close:boolean usable:boolean reason:note
        place:integer loss_factor_place_u:number room_decay_s:number room_decay_u:number
        direct_db:number signs:note content mode:number
        """,
    ),
    _table(
        "modes_near_tone",
        "specimen harmonic basis",
        """
        specimen wood role harmonic:integer frequency_hz:number basis:note mode:integer
        mode_hz:number distance_percent:number distance_bandwidths:number gain_db:number
        gain_low:number gain_high:number lifted:boolean loss_factor:number loss_basis:note
        per_mm_db:number per_percent_db:number
        """,
    ),
    _table(
        "outliers",
        "feature level item test",
        """
        feature level item wood test statistic:number critical:number critical_1:number verdict
        """,
    ),
    _table(
        "own_design",
        "feature wood_a wood_b",
        """
        feature wood_a wood_b alike:number own_spreads:number at_limit:number same:number
        seen:number unit runs:integer
        """,
    ),
    _table(
        "quality",
        "take channel? check",
        """
        take channel check value:number unit limit:number source:note verdict
        """,
    ),
    _table(
        "reference_chart",
        "feature specimen batch mount",
        """
        feature specimen batch mount:integer number:integer started y:number centre:number
        low:number high:number outside:boolean
        """,
    ),
    _table(
        "second_opinion",
        "feature wood_a wood_b",
        """
        feature wood_a wood_b difference:number unit low:number high:number se:number df:number
        satterthwaite_df:number p:number first_p:number agrees:boolean note:note
        """,
    ),
    _table(
        "curves",
        "take frequency_hz",
        "take frequency_hz:number level_db:number u_db:number usable:boolean reason:note",
    ),
    _table(
        "curve_boards",
        "wood source frequency_hz",
        "wood source frequency_hz:number level_db:number",
    ),
    _table(
        "curve_differences",
        "wood_a wood_b frequency_hz band",
        """
        wood_a wood_b frequency_hz:number band difference:number low:number high:number
        clear:boolean
        """,
    ),
    _table(
        "predicted",
        "specimen frequency_hz",
        """
        specimen wood frequency_hz:number measured_db:number predicted_db:number low_db:number
        high_db:number inside:boolean
        """,
    ),
    _table(
        "predicted_mounts",
        "specimen batch mount",
        "specimen wood batch mount:integer r:number left_over_db:number inside_percent:number",
    ),
    _table(
        "split",
        "wood_a wood_b over part",
        "wood_a wood_b over part difference_db:number low_db:number high_db:number",
    ),
    _table(
        "curve_tests",
        "woods",
        "woods p:number smallest_p:number labellings:integer",
    ),
    _table(
        "curve_spreads",
        "frequency_hz level",
        "frequency_hz:number level variance:number",
    ),
    _table(
        "stages",
        "feature wood_a wood_b stage",
        """
        feature wood_a wood_b stage:integer difference:number unit low:number high:number p:number
        p_adjusted:number predicted_low:number predicted_high:number outcome n_a:integer n_b:integer
        """,
    ),
    _table(
        "trends",
        "feature batch?",
        """
        feature batch change:number low:number high:number df:integer clear:boolean
        """,
    ),
    _table(
        "variance",
        "feature level",
        """
        feature level variance:number sd:number share:number low:number high:number df:integer
        method:note
        """,
    ),
    _table(
        "wood",
        "specimen quantity",
        """
        specimen wood role source quantity value:number unit u:number method:note note:note
        u_shared:number
        """,
    ),
    _table(
        "coverage",
        "feature wood",
        """
        feature wood takes:integer usable:integer below_noise:integer set_aside:integer
        compared:boolean reason:note
        """,
    ),
    _table(
        "limits",
        "feature",
        """
        feature limit:number unit own:boolean source:note
        """,
    ),
    _table(
        "mount_means",
        "feature specimen batch mount",
        """
        feature specimen wood source role batch mount:integer value:number unit n_takes:integer
        """,
    ),
    _table(
        "positive_control",
        "feature changed reference",
        """
        feature changed reference difference:number unit low:number high:number limit:number
        detected:boolean counts:boolean reason:note
        """,
    ),
    _table(
        "precision",
        "feature",
        """
        feature unit repeatability_sd:number repeatability_low:number repeatability_high:number
        intermediate_sd:number intermediate_low:number intermediate_high:number reason:note
        """,
    ),
    _table(
        "specimen_means",
        "feature specimen",
        """
        feature specimen wood source role value:number unit n_mounts:integer n_takes:integer
        """,
    ),
    _table(
        "unit_means",
        "feature wood source",
        """
        feature wood source value:number adjusted:number unit n_specimens:integer
        n_mounts:integer n_takes:integer
        """,
    ),
    _table(
        "wood_means",
        "wood",
        """
        wood mean:number low:number high:number n:integer
        """,
    ),
    _table(
        "woods_at_random",
        "feature",
        """
        feature woods:integer sources:number spread:number spread_low:number spread_high:number
        spread_unit mean:number new_low:number new_high:number true_low:number true_high:number unit
        """,
    ),
    _table(
        "spectra",
        "take frequency_hz",
        """
        take specimen wood mount:integer frequency_hz:number level_db:number
        """,
    ),
    _table(
        "bench",
        "item",
        """
        item value:note
        """,
    ),
)

TABLES: dict[str, Table] = {table.name: table for table in _ALL}


def empty(name: str) -> pd.DataFrame:
    """The table without rows, its columns typed."""
    return typed(name, pd.DataFrame(columns=TABLES[name].names))


def typed(name: str, rows: pd.DataFrame | Iterable) -> pd.DataFrame:
    """Rows as a frame with the table's columns, in order, each of its type.

    Parameters
    ----------
    name : a table of `TABLES`.
    rows : a frame, or tuples or dicts; columns that the table does not have are left out.
    """
    table = TABLES[name]
    frame = rows if isinstance(rows, pd.DataFrame) else pd.DataFrame(rows, columns=table.names)
    return pd.DataFrame(
        {column.name: _as_type(frame[column.name], column.type) for column in table.columns}
    )


def _as_type(values: pd.Series, kind: str) -> pd.Series:
    if kind in ("text", "note"):
        return values.astype(str).where(values.notna(), "")
    if kind == "boolean":
        return values.astype(bool)
    numbers = values.astype("float64")
    whole = kind == "integer" and np.isfinite(numbers).all() and (numbers == numbers.round()).all()
    return numbers.astype("int64") if whole else numbers


def text_of(name: str, frame: pd.DataFrame, *, sep: str = ",", decimal: str = ".") -> Iterator[str]:
    """The table as it is written for a reader: CSV text, notes as sentences with codes beside; some
    rows after the other, because the text of a long table takes more room than its rows.

    Parameters
    ----------
    sep, decimal : between cells, and within a number.
    """
    for first in range(0, max(len(frame), 1), _AT_ONCE):
        columns: dict[str, pd.Series] = {}
        for column in TABLES[name].columns:
            cells = columns[column.name] = frame[column.name].iloc[first : first + _AT_ONCE]
            if column.type == "note":
                cells = cells.astype(str).where(cells.notna(), "")
                columns |= {  # every text once: thousands of rows say the same
                    f"{column.name}{end}": cells.map({cell: put(cell) for cell in cells.unique()})
                    for end, put in (("", words.in_words), ("_code", _codes))
                }
        text = io.StringIO()
        writer = csv.writer(text, delimiter=sep, lineterminator="\n")
        writer.writerows([columns] * (first == 0))
        writer.writerows(zip(*(_cells(own, decimal) for own in columns.values()), strict=True))
        yield text.getvalue()


def _cells(column: pd.Series, decimal: str) -> np.ndarray:
    """What is written of each: nothing where there is none, and a text that a spreadsheet would
    take for a formula behind an apostrophe."""
    cells = column.to_numpy(object, copy=True)
    if column.dtype.kind == "O":
        texts = {x: f"'{x}" for x in {*cells} if isinstance(x, str) and writing.FORMULA.match(x)}
        cells[:] = [texts.get(cell, cell) for cell in cells] if texts else cells
    elif column.dtype.kind == "f":
        # Frequencies and limits stand in thousands of rows: each is put into digits once.
        bits, own = np.unique(column.to_numpy().view("int64"), return_inverse=True)
        if 2 * bits.size < own.size:
            cells = np.array(list(map(repr, bits.view("float64").tolist())), object)[own]
    if column.dtype.kind != "O" and decimal != ".":
        cells[:] = [str(cell).replace(".", decimal) for cell in cells]
    cells[column.isna().to_numpy()] = ""
    return cells


def rows_of(frame: pd.DataFrame, column: str = "specimen") -> Callable[[str], pd.DataFrame]:
    """What looks up the rows of one name in a column, without going through all of them again."""
    held = dict(list(frame.groupby(column, sort=False)))
    return lambda name: held.get(name, frame.iloc[:0])


def _codes(cell: str) -> str:
    return " ".join(codes.code_of(note) for note in codes.each(cell)) if words.is_note(cell) else ""


def write(name: str, frame: pd.DataFrame, folder: Path | str) -> Path:
    """Write a table for a reader as `<name>.csv` into a folder; returns its path."""
    path = Path(folder) / f"{name}.csv"
    writing.write_whole(path, text_of(name, frame))
    return path


def write_package(
    frames: Mapping[str, pd.DataFrame],
    folder: Path | str,
    *,
    name: str,
    title: str,
    semicolons: bool = False,
) -> None:
    """Write tables for a reader and, last, `datapackage.json`, which describes them.

    Parameters
    ----------
    frames : name of a table -> its rows.
    folder : is made when missing.
    name, title : of the study.
    semicolons : whether `spreadsheet/` holds every table again as a spreadsheet of a country with
        decimal commas opens it; nothing reads those.
    """
    for table, frame in frames.items():
        write(table, frame, folder)
        if semicolons:
            # The mark tells spreadsheets that the text is UTF-8.
            text = ["\N{BOM}", *text_of(table, frame, sep=";", decimal=",")]
            writing.write_whole(Path(folder) / "spreadsheet" / f"{table}.csv", text)
    writing.write_json(Path(folder) / PACKAGE, package(frames, name=name, title=title))


def package(frames: Mapping[str, pd.DataFrame], *, name: str, title: str) -> dict[str, Any]:
    """The description of tables as a Tabular Data Package: one resource a table."""
    return {
        "profile": "tabular-data-package",
        "name": name.lower(),
        "title": title,
        "resources": [_resource(TABLES[table], frame) for table, frame in frames.items()],
    }


def _resource(table: Table, frame: pd.DataFrame) -> dict[str, Any]:
    fields = [
        one
        for column in table.columns
        for one in (
            _field(table, column, frame[column.name]),
            *[
                {
                    "name": f"{name}_code",
                    "type": "string",
                    "description": words.say("tables.code_column", column=name),
                }
                for name in [column.name] * (column.type == "note")
            ],
        )
    ]
    return {
        "profile": "tabular-data-resource",
        "name": table.name,
        "path": f"{table.name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "description": words.table(table.name),
        "schema": {
            "fields": fields,
            "missingValues": [""],
            "primaryKey": list(table.key),
        },
    }


def _field(table: Table, column: Column, values: pd.Series) -> dict[str, Any]:
    # Whole numbers of which some are missing are written as floats.
    gaps = column.type == "integer" and values.dtype.kind == "f"
    share = column.name in _SHARES
    constraints = codes.holding(
        (column.needed, ("required", True)),
        (share or column.name == "u" or column.name.endswith("_u"), ("minimum", 0)),
        (share, ("maximum", 1)),
    )
    further = codes.holding(
        (column.unit, ("unit", column.unit)),
        (column.type == "boolean", ("trueValues", ["True"])),
        (column.type == "boolean", ("falseValues", ["False"])),
        (constraints, ("constraints", dict(constraints))),
    )
    return {
        "name": column.name,
        "type": "number" if gaps else _TYPES.get(column.type, column.type),
        "description": words.column(table.name, column.name),
        **dict(further),
    }


def read(name: str, path: Path | str) -> pd.DataFrame:
    """A table as it was kept for the program itself (`frame.to_csv`), or written for a reader:
    notes as codes, of the latter without their fields.

    Python's `float` brings back the very number that was written, on every version of pandas.
    """
    table = TABLES[name]
    numbers, logical = table.of_type("number", "integer"), table.of_type("boolean")
    nothing = {column: [""] for column in numbers}
    frame = pd.read_csv(path, dtype=str, keep_default_na=False, na_values=nothing)
    # NumPy calls `float` for each text of an array of objects.
    frame[numbers] = frame[numbers].to_numpy(object).astype("float64")
    frame[logical] = frame[logical] == "True"
    coded = [column for column in table.of_type("note") if f"{column}_code" in frame]
    return typed(name, frame.assign(**{column: frame[f"{column}_code"] for column in coded}))
