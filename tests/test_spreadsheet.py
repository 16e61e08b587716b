"""CSV as spreadsheets write it: encodings, separators, marks, quotes, rows and their numbers."""

from __future__ import annotations

import os

import pytest

from studylib.codes import code_of
from studylib.errors import InputError
from studylib.sheets import files, read_study
from studylib.sheets.between_rows import gaps
from studylib.sheets.files import mark_faults, number, read_table, whole
from studylib.words.text import listed, nearest, shown
from studylib.writing import slug
from tests.breakable_study import (
    SPECIMEN_HEADER,
    TAKE_HEADER,
    csv_text,
    specimen_rows,
    take_rows,
    write_study,
)
from tests.notes import holds


def table_of(tmp_path, data: str | bytes):
    path = tmp_path / "table.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return read_table(path)


def fault_of(tmp_path, data: str | bytes) -> str:
    with pytest.raises(InputError) as caught:
        table_of(tmp_path, data)
    (fault,) = caught.value.notes
    return fault


# What spreadsheets write, on a whole study


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig"])
def test_a_study_reads_the_same_however_the_spreadsheet_wrote_it(
    tmp_path, ending, separator, encoding
):
    plain = read_study(write_study(tmp_path / "plain"))
    folder = write_study(tmp_path / "other")
    specimens, takes = specimen_rows(), take_rows()
    if separator == ";":
        specimens = [{c: t.replace(".", ",") for c, t in row.items()} for row in specimens]
    for name, header, rows in (
        ("specimens.csv", SPECIMEN_HEADER, specimens),
        ("takes.csv", TAKE_HEADER, takes),
    ):
        text = csv_text(header, rows, separator=separator, ending=ending)
        (folder / name).write_bytes(text.encode(encoding))
    study = read_study(folder)
    assert study.specimens == plain.specimens
    assert study.takes == plain.takes
    assert study.warnings == ()


def test_blank_rows_count_but_are_not_read(tmp_path):
    table = table_of(tmp_path, "a,b\n1,2\n\n,,\n \t, \n3,4\n\n\n")
    assert [(row.number, row.cells) for row in table.rows] == [
        (2, {"a": "1", "b": "2"}),
        (6, {"a": "3", "b": "4"}),
    ]


def test_spaces_and_quotes(tmp_path):
    table = table_of(
        tmp_path, ' a , "b, c" \n  x y  , "p ""q"", r" \n"1\n2",\u00a03\u00a0\n5" nail,4\n'
    )
    assert table.columns == ("a", "b, c")
    assert [(row.number, list(row.cells.values())) for row in table.rows] == [
        (2, ["x y", 'p "q", r']),
        (3, ["1\n2", "3"]),
        (4, ['5" nail', "4"]),
    ]


def test_short_rows_and_columns_without_a_name_that_hold_nothing(tmp_path):
    table = table_of(tmp_path, "a,b,,\n1\n2,3,,\n")
    assert table.columns == ("a", "b")
    assert [row.cells for row in table.rows] == [{"a": "1", "b": ""}, {"a": "2", "b": "3"}]


def test_letters_in_two_parts_are_put_together(tmp_path):
    table = table_of(tmp_path, "wood\nLa\u0308rche\n")
    assert table.rows[0].cells["wood"] == "L\u00e4rche"


@pytest.mark.parametrize(
    ("data", "code", "fields"),
    [
        ("wood\nLärche\n".encode("utf-16"), "sheets.utf_16", {}),
        ("wood\nLärche\n".encode("utf-16-le"), "sheets.utf_16", {}),
        ("wood\nlarch\nLärche\n".encode("latin-1"), "sheets.not_utf_8", {"line": 3}),
        (b"PK\x03\x04\x14\x00", "sheets.workbook", {}),
        (b"", "sheets.no_header", {}),
        (b"\n , \n", "sheets.no_header", {}),
        ("a\tb\n1\t2\n", "sheets.tabs", {}),
        ("a,b,a\n", "sheets.column_twice", {"row": 1, "value": "a"}),
        ('"a\nb",c\n', "sheets.column_unprintable", {"row": 1, "value": "a\nb"}),
        ('a,b\n1,2\n3,"4\n5,6\n', "sheets.open_quote", {"row": 3}),
        ('a,b\n1,2\n"', "sheets.open_quote", {"row": 3}),
        ("a,b\n1,2\n3,4,5\n", "sheets.stray_text", {"row": 3, "cells": [3]}),
        ("a,,b\n1,2,3\n", "sheets.stray_text", {"row": 2, "cells": [2]}),
        ("a\n" + "x" * 140_000, "sheets.open_quote", {"row": 2}),
    ],
)
def test_what_cannot_be_read_is_one_fault(tmp_path, data, code, fields):
    assert holds(fault_of(tmp_path, data), code, file="table.csv", **fields)


@pytest.mark.parametrize("book", ["takes.xlsx", "takes.ods"])
def test_a_workbook_where_the_table_should_be_is_told_how_to_export(tmp_path, book):
    (tmp_path / book).write_bytes(b"PK\x03\x04")
    with pytest.raises(InputError) as caught:
        read_table(tmp_path / "takes.csv")
    assert holds(caught.value.notes[0], "sheets.only_workbook", file="takes.csv", book=book)


# Numbers


@pytest.mark.parametrize(
    ("text", "comma", "value"),
    [
        ("1.5", False, 1.5),
        ("-6", False, -6.0),
        ("\N{MINUS SIGN}6", False, -6.0),
        ("+.5e1", False, 5.0),
        ("3.", False, 3.0),
        ("38,5", True, 38.5),
        ("38.5", True, 38.5),
    ],
)
def test_numbers(text, comma, value):
    assert number(text, comma=comma) == value


@pytest.mark.parametrize(
    ("text", "comma", "code"),
    [
        ("nan", False, "cells.not_a_number"),
        ("NaN", True, "cells.not_a_number"),
        ("inf", False, "cells.not_a_number"),
        ("-Infinity", False, "cells.not_a_number"),
        ("1e400", False, "cells.too_large"),
        ("1_000", False, "cells.not_a_number"),
        ("1 000", False, "cells.not_a_number"),
        ("1,5", False, "cells.decimal_comma"),
        ("1.234,5", True, "cells.two_marks"),
        ("1,234,5", True, "cells.two_marks"),
        ("12 mm", False, "cells.not_a_number"),
        ("#N/A", False, "cells.not_a_number"),
        ("0x10", False, "cells.not_a_number"),
        ("\u0663", False, "cells.not_a_number"),
        ("-", False, "cells.not_a_number"),
        (".", False, "cells.not_a_number"),
        ("", False, "cells.not_a_number"),
    ],
)
def test_what_is_no_number_is_refused_and_never_nan(text, comma, code):
    with pytest.raises(ValueError, match=r"cells\.") as caught:
        number(text, comma=comma)
    assert holds(str(caught.value), code, value=text)


def test_whole_numbers():
    assert whole("3.0") == 3
    with pytest.raises(ValueError, match="whole") as caught:
        whole("3.5")
    assert code_of(str(caught.value)) == "cells.not_whole"


def test_a_comma_and_a_point_in_one_file(tmp_path):
    table = table_of(tmp_path, "a;b;note\n38,5;1;1.5\n2;1.250;x\n")
    (fault,) = mark_faults(table, ("a", "b"))
    place = {"file": "table.csv", "row": 3, "column": "b"}
    marks = {"value": "1.250", "mark": "point", "other": "comma", "other_row": 2}
    assert holds(fault, "sheets.mixed_marks", **place, **marks)
    assert mark_faults(table, ("b",)) == []


def test_mixed_marks_reach_the_user(tmp_path):
    folder = write_study(tmp_path / "s")
    rows = specimen_rows()
    rows[1]["mass_g"] = "310,5"
    text = csv_text(SPECIMEN_HEADER, rows, separator=";")
    (folder / "specimens.csv").write_text(text)
    with pytest.raises(InputError) as caught:
        read_study(folder)
    (fault,) = caught.value.notes
    assert holds(fault, "sheets.mixed_marks", row=3, column="mass_g", mark="comma", other_row=2)


# Words


def test_words():
    assert shown("a\nb") == '"a\\nb"'
    assert shown("x" * 100) == '"' + "x" * 60 + '..."'
    assert shown(True) == "true"
    assert shown(1.5) == "1.5"
    assert listed([]) == ""
    assert listed(["a"]) == "a"
    assert listed("abc", last="or") == "a, b or c"
    assert nearest("Temprature", ["humidity", "temperature"]) == "temperature"
    assert nearest("x", []) == ""
    assert gaps([5, 2, 2, 1]) == [(3, 4, 5)]
    assert gaps([2]) == [(1, 1, 2)]
    assert gaps([]) == []


def test_slugs_are_safe_and_distinct():
    assert slug("day 1") == "day_1"
    assert slug("../../etc") == "etc"
    assert slug("é/ü") == "e_u"
    for text in ("", "...", "日本", "CON", "con.txt", "a" * 300, "<script>", "ß", "\udcff"):
        name = slug(text)
        assert name
        assert len(name) < 100
        assert not set(name) - set(
            "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_.-"
        )
        assert name.casefold().partition(".")[0] != "con"
        assert name[0] not in "._-"
    assert slug("日本") != slug("日木")
    assert slug("Lärche") == slug("La\u0308rche")


@pytest.mark.parametrize("name", ["study.toml", "takes.csv"])
@pytest.mark.parametrize("how", ["pipe", "device", "folder", "huge"])
def test_what_is_no_plain_file_of_a_sheets_size_is_refused_at_once(
    tmp_path, monkeypatch, name, how
):
    path = tmp_path / name
    if how == "pipe":
        os.mkfifo(path)
    elif how == "device":
        path.symlink_to("/dev/zero")
    elif how == "folder":
        path.mkdir()
    else:
        monkeypatch.setattr(files, "MOST_BYTES", 9)
        path.write_text("0123456789", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        files.read_text(path)
    assert [code_of(fault) for fault in caught.value.notes] == ["sheets.no_text"]
