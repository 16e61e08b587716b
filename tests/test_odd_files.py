"""Lossy, misnamed, resampled and slow files in a study: measured, and said wherever takes are told.

Files are written by libsndfile's own encoders; the resampled one is cut by an FFT (scipy).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample

from studylib.codes import code_of, each
from studylib.errors import InputError
from studylib.measure import measure_batch
from studylib.report.at_the_bench import fitness
from studylib.report.one_batch import odd_checks
from studylib.sheets import read_study
from tests.notes import holds
from tests.small_study import Plan, tone, write_small_study

PLAN = Plan(wood_db={"larch": 0.0, "cherry": 3.0}, boards=1, mounts=1, takes=2, board_sd=0,
            mount_sd=0, take_sd=0, claim=False, controls=False, rate_hz=24_000)  # fmt: skip
TAKE = "lar1_m1_r1"


KEPT = [
    *(f"tone.h1.{part}" for part in ("level_db", "response_db", "response_deg")),
    "tone.frequency_hz",
]


@pytest.fixture
def folder(tmp_path) -> Path:
    return write_small_study(tmp_path / "study", PLAN)


def told(folder):
    """The quality rows of TAKE that do not pass, and what `study check` prints."""
    study = read_study(folder)
    found = measure_batch(study, "day1")
    rows = found.quality[found.quality["take"] == TAKE]
    usable = found.features.loc[found.features["take"] == TAKE, "usable"].any()
    odd = rows[rows["verdict"] != "pass"].set_index("check")
    shown = odd_checks(found)
    assert set(odd.index) - {"take"} <= set(shown["check"])
    return odd, bool(usable), "\n".join(fitness(study, found.quality, slips={})[0])


def replace(folder, x, rate_hz=PLAN.rate_hz, **how):
    soundfile.write(folder / f"recordings/{TAKE}.wav", x, rate_hz, **how)


def test_clean_files_have_no_row_about_the_file(folder):
    rows = measure_batch(read_study(folder), "day1").quality
    assert not rows["check"].isin(["file_lossy", "file_odd", "cut_off"]).any()


@pytest.mark.parametrize(
    ("how", "codes", "sentences"),
    [
        (
            {"format": "OGG", "subtype": "VORBIS"},
            ["recordings.other_content", "recordings.lossy"],
            ["the content is OGG (file_odd)", "coded with loss (Vorbis)"],
        ),
        (
            {"format": "MP3"},
            ["recordings.other_content", "recordings.lossy"],
            ["the content is MP3 (file_odd)", "coded with loss (MP3)"],
        ),
        ({"subtype": "ALAW"}, ["recordings.lossy"], ["coded with loss (A-law)"]),
        (
            {"format": "FLAC", "subtype": "PCM_24"},
            ["recordings.other_content"],
            ["the name ends in .wav, but the content is FLAC (file_odd)"],
        ),
    ],
    ids=["OGG", "MP3", "A-law", "FLAC"],
)
def test_a_remark_on_a_file_is_a_warning_and_the_take_is_used(folder, rng, how, codes, sentences):
    replace(folder, np.tile(tone(rng, PLAN, 0.0), (2, 1)), **how)
    odd, usable, lines = told(folder)
    found = odd[odd.index.isin(["file_lossy", "file_odd"])]
    assert set(found["verdict"]) == {"warn"}
    assert {code_of(one) for cell in found["source"] for one in each(cell)} == set(codes)
    assert odd.loc["take", "verdict"] == "warn"
    assert usable
    for sentence in sentences:
        assert f"Warning: {TAKE}: " in lines
        assert sentence in lines


@pytest.mark.parametrize(
    "how", [{"format": "MP3"}, {"format": "OGG", "subtype": "VORBIS"}, {"subtype": "ALAW"}, None]
)
def test_a_coded_take_gives_its_tone_and_nothing_that_is_weak_beside_it(folder, rng, how):
    """Coded, or cut off as a coder does it."""
    x = np.tile(tone(rng, PLAN, 0.0), (2, 1))
    if how is None:
        x += 1e-3 * rng.standard_normal(x.shape)
        x = resample(resample(x, len(x) // 2), len(x))
    before = measure_batch(read_study(folder), "day1")
    replace(folder, x, **(how or {"subtype": "PCM_24"}))
    found = measure_batch(read_study(folder), "day1")
    rows = found.features[found.features["take"] == TAKE].set_index("feature")
    plain = before.features[before.features["take"] == TAKE].set_index("feature")
    assert rows.loc[KEPT, "usable"].all()
    weak = plain.index[plain["usable"] & ~plain.index.isin(KEPT)]
    assert {"tone.h2.rel_db", "tone.thd_percent"} <= set(weak)
    assert list(rows.index[rows["usable"]]) == [n for n in KEPT if n in rows.index]
    assert set(rows.loc[weak, "reason"]) == {"takes.coded"}
    for tables, usable in ((before, True), (found, False)):
        lines = tables.harmonics[tables.harmonics["take"] == TAKE]
        assert lines["usable"].any() == usable


def test_a_resampled_recording_is_a_warning_with_its_edge(folder, rng):
    x = np.tile(tone(rng, PLAN, 0.0), (2, 1))
    x += 1e-3 * rng.standard_normal(x.shape)
    replace(folder, resample(resample(x, len(x) // 2), len(x)), subtype="PCM_24")
    odd, _, lines = told(folder)
    assert odd.loc["cut_off", "verdict"] == "warn"
    assert abs(odd.loc["cut_off", "value"] - 6.0) < 0.3
    assert "kHz (response): coded, or resampled (cut_off)" in lines


@pytest.mark.parametrize(("cut_hz", "ends"), [(5_000, True), (8_000, False)])
def test_a_sweep_may_end_where_it_was_played_to_but_not_below(folder, rng, cut_hz, ends):
    text = (folder / "takes.csv").read_text(encoding="utf-8").replace(",kind,", ",kind,drive_db,")
    lines = [
        line.replace(",tone,", ",sweep,0,").replace(",172.0", ",")
        if line.startswith(TAKE)
        else line.replace(",tone,", ",tone,,")
        for line in text.splitlines()
    ]
    (folder / "takes.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    with (folder / "study.toml").open("a", encoding="utf-8") as file:
        file.write("\n[sweep]\nlowest_hz = 50\nhighest_hz = 8000\nlength_s = 0.9\n")
    x = 0.01 * rng.standard_normal((PLAN.rate_hz, 2))
    low = resample(x, 2 * cut_hz)  # nothing above the cut
    replace(folder, resample(low, len(x)), subtype="PCM_24")
    odd, _, _ = told(folder)
    assert ("cut_off" in odd.index) == ends


def test_a_strange_rate_names_both_rates_the_file_and_what_would_be_right(folder, rng):
    replace(folder, np.tile(tone(rng, PLAN, 0.0), (4, 1)), rate_hz=44_100)
    odd, usable, lines = told(folder)
    rates = {"rate_hz": 44_100, "study_hz": 24_000, "file": f"recordings/{TAKE}.wav"}
    assert holds(odd.loc["rate", "source"], "recordings.other_rate", **rates)
    assert not usable
    assert (
        f"recordings/{TAKE}.wav was recorded at 44100 Hz, but the rate of the study is 24000 Hz; "
        "record the take again at 24000 Hz, or correct rate_hz in study.toml (rate)"
    ) in lines


def test_a_rate_that_is_too_low_names_the_studys(folder, rng):
    replace(folder, tone(rng, PLAN, 0.0), rate_hz=4_000)
    odd, _, lines = told(folder)
    rates = {"rate_hz": 4_000, "lowest_hz": 8_000, "study_hz": 24_000}
    assert holds(odd.loc["readable", "source"], "recordings.low_rate", **rates)
    assert "was recorded at 4000 Hz" in lines
    assert "record at 24000 Hz, the rate of the study" in lines


def test_a_failed_take_in_a_lossy_file_is_told_of_both(folder, rng):
    replace(folder, np.zeros_like(tone(rng, PLAN, 0.0)), subtype="ULAW")
    _, usable, lines = told(folder)
    assert not usable
    assert "(silence)" in lines
    assert "coded with loss (µ-law)" in lines


@pytest.mark.parametrize("rate", ["7999", "1", "0"])
def test_a_study_below_the_lowest_rate_is_refused_when_its_settings_are_read(folder, rate):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8").replace("rate_hz = 24000", f"rate_hz = {rate}")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_study(folder)
    (fault,) = caught.value.notes
    assert holds(fault, "cells.unfit", section="[channels]", key="rate_hz", value=int(rate))
    assert "a sampling rate in whole Hz of at least 8000" in str(caught.value)
