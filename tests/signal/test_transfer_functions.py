"""H1, H2 and coherence against values known by construction.

Outside references: Bendat & Piersol's formulas for bias and random error (from memory), and
scipy.signal.coherence for the definition.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal
from scipy.special import hyp2f1

from studylib.signal.transfer_functions import (
    incoherent_share,
    random_error,
    transfer_functions,
)

TRUE = 2.0 * np.exp(0.7j)


def coherence_bias(coherence, repeats):
    """By how much a coherence from few repeats is too high on average, for a true coherence."""
    g, n = np.asarray(coherence, dtype=float), np.asarray(repeats, dtype=float)
    return 1.0 / n + (n - 1.0) / (n + 1.0) * g * hyp2f1(1.0, 1.0, n + 2.0, g) - g


def _noise(rng, shape, power):
    return np.sqrt(power / 2) * (rng.standard_normal(shape) + 1j * rng.standard_normal(shape))


def _many(rng, *, drive_noise=0.0, response_noise=0.0, repeats=8, count=4000):
    x = np.exp(2j * np.pi * rng.random((repeats, count)))  # power 1, each repeat its own phase
    y = TRUE * x + _noise(rng, x.shape, response_noise)
    return transfer_functions(y, x + _noise(rng, x.shape, drive_noise))


def test_without_noise_both_are_the_response(rng):
    found = _many(rng)
    assert np.allclose(found.h1, TRUE)
    assert np.allclose(found.h2, TRUE)
    assert np.allclose(found.coherence, 1.0)


def test_noise_in_the_drive_lowers_h1_alone(rng):
    found = _many(rng, drive_noise=0.2, repeats=200, count=200)
    # H1 is divided by 1 + noise/signal; H2 does not see it.
    assert np.mean(found.h1) == pytest.approx(TRUE / 1.2, rel=0.01)
    assert np.mean(found.h2) == pytest.approx(TRUE, rel=0.01)


def test_noise_in_the_response_raises_h2_alone(rng):
    found = _many(rng, response_noise=0.2 * abs(TRUE) ** 2, repeats=200, count=200)
    assert np.mean(found.h1) == pytest.approx(TRUE, rel=0.01)
    assert np.mean(found.h2) == pytest.approx(TRUE * 1.2, rel=0.01)


@pytest.mark.parametrize("snr", [1.0, 4.0, 20.0])
@pytest.mark.parametrize("repeats", [2, 3, 10])
def test_coherence_of_few_repeats_is_biased_as_stated(rng, snr, repeats):
    x = _noise(rng, (repeats, 20_000), 1.0)
    y = TRUE * x + _noise(rng, x.shape, abs(TRUE) ** 2 / snr)
    g = snr / (1 + snr)
    stated = g + float(coherence_bias(g, repeats))
    assert np.mean(transfer_functions(y, x).coherence) == pytest.approx(stated, abs=0.005)


@pytest.mark.parametrize("g", [0.0, 0.5, 0.9])
def test_the_bias_of_many_repeats_is_the_textbooks(g):
    # Bendat & Piersol, from memory: (1 - g)^2 / n.
    assert coherence_bias(g, 400) == pytest.approx((1 - g) ** 2 / 400, rel=0.05)


def test_unrelated_channels_have_a_coherence_of_one_over_n(rng):
    x, y = _noise(rng, (5, 8000), 1.0), _noise(rng, (5, 8000), 1.0)
    # Exactly 1/n for independent normal values.
    assert np.mean(transfer_functions(y, x).coherence) == pytest.approx(0.2, abs=0.005)
    assert coherence_bias(0.0, 5) == pytest.approx(0.2)


def test_the_random_error_is_the_scatter_that_is_seen(rng):
    found = _many(rng, response_noise=abs(TRUE) ** 2 / 10, repeats=12)
    seen = np.std(np.abs(found.h1)) / abs(TRUE)
    assert seen == pytest.approx(float(random_error(10 / 11, 12)), rel=0.05)
    assert np.mean(found.u_relative) == pytest.approx(seen, rel=0.1)


def test_the_definition_agrees_with_welch(rng):
    x = rng.standard_normal(64 * 40)
    y = signal.lfilter([1.0, 0.5], [1.0, -0.6], x) + rng.standard_normal(x.size)
    pieces = [np.fft.rfft(v.reshape(40, 64), axis=1)[:, 1:-1] for v in (y, x)]
    known = signal.coherence(x, y, window="boxcar", nperseg=64, noverlap=0, detrend=False)[1]
    assert np.allclose(transfer_functions(*pieces).coherence, known[1:-1])


def test_one_repeat_tells_no_coherence():
    found = transfer_functions(np.array([[2.0 + 0j]]), np.array([[1.0 + 0j]]))
    assert found.h1[0] == found.h2[0] == 2.0
    assert np.isnan(found.coherence[0])
    assert np.isnan(found.u_relative[0])
    assert np.isnan(incoherent_share(found.coherence))


def test_a_loud_repeat_counts_for_more_than_a_quiet_noisy_one():
    # Sums: (1*10*10 + 3*1*1) / (100 + 1), not the mean of the ratios 1 and 3.
    found = transfer_functions(np.array([[10.0], [3.0]]), np.array([[10.0], [1.0]]))
    assert found.h1[0] == pytest.approx(103 / 101)


def test_a_missing_value_takes_its_repeat_out_at_that_frequency():
    y, x = np.array([[2.0, 2.0], [np.nan, 2.0]]), np.ones((2, 2))
    found = transfer_functions(y, x)
    assert list(found.repeats) == [1, 2]
    assert np.isnan(found.coherence[0])
    assert found.coherence[1] == pytest.approx(1.0)
    none = transfer_functions(np.full((2, 1), np.nan), np.ones((2, 1)))
    assert np.isnan(none.h1[0])
    assert none.repeats[0] == 0


def test_the_share_of_the_band_below_the_limit():
    assert incoherent_share(np.array([0.95, 0.5, np.nan, 0.99]), lowest=0.9) == pytest.approx(1 / 3)


def test_shapes_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="repeats"):
        transfer_functions(np.ones((2, 3)), np.ones((2, 4)))
