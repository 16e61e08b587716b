"""Every check of a take: a fault put in is found, and a good take passes.

Faults are made here with a known size; limits are those of signal/quality.py.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import rfft

from studylib.codes import code_of, each, fields_of, note, several
from studylib.errors import InputError
from studylib.signal import quality
from studylib.signal.quality import CHECKS, overridden
from studylib.signal.samples import allowed_run, describe, merge
from studylib.signal.tone import fit_tone
from studylib.words import say
from tests.signal.tones import harmonic_tone, phase

RATE, N, F = 24_000, 19_200, 172.0
STEP = 2.0**-15


def _take(rng, amplitude=0.3, f_hz=F, drift=0.0, noise=3e-5):
    x = harmonic_tone(np.array([1.0, 0.02, 0.01j]), phase(N, RATE, f_hz, drift)) * amplitude
    return np.round((x + noise * rng.standard_normal(N)) / STEP) * STEP


def _checks(x, tone_hz=F):
    facts = describe(x, step=STEP, rate_hz=RATE, tone_hz=tone_hz)
    rows = quality.sample_checks(
        facts, CHECKS, channel="response", rate_hz=RATE, tone_hz=tone_hz,
        may_be_silent=False,
    )  # fmt: skip
    if facts.finite:
        fit = fit_tone(rfft(x)[None], n=N, rate_hz=RATE, nominal_hz=tone_hz, harmonics=20)
        rows += quality.tone_checks(
            fit, facts, CHECKS, channel="response", index=0, tone_hz=tone_hz
        )
    return {row.check: row for row in rows}


def test_a_good_take_passes_every_check(rng):
    rows = _checks(_take(rng))
    assert {row.verdict for row in rows.values()} == {"pass"}
    assert set(rows) >= {"clipping", "dc", "steady", "click", "snr_h1", "snr_h3", "tone_ppm"}


@pytest.mark.parametrize("amplitude", [0.9, 0.3, 0.03, 0.003])
def test_an_honest_crest_is_no_clipping(rng, amplitude):
    assert _checks(_take(rng, amplitude, noise=0.0))["clipping"].verdict == "pass"


@pytest.mark.parametrize("scale", [1.0, 0.5], ids=["full scale", "below full scale"])
@pytest.mark.parametrize("over_db", [0.2, 1.0, 6.0])
def test_clipping_is_found_also_below_full_scale(rng, scale, over_db):
    x = _take(rng, amplitude=10 ** (over_db / 20))
    clipped = np.clip(x, -1.0, 1.0 - STEP) * scale
    row = _checks(clipped)["clipping"]
    assert row.verdict == "fail"
    assert row.value > 0


def test_a_crest_lasts_as_long_as_its_parabola():
    # Count the samples of a fine sine within two steps of its peak, without the formula.
    tone = np.cos(2 * np.pi * 0.004 * np.arange(-100, 101))
    step = 1e-4
    assert (tone >= 1 - 2 * step).sum() <= allowed_run(
        peak=1.0, step=step, tone_hz=0.004, rate_hz=1.0
    )


def test_an_honest_crest_of_16_bit_in_a_wider_format_is_no_clipping(rng):
    tone = harmonic_tone(np.array([1.0, 0.0, 0.03]), phase(4 * N, 96_000, 60.0))
    x = np.round(0.1 * tone / STEP) * STEP
    facts = describe(x, step=2.0**-23, rate_hz=96_000, tone_hz=60.0)
    rows = quality.sample_checks(
        facts, CHECKS, channel="response", rate_hz=96_000, tone_hz=60.0, may_be_silent=False
    )
    assert {row.check: row.verdict for row in rows}["clipping"] == "pass"


def test_clipping_is_found_under_a_dither_added_later(rng):
    x = np.clip(_take(rng, amplitude=10 ** (1 / 20)), -1.0, 1.0) * 0.5
    dither = STEP * (rng.uniform(-0.5, 0.5, N) + rng.uniform(-0.5, 0.5, N))
    assert _checks(np.round((x + dither) / STEP) * STEP)["clipping"].verdict == "fail"


def test_a_buzz_with_every_period_is_neither_click_nor_clipping(rng):
    phi = phase(N, RATE, 63.0)
    size = 0.05 * (1 + 0.1 * rng.standard_normal(N))
    rattle = size * np.exp(-(((phi % (2 * np.pi) - 3) / 0.02) ** 2))
    rows = _checks(np.round((_take(rng, f_hz=63.0) + rattle) / STEP) * STEP, tone_hz=63.0)
    assert rows["click"].verdict == "pass"
    assert rows["clipping"].verdict == "pass"


def test_an_offset_hides_neither_silence_nor_a_dropout(rng):
    assert _checks(0.05 + 1e-6 * rng.standard_normal(N))["silence"].verdict == "fail"
    x = _take(rng, amplitude=0.01)
    x[9000:9600] = 0
    row = _checks(x + 0.009)["dropout"]
    assert row.value > 20
    assert row.verdict == "fail"


def test_dc_silence_and_peak(rng):
    x = _take(rng)
    assert _checks(x + 0.02)["dc"].verdict == "warn"
    assert _checks(x + 0.2)["dc"].verdict == "fail"
    assert _checks(x * 3.1)["peak"].verdict == "warn"
    assert _checks(np.zeros(N))["silence"].verdict == "fail"
    assert _checks(1e-6 * rng.standard_normal(N))["silence"].verdict == "fail"


@pytest.mark.parametrize("bad", [np.nan, np.inf])
def test_samples_that_are_no_numbers(rng, bad):
    x = _take(rng)
    x[5000] = bad
    rows = _checks(x)
    assert rows["finite"].verdict == "fail"


def test_a_tone_in_the_wrong_place_is_told_in_ppm(rng):
    row = _checks(_take(rng, f_hz=F * (1 + 400e-6)))["tone_ppm"]
    assert row.value == pytest.approx(400, abs=1)
    assert row.verdict == "warn"
    assert _checks(_take(rng, f_hz=F * 1.02))["tone_ppm"].verdict == "fail"


def test_a_drifting_tone_is_told_in_ppm(rng):
    seconds = N / RATE
    row = _checks(_take(rng, drift=100e-6 * F / seconds))["drift_ppm"]
    assert row.value == pytest.approx(100, rel=0.05)
    assert row.verdict == "warn"
    assert _checks(_take(rng, drift=900e-6 * F / seconds))["drift_ppm"].verdict == "fail"


def test_no_tone_at_all(rng):
    found = [_checks(0.01 * rng.standard_normal(N))["tone_absent"] for _ in range(60)]
    assert sum(row.verdict == "pass" for row in found) <= 3  # 1 %, although it is searched for


def test_a_level_that_is_not_steady(rng):
    swell = 1 + 0.06 * np.linspace(-1, 1, N)  # half a decibel each way
    assert _checks(_take(rng) * swell)["steady"].verdict == "warn"
    swell = 1 + 0.3 * np.linspace(-1, 1, N)
    assert _checks(_take(rng) * swell)["steady"].verdict == "fail"


def test_noise_alone_makes_no_tone_unsteady(rng):
    # 28 dB over the noise of its bin: the level of 33 instants shakes by more than 2 dB.
    clean = harmonic_tone(np.array([1.0, 0.5]), phase(N, RATE, F)) * 0.3
    noise = 0.3 * np.sqrt(0.5 * N / 2 / 10**2.8)
    read = [_checks(clean + noise * rng.standard_normal(N)) for _ in range(60)]
    assert np.median([rows["snr_h1"].value for rows in read]) == pytest.approx(28, abs=0.5)
    for name in ("steady", "wander", "drift_ppm"):
        assert sum(rows[name].verdict != "pass" for rows in read) <= 3


@pytest.mark.parametrize(("ppm", "verdict"), [(20, "pass"), (300, "warn"), (1500, "fail")])
def test_a_phase_that_wanders_is_told_by_what_the_highest_harmonic_loses(rng, ppm, verdict):
    # Three swings in the record: no linear drift, yet high harmonics lose their level.
    t = np.arange(N) / RATE
    swing = F * ppm * 1e-6 / 3.75 * np.sin(2 * np.pi * 3.75 * t + 1)
    amplitudes = 0.3 * 10.0 ** (-np.arange(20) / 20)
    x = harmonic_tone(amplitudes, phase(N, RATE, F) + swing) + 1e-5 * rng.standard_normal(N)
    row = _checks(x)["wander"]
    assert row.verdict == verdict
    fit = fit_tone(rfft(x)[None], n=N, rate_hz=RATE, nominal_hz=F, harmonics=20)
    lost = 20 * np.log10(amplitudes[-1] / abs(fit.amplitude[0, -1]))
    assert row.value == pytest.approx(lost, abs=0.02, rel=0.1)


def test_a_bump_and_a_dropout(rng):
    x = _take(rng)
    bumped = x.copy()
    bumped[9000:9300] += 0.6 * np.hanning(300)
    assert _checks(bumped)["bump"].verdict == "fail"
    dropped = x.copy()
    dropped[9000:9400] = 0
    assert _checks(dropped)["dropout"].verdict == "fail"


def test_a_click_far_below_the_tone(rng):
    x = _take(rng)
    x[7000] += 0.02
    assert _checks(x)["click"].verdict == "warn"


@pytest.mark.parametrize("f_hz", [150.0, 180.0, 121.0])
def test_a_tone_at_a_mains_multiple_is_a_warning(rng, f_hz):
    assert _checks(_take(rng, f_hz=f_hz), tone_hz=f_hz)["mains"].verdict == "warn"


def test_noise_hum_and_room():
    rows = {
        row.check: row
        for row in quality.noise_checks(
            CHECKS, channel="response", noise_power=1e-8, room_power=1e-9, hum_power=1e-5,
            tone_power=1e-2, noise_a_db=52.0, room_a_db=47.0,
        )
    }  # fmt: skip
    assert rows["noise_over_room"].value == pytest.approx(10.0)
    assert rows["noise_over_room"].verdict == "warn"
    assert rows["hum"].value == pytest.approx(-30.0)
    assert rows["hum"].verdict == "warn"
    assert rows["noise_a"].verdict == "warn"
    assert rows["noise_over_room_a"].verdict == "warn"


@pytest.mark.parametrize(("upper_limit", "verdict"), [(False, "fail"), (True, "warn")])
def test_noise_that_the_tone_hides_sets_no_take_aside(upper_limit, verdict):
    row = quality.noise_checks(
        CHECKS, channel="response", noise_power=1e-7, room_power=1e-9, hum_power=0.0,
        tone_power=None, upper_limit=upper_limit,
    )[0]  # fmt: skip
    assert (row.check, row.verdict) == ("noise_over_room", verdict)
    assert (row.source == "checks.hidden") is upper_limit


def test_facts_of_pieces_merge(rng):
    x = _take(rng)
    whole = describe(x, step=STEP, rate_hz=RATE)
    joined = merge(
        describe(x[:7000], step=STEP, rate_hz=RATE), describe(x[7000:], step=STEP, rate_hz=RATE)
    )
    assert joined.frames == whole.frames
    assert joined.mean == pytest.approx(whole.mean, abs=1e-15)
    assert joined.mean_square == pytest.approx(whole.mean_square)
    assert (joined.highest, joined.lowest) == (whole.highest, whole.lowest)


def test_a_run_counts_only_at_the_rail_of_the_whole_take():
    flat_below, peak_above = np.full(50, 0.2), np.array([0.1, 0.5, 0.1])
    facts = merge(
        describe(flat_below, step=STEP, rate_hz=RATE), describe(peak_above, step=STEP, rate_hz=RATE)
    )
    assert facts.run_high == 1


def test_own_limits_replace_the_one_that_sets_aside():
    table = overridden({"steady": 3.0, "peak": -6.0, "snr_h1": 40.0})
    assert table["steady"].fail == 3.0
    assert table["steady"].warn == CHECKS["steady"].warn
    assert table["peak"].warn == -6.0
    assert table["snr_h1"].fail == 40.0
    assert table["snr_h1"].warn is None  # the old warning lay below the new limit
    assert table["steady"].source == "checks.own"
    with pytest.raises(InputError) as caught:
        overridden({"stedy": 1.0})
    assert fields_of(caught.value.notes[0]) == {"names": ["stedy"], "known": list(CHECKS)}
    assert caught.value.codes == ("checks.unknown",)


def test_a_value_that_is_no_number_never_passes():
    assert quality.check("dc", float("nan"), CHECKS).verdict == "fail"


def test_the_take_takes_its_worst_verdict(rng):
    rows = list(_checks(_take(rng) + 0.02).values())
    verdict, reason = quality.take_verdict(rows)
    assert verdict == "warn"
    assert code_of(reason) == "checks.dc"
    found = fields_of(reason)
    assert found["found"] == [[pytest.approx(2.0, abs=0.1), "response"]]
    assert (found["unit"], found["limit"]) == ("percent", 1.0)


def test_what_is_a_matter_of_yes_or_no_is_said_without_numbers():
    row = quality.check("truncated", 1.0, CHECKS)
    verdict, reason = quality.take_verdict([row])
    assert (verdict, code_of(reason)) == ("fail", "checks.truncated")
    assert set(fields_of(reason)) == {"found"}
    assert "1" not in say(reason)


def test_one_note_holds_a_check_on_all_its_channels():
    rows = [
        quality.check(name, value, CHECKS, channel=channel)
        for channel in ("response", "drive")
        for name, value in (("steady", 2.0), ("dc", 20.0))
    ]
    verdict, reason = quality.take_verdict(rows)
    assert verdict == "fail"
    assert list(map(code_of, each(reason))) == ["checks.steady", "checks.dc"]
    assert fields_of(each(reason)[0])["found"] == [[2.0, "response"], [2.0, "drive"]]


def test_what_is_wrong_with_a_file_is_the_reason_itself():
    why = note("recordings.not_there", file="recordings/a.wav")
    row = quality.check("readable", 1.0, CHECKS)._replace(source=why)
    assert say(quality.finding([row])) == say(why)


def test_a_spectrum_that_ends_is_a_warning_with_the_edge_but_not_where_a_sweep_ended():
    edge = {"rate_hz": 48_000, "played_hz": None}
    (row,) = quality.edge_checks(16_040.0, CHECKS, **edge)
    assert (row.verdict, row.unit, row.limit, row.channel) == ("warn", "kHz", 20.64, "response")
    said = say(quality.finding([row]))
    assert said == "nothing above 16.0 kHz (response): coded, or resampled (cut_off)"
    (own,) = quality.edge_checks(16_040.0, overridden({"cut_off": 12.0}), **edge)
    assert (own.verdict, own.limit) == ("pass", 12.0)
    assert quality.edge_checks(None, CHECKS, **edge) == []
    for played_hz, count in ((8_000.0, 0), (16_500.0, 0), (20_000.0, 1), (0.0, 0)):
        found = quality.edge_checks(16_040.0, CHECKS, rate_hz=48_000, played_hz=played_hz)
        assert len(found) == count


def test_remarks_on_a_file_stand_in_their_checks_and_a_clean_file_has_no_row_for_them():
    header = {
        "rate_hz": 44_100, "wanted_rate_hz": 48_000, "channels": 1, "wanted_channels": 1,
        "seconds": 1.0, "wanted_s": 0.9,
    }  # fmt: skip
    clean = quality.file_checks(CHECKS, remarks="", truncated=False, **header)
    assert [row.check for row in clean] == ["truncated", "rate", "channels", "length"]
    assert {row.source for row in clean} == {"checks.definition"}
    rate = note("recordings.other_rate", file="take.wav", rate_hz=44_100, study_hz=48_000)
    lossy = note("recordings.lossy", coding="OPUS")
    named = note("recordings.other_content", ending=".wav", container="OGG")
    odd = several(["recordings.open_length", named])
    remarks = several(["recordings.end_unread", lossy, odd, rate])
    rows = quality.file_checks(CHECKS, remarks=remarks, truncated=True, **header)
    found = {row.check: (row.verdict, row.source) for row in rows}
    assert found == {
        "truncated": ("fail", "recordings.end_unread"),
        "rate": ("fail", rate),
        "channels": ("pass", "checks.definition"),
        "length": ("pass", "checks.definition"),
        "file_lossy": ("warn", lossy),
        "file_odd": ("warn", odd),
    }
    said = [say(quality.finding([row])) for row in rows if row.verdict != "pass"]
    assert all(told.endswith(f"({name})") for told, name in zip(said, (
        "truncated", "rate", "file_lossy", "file_odd"), strict=True))  # fmt: skip
    assert "44100 Hz, but the rate of the study is 48000 Hz; record the take again" in said[1]
    assert said[3].startswith("the header leaves the length open")
    assert "the content is OGG" in said[3]


@pytest.mark.parametrize("name", CHECKS)
def test_every_check_has_its_words(name):
    code = CHECKS[name].code
    assert code == f"checks.{name}"
    label, meaning, advice = (say(code, form=form) for form in ("label", "meaning", "advice"))
    assert label
    assert meaning
    assert advice.endswith(".")
    assert advice != meaning
    row = quality.check(name, 12.5, CHECKS, channel="drive")
    if name != "readable":
        assert name == "cut_off" or meaning in say(quality.finding([row]))
        assert "(drive)" in say(quality.finding([row]))
    assert say(row.source)
