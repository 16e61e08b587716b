"""The files of a study folder: tables as spreadsheets write them, and recordings.

Of a CSV table is read without a word: UTF-8 with or without a byte order mark, commas or
semicolons, a decimal comma in semicolon files, any line ending, blank rows, stray spaces, quoted
fields. Everything else is a fault: another encoding, a workbook named .csv, tabs, an open quotation
mark, a cell outside the header, a header name given twice.

Rows are numbered as the spreadsheet numbers them: the header is row 1, blank rows count, and
a quoted cell with a line break inside is one row. Cells stay text here, without spaces at
either end and in Unicode's composed form (NFC); `number` and `whole` turn text into numbers
and never give NaN or infinity.

Recordings must be there, inside the study, and each another one. They are read in blocks, so that
memory stays flat whatever their length.

Functions: `read_text`, `read_table`, `table_text`, `mark_faults`, `number`, `whole`, `unreadable`,
`reason_of`; `sha256`, `as_on_disk`, `recording_faults`, `unnamed_recordings`.
Classes: `Table`, `Row`.
"""

import csv
import hashlib
import io
import math
import os
import re
import stat
import unicodedata
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path, PurePosixPath
from typing import Any

import pandas as pd

from studylib.codes import note
from studylib.errors import CellError, InputError
from studylib.words.text import shown

SHEETS = TOML, SPECIMENS, TAKES = "study.toml", "specimens.csv", "takes.csv"
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
MOST_BYTES = 200_000_000  # of a sheet: half a million rows of the fullest kind
# Letters of an id, a column or a wood; of a title; of a sentence or remark; of a path in a study.
# Common practice: what is longer slipped in from elsewhere, and breaks pages and figures.
NAME, TITLE, TEXT, PATH = 100, 200, 1000, 400
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
    InputError : the file is not there, is no plain file of a sheet's size, cannot be read, or is
        not UTF-8 text.
    """
    try:
        if not stat.S_ISREG(path.stat().st_mode) or path.stat().st_size > MOST_BYTES:
            raise InputError(note("sheets.no_text", file=path.name, most_mb=MOST_BYTES // 10**6))
        data = path.read_bytes()
    except FileNotFoundError:
        books = [path.with_suffix(end).name for end in WORKBOOKS if path.with_suffix(end).is_file()]
        raise InputError(
            note("sheets.only_workbook", file=path.name, book=books[0])
            if books
            else note("sheets.no_file", file=path.name)
        ) from None
    except OSError as error:
        raise InputError(unreadable(path, error)) from None
    InputError.refuse(
        data.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")), "sheets.workbook", file=path.name
    )
    InputError.refuse(
        data.startswith((b"\xff\xfe", b"\xfe\xff")) or b"\0" in data,
        "sheets.utf_16",
        file=path.name,
    )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(
            note("sheets.not_utf_8", file=path.name, line=data[: error.start].count(b"\n") + 1)
        ) from None


def unreadable(path: Path, error: OSError) -> str:
    """That a file cannot be read, with the reason that the system gives."""
    return note("sheets.unreadable", file=path.name, reason=reason_of(error))


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
    InputError.refuse(not filled, "sheets.no_header", file=path.name)
    (_, header), body = filled[0], filled[1:]
    InputError.refuse_all(
        [
            *_header_faults(path.name, header),
            *(  # text in cells that no column name stands above; cells are counted from 1
                note("sheets.stray_text", file=path.name, row=n, cells=stray)
                for n, cells in body
                for placed in [enumerate(zip_longest(header, cells), start=1)]
                for stray in [[place for place, (name, cell) in placed if cell and not name]]
                if stray
            ),
        ]
    )
    rows = tuple(
        Row(n, {name: cell or "" for name, cell in zip_longest(header, cells) if name})
        for n, cells in body
    )
    return Table(path.name, tuple(filter(None, header)), rows, _separator(text) == ";")


def table_text(
    columns: Sequence[str], rows: Iterable[Mapping[str, str]], *, semicolons: bool
) -> str:
    """Text cells as the file that `read_table` reads back, "\\n" at the end of each line."""
    return pd.DataFrame(list(rows), columns=list(columns), dtype=object).to_csv(
        sep=";" if semicolons else ",", index=False, lineterminator="\n"
    )


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
    InputError.refuse(not closed, "sheets.open_quote", file=name, row=len(records) + 1)
    return [[_composed(cell.strip()) for cell in row] for row in records]


def _composed(text: str) -> str:
    return unicodedata.normalize("NFC", text)


def _separator(text: str) -> str:
    """Semicolon when the first row that is not blank holds more of them than commas."""
    bare = re.sub(
        r'"[^"]*"', "", next((line for line in text.splitlines() if line.strip(" \t,;")), "")
    )
    return ";" if bare.count(";") > bare.count(",") else ","


def _header_faults(name: str, header: list[str]) -> list[str]:
    if len(header) == 1 and "\t" in header[0]:
        return [note("sheets.tabs", file=name)]
    odd = [
        *(("sheets.column_unprintable", c) for c in header if not c.isprintable()),
        *(("sheets.column_twice", c) for c, n in Counter(header).items() if c and n > 1),
    ]
    return [
        *(
            note("cells.too_long", file=name, row=1, column=shown(c), letters=len(c), most=NAME)
            for c in header
            if len(c) > NAME
        ),
        *(note(code, file=name, row=1, value=column) for code, column in odd),
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
    cells = [
        (row.number, column, text, "comma" if "," in text else "point")
        for row in table.rows
        for column in columns
        if re.fullmatch(r"[^\w.,]?[0-9]*[.,][0-9]+", text := row.cells.get(column, ""))
    ]
    odd = [cell for cell in cells if cell[3] != cells[0][3]]
    return [
        note(
            "sheets.mixed_marks",
            **{"file": table.name, "row": number, "column": column, "value": text},
            **{"mark": mark, "other": cells[0][3], "other_row": cells[0][0]},
        )
        for number, column, text, mark in odd[:1]
    ]


def number(text: str, *, comma: bool = False) -> float:
    """A decimal number from a cell.

    Parameters
    ----------
    text : the cell, spaces at either end taken off.
    comma : True where a decimal comma is read (semicolon files); a point is read as well.

    Raises
    ------
    CellError : its text is a note, still without a place; NaN, infinity, units and thousands
        separators are refused, never guessed.
    """
    plain = text.replace("\N{MINUS SIGN}", "-")
    two_marks = plain.count(",") > 1 or {",", "."} <= {*plain}
    CellError.refuse("," in plain and not comma, "cells.decimal_comma", value=text)
    CellError.refuse(two_marks, "cells.two_marks", value=text)
    plain = plain.replace(",", ".")
    CellError.refuse(not _NUMBER.fullmatch(plain), "cells.not_a_number", value=text)
    value = float(plain)
    CellError.refuse(not math.isfinite(value), "cells.too_large", value=text)
    return value


def whole(text: str, *, comma: bool = False) -> int:
    """A whole number from a cell; "3.0", as some spreadsheets write 3, is 3.

    Raises
    ------
    CellError : its text is a note, still without a place.
    """
    value = number(text, comma=comma)
    CellError.refuse(value != int(value), "cells.not_whole", value=text)
    return int(value)


HEAD_BYTES = 1 << 16
WORKBOOKS = (".xlsx", ".ods", ".xls")
UNREAD_ENDINGS = (".m4a", ".aac", ".mp4", ".mov", ".3gp", ".amr", ".wma", ".webm", ".mkv")
"""Of phones and cameras; libsndfile reads none of them."""
AUDIO_ENDINGS = (
    *(".wav", ".flac", ".aif", ".aiff", ".aifc", ".caf", ".w64", ".rf64", ".ogg", ".mp3"),
    *UNREAD_ENDINGS,
)


def sha256(path: Path | str) -> str:
    """SHA-256 of a file as 64 hexadecimal digits; the file is read in blocks.

    Raises
    ------
    InputError : the file is not there or cannot be read.
    """
    try:
        with Path(path).open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InputError(unreadable(Path(path), error)) from None


def as_on_disk(folder: Path, rows: Sequence[Row]) -> list[Row]:
    """The rows with each `file` cell as the drive spells it.

    A Mac writes "ö" in a file's name as "o" and two dots, which is another name on other systems;
    cells are composed. What is not found either way stays as it is.
    """
    files = {row.number: PurePosixPath(row.cells["file"]).as_posix() for row in rows}
    lacking = {file for file in files.values() if not os.path.exists(folder / file)}
    found = (path.relative_to(folder).as_posix() for path in folder.rglob("*")) if lacking else ()
    spelled = {plain: name for name in found if (plain := _composed(name)) in lacking}
    return [
        replace(row, cells={**row.cells, "file": spelled.get(file, file)})
        for row, file in zip(rows, files.values(), strict=True)
    ]


def recording_faults(folder: Path, name: str, rows: Sequence[Row]) -> list[str]:
    """Recordings that are missing, outside the study, named twice, or copies of one another.

    Parameters
    ----------
    folder : the study folder.
    name : file name of the table, which the faults give.
    rows : rows whose `file` cell reads as a path inside the study.
    """
    codes = [_fault_of(folder, row.cells["file"]) for row in rows]
    sound: list[tuple[Row, Path]] = [
        (row, (folder / row.cells["file"]).resolve())
        for code, row in zip(codes, rows, strict=True)
        if code is None
    ]
    # Two rows that name one file are told once; copies are looked for among the others.
    distinct = list({path: (row, path) for row, path in reversed(sound)}.values())[::-1]
    return [
        *(_at(code, name, row) for code, row in zip(codes, rows, strict=True) if code),
        *(
            _at("sheets.same_file", name, row, other_row=first.number)
            for (first, _), *others in _alike(sound, lambda named: named[1])
            for row, _ in others
        ),
        # Copies under two names. Size, then the beginning, then the whole: most files are read
        # once and only a little, which keeps a thousand takes quick.
        *(
            _at("sheets.copy", name, row, other=first.cells["file"], other_row=first.number)
            for same_size in _alike(distinct, lambda named: named[1].stat().st_size)
            for same_head in _alike(same_size, lambda named: _head(named[1]))
            for (first, _), *others in _alike(same_head, lambda named: sha256(named[1]))
            for row, _ in others
        ),
    ]


def unnamed_recordings(folder: Path, files: Iterable[str]) -> list[str]:
    """One warning, where audio files lie below recordings/ that no row names."""
    named = {(folder / file).resolve() for file in files}
    found = sorted(
        path.relative_to(folder).as_posix()
        for path in (folder / "recordings").rglob("*")
        if path.suffix.lower() in AUDIO_ENDINGS
        and not path.name.startswith(".")
        and path.is_file()  # first: a loop of links cannot be resolved
        and path.resolve() not in named
    )
    unread = [name for name in found if name.lower().endswith(UNREAD_ENDINGS)]
    return [note("sheets.unnamed_recordings", files=found, unread=unread[:1])] if found else []


def _at(code: str, name: str, row: Row, **further: str | int) -> str:
    return note(code, file=name, row=row.number, column="file", value=row.cells["file"], **further)


def _fault_of(folder: Path, file: str) -> str | None:
    path = folder / file
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            return "sheets.link_out"
        if path.is_dir():
            return "sheets.folder_not_file"
        if not path.is_file():
            return "sheets.no_recording"
        if path.stat().st_size == 0:
            return "sheets.empty_recording"
        with path.open("rb"):
            return None
    except (OSError, RuntimeError):  # a loop of links, a name too long, no leave to read
        return "sheets.cannot_open"


def _head(path: Path) -> bytes:
    with path.open("rb") as stream:
        return hashlib.sha256(stream.read(HEAD_BYTES)).digest()


def _alike(items: Iterable[Any], key: Callable[[Any], Hashable]) -> list[list[Any]]:
    """Groups of two and more with the same key, each in the given order."""
    return [
        group for group in grouped((key(item), item) for item in items).values() if len(group) > 1
    ]


def grouped(pairs: Iterable[tuple[Any, Any]]) -> dict[Any, list]:
    """Key -> its values, of pairs of both: keys and values in the order in which they come."""
    groups: dict[Any, list] = {}
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups
