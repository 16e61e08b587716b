"""Signals to be played, measured back: frequency, level, distortion, fades."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.signal.stimuli import levels, played_sweep, quantised, steady_tone, whole_periods
from studylib.signal.sweep import SweepShape, deconvolve, usable_band

RATE = 48_000
STEP = 2.0**-23


def tone(frequency_hz, *, seconds=10.0, peak=0.25, fade_s=0.5):
    return steady_tone(frequency_hz, rate_hz=RATE, seconds=seconds, peak=peak, fade_s=fade_s)


def frequency_of(x, near_hz):
    """From the phase of short pieces against a reference, fitted by a line: an outside measure."""
    n = RATE // 10
    pieces = x[: x.size // n * n].reshape(-1, n)
    t = np.arange(pieces.size).reshape(pieces.shape) / RATE
    window = np.hanning(n)
    phase = np.unwrap(np.angle((pieces * window * np.exp(-2j * np.pi * near_hz * t)).sum(axis=1)))
    return near_hz + np.polyfit(t[:, 0], phase, 1)[0] / (2 * np.pi)


@pytest.mark.parametrize("hz", [172.0, 344.0, 172.3, 3440.0, 11111.1])
def test_frequency_within_a_millionth_and_level_within_a_hundredth_of_a_decibel(hz):
    whole = quantised(tone(hz), rng=np.random.default_rng(1)) * STEP
    steady = whole[RATE // 2 : -RATE // 2]
    assert frequency_of(steady, hz) == pytest.approx(hz, rel=1e-6)
    peak_dbfs, level_dbfs, crest_db = levels(steady)
    assert level_dbfs == pytest.approx(20 * np.log10(0.25), abs=0.01)
    assert peak_dbfs == pytest.approx(20 * np.log10(0.25), abs=0.01)
    assert crest_db == pytest.approx(10 * np.log10(2), abs=0.01)  # a sine's: 3.01 dB


def test_no_harmonic_stands_out_of_the_noise_of_24_bits_and_dither_is_why():
    """Rounding is noise of 1/12 step squared, dither adds 2/12: each harmonic's bin holds no more
    than that noise does by chance. Without dither a tone that repeats on the grid has harmonics
    well above it."""
    x = tone(172.0, seconds=4.0, fade_s=0.0, peak=0.251)
    n = x.size  # 4 s: a whole number of periods
    assert 172 * n % RATE == 0
    lines = [172 * n // RATE * k for k in range(2, 140)]

    def over_noise(samples):
        power = np.abs(np.fft.rfft(samples)) ** 2
        noise = n * 3 / 12 * STEP**2  # expected power of a bin
        return power[lines] / noise

    dithered = over_noise(quantised(x, rng=np.random.default_rng(2)) * STEP)
    plain = over_noise(np.rint(x / STEP) * STEP)
    # 138 bins of exponential chance: 12 is passed once in a thousand runs.
    assert dithered.max() < 12
    assert dithered.mean() == pytest.approx(1.0, abs=0.3)
    assert plain.max() > 50


def test_a_long_tone_does_not_drift():
    x = tone(172.3, seconds=600.0, fade_s=0.0)
    t = np.arange(x.size - 1000, x.size) / RATE
    assert np.abs(x[-1000:] - 0.25 * np.sin(2 * np.pi * 172.3 * t)).max() < 1e-8


def test_fades_begin_and_end_at_nothing_without_a_click():
    x = tone(172.0)
    assert abs(x[0]) < 1e-7
    assert abs(x[-1]) < 1e-4 * 0.25
    steady = 0.25 * (2 * np.pi * 172 / RATE) ** 2
    assert np.abs(np.diff(x, 2)).max() < 1.02 * steady


def test_the_sweep_divided_by_itself_is_flat():
    shape = SweepShape(60.0, 8000.0, 5.0)
    x = quantised(
        played_sweep(shape, rate_hz=RATE, peak=0.1), rng=np.random.default_rng(3)
    ) * STEP  # fmt: skip
    response = deconvolve(x[np.newaxis], shape=shape, rate_hz=RATE)[0]
    f = np.linspace(0, RATE / 2, response.size)
    low, high = usable_band(shape)
    flat = 20 * np.log10(np.abs(response[(f > 1.1 * low) & (f < high / 1.1)]) / 0.1)
    assert np.abs(np.median(flat)) < 0.005
    assert np.quantile(np.abs(flat), 0.99) < 0.1
    assert not x[-RATE:].any()


def test_silence_stays_silence():
    assert not quantised(np.zeros(100), rng=np.random.default_rng(1)).any()
    assert levels(np.zeros(10))[1] == -np.inf


def test_what_cannot_be_played_is_refused():
    with pytest.raises(ValueError, match="below half the rate"):
        tone(24_000.0)
    with pytest.raises(ValueError, match="clipped"):
        quantised(np.ones(10), rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match="below half the rate"):
        played_sweep(SweepShape(60.0, 30_000.0, 5.0), rate_hz=RATE, peak=0.1)


def test_whole_periods_on_the_grid():
    """172 Hz at 48 kHz repeats every 12,000 samples: 0.8 s hold 137.6 periods, 0.75 s hold 129."""
    assert whole_periods(172.0, length_s=0.8, rate_hz=RATE) == (pytest.approx(137.6), 0.75)
    assert np.isnan(whole_periods(172.001234, length_s=0.1, rate_hz=RATE)[1])
