"""Read a CSV table as spreadsheets write it.

Read without a word: UTF-8 with or without a byte order mark, commas or semicolons, a
decimal comma in semicolon files, any line ending, blank rows, stray spaces, quoted fields.
Everything else is a fault: another encoding, a workbook named .csv, tabs,
an open quotation mark, a cell outside the header, a header name given twice.

Rows are numbered as the spreadsheet numbers them: the header is row 1, blank rows count, and
a quoted cell with a line break inside is one row. Cells stay text here, without spaces at
either end and in Unicode's composed form (NFC); `number` and `whole` turn text into numbers
and never give NaN or infinity.

Functions: `read_text`, `read_table`, `table_text`, `mark_faults`, `number`, `whole`, `unreadable`,
`reason_of`. Classes: `Table`, `Row`.
"""

import csv
import io
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from studylib.codes import note
from studylib.codes.sheets import CellFault, SheetFault
from studylib.errors import InputError

_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_END = "end-of-table"  # a last row of our own: not seen as such when a quote stays open


@dataclass(frozen=True)
class Row:
    """One row: its number in the spreadsheet and its cells by column name ("" when empty)."""

    number: int
    cells: dict[str, str]


@dataclass(frozen=True)
class Table:
    """A CSV file as text.

    Attributes
    ----------
    name : file name, as faults give it.
    columns : header names in the file's order, unnamed columns left out.
    rows : the rows that are not blank.
    semicolons : True when semicolons separate the cells; a decimal comma is then read.
    """

    name: str
    columns: tuple[str, ...]
    rows: tuple[Row, ...]
    semicolons: bool


def read_text(path: Path) -> str:
    """The text of a UTF-8 file, byte order mark dropped.

    Raises
    ------
    InputError : the file is not there, cannot be read, or is not UTF-8 text.
    """
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(note(SheetFault.NO_FILE, file=path.name)) from None
    except OSError as error:
        raise InputError(unreadable(path, error)) from None
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise InputError(note(SheetFault.WORKBOOK, file=path.name))
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data:
        raise InputError(note(SheetFault.UTF_16, file=path.name))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            note(SheetFault.NOT_UTF_8, file=path.name, line=data[: error.start].count(b"\n") + 1)
        ) from None


def unreadable(path: Path, error: OSError) -> str:
    """That a file cannot be read, with the reason that the system gives."""
    return note(SheetFault.UNREADABLE, file=path.name, reason=reason_of(error))


def reason_of(error: OSError) -> str:
    """The system's own words for what went wrong."""
    return (error.strerror or type(error).__name__).lower()


def read_table(path: Path) -> Table:
    """Read a CSV file into a table of text cells.

    Raises
    ------
    InputError : with every fault of the file's form.
    """
    text = read_text(path)
    filled = [
        (n, cells) for n, cells in enumerate(_records(path.name, text), start=1) if any(cells)
    ]
    if not filled:
        raise InputError(note(SheetFault.NO_HEADER, file=path.name))
    (_, header), body = filled[0], filled[1:]
    faults = _header_faults(path.name, header)
    rows = []
    for n, cells in body:
        # Text in cells that no column name stands above; cells are counted from 1.
        stray = [
            place
            for place, cell in enumerate(cells, start=1)
            if cell and (place > len(header) or not header[place - 1])
        ]
        faults += [note(SheetFault.STRAY_TEXT, file=path.name, row=n, cells=stray)] * bool(stray)
        named = dict(zip(header, cells + [""] * len(header), strict=False))
        named.pop("", None)
        rows.append(Row(n, named))
    if faults:
        raise InputError(*faults)
    return Table(
        path.name, tuple(name for name in header if name), tuple(rows), _separator(text) == ";"
    )


def table_text(
    columns: Sequence[str], rows: Iterable[Mapping[str, str]], *, semicolons: bool
) -> str:
    """Text cells as the file that `read_table` reads back, "\\n" at the end of each line."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, delimiter=";" if semicolons else ",", lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([row.get(name, "") for name in columns] for row in rows)
    return out.getvalue()


def _records(name: str, text: str) -> list[list[str]]:
    reader = csv.reader(
        io.StringIO(f"{text}\n{_END}\n", newline=""),
        delimiter=_separator(text),
        skipinitialspace=True,
    )
    records: list[list[str]] = []
    try:
        records.extend(reader)
        closed = records.pop() == [_END]
    except csv.Error:
        closed = False
    if not closed:
        raise InputError(note(SheetFault.OPEN_QUOTE, file=name, row=len(records) + 1))
    return [[unicodedata.normalize("NFC", cell.strip()) for cell in row] for row in records]


def _separator(text: str) -> str:
    """Semicolon when the first row that is not blank holds more of them than commas."""
    bare = re.sub(
        r'"[^"]*"', "", next((line for line in text.splitlines() if line.strip(" \t,;")), "")
    )
    return ";" if bare.count(";") > bare.count(",") else ","


def _header_faults(name: str, header: list[str]) -> list[str]:
    if len(header) == 1 and "\t" in header[0]:
        return [note(SheetFault.TABS, file=name)]
    odd = [column for column in header if not column.isprintable()]
    twice = [column for column, n in Counter(header).items() if column and n > 1]
    return [
        note(code, file=name, row=1, value=column)
        for code, columns in (
            (SheetFault.COLUMN_UNPRINTABLE, odd),
            (SheetFault.COLUMN_TWICE, twice),
        )
        for column in columns
    ]


def mark_faults(table: Table, columns: Iterable[str]) -> list[str]:
    """Decimal commas and decimal points side by side in a semicolon file.

    Where the comma is the decimal mark, "1.250" may be meant as 1250: only a person can tell.

    Returns
    -------
    one fault, at the first cell that departs from the first mark seen; or none.
    """
    if not table.semicolons:
        return []
    seen: dict[str, int] = {}
    for row in table.rows:
        for column in columns:
            text = row.cells.get(column, "")
            if not re.fullmatch(r"[^\w.,]?[0-9]*[.,][0-9]+", text):
                continue
            mark, other = ("comma", "point") if "," in text else ("point", "comma")
            seen.setdefault(mark, row.number)
            if other in seen:
                place = {"file": table.name, "row": row.number, "column": column}
                marks = {"mark": mark, "other": other, "other_row": seen[other]}
                return [note(SheetFault.MIXED_MARKS, **place, value=text, **marks)]
    return []


def number(text: str, *, comma: bool = False) -> float:
    """A decimal number from a cell.

    Parameters
    ----------
    text : the cell, spaces at either end taken off.
    comma : True where a decimal comma is read (semicolon files); a point is read as well.

    Raises
    ------
    ValueError : its text is a note, still without a place; NaN, infinity, units and thousands
        separators are refused, never guessed.
    """
    plain = text.replace("\N{MINUS SIGN}", "-")
    if "," in plain:
        if not comma:
            raise ValueError(note(CellFault.DECIMAL_COMMA, value=text))
        if plain.count(",") > 1 or "." in plain:
            raise ValueError(note(CellFault.TWO_MARKS, value=text))
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        raise ValueError(note(CellFault.NOT_A_NUMBER, value=text))
    value = float(plain)
    if not math.isfinite(value):
        raise ValueError(note(CellFault.TOO_LARGE, value=text))
    return value


def whole(text: str, *, comma: bool = False) -> int:
    """A whole number from a cell; "3.0", as some spreadsheets write 3, is 3.

    Raises
    ------
    ValueError : its text is a note, still without a place.
    """
    value = number(text, comma=comma)
    if value != int(value):
        raise ValueError(note(CellFault.NOT_WHOLE, value=text))
    return int(value)
