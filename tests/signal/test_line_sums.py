"""The response out of a sweep, against the transfer function of a known digital filter.

Outside references: `scipy.signal.freqz` for the filters, `numpy.fft` for the sums.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from studylib.signal.line_sums import LOWEST_LOSS_FACTOR, end_levels, line_sums, missing_tail

RATE = 8000
MULTIPLES = tuple(172.0 * k for k in range(1, 11))


def resonator(frequency_hz: float, loss_factor: float) -> tuple[np.ndarray, np.ndarray]:
    """A two-pole filter that rings like a mode of that frequency and loss factor."""
    pole = np.exp((-np.pi * frequency_hz * loss_factor + 2j * np.pi * frequency_hz) / RATE)
    return np.array([1.0, 0.3]), np.array([1.0, -2.0 * pole.real, abs(pole) ** 2])


def a_sweep(seconds: float, silence_s: float) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    x = signal.chirp(t, f0=60.0, t1=seconds, f1=3600.0, method="logarithmic")
    return np.concatenate([x, np.zeros(round(silence_s * RATE))])


def response_of(b, a) -> np.ndarray:
    return signal.freqz(b, a, worN=np.array(MULTIPLES), fs=RATE)[1]


def ratio(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    sums = line_sums(np.stack([y, x]), rate_hz=RATE, frequencies_hz=MULTIPLES)
    return sums[0] / sums[1]


def test_sums_are_those_of_the_fourier_transform():
    x = np.random.default_rng(1).standard_normal((2, 8000))
    whole_hertz = (100.0, 172.0, 3999.0)
    found = line_sums(x, rate_hz=RATE, frequencies_hz=whole_hertz)
    assert np.allclose(found, np.fft.rfft(x)[:, [100, 172, 3999]], rtol=1e-9, atol=1e-9)


def test_pieces_of_a_record_add_up():
    x = np.random.default_rng(2).standard_normal((2, 7001))
    whole = line_sums(x, rate_hz=RATE, frequencies_hz=MULTIPLES)
    parts = sum(
        line_sums(x[:, a:b], rate_hz=RATE, frequencies_hz=MULTIPLES, first=a)
        for a, b in ((0, 2048), (2048, 5000), (5000, 7001))
    )
    assert np.allclose(whole, parts, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("mode_hz", [172.0, 340.0, 1000.0])
def test_the_response_of_a_filter_comes_back(mode_hz):
    b, a = resonator(mode_hz, 0.02)
    x = a_sweep(2.0, silence_s=2.0)
    found, truth = ratio(x, signal.lfilter(b, a, x)), response_of(b, a)
    assert np.allclose(found, truth, rtol=1e-6)


def test_distortion_of_the_driver_does_not_spoil_the_ratio():
    # Both channels hold what the driver really does: the ratio is the board's response still.
    b, a = resonator(516.0, 0.02)
    x = a_sweep(2.0, silence_s=2.0)
    driven = x + 0.2 * x**2 + 0.1 * x**3
    assert np.allclose(ratio(driven, signal.lfilter(b, a, driven)), response_of(b, a), rtol=1e-6)


@pytest.mark.parametrize("mode_hz", [172.0, 516.0])
def test_what_a_sweep_cuts_off_stays_within_its_bound(mode_hz):
    # The lowest loss factor that the bound allows for, and a record that ends at once.
    b, a = resonator(mode_hz, LOWEST_LOSS_FACTOR)
    x = a_sweep(1.0, silence_s=0.0)
    y = signal.lfilter(b, a, x)
    at = {"rate_hz": RATE, "frequencies_hz": MULTIPLES}
    found = line_sums(y[None], **at)[0] * 2 / y.size
    drive = line_sums(x[None], **at)[0] * 2 / x.size
    ends = end_levels(y[None], **at)[0]
    bound = missing_tail(ends, frequencies_hz=MULTIPLES, seconds=y.size / RATE)
    error = np.abs(found - drive * response_of(b, a))
    k = int(mode_hz / 172.0) - 1
    assert error[k] > 0.02 * abs(found[k])  # the cut matters
    assert error[k] < bound[k] < 10 * error[k]


def test_a_bound_fades_with_the_silence_after_the_sweep():
    b, a = resonator(344.0, 0.02)
    bounds = []
    for silence in (0.0, 0.5, 1.0):
        y = signal.lfilter(b, a, a_sweep(1.0, silence_s=silence))
        ends = end_levels(y[None], rate_hz=RATE, frequencies_hz=MULTIPLES)[0]
        bounds.append(missing_tail(ends, frequencies_hz=MULTIPLES, seconds=y.size / RATE)[1])
    assert bounds[0] > 10 * bounds[1] > 100 * bounds[2]


def test_noise_gives_the_stated_uncertainty():
    # One-sided density S = 2 sigma^2 / rate; u = sqrt(S / seconds) for each part.
    rng, sigma, n = np.random.default_rng(3), 0.01, 4000
    found = np.array(
        [
            2 / n * line_sums(rng.normal(0, sigma, (1, n)), rate_hz=RATE, frequencies_hz=(516.0,))
            for _ in range(2000)
        ]
    ).ravel()
    u = np.sqrt(2 * sigma**2 / RATE / (n / RATE))
    assert found.real.std() == pytest.approx(u, rel=0.05)
    assert found.imag.std() == pytest.approx(u, rel=0.05)
