"""A kept report held against a new run: what is the same, what is named, and what is refused.

One study is run, packed and verified with real kernels, as its maker and whoever gets it would do;
then one number of its report is forged together with every hash that would tell. How cells are
compared is tested on tables written here.
"""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from studylib import tables
from studylib.cli import main
from studylib.codes import code_of, fields_of, note
from studylib.errors import InputError
from studylib.run import archive, runner
from studylib.run.provenance import folder_digests
from studylib.run.verify import compare, verify
from studylib.sheets import read_study
from studylib.sheets.files import sha256
from studylib.words import say
from studylib.writing import read_json, write_json, write_whole
from tests.lean_notebooks import lean_notebooks
from tests.small_study import Plan, write_small_study

SAMPLE = Path(__file__).parents[1] / "reports" / "sample"
DAY = "2026-03-02"


# Cells


def write_features(folder: Path, **cells: list) -> Path:
    """Four rows of two features, of which the values are large and small."""
    names = ["tone.h1.level_db", "tap.m1.loss_factor"] * 2
    rows = {
        "id": ["a", "b", "c", "d"], "take": ["t1", "t1", "t2", "t2"], "batch": "day1",
        "kind": "tone", "specimen": "L1", "wood": "larch", "mount": 1, "repeat": 1,
        "feature": names, "value": [80.0, 0.005, 81.0, 0.006], "unit": "dB", "u": np.nan,
        "usable": True, "reason": "",
    }  # fmt: skip
    tables.write("features", tables.typed("features", pd.DataFrame(rows | cells)), folder)
    return folder


def told(tmp_path: Path, *, tolerance: float = 1e-9, sentences: bool = True, **cells) -> list[str]:
    """What is said of the table when it came out with these cells."""
    kept = write_features(tmp_path / "kept")
    again = write_features(tmp_path / "again", **cells)
    (found,) = compare(kept, again, tolerance=tolerance, sentences=sentences).values()
    return found


def test_nothing_is_said_of_tables_that_are_the_same(tmp_path):
    assert told(tmp_path) == []


@pytest.mark.parametrize(
    ("value", "off"),
    [
        # 81 dB is the largest of its feature, 0.006 that of the other: 1e-9 of each is allowed.
        ([80.0 + 8.0e-8, 0.005, 81.0, 0.006], []),
        ([80.0 + 8.2e-8, 0.005, 81.0, 0.006], ["a"]),
        ([80.0, 0.005 + 5.9e-12, 81.0, 0.006], []),
        ([80.0, 0.005 + 6.1e-12, 81.0, 0.006], ["b"]),
        ([80.0, 0.005, 81.0, np.nan], ["d"]),
        ([80.0, np.inf, 81.0, 0.006], ["b"]),
        ([-80.0, 0.005, 81.1, 0.006], ["a", "c"]),
    ],
)
def test_a_number_may_move_by_the_tolerance_and_no_further(tmp_path, value, off):
    found = told(tmp_path, value=value)
    assert [fields_of(one)["row"] for one in found] == [[name, 1] for name in off]
    assert {fields_of(one)["column"] for one in found} <= {"value"}


def test_an_infinite_number_lets_no_other_one_move(tmp_path):
    kept = write_features(tmp_path / "kept", value=[np.inf, 0.005, 81.0, 0.006])
    again = write_features(tmp_path / "again", value=[np.inf, 0.005, 82.0, 0.006])
    (found,) = compare(kept, again, tolerance=1e-9)["features"]
    assert fields_of(found)["row"] == ["c", 1]


def test_a_cell_that_differs_is_named_with_both_values(tmp_path):
    (found,) = told(tmp_path, value=[80.0, 0.005, 82.5, 0.006])
    cell = {"row": ["c", 1], "kept": "81.0", "again": "82.5"}
    assert found == note("verify.cell", **cell, table="features", column="value")
    assert say(found) == 'features, c, value: "81.0" in the report, "82.5" now.'


@pytest.mark.parametrize(
    "cells", [{"wood": "Larch"}, {"mount": 2}, {"usable": False}, {"kind": "tap"}]
)
def test_texts_counts_and_switches_are_compared_exactly(tmp_path, cells):
    found = told(tmp_path, tolerance=0.5, **cells)
    assert len(found) == 4
    assert {fields_of(one)["column"] for one in found} == set(cells)


def test_sentences_count_only_where_the_library_is_the_same(tmp_path, monkeypatch):
    kept = write_features(tmp_path / "kept", reason=note("run.no_part"))
    text = (kept / "features.csv").read_text()
    write_whole(tmp_path / "worded/features.csv", text.replace("Its notebook", "The notebook"))
    write_whole(tmp_path / "other/features.csv", text.replace("run.no_part", "run.changed"))
    assert len(compare(kept, tmp_path / "worded", tolerance=0.0)["features"]) == 4
    assert compare(kept, tmp_path / "worded", tolerance=0.0, sentences=False) == {"features": []}
    found = compare(kept, tmp_path / "other", tolerance=0.0, sentences=False)["features"]
    assert {fields_of(one)["column"] for one in found} == {"reason_code"}


def test_rows_go_by_their_key_and_one_that_is_missing_is_named(tmp_path):
    kept = write_features(tmp_path / "kept")
    lines = (kept / "features.csv").read_text().splitlines()
    turned = "\n".join([lines[0], *reversed(lines[1:]), ""])
    write_whole(tmp_path / "turned/features.csv", turned)
    assert compare(kept, tmp_path / "turned", tolerance=0.0) == {"features": []}
    write_whole(tmp_path / "short/features.csv", "\n".join([*lines[:2], *lines[3:], ""]))
    found = compare(kept, tmp_path / "short", tolerance=0.0)["features"]
    assert found == [note("verify.rows", table="features", rows=[["b", 1]])]


def test_numbers_of_a_key_are_compared_as_numbers(tmp_path):
    rows = pd.DataFrame({"wood": "larch", "source": "1", "frequency_hz": [100.0, 200.0]})
    for name, off in (("kept", 0.0), ("again", 1e-8), ("far", 1e-3)):
        moved = rows.assign(frequency_hz=rows["frequency_hz"] + off, level_db=[1.0, 2.0])
        tables.write("curve_boards", tables.typed("curve_boards", moved), tmp_path / name)
    assert compare(tmp_path / "kept", tmp_path / "again", tolerance=1e-9)["curve_boards"] == []
    found = compare(tmp_path / "kept", tmp_path / "far", tolerance=1e-9)["curve_boards"]
    assert [fields_of(one)["row"] for one in found] == [["larch", "1", 1], ["larch", "1", 2]]


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n1,2,3\n", "\xff", None])
def test_a_table_that_cannot_be_read_or_is_not_there_is_named(tmp_path, text):
    kept = write_features(tmp_path / "kept")
    if text is not None:
        write_whole(tmp_path / "again/features.csv", text.encode("latin-1"))
    found = compare(kept, tmp_path / "again", tolerance=0.0)
    assert found == {"features": [note("verify.no_table", table="features")]}


def test_a_column_that_one_side_lacks_is_named(tmp_path):
    kept = write_features(tmp_path / "kept")
    again = pd.read_csv(kept / "features.csv", dtype=str, keep_default_na=False).drop(columns="u")
    write_whole(tmp_path / "again/features.csv", again.to_csv(index=False))
    (found,) = compare(kept, tmp_path / "again", tolerance=0.0)["features"]
    assert code_of(found) == "verify.columns"
    assert "u" not in fields_of(found)["shared"]


def test_a_table_of_another_library_is_compared_as_text(tmp_path):
    for name, cell in (("kept", "1.0"), ("again", "1.00")):
        write_whole(tmp_path / name / "later.csv", f"x\n2\n{cell}\n")
    (found,) = compare(tmp_path / "kept", tmp_path / "again", tolerance=1.0)["later"]
    assert say(found) == 'later, row 3, x: "1.0" in the report, "1.00" now.'


def test_the_kept_sample_comes_out_again(demo_summary, tmp_path):
    for name in ("claims", "effects", "variance"):
        tables.write(name, demo_summary.tables()[name], tmp_path)
    found = compare(SAMPLE / "tables", tmp_path, tolerance=1e-9)
    assert found == {"claims": [], "effects": [], "variance": []}


# A report


@pytest.fixture(scope="module")
def lean(tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        path = lean_notebooks(tmp_path_factory.mktemp("lean"))
        patch.setattr(runner, "notebook_path", path)
        yield


@pytest.fixture(scope="module")
def kept(lean, tmp_path_factory):
    """A study that was run and packed: rails/, reports/ and rails.zip in one folder."""
    place = tmp_path_factory.mktemp("maker")
    plan = Plan(wood_db={"larch": 0.0, "robinia": 1.0}, controls=False)
    folder = write_small_study(place / "rails", plan)
    outcome = runner.run_study(folder, reports=place / "reports")
    assert outcome.failed == {}
    archive.pack(read_study(folder), outcome.home, place / "rails.zip", date=DAY)
    return place


@pytest.fixture(scope="module")
def verified(kept, tmp_path_factory):
    """What `study verify` printed for the archive, and what it left."""
    room = tmp_path_factory.mktemp("peer") / "room"
    asked = ["verify", str(kept / "rails.zip"), "--into", str(room)]
    return CliRunner().invoke(main, asked), room


@pytest.fixture
def prepared(verified, monkeypatch):
    """In place of a further run: what the run of `verified` left."""
    _, room = verified

    def run_study(folder, *, reports, **_):
        shutil.copytree(room / "reports", reports)
        home = reports / "rails"
        return runner.Outcome(home=home, summary_html=home / "summary.html")

    monkeypatch.setattr(runner, "run_study", run_study)


def test_a_peer_gets_every_table_again_to_the_byte(kept, verified):
    result, room = verified
    count = len(list((kept / "reports/rails/tables").glob("*.csv")))
    assert result.exit_code == 0, result.output
    assert f"Every cell of {count} tables is the same, to the byte." in result.output
    assert count > 20
    assert sorted(path.name for path in room.iterdir()) == ["rails", "reports"]
    for name, sha in folder_digests(kept / "reports/rails/tables").items():
        assert sha256(room / "reports/rails/tables" / name) == sha, name


def test_a_number_is_traced_in_what_the_peer_has(verified):
    _, room = verified
    found = pd.read_csv(room / "rails/reports/rails/tables/effects.csv")["id"].iloc[0]
    asked = ["trace", str(room / "rails"), found, "--reports", str(room / "reports")]
    result = CliRunner().invoke(main, asked)
    assert result.exit_code == 0, result.output
    assert "recordings/lar1_m1_r1.wav" in result.output


def forge(path: Path, to: Path) -> Path:
    """The archive with one number of its report changed, and every hash that would tell."""
    folder = archive.unpack(path, to.parent / "forged")
    home = folder / "reports/rails"
    table = pd.read_csv(home / "tables/effects.csv", dtype=str, keep_default_na=False)
    table.loc[0, "difference"] = "9.9"
    write_whole(home / "tables/effects.csv", table.to_csv(index=False, lineterminator="\n"))
    made = read_json(home / "provenance.json")
    made["tables"]["tables/effects.csv"] = sha256(home / "tables/effects.csv")
    write_json(home / "provenance.json", made)
    crate = read_json(folder / archive.METADATA)
    for one in crate["@graph"]:
        if one["@type"] == "File":
            one["sha256"] = sha256(folder / one["@id"])
    write_json(folder / archive.METADATA, crate)
    with zipfile.ZipFile(to, "w") as new:
        for file in sorted(folder.rglob("*")):
            new.write(file, file.relative_to(folder).as_posix())
    return to


def test_a_number_that_was_forged_with_all_its_hashes_is_named(kept, prepared, tmp_path):
    path = forge(kept / "rails.zip", tmp_path / "again.zip")
    result = CliRunner().invoke(main, ["verify", str(path)])
    assert result.exit_code == 1, result.output
    assert "effects, " in result.output
    assert ', difference: "9.9" in the report, "' in result.output
    assert "1 of " in result.output
    assert "1 difference." in result.output


def test_no_more_than_the_first_differences_are_told(kept, prepared, tmp_path):
    home = tmp_path / "reports/rails"
    shutil.copytree(kept / "reports/rails", home)
    text = (home / "tables/features.csv").read_text().replace(",larch,", ",lime,")
    write_whole(home / "tables/features.csv", text)
    made = read_json(home / "provenance.json")
    made["tables"]["tables/features.csv"] = sha256(home / "tables/features.csv")
    made["versions"]["numpy"] = "0.1"
    write_json(home / "provenance.json", made)
    notes, same = verify(home, room=tmp_path / "room", study=kept / "rails")
    codes = [code_of(one) for one in notes]
    assert not same
    assert codes == ["verify.as_stated", "verify.version", *["verify.cell"] * 20, "verify.outcome"]
    outcome = fields_of(notes[-1])
    assert outcome["count"] == text.count(",lime,") > 20
    assert (outcome["differ"], outcome["tolerance"]) == (1, 1e-6)
    assert "numpy: made with 0.1, run again with" in say(notes[1])


@pytest.mark.parametrize("lies", ["beside", "inside", "named"])
def test_a_report_finds_its_study_and_leaves_it_as_it_is(kept, prepared, tmp_path, lies):
    folder = tmp_path / ("elsewhere" if lies == "named" else "") / "rails"
    shutil.copytree(kept / "rails", folder)
    reports = (folder if lies == "inside" else tmp_path) / "reports"
    shutil.copytree(kept / "reports", reports)
    shutil.rmtree(reports / "rails/.parts")
    before = folder_digests(folder)
    study = folder if lies == "named" else None
    notes, same = verify(reports / "rails", room=tmp_path / "room", study=study)
    assert same, [*map(say, notes)]
    assert folder_digests(folder) == before


def test_a_report_whose_study_is_not_found_asks_for_it(kept, tmp_path):
    shutil.copytree(kept / "reports", tmp_path / "reports")
    with pytest.raises(InputError, match="--study"):
        verify(tmp_path / "reports/rails", room=tmp_path / "room")
    with pytest.raises(InputError) as caught:
        verify(tmp_path / "reports", room=tmp_path / "room")
    assert caught.value.codes == ("verify.no_report",)


NEVER = "a study is run although its files are not as stated"


@pytest.mark.parametrize(
    "name", ["takes.csv", "recordings/lar1_m1_r1.wav", "reports/rails/tables/claims.csv"]
)
def test_a_file_that_is_not_as_stated_is_named_and_nothing_is_run(
    kept, tmp_path, monkeypatch, name
):
    monkeypatch.setattr(runner, "run_study", lambda *_, **__: pytest.fail(NEVER))
    path = tmp_path / "changed.zip"
    with zipfile.ZipFile(kept / "rails.zip") as old, zipfile.ZipFile(path, "w") as new:
        for one in old.namelist():
            new.writestr(one, old.read(one) + b"\n" * (one == name))
    result = CliRunner().invoke(main, ["verify", str(path), "--into", str(tmp_path / "room")])
    assert result.exit_code == 1
    assert name in result.output


@pytest.mark.parametrize("change", ["added", "gone", "unstated"])
def test_a_file_too_many_or_too_few_is_named(kept, tmp_path, monkeypatch, change):
    monkeypatch.setattr(runner, "run_study", lambda *_, **__: pytest.fail(NEVER))
    path = tmp_path / "changed.zip"
    with zipfile.ZipFile(kept / "rails.zip") as old, zipfile.ZipFile(path, "w") as new:
        for one in old.namelist():
            if (one, change) == (archive.METADATA, "unstated"):
                new.writestr(one, json.dumps({"@graph": []}))
            elif (one, change) != ("reports/rails/summary.html", "gone"):
                new.writestr(one, old.read(one))
        if change == "added":
            new.writestr("recordings/more.wav", b"RIFF")
    notes, same = verify(path, room=tmp_path / "room")
    assert not same
    files = fields_of(notes[0])["files"]
    names = {"added": "recordings/more.wav", "gone": "reports/rails/summary.html"}
    assert files == [names[change]] if change in names else "takes.csv" in files


@pytest.mark.parametrize("trust", [False, True])
def test_the_notebooks_of_somebody_else_are_run_only_when_trusted(
    kept, prepared, tmp_path, monkeypatch, trust
):
    run_study, seen = runner.run_study, {}
    monkeypatch.setattr(runner, "run_study", lambda *a, **k: seen.update(k) or run_study(*a, **k))
    shutil.copytree(kept / "rails", tmp_path / "rails")
    shutil.copytree(kept / "reports", tmp_path / "reports")
    write_whole(tmp_path / "rails/notebooks/batch.ipynb", "{}")
    notes, same = verify(tmp_path / "reports/rails", room=tmp_path / "room", trust=trust)
    assert same
    assert seen["trust"] is trust
    assert ("verify.not_trusted" in map(code_of, notes)) is not trust
    folder = tmp_path / "room/rails"
    assert (folder / "notebooks").exists() is trust
    assert (folder / "notebooks_not_run/batch.ipynb").is_file() is not trust


def test_a_folder_that_holds_something_is_left_alone(kept, tmp_path):
    (tmp_path / "mine").write_text("mine")
    asked = ["verify", str(kept / "rails.zip"), "--into", str(tmp_path)]
    result = CliRunner().invoke(main, asked)
    assert result.exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["mine"]
