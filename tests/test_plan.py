"""`study plan`: what it says, draws and writes; and the commands that go with it."""

from __future__ import annotations

import errno
import os
import shutil

import matplotlib.pyplot as plt
import pandas as pd
import pytest
from click.testing import CliRunner
from scipy import stats

from studylib.cli import main
from studylib.codes import code_of, fields_of
from studylib.codes.attribution import Control
from studylib.codes.comparison import Line
from studylib.errors import InputError
from studylib.figures import plan as figures
from studylib.report import plan_study as plan_module
from studylib.report.plan import (
    chances_table,
    never_notes,
    plan_notes,
    smallest_table,
    splits_table,
    spreads_table,
)
from studylib.report.plan_study import plan_study
from studylib.run import runner
from studylib.sheets import read_study
from studylib.sheets.study import read_unrecorded
from studylib.words import in_words, say
from tests.planned_study import TOML, boards, write_planned

# One feature to decide on: half the work, where the second has nothing to say.
ONE = TOML.replace(', "probe.k3.response_db"]', "]")


def study(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def planned(tmp_path, **options):
    return plan_study(read_unrecorded(write_planned(tmp_path / "rails", **options)))


@pytest.fixture(scope="module")
def plan(tmp_path_factory):
    return planned(tmp_path_factory.mktemp("plan"))


def noted(notes, code, **fields):
    """The fields of the one note of this code that has these fields."""
    (found,) = [
        told
        for told in (fields_of(note) for note in notes if code_of(note) == code)
        if fields.items() <= told.items()
    ]
    return found


def test_the_plan_says_what_the_design_finds_and_what_it_takes(plan):
    notes = plan_notes(plan)
    design = noted(notes, "plan.design")
    assert design["planks"] == {"larch": 4, "cherry": 4, "robinia": 4}
    assert (design["mounts"], design["assumed"]) == (3, False)
    first = plan.features[0].feature.name
    detected = noted(notes, "plan.detected", feature=first)
    assert (detected["size"], detected["limited"]) == ("1.00 dB", True)
    assert detected["declared"] == plan.features[0].chances["planned"].declared
    assert len(noted(notes, "plan.needed", feature=first)["same"]) == 3
    assert noted(notes, "plan.minutes")["boards"] == plan.splits["boards"].iloc[0]
    said = say(notes[0])
    assert "4 planks of larch, 4 planks of cherry and 4 planks of robinia, 3 mounts" in said


def test_probabilities_add_up_and_the_range_holds_them(plan):
    for one in plan.features:
        assert sum(one.chances["planned"].of.values()) == pytest.approx(1.0)
        low, high = one.chances["low"].declared, one.chances["high"].declared
        assert low <= one.chances["planned"].declared <= high
        assert one.chances["planned"].declared <= one.chances["unlimited"].declared + 0.01
        middle, smaller, larger = (found.sources for found in one.declare)
        assert smaller <= middle <= larger


def test_the_plan_says_what_a_lock_buys_and_what_same_takes(plan):
    notes = plan_notes(plan)
    for one in plan.features:
        locked = noted(notes, "plan.locked", feature=one.feature.name)
        assert locked["locked"] > locked["free"] == one.chances["planned"].declared
        # One claim for each primary feature, where there are none yet.
        assert locked["claims"] == len(plan.study.settings.claims or plan.features)
    first = plan.features[0]
    same = noted(notes, "plan.same_limit", feature=first.feature.name)
    # About 2.4 spreads at four boards.
    assert same["spreads"] == pytest.approx(2.4, rel=0.06)
    assert first.same_limit == pytest.approx(
        same["spreads"] * plan.nest.variance(first.spreads) ** 0.5
    )
    assert not [n for n in notes if "plan.same" in n and plan.features[1].feature.name in n]


def test_the_plan_says_what_sweeps_could_show_over_frequency(plan, tmp_path):
    told = noted(plan_notes(plan), "plan.curves")
    # Two batches of two planks of each wood: 2 / (4 choose 2)^2.
    assert told["smallest"] == pytest.approx(2 / 36)
    # With 4 planks a wood, at least as wide as Student's t for one frequency and three pairs.
    assert told["fine"] > told["third"] > stats.t.ppf(1 - 0.05 / 6, 8) * 0.5**0.5
    without = planned(tmp_path, toml=ONE.replace("[plan]", "[plan]\nsweeps = 0"))
    assert not [n for n in plan_notes(without) if code_of(n) == "plan.curves"]


def test_a_plan_with_looks_says_what_they_cost_and_save(plan, tmp_path):
    assert not [note for note in plan_notes(plan) if code_of(note) == "plan.looks"]
    thrice = planned(tmp_path, toml=ONE.replace("[decide]", "[decide]\nlooks = 3"))
    told = noted(plan_notes(thrice), "plan.looks", looks=3, planks=4)
    # Three looks need 1.166 times the boards of one look and 0.819 on average (tests/stats).
    assert (told["once"], told["mean"]) == pytest.approx((4 / 1.166, 4 * 0.8185 / 1.166), abs=0.01)
    assert told["level"] == pytest.approx(0.0220)
    one, three = plan.features[0], thrice.features[0]
    assert three.chances["planned"].declared < one.chances["planned"].declared
    assert three.same_limit > one.same_limit


def test_a_feature_without_a_limit_is_planned_for_one_spread_of_boards(plan):
    second = plan.features[1]
    assert second.limit is None
    assert second.same is None
    assert second.difference == second.spreads.source
    assert not noted(plan_notes(plan), "plan.detected", feature=second.feature.name)["limited"]
    assert not noted(plan_notes(plan), "plan.needed", feature=second.feature.name)["same"]


def test_boards_of_one_plank_count_as_one(tmp_path):
    four = {"larch": 4, "cherry": 4, "robinia": 4}
    alone = planned(tmp_path / "a", counts=four, toml=ONE)
    eight = boards(dict.fromkeys(four, 8), per_plank=2)
    shared = planned(tmp_path / "b", rows=eight, toml=ONE)
    assert shared.planks == alone.planks == four
    assert shared.nest.boards == 2
    # Twice the boards of the same planks tell next to nothing more.
    many, few = (one.features[0].chances["planned"].declared for one in (shared, alone))
    assert -0.01 < many - few < 0.01
    one = planned(tmp_path / "c", rows=boards({"larch": 4, "robinia": 4}, per_plank=4), toml=ONE)
    assert one.planks == {"larch": 1, "robinia": 1}
    assert not one.features[0].chances
    assert noted(never_notes(one), "plan.never_wood")["woods"] == ["larch", "robinia"]
    assert say(never_notes(one)[0]).startswith('Never: anything about "larch" and "robinia" as')


def test_what_can_never_be_settled_depends_on_the_design(tmp_path):
    bare = ONE.replace('drive = 2\ndrive_kind = "acceleration"\n', "")
    rows = boards({"larch": 4, "robinia": 4}, roles=())
    told = never_notes(planned(tmp_path, rows=rows, toml=bare))
    assert list(map(code_of, told)) == [
        *("plan.never_beyond", "plan.never_same", "plan.never_driver", "plan.never_why"),
        *(["plan.never_test"] * 6),
    ]
    tests = {
        fields_of(one)["control"]: fields_of(one)
        for one in told
        if code_of(one) == "plan.never_test"
    }
    assert tests[Control.IDLE] == {
        "control": Control.IDLE, "key": "idle = 1", "planned": True, "minutes": 1.6
    }  # fmt: skip
    assert not tests[Control.MOVED]["planned"]
    assert "not planned: moved_mm = 2" in say(told[-1])
    simple = bare.replace("[plan]", "[plan]\ncontrols = false\nprobes = []")
    few = {
        fields_of(one)["control"]: say(one)
        for one in never_notes(planned(tmp_path / "simple", rows=rows, toml=simple))
        if code_of(one) == "plan.never_test"
    }
    assert "(not planned: controls = true, idle = 1 under [plan]; about 1" in few[Control.IDLE]
    assert Control.PROBE_AFTER not in few
    # Drawn: 20,000 studies.
    assert 0 < noted(told, "plan.never_beyond")["share"] < 0.05 + 3 * 0.0015


def test_before_there_are_boards_the_claims_name_the_woods(tmp_path):
    plan = planned(tmp_path, rows=[], toml=ONE)
    assert plan.planks == {"robinia": 4, "larch": 4}
    assert noted(plan_notes(plan), "plan.design")["assumed"]


def test_a_pilot_takes_the_place_of_the_common_spreads(tmp_path):
    folder = write_planned(tmp_path / "rails", toml=TOML + 'pilot = "pilot.csv"\n')
    names = ("tone.h1.response_db", "probe.k3.response_db")
    rows = [
        (name, level, v, v / 2, 2 * v)
        for name in names
        for level, v in (("specimen", 0.04), ("mount", 0.01), ("take", 0.0025))
    ]
    table = pd.DataFrame(rows, columns=["feature", "level", "variance", "low", "high"])
    table.to_csv(folder / "pilot.csv", index=False)
    plan = plan_study(read_unrecorded(folder))
    assert plan.features[0].spreads.source == pytest.approx(0.2)
    assert plan.features[0].chances["planned"].declared > 0.9
    assert code_of(spreads_table(plan)["origin"].iloc[0]) == "plan.pilot"
    table[:0].to_csv(folder / "pilot.csv", index=False)
    with pytest.raises(InputError) as caught:
        plan_study(read_unrecorded(folder))
    assert caught.value.codes == ("plan.pilot_lacks",)
    assert fields_of(caught.value.notes[0]) == {"name": "pilot.csv", "feature": names[0]}
    (folder / "pilot.csv").write_bytes(b"")
    with pytest.raises(InputError) as caught:
        plan_study(read_unrecorded(folder))
    assert caught.value.codes == ("plan.pilot_unreadable",)
    (folder / "pilot.csv").unlink()
    with pytest.raises(InputError) as caught:
        plan_study(read_unrecorded(folder))
    assert caught.value.codes == ("plan.no_pilot",)
    assert "there is no file pilot.csv" in str(caught.value)


def test_one_wood_is_nothing_to_compare(tmp_path):
    with pytest.raises(InputError) as caught:
        planned(tmp_path, rows=boards({"larch": 4}))
    assert caught.value.codes == ("plan.one_wood",)


def test_the_tables_say_the_same_as_the_notes(plan):
    notes, first = plan_notes(plan), plan.features[0].feature.name
    needed = noted(notes, "plan.needed", feature=first)
    smallest = smallest_table(plan)
    assert smallest["plan.h_planks"].iloc[0] == str(needed["declare"][0])
    assert smallest["plan.h_planks"].iloc[1] == str(needed["same"][0])
    detected = noted(notes, "plan.detected", feature=first)["declared"]
    assert chances_table(plan)["declared"].iloc[0] == f"{100 * detected:.1f} %"
    best = splits_table(plan).iloc[0]
    assert noted(notes, "plan.minutes")["boards"] == best["plan.h_boards"]


def test_every_heading_and_cell_of_the_tables_has_its_words(plan):
    for table in (spreads_table, chances_table, smallest_table, splits_table):
        shown = table(plan).map(in_words).rename(columns=in_words)
        assert not any("plan." in str(text) for text in [*shown.columns, *shown.to_numpy().flat])


def test_the_figures_draw_what_the_plan_worked_out(plan):
    figure = figures.power_figure(plan)
    curves = plan.curves["tone.h1.response_db"]
    drawn = figure.axes[0].lines[1].get_xydata()
    own = curves[curves["line"] == Line.PLANNED]
    assert drawn[:, 1] == pytest.approx(own["chance"])
    plt.close(figure)
    figure = figures.counting_figure(plan.miscounted, confidence=plan.decision.confidence)
    widths = [patch.get_width() for patch in figure.axes[0].patches]
    assert widths == pytest.approx(list(plan.miscounted["rate"]))
    plt.close(figure)


# ------------------------------------------------------------------ the commands


@pytest.fixture(scope="module")
def finished(tmp_path_factory):
    """Plan, lock, signals and sheet as a person would call them, one after the other."""
    place = tmp_path_factory.mktemp("commands")
    folder = write_planned(place / "my rails", toml=TOML + "play_s = 0.5\n")
    reports = ("--reports", place / "reports")
    calls = [("plan", folder, *reports), ("lock", folder), ("signals", folder), ("sheet", folder)]
    return folder, place / "reports", {call[0]: study(*call) for call in calls}


def test_the_way_from_plan_to_bench(finished):
    folder, reports, results = finished
    for name, result in results.items():
        assert result.exit_code == 0, (name, result.output)
        assert "Traceback" not in result.output
    assert "Scheduled: day1, 23 mounts" in results["plan"].output
    assert (reports / "my_rails" / "plan.html").is_file()
    assert "SHA-256: " in results["lock"].output
    assert "can harm hearing" in results["signals"].output
    assert (folder / "signals" / "tone172.wav").is_file()
    assert (folder / "bench_sheets" / "day2.html").is_file()


def test_the_page_of_the_plan_is_one_that_opens_offline(finished):
    _, reports, _ = finished
    page = (reports / "my_rails" / "plan.html").read_text(encoding="utf-8")
    assert page.count("<img") == 2
    written = {path.name for path in (reports / "my_rails" / "plan").iterdir()}
    assert {"power.png", "power.svg", "counting_16x9.png", "chances.csv"} <= written
    assert "<script" not in page
    assert "Rails to be recorded" in page


def test_a_full_disk_is_one_sentence_that_says_what_to_do(finished, tmp_path, monkeypatch):
    folder, _, _ = finished
    copied = tmp_path / "rails"
    shutil.copytree(folder, copied, ignore=shutil.ignore_patterns("signals"))

    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    result = study("signals", copied)
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "No space left on device" in line
    assert line.endswith("run the same command again; what is written is whole.")
    assert not list((copied / "signals").iterdir())


def test_check_and_run_before_anything_is_recorded_say_so(finished):
    folder, reports, _ = finished
    result = study("check", folder)
    assert result.exit_code == 0
    assert result.output.endswith("recorded yet.\n")
    result = study("run", folder, "--reports", reports)
    assert result.exit_code == 2
    assert "recorded yet" in result.stderr


@pytest.fixture
def no_page(monkeypatch):
    """The plan's page is not made (`finished` has one); the command names where it would be."""

    def unwritten(name, folder, *, reports, trust):
        return reports / "plan.html"

    monkeypatch.setattr(runner, "write_page", unwritten)


def test_planning_twice_asks_what_is_meant_and_shows_without_writing(
    finished, plan, no_page, tmp_path, monkeypatch
):
    monkeypatch.setattr(plan_module, "plan_study", lambda _: plan)  # the same boards and claims
    folder, reports, _ = finished
    copied = tmp_path / "rails"
    shutil.copytree(folder, copied)
    before = (copied / "takes.csv").read_bytes()
    shown = study("plan", copied, "--show", "--reports", reports)
    assert shown.exit_code == 0
    assert "Scheduled" not in shown.output
    result = study("plan", copied, "--reports", reports)
    assert result.exit_code == 2
    assert "--add 1" in result.stderr
    assert (copied / "takes.csv").read_bytes() == before
    result = study("blind", copied)
    assert result.exit_code == 2
    assert "code the woods before the schedule is made" in result.stderr


def test_a_blind_study_is_planned_on_codes(no_page, tmp_path):
    folder = write_planned(tmp_path / "rails", toml=ONE)
    result = study("blind", folder)
    assert result.exit_code == 0, result.output
    assert "SHA-256 of the key" in result.output
    result = study("plan", folder, "--reports", tmp_path / "reports")
    assert result.exit_code == 0, result.output
    assert "4 planks of wood A" in result.output
    takes = {t.specimen for t in read_study(folder).planned if t.specimen}
    assert all(name.startswith("B") for name in takes)
    assert study("unblind", folder, "--reports", tmp_path / "reports").exit_code == 0
    assert set(read_study(folder).woods) == {"larch", "cherry", "robinia"}
