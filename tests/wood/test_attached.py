"""A mass left on the board, against the exact bar with a mass at its end."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from studylib.wood import beams
from studylib.wood.forward import modulus_share


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


SLENDER = {"slenderness": 300.0, "shear_ratio": 2.6}


@pytest.mark.parametrize("mu", [0.001, 0.01, 0.03, 0.1, 0.5])
def test_a_mass_at_the_end_agrees_with_the_exact_bar(mu):
    assert modulus_share(mu, **SLENDER) == pytest.approx(1.0 - _exact_factor(mu) ** 2, rel=1e-3)


def test_a_small_mass_follows_rayleigh():
    # The square of a free bar's end is 4 at unit modal mass.
    assert modulus_share(1e-4, **SLENDER) == pytest.approx(4e-4, rel=2e-3)


def test_a_few_grams_at_the_end_of_a_light_board_lower_the_modulus_by_a_tenth():
    assert 0.10 < modulus_share(6.0 / 180.0, **SLENDER) < 4 * 6.0 / 180.0


def test_shear_changes_it_little_in_a_slender_rail():
    rail = modulus_share(0.02, slenderness=41.0, shear_ratio=16.0)
    assert rail == pytest.approx(modulus_share(0.02, **SLENDER), rel=0.02)
    assert rail != modulus_share(0.02, **SLENDER)
