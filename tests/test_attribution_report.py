"""What the report says of the attribution: counts, causes, what to record; and never says."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from studylib.attribution.verdicts import clearest_specimen
from studylib.codes import code_of, fields_of, has, note
from studylib.codes.attribution import Control, StepVerdict, Verdict
from studylib.codes.features import Caution
from studylib.errors import InputError
from studylib.report import attribution as said
from studylib.report import text as report_text
from studylib.report.summary import summarise
from studylib.words import said as said_cell
from studylib.words import say
from tests.invented_tables import Invention

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="module")
def demo(demo_summary):
    return demo_summary


@pytest.fixture(scope="module")
def bare():
    """A study without a drive channel, any control or any harmonic's amplitude."""
    return summarise(*Invention().make())


def codes(notes: list[str]) -> list[str]:
    return [code_of(each) for each in notes]


def test_the_counts_are_those_of_the_table(demo):
    table = demo.attribution.table
    notes = said.attribution_sentences(demo)
    heard = (table["verdict"] != "noise").sum()
    assert notes[0] == note("attribution.heard", mounts=44, specimens=14, harmonics=heard)
    counted = {
        fields_of(each)["verdict"]: fields_of(each)["harmonics"]
        for each in notes
        if has(each, "attribution.counted_verdict")
    }
    assert counted == table.loc[table["verdict"] != "noise", "verdict"].value_counts().to_dict()
    place = note("attribution.place_harmonics", specimen="C3", mount=2, harmonics=[2, 3])
    assert notes[-1] == note("attribution.beyond_places", places=[place])
    assert say(notes[-1]) == "Beyond the driver: C3 mount 2 (harmonics 2 and 3)."


def test_mounts_without_a_usable_take_are_not_counted_as_heard(demo):
    table = demo.attribution.table.copy()
    lost = (table["specimen"] == "L1") & (table["mount"] == 1)
    table.loc[lost, "observed_db"] = float("nan")
    table.loc[lost, "verdict"] = "cannot tell"
    attribution = dataclasses.replace(demo.attribution, table=table)
    notes = said.attribution_sentences(dataclasses.replace(demo, attribution=attribution))
    assert fields_of(notes[0])["mounts"] == 43
    assert notes[1] == note("attribution.lost_mounts", mounts=1)
    attribution = dataclasses.replace(demo.attribution, table=table[lost])
    nothing = said.attribution_sentences(dataclasses.replace(demo, attribution=attribution))
    assert nothing[0] == note("attribution.no_usable_tone", mounts=1)


def test_no_sentence_credits_a_wood_or_counts_takes(demo):
    for each in [*said.attribution_sentences(demo), *said.steps_sentences(demo)]:
        assert not re.search(r"larch|cherry|robinia|\b367\b|\b108\b", say(each))
    for reason in demo.attribution.table["reason"]:
        sentence = said_cell(reason)
        assert not re.search("larch|cherry|robinia", sentence)
        assert not re.search(r"[ (]-\d", sentence)  # a real minus sign
        assert not re.search(r"  | [;,.)]|\( ", sentence)


def test_the_table_of_counts_goes_as_far_up_as_the_figure(demo):
    counts = said.counts_table(demo)
    assert counts["harmonic"].tolist() == [2, 3, 4, 5, 6]
    assert list(counts.columns) == ["harmonic", *Verdict]
    assert (counts.drop(columns="harmonic").sum(axis=1) == 44).all()


def test_what_is_beyond_the_driver_says_where_it_comes_from(demo):
    rows = said.beyond_table(demo)
    assert set(rows["specimen"]) == {"C3"}
    assert all(has(reason, "attribution.in_this_mount") for reason in rows["reason"])


def test_what_to_record_next_covers_every_open_harmonic(demo):
    wanted = said.wanted_table(demo)
    open_ones = (demo.attribution.table["verdict"] == "cannot tell").sum()
    assert wanted["harmonics it may settle"].sum() == open_ones
    assert wanted["harmonics it may settle"].is_monotonic_decreasing
    assert all(len(say(how)) > 10 for how in wanted["how"])


@pytest.mark.parametrize("control", Control)
def test_every_control_has_its_words_and_its_caution(control):
    parts = {
        part: say(note(control, part=part))
        for part in ("name", "tells", "ask", "how", "start", "care")
    }
    assert all(text for part, text in parts.items() if part != "care")
    if control in (Control.PROBE, Control.SWEEP, Control.DRIVER, Control.AIRBORNE):
        assert "harm your hearing" in parts["care"]
        assert "20 dB below full drive" in parts["start"]


def test_the_table_of_controls_says_where_each_was_recorded(demo):
    table = said.controls_table(demo.study).set_index("control")
    assert table.loc[Control.AIRBORNE, "recorded in"] == "day1 and day2"
    assert "no board loads" in say(table.loc[Control.AIRBORNE, "take care"])


def test_a_control_that_is_missing_is_named(bare):
    table = said.controls_table(bare.study).set_index("control")
    assert table.loc[Control.LOOPBACK, "recorded in"] == "no batch"
    assert table.loc[Control.REPEATS, "recorded in"] == "morning and afternoon"
    assert table.loc[Control.SENSOR, "recorded in"] == "no batch"


def test_without_a_sensor_the_report_says_what_it_can_never_show(bare):
    assert "attribution.no_sensor" in codes(said.attribution_sentences(bare))
    assert codes(said.steps_sentences(bare)) == ["attribution.no_steps"]


def test_drive_steps_name_the_mount_that_does_not_follow(demo):
    notes = said.steps_sentences(demo)
    assert notes[0] == note("attribution.stepped_mounts", mounts=6)
    steps, counts = demo.attribution.steps, fields_of(notes[1])
    assert counts["readings"] == len(steps)
    assert counts["with_driver"] == (steps["verdict"] == StepVerdict.WITH).sum()
    assert counts["not_with_driver"] == (steps["verdict"] == StepVerdict.NOT_WITH).sum()
    assert counts["open"] == (steps["verdict"] == StepVerdict.CANNOT_TELL).sum()
    place = note("attribution.place", specimen="C3", mount=2)
    assert notes[-1] == note("attribution.odd_steps", places=[place])


def test_drive_steps_of_one_specimen_stand_in_a_table_as_they_are(demo):
    table = said.steps_table(demo.attribution.steps, "C3")
    steps = demo.attribution.steps
    own = steps[(steps["specimen"] == "C3") & steps["difference_db"].notna()]
    assert list(table["difference (dB)"]) == list(own["difference_db"])
    odd = table[table["verdict"] == StepVerdict.NOT_WITH]
    assert set(odd["mount"]) == {2}
    assert not (odd["from"].abs() <= 1.5).all()
    assert said.steps_table(steps.head(0), "C3").empty


def test_the_clearest_specimen_is_the_one_with_something_beyond(demo):
    table = demo.attribution.table
    assert clearest_specimen(table) == "C3"
    assert clearest_specimen(table, "L1") == "L1"
    assert clearest_specimen(table[table["specimen"] == "R2"]) == "R2"
    assert clearest_specimen(table.head(0)) == ""
    with pytest.raises(InputError) as caught:
        clearest_specimen(table, "L11")
    assert caught.value.notes == (note("attribution.no_specimen", specimen="L11", nearest="L1"),)


def test_a_story_counts_its_verdicts(demo):
    table = demo.attribution.table
    story = fields_of(said.story_sentence(table, "C3"))
    own = table[(table["specimen"] == "C3") & (table["verdict"] != "noise")]
    assert (story["specimen"], story["harmonics"], story["mounts"]) == ("C3", len(own), 3)
    counts = note("attribution.verdict_count", verdict=Verdict.BEYOND, count=2)
    assert counts in story["counts"]
    assert "2 beyond the driver" in say(said.story_sentence(table, "C3"))
    assert len(said.story_table(table, "C3")) == len(own)
    quiet = table.assign(verdict="noise")
    expected = note("attribution.story_below_noise", specimen="C3")
    assert said.story_sentence(quiet, "C3") == expected


def test_the_design_says_how_many_harmonics_stay_open(demo):
    open_ones = (demo.attribution.table["verdict"] == "cannot tell").sum()
    assert note("summary.untold_harmonics", count=open_ones) in report_text.cannot_say(demo)


# -------------------------------------------- woods are compared on the response


def _with_primary(study, *features):
    decide = study.settings.decide.model_copy(update={"primary": features, "limits": {}})
    settings = study.settings.model_copy(update={"decide": decide, "claims": ()})
    return dataclasses.replace(study, settings=settings)


@pytest.fixture(scope="module")
def decided(demo):
    """The demo as if it had been decided on what the driver brings along."""
    features = ("tone.h3.rel_db", "tone.h5.rel_db", "tone.thd_percent")
    return summarise(_with_primary(demo.study, *features), demo.gathered)


def told(summary, feature: str) -> list[str]:
    """What is said of the three pairs of woods in one feature."""
    pairs = [each for each in report_text.take_home(summary)
             if fields_of(each)["name"] == feature]  # fmt: skip
    assert len(pairs) == 3
    return pairs


def test_a_sentence_about_woods_at_a_harmonic_is_about_the_boards_response(decided):
    notes = told(decided, "tone.h3.rel_db")
    pairs = [fields_of(each) for each in notes]
    # The very verdict of the response, not of the level.
    effects = decided.comparison.effects.query("feature == 'probe.k3.response_db'")
    for row, pair in zip(effects.itertuples(), pairs, strict=True):
        assert Caution.DRIVER in map(code_of, pair["result"]["caveats"])
        assert (pair["harmonic"], pair["response"]["exploratory"]) == (3, True)
        assert pair["response"]["amount"]["difference"] == row.difference
        assert pair["response"]["verdict"] == row.verdict
    for each in notes:
        assert "What the boards themselves pass on at 3 times the tone (exploratory" in say(each)


def test_where_only_raw_levels_exist_the_sentence_says_so(decided):
    for each in told(decided, "tone.h5.rel_db"):
        assert (fields_of(each)["harmonic"], fields_of(each)["response"]) == (5, None)
        assert "Record probe tones there" in say(each)


def test_distortion_as_a_whole_says_nothing_about_woods(decided):
    for each in told(decided, "tone.thd_percent"):
        assert Caution.DRIVER in map(code_of, fields_of(each)["result"]["caveats"])
        assert "so by itself it says nothing about the woods" in " ".join(say(each).split())


def test_tables_written_hold_the_attribution_first_as_the_design_names_it(demo):
    columns = list(demo.tables()["attribution"].columns)
    assert columns[:10] == [
        "specimen", "mount", "harmonic", "observed_db", "predicted_db", "excess_db", "low", "high",
        "verdict", "reason",
    ]  # fmt: skip
