"""The tone fit against the Cramér-Rao bound and against known truth.

Outside references: the bound itself (Fisher information of the joint harmonic model, built
numerically in tones.py and checked here against the closed forms for a single real sine,
Rife & Boorstyn 1974 adapted to real data: var f = 24 s^2 fs^2 / ((2 pi)^2 A^2 N (N^2 - 1)),
var A = 2 s^2 / N), and SciPy's non-linear least squares in the time domain.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.fft import rfft
from scipy.optimize import least_squares

from studylib.errors import InputError
from studylib.signal.tone import fit_tone, join_fits, record_length
from tests.draws import draws
from tests.signal.tones import cramer_rao_sd, harmonic_tone, phase

RATE = 24_000
N = 19_200  # 0.8 s: bins 1.25 Hz apart
HARMONICS = np.array([1.0, 0.1, 0.05j, 0.02 * np.exp(2j)])
OFF_BIN, COHERENT, NEARLY_COHERENT = 171.9, 172.5, 172.5 + 1e-5 * 1.25


def _fit(x, nominal=172.0, harmonics=4, rate=RATE):
    x = np.atleast_2d(x)
    return fit_tone(
        rfft(x, axis=1), n=x.shape[1], rate_hz=rate, nominal_hz=nominal, harmonics=harmonics
    )


def test_the_bound_agrees_with_its_closed_forms():
    # Phase 0.4 at the first sample; our phases belong to mid-record.
    middle = np.exp(1j * (0.4 + 2 * np.pi * 50.3 * 0.4995))
    sd_f, _, sd_a = cramer_rao_sd(np.array([middle]), 1000, 1000.0, 50.3, 0.0, 0.1)
    # N 1000, fs 1000 Hz, f 50.3, A 1, sigma 0.1: computed from the Fisher information of a
    # sine without drift, independently of this project: SD f 0.00245758 Hz, SD A 0.00447706.
    assert sd_f == pytest.approx(0.00245758, rel=2e-3)
    assert sd_f == pytest.approx(np.sqrt(24 * 0.01 * 1e6 / ((2 * np.pi) ** 2 * 1e9)), rel=5e-3)
    assert sd_a[0] == pytest.approx(0.00447706, rel=2e-3)
    assert sd_a[0] == pytest.approx(np.sqrt(2 * 0.1**2 / 1000), rel=2e-3)


@pytest.mark.parametrize("f_hz", [OFF_BIN, COHERENT, NEARLY_COHERENT])
@pytest.mark.parametrize("snr_db", [20, 40, 60])
def test_standard_deviations_are_within_ten_percent_of_the_bound(rng, f_hz, snr_db):
    drift = 5e-6 * f_hz / (N / RATE)  # 5 ppm over the record
    sigma = np.sqrt(0.5 / 10 ** (snr_db / 10))
    clean = harmonic_tone(HARMONICS, phase(N, RATE, f_hz, drift))
    runs = draws(1200, share=300)
    fits = [_fit(clean + sigma * rng.standard_normal(N)) for _ in range(runs)]
    sd_f, sd_d, sd_a = cramer_rao_sd(HARMONICS, N, RATE, f_hz, drift, sigma)

    frequency = np.array([fit.frequency_hz for fit in fits])
    drifts = np.array([fit.drift_hz_s for fit in fits])
    level = np.array([np.abs(fit.amplitude[0]) for fit in fits])
    # 1,200 runs know a standard deviation to 2.0 %, 300 to 4.1 %; three of those beyond the 10 %.
    limit = 1.10 * (1.0 + 3.0 / np.sqrt(2.0 * runs))
    assert frequency.std() < limit * sd_f
    assert drifts.std() < limit * sd_d
    assert np.all(level.std(axis=0) < limit * sd_a)
    # The stated uncertainties are the observed ones, and nothing is biased beside them.
    assert np.mean([fit.u_frequency_hz for fit in fits]) == pytest.approx(sd_f, rel=0.12)
    assert np.mean([fit.u_drift_hz_s for fit in fits]) == pytest.approx(sd_d, rel=0.12)
    np.testing.assert_allclose(
        np.mean([fit.u_amplitude[0] for fit in fits], axis=0), sd_a, rtol=0.12
    )
    assert abs(frequency.mean() - f_hz) < 0.5 * sd_f
    assert abs(drifts.mean() - drift) < 0.5 * sd_d


@pytest.mark.parametrize("f_hz", [OFF_BIN, COHERENT, 172.9])
def test_level_bias_is_below_a_hundredth_of_a_decibel_at_60_db(rng, f_hz):
    sigma = np.sqrt(0.5e-6)
    clean = harmonic_tone(HARMONICS, phase(N, RATE, f_hz, 5e-6 * f_hz / 0.8))
    level = np.mean(
        [np.abs(_fit(clean + sigma * rng.standard_normal(N)).amplitude[0]) for _ in range(200)],
        axis=0,
    )
    bias = 20 * np.log10(level / np.abs(HARMONICS))
    # Standard error of the mean of the weakest (-34 dB): 0.0009 dB.
    assert np.abs(bias).max() < 0.01


def test_two_channels_share_the_frequency_and_keep_their_phase(rng):
    amplitudes = np.array([[1.0, 0.1, 0.03j], [0.5j, 0.02, 0.01]])
    f_hz, drift = 172.31, 0.002
    x = harmonic_tone(amplitudes, phase(N, RATE, f_hz, drift)) + 1e-5 * rng.standard_normal((2, N))
    fit = _fit(x, harmonics=3)
    assert fit.frequency_hz == pytest.approx(f_hz, abs=5 * fit.u_frequency_hz)
    assert fit.drift_hz_s == pytest.approx(drift, abs=5 * fit.u_drift_hz_s)
    np.testing.assert_allclose(fit.amplitude, amplitudes, atol=2e-6)


def test_phases_do_not_depend_on_when_the_record_starts(rng):
    long = harmonic_tone(HARMONICS, phase(2 * N, RATE, 172.3))
    first, second = _fit(long[:N]), _fit(long[1234 : 1234 + N])
    np.testing.assert_allclose(second.amplitude, first.amplitude, atol=1e-6)


def test_agrees_with_least_squares_in_the_time_domain(rng):
    f_hz, sigma = 171.3, 0.02
    x = harmonic_tone(HARMONICS, phase(N, RATE, f_hz)) + sigma * rng.standard_normal(N)
    k = np.arange(1, 5)

    def design(theta):
        e = np.exp(1j * k[:, None] * phase(N, RATE, *theta))
        return np.concatenate([e.real, -e.imag])

    def residual(theta):
        basis = design(theta)
        return x - np.linalg.lstsq(basis.T, x, rcond=None)[0] @ basis

    found = least_squares(residual, [f_hz, 0.0], x_scale=[1e-3, 1e-2], xtol=1e-12).x
    parts = np.linalg.lstsq(design(found).T, x, rcond=None)[0]
    fit = _fit(x)
    # The bins left out hold about 2 % of the information, so the two differ by a share of u.
    assert fit.frequency_hz == pytest.approx(found[0], abs=0.5 * fit.u_frequency_hz)
    reference = np.abs(parts[:4] + 1j * parts[4:])
    assert np.all(np.abs(np.abs(fit.amplitude[0]) - reference) < 0.5 * fit.u_amplitude[0])


def test_noise_alone_is_called_a_harmonic_once_in_a_hundred(rng):
    amplitudes = np.zeros(20, complex)
    amplitudes[0] = 1.0
    clean = harmonic_tone(amplitudes, phase(N, RATE, OFF_BIN))
    calls = np.array(
        [_fit(clean + 0.01 * rng.standard_normal(N), harmonics=20).present[0] for _ in range(400)]
    )
    assert calls[:, 0].all()
    rate = calls[:, 1:].mean()  # 7,600 chances: standard error 0.11 %
    assert rate == pytest.approx(0.01, abs=0.004)


@pytest.mark.parametrize(
    ("rate", "seconds", "f_hz", "ppm"),
    [
        (24_000, 0.8, 172.3, 200),  # the ordinary take
        (24_000, 0.8, 1000.3, 500),
        (8_000, 10.0, 172.3, 50),  # a whole piece of a long take
        (8_000, 10.0, 172.3, 500),
    ],
)
def test_a_drift_changes_neither_levels_nor_what_is_read_of_it(rng, rate, seconds, f_hz, ppm):
    n, count = record_length(round(rate * seconds)), 20 if f_hz < 200 else 10
    amplitudes = 10.0 ** -np.linspace(0, 2, count) * np.exp(2j * np.arange(count))
    drift = ppm * 1e-6 * f_hz * rate / n
    x = harmonic_tone(amplitudes, phase(n, rate, f_hz, drift))
    fit = _fit(x + 1e-3 * rng.standard_normal(n), nominal=f_hz, harmonics=count, rate=rate)
    assert fit.drift_hz_s == pytest.approx(drift, abs=4 * fit.u_drift_hz_s)
    assert fit.u_drift_hz_s < 2e-3 * drift
    assert fit.frequency_hz == pytest.approx(f_hz, abs=4 * fit.u_frequency_hz)
    bias = 20 * np.log10(np.abs(fit.amplitude[0]) / np.abs(amplitudes))
    u = 8.686 * fit.u_amplitude[0] / np.abs(amplitudes)
    assert np.all(np.abs(bias) < 4 * u)
    assert u.max() < 0.08


@pytest.mark.parametrize("snr_db", [20, 60])
def test_a_record_of_eight_periods_is_fitted_without_bias(rng, snr_db):
    # 8.1 periods: a harmonic every eight bins, each spilling strongly into the next.
    rate, n, f_hz, runs = 8_000, 3_200, 20.3, 250
    amplitudes = 10.0 ** (-np.arange(20) / 10) * np.exp(1j * np.arange(20))
    amplitudes[4::5] = 0
    sigma = np.sqrt(0.5 / 10 ** (snr_db / 10))
    clean = harmonic_tone(amplitudes, phase(n, rate, f_hz))
    fits = [
        _fit(clean + sigma * rng.standard_normal(n), nominal=f_hz, harmonics=20, rate=rate)
        for _ in range(runs)
    ]
    heard = np.abs(amplitudes) > 5 * np.mean([fit.u_amplitude[0] for fit in fits], axis=0)
    level = np.array([np.abs(fit.amplitude[0]) for fit in fits])[:, heard]
    stated = np.mean([fit.u_amplitude[0] for fit in fits], axis=0)[heard]
    sd_a = cramer_rao_sd(amplitudes + 1e-12, n, rate, f_hz, 0.0, sigma)[2][heard]
    assert np.median(level.std(axis=0) / sd_a) < 1.10
    assert np.median(stated / level.std(axis=0)) == pytest.approx(1.0, abs=0.05)
    assert np.abs(level.mean(axis=0) - np.abs(amplitudes)[heard]).max() < 0.3 * sd_a.max()
    frequency = np.array([fit.frequency_hz for fit in fits])
    assert abs(frequency.mean() - f_hz) < 4 * frequency.std() / np.sqrt(runs)
    # 1,000 chances: standard error 0.3 %.
    absent = np.array([fit.present[0] for fit in fits])[:, amplitudes == 0]
    assert absent.mean() == pytest.approx(0.01, abs=0.01)


def test_a_fundamental_far_weaker_than_its_harmonics_is_found(rng):
    size = 10.0 ** (-np.arange(20) / 10)
    size[0] = 1e-3  # 58 dB below the second harmonic
    for turn in rng.uniform(0, 2 * np.pi, (8, 20)):
        clean = harmonic_tone(size * np.exp(1j * turn), phase(N, RATE, 172.3))
        fit = _fit(clean + 1e-5 * rng.standard_normal(N), harmonics=20)
        assert fit.frequency_hz == pytest.approx(172.3, abs=4 * fit.u_frequency_hz)
        assert np.all(np.abs(np.abs(fit.amplitude[0]) - size) < 4.5 * fit.u_amplitude[0])


def test_rumble_and_hum_are_in_the_stated_uncertainty(rng):
    # An unwindowed transform spills them everywhere: they must count as noise where they land.
    amplitudes = np.zeros(20)
    amplitudes[:3] = 1.0, 0.01, 0.01
    clean = harmonic_tone(amplitudes, phase(N, RATE, 172.3))
    shape = 1 / np.sqrt(25.0 + np.fft.rfftfreq(4 * N, 1 / RATE) ** 2)  # 1/f^2 above 5 Hz
    fits = []
    for _ in range(120):
        rumble = np.fft.irfft(np.fft.rfft(rng.standard_normal(4 * N)) * shape)[N : 2 * N]
        hum = 0.01 * np.cos(2 * np.pi * 50.3 * np.arange(N) / RATE + rng.uniform(0, 6))
        fits.append(_fit(clean + 0.1 * rumble / rumble.std() + hum, harmonics=20))
    error = np.array([np.abs(fit.amplitude[0]) - amplitudes for fit in fits])[:, :3]
    stated = np.array([fit.u_amplitude[0] for fit in fits])[:, :3]
    np.testing.assert_allclose(np.sqrt((error**2).mean(axis=0)), stated.mean(axis=0), rtol=0.25)
    assert np.mean([fit.present[0, 3:] for fit in fits]) < 0.015


def test_a_strong_tone_does_not_spill_into_a_weak_harmonic():
    # The unwindowed transform spills -53 dB into the next harmonic; the fit must not.
    amplitudes = np.array([1.0, 1e-6, 1e-6, 1e-6])
    fit = _fit(harmonic_tone(amplitudes, phase(N, RATE, 171.9)))
    np.testing.assert_allclose(np.abs(fit.amplitude[0]), amplitudes, atol=3e-8)


def test_noise_density_is_that_of_the_noise(rng):
    sigma = 0.01
    clean = harmonic_tone(HARMONICS, phase(N, RATE, OFF_BIN))
    density = np.mean(
        [_fit(clean + sigma * rng.standard_normal(N)).noise_density for _ in range(100)]
    )
    assert density == pytest.approx(2 * sigma**2 / RATE, rel=0.05)


def test_pieces_of_a_long_take_join(rng):
    n, pieces, f_hz, drift = 4 * N, 6, 172.2, 1e-3
    amplitudes = np.array([[1.0, 0.1j], [0.3j, 0.01]])
    x = harmonic_tone(amplitudes, phase(n * pieces, RATE, f_hz, drift))
    x = x + 0.01 * rng.standard_normal(x.shape)
    fits = [_fit(x[:, i * n : (i + 1) * n], harmonics=2) for i in range(pieces)]
    whole = join_fits(fits, starts_s=[i * n / RATE for i in range(pieces)])
    assert whole.segments == pieces
    assert whole.frequency_hz == pytest.approx(f_hz, abs=5 * whole.u_frequency_hz)
    assert whole.drift_hz_s == pytest.approx(drift, abs=5 * whole.u_drift_hz_s)
    assert np.all(np.abs(whole.amplitude - amplitudes) < 5 * whole.u_amplitude)
    # Mean over six pieces: uncertainty down by the square root of six.
    assert whole.u_amplitude[0, 0] == pytest.approx(
        np.mean([fit.u_amplitude[0, 0] for fit in fits]) / np.sqrt(6), rel=0.05
    )


def test_pieces_join_on_the_channel_that_holds_the_tone(rng):
    # An airborne take: only the drive holds the tone. Phases referred to the response's noise
    # would cancel the drive's harmonics.
    n, pieces = 8_000, 6
    amplitudes = np.array([np.zeros(5), [1.0, 0.1, 0.05, 0.02, 0.01]])
    x = harmonic_tone(amplitudes, phase(n * pieces, 8_000, 172.3))
    x = x + 1e-4 * rng.standard_normal(x.shape)
    fits = [_fit(x[:, i * n : (i + 1) * n], harmonics=5, rate=8_000) for i in range(pieces)]
    whole = join_fits(fits, starts_s=np.arange(pieces) * 1.0)
    np.testing.assert_allclose(np.abs(whole.amplitude[1]), amplitudes[1], atol=1e-5)


def test_pieces_whose_frequency_wanders_say_so_in_the_uncertainty(rng):
    n, pieces = 8_000, 8
    wander = 0.01 * rng.standard_normal(pieces)
    fits = [
        _fit(
            harmonic_tone(HARMONICS, phase(n, 8_000, 172.3 + step)) + 1e-3 * rng.standard_normal(n),
            rate=8_000,
        )
        for step in wander
    ]
    whole = join_fits(fits, starts_s=np.arange(pieces) * 1.0)
    assert whole.u_frequency_hz == pytest.approx(0.01 / np.sqrt(pieces), rel=0.6)


@pytest.mark.parametrize("record", ["silence", "offset", "step", "impulse", "noise", "square"])
def test_odd_records_give_finite_numbers(rng, record):
    x = {
        "silence": np.zeros(N),
        "offset": np.full(N, 0.5),
        "step": np.where(np.arange(N) < N // 2, 0.0, 1.0),
        "impulse": np.eye(1, N, N // 3)[0],
        "noise": rng.standard_normal(N),
        "square": np.sign(np.sin(phase(N, RATE, 172.0))),
    }[record]
    fit = _fit(x, harmonics=60)
    whole = join_fits([fit, fit, fit], starts_s=[0.0, 0.8, 1.6])
    for found in (fit, whole):
        for value in (found.amplitude, found.u_amplitude, found.envelope):
            assert np.all(np.isfinite(value))
        assert np.all(np.isfinite([found.frequency_hz, found.drift_hz_s]))


def test_harmonics_of_noise_do_not_pull_the_frequency(rng):
    # 28 dB over the noise of its bin, and nineteen empty harmonics that count k^2 times as much.
    sigma = np.sqrt(N / 4 / 10**2.8)
    clean = np.cos(phase(N, RATE, 172.3))
    fits = [_fit(clean + sigma * rng.standard_normal(N), harmonics=20) for _ in range(150)]
    frequency = np.array([fit.frequency_hz for fit in fits])
    sd_f = cramer_rao_sd(np.array([1.0]), N, RATE, 172.3, 0.0, sigma)[0]
    assert frequency.std() < 1.25 * sd_f
    assert np.mean([fit.u_frequency_hz for fit in fits]) == pytest.approx(frequency.std(), rel=0.2)


def test_envelope_shows_a_level_that_is_not_steady():
    phi = phase(N, RATE, 172.3)
    slow = 1 + 0.05 * np.sin(2 * np.pi * 3 * np.arange(N) / RATE)
    fit = _fit(harmonic_tone(HARMONICS, phi) * slow)
    assert np.abs(fit.envelope[0]).max() == pytest.approx(1.05, abs=0.01)
    assert np.abs(fit.envelope[0]).min() == pytest.approx(0.95, abs=0.01)


def test_a_silent_second_channel_takes_no_part(rng):
    x = harmonic_tone(HARMONICS, phase(N, RATE, 172.3)) + 1e-3 * rng.standard_normal(N)
    fit = _fit(np.stack([x, np.zeros(N)]))
    assert fit.frequency_hz == pytest.approx(172.3, abs=5 * fit.u_frequency_hz)
    assert not fit.present[1].any()


def test_too_short_and_too_high_are_refused():
    with pytest.raises(InputError, match="periods"):
        _fit(np.ones(1000), nominal=172.0)
    with pytest.raises(InputError, match=r"half the sampling rate.*more than 25\d\d\d Hz"):
        _fit(np.ones(N), nominal=11_600.0)


@pytest.mark.parametrize("frames", [19_200, 19_201, 38_399, 960_001, 7919])
def test_record_length_is_even_and_close(frames):
    length = record_length(frames)
    assert length % 2 == 0
    assert 0.97 * frames < length <= frames
