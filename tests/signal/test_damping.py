"""The four names of damping against a worked example and against what each name means.

Outside references: definitions of the trade (Q and the half-power width, the decay to -60 dB, the
logarithm of the ratio of successive swings); the numbers of the example are computed from them by
hand, to six digits.
"""

from __future__ import annotations

import numpy as np
import pytest

from studylib.signal import damping

F, T60 = 200.0, 1.1  # Hz, s: Q 100.0543, tan delta 0.00999458, decrement 0.0313989


@pytest.fixture
def loss():
    return damping.loss_factor(F, np.log(1000.0) / T60)


def test_the_worked_example(loss):
    assert loss == pytest.approx(0.00999458, rel=1e-6)
    assert damping.quality_factor(loss) == pytest.approx(100.0543, rel=1e-6)
    assert damping.logarithmic_decrement(loss) == pytest.approx(0.0313989, rel=2e-6)
    assert damping.decay_time(F, loss) == pytest.approx(T60, rel=1e-12)
    assert damping.bandwidth(F, loss) == pytest.approx(F / 100.0543, rel=1e-6)


def test_a_decay_is_60_db_down_after_its_decay_time(loss):
    rate = damping.decay_rate(F, loss)
    assert 20 * np.log10(np.exp(-rate * damping.decay_time(F, loss))) == pytest.approx(-60.0)


def test_the_decrement_is_the_logarithm_of_successive_swings(loss):
    period = 1.0 / F
    t = 0.3 + np.array([0.0, period])
    swings = np.exp(-damping.decay_rate(F, loss) * t)
    found = np.log(swings[0] / swings[1])
    assert damping.logarithmic_decrement(loss) == pytest.approx(found, rel=1e-10)


def test_the_response_of_a_light_resonance_is_3_db_down_at_the_edges_of_its_bandwidth(loss):
    # |H| of a mode near its peak is 1 / |decay + i (offset)|: an independent route to Q.
    width = damping.bandwidth(F, loss)
    decay = damping.decay_rate(F, loss)
    offset = 2 * np.pi * np.array([0.0, 0.5 * width])
    response = 1.0 / np.abs(decay + 1j * offset)
    assert (response[1] / response[0]) ** 2 == pytest.approx(0.5, rel=1e-12)


def test_there_and_back_for_arrays():
    f, eta = np.array([163.0, 880.0, 4400.0]), np.array([0.006, 0.0101, 0.03])
    np.testing.assert_allclose(damping.loss_factor(f, damping.decay_rate(f, eta)), eta)
    np.testing.assert_allclose(damping.decay_time(f, eta) * damping.decay_rate(f, eta), 6.907755)
