"""The summary: what is said of a study whose truth is known, and what is written.

Outside references: SciPy's interval of a mean; the columns of the tables as the design of the
study template fixes them. All studies here are invented (tests/invented_tables.py).
"""

from __future__ import annotations

import ast
import dataclasses
import math
import re
from pathlib import Path
from types import SimpleNamespace

import matplotlib.pyplot as plt
import nbformat
import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studylib import figures, register
from studylib.codes import code_of, fields_of, has, note, several
from studylib.codes.comparison import Method
from studylib.codes.features import Caution
from studylib.report import pages, trust
from studylib.report import summary as summaries
from studylib.report import tables as report_tables
from studylib.report import text as report_text
from studylib.report.summary import summarise, write_summary
from studylib.sheets.settings import Claim
from studylib.stats import scales
from studylib.words import features, numbers, say
from tests.invented_tables import Invention
from tests.notes import holds

CLIPPED = note("takes.set_aside", checks=["clipping"])
NOTEBOOK = Path(__file__).parents[1] / "notebooks" / "summary.ipynb"
COLUMNS = {
    "quality": "take channel check value unit limit source verdict",
    "features": "id take batch kind specimen wood mount repeat feature value unit u usable reason",
    "variance": "feature level variance sd share low high df method",
    "woods_at_random": "feature woods sources spread spread_low spread_high spread_unit mean "
    "new_low new_high true_low true_high unit",
    "effects": "id feature role wood_a wood_b difference unit low high df p p_adjusted "
    "p_beyond p_within q g g_low g_high over_boards limit verdict caveats n_a n_b needed method",
    "boards": "feature specimen_a specimen_b difference unit low high",
    "budgets": "feature term u unit common basis",
    "claims": "claim feature verdict caveats reason",
    "attribution": "specimen mount harmonic observed_db predicted_db excess_db low high verdict "
    "reason unit u phase_deg route noise_db air_db air_is_limit recorder_db recorder_is_limit "
    "hum_db settle batch",
    "drive_steps": "specimen mount harmonic drive_db growth_db sensed_growth_db block_growth_db "
    "own_growth_db difference_db low high verdict",
    "harmonics": "take harmonic frequency_hz seconds response_re response_im response_u drive_re "
    "drive_im drive_u dof offset_db unit usable off_cents off_u_cents",
    "listening": "about listener file wood_a wood_b answers correct share share_low share_high p "
    "p_adjusted p_woods able able_low able_high d_prime d_prime_low d_prime_high used verdict "
    "reason",
    "modes": "take batch kind specimen wood mount repeat support tap frequency_hz frequency_u "
    "loss_factor loss_factor_u level_db level_u snr_db close usable reason place "
    "loss_factor_place_u room_decay_s room_decay_u direct_db signs content mode",
    "board_modes": "specimen wood role support mode frequency_hz frequency_u loss_factor "
    "loss_factor_u level_db n_mounts n_takes n_taps missing reason",
    "modes_near_tone": "specimen wood role harmonic frequency_hz basis mode mode_hz "
    "distance_percent distance_bandwidths gain_db gain_low gain_high lifted loss_factor loss_basis "
    "per_mm_db per_percent_db",
    "wood": "specimen wood role source quantity value unit u method note u_shared",
    "curves": "take frequency_hz level_db u_db usable reason",
    "curve_boards": "wood source frequency_hz level_db",
    "curve_differences": "wood_a wood_b frequency_hz band difference low high clear",
    "curve_tests": "woods p smallest_p labellings",
    "curve_spreads": "frequency_hz level variance",
    "predicted": "specimen wood frequency_hz measured_db predicted_db low_db high_db inside",
    "predicted_mounts": "specimen wood batch mount r left_over_db inside_percent",
    "split": "wood_a wood_b over part difference_db low_db high_db",
    "covariates": "feature covariate wood_a wood_b unit difference_without low_without "
    "high_without difference_with low_with high_with slope slope_low slope_high slope_unit df "
    "overlap p_slopes_differ n_a n_b note p_without p_with reliability within_sd covariate_unit "
    "left_out",
    "second_opinion": "feature wood_a wood_b difference unit low high se df satterthwaite_df p "
    "first_p agrees note",
    "outliers": "feature level item wood test statistic critical critical_1 verdict",
    "effects_without": "feature without wood_a wood_b unit difference low high p_adjusted verdict "
    "difference_without low_without high_without p_adjusted_without verdict_without changes",
    "reference_chart": "feature specimen batch mount number started y centre low high outside",
    "stages": "feature wood_a wood_b stage difference unit low high p p_adjusted predicted_low "
    "predicted_high outcome n_a n_b",
    "trends": "feature batch change low high df clear",
    "own_design": "feature wood_a wood_b alike own_spreads at_limit same seen unit runs",
}


def summary_of(**plan):
    return summarise(*Invention(**plan).make())


@pytest.fixture(scope="module")
def null():
    """No wood differs; the changed specimen lies 6 dB above the reference."""
    return summary_of()


@pytest.fixture(scope="module")
def different():
    """Robinia's third harmonic lies 8 dB above the others'; the boards of a wood differ little."""
    claims = (
        Claim(text="Robinia is brighter", feature="tone.h3.rel_db", higher="robinia",
              lower="larch"),
        Claim(text="Larch is brighter", feature="tone.h3.rel_db", higher="larch",
              lower="robinia"),
    )  # fmt: skip
    return summary_of(steps={"robinia": 8.0}, board_sd=0.3, claims=claims)


def notes_about(summary, feature: str) -> list[dict]:
    """The fields of the notes on the pairs of one feature."""
    pairs = [fields_of(n) for n in report_text.take_home(summary) if code_of(n) == "effects.pair"]
    return [fields for fields in pairs if fields["name"] == feature]


def has_code(notes, *codes) -> bool:
    return any(code_of(note) in codes for note in notes)


def fields_in(notes, code) -> dict:
    (found,) = [fields_of(note) for note in notes if code_of(note) == code]
    return found


def cautions_in(fields: dict) -> list[str]:
    """What the register says of a pair's feature, among its caveats."""
    return [caveat for caveat in fields["result"]["caveats"] if caveat in set(Caution)]


# ---------------------------------------------------------------- known truth


def test_a_true_difference_is_found_with_its_size_and_its_number_of_boards(different):
    rows = different.primary_effects().query("feature == 'tone.h3.rel_db' and wood_b == 'robinia'")
    assert list(rows["verdict"]) == ["beyond limit", "beyond limit"]
    assert ((rows["low"] < 8.0) & (rows["high"] > 8.0)).all()
    pair = notes_about(different, "tone.h3.rel_db")[1]
    assert (pair["wood_a"], pair["wood_b"]) == ("larch", "robinia")
    result = pair["result"]
    assert result["verdict"] == "beyond limit"
    assert result["amount"]["difference"] > 0
    assert (result["n_a"], result["n_b"], result["unit"]) == (4, 4, "board")
    assert (result["limit"], result["own_limit"]) == (1.0, True)
    said = say(report_text.take_home(different)[4])
    assert "robinia versus larch: different, +" in said
    assert "by more than the study's own limit of 1 dB" in said
    assert list(different.comparison.claims["verdict"]) == ["supported", "contradicted"]
    assert all(has(cell, Caution.DRIVER) for cell in different.comparison.claims["caveats"])


def test_without_a_difference_nothing_is_declared(null):
    assert set(null.primary_effects()["verdict"]) == {"open"}
    notes = report_text.take_home(null)
    assert {fields_of(note)["result"]["verdict"] for note in notes} == {"open"}
    assert all(": open, " in say(note) for note in notes)


@pytest.mark.parametrize("plan", [{}, {"steps": {"robinia": 8.0}, "board_sd": 0.3}])
def test_takes_are_never_counted_as_boards(plan):
    # 4 boards x 3 mounts x 3 takes: 36 takes a wood, which no sentence may call anything else.
    said = [say(note) for note in report_text.take_home(summary_of(**plan))]
    assert said
    for sentence in said:
        assert "4 and 4 boards" in sentence
        assert not re.search(r"(?<![.\d])(9|12|36)(?![.\d])", sentence)


def test_a_harmonic_is_never_credited_to_the_board(different):
    for fields in notes_about(different, "tone.h3.rel_db"):
        assert Caution.DRIVER in fields["result"]["caveats"]
        assert (fields["harmonic"], fields["response"]) == (3, None)
    for each in report_text.take_home(different)[3:]:
        assert "says nothing about the woods" in say(each)
        assert "Record probe tones there" in say(each)
    for fields in notes_about(different, "tone.h1.level_db"):
        assert Caution.DRIVER not in fields["result"]["caveats"]
    assert has_code(report_text.cannot_say(different), "summary.whose_harmonic")


def test_a_level_is_not_credited_to_the_board_alone(different):
    # The driver gives more to a board that resists less, which a level does not show.
    for fields in notes_about(different, "tone.h1.level_db"):
        assert cautions_in(fields) == [Caution.DRIVE_LEVEL]
        assert "caveats.not_sensed" in fields["result"]["caveats"]
    level = fields_in(report_text.cannot_say(different), "summary.level_or_drive")
    assert level == {"sensed": False}
    study, gathered = Invention(primary=("tone.band4000.rel_db", "tone.h1.response_db")).make()
    names = {"tone.h3.rel_db": "tone.band4000.rel_db", "tone.h2.rel_db": "tone.h1.response_db"}
    gathered.features["feature"] = gathered.features["feature"].replace(names)
    summary = summarise(study, gathered)
    for fields in notes_about(summary, "tone.band4000.rel_db"):
        assert cautions_in(fields) == [Caution.NOISE]
    responses = notes_about(summary, "tone.h1.response_db")
    assert len(responses) == 3
    assert not any(cautions_in(fields) for fields in responses)
    notes = report_text.cannot_say(summary)
    assert fields_in(notes, "summary.level_or_drive") == {"sensed": True}
    assert has_code(notes, "summary.whose_noise")


@pytest.mark.parametrize(
    ("feature", "holds"),
    [("tone.h1.level_db", False), ("tone.h2.level_db", True), ("tone.h3.rel_db", True),
     ("tone.h10.rel_db", True), ("tone.h19.level_db", True), ("tone.thd_percent", True),
     ("tone.centroid_hz", True), ("probe.k3.response_db", False), ("tap.m1.decay_time_s", False),
     ("tone.h3.response_db", False)],
)  # fmt: skip
def test_which_features_hold_the_drivers_distortion(feature, holds):
    assert register.find(feature).driver is holds


def test_boards_of_one_plank_are_called_sources(null):
    study, gathered = Invention().make()
    planks = [
        specimen.model_copy(
            update={
                "source": f"{specimen.wood}-plank-{(int(specimen.specimen[-1]) + 1) // 2}",
                "source_assumed": False,
            }
        )
        if not specimen.role
        else specimen
        for specimen in study.specimens
    ]
    summary = summarise(dataclasses.replace(study, specimens=tuple(planks)), gathered)
    assert all("2 and 2 sources" in say(n) for n in report_text.take_home(summary))
    assert fields_of(report_text.how_to_read(summary)[0]) == {"unit": "source"}
    assert null.unit == "board"
    assert "Each board counts once" in say(report_text.how_to_read(null)[0])


def test_one_wood_is_measured_but_not_compared():
    said = report_text.take_home(summary_of(woods=("larch",)))
    assert said == ["effects.one_wood"]


def test_one_source_a_wood_says_nothing_about_woods():
    summary = summary_of(boards=1)
    assert set(summary.primary_effects()["verdict"]) == {"boards only"}
    said = [say(note) for note in report_text.take_home(summary)]
    assert all("nothing is said about woods" in s for s in said)
    assert all(s.endswith("Named boards are compared in tables/boards.csv.") for s in said)
    assert not any(re.search(r"\d dB", s) for s in said)


def test_a_study_of_which_no_take_is_usable_says_so_and_no_more():
    study, gathered = Invention().make()
    gathered.features["usable"] = False
    gathered.features["reason"] = CLIPPED
    summary = summarise(study, gathered)
    for each in report_text.take_home(summary):
        assert fields_of(each)["result"]["verdict"] == "boards only"
        assert say(each).endswith("fewer than 2 boards with usable takes.")
    assert not has_code(report_text.cannot_say(summary), "comparison.not_measured")
    assert report_text.confounding(summary) == []


def test_the_positive_control_in_words(null):
    first, large = report_text.positive_control(null)
    assert holds(first, "control.seen", name="tone.h1.level_db", limit=None, reason="")
    assert "without a limit, nothing can be called the same" in say(first)
    # 6 dB say nothing about 1 dB, and the page says how large they were.
    assert holds(large, "control.seen", name="tone.h3.rel_db", limit=1.0)
    assert code_of(fields_of(large)["reason"]) == "control.too_large"
    assert say(large).startswith(
        'Not for "same" on the level of harmonic 3 relative to the fundamental: detected, but'
    )
    assert re.search(
        r"ref-plus-7g minus ref: \+6\.\d dB \(.+ dB\); the limit is 1 dB\.$", say(large)
    )
    blind = report_text.positive_control(summary_of(change=0.0, board_sd=0.1))
    assert has_code(blind, "control.missed")
    assert not has_code(blind, "control.seen")
    missing = report_text.positive_control(summary_of(control=False))
    assert missing == [note("control.unknown", reason="control.no_reference")]
    # A difference without an interval shows nothing, neither that it was seen nor that it was not.
    once = report_text.positive_control(summary_of(mounts=1))
    assert once == [note("control.unknown", reason="control.no_mounts")]


def test_the_positive_control_names_the_features_it_does_not_know():
    study, gathered = Invention().make()
    lost = gathered.features["specimen"].eq("ref") & gathered.features["feature"].eq(
        "tone.h3.rel_db"
    )
    gathered.features.loc[lost, ["usable", "reason"]] = [
        False,
        note("takes.set_aside", checks=["hum"]),
    ]
    seen, unknown = report_text.positive_control(summarise(study, gathered))
    assert holds(seen, "control.seen", name="tone.h1.level_db", reason="")
    assert holds(
        unknown, "control.unknown_on", feature="tone.h3.rel_db", reason="control.not_measured"
    )


@pytest.mark.parametrize("count", [1, 2, 3, 6])
def test_a_wood_at_random_stands_in_the_report_from_six_woods_on(count):
    woods = ("larch", "cherry", "robinia", "oak", "ash", "elm")[:count]
    summary = summary_of(woods=woods, boards=3, takes=1)
    body, appendix = (trust.wood_at_random(summary, few=few) for few in (False, True))
    if count == 1:
        assert body == appendix == []
        return
    head, *rows = body or appendix
    assert not (body and appendix)
    assert bool(body) == (count == 6)
    assert [fields_of(row)["feature"] for row in rows] == list(summary.primary)
    assert all(fields_of(row)["woods"] == count for row in rows)
    started = {2: "Two woods cannot", 3: "Three woods cannot", 6: "With 6 woods, something can"}
    assert say(head).startswith(started[count])
    assert "chosen, not drawn" in say(head)
    assert "woods_at_random" in summary.tables()


def test_same_is_said_only_with_a_bench_that_notices_a_change():
    plan = {"board_sd": 0.1, "mount_sd": 0.1, "take_sd": 0.1, "limits": {"tone.h3.rel_db": 3.0}}
    plan["change"] = 2.0
    seen = summary_of(**plan)
    results = [fields["result"] for fields in notes_about(seen, "tone.h3.rel_db")]
    assert {(r["verdict"], r["limit"], r["own_limit"]) for r in results} == {("same", 3.0, True)}
    assert "the same within the study's own limit of 3 dB" in say(report_text.take_home(seen)[-1])
    unseen = summary_of(**plan, control=False)
    results = [fields["result"] for fields in notes_about(unseen, "tone.h3.rel_db")]
    assert {(r["verdict"], r["not_earned"]) for r in results} == {("open", True)}
    assert "not called the same" in say(report_text.take_home(unseen)[-1])


# ---------------------------------------------------------------- tables


def test_reading_tables_have_a_row_for_each_pair_level_and_batch(null):
    effects = report_tables.effects_table(null)
    assert len(effects) == 6
    assert effects["pair"][0] == "cherry minus larch"
    assert list(effects["sources"].unique()) == ["4 and 4"]
    assert "q" not in effects
    exploratory = report_tables.exploratory_table(null)
    assert set(exploratory["feature"]) == {"tone.h2.rel_db", "tone.thd_percent"}
    assert not {"p adjusted", "verdict"} & set(exploratory)
    assert set(report_tables.variance_table(null)["level"]) >= {"wood", "mount", "take"}
    batches = report_tables.batch_by_wood(null)
    assert sorted(batches["batch"]) == ["afternoon", "morning"]
    assert (batches[["larch", "cherry", "robinia"]] == 2).all(axis=None)
    assert report_tables.limits_table(null)["limit"].tolist() == ["none", "−1 to 1 dB"]
    assert len(report_tables.precision_table(null)) == 2
    assert len(report_tables.positive_control_table(null)) == 2
    assert len(report_tables.coverage_table(null)) == 6


def test_shares_of_variance_add_up_and_spreads_come_back_as_they_were_put_in():
    # 12 boards x 3 mounts x 3 takes a wood: the take's SD of 0.5 dB has 216 degrees of freedom,
    # so its estimate lies within 4 standard errors, 0.5 (1 +- 4 / sqrt(2 * 216)).
    summary = summary_of(boards=12, primary=("tone.h1.level_db",), limits={})
    table = summary.of_primary(summary.comparison.variance).set_index("level")
    assert table["share"].sum() == pytest.approx(1.0)
    assert table.loc["take", "sd"] == pytest.approx(0.5, abs=0.5 * 4 / math.sqrt(2 * 216))
    assert table.loc["take", "low"] < 0.5**2 < table.loc["take", "high"]


def test_means_of_woods_are_those_of_their_boards_with_scipys_interval(null):
    for feature, log in (("tone.h3.rel_db", False), ("tone.thd_percent", True)):
        table = null.means(feature).means.set_index("wood")
        boards = null.means(feature).boards
        for wood in null.woods:
            values = boards.loc[boards["wood"] == wood, "value"].to_numpy()
            y = np.log(values) if log else values
            expected = stats.ttest_1samp(y, 0.0).confidence_interval(0.95)
            ends = [y.mean(), expected.low, expected.high]
            assert list(table.loc[wood, ["mean", "low", "high"]]) == pytest.approx(
                np.exp(ends) if log else ends
            )
            assert table.loc[wood, "n"] == 4


def test_board_means_are_means_of_mount_means_of_takes(null):
    features = null.gathered.features
    rows = features[(features["feature"] == "tone.h3.rel_db") & (features["specimen"] == "larch-2")]
    expected = rows.groupby("mount")["value"].mean().mean()
    boards = null.means("tone.h3.rel_db").boards.set_index("specimen")["value"]
    assert boards["larch-2"] == pytest.approx(expected)
    assert "ref" not in boards.index
    assert list(boards.index[:4]) == ["larch-1", "larch-2", "larch-3", "larch-4"]


def test_a_ratio_reaches_less_far_down_than_up():
    summary = summary_of(
        primary=("tone.thd_percent",), limits={"tone.thd_percent": 1.25}, boards=2, mounts=2
    )
    known = register.find("tone.thd_percent")
    assert scales.limit_band(1.25, known) == pytest.approx((-20.0, 25.0))
    assert scales.reported_limit_band(25.0, known) == pytest.approx((-20.0, 25.0))
    assert report_tables.limits_table(summary)["limit"].tolist() == ["−20 to 25 %"]


def test_takes_set_aside_are_listed_with_reason_and_counted_by_wood():
    study, gathered = Invention().make()
    quality, features = gathered.quality, gathered.features
    whole = quality["take"].eq("cherry-1-m1-t1") & quality["check"].eq("take")
    quality.loc[whole, ["verdict", "source"]] = ["fail", CLIPPED]
    features.loc[features["take"].eq("cherry-1-m1-t1"), ["usable", "reason"]] = [
        False, CLIPPED,
    ]  # fmt: skip
    excluded = next(t for t in study.takes if t.take == "robinia-2-m3-t1")
    excluded.exclude, excluded.reason = True, "door slammed"
    summary = summarise(study, gathered)
    table = report_tables.set_aside_table(summary)
    assert table[["take", "wood", "reason"]].to_numpy().tolist() == [
        ["cherry-1-m1-t1", "cherry", CLIPPED],
        ["robinia-2-m3-t1", "robinia", note("takes.excluded", reason="door slammed")],
    ]
    counts = report_tables.set_aside_counts(summary).set_index("wood")
    assert counts["set aside"].to_dict() == {"larch": 0, "cherry": 1, "robinia": 1}
    assert counts.loc["larch", "takes"] == 36  # the reference is of larch, but not one of them
    assert report_text.set_aside(summary) == [note("summary.set_aside", count=2, takes=126)]


def test_checks_are_counted_by_take_and_by_the_worst_of_its_channels():
    study, gathered = Invention(boards=2, mounts=2).make()
    quality = gathered.quality
    first = quality["take"] == quality["take"].iloc[0]
    hum = quality["check"] == "hum"
    second = [
        quality[first & hum].assign(channel=channel, verdict=verdict)
        for channel, verdict in (("drive", "fail"), ("other", "warn"))
    ]
    summary = summarise(study, dataclasses.replace(gathered, quality=pd.concat([quality, *second])))
    table = report_tables.checks_table(summary).set_index("check")
    takes = quality["take"].nunique()
    assert table.loc["hum"].to_list() == [takes, takes - 1, 0, 1]
    assert table.loc["clipping"].to_list() == [takes, takes, 0, 0]
    assert "take" not in table.index


def test_takes_of_a_batch_that_failed_are_not_counted_as_measured():
    study, gathered = Invention(boards=2, mounts=2).make()
    gone = gathered.features["batch"] == "morning"
    gathered = dataclasses.replace(
        gathered, features=gathered.features[~gone], failed={"morning": "no recordings."}
    )
    summary = summarise(study, gathered)
    counts = report_tables.set_aside_counts(summary)
    assert list(counts.columns) == ["wood", "takes", "fit for use", "set aside"]
    assert counts.iloc[:, 1:].to_numpy().tolist() == [[6, 6, 0]] * 3  # one board each is left
    assert report_text.set_aside(summary) == [note("summary.none_set_aside", takes=18)]
    measured = fields_of(report_text.question(summary)[1])
    assert (measured["boards"], measured["batches"], measured["takes"]) == (3, 1, 18)
    assert report_text.confounding(summary) == ["summary.one_batch"]


# ---------------------------------------------------------------- what cannot be said


def test_gaps_of_the_design_are_named(null):
    notes = report_text.cannot_say(null)
    for code in ("summary.not_heard", "summary.not_calibrated", "summary.untold_harmonics"):
        assert has_code(notes, code), code
    assert len(notes) == len(set(notes))


def test_features_below_the_noise_are_named_in_one_short_sentence():
    study, gathered = Invention().make()
    quiet = gathered.features["feature"].eq("tone.h2.rel_db")
    gathered.features.loc[quiet, ["usable", "reason"]] = [False, "takes.below_noise"]
    summary = summarise(study, gathered)
    (named,) = [n for n in report_text.cannot_say(summary) if "tone.h2.rel_db" in n]
    assert named == note("summary.not_compared", features=["tone.h2.rel_db"], share=0.05)


def test_methods_are_named_once_for_all_the_features_that_share_one(null):
    method = several([Method.WELCH, Method.BLOCKED])
    both = ["tone.h1.level_db", "tone.h3.rel_db"]
    assert report_text.methods(null) == [note("effects.methods", features=both, method=method)]
    assert say(report_text.methods(null)[0]).endswith("of sources; batch as a block.")


def test_kinds_that_are_not_analysed_read_not_measured_yet(null):
    study, gathered = null.study, null.gathered
    pluck = SimpleNamespace(**{**vars(study.takes[0]), "take": "pluck-1", "kind": "pluck"})
    sweep = SimpleNamespace(**{**vars(study.takes[0]), "take": "sweep-1", "kind": "sweep"})
    more = dataclasses.replace(study, takes=(*study.takes, pluck, sweep))
    notes = report_text.cannot_say(dataclasses.replace(null, study=more, gathered=gathered))
    assert notes[-2:] == ["summary.plucks", "summary.sweeps"]
    assert "not measured yet" in say(notes[-2])
    assert not has_code(report_text.cannot_say(null), "summary.plucks", "summary.sweeps")


def test_an_accelerometer_is_never_called_loud():
    notes = report_text.cannot_say(summary_of(kind="accelerometer"))
    assert not has_code(notes, "summary.not_calibrated", "summary.loud_elsewhere")
    assert has_code(notes, "comparison.not_heard")


def test_failed_batches_and_warnings_are_passed_on(null):
    gathered = SimpleNamespace(**{**vars(null.gathered), "failed": {"evening": "no recordings."}})
    summary = dataclasses.replace(null, gathered=gathered)
    assert report_text.failed_batches(summary) == [
        note("summary.failed_batch", batch="evening", why="no recordings.")
    ]
    assert report_text.failed_batches(null) == []


def test_batches_are_said_to_be_taken_out_only_where_they_are():
    study, gathered = Invention(batches=("morning", "afternoon")).make()
    crossed = report_text.confounding(summarise(study, gathered))
    both = ["tone.h1.level_db", "tone.h3.rel_db"]
    assert crossed == [note("summary.blocked", features=both)]
    features = gathered.features
    lost = (
        features["feature"].eq("tone.h3.rel_db")
        & features["wood"].eq("robinia")
        & features["batch"].eq("morning")
    )
    gathered = dataclasses.replace(gathered, features=features[~lost])
    assert report_text.confounding(summarise(study, gathered)) == [
        note("summary.blocked", features=both[:1]), note("summary.confounded", features=both[1:]),
    ]  # fmt: skip


def test_when_a_claim_was_written_down_is_left_to_whoever_wrote_it(different):
    assert has_code(report_text.cannot_say(different), "summary.before_recording")
    assert "only whoever wrote them can say" in say("summary.before_recording")


def test_wood_and_batch_confounded_is_said():
    study, gathered = Invention(batches=("morning",)).make()
    gathered.features.loc[gathered.features["wood"] == "robinia", "batch"] = "afternoon"
    moved = dataclasses.replace(study, batches=("morning", "afternoon"))
    assert (
        code_of(report_text.confounding(summarise(moved, gathered))[0]) == "comparison.confounded"
    )


def test_a_primary_feature_that_no_take_gave_reads_not_measured_yet():
    summary = summary_of(primary=("tone.h3.rel_db", "tap.m1.decay_time_s"), boards=2, mounts=2)
    assert summary.measured == ("tone.h3.rel_db",)
    last = report_text.take_home(summary)[-1]
    assert last == note("effects.not_measured", name="tap.m1.decay_time_s")
    assert say(last) == "Decay time of mode 1 to −60 dB: not measured yet."
    assert "boards_tap.m1.decay_time_s" not in summary.drawings
    assert len(summary.board_figures()) == 1
    missing = figures.boards_figure(summary.means("tap.m1.decay_time_s"))
    assert "not measured yet" in missing.texts[0].get_text()
    plt.close("all")


# ---------------------------------------------------------------- numbers in words


@pytest.mark.parametrize(
    ("value", "low", "high", "text"),
    [(1.2345, 0.2, 2.3, "+1.2"), (-0.04, -0.21, 0.13, "−0.04"), (12.3, -3.0, 30.0, "+12"),
     (-0.001, -1.0, 1.0, "0.0"), (1.5, math.nan, math.nan, "+1.50"), (math.nan, 0, 1, "–")],
)  # fmt: skip
def test_differences_are_rounded_as_their_interval_allows(value, low, high, text):
    assert numbers.signed(value, low, high) == text


def test_frequencies_are_also_told_in_cents():
    row = SimpleNamespace(
        feature="tone.centroid_hz", difference=100.0, low=50.0, high=160.0, unit="%"
    )
    assert report_tables.amount(row) == "+100 % (+1200 cents)"  # an octave
    row.low = -100.0  # no bound below
    assert report_tables.amount(row).startswith("+100 % (+1200")
    row.feature = "tone.thd_percent"
    assert report_tables.amount(row) == "+100 %"
    gone = SimpleNamespace(feature="tone.centroid_hz", difference=math.nan, low=math.nan,
                           high=math.nan, unit="%")  # fmt: skip
    assert report_tables.amount(gone) == "– %"


def test_other_numbers_in_words():
    assert numbers.rounded(0.012345) == "0.0123"
    assert numbers.rounded(-1234.5) == "−1230"
    assert numbers.rounded(0.0) == "0"
    assert numbers.between(-0.41, 2.1, "dB") == "−0.4 to 2.1 dB"
    assert numbers.between(-0.01, math.inf, "") == "above −0.01"
    assert numbers.between(math.nan, math.nan, "dB") == "–"
    assert numbers.counted(1, "take") == "1 take"
    assert numbers.counted(2, "batch", "batches") == "2 batches"


# ---------------------------------------------------------------- files


def test_every_table_and_figure_is_written(tmp_path, monkeypatch):
    summary = summary_of(boards=2, mounts=2, takes=2, primary=("tone.h3.rel_db",))
    first, second = tmp_path / "a", tmp_path / "b"
    asked = [summary.figure("variance"), *summary.board_figures()]
    assert asked == [figure for figure, _ in summary.shown.values()]
    summary.write(first)
    assert list(summary.shown) == ["variance", "boards_tone.h3.rel_db"]
    assert (first / "tables" / "datapackage.json").is_file()
    tables = {p.stem: pd.read_csv(p) for p in (first / "tables").glob("*.csv")}
    written = {
        name: " ".join(c for c in table.columns if not c.endswith("_code"))
        for name, table in tables.items()
    }
    assert written == COLUMNS
    assert list(tables["effects"].columns[-2:]) == ["method", "method_code"]
    drawn = sorted(p.name for p in (first / "figures").iterdir())
    assert len(drawn) == 3 * len(summary.drawings)
    assert {"effects.png", "effects.svg", "effects_16x9.png", "boards_tone.h3.rel_db.png"} <= set(
        drawn
    )
    assert not plt.get_fignums()
    assert sorted(p.name for p in first.iterdir()) == ["figures", "tables"]
    # Written again, from rows in another order: the same bytes. (Figures: tests/test_figures.py.)
    monkeypatch.setattr(summaries.figures, "save_sizes", lambda *_: None)
    study, gathered = Invention(boards=2, mounts=2, takes=2, primary=("tone.h3.rel_db",)).make()
    other = gathered.features.sample(frac=1, random_state=1)
    shuffled = summarise(study, dataclasses.replace(gathered, features=other))
    dataclasses.replace(shuffled, gathered=summary.gathered).write(second)
    for path in (first / "tables").iterdir():
        assert path.read_bytes() == (second / "tables" / path.name).read_bytes(), path.name


def test_a_failure_leaves_the_old_tables_whole_and_nothing_beside_them(
    tmp_path, monkeypatch, different
):
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "old.csv").write_text("kept", encoding="utf-8")

    def fails(*_):
        raise OSError("disk full")

    monkeypatch.setattr(summaries.figures, "save_sizes", fails)
    with pytest.raises(OSError, match="disk full"):
        different.write(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["tables"]
    assert (tmp_path / "tables" / "old.csv").read_text(encoding="utf-8") == "kept"


def test_without_an_output_folder_nothing_is_written(null, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    assert write_summary(null, "") == "summary.not_written"
    assert list(tmp_path.iterdir()) == []


def test_markup_in_the_sheets_is_shown_as_text():
    summary = summary_of(woods=("<script>alert(1)</script>", "cherry"), boards=2, mounts=2)
    shown = pages.table(report_tables.effects_table(summary))._repr_html_()
    said = pages.sentences(report_text.take_home(summary))._repr_html_()
    for page in (shown, said):
        assert "<script>" not in page
        assert "&lt;script&gt;" in page


# ---------------------------------------------------------------- the notebook


@pytest.fixture(scope="module")
def notebook():
    return nbformat.read(NOTEBOOK, as_version=4)


def test_notebook_cells_are_short_and_begin_with_imports_and_parameters(notebook):
    code = [c for c in notebook.cells if c.cell_type == "code"]
    assert all(len(c.source.splitlines()) <= 9 for c in code[1:])
    assert {type(node) for node in ast.parse(code[0].source).body} <= {ast.Import, ast.ImportFrom}
    # papermill writes its values behind the one cell that is tagged for them.
    assert ["parameters" in c.metadata.get("tags", []) for c in code].index(True) == 1
    assert sum("parameters" in c.metadata.get("tags", []) for c in code) == 1
    lines = ast.parse(code[1].source).body
    declared = {line.target.id: ast.literal_eval(line.value) for line in lines}
    assert declared == {"folder": "../data_demo", "parts": "", "output": ""}
    assert code[-1].source == "pages.sentences([write_summary(summary, output, write_film)])"


def test_notebook_only_calls_the_library(notebook):
    allowed = (ast.Module, ast.Expr, ast.Call, ast.Name, ast.Load, ast.Store, ast.Attribute,
               ast.Constant, ast.keyword, ast.Starred, ast.Assign, ast.AnnAssign, ast.Import,
               ast.ImportFrom, ast.alias, ast.List)  # fmt: skip
    for cell in notebook.cells:
        if cell.cell_type == "code":
            for node in ast.walk(ast.parse(cell.source)):
                assert isinstance(node, allowed), f"{type(node).__name__} in: {cell.source}"


def test_notebook_carries_the_outputs_of_a_clean_run(notebook):
    code = [c for c in notebook.cells if c.cell_type == "code"]
    assert [c.execution_count for c in code] == list(range(1, len(code) + 1))
    outputs = [output for c in code for output in c.outputs]
    assert {o.output_type for o in outputs} <= {"execute_result", "display_data"}
    assert sum("image/png" in o.get("data", {}) for o in outputs) >= 8


def test_features_of_one_kind_are_named_together():
    names = [f"tone.h{k}.rel_db" for k in (2, 6, 7, 8, 10, 11)] + ["tone.band31.5.rel_db", "own.x"]
    assert features([*names, "tone.h1.response_db"]) == [
        "level of harmonic 2, 6 to 8, 10 and 11 relative to the fundamental",
        "level of the 31.5 Hz octave band without the harmonics, relative to the fundamental",
        "own.x",
        "response at the tone itself relative to the drive channel",
    ]
