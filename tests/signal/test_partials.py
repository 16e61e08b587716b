"""Partials that are no harmonics: stiff strings, second sources, beating, modulation, drift.

Simulated truths. Stiff string: f_k = k f sqrt(1 + B k^2), the textbook formula for a stiff string
on hinged supports (Fletcher and Rossing, The Physics of Musical Instruments, section 2.18; formula
from memory). Two sources; a sine modulated by 3 Hz and 10 %; a level that changes one way.

Outside references, made here from the samples alone: peaks of a 16 times zero-padded FFT under
Hann's window (a parabola through three bins), and least squares of one sinusoid for each of these
frequencies, all together. At 80 dB over the noise they are good to 0.02 cents and 0.01 dB.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.fft import rfft

import studylib as st
from studylib.codes import note
from studylib.signal import partials
from studylib.signal.partials import Kind
from studylib.signal.quality import CHECKS, tone_checks
from studylib.signal.samples import describe
from studylib.signal.tone import fit_tone, join_fits, record_length
from studylib.words import say
from tests.signal.tones import harmonic_tone, phase

STRING = Path(__file__).parents[1] / "reference" / "strokes" / "guit_harmonics.flac"
RATE, F = 24_000, 172.3
K = np.arange(1, 11)
LEVEL_DB = -2.0 * K
TURN = np.random.default_rng(17).uniform(0.0, 6.0, K.size)
NEW = ("level_drift", "modulation", "beating", "inharmonic")


def _times(seconds):
    n = record_length(round(RATE * seconds))
    return (np.arange(n) - (n - 1) / 2) / RATE


def _sum(frequencies, t, turn=TURN, noise=1e-5, rng=None):
    size = 10.0 ** (LEVEL_DB / 20.0)
    x = size @ np.cos(2 * np.pi * np.outer(frequencies, t) + turn[:, None])
    return x + noise * (rng or np.random.default_rng(3)).standard_normal(t.size)


def _fit(x, harmonics=10):
    x = np.atleast_2d(x)
    return fit_tone(
        rfft(x, axis=1), n=x.shape[1], rate_hz=RATE, nominal_hz=172.0, harmonics=harmonics
    )


def _checks(x, fit=None):
    facts = describe(x, step=2.0**-23, rate_hz=RATE, tone_hz=172.0)
    found = fit or _fit(x)
    rows = tone_checks(found, facts, CHECKS, channel="response", index=0, tone_hz=172.0)
    return {row.check: row for row in rows}


def _cents(fit):
    return fit.partials.cents(fit.frequency_hz)[0][0]


def _level_db(fit):
    return 20.0 * np.log10(np.abs(fit.amplitude[0]))


def _peaks_and_levels(x, near_hz, rate=RATE):
    """The reference: (Hz, dB) of the partials nearest to frequencies known to 10 cents."""
    n = len(x)
    size = np.abs(np.fft.rfft(x * np.hanning(n), 16 * n))
    step = rate / (16 * n)
    at = []
    for f in near_hz:
        low = int(f * 0.994 / step)
        k = low + int(np.argmax(size[low : int(f * 1.006 / step) + 2]))
        left, middle, right = np.log(size[k - 1 : k + 2])
        at.append((k + 0.5 * (left - right) / (left - 2.0 * middle + right)) * step)
    angle = np.outer(np.arange(n), 2.0 * np.pi * np.array(at) / rate)
    columns = np.hstack([np.cos(angle), np.sin(angle)])
    c = np.linalg.lstsq(columns, x, rcond=None)[0]
    return np.array(at), 20.0 * np.log10(np.hypot(c[: len(at)], c[len(at) :]))


@pytest.mark.parametrize("seconds", [0.8, 4.0])
@pytest.mark.parametrize("b", [2e-5, 1e-4, 1e-3])
def test_a_stiff_string_is_no_harmonic_series(b, seconds):
    t = _times(seconds)
    truth = K * F * np.sqrt(1.0 + b * K**2)
    x = _sum(truth, t)
    fit = _fit(x)
    read = np.isfinite(fit.partials.off_hz[0]) & fit.present[0]
    assert read.sum() >= 5
    # Frequencies and levels of all that was read, against the formula and the reference.
    found = fit.frequency_hz * K + fit.partials.off_hz[0]
    peaks, level = _peaks_and_levels(x, truth)
    assert np.abs(1200 * np.log2(found / truth))[read].max() < 0.05
    assert np.abs(1200 * np.log2(found / peaks))[read].max() < 0.05
    assert np.abs(_level_db(fit) - LEVEL_DB)[read].max() < 0.12
    assert np.abs(_level_db(fit) - level)[read].max() < 0.12
    # Whatever lies 0.3 dB and more off its multiple is called so; what is far off is below the
    # noise there, and nothing that a wrong level would be read of remains.
    bins = np.abs(fit.partials.off_hz[0]) * seconds
    assert set(fit.partials.kind[0][read & (bins > 0.16)]) == {Kind.OFF}
    assert not (
        fit.present[0] & ~fit.partials.no_level[0] & (np.abs(_level_db(fit) - LEVEL_DB) > 0.4)
    ).any()
    assert _checks(x, fit)["inharmonic"].verdict != "pass"


def test_the_deviation_of_an_exact_harmonic_is_nought_within_its_uncertainty(rng):
    clean = _sum(K * F, _times(0.8), noise=0.0)
    cents, u = zip(
        *(
            fit.partials.cents(fit.frequency_hz)
            for fit in (_fit(clean + 1e-2 * rng.standard_normal(clean.size)) for _ in range(60))
        ),
        strict=True,
    )
    cents, u = np.array(cents)[:, 0], np.array(u)[:, 0]
    # The common fundamental rests on these partials too, the strongest above all.
    ratio = (cents / u).std(axis=0)
    assert ratio.max() < 1.2
    assert ratio[:3].min() > 0.75


def test_a_clean_harmonic_tone_is_left_as_it_was(rng, monkeypatch):
    x = _sum(K * F, _times(0.8))
    now = _fit(x)
    assert not now.partials.kind.any()
    monkeypatch.setattr(partials, "resolve", None)
    before = _fit(x)
    assert np.array_equal(now.amplitude, before.amplitude)
    assert now.frequency_hz == before.frequency_hz


def test_clean_tones_raise_no_alarm(rng):
    # 150 takes; 1,240 such gave none (white noise from 20 to 90 dB, pink and brown noise).
    alarms = 0
    for _ in range(150):
        size = 10.0 ** (-np.cumsum(rng.uniform(0.0, 0.25, 20))) * np.exp(6.3j * rng.random(20))
        n = 19_200
        x = harmonic_tone(
            size, phase(n, RATE, rng.uniform(165.0, 179.0), 0.01 * rng.standard_normal())
        )
        x = x + 10.0 ** -rng.uniform(1.0, 4.5) * rng.standard_normal(n)
        fit = _fit(x, 20)
        rows = _checks(x, fit)
        alarms += fit.partials.no_level.any() or any(rows[name].verdict != "pass" for name in NEW)
    assert alarms <= 1


@pytest.mark.parametrize("apart", [0.5, 1.0, 2.0])
def test_two_sources_beat(apart):
    t = _times(4.0)
    other = 0.5 * _sum(K * (F + apart), t, TURN[::-1], noise=0.0)
    x = _sum(K * F, t) + other
    fit, rows = _fit(x), _checks(x)
    assert rows["beating"].verdict == "fail"
    assert rows["modulation"].value == rows["level_drift"].value == 0.0
    assert fit.partials.apart_hz[0, 0] == pytest.approx(apart, abs=0.02)
    # The weaker is half the stronger: the level falls to half, by 6 dB.
    assert fit.partials.swing_db[0, 0] == pytest.approx(20 * np.log10(2), abs=0.3)
    assert fit.partials.no_level[0, 0]


@pytest.mark.parametrize("turn", [0.0, 1.5, 3.0])
def test_two_sources_closer_than_the_take_can_tell_never_pass(turn):
    t = _times(0.8)
    x = _sum(K * F, t) + 0.7 * _sum(K * (F + 0.5), t, TURN + turn, noise=0.0)
    fit, rows = _fit(x), _checks(x)
    assert "fail" in {rows[name].verdict for name in ("steady", *NEW)}
    assert fit.partials.no_level[0, 2:8].all()


@pytest.mark.parametrize("seconds", [0.8, 4.0, 10.0])
@pytest.mark.parametrize("rate_hz", [3.0, 7.0])
def test_modulation_is_no_beating(rate_hz, seconds):
    t = _times(seconds)
    x = _sum(K * F, t) * (1.0 + 0.1 * np.cos(2 * np.pi * rate_hz * t + 0.4))
    fit, rows = _fit(x), _checks(x)
    assert rows["modulation"].value == pytest.approx(-20 * np.log10(0.9), abs=0.05)
    assert rows["modulation"].verdict == "warn"
    assert rows["beating"].value == rows["level_drift"].value == 0.0
    assert fit.partials.apart_hz[0, 0] == pytest.approx(rate_hz, abs=0.06)
    # The mean level stands.
    assert not fit.partials.no_level.any()
    assert np.abs(_level_db(fit) - LEVEL_DB).max() < 0.15


@pytest.mark.parametrize(
    ("change_db", "verdict"), [(0.3, "pass"), (-1.2, "warn"), (3.0, "fail"), (-20.0, "fail")]
)
@pytest.mark.parametrize("seconds", [0.8, 4.0])
def test_a_drift_is_neither_beating_nor_modulation(seconds, change_db, verdict):
    t = _times(seconds)
    x = _sum(K * F, t) * 10.0 ** (change_db * t / t[-1] / 40.0)
    rows = _checks(x)
    assert rows["level_drift"].verdict == verdict
    assert rows["beating"].value == rows["modulation"].value == 0.0
    if verdict != "pass":
        assert _fit(x).partials.swing_db[0, 0] == pytest.approx(change_db, rel=0.03)


def test_one_foreign_line_spoils_one_harmonic():
    t = _times(0.8)
    frequencies = K * F
    frequencies[6] += 0.9 / 0.8  # nine tenths of a bin
    x = _sum(frequencies, t)
    fit = _fit(x)
    assert np.flatnonzero(fit.partials.no_level[0]).tolist() == [6]
    assert fit.frequency_hz == pytest.approx(F, abs=1e-4)
    others = np.arange(10) != 6
    assert np.abs(_level_db(fit) - LEVEL_DB)[others].max() < 0.01
    assert _level_db(fit)[6] == pytest.approx(LEVEL_DB[6], abs=0.01)
    assert _cents(fit)[6] == pytest.approx(1200 * np.log2(frequencies[6] / (7 * F)), abs=0.02)


def test_a_second_line_at_one_harmonic_leaves_no_level_or_counts_in_its_uncertainty():
    t = _times(0.8)
    clean = _sum(K * F, t)
    size = 10.0 ** (LEVEL_DB[4] / 20.0)
    for share, told in ((0.3, True), (0.08, False)):
        fit = _fit(clean + share * size * np.cos(2 * np.pi * (5 * F + 1.7) * t))
        assert fit.partials.no_level[0, 4] == told
        assert fit.partials.kind[0, 4] == Kind.BEATING
        assert fit.partials.apart_hz[0, 4] == pytest.approx(1.7, abs=0.05)
        assert abs(np.abs(fit.amplitude[0, 4]) - size) < 3.0 * fit.u_amplitude[0, 4]
        if not told:  # its standard uncertainty holds the shift at a phase drawn evenly
            shift = share * size * abs(np.sinc(1.7 * t.size / RATE)) / np.sqrt(2.0)
            assert fit.u_amplitude[0, 4] > shift


def test_hum_where_no_harmonic_is_and_a_knock_are_no_partials(rng):
    n = 19_200
    t = np.arange(n) / RATE
    x = harmonic_tone(np.array([1.0, 0.1]), phase(n, RATE, 172.0)) + 1e-4 * rng.standard_normal(n)
    hum = 0.002 * np.cos(2 * np.pi * 1200.0 * t) + 0.002 * np.cos(2 * np.pi * 1550.0 * t)
    assert not _fit(x + hum, 20).partials.no_level.any()
    knock = 0.3 * np.exp(-30.0 * np.maximum(t - 0.4, 0.0)) * (t > 0.4) * np.sin(2 * np.pi * 195 * t)
    rows = _checks(x + knock)
    assert rows["beating"].value == rows["modulation"].value == 0.0


def test_pieces_of_a_long_take_agree_on_what_a_partial_is():
    seconds, pieces = 2.0, 4
    t = _times(seconds)
    fits = []
    for i in range(pieces):
        frequencies = K * F
        frequencies[2] += 0.6
        later = TURN + 2 * np.pi * frequencies * i * seconds
        fits.append(_fit(_sum(frequencies, t, later, rng=np.random.default_rng(i))))
    whole = join_fits(fits, starts_s=[i * seconds for i in range(pieces)])
    assert whole.partials.kind[0].tolist() == [0, 0, Kind.OFF, *[0] * 7]
    assert whole.partials.off_hz[0, 2] == pytest.approx(0.6, abs=1e-3)
    assert whole.partials.u_off_hz[0, 2] < fits[0].partials.u_off_hz[0, 2]
    # Phases of such a partial turn from piece to piece: its level is no complex mean.
    assert _level_db(whole)[2] == pytest.approx(LEVEL_DB[2], abs=0.02)


def test_eight_periods_say_nothing():
    fit = fit_tone(
        rfft(np.cos(phase(3_200, 8_000, 20.3)))[None], n=3_200, rate_hz=8_000, nominal_hz=20.3,
        harmonics=5,
    )  # fmt: skip
    assert not fit.partials.kind.any()


def test_a_recorded_string_reads_as_single_sinusoids_do():
    # A plucked string touched at a node, free of licence (README there): its partials 2 and 3
    # lie 3.8 and 1.3 cents above the multiples, where they would read 9.9 and 7.1 dB low. They
    # fall by 10 to 23 dB meanwhile, so that the two methods part by up to 0.1 cents and 0.1 dB.
    x, rate = soundfile.read(STRING, start=8_820, frames=35_280)
    fit = fit_tone(rfft(x)[None], n=x.size, rate_hz=rate, nominal_hz=492.0, harmonics=3)
    peaks, level = _peaks_and_levels(x, 492.24 * np.arange(1, 4), rate)
    found = fit.frequency_hz * np.arange(1, 4) + fit.partials.off_hz[0]
    assert np.abs(1200 * np.log2(found / peaks)).max() < 0.15
    assert np.abs(_level_db(fit) - level).max() < 0.15
    assert _cents(fit)[1:].tolist() == pytest.approx([3.8, 1.3], abs=0.15)
    assert fit.partials.kind[0].tolist() == [Kind.DRIFTING, Kind.OFF, Kind.OFF]


def _recorded(tmp_path, x):
    path = tmp_path / "take.wav"
    soundfile.write(path, 0.3 * x, RATE, subtype="FLOAT")
    return st.measure_take(path, tone_hz=172.0, harmonics=10, skip_s=0.0).set_index("feature")


def test_what_is_no_harmonic_is_said_in_the_table_of_features(tmp_path):
    frequencies = K * F
    frequencies[9] += 0.9
    found = _recorded(tmp_path, _sum(frequencies, _times(0.9)))
    row = found.loc["tone.h10.rel_db"]
    assert not row["usable"]
    assert "cents above 10 times the tone, so that it does not count" in row["reason"]
    assert row["value"] == pytest.approx(LEVEL_DB[9] - LEVEL_DB[0], abs=0.01)
    assert found.loc["tone.h9.rel_db", "usable"]
    # A hundredth of the harmonics' power decides nothing about their sum.
    assert found.loc["tone.thd_percent", "usable"] == (
        10 ** (LEVEL_DB[9] / 10) < 0.01 * (10 ** (LEVEL_DB[1:] / 10)).sum()
    )


@pytest.mark.parametrize(
    ("why", "fields", "words"),
    [
        ("takes.off_multiple", {"harmonic": 7, "cents": -12.34, "u": 0.05}, "12.34 ± 0.05"),
        ("takes.off_multiple", {"harmonic": 1, "cents": 2.0, "u": 0.1}, "cents above the tone"),
        ("takes.beats", {"harmonic": 3, "swing_db": 4.2, "apart_hz": 1.5}, "1.50 Hz apart beat"),
        ("takes.drifts", {"harmonic": 2, "change_db": -8.0}, "falls by 8.0 dB from start to end"),
        ("takes.drifts", {"harmonic": 2, "change_db": 8.0}, "2 times the tone rises"),
    ],
)
def test_the_words(why, fields, words):
    assert words in say(note(why, **fields))


def test_two_faint_lines_that_agree_do_not_outvote_the_tone():
    t = _times(0.8)
    x = np.cos(2 * np.pi * F * t) + 1e-5 * np.random.default_rng(4).standard_normal(t.size)
    for k in (3, 9):  # multiples of a tone a quarter of a bin above
        x = x + 0.01 * np.cos(2 * np.pi * k * (F + 0.25 / 0.8) * t + k)
    fit = _fit(x)
    assert fit.frequency_hz == pytest.approx(F, abs=1e-3)
    assert np.flatnonzero(fit.partials.no_level[0]).tolist() == [2, 8]
