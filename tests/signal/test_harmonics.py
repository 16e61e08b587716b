"""Levels, distortion and centroid of a fitted tone against closed forms.

Distortion: IEC 60268-3 sense (harmonics over the total). Exact values: h2 = 3 %, h3 = 4 %
gives 5 % over the fundamental and 4.99376 % over the total; a square wave sqrt(pi^2/8 - 1) =
0.483426 over the fundamental (Fourier series).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from scipy.fft import rfft

from studylib.signal import harmonics
from studylib.signal.tone import fit_tone
from tests.signal.tones import harmonic_tone, phase

RATE, N, F = 24_000, 19_200, 172.3


@lru_cache(maxsize=4)
def _clean(amplitudes):
    return np.atleast_2d(harmonic_tone(np.array(amplitudes), phase(N, RATE, F)))


def _fit(amplitudes, sigma=1e-6, rng=None, count=None):
    rng = rng or np.random.default_rng(1)
    rows = np.asarray(amplitudes).tolist()
    x = _clean(tuple(map(tuple, rows)) if np.ndim(amplitudes) > 1 else tuple(rows))
    x = x + sigma * rng.standard_normal(x.shape)
    count = count or np.shape(amplitudes)[-1]
    return fit_tone(rfft(x, axis=1), n=N, rate_hz=RATE, nominal_hz=172.0, harmonics=count)


def test_distortion_of_three_and_four_percent():
    found = harmonics.distortion_percent(_fit([1.0, 0.03, 0.04]), channel=0)
    assert found.value == pytest.approx(4.99376, abs=1e-4)


def test_distortion_of_a_square_wave():
    k = np.arange(1, 61)
    fit = _fit(np.where(k % 2, 1 / k, 0.0), count=60)
    partial = np.sqrt((1 / k[k % 2 == 1][1:] ** 2).sum())
    value = harmonics.distortion_percent(fit, channel=0).value / 100
    assert value == pytest.approx(partial / np.sqrt(1 + partial**2), rel=1e-4)
    over_fundamental = value / np.sqrt(1 - value**2)
    # The series is cut at k = 59, which takes about 1.8 % off the infinite sum's root.
    assert over_fundamental == pytest.approx(0.483426, rel=0.02)


def test_noise_comes_off_the_distortion(rng):
    # 19 empty harmonics at -40 dB of noise each would read as distortion.
    read = [
        harmonics.distortion_percent(_fit([1.0, 0.02], 0.3, rng, count=20), channel=0)
        for _ in range(300)
    ]
    square = np.mean([row.value**2 for row in read])
    assert square == pytest.approx(4.0, abs=0.5)  # (2 %)^2
    spread = np.std([row.value for row in read])
    assert np.mean([row.u for row in read]) == pytest.approx(spread, rel=0.25)


def test_distortion_below_the_noise_is_an_upper_limit(rng):
    read = [_fit([1.0], 0.01, rng, count=20) for _ in range(200)]
    quiet = [fit for fit in read if not fit.present[0, 1:].any()]
    assert len(quiet) > 100
    values = [harmonics.distortion_percent(fit, channel=0).value for fit in quiet]
    # Noise of power 2 u^2 in each of 19 harmonics, all of it taken off again: what is left
    # is what noise could hide, u sqrt(2 * 2.7 * sqrt(19)) of the fundamental and more.
    assert min(values) >= 100 * np.sqrt(2 * 0.01**2 * 2 / N * 2.6 * np.sqrt(19)) * 0.9


def test_levels_and_their_uncertainty(rng):
    sigma = 0.02
    fits = [_fit([0.5, 0.05], sigma, rng) for _ in range(400)]
    level = [harmonics.level_db(fit, channel=0, harmonic=1) for fit in fits]
    ratio = [harmonics.relative_db(fit, channel=0, harmonic=2) for fit in fits]
    for found, truth in ((level, 20 * np.log10(0.5)), (ratio, -20.0)):
        values = np.array([row.value for row in found])
        assert values.mean() == pytest.approx(truth, abs=4 * values.std() / 20)
        assert np.mean([row.u for row in found]) == pytest.approx(values.std(), rel=0.12)


def test_an_absent_harmonic_reads_its_upper_limit(rng):
    fit = _fit([1.0, 0.0], 0.01, rng)
    assert not fit.present[0, 1]
    read = harmonics.level_db(fit, channel=0, harmonic=2)
    assert read.value > 20 * np.log10(abs(fit.amplitude[0, 1]))


def test_response_is_the_ratio_of_the_channels(rng):
    ratio, angle = 0.25, 40.0
    amplitudes = np.array([[ratio * np.exp(1j * np.radians(angle))], [1.0]])
    fits = [_fit(amplitudes, 0.01, rng) for _ in range(300)]
    read = [harmonics.response(fit, response=0, drive=1) for fit in fits]
    db = np.array([level.value for level, _ in read])
    degrees = np.array([turn.value for _, turn in read])
    assert db.mean() == pytest.approx(20 * np.log10(ratio), abs=0.01)
    assert degrees.mean() == pytest.approx(angle, abs=0.1)
    assert np.mean([level.u for level, _ in read]) == pytest.approx(db.std(), rel=0.12)
    assert np.mean([turn.u for _, turn in read]) == pytest.approx(degrees.std(), rel=0.12)


def test_centroid_is_the_power_weighted_mean(rng):
    fit = _fit([1.0, 0.5, 0.0, 0.25], 1e-3, rng)
    found = harmonics.centroid_hz(fit, channel=0)
    power = np.array([1.0, 0.25, 0.0, 0.0625])
    expected = F * (np.arange(1, 5) * power).sum() / power.sum()
    assert found.value == pytest.approx(expected, abs=5 * found.u)
