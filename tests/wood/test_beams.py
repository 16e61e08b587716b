"""Bending modes of free bars against textbook roots and an independent exact solution."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from studylib.wood import beams
from tests.wood.bars import reference


def test_slender_bar_has_the_textbook_roots():
    # tests/reference/freefree_beam_eigenvalues.csv: roots of cos(x) cosh(x) = 1.
    table = reference("freefree_beam_eigenvalues.csv")
    roots = beams.eigenvalues(len(table))
    np.testing.assert_allclose(roots, table["betaL"], rtol=1e-10)
    np.testing.assert_allclose((roots / roots[0]) ** 2, table["f_ratio_to_first"], rtol=1e-8)


def test_high_modes_of_a_slender_bar_stay_finite_and_regular():
    # Textbook: the n-th root tends to (n + 1/2) pi.
    roots = beams.eigenvalues(60)
    np.testing.assert_allclose(roots[9:], (np.arange(10, 61) + 0.5) * np.pi, rtol=1e-13)


def test_timoshenko_agrees_with_every_row_of_the_reference():
    # tests/reference/timoshenko_freefree.csv: transfer matrix, printed to six places.
    table = reference("timoshenko_freefree.csv")
    ratio = beams.timoshenko_ratio(
        np.arange(1, 5)[None, :],
        table["L_over_t"].to_numpy(float)[:, None],
        table["E_over_G"].to_numpy(float)[:, None],
    )
    np.testing.assert_allclose(ratio, table[["r1", "r2", "r3", "r4"]], atol=6e-7)


def _end_determinant(omega, slenderness, ratio):
    """Determinant of the free ends' four conditions for general waves: no split, no tanh."""
    r2, s = 1 / (12 * slenderness**2), ratio * 6 / 5
    # w'''' + omega^2 r2 (1 + s) w'' + omega^2 (omega^2 r2^2 s - 1) w = 0
    roots = np.roots([1, 0, omega**2 * r2 * (1 + s), 0, omega**2 * (omega**2 * r2**2 * s - 1)])
    lag = omega**2 * r2 * s
    rows = []
    for x in (0.0, 1.0):
        moment = (roots**2 + lag) * np.exp(roots * x)
        shear = -lag / roots * np.exp(roots * x)
        rows += [moment, shear]
    return np.linalg.det(np.array(rows) / np.exp(np.abs(roots.real)))


@pytest.mark.parametrize(("slenderness", "ratio"), [(8.0, 40.0), (12.0, 60.0), (41.0, 16.0)])
def test_each_mode_meets_the_four_end_conditions(slenderness, ratio):
    order = np.arange(1, 6)
    found = beams.timoshenko_ratio(order, slenderness, ratio)
    omega = found * beams.eigenvalues(5) ** 2
    for value in omega[np.isfinite(omega)]:
        scan = value * np.array([0.999, 1.0, 1.001])
        low, at, high = (np.sum(_complex(_end_determinant(w, slenderness, ratio))) for w in scan)
        assert low * high < 0
        assert abs(at) < 1e-7 * max(abs(low), abs(high))


def _complex(value):
    # The determinant is purely real or purely imaginary, by the order of the roots.
    return np.array([value.real, value.imag])


def test_no_mode_is_skipped_or_found_twice():
    for slenderness in (10.0, 20.0, 41.0):
        omega = beams.timoshenko_ratio(np.arange(1, 9), slenderness, 16.0)
        omega = (omega * beams.eigenvalues(8) ** 2)[: np.isfinite(omega).sum()]

        def determinant(w, slenderness=slenderness):
            return float(np.sum(_complex(_end_determinant(w, slenderness, 16.0))))

        grid = np.linspace(omega[0] * 0.5, omega[-1] * 1.01, 3000)
        sign = np.sign([determinant(w) for w in grid])
        roots = [
            brentq(determinant, grid[i], grid[i + 1])
            for i in np.flatnonzero(np.diff(sign))
            if sign[i] * sign[i + 1] < 0
        ]
        np.testing.assert_allclose(roots, omega, rtol=1e-8)


def test_modes_above_the_cut_off_are_not_given():
    ratio = beams.timoshenko_ratio(np.arange(1, 11), 5.0, 60.0)
    assert np.isfinite(ratio[:3]).all()
    assert np.isnan(ratio[-3:]).all()


def test_a_slender_bar_is_the_limit_and_the_factor_falls_with_order_and_shear():
    np.testing.assert_allclose(beams.timoshenko_ratio([1, 2, 3], 1e5, 16.0), 1.0, atol=1e-7)
    ratio = beams.timoshenko_ratio(np.arange(1, 7)[:, None], 30.0, np.array([2.0, 16.0, 60.0]))
    assert (np.diff(ratio, axis=0) < 0).all()
    assert (np.diff(ratio, axis=1) < 0).all()


def test_frequency_of_a_slender_bar_by_the_textbook_formula():
    # Textbook: f = 22.3733 / (2 pi L^2) sqrt(E I / (rho A)).
    found = beams.bending_frequencies(
        youngs_modulus=12e9, shear_ratio=2.6, density=600.0, length=2.0, thickness=0.002, count=1
    )
    inertia = 0.002**2 / 12
    by_hand = 22.37329 / (2 * np.pi * 4.0) * np.sqrt(12e9 * inertia / 600.0)
    assert found[0] == pytest.approx(by_hand, rel=1e-5)
