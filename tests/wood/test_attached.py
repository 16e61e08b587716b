"""A mass left on the board, against the exact bar with a mass at its end."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from studylib.wood import beams


def _exact_factor(mu: float) -> float:
    """First frequency of a slender free bar with a point mass at one end, over that without.

    Characteristic equation from the receptance of a free bar's end (textbook, as in Bishop &
    Johnson, recalled): 1 - cos b cosh b - mu b (cos b sinh b - sin b cosh b) = 0.
    """

    def left(b):
        cross = np.cos(b) * np.sinh(b) - np.sin(b) * np.cosh(b)
        return (1 - np.cos(b) * np.cosh(b) - mu * b * cross) / np.cosh(b)

    free = float(beams.eigenvalues(1)[0])
    return (brentq(left, 3.93, free) / free) ** 2


@pytest.mark.parametrize("mu", [0.001, 0.01, 0.03, 0.1, 0.5])
def test_a_mass_at_the_end_agrees_with_the_exact_bar(mu):
    assert beams.frequency_factor(mu, 1.0) == pytest.approx(_exact_factor(mu), rel=1e-5)
    assert beams.frequency_factor(mu, 0.0) == pytest.approx(_exact_factor(mu), rel=1e-5)


@pytest.mark.parametrize("x", [0.0, 0.1, 0.5, 0.93])
def test_a_small_mass_follows_rayleigh(x):
    swing = float(beams.mode_shape(1, x))
    share = beams.modulus_share(1e-5, x)
    assert share == pytest.approx(1e-5 * swing**2, rel=1e-3)


def test_a_few_grams_at_the_end_of_a_light_board_lower_the_modulus_by_a_tenth():
    assert 0.10 < beams.modulus_share(6.0 / 180.0, 1.0) < 4 * 6.0 / 180.0


def test_at_the_node_and_without_a_mass_nothing_happens():
    assert beams.frequency_factor(0.05, 0.22415751) == pytest.approx(1.0, abs=1e-5)
    assert beams.frequency_factor(0.0, 1.0) == 1.0


def test_shear_changes_it_little_in_a_slender_rail():
    slender = beams.modulus_share(0.02, 1.0)
    rail = beams.modulus_share(0.02, 1.0, slenderness=41.0, shear_ratio=16.0)
    assert rail == pytest.approx(slender, rel=0.02)
    assert rail != slender
