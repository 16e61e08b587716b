"""What `study check` says: the takes that are not fit for use, why, and what to do."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studylib.codes import code_of, fields_of, note
from studylib.report.at_the_bench import (
    bench_warnings,
    failed_checks,
    fitness,
    repeats_apart,
)
from studylib.signal.quality import CHECKS
from studylib.words import say

COLUMNS = ["take", "channel", "check", "value", "unit", "limit", "source", "verdict"]


def quality(*rows: tuple, **verdicts: str) -> pd.DataFrame:
    """Rows (take, channel, check, value, limit, verdict), and a verdict for each take."""
    checks = [
        (take, channel, check, value, CHECKS[check].unit, limit, "why it is so", verdict)
        for take, channel, check, value, limit, verdict in rows
    ]
    takes = [(t, "", "take", np.nan, "", None, "", verdict) for t, verdict in verdicts.items()]
    return pd.DataFrame(checks + takes, columns=COLUMNS)


def study(*names: str, excluded: tuple[str, ...] = ()) -> SimpleNamespace:
    takes = [
        SimpleNamespace(take=t, row=n, file=f"recordings/{t}.wav", exclude=t in excluded)
        for n, t in enumerate(names, start=2)
    ]
    return SimpleNamespace(takes=takes)


def test_a_failed_take_comes_with_its_row_the_worst_of_each_channel_and_what_to_do():
    rows = quality(
        ("b", "response", "steady", 11.06, 1.0, "fail"),
        ("b", "drive", "steady", 2.316, 1.0, "fail"),
        ("b", "drive", "drift_ppm", 700.0, 500.0, "fail"),
        ("b", "drive", "click", 26.0, 15.0, "warn"),
        a="pass",
        b="fail",
    )
    lines, failed = fitness(study("a", "b"), rows, slips={})
    assert failed == 1
    assert tuple(lines) == (
        "Not fit for use:",
        "  b (takes.csv, row 3; recordings/b.wav)",
        "    largest deviation of the level of the fundamental (steady): 11.1 dB (response) and "
        "2.32 dB (drive), limit 1 dB",
        "    change of the frequency of the tone over the take (drift_ppm): 700 ppm (drive), limit "
        "500 ppm",
        f"    To do: {say('checks.settle')}",
        "2 takes: 1 not fit for use, 0 used with a warning.",
    )


def test_a_file_that_cannot_be_read_says_so_in_its_own_words():
    lines, _ = fitness(
        study("a"), quality(("a", "", "readable", 1.0, 0.0, "fail"), a="fail"), slips={}
    )
    assert lines[2] == "    why it is so"
    assert len(lines) == 4


def test_a_flag_is_told_without_numbers():
    rows = quality(("a", "", "truncated", 1.0, 0.0, "fail"), a="fail")
    lines, _ = fitness(study("a"), rows.assign(source="checks.definition"), slips={})
    meaning = say("checks.truncated", form="meaning")
    assert lines[2] == f"    {meaning} (truncated)"


def test_warnings_are_gathered_by_check_with_the_worst_of_them():
    names = [f"t{i}" for i in range(7)]
    rows = [(t, "response", "snr_h1", 29.0 - i, 30.0, "warn") for i, t in enumerate(names)]
    lines, _ = fitness(study(*names), quality(*rows, **dict.fromkeys(names, "warn")), slips={})
    # A ratio: the smallest is the worst.
    assert tuple(lines) == (
        "Warning: t0, t1, t2, t3, t4 and 2 more: level of the fundamental over the noise in its "
        "own bin (snr_h1), worst in t6: 23.0 dB (response), limit 30 dB",
        "7 takes: 0 not fit for use, 7 used with a warning.",
    )


def test_what_was_excluded_by_hand_is_only_counted():
    rows = quality(("a", "response", "dc", 20.0, 10.0, "fail"), a="fail", b="pass")
    lines, failed = fitness(study("a", "b", excluded=("a",)), rows, slips={})
    assert failed == 0
    assert tuple(lines) == (
        "2 takes: 0 not fit for use, 0 used with a warning, 1 excluded by hand.",
    )


def test_a_remark_on_a_file_is_told_as_it_is_each_kind_in_a_line_and_of_failed_takes_as_well():
    coded = note("recordings.lossy", coding="VORBIS")
    named = note("recordings.other_content", ending=".wav", container="OGG")
    rows = quality(
        ("a", "", "file_odd", 1.0, 0.0, "warn"),
        ("b", "", "file_odd", 1.0, 0.0, "warn"),
        ("c", "", "file_odd", 1.0, 0.0, "warn"),
        ("d", "", "file_lossy", 1.0, 0.0, "warn"),
        ("d", "response", "dc", 20.0, 10.0, "fail"),
        **dict.fromkeys("abc", "warn"),
        d="fail",
    )
    rows.loc[rows["check"] != "take", "source"] = [
        named, "recordings.open_length", named, coded, "checks.practice",
    ]  # fmt: skip
    lines, _ = fitness(study("a", "b", "c", "d"), rows, slips={})
    assert tuple(lines[:2]) == (
        "Warning: a and c: the name ends in .wav, but the content is OGG (file_odd)",
        "Warning: b: the header leaves the length open; it was taken from the file (file_odd)",
    )
    assert lines[4] == f"    {say(coded)} (file_lossy)"
    assert f"    To do: {say('checks.file_lossy', form='advice')}" in lines


@pytest.mark.parametrize("name", sorted(set(CHECKS) - {"readable", "rate"}))
def test_every_check_that_fails_is_told_with_its_advice(name):
    rows = quality(("a", "response", name, 12.0, CHECKS[name].fail, "fail"))
    found, advice = failed_checks(rows)
    assert code_of(found[0]) == CHECKS[name].code
    assert f"({name})" in say(found[0])
    assert advice == [note(CHECKS[name].code, form="advice")]


def test_a_warning_of_the_bench_names_its_batch():
    bench = pd.DataFrame({"item": ["warning"], "value": ["measure.no_calibrator"]})
    (found,) = bench_warnings([SimpleNamespace(batch="day1", bench=bench)])
    assert say(found) == f"batch day1: {say('measure.no_calibrator')}"


def levels(*values: float, feature: str = "tone.h1.level_db", usable: bool = True):
    rows = pd.DataFrame({"value": values})
    rows["take"] = [f"t{number}" for number in rows.index]
    return SimpleNamespace(
        features=rows.assign(
            batch="day1", specimen="L1", mount=1, feature=feature, unit="dB", usable=usable
        )
    )


@pytest.mark.parametrize(
    ("found", "told"),
    [
        (levels(-1.2, -41.2), ("t1", "t0", 2)),
        (levels(-1.2, -41.2, -1.0), ("t1", "t2", 3)),
        (levels(-1.2, -41.2, feature="probe.k3.response_db"), ("t1", "t0", 2)),
        (levels(-1.2, -4.1), None),
        (levels(-1.2), None),
        (levels(-1.2, -41.2, usable=False), None),
        (levels(-1.2, -41.2, feature="tone.h3.rel_db"), None),
    ],
)
def test_repeats_that_disagree_are_both_named_and_neither_is_blamed(found, told):
    notes = repeats_apart([found])
    if told is None:
        assert notes == []
        return
    fields = fields_of(notes[0])
    assert (fields["low"]["take"], fields["high"]["take"], fields["takes"]) == told
    assert "disagree by 40." in say(notes[0])
    assert "t0" in say(notes[0]) or "t2" in say(notes[0])
