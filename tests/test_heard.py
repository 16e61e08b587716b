"""The study's blind test, from result files to the sentence in the answer.

Outside references: SHA-256 by hashlib for the marks, the exact binomial by SciPy; what was heard is
the listeners' own truth (`tests.blind_test`).
"""

from __future__ import annotations

import csv
import hashlib
import re
import shutil
from datetime import datetime

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from scipy.stats import binomtest

from studylib import tables
from studylib.cli import main
from studylib.codes import code_of, each, fields_of
from studylib.codes.comparison import Heard
from studylib.report.listening import claim_of, heard_notes, heard_of, in_short, write_heard
from studylib.report.preregistration import lock_stands
from studylib.sheets import read_study
from studylib.sheets.lock import add_lock
from studylib.sheets.study import file_hashes
from studylib.words import said, say
from tests.blind_test import hearing, write_result, write_test
from tests.small_study import Plan, write_small_study

BOARDS = {f"{wood[:3]}{i}": wood for wood in ("larch", "robinia") for i in range(1, 5)}


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    plan = Plan(
        {"larch": 0.0, "robinia": 3.0}, boards=4, mounts=1, takes=3, controls=False, claim=False
    )
    return write_small_study(tmp_path_factory.mktemp("heard") / "rails", plan)


@pytest.fixture
def tested(recorded, tmp_path):
    """A folder with a test, its trials; `woods` are heard, boards of one wood are not."""
    folder = shutil.copytree(recorded, tmp_path / "rails")
    takes = {board: [f"{board}_m1_r{i}" for i in (1, 2, 3)] for board in BOARDS}
    return folder, write_test(folder, BOARDS, takes)


def woods(trial) -> float:
    return 0.9 if trial["wood_a"] != trial["wood_b"] else 0.0


def boards(trial) -> float:
    return 0.0 if trial["null"] else 0.8


def nothing(trial) -> float:
    return 0.0


def everything(trial) -> float:
    return 0.9


def heard(folder, quality=tables.empty("quality")):  # noqa: B008, nothing is changed in it
    """The table of a study whose takes all pass; None measures them."""
    return heard_of(read_study(folder), quality)


@pytest.mark.parametrize(
    ("truth", "verdict"),
    [
        (woods, Heard.WOODS),
        (boards, Heard.BOARDS),
        (nothing, Heard.RULED_OUT),
        (everything, Heard.VOID),
    ],
)
def test_what_listeners_hear_is_what_the_report_says(tested, truth, verdict):
    folder, trials = tested
    for k in range(6):
        write_result(folder, f"ear{k}", trials, hearing(truth, 50 + k))
    table, settings = heard(folder), read_study(folder).settings
    assert table["verdict"].iloc[0] == verdict
    first = table.iloc[0]
    own = binomtest(int(first["correct"]), int(first["answers"]), 1 / 3, alternative="greater")
    assert first["p"] == pytest.approx(own.pvalue)
    assert (first["answers"], table["used"].all()) == (6 * 16, True)
    told = say(in_short(table, settings))
    assert told.startswith(
        {
            Heard.WOODS: "Yes: 6 listeners told larch from robinia",
            Heard.BOARDS: "Of these boards, yes: 6 listeners",
            Heard.RULED_OUT: "Seldom, if at all: 6 listeners",
            Heard.VOID: "The blind test says nothing",
        }[verdict]
    )
    assert [code_of(one) for one in heard_notes(table, settings)][1:] == [
        *("heard.because", "heard.numbers", "heard.alone", "heard.only_these")
    ]


def test_without_a_test_or_a_result_nothing_is_said(recorded, tested):
    folder, _ = tested
    for there in (recorded, folder):
        table, settings = heard(there), read_study(there).settings
        assert table.empty
        assert (in_short(table, settings), heard_notes(table, settings)) == ("", [])


def test_a_summary_runs_anew_with_each_result_and_names_it_in_its_record(tested):
    folder, trials = tested
    study = read_study(folder)
    before = file_hashes(study)
    assert {"listening/trials.csv", "listening/excerpts.csv"} <= set(before)
    write_result(folder, "ear0", trials, hearing(woods, 1))
    after = file_hashes(study)
    assert set(after) - set(before) == {"listening/results/ear0.csv"}


# ---------------------------------------------------------------- what does not count


def change(path, row: int, column: str, value: str) -> None:
    """One cell of a result, as somebody would change it in a spreadsheet; row 1 is the header."""
    lines = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    lines[row - 1][lines[0].index(column)] = value
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file, lineterminator="\n").writerows(lines)


def reason_of(folder, file: str) -> tuple[str, dict]:
    """Code and fields of why a file does not count; what is left counts, and the file is there."""
    table = heard(folder)
    ((used, reason),) = table.loc[table["file"] == file, ["used", "reason"]].to_numpy()
    assert not used
    everybody = table[table["used"] & (table["listener"] == "") & (table["about"] == "woods")]
    assert list(everybody["answers"]) == [16]  # of ear0 alone
    assert (folder / "listening" / "results" / file).is_file()
    notes = heard_notes(table, read_study(folder).settings)
    (told,) = [say(one) for one in notes if code_of(one) == "heard.left_out"]
    assert told.startswith(f"Left out: {file}")
    assert said(reason) in told
    (note,) = each(reason)
    return code_of(note), fields_of(note)


@pytest.fixture
def one_listened(tested):
    folder, trials = tested
    write_result(folder, "ear0", trials, hearing(woods, 1))
    return folder, trials


@pytest.mark.parametrize("column", ["answer", "seconds", "listener", "place", "mark"])
def test_a_result_changed_by_hand_is_named_by_its_row(one_listened, column):
    folder, trials = one_listened
    path = write_result(folder, "ear1", trials, hearing(woods, 2))
    change(path, 9, column, "7")
    assert reason_of(folder, "ear1.csv") == ("heard.edited", {"file": "ear1.csv", "row": 9})


def test_a_row_taken_out_breaks_the_chain_where_it_was(one_listened):
    folder, trials = one_listened
    path = write_result(folder, "ear1", trials, hearing(woods, 2))
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    path.write_text("".join(lines[:4] + lines[5:]), encoding="utf-8")
    assert reason_of(folder, "ear1.csv")[1]["row"] == 5


def test_a_result_that_a_spreadsheet_saved_with_semicolons_still_counts(one_listened):
    folder, _ = one_listened
    path = folder / "listening" / "results" / "ear0.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",", ";"), encoding="utf-8")
    assert heard(folder)["used"].all()


def test_a_listener_who_always_answers_the_same_is_left_out(one_listened):
    folder, trials = one_listened
    write_result(folder, "ear1", trials, lambda trial: 2)
    assert reason_of(folder, "ear1.csv") == ("heard.one_answer", {"answer": "2"})


def test_an_unfinished_result_is_left_out(one_listened):
    folder, trials = one_listened
    write_result(folder, "ear1", trials, hearing(woods, 2), only=20)
    told = {"answered": 20, "of": len(trials)}
    assert reason_of(folder, "ear1.csv") == ("heard.unfinished", told)


def test_a_result_of_another_test_is_left_out(one_listened, recorded, tmp_path):
    folder, _ = one_listened
    other = shutil.copytree(recorded, tmp_path / "other")
    takes = {board: [f"{board}_m1_r{i}" for i in (1, 2, 3)] for board in BOARDS}
    path = write_result(other, "ear1", write_test(other, BOARDS, takes, seed=2), hearing(woods, 2))
    shutil.copy(path, folder / "listening" / "results")
    code, told = reason_of(folder, "ear1.csv")
    assert (code, told["row"]) == ("heard.other_test", 2)


@pytest.mark.parametrize(
    "text", ["", "a,b\n1,2\n", "test,listener\nx,y\n", "\x00\x00", "a\tb\n1\t2\n"]
)
def test_what_is_no_result_is_named_and_left(one_listened, text):
    folder, _ = one_listened
    path = folder / "listening" / "results" / "note.csv"
    path.write_text(text, encoding="utf-8")
    code, _ = reason_of(folder, "note.csv")
    assert code in {"heard.no_result", "sheets.no_header", "sheets.utf_16", "sheets.tabs"}
    assert path.read_text(encoding="utf-8") == text


def test_of_two_different_results_of_one_listener_neither_counts(one_listened):
    folder, trials = one_listened
    write_result(folder, "ear1", trials, hearing(woods, 2))
    write_result(folder, "EAR1", trials, hearing(woods, 3), file="again.csv")
    table = heard(folder)
    left_out = table[~table["used"]]
    assert sorted(left_out["file"]) == ["again.csv", "ear1.csv"]
    assert {code_of(reason) for reason in left_out["reason"]} == {"heard.two_results"}
    assert table["answers"].iloc[0] == 16


def test_a_file_saved_on_the_way_and_a_copy_do_not_cost_the_whole_one(one_listened):
    folder, trials = one_listened
    results = folder / "listening" / "results"
    write_result(folder, "ear0", trials, hearing(woods, 1), file="halfway.csv", only=11)
    shutil.copy(results / "ear0.csv", results / "ear0 (1).csv")
    table = heard(folder)
    left_out = table[~table["used"]]
    assert {code_of(reason) for reason in left_out["reason"]} == {"heard.saved_before"}
    assert len(left_out) == 2
    assert table["answers"].iloc[0] == 16


def test_a_test_from_takes_that_cannot_count_any_more_loses_their_trials_alone(one_listened):
    folder, _ = one_listened
    recordings = folder / "recordings"
    shutil.copy(recordings / "lar1_m1_r2.wav", recordings / "lar1_m1_r1.wav")
    lines = (folder / "takes.csv").read_text(encoding="utf-8").splitlines()
    named = {line.split(",")[0]: line for line in lines}
    gone = [line for line in lines if line != named["rob4_m1_r3"]]
    unfit = [line + ("," if i else ",exclude,reason") for i, line in enumerate(gone)]
    unfit = [f"{one}yes,knocked" if one.startswith("lar2_m1_r1") else one for one in unfit]
    unfit = [one if one.endswith(("reason", "knocked")) else f"{one}," for one in unfit]
    (folder / "takes.csv").write_text("\n".join(unfit) + "\n", encoding="utf-8")
    (recordings / "rob4_m1_r3.wav").unlink()
    # Two recordings may not be one: the copy is made another by its last sample.
    with (recordings / "lar1_m1_r1.wav").open("r+b") as file:
        file.seek(-3, 2)
        file.write(b"\x01\x00\x00")
    table = heard(folder)
    (row,) = table[~table["used"]].to_dict("records")
    assert row["file"] == "excerpts.csv"
    spoiled = fields_of(row["reason"])["takes"]
    assert spoiled == {"lar1_m1_r1": "changed", "lar2_m1_r1": "unfit", "rob4_m1_r3": "gone"}
    counted = table[table["used"] & (table["listener"] == "")]["answers"].sum()
    assert counted + row["answers"] == 34
    assert 0 < row["answers"] < 34


def test_a_take_that_fails_its_checks_now_loses_its_trials(one_listened):
    """Measured here, without a run; and from the checks of a run."""
    folder, trials = one_listened
    path = folder / "recordings" / "lar1_m1_r1.wav"
    x, rate = soundfile.read(path)
    soundfile.write(path, np.clip(40 * x, -1, 1), rate, subtype="PCM_24")
    lines = (folder / "listening" / "excerpts.csv").read_text(encoding="utf-8").splitlines()
    sha = hashlib.sha256(path.read_bytes()).hexdigest()
    lines = [re.sub("(?<=lar1_m1_r1.wav,)[0-9a-f]+", sha, line) for line in lines]
    (folder / "listening" / "excerpts.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    write_result(folder, "ear0", trials, hearing(woods, 1))
    (row,) = (table := heard(folder, None))[~table["used"]].to_dict("records")
    assert fields_of(row["reason"])["takes"] == {"lar1_m1_r1": "unfit"}
    checked = tables.typed("quality", [{"take": "rob1_m1_r1", "check": "take", "verdict": "fail"}])
    (row,) = (table := heard(folder, checked))[~table["used"]].to_dict("records")
    assert fields_of(row["reason"])["takes"] == {"rob1_m1_r1": "unfit"}


# ---------------------------------------------------------------- a claim about what is heard


@pytest.mark.parametrize(
    ("truth", "outcome"),
    [
        (woods, "supported"),
        (boards, "boards only"),
        (nothing, "contradicted"),
        (everything, "open"),
    ],
)
def test_a_claim_about_what_is_heard_goes_by_the_test(tested, truth, outcome):
    folder, trials = tested
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write('\n[listen]\nclaim = "Listeners tell larch from robinia"\n')
    study = read_study(folder)
    (claim,) = claim_of(heard(folder), study).to_dict("records")
    assert (claim["verdict"], claim["reason"]) == ("open", "heard.no_result_yet")
    for k in range(6):
        write_result(folder, f"ear{k}", trials, hearing(truth, 50 + k))
    (claim,) = claim_of(heard(folder), study).to_dict("records")
    assert (claim["claim"], claim["verdict"]) == ("Listeners tell larch from robinia", outcome)
    assert say(claim["reason"])


def test_without_a_claim_there_is_no_row(tested):
    folder, _ = tested
    assert claim_of(heard(folder), read_study(folder)).empty


def test_a_claim_changed_after_the_lock_is_told_beside_it_and_touches_no_measured_verdict(tested):
    folder, _ = tested
    toml = folder / "study.toml"
    text = toml.read_text(encoding="utf-8")
    toml.write_text(f'{text}\n[listen]\nclaim = "Listeners tell them apart"\n', encoding="utf-8")
    study = read_study(folder)
    add_lock(folder, study.decided(1), stage=1, recorded=0, when=datetime(2026, 11, 2))
    (claim,) = claim_of(heard(folder), read_study(folder)).to_dict("records")
    assert claim["caveats"] == ""
    toml.write_text(f'{text}\n[listen]\nclaim = "Nobody does"\n', encoding="utf-8")
    changed = read_study(folder)
    (claim,) = claim_of(heard(folder), changed).to_dict("records")
    assert fields_of(claim["caveats"]) == {"recorded": 0, "changes": 1}
    assert lock_stands(changed)
    assert len(changed.changed_since_lock) == 1


def test_table_and_figure_are_written_where_asked_for(tested, tmp_path):
    folder, trials = tested
    write_result(folder, "ear0", trials, hearing(woods, 1))
    table, settings = heard(folder), read_study(folder).settings
    assert write_heard(table, settings, "") == "summary.not_written"
    write_heard(table, settings, str(tmp_path / "out"))
    assert {path.name for path in (tmp_path / "out").iterdir()} == {
        "listening.csv", "heard.png", "heard.svg", "heard_16x9.png",
    }  # fmt: skip


def test_the_command_makes_a_page_of_it_and_says_when_there_is_no_test(tested, recorded, tmp_path):
    folder, trials = tested
    for k in range(6):
        write_result(folder, f"ear{k}", trials, hearing(woods, 50 + k))
    runner, reports = CliRunner(), str(tmp_path / "reports")
    result = runner.invoke(main, ["heard", str(folder), "--reports", reports])
    assert result.exit_code == 0, result.output
    page = tmp_path / "reports" / "rails" / "listening.html"
    assert str(page) in result.output
    assert "Yes: 6 listeners told larch from robinia" in page.read_text(encoding="utf-8")
    written = {path.name for path in (page.parent / "listening").iterdir()}
    assert {"listening.csv", "heard.png"} <= written
    none = runner.invoke(main, ["heard", str(recorded), "--reports", reports])
    assert none.exit_code == 2
    assert none.stderr.startswith("There is no blind test in")
