"""Noise of a take: against the window's published sums and SciPy's own estimate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import rfft
from scipy.signal import periodogram

from studylib.signal.hum import distance_from_mains, strongest_line
from studylib.signal.noise import hann_density, noise_spectrum
from tests.signal.tones import harmonic_tone, phase

RATE, N = 24_000, 19_200


def _density(x):
    return hann_density(rfft(x), n=x.size, rate_hz=RATE)


def test_hann_density_is_scipys_periodogram(rng):
    x = rng.standard_normal(N)
    _, expected = periodogram(x, RATE, window="hann", detrend=False)
    np.testing.assert_allclose(_density(x)[2:-2], expected[2:-2], rtol=1e-9)


def test_a_coherent_sine_reads_its_power_through_the_noise_bandwidth():
    # Equivalent noise bandwidth of the Hann window: 1.5 bins (Harris 1978).
    x = 0.3 * np.cos(2 * np.pi * 1000 * np.arange(N) / RATE)
    assert _density(x).max() * 1.5 * RATE / N == pytest.approx(0.045, rel=1e-9)


def test_noise_power_survives_a_tone_80_db_above_it(rng):
    amplitudes = np.array([0.5, 0.05, 0.02])
    sigma = 0.5 / np.sqrt(2) * 1e-4
    x = harmonic_tone(amplitudes, phase(N, RATE, 172.9)) + sigma * rng.standard_normal(N)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=172.9, harmonics=20)
    in_band = sigma**2 * (1 - 20 / (RATE / 2))
    assert noise.power() == pytest.approx(in_band, rel=0.05)


def test_bands_of_white_noise_and_their_uncertainty(rng):
    sigma = 0.01
    read = []
    for _ in range(200):
        x = harmonic_tone(np.array([0.5, 0.1]), phase(N, RATE, 172.3))
        x = x + sigma * rng.standard_normal(N)
        noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=172.3, harmonics=2)
        read.append(noise.bands())
    power = np.array([[row[1] for row in rows] for rows in read])
    stated = np.array([row[2] for row in read[0]])
    names = [row[0] for row in read[0]]
    for i, name in enumerate(names):
        if name < 500:  # narrow, or largely replaced around a harmonic
            continue
        width = 10**0.15 - 10**-0.15
        expected = sigma**2 * 10 ** (0.3 * round(np.log10(name / 1000) / 0.3)) * 1000 * width
        expected /= RATE / 2
        assert power[:, i].mean() == pytest.approx(expected, rel=0.02)
        assert power[:, i].std() / power[:, i].mean() == pytest.approx(stated[i], rel=0.2)


def test_a_weighted_power_of_a_tone_at_1_khz_is_its_power():
    x = 0.1 * np.cos(2 * np.pi * 1000 * np.arange(N) / RATE)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=None, harmonics=0)
    assert noise.weighted_power() == pytest.approx(0.005, rel=1e-3)
    x = 0.1 * np.cos(2 * np.pi * 100 * np.arange(N) / RATE)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=None, harmonics=0)
    # -19.1 dB at 100 Hz (IEC 61672-1 Table 3).
    assert 10 * np.log10(noise.weighted_power() / 0.005) == pytest.approx(-19.1, abs=0.06)


@pytest.mark.parametrize("line_hz", [50.0, 150.05, 60.0, 300.0])
def test_hum_is_found_beside_a_tone(rng, line_hz):
    x = harmonic_tone(np.array([0.5, 0.01]), phase(N, RATE, 172.3))
    x = x + 1e-4 * rng.standard_normal(N)
    x = x + 1e-3 * np.cos(2 * np.pi * line_hz * np.arange(N) / RATE)
    power, where = strongest_line(_density(x), step_hz=RATE / N, tone_hz=172.3)
    assert where == pytest.approx(line_hz, abs=0.1)
    assert 10 * np.log10(power / 0.5e-6) == pytest.approx(0, abs=0.5)


def test_no_hum_in_noise_and_none_on_a_harmonic(rng):
    x = harmonic_tone(np.array([0.5, 0.3]), phase(N, RATE, 150.0))  # harmonics at 150 and 300
    found = [
        strongest_line(_density(x + 1e-4 * rng.standard_normal(N)), step_hz=RATE / N, tone_hz=150.0)
        for _ in range(50)
    ]
    assert sum(power > 0 for power, _ in found) <= 1


def test_distance_from_mains():
    assert distance_from_mains(172.0) == pytest.approx(8.0)  # 180 Hz
    assert distance_from_mains(150.0) == 0.0
    assert distance_from_mains(20.0) == pytest.approx(30.0)  # never 0 times the mains
