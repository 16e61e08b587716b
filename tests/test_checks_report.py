"""What stands beside the verdicts, in words: invented studies with stated faults, and the demo."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from studylib import tables
from studylib.codes import code_of, fields_of, has, note
from studylib.codes.comparison import Method
from studylib.report import checks, text, trust
from studylib.report.rivals.basis import basis_of
from studylib.report.rivals.bench import drift as drift_rival
from studylib.report.summary import summarise
from studylib.sheets import read_study
from studylib.words import say
from tests.invented_tables import Invention
from tests.small_study import Plan, write_small_study

H3 = "tone.h3.rel_db"


def noted(notes, code):
    """The fields of the first note of this code."""
    return next(fields_of(note) for note in notes if code_of(note) == code)


def summary_of(change=None, studied=None, **plan):
    """A summary; `change` alters the features table, `studied` the study."""
    study, gathered = Invention(primary=(H3,), **plan).make()
    if change is not None:
        gathered = dataclasses.replace(gathered, features=change(gathered.features.copy()))
    if studied is not None:
        study = studied(study)
    return summarise(study, gathered)


def moved(specimen, by, mount=None):
    def change(rows):
        mask = (rows["specimen"] == specimen) & (rows["feature"] == H3)
        if mount is not None:
            mask &= rows["mount"] == mount
        rows.loc[mask, "value"] += by
        return rows

    return change


def with_orders(place):
    """Takes in an order that `place` gives by specimen and mount."""

    def studied(study):
        takes = sorted(study.takes, key=lambda t: (t.batch, place(t.specimen, t.mount), t.repeat))
        for number, take in enumerate(takes, start=1):
            take.order = number
        return study

    return studied


class TestTrust:
    def test_what_each_sentence_rests_on_is_counted_in_boards_first(self):
        table = trust.rests_on_table(summary_of(boards=5, mounts=2, takes=3))
        assert list(table.columns[2:]) == ["planks", "boards", "mounts", "takes"]
        assert (table["boards"] == 5).all()
        assert (table["takes"] == 30).all()

    def test_takes_set_aside_are_not_counted(self):
        def change(rows):
            rows.loc[(rows["specimen"] == "larch-1") & (rows["repeat"] == 1), "usable"] = False
            rows.loc[~rows["usable"], "reason"] = note("takes.set_aside", checks=["knocked"])
            return rows

        table = trust.rests_on_table(summary_of(change)).set_index("wood")
        assert table.loc["larch", "takes"] == 36 - 3
        assert table.loc["cherry", "takes"] == 36

    def test_error_rates_and_power_stand_with_their_monte_carlo_error(self):
        summary = summary_of(boards=4)
        own = summary.checks.own[H3]
        (first, *_) = trust.power_notes(summary)
        assert code_of(first) == "trust.simulated"
        assert fields_of(first)["runs"] == own.runs
        rate = fields_of(fields_of(first)["rate"])
        assert rate["percent"] == 100 * own.own_spreads
        assert rate["error"] >= 1
        assert f"{100 * own.own_spreads:.0f} ± " in say(first)
        table = trust.power_table(summary)
        assert len(table) == 3
        assert all("±" in say(cell) for cell in table["false alarms, spreads alike"])
        assert all(cell[-3:] == " dB" for cell in table["detected in 80 %"])

    def test_the_simulation_takes_a_second_at_most_of_a_run(self):
        assert summary_of().checks.own[H3].runs == 1000

    def test_the_second_opinion_stands_beside_the_first(self):
        summary = summary_of(steps={"robinia": 15.0})
        table = trust.second_opinion_table(summary)
        assert len(table) == 3
        assert note("trust.agreement", agreed=3, pairs=3) in trust.second_opinion_notes(summary)

    def test_where_the_two_disagree_it_is_said(self):
        summary = summary_of()
        second = summary.comparison.second_opinion.copy()
        second.loc[0, ["p", "agrees"]] = [0.01, False]
        changed = dataclasses.replace(summary.comparison, second_opinion=second)
        notes = trust.second_opinion_notes(dataclasses.replace(summary, comparison=changed))
        assert note("trust.agreement", agreed=2, pairs=3) in notes
        (apart,) = [each for each in notes if code_of(each) == "trust.disagreement"]
        assert fields_of(apart)["p"] == 0.01
        assert "The verdict stays with the boards' means." in say(apart)

    def test_one_wood_has_nothing_to_trust(self):
        summary = summary_of(woods=("larch",))
        assert trust.design_notes(summary) == ["trust.nothing_compared"]
        assert trust.power_notes(summary) == ["trust.no_power"]
        assert trust.power_table(summary).empty

    def test_single_takes_leave_no_second_opinion(self):
        summary = summary_of(mounts=1, takes=1)
        assert trust.second_opinion_notes(summary) == ["trust.no_second_opinion"]
        assert trust.second_opinion_table(summary).empty

    def test_more_batches_than_the_mixed_model_takes_are_named(self, monkeypatch):
        monkeypatch.setattr(
            "studylib.stats.mixed.MOST_COLUMNS", 3
        )  # three woods, and the second batch
        summary = summary_of()
        told = note("trust.too_wide", columns=4, most=3)
        assert trust.second_opinion_notes(summary) == [told]
        assert say(told).endswith("at most 3 woods and batches together, and here there are 4.")


class TestOutliers:
    def test_a_board_far_off_is_named_and_nothing_is_removed(self):
        plan = dict(boards=6, board_sd=0.4, mount_sd=0.2, take_sd=0.1)
        summary = summary_of(moved("cherry-2", 12.0), **plan)
        notes = checks.outlier_notes(summary.checks)
        assert "Nothing was removed" in say(notes[1])
        assert [code_of(note) for note in notes[:2]] == ["outliers.tests", "outliers.found"]
        assert {code_of(note) for note in notes[2:]} <= {"outliers.changes", "outliers.no_change"}
        table = checks.outliers_table(summary.checks)
        (row,) = table[table["what"] == "cherry-2"].itertuples()
        assert row.verdict == "outlier"
        assert noted(notes, "outliers.found")["outliers"] == (table["verdict"] == "outlier").sum()
        beside_it = checks.left_out_table(summary.checks)
        assert len(beside_it[beside_it["left out"] == "cherry-2"]) == 3
        # The effects table is that of all boards.
        assert (summary.primary_effects()[["n_a", "n_b"]] == 6).all().all()

    def test_two_takes_that_disagree_are_told_of_and_neither_is_blamed(self):
        def change(rows):
            mask = (rows["specimen"] == "cherry-2") & (rows["feature"] == H3)
            rows.loc[mask & (rows["mount"] == 1) & (rows["repeat"] == 1), "value"] -= 40.0
            return rows

        plan = dict(boards=6, takes=2, board_sd=0.4, mount_sd=0.2, take_sd=0.1)
        summary = summary_of(change, **plan)
        told = noted(checks.outlier_notes(summary.checks), "outliers.pair")
        assert told["apart"] == pytest.approx(40, abs=1)
        table = checks.outliers_table(summary.checks)
        (what,) = table.loc[table["level"] == "outliers.take", "what"]
        assert what == f"pair of takes {told['names'][0]} and {told['names'][1]}"
        # The effects without it are those without either.
        left = checks.left_out_table(summary.checks)
        assert what in set(left["left out"])
        assert list(summary.tables()["outliers"].columns) == tables.TABLES["outliers"].names

    def test_a_verdict_that_hangs_on_one_board_is_told(self):
        plan = dict(boards=6, board_sd=0.4, mount_sd=0.2, take_sd=0.1, steps={"robinia": 2.0})
        summary = summary_of(moved("robinia-1", -14.0), **plan)
        told = noted(checks.outlier_notes(summary.checks), "outliers.changes")
        assert (told["feature"], told["item"]) == (H3, "robinia-1")
        assert all(pair["verdict"] != pair["verdict_without"] for pair in told["pairs"])

    def test_nothing_stands_out(self):
        summary = summary_of(seed=5)
        if summary.checks.outliers.empty:
            assert checks.outlier_notes(summary.checks)[-1] == "outliers.nothing"
        quiet = summary_of(boards=2, mounts=1, takes=1)
        assert checks.outlier_notes(quiet.checks) == ["outliers.too_few"]


class TestOrder:
    def test_one_wood_after_the_other_is_called_confounded_with_its_correlation(self):
        woods = ("larch", "cherry", "robinia")

        def place(specimen, mount):
            wood = specimen.rsplit("-", 1)[0]
            return (woods.index(wood) if wood in woods else 9, specimen, mount)

        summary = summary_of(studied=with_orders(place))
        (said,) = checks.order_notes(summary.checks)
        assert code_of(said) == "drift.order_confounded"
        told = fields_of(said)
        assert 0.9 < told["correlation"] <= 1
        assert (told["first"], told["last"]) == ("larch", "robinia")
        assert said in text.cannot_say(summary)

    def test_a_mixed_order_is_said_to_be_mixed(self):
        summary = summary_of(
            studied=with_orders(lambda specimen, mount: (mount, specimen.rsplit("-", 1)[-1]))
        )
        (said,) = checks.order_notes(summary.checks)
        assert code_of(said) == "drift.order_mixed"
        assert said not in text.cannot_say(summary)

    def test_drift_is_named_and_left_in(self):
        def drifting(rows):
            rows["value"] += 6.0 * rows["mount"].map({1: 0.0, 2: 0.5, 3: 1.0})
            return rows

        plan = dict(board_sd=1.0, mount_sd=0.2, take_sd=0.1)
        studied = with_orders(lambda specimen, mount: (mount, specimen.rsplit("-", 1)[-1]))
        summary = summary_of(drifting, studied=studied, **plan)
        told = noted(checks.drift_notes(summary.checks), "drift.change")
        assert told["feature"] == H3
        assert 0 < told["low"] < told["change"] < told["high"]
        assert not told["removed"]
        assert not any(has(cell, Method.TIMED) for cell in summary.comparison.effects["method"])
        table = checks.trends_table(summary.checks)
        assert list(table["batch"]) == ["afternoon", "morning", "all"]  # as they were recorded

    def test_a_reference_mount_outside_the_limits_is_named(self):
        # The change of a mounting lies in every other board too, which gives the limits.
        plan = dict(mount_sd=0.2, take_sd=0.1)
        summary = summary_of(moved("ref", 9.0, mount=3), **plan)
        told = noted(checks.drift_notes(summary.checks), "drift.outside")
        assert {"mount": 3, "batch": "morning"} in told["outside"]

    def test_without_a_reference_the_chart_is_asked_for(self):
        assert checks.drift_notes(summary_of(control=False).checks)[0] == "drift.no_chart"


def mixed(specimen, mount):
    """Every board once, then every board again: woods and boards in turn."""
    return (mount, specimen.rsplit("-", 1)[-1])


def over_the_day(by, *, reference=True, opposite=False):
    """A steady drift of all boards, in each batch the same or in the second the other way."""

    def change(rows):
        own = reference | ~rows["specimen"].str.startswith("ref")
        sign = np.where(opposite & rows["batch"].eq("morning"), -1.0, 1.0)
        rows["value"] += own * sign * by * rows["mount"].map({1: 0.0, 2: 0.5, 3: 1.0})
        return rows

    return change


def removing(study):
    decide = study.settings.decide.model_copy(update={"take_out_drift": True})
    settings = study.settings.model_copy(update={"decide": decide})
    return dataclasses.replace(with_orders(mixed)(study), settings=settings)


class TestOneRuleForDrift:
    """Whatever the bench does, the drift section, the chart, the rival, the caveats and the
    positive control say the same of it on one page."""

    CASES = (
        # change, take it out, reference there -> codes of the drift section; moved
        (None, False, True, ["inside", "none_larger"], False),
        (moved("ref", 4.0, mount=3), False, True, ["outside", "none_larger"], True),
        (over_the_day(0.6, reference=False), False, True, ["inside", "change"], True),
        (over_the_day(0.6), True, True, ["inside", "change"], False),
        (over_the_day(2.0, opposite=True), False, True, ["inside", "change", "change"], True),
        (over_the_day(2.0, opposite=True), True, True, ["inside", "change", "change"], True),
        (None, False, False, ["no_chart", "none_larger"], False),
        (over_the_day(2.0), False, False, ["no_chart", "change"], True),
    )

    @pytest.mark.parametrize(("change", "removed", "control", "codes", "moves"), CASES)
    def test_no_part_of_the_page_contradicts_another(self, change, removed, control, codes, moves):
        plan = dict(board_sd=0.3, mount_sd=0.2, take_sd=0.05, limits={H3: 9.0})
        studied = removing if removed else with_orders(mixed)
        summary = summary_of(change, studied, boards=6, control=control, **plan)
        told = checks.drift_notes(summary.checks)
        assert [code_of(each) for each in told] == [f"drift.{code}" for code in codes]
        effects = summary.comparison.effects
        primary = effects[effects["feature"] == H3]
        assert all(has(cell, "caveats.drift") is moves for cell in primary["caveats"])
        assert summary.checks.chart["outside"].any() == ("outside" in codes)
        assert summary.checks.trends["clear"].any() == ("change" in codes)
        rival = drift_rival(basis_of(summary))
        others = [each for each in told if code_of(each) != "drift.no_chart"]
        assert [each for each in rival.says if each in told] == others
        assert rival.tested
        assert (code_of(rival.says[0]) == "rivals.jump") is not control
        # The control is compared as it was measured, so no drift may be in it, removed or not.
        counts = summary.of_primary(summary.comparison.positive_control)["counts"].any()
        assert counts == (control and codes == ["inside", "none_larger"])
        assert counts or "same" not in set(primary["verdict"])

    def test_a_drift_that_was_not_seen_is_not_called_none(self):
        checked = summary_of(studied=with_orders(mixed)).checks
        said = noted(checks.drift_notes(checked), "drift.none_larger")
        assert said["most"] == pytest.approx(checked.trends[["low", "high"]].abs().max().max())

    def test_a_reference_mounted_once_in_a_batch_has_no_limits_and_is_not_called_inside(self):
        def once(rows):
            return rows[(rows["specimen"] != "ref") | (rows["mount"] == 1)]

        told = checks.drift_notes(summary_of(once, with_orders(mixed)).checks)
        assert [code_of(each) for each in told] == ["drift.no_limits", "drift.none_larger"]


class TestAskedFor:
    def test_take_out_drift_is_marked_wherever_the_method_stands(self):
        def drifting(rows):
            rows["value"] += 6.0 * rows["mount"].map({1: 0.0, 2: 0.5, 3: 1.0})
            return rows

        mixed = with_orders(lambda specimen, mount: (mount, specimen.rsplit("-", 1)[-1]))

        def studied(study):
            study = mixed(study)
            decide = study.settings.decide.model_copy(update={"take_out_drift": True})
            return dataclasses.replace(
                study, settings=study.settings.model_copy(update={"decide": decide})
            )

        plan = dict(boards=6, board_sd=1.0, mount_sd=0.2, take_sd=0.1)
        summary = summary_of(drifting, studied=studied, **plan)
        effects = summary.comparison.effects
        assert all(has(cell, Method.TIMED) for cell in effects["method"])
        told = [fields_of(note) for note in checks.drift_notes(summary.checks)]
        assert all(fields["removed"] for fields in told if "removed" in fields)
        assert not any(has(cell, "caveats.drift") for cell in effects["caveats"])

    def test_the_key_is_read(self, tmp_path):
        folder = write_small_study(tmp_path / "study", Plan(boards=2, mounts=1, takes=1))
        toml = folder / "study.toml"
        toml.write_text(
            toml.read_text(encoding="utf-8").replace("[decide]", "[decide]\ntake_out_drift = true"),
            encoding="utf-8",
        )
        assert read_study(folder).settings.decide.take_out_drift


def test_the_demo_says_what_its_design_can_do(demo_summary):
    summary = demo_summary
    assert set(summary.checks.own) == set(summary.primary)
    for sentences in (
        trust.design_notes, trust.power_notes, trust.second_opinion_notes,
        text.cannot_say,
    ):  # fmt: skip
        said = sentences(summary)
        assert len(said) == len(set(said))
    for notes in (checks.outlier_notes, checks.drift_notes, checks.order_notes):
        said = [say(note) for note in notes(summary.checks)]
        assert len(said) == len(set(said))
    for own in summary.checks.own.values():
        assert own.alike == pytest.approx(0.05, abs=0.025)
    # Its reference at three times the tone moved by more than mounts differ (README of the demo).
    assert "drift.outside" in map(code_of, checks.drift_notes(summary.checks))
    assert code_of(checks.order_notes(summary.checks)[0]) == "drift.order_mixed"
