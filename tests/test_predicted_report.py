"""What a study's boards do beside what their own numbers predict: the demo, and where the bar, the
bench or a board says otherwise.

The demo shares the bar's equations: that it agrees proves the chain. `tests.benchmarks` has boards
that the bar does not describe.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studylib import figures, tables
from studylib.codes import code_of, fields_of
from studylib.report import predicted as report
from studylib.wood import prediction


@pytest.fixture(scope="module")
def made(demo_summary):
    bars = demo_summary.predicted
    return demo_summary, bars, demo_summary.parts


def on_bench(summary, **changes):
    """The study with another bench in study.toml, and what the bar then says."""
    settings = summary.study.settings
    bench = settings.bench.model_copy(update=changes)
    study = replace(summary.study, settings=settings.model_copy(update={"bench": bench}))
    model = prediction.model_of(study, summary.modes.boards)
    return study, report.predicted_of(study, model, summary.curves.levels)


def noted(notes):
    return [code_of(one) for one in notes]


def test_the_demo_is_predicted_from_its_own_numbers(made):
    summary, bars, _ = made
    about = fields_of(report.predicted_notes(bars, summary.study)[0])
    assert about["boards"] == 12
    assert 0.84 < about["covered"] < 0.99  # of the wood that is described worst
    assert about["r"] > 0.85
    assert about["left_db"] < 0.55 * about["apart_db"]
    assert len(bars.mounts) == 36
    assert bars.mounts["r"].min() > 0.93


def test_at_the_tone_the_prediction_meets_the_demos_differences(made):
    # With nothing fitted: 3.9 and 3.5 dB measured in the takes of the tone.
    _, _, parts = made
    tone = parts.table[parts.table["over"] == report.TONE].set_index(["wood_a", "wood_b", "part"])
    for pair, measured in {("larch", "robinia"): -3.9, ("larch", "cherry"): -3.5}.items():
        difference, rest = (
            tone.loc[(*pair, part), "difference_db"] for part in ("difference", "not explained")
        )
        assert difference == pytest.approx(measured, abs=0.1)
        assert abs(rest) < 0.4
        assert tone.loc[(*pair, "material"), "high_db"] < 0.0  # the woods, not how they were cut
        assert tone.loc[(*pair, "sizes"), "low_db"] < 0.0 < tone.loc[(*pair, "sizes"), "high_db"]


def test_a_place_given_wrongly_is_not_explained_away(made):
    summary, _, _ = made
    study, bars = on_bench(summary, drive_at_mm=130.0)
    parts = report.parts_of(study, bars, summary.curves, summary.comparison)
    assert bars.covered < report.COVERED
    assert noted(report.predicted_notes(bars, study))[1] == "forward.uncovered"
    assert "forward.hedged" in noted(report.parts_notes(parts, bars, study))
    table = made[2].table
    table = table.assign(low_db=table["low_db"].where(table["part"] != "not explained", -0.1))
    quiet = replace(made[2], table=table)
    assert "forward.hedged" not in noted(report.parts_notes(quiet, made[1], summary.study))


def test_what_is_more_than_chance_is_never_explained_away(made):
    summary, bars, parts = made
    table = parts.table
    rest = (table["part"] == "not explained") & (table["over"] == report.BAND)
    notes = report.parts_notes(
        replace(parts, table=table.assign(low_db=table["low_db"].mask(rest, 0.2))),
        bars, summary.study,
    )  # fmt: skip
    assert noted(notes)[-3:] == ["forward.unexplained", "forward.hedged", "forward.species"]
    assert len(fields_of(notes[-3])["pairs"]) == 3


def test_one_mount_a_board_or_vague_numbers_are_no_test(made):
    _, bars, _ = made
    once = replace(bars, mounts=bars.mounts.drop_duplicates("specimen"))
    assert once.describes == "forward.one_mount"
    wide = bars.curves.assign(low_db=bars.curves["low_db"] - 9, high_db=bars.curves["high_db"] + 9)
    assert code_of(replace(bars, curves=wide).describes) == "forward.vague"
    one = bars.curves.assign(
        inside=bars.curves["inside"] & ~bars.curves["specimen"].isin(["R1", "R2"])
    )
    assert replace(bars, curves=one).describes == "forward.uncovered"  # robinia alone
    assert bars.describes == "forward.covered"


def test_a_bench_that_cannot_be_modelled_says_so_once(made):
    summary, _, _ = made
    study, bars = on_bench(summary, drive_at_mm=None)
    parts = report.parts_of(study, bars, summary.curves, summary.comparison)
    assert noted(report.predicted_notes(bars, study)) == ["forward.no_place"]
    assert report.parts_notes(parts, bars, study) == []
    figures.predicted_figure(bars, study)
    figures.split_figure(parts)


def test_a_board_without_taps_is_named_and_the_parts_are_not_given(made):
    summary, _, _ = made
    modes = summary.modes.boards
    modes = modes[(modes["specimen"] != "R2") | (modes["support"] != "free")]
    model = prediction.model_of(summary.study, modes)
    bars = report.predicted_of(summary.study, model, summary.curves.levels)
    parts = report.parts_of(summary.study, bars, summary.curves, summary.comparison)
    notes = report.predicted_notes(bars, summary.study)
    assert list(fields_of(notes[2])["boards"]) == ["R2"]
    assert fields_of(report.parts_notes(parts, bars, summary.study)[0]) == {"boards": ["R2"]}
    model = prediction.model_of(summary.study, tables.empty("board_modes"))
    none = report.predicted_of(summary.study, model, summary.curves.levels)
    assert len(fields_of(none.reason)["boards"]) == 12


def test_a_limit_that_nothing_reaches_is_told(made):
    summary, bars, parts = made
    pair = next(iter(parts.rests))
    near = replace(parts, rests={**parts.rests, pair: (0.1, 0.0, 0.2, 0.9)})
    decide = summary.study.settings.decide.model_copy(update={"limits": {"curve.response_db": 1.0}})
    settings = summary.study.settings.model_copy(update={"decide": decide})
    study = replace(summary.study, settings=settings)
    assert noted(report.parts_notes(near, bars, study)).count("forward.rest_within") == 1
    assert "forward.rest_within" not in noted(report.parts_notes(parts, bars, study))


def test_a_batch_predicts_its_own_boards(made, demo_batch):
    study = made[0].study
    bars = report.predicted_of_batch(study, demo_batch(study, "day1"))
    assert bars.curves["specimen"].nunique() == 6
    assert np.isfinite(bars.curves["predicted_db"]).all()
    assert bars.covered > 0.75  # two boards of each wood


def test_figures_show_boards_and_parts(made):
    summary, bars, parts = made
    boards = figures.predicted_figure(bars, summary.study)
    assert [axes.get_title(loc="left") or axes.get_title() for axes in boards.axes][:2] == [
        "L1",
        "L2",
    ]
    bars_drawn = figures.split_figure(parts)
    assert len(bars_drawn.axes) == 6
    assert all(len(axes.patches) == 6 for axes in bars_drawn.axes)


@pytest.mark.parametrize("draws", [report.FEWEST, 90, prediction.DRAWS])
def test_an_interval_from_fewer_draws_holds_as_much(draws):
    """Of a uniform quantity, what lies below an end is the end itself."""
    drawn = np.random.default_rng(5).random((20_000, draws))
    low, high = np.quantile(drawn, [report.outside(draws), 1 - report.outside(draws)], axis=1)
    assert (high - low).mean() == pytest.approx(0.9405, abs=1e-3)
    assert report.outside(prediction.DRAWS) == 0.025


def test_of_many_boards_some_of_each_wood_are_drawn_and_how_many(made, monkeypatch):
    summary, bars, _ = made
    assert "drawn" not in figures.predicted_figure(bars, summary.study).get_supxlabel()
    monkeypatch.setattr("studylib.figures.curves.MOST_BOARDS", 6)
    figure = figures.predicted_figure(bars, summary.study)
    titles = [axes.get_title(loc="left") for axes in figure.axes if axes.get_visible()]
    assert titles == ["L1", "L2", "C1", "C2", "R1", "R2"]
    assert figure.get_supxlabel().endswith("6 of 12 boards are drawn")
