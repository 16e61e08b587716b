"""What the report says of the attribution: counts, causes, what to record; and never says."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from studylib.attribution.advice import CONTROLS
from studylib.codes import fields_of, note
from studylib.codes.features import Caution
from studylib.errors import InputError
from studylib.report import attribution as said
from studylib.report import text as report_text
from studylib.report.summary import summarise
from studylib.words import say
from tests.invented_tables import Invention

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="module")
def demo(measured_demo):
    return summarise(*measured_demo)


@pytest.fixture(scope="module")
def bare():
    """A study without a drive channel, any control or any harmonic's amplitude."""
    return summarise(*Invention().make())


def test_the_counts_are_those_of_the_table(demo):
    table = demo.attribution.table
    sentences = said.attribution_sentences(demo)
    heard = (table["verdict"] != "noise").sum()
    assert sentences[0].startswith("In 44 mounts of 14 specimens, ")
    assert sentences[0].endswith(f"narrow bin: {heard}.")
    assert sentences[1].endswith(f"within 1.5 dB: {(table['verdict'] == 'driver').sum()}.")
    assert sentences[-1] == "Beyond the driver: C3 mount 2 (harmonics 2 and 3)."


def test_mounts_without_a_usable_take_are_not_counted_as_heard(demo):
    table = demo.attribution.table.copy()
    lost = (table["specimen"] == "L1") & (table["mount"] == 1)
    table.loc[lost, "observed_db"] = float("nan")
    table.loc[lost, "verdict"] = "cannot tell"
    attribution = dataclasses.replace(demo.attribution, table=table)
    sentences = said.attribution_sentences(dataclasses.replace(demo, attribution=attribution))
    assert sentences[0].startswith("In 43 mounts of 14 specimens")
    assert sentences[1] == "1 more mount has no usable take of the tone."
    attribution = dataclasses.replace(demo.attribution, table=table[lost])
    nothing = said.attribution_sentences(dataclasses.replace(demo, attribution=attribution))
    assert nothing[0] == "No take of the tone is fit for use in any of 1 mount."


def test_no_sentence_credits_a_wood_or_counts_takes(demo):
    for sentence in [*said.attribution_sentences(demo), *said.steps_sentences(demo)]:
        assert not re.search(r"larch|cherry|robinia|\b367\b|\b108\b", sentence)
    reasons = demo.attribution.table["reason"]
    assert not reasons.str.contains("larch|cherry|robinia").any()
    assert not reasons.str.contains(r"[ (]-\d").any()  # a real minus sign


def test_the_table_of_counts_goes_as_far_up_as_the_figure(demo):
    counts = said.counts_table(demo)
    assert counts["harmonic"].tolist() == [2, 3, 4, 5, 6]
    assert (counts.drop(columns="harmonic").sum(axis=1) == 44).all()


def test_what_is_beyond_the_driver_says_where_it_comes_from(demo):
    rows = said.beyond_table(demo)
    assert set(rows["specimen"]) == {"C3"}
    assert rows["reason"].str.contains("loose contact").all()


def test_what_to_record_next_covers_every_open_harmonic(demo):
    wanted = said.wanted_table(demo)
    open_ones = (demo.attribution.table["verdict"] == "cannot tell").sum()
    assert wanted["harmonics it may settle"].sum() == open_ones
    assert wanted["harmonics it may settle"].is_monotonic_decreasing
    assert (wanted["how"].str.len() > 10).all()


def test_every_control_that_is_loud_carries_its_caution(demo):
    for control in CONTROLS.values():
        if control.name in ("probe tone", "sweep", "driver on the block", "driver in the air"):
            assert "harm hearing" in control.care
            assert "20 dB below full drive" in control.start
    table = said.controls_table(demo.study).set_index("control")
    assert table.loc["driver in the air", "recorded in"] == "day1 and day2"
    assert "not loaded" in table.loc["driver in the air", "take care"]


def test_a_control_that_is_missing_is_named(bare):
    table = said.controls_table(bare.study).set_index("control")
    assert table.loc["recorder into itself", "recorded in"] == "no batch"
    assert table.loc["repeat takes", "recorded in"] == "morning and afternoon"
    assert table.loc["motion channel", "recorded in"] == "no batch"


def test_without_a_sensor_the_report_says_what_it_can_never_show(bare):
    assert any("can never show that anything is beyond" in s
               for s in said.attribution_sentences(bare))  # fmt: skip
    assert said.steps_sentences(bare)[0].startswith("No mount has drive steps. Not tested: record")


def test_drive_steps_name_the_mount_that_does_not_follow(demo):
    sentences = said.steps_sentences(demo)
    assert sentences[0].startswith("Recorded at lower drive as well: 6 mounts.")
    assert sentences[-1].startswith("Not as the driver: C3 mount 2.")


def test_the_telling_specimen_is_the_one_with_something_beyond(demo):
    table = demo.attribution.table
    assert said.telling_specimen(table) == "C3"
    assert said.telling_specimen(table, "L1") == "L1"
    assert said.telling_specimen(table[table["specimen"] == "R2"]) == "R2"
    assert said.telling_specimen(table.head(0)) == ""
    with pytest.raises(InputError, match=r'no take of the tone of "L11".*"L1"'):
        said.telling_specimen(table, "L11")


def test_a_story_counts_its_verdicts(demo):
    table = demo.attribution.table
    sentence = said.story_sentence(table, "C3")
    own = table[(table["specimen"] == "C3") & (table["verdict"] != "noise")]
    assert sentence.startswith(f"C3: {len(own)} harmonics above the noise in 3 mounts: ")
    assert "2 beyond the driver" in sentence
    assert len(said.story_table(table, "C3")) == len(own)


def test_the_design_says_how_many_harmonics_stay_open(demo):
    open_ones = (demo.attribution.table["verdict"] == "cannot tell").sum()
    assert note("summary.untold_harmonics", count=open_ones) in report_text.cannot_say(demo)


# -------------------------------------------- woods are compared on the response


def _with_primary(study, *features):
    decide = study.settings.decide.model_copy(update={"primary": features, "limits": {}})
    settings = study.settings.model_copy(update={"decide": decide, "claims": ()})
    return dataclasses.replace(study, settings=settings)


def test_a_sentence_about_woods_at_a_harmonic_is_about_the_boards_response(demo):
    summary = summarise(_with_primary(demo.study, "tone.h3.rel_db"), demo.gathered)
    pairs = [fields_of(each) for each in report_text.take_home(summary)]
    assert len(pairs) == 3
    # The very verdict of the response, not of the level.
    effects = summary.comparison.effects.query("feature == 'probe.k3.response_db'")
    for row, pair in zip(effects.itertuples(), pairs, strict=True):
        assert Caution.DRIVER in pair["cautions"]
        assert (pair["harmonic"], pair["response"]["exploratory"]) == (3, True)
        assert pair["response"]["amount"]["difference"] == row.difference
        assert pair["response"]["verdict"] == row.verdict
    for each in report_text.take_home(summary):
        assert "What the boards themselves pass on at 3 times the tone (exploratory" in say(each)


def test_where_only_raw_levels_exist_the_sentence_says_so(demo):
    summary = summarise(_with_primary(demo.study, "tone.h5.rel_db"), demo.gathered)
    for each in report_text.take_home(summary):
        assert (fields_of(each)["harmonic"], fields_of(each)["response"]) == (5, None)
        assert "record probe tones there" in say(each)


def test_distortion_as_a_whole_says_nothing_about_woods(demo):
    summary = summarise(_with_primary(demo.study, "tone.thd_percent"), demo.gathered)
    for each in report_text.take_home(summary):
        assert fields_of(each)["cautions"] == [Caution.DRIVER]
        assert say(each).endswith("so by itself it says nothing about the woods.")


def test_tables_written_hold_the_attribution_first_as_the_design_names_it(demo):
    columns = list(demo.tables()["attribution"].columns)
    assert columns[:10] == [
        "specimen", "mount", "harmonic", "observed_db", "predicted_db", "excess_db", "low", "high",
        "verdict", "reason",
    ]  # fmt: skip
