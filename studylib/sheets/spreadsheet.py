"""Read a CSV table as spreadsheets write it.

Read without a word: UTF-8 with or without a byte order mark, commas or semicolons, a
decimal comma in semicolon files, any line ending, blank rows, stray spaces, quoted fields.
Everything else is a fault with one sentence: another encoding, a workbook named .csv, tabs,
an open quotation mark, a cell outside the header, a header name given twice.

Rows are numbered as the spreadsheet numbers them: the header is row 1, blank rows count, and
a quoted cell with a line break inside is one row. Cells stay text here, without spaces at
either end and in Unicode's composed form (NFC); `number` and `whole` turn text into numbers
and never give NaN or infinity.

Functions: `read_text`, `read_table`, `table_text`, `mark_faults`, `number`, `whole`.
"""

from __future__ import annotations

import csv
import io
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from studylib.errors import InputError
from studylib.words.text import listed, shown

_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
_END = "end of the table"  # a last row of our own: not seen as such when a quote stays open


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
    name : file name, as sentences give it.
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
    again = "save it again as UTF-8"
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            f"{path.name} is not in the study folder; put it there "
            "(`study new` writes an empty one to start from)"
        ) from None
    except OSError as error:
        reason = error.strerror or "unknown reason"
        raise InputError(
            f"{path.name} cannot be read ({reason.lower()}); make it a file you may read"
        ) from None
    if data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise InputError(f"{path.name} is a spreadsheet workbook, not text; save it as CSV")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data:
        raise InputError(f"{path.name} is saved as UTF-16 or is not text; {again}")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputError(
            f"{path.name}, line {line}: a letter there is not UTF-8 (Latin-1 or Windows-1252, "
            f"most likely); {again}"
        ) from None


def read_table(path: Path) -> Table:
    """Read a CSV file into a table of text cells.

    Raises
    ------
    InputError : with every fault of the file's form.
    """
    text = read_text(path)
    records = _records(path.name, text)
    filled = [(n, cells) for n, cells in enumerate(records, start=1) if any(cells)]
    if not filled:
        raise InputError(f"{path.name} is empty; its first row names the columns")
    (_, header), body = filled[0], filled[1:]
    faults = _header_faults(path.name, header)
    rows = []
    for n, cells in body:
        faults += _row_faults(path.name, n, cells, header)
        named = dict(zip(header, cells + [""] * len(header), strict=False))
        named.pop("", None)
        rows.append(Row(n, named))
    if faults:
        raise InputError(*faults)
    columns = tuple(name for name in header if name)
    return Table(path.name, columns, tuple(rows), _separator(text) == ";")


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
    lines = io.StringIO(f"{text}\n{_END}\n", newline="")
    reader = csv.reader(lines, delimiter=_separator(text), skipinitialspace=True)
    records: list[list[str]] = []
    try:
        records.extend(reader)
    except csv.Error:
        raise InputError(_open_quote(name, len(records) + 1)) from None
    if records.pop() != [_END]:
        raise InputError(_open_quote(name, len(records) + 1))
    return [[unicodedata.normalize("NFC", cell.strip()) for cell in row] for row in records]


def _open_quote(name: str, row: int) -> str:
    return (
        f"{name}, row {row}: a quotation mark is opened and never closed; close it or take it out"
    )


def _separator(text: str) -> str:
    """Semicolon when the first row that is not blank holds more of them than commas."""
    header = next((line for line in text.splitlines() if line.strip(" \t,;")), "")
    bare = re.sub(r'"[^"]*"', "", header)
    return ";" if bare.count(";") > bare.count(",") else ","


def _header_faults(name: str, header: list[str]) -> list[str]:
    if len(header) == 1 and "\t" in header[0]:
        return [f"{name} is separated by tabs; save it as CSV with commas or semicolons"]
    odd = [column for column in header if not column.isprintable()]
    twice = [column for column, n in Counter(header).items() if column and n > 1]
    return [
        f"{name}, row 1: the column name {shown(column)} holds a line break or another character "
        "that cannot be printed; write it on one line"
        for column in odd
    ] + [
        f"{name}, row 1: two columns are called {shown(column)}; give each its own name"
        for column in twice
    ]


def _row_faults(name: str, row: int, cells: list[str], header: list[str]) -> list[str]:
    stray = [
        n
        for n, cell in enumerate(cells, start=1)
        if cell and (n > len(header) or not header[n - 1])
    ]
    if not stray:
        return []
    places = listed(stray)
    return [
        f"{name}, row {row}: there is text in cell {places}, under no column name; "
        "put a text that holds the separator in quotation marks, or name the column"
    ]


def mark_faults(table: Table, columns: Iterable[str]) -> list[tuple[int, str]]:
    """Decimal commas and decimal points side by side in a semicolon file.

    Where the comma is the decimal mark, "1.250" may be meant as 1250: only a person can tell.

    Returns
    -------
    list of (row, whole sentence): one, at the first cell that departs from the first mark seen.
    """
    if not table.semicolons:
        return []
    seen: dict[str, int] = {}
    for row in table.rows:
        for column in columns:
            text = row.cells.get(column, "")
            if not re.fullmatch(r"[^\w.,]?[0-9]*[.,][0-9]+", text):
                continue
            mark = "comma" if "," in text else "point"
            seen.setdefault(mark, row.number)
            if len(seen) == 2:
                other = "point" if mark == "comma" else "comma"
                return [
                    (
                        row.number,
                        f"{table.name}, row {row.number}, column {column}: {shown(text)} has a "
                        f"decimal {mark} where row {seen[other]} has a decimal {other}; "
                        "use one of the two in the whole file",
                    )
                ]
    return []


def number(text: str, *, comma: bool = False) -> float:
    """A decimal number from a cell.

    Parameters
    ----------
    text : the cell, spaces at either end taken off.
    comma : True where a decimal comma is read (semicolon files); a point is read as well.

    Raises
    ------
    ValueError : with the rest of a sentence; NaN, infinity, units and thousands marks are
        refused, never guessed.
    """
    plain = text.replace("\N{MINUS SIGN}", "-")
    if "," in plain:
        if not comma:
            raise ValueError(
                f"{shown(text)} is not a number; write a decimal point, as in 1.5 "
                "(a decimal comma is read only in files separated by semicolons)"
            )
        if plain.count(",") > 1 or "." in plain:
            raise ValueError(
                f"{shown(text)} is not a number; write one decimal mark and no thousands mark"
            )
        plain = plain.replace(",", ".")
    if not _NUMBER.fullmatch(plain):
        raise ValueError(
            f"{shown(text)} is not a number; write digits only, without a unit, and leave the "
            "cell empty where nothing was measured"
        )
    value = float(plain)
    if not math.isfinite(value):
        raise ValueError(f"{shown(text)} is too large a number to be meant; correct it")
    return value


def whole(text: str, *, comma: bool = False) -> int:
    """A whole number from a cell; "3.0", as some spreadsheets write 3, is 3.

    Raises
    ------
    ValueError : with the rest of a sentence.
    """
    value = number(text, comma=comma)
    if value != int(value):
        raise ValueError(f"{shown(text)} is not a whole number; write 1, 2, 3, ...")
    return int(value)
