"""Intervals of sums and differences of mean squares: modified large-sample intervals.

For gamma = sum c_q v_q with independent v_q ~ (expectation) chi2 / df, the interval for positive
coefficients is that of Graybill & Wang (1980), and with negative ones that of Ting, Burdick,
Graybill, Jeyaratnam & Lu (1990), both as in Burdick & Graybill, Confidence Intervals on Variance
Components (1992). It is exact for a single mean square, and its lower end reaches 0 exactly
where the F test does. Formulas written from memory of the book; the tests check these two
exact cases and the coverage.

Functions: `mls_interval`, `wood_interval`.
"""

from __future__ import annotations

import numpy as np
from scipy import special


def mls_interval(
    coefficients: np.ndarray, squares: np.ndarray, df: np.ndarray, *, confidence: float
) -> tuple[float, float]:
    """Two-sided interval of sum(coefficients * squares); its ends may be negative."""
    coefficients, squares, df = (
        np.asarray(values, dtype=float) for values in (coefficients, squares, df)
    )
    keep = np.abs(coefficients) > 1e-14
    terms = (coefficients * squares)[keep]
    df, positive = df[keep], (coefficients > 0)[keep]
    plus, minus = (terms[positive], df[positive]), (-terms[~positive], df[~positive])
    alpha = (1.0 - confidence) / 2.0
    centre = float(terms.sum())
    low = centre - np.sqrt(max(_spread_below(plus, minus, alpha), 0.0))
    # The upper end of P - N is minus the lower end of N - P, but the cross term differs:
    # it is built so that the bound is exact where the ratio equals the other F point.
    high = centre + np.sqrt(max(_spread_above(plus, minus, alpha), 0.0))
    return low, high


def _g(df, alpha):
    return 1.0 - 1.0 / (special.chdtri(df, alpha) / df)


def _h(df, alpha):
    return 1.0 / (special.chdtri(df, 1.0 - alpha) / df) - 1.0


def _spread_below(plus, minus, alpha) -> float:
    (p, n), (m, r) = plus, minus
    g, h = _g(n, alpha), _h(r, alpha)
    total = np.sum((g * p) ** 2) + np.sum((h * m) ** 2)
    for i in range(p.size):
        for j in range(m.size):
            f = special.fdtri(n[i], r[j], 1.0 - alpha)
            total += p[i] * m[j] * ((f - 1) ** 2 - (g[i] * f) ** 2 - h[j] ** 2) / f
    return float(total + _same_sign(p, n, g, alpha) * (m.size > 0))


def _spread_above(plus, minus, alpha) -> float:
    (p, n), (m, r) = plus, minus
    h, g = _h(n, alpha), _g(r, alpha)
    total = np.sum((h * p) ** 2) + np.sum((g * m) ** 2)
    for i in range(p.size):
        for j in range(m.size):
            f = special.fdtri(n[i], r[j], alpha)
            total += p[i] * m[j] * ((1 - f) ** 2 - (h[i] * f) ** 2 - g[j] ** 2) / f
    return float(total + _same_sign(m, r, g, alpha) * (p.size > 0))


def _same_sign(terms, df, g, alpha) -> float:
    """Cross terms between mean squares of one sign."""
    total = 0.0
    for i in range(terms.size):
        for j in range(i + 1, terms.size):
            both = df[i] + df[j]
            star = (
                _g(both, alpha) ** 2 * both**2 / (df[i] * df[j])
                - g[i] ** 2 * df[i] / df[j]
                - g[j] ** 2 * df[j] / df[i]
            ) / (terms.size - 1)
            total += star * terms[i] * terms[j]
    return total


def wood_interval(
    f: float, df_wood: int, df_unit: int, *, unit_square: float, n0: float, confidence: float
) -> tuple[float, float]:
    """Interval of the spread of the wood means, as a variance, from the noncentral F.

    f is MS_wood / MS_unit; the noncentrality is inverted and scaled with MS_unit / (df n0).
    """
    alpha = (1.0 - confidence) / 2.0
    scale = unit_square / (df_wood * n0)
    low = _noncentrality(df_wood, df_unit, 1.0 - alpha, f)
    high = _noncentrality(df_wood, df_unit, alpha, f)
    return low * scale, high * scale


def _noncentrality(df_wood: int, df_unit: int, probability: float, f: float) -> float:
    """The noncentrality at which P(F <= f) is `probability`; 0 where none is that small."""
    if special.fdtr(df_wood, df_unit, f) <= probability:
        return 0.0
    return float(special.ncfdtrinc(df_wood, df_unit, probability, f))
