"""A free board held or driven at one point: published roots, finite elements, a sum over modes."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import eigh

from data_demo.simulation.beam import Beam, free_free_modes
from studylib.wood import beams
from studylib.wood.forward import driven, held_frequencies

SLENDER = {"slenderness": 1e4, "shear_ratio": 2.6}
RAIL = {"slenderness": 41.0, "shear_ratio": 16.0}
FIRST = 4.73004074
"""Of the free bar: cos x cosh x = 1."""


def _roots(x, count, **bar):
    return FIRST * np.sqrt(held_frequencies(x, count=count, **bar))


def test_a_slender_bar_pinned_at_its_end_has_the_published_roots():
    # Pinned and free: tan x = tanh x; Blevins, Formulas for Natural Frequency (recalled).
    published = [3.92660231, 7.06858275, 10.21017612, 13.35176878, 16.49336143]
    np.testing.assert_allclose(_roots(0.0, 5, **SLENDER), published, rtol=1e-6)


def test_a_slender_bar_pinned_in_its_middle_is_two_clamped_halves_or_not_held_at_all():
    # Even modes: halves clamped and free, 1.8751, 4.6941, 7.8548 (Thomson, Theory of Vibration,
    # appendix D.3). Odd ones have a node there and are the free bar's own.
    found = _roots(0.5, 6, **SLENDER)
    np.testing.assert_allclose(found[0::2], 2.0 * np.array([1.8751, 4.6941, 7.8548]), rtol=2e-5)
    np.testing.assert_allclose(found[1::2], beams.eigenvalues(6)[1::2], rtol=1e-5)


def test_held_at_a_node_of_a_mode_that_mode_stays():
    # Textbook: the first mode's nodes lie at 0.22416 of the length.
    assert _roots(0.2241575, 1, **SLENDER)[0] == pytest.approx(FIRST, rel=1e-6)


def _elements(x: float) -> tuple[np.ndarray, np.ndarray, int]:
    """A slender free bar in finite elements, cubic ones of two nodes: stiffness, mass, and where
    the deflection at x stands."""
    edges = np.unique(np.concatenate([np.linspace(0, x, 21), np.linspace(x, 1, 61)]))
    stiff, mass = np.zeros((2 * edges.size,) * 2), np.zeros((2 * edges.size,) * 2)
    for i, h in enumerate(np.diff(edges)):
        own = slice(2 * i, 2 * i + 4)
        stiff[own, own] += np.array(
            [[12, 6 * h, -12, 6 * h], [6 * h, 4 * h * h, -6 * h, 2 * h * h],
             [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h]]
        ) / h**3  # fmt: skip
        mass[own, own] += h / 420 * np.array(
            [[156, 22 * h, 54, -13 * h], [22 * h, 4 * h * h, 13 * h, -3 * h * h],
             [54, 13 * h, 156, -22 * h], [-13 * h, -3 * h * h, -22 * h, 4 * h * h]]
        )  # fmt: skip
    return stiff, mass, 2 * int(np.searchsorted(edges, x))


@pytest.mark.parametrize("x", [0.07, 0.134, 0.44])
def test_held_roots_agree_with_finite_elements(x):
    stiff, mass, at = _elements(x)
    kept = np.delete(np.arange(len(stiff)), at)
    square = eigh(stiff[np.ix_(kept, kept)], mass[np.ix_(kept, kept)], eigvals_only=True)
    roots = square[1:9] ** 0.25  # the first is the turning, at 0
    np.testing.assert_allclose(_roots(x, 8, **SLENDER), roots, rtol=2e-5)


@pytest.mark.parametrize("x", [0.0, 0.134, 0.44])
def test_the_ratio_agrees_with_finite_elements(x):
    stiff, mass, at = _elements(x)
    force, loss = np.eye(len(stiff))[at], 0.01
    square = np.geomspace(8.0, 900.0, 25) ** 2
    moved = np.array([np.linalg.solve((1 + 1j * loss) * stiff - w * mass, force) for w in square])
    found = driven(square / (1 + 1j * loss), x, **SLENDER).heard
    np.testing.assert_allclose(found, moved[:, -2] / moved[:, at], rtol=0.01)


@pytest.mark.parametrize("x", [0.05, 0.134, 0.31, 0.5])
def test_one_held_mode_lies_between_neighbouring_free_ones(x):
    free = beams.eigenvalues(9) ** 2 * beams.timoshenko_ratio(np.arange(1, 10), **RAIL)
    held = held_frequencies(x, count=9, **RAIL) * FIRST**2
    assert (held <= free * (1 + 1e-9)).all()
    assert (held[1:] >= free[:-1] * (1 - 1e-9)).all()


def test_no_held_mode_is_given_above_the_theory_of_the_bar():
    stubby = {"slenderness": 5.0, "shear_ratio": 60.0}
    free = beams.timoshenko_ratio(np.arange(1, 11), **stubby)
    assert held_frequencies(0.1, count=10, **stubby).size == np.isfinite(free).sum() < 10


@pytest.mark.parametrize("x", [0.134, 0.4])
def test_the_ratio_agrees_with_a_sum_over_free_modes_written_apart(x):
    """The demo's own beam theory: 26 free modes, two of them rigid, each with the loss factor."""
    loss, rail = 0.01, Beam(1.0, 0.05, 1.0 / 41.0, 1.0, 1.0, 16.0)
    modes = free_free_modes(rail, count=26)
    unit = (2 * np.pi) ** 2 * 12 * 41.0**2  # from Hz^2 to EI / (mass per length x length^4)
    own = unit * modes.frequency_hz**2 * (1 + 1j * loss)
    omega = np.geomspace(8.0, 100.0, 30)
    share = 1.0 / (own - omega[:, None] ** 2)
    summed = (share @ (modes.at(1.0) * modes.at(x))) / (share @ modes.at(x) ** 2)
    found = driven(omega**2 / (1 + 1j * loss), x, **RAIL).heard
    # What 26 modes leave out of the driving point's own give counts most near peaks.
    np.testing.assert_allclose(found, summed, rtol=0.1)


def test_the_ratio_peaks_at_the_held_modes_and_a_slow_board_turns_about_nothing():
    held = held_frequencies(0.134, count=5, **RAIL) * FIRST**2
    at = held[:, None] * np.array([0.97, 1.0, 1.03])
    ratio = np.abs(driven(at**2 / (1 + 0.01j), 0.134, **RAIL).heard)
    # The second is 0.2 % of the length from a node of the free board's own: no peak there.
    peaks = np.array([0, 2, 3, 4])
    assert (ratio[peaks, 1] > 3 * ratio[peaks][:, [0, 2]].max(axis=1)).all()
    # Far below its modes a bar pushed at x moves as one piece: (1 + 12 (x - 1/2) / 2) over
    # (1 + 12 (x - 1/2)^2), the 12 a little less for the slices' own turning.
    slow = driven(np.array([1e-4]), 0.134, **RAIL).heard[0].real
    twelve = 12 / (1 + 1 / 41.0**2)
    by_hand = (1 - twelve * 0.366 / 2) / (1 + twelve * 0.366**2)
    assert slow == pytest.approx(by_hand, rel=2e-5)


def test_what_rests_on_the_bar_and_where_it_is_heard_agree_with_finite_elements():
    """A spring before the driving point, a mass beyond it, heard before the end."""
    x = 0.3
    stiff, mass, at = _elements(x)
    edges = np.unique(np.concatenate([np.linspace(0, x, 21), np.linspace(x, 1, 61)]))
    spring, weight, ear = (2 * int(np.argmin(np.abs(edges - place))) for place in (0.15, 0.75, 0.9))
    stiff[spring, spring] += 40.0
    mass[weight, weight] += 0.2
    square = np.geomspace(8.0, 900.0, 25) ** 2
    force = np.eye(len(stiff))[at]
    moved = np.array([np.linalg.solve(stiff - w * mass, force) for w in square])
    loads = [(edges[spring // 2], 40.0), (edges[weight // 2], -0.2 * square)]
    found = driven(square, x, heard=edges[ear // 2], loads=loads, **SLENDER)
    np.testing.assert_allclose(found.heard, moved[:, ear] / moved[:, at], rtol=0.01)
    np.testing.assert_allclose(found.force, 1.0 / moved[:, at], rtol=0.01)


def test_what_rests_on_the_free_end_counts():
    square = np.array([9.0, 400.0])
    on_end = driven(square, 0.3, loads=[(0.0, 5.0), (1.0, 5.0)], **RAIL)
    near_it = driven(square, 0.3, loads=[(1e-8, 5.0), (1 - 1e-8, 5.0)], **RAIL)
    without = driven(square, 0.3, **RAIL)
    np.testing.assert_allclose(on_end.force, near_it.force, rtol=1e-4)
    assert (np.abs(on_end.heard / without.heard - 1) > 1e-3).all()


def test_driven_and_heard_in_one_place_is_the_same_movement():
    found = driven(np.array([9.0, 400.0]), 0.3, heard=0.3, **RAIL)
    np.testing.assert_allclose(found.heard, 1.0, rtol=1e-12)


def test_a_load_at_the_driving_point_takes_its_force_there():
    square = np.array([9.0, 400.0])
    plain = driven(square, 0.3, **RAIL)
    loaded = driven(square, 0.3, loads=[(0.3, 40.0), (0.8, 0.0)], **RAIL)
    np.testing.assert_allclose(loaded.force - plain.force, 40.0, rtol=1e-6)
    np.testing.assert_allclose(loaded.heard, plain.heard, rtol=1e-6)
    # Draws of a place on both sides of the driver: none is lost.
    both = driven(square, 0.3, loads=[(np.array([0.2999, 0.3001]), 40.0)], **RAIL)
    assert np.abs(both.force - plain.force).min() > 25.0


def test_places_by_draw_and_frequencies_make_a_table_of_both():
    square, x = np.array([9.0, 400.0, 2500.0]), np.array([[0.2], [0.3]])
    load = [(np.array([[0.7], [0.8]]), 5.0)]
    found = driven(square, x, heard=0.9, loads=load, **RAIL)
    for i in range(2):
        one = driven(square, x[i], heard=0.9, loads=[(load[0][0][i], 5.0)], **RAIL)
        np.testing.assert_allclose(found.heard[i], one.heard, rtol=1e-12)
    held = held_frequencies(x, count=4, **RAIL)
    np.testing.assert_allclose(held[1], held_frequencies(0.3, count=4, **RAIL), rtol=1e-12)
