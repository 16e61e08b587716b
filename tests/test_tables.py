"""Tables: types in memory, text for a reader, and the data package beside them.

Reference: the Data Package and Table Schema specifications of Frictionless Data (version 1), held
by the library `frictionless`.
"""

from __future__ import annotations

import csv
import io
import json
import tomllib

import numpy as np
import pandas as pd
import pytest

from studylib import tables, words
from studylib.codes import holding, note, several
from studylib.tables import TABLES

frictionless = pytest.importorskip("frictionless")
NOTHING = note("pages.nothing")
ROWS = note("pages.first_rows", shown=2, of=30)


def test_every_column_has_a_meaning_and_every_meaning_a_column():
    told = tomllib.loads((words.FOLDER / "columns.toml").read_text(encoding="utf-8"))
    everywhere, titles = told.pop("any"), told.pop("tables")
    assert set(titles) == set(TABLES)
    columns = {(table.name, name) for table in TABLES.values() for name in table.names}
    own = {(table, name) for table, names in told.items() for name in names}
    assert own <= columns
    assert {name for _, name in columns - own} == set(everywhere)
    of_columns = [
        words.column(table.name, name) for table in TABLES.values() for name in table.names
    ]
    for meaning in [*everywhere.values(), *titles.values(), *of_columns]:
        assert len(meaning) < 120, meaning


FORMULAS = ("=1+1", "@x", "+cmd", "-cmd", "\tx", '=HYPERLINK("x")')


@pytest.mark.parametrize("odd", FORMULAS)
def test_no_cell_is_a_formula_to_a_spreadsheet_and_what_the_program_keeps_is_unharmed(
    tmp_path, odd
):
    # How a cell begins that is worked out: OWASP, CSV injection; a carriage return no sheet holds.
    row = dict.fromkeys(TABLES["boards"].names, 1.0) | {
        "feature": "tone.h1.level_db", "specimen_a": odd, "specimen_b": "-5", "reason": "",
    }  # fmt: skip
    frame = tables.typed("boards", [row])
    for form in ({}, {"sep": ";", "decimal": ","}):
        text = "".join(tables.text_of("boards", frame, **form))
        (told,) = csv.DictReader(io.StringIO(text, newline=""), delimiter=form.get("sep", ","))
        assert told["specimen_a"] == f"'{odd}"
        assert told["specimen_b"] == "-5"
    frame.to_csv(tmp_path / "kept.csv", index=False)
    assert tables.read("boards", tmp_path / "kept.csv")["specimen_a"].item() == odd


def test_a_column_stands_once_in_its_table_with_its_unit():
    assert all(len(set(table.names)) == len(table.names) for table in TABLES.values())
    kinds = {
        (table.name, column.name): (column.type, column.unit)
        for table in TABLES.values()
        for column in table.columns
    }
    assert kinds["curves", "level_db"] == ("number", "dB")
    assert kinds["modes", "frequency_u"] == ("number", "")


@pytest.mark.parametrize("name", sorted(TABLES))
def test_keys_are_columns_and_an_empty_table_has_types(name):
    table = TABLES[name]
    assert set(table.key) <= set(table.names)
    empty = tables.empty(name)
    assert list(empty.columns) == table.names
    # Without rows nothing is missing: whole numbers stay whole.
    assert all(empty[column].dtype.kind == "i" for column in table.of_type("integer"))
    assert all(empty[column].dtype.kind == "f" for column in table.of_type("number"))


def test_types_of_rows_and_what_is_missing():
    rows = pd.DataFrame(
        {
            **{name: [1, np.nan] for name in TABLES["board_modes"].names},
            "specimen": ["L1", None],
            "missing": [True, False],
            "reason": [ROWS, None],
        }
    )
    frame = tables.typed("board_modes", rows.assign(strange=1))
    assert list(frame.columns) == TABLES["board_modes"].names
    assert frame["specimen"].tolist() == ["L1", ""]
    assert frame["reason"].tolist() == [ROWS, ""]
    assert frame["missing"].dtype == bool
    assert frame["n_taps"].dtype == "float64"
    assert tables.typed("board_modes", rows.head(1))["n_taps"].dtype == "int64"


def claims() -> pd.DataFrame:
    first = ("A, or B", "tone.h1.level_db", "open", ROWS, several([ROWS, NOTHING]))
    rows = [first, ("C", "f", "x", "", "")]
    return tables.typed("claims", rows)


def test_a_written_table_holds_sentences_with_their_codes_beside():
    assert "".join(tables.text_of("claims", claims())) == (
        "claim,feature,verdict,caveats,caveats_code,reason,reason_code\n"
        '"A, or B",tone.h1.level_db,open,The first 2 of 30 rows.,pages.first_rows,'
        "The first 2 of 30 rows. Nothing to show.,pages.first_rows pages.nothing\n"
        "C,f,x,,,,\n"
    )


def test_what_the_program_keeps_for_itself_comes_back_unchanged(tmp_path, rng):
    frame = tables.empty("features").reindex(range(50))
    for column in TABLES["features"].of_type("number"):
        frame[column] = rng.standard_normal(50) * 10.0 ** rng.integers(-9, 9, 50)
    frame = tables.typed("features", frame.assign(mount=3, repeat=1, usable=True, reason=ROWS))
    frame.to_csv(tmp_path / "features.csv", index=False)
    pd.testing.assert_frame_equal(tables.read("features", tmp_path / "features.csv"), frame)


@pytest.fixture(scope="module")
def written(demo_summary, tmp_path_factory):
    """The demo's tables as a run writes them."""
    folder = tmp_path_factory.mktemp("tables")
    tables.write_package(demo_summary.tables(), folder, name="Demo", title="Rails")
    return folder


def test_the_demo_s_tables_are_a_valid_data_package(written):
    report = frictionless.validate(str(written / tables.PACKAGE))
    assert report.flatten(["title", "message"]) == []
    held = json.loads((written / tables.PACKAGE).read_text(encoding="utf-8"))
    assert {r["path"] for r in held["resources"]} == {p.name for p in written.glob("*.csv")}
    by_name = {resource["name"]: resource for resource in held["resources"]}
    fields = {field["name"]: field for field in by_name["features"]["schema"]["fields"]}
    assert fields["usable"]["type"] == "boolean"
    assert fields["mount"]["type"] == "integer"
    assert fields["reason_code"]["type"] == "string"
    assert by_name["features"]["schema"]["primaryKey"] == ["id"]


def test_a_fault_in_a_table_is_found_with_the_package(demo_summary, tmp_path):
    """The description is strict enough to be of use: a doubled row, a word among numbers."""
    own = {"effects": demo_summary.tables()["effects"]}
    tables.write_package(own, tmp_path, name="Demo", title="Rails")
    path = tmp_path / "effects.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines.append(lines[1])
    text = "\n".join(lines).replace(",dB,", ",dB,loud", 1) + "\n"
    path.write_text(text, encoding="utf-8")
    report = frictionless.validate(str(tmp_path / tables.PACKAGE))
    assert {"type-error", "primary-key"} <= {row[0] for row in report.flatten(["type"])}


def test_keys_tell_every_row_of_the_demo_from_all_others(demo_summary):
    for name, frame in demo_summary.tables().items():
        assert not frame.duplicated(list(TABLES[name].key)).any(), name


def test_the_same_tables_give_the_same_bytes(demo_summary, written, tmp_path):
    tables.write_package(demo_summary.tables(), tmp_path, name="Demo", title="Rails")
    for path in written.iterdir():
        assert (tmp_path / path.name).read_bytes() == path.read_bytes()


def test_whoever_writes_semicolons_gets_tables_that_such_a_spreadsheet_opens(
    demo_summary, tmp_path
):
    own = {name: demo_summary.tables()[name] for name in ("effects", "claims")}
    tables.write_package(own, tmp_path, name="Demo", title="Rails", semicolons=True)
    for name in own:
        again = pd.read_csv(
            tmp_path / "spreadsheet" / f"{name}.csv", sep=";", decimal=",", encoding="utf-8-sig"
        )
        pd.testing.assert_frame_equal(again, pd.read_csv(tmp_path / f"{name}.csv"))
    data = (tmp_path / "spreadsheet" / "effects.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbfid;feature;")
    assert b"." not in data.split(b"\n")[1].split(b";")[5]
    held = json.loads((tmp_path / tables.PACKAGE).read_text(encoding="utf-8"))
    assert not any("spreadsheet" in resource["path"] for resource in held["resources"])


def test_remarks_that_hold_are_listed_in_their_order():
    assert holding((0, "none"), (True, "first"), ("", "empty"), ([2], "second")) == [
        "first",
        "second",
    ]
