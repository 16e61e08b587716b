"""Noise of a take: against the window's published sums and SciPy's own estimate."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import rfft
from scipy.signal import get_window, periodogram

from studylib.signal.noise import (
    NOISE_BANDWIDTH,
    distance_from_mains,
    noise_spectrum,
    room_lines,
    skirt,
    strongest_line,
    windowed_density,
)
from tests.signal.tones import harmonic_tone, phase

RATE, N = 24_000, 19_200


def _density(x):
    return windowed_density(rfft(x), n=x.size, rate_hz=RATE)


def test_windowed_density_is_scipys_periodogram(rng):
    x = 5.0 + rng.standard_normal(N)
    _, expected = periodogram(x, RATE, window=get_window("hann", N) ** 2, detrend=False)
    np.testing.assert_allclose(_density(x)[3:-2], expected[3:-2], rtol=1e-9)


def test_a_coherent_sine_reads_its_power_through_the_noise_bandwidth():
    # Equivalent noise bandwidth of the cos^4 window: 1.94 bins (Harris 1978, table 1).
    x = 0.3 * np.cos(2 * np.pi * 1000 * np.arange(N) / RATE)
    assert round(NOISE_BANDWIDTH, 2) == 1.94
    assert _density(x).max() * NOISE_BANDWIDTH * RATE / N == pytest.approx(0.045, rel=1e-9)


def test_a_tone_spreads_no_further_than_its_skirt():
    density = _density(np.cos(phase(N, RATE, 400.5 * RATE / N)))
    far = np.arange(410, 600)
    share = density[far] / density.max()
    bound = skirt(far - 400.5)
    assert np.all(share < 2.0 * bound)  # the peak itself is halfway between two bins
    assert np.all(share > 0.5 * bound)


def test_noise_power_survives_a_tone_80_db_above_it(rng):
    amplitudes = np.array([0.5, 0.05, 0.02])
    sigma = 0.5 / np.sqrt(2) * 1e-4
    x = harmonic_tone(amplitudes, phase(N, RATE, 172.9)) + sigma * rng.standard_normal(N)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=172.9)
    in_band = sigma**2 * (1 - 20 / (RATE / 2))
    assert noise.power() == pytest.approx(in_band, rel=0.05)


def _white_band(name, sigma, rate):
    """Mean square of white noise in an octave band (IEC 61260-1: 1000 G^x, edges G^(1/2) away)."""
    mid = 1000 * 10 ** (0.3 * round(np.log10(name / 1000) / 0.3))
    return sigma**2 * mid * (10**0.15 - 10**-0.15) / (rate / 2)


def test_bands_of_white_noise_and_their_uncertainty(rng):
    sigma = 0.01
    clean = harmonic_tone(np.array([0.5, 0.1]), phase(N, RATE, 172.3))
    read = [
        noise_spectrum(
            _density(clean + sigma * rng.standard_normal(N)), n=N, rate_hz=RATE, tone_hz=172.3
        ).bands()
        for _ in range(400)
    ]
    power = np.array([[band.power for band in bands] for bands in read])
    for i, band in enumerate(read[0]):
        expected = _white_band(float(band.nominal), sigma, RATE)
        # Four standard errors of the mean.
        assert power[:, i].mean() == pytest.approx(expected, rel=4 * band.u_relative / 20)
        spread = power[:, i].std() / power[:, i].mean()
        # A narrow band with the fundamental in it states too much rather than too little.
        assert 0.85 < band.u_relative / spread < (1.2 if float(band.nominal) >= 500 else 1.45)
        assert band.told


@pytest.mark.parametrize("f_hz", [30.3, 60.3, 82.4, 172.3, 1000.3])
def test_a_band_is_the_noise_in_it_or_says_that_the_tone_fills_it(rng, f_hz):
    # 85 dB below full scale in all, the tone at -10 dB: an octave of tone away is far too near.
    sigma, untold = 10 ** (-85 / 20), set()
    clean = harmonic_tone(np.array([0.3, 0.03, 0.01, 0.003]), phase(N, RATE, f_hz))
    spectra = [
        noise_spectrum(
            _density(clean + sigma * rng.standard_normal(N)), n=N, rate_hz=RATE, tone_hz=f_hz
        )
        for _ in range(20)
    ]
    for i, band in enumerate(spectra[0].bands()):
        bands = [spectrum.bands()[i] for spectrum in spectra]
        if all(band.told for band in bands):
            ratio = np.mean([band.power for band in bands]) / _white_band(
                float(band.nominal), sigma, RATE
            )
            assert ratio == pytest.approx(1, abs=4 * band.u_relative / np.sqrt(20) + 0.02)
        else:
            untold.add(float(band.nominal))
    assert untold <= ({31.5, 63, 125} if f_hz < 50 else {63} if f_hz < 80 else set())
    assert spectra[0].hidden.any() == (f_hz < 50)


def test_harmonics_above_those_fitted_are_no_noise(rng):
    # A buzz: sixty harmonics, of which a study may fit twenty.
    sigma = 1e-4
    x = harmonic_tone(np.full(60, 0.01), phase(N, RATE, 172.3)) + sigma * rng.standard_normal(N)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=172.3)
    assert noise.power() == pytest.approx(sigma**2, rel=0.1)


def test_a_weighted_power_of_a_tone_at_1_khz_is_its_power():
    x = 0.1 * np.cos(2 * np.pi * 1000 * np.arange(N) / RATE)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=None)
    assert noise.weighted_power() == pytest.approx(0.005, rel=1e-3)
    x = 0.1 * np.cos(2 * np.pi * 100 * np.arange(N) / RATE)
    noise = noise_spectrum(_density(x), n=N, rate_hz=RATE, tone_hz=None)
    # -19.1 dB at 100 Hz (IEC 61672-1 Table 3).
    assert 10 * np.log10(noise.weighted_power() / 0.005) == pytest.approx(-19.1, abs=0.06)


# Lines wander with the mains, the k-th k times as far: 998 Hz is the twentieth of 49.9.
@pytest.mark.parametrize("line_hz", [50.0, 150.05, 60.0, 180.0, 300.0, 998.0])
def test_hum_is_found_beside_a_tone(rng, line_hz):
    x = harmonic_tone(np.array([0.5, 0.01]), phase(N, RATE, 172.3))
    x = x + 1e-4 * rng.standard_normal(N)
    x = x + 1e-3 * np.cos(2 * np.pi * line_hz * np.arange(N) / RATE)
    power, where = strongest_line(_density(x), step_hz=RATE / N, tone_hz=172.3)
    assert where == pytest.approx(line_hz, abs=0.1 + line_hz / 450)
    assert 10 * np.log10(power / 0.5e-6) == pytest.approx(0, abs=0.9)  # the window scallops


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


def test_a_line_in_a_room_take_is_read_with_its_amplitude(rng):
    x = 1e-4 * rng.standard_normal(N)
    # 516.4 Hz lies within 1.9 Hz of the third harmonic of 172 Hz, 690 Hz does not of the fourth.
    t = np.arange(N) / RATE
    x += 3e-5 * np.cos(2 * np.pi * 516.4 * t) + 3e-5 * np.cos(2 * np.pi * 693 * t)
    _, lines, noise = room_lines(
        _density(x), step_hz=RATE / N, frequencies_hz=172.0 * np.arange(1, 6), within_hz=1.9
    )
    assert lines[2] == pytest.approx(3e-5, rel=0.25)  # up to 2 dB below between two bins
    assert [lines[i] for i in (0, 1, 3, 4)] == [0.0] * 4
    # White noise of variance s^2 has the one-sided density 2 s^2 / rate.
    assert np.mean(noise) == pytest.approx(2e-8 / RATE, rel=0.15)


def test_noise_alone_is_hardly_ever_called_a_line(rng):
    called = 0
    for _ in range(200):
        x = rng.standard_normal(4000)
        _, lines, _ = room_lines(
            windowed_density(rfft(x), n=4000, rate_hz=RATE), step_hz=6.0,
            frequencies_hz=172.0 * np.arange(3, 13), within_hz=1.9,
        )  # fmt: skip
        called += sum(lines > 0)
    assert called <= 2  # of 2,000


def test_multiples_above_the_highest_bin_are_left_out(rng):
    x = rng.standard_normal(N)
    found, *_ = room_lines(
        _density(x), step_hz=RATE / N, frequencies_hz=np.array([5000.0, 11990.0]), within_hz=1.9
    )
    assert list(found) == [5000.0]
