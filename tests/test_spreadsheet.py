"""CSV as spreadsheets write it: encodings, separators, marks, quotes, rows and their numbers."""

from __future__ import annotations

import pytest

from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.field_faults import gaps
from studylib.sheets.spreadsheet import mark_faults, number, read_table, whole
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


def table_of(tmp_path, data: str | bytes):
    path = tmp_path / "table.csv"
    path.write_bytes(data.encode() if isinstance(data, str) else data)
    return read_table(path)


def fault_of(tmp_path, data: str | bytes) -> str:
    with pytest.raises(InputError) as caught:
        table_of(tmp_path, data)
    assert len(caught.value.faults) == 1
    return caught.value.faults[0]


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
    ("data", "said"),
    [
        ("wood\nLärche\n".encode("utf-16"), "table.csv is saved as UTF-16 or is not text; save"),
        ("wood\nLärche\n".encode("utf-16-le"), "table.csv is saved as UTF-16 or is not text; save"),
        ("wood\nlarch\nLärche\n".encode("latin-1"), "table.csv, line 3: a letter there is not UTF"),
        (b"PK\x03\x04\x14\x00", "table.csv is a spreadsheet workbook, not text; save it as CSV"),
        (b"", "table.csv is empty; its first row names the columns"),
        (b"\n , \n", "table.csv is empty; its first row names the columns"),
        ("a\tb\n1\t2\n", "table.csv is separated by tabs; save it as CSV with commas"),
        ("a,b,a\n", 'table.csv, row 1: two columns are called "a"'),
        ('"a\nb",c\n', 'table.csv, row 1: the column name "a\\nb" holds a line break'),
        ('a,b\n1,2\n3,"4\n5,6\n', "table.csv, row 3: a quotation mark is opened and never closed"),
        ('a,b\n1,2\n"', "table.csv, row 3: a quotation mark is opened and never closed"),
        ("a,b\n1,2\n3,4,5\n", "table.csv, row 3: there is text in cell 3, under no column name"),
        ("a,,b\n1,2,3\n", "table.csv, row 2: there is text in cell 2, under no column name"),
        ("a\n" + "x" * 140_000, "table.csv, row 2: "),
    ],
)
def test_what_cannot_be_read_is_one_sentence(tmp_path, data, said):
    assert fault_of(tmp_path, data).startswith(said)


def test_a_folder_in_place_of_a_table(tmp_path):
    (tmp_path / "takes.csv").mkdir()
    with pytest.raises(InputError, match=r"takes\.csv cannot be read"):
        read_table(tmp_path / "takes.csv")


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
    ("text", "comma"),
    [
        ("nan", False),
        ("NaN", True),
        ("inf", False),
        ("-Infinity", False),
        ("1e400", False),
        ("1_000", False),
        ("1 000", False),
        ("1,5", False),
        ("1.234,5", True),
        ("1,234,5", True),
        ("12 mm", False),
        ("#N/A", False),
        ("0x10", False),
        ("\u0663", False),
        ("-", False),
        (".", False),
        ("", False),
    ],
)
def test_what_is_no_number_is_refused_and_never_nan(text, comma):
    with pytest.raises(ValueError, match="number"):
        number(text, comma=comma)


def test_whole_numbers():
    assert whole("3.0") == 3
    with pytest.raises(ValueError, match="not a whole number"):
        whole("3.5")


def test_a_comma_and_a_point_in_one_file(tmp_path):
    table = table_of(tmp_path, "a;b;note\n38,5;1;1.5\n2;1.250;x\n")
    ((row, said),) = mark_faults(table, ("a", "b"))
    assert row == 3
    assert said == (
        'table.csv, row 3, column b: "1.250" has a decimal point where row 2 has a decimal comma; '
        "use one of the two in the whole file"
    )
    assert mark_faults(table, ("b",)) == []


def test_mixed_marks_reach_the_user(tmp_path):
    folder = write_study(tmp_path / "s")
    rows = specimen_rows()
    rows[1]["mass_g"] = "310,5"
    text = csv_text(SPECIMEN_HEADER, rows, separator=";")
    (folder / "specimens.csv").write_text(text)
    with pytest.raises(InputError, match=r"row 3, column mass_g.*decimal comma where row 2"):
        read_study(folder)


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
