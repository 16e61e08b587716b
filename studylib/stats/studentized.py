"""Distribution of the studentized range, fast enough for a table of many features.

With the range W of k independent standard normals and an independent chi-distributed
s = sqrt(chi2_v / v), Q = W / s and P(Q <= q) = integral f_v(s) P(W <= q s) ds. P(W <= w) is
tabulated once for each k as a cubic spline, the outer integral is a Gauss-Legendre sum.
For two groups it is Student's t exactly. SciPy gives the same numbers, but its quantile takes
tens of milliseconds a call; the tests hold this file to SciPy's own reference table.

Absolute error below 1e-9; upper tails smaller than 1e-9 are returned as 1e-9.

Functions: `sf` (upper tail), `quantile`.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy import optimize, special
from scipy.interpolate import CubicSpline

SMALLEST_TAIL = 1e-9
_W_END = 14.0  # P(W > 14) is below 1e-18 for up to some hundreds of groups
_S_NODES, _S_WEIGHTS = np.polynomial.legendre.leggauss(128)
_Z_NODES, _Z_WEIGHTS = np.polynomial.legendre.leggauss(96)


@lru_cache(maxsize=64)
def _range_cdf(k: int) -> CubicSpline:
    """P(range of k standard normals <= w) for w in [0, 14]."""
    w = np.linspace(0.0, _W_END, 2801)
    z = 8.5 * _Z_NODES
    weight = 8.5 * _Z_WEIGHTS * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    inside = special.ndtr(z) - special.ndtr(z[np.newaxis, :] - w[:, np.newaxis])
    return CubicSpline(w, k * (inside ** (k - 1)) @ weight)


@lru_cache(maxsize=4096)
def _chi_nodes(df: float) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of s = chi / sqrt(df) and their weights times density, which sum to one."""
    # The density starts as s^(df - 1); in the fourth root of s it is smooth for any df >= 1.
    low = (special.chdtri(df, 1 - 1e-15) / df) ** 0.125 if df > 2 else 0.0
    high = (special.chdtri(df, 1e-16) / df) ** 0.125
    root = 0.5 * (high - low) * _S_NODES + 0.5 * (high + low)
    s = root**4
    log_density = (
        0.5 * df * np.log(df / 2)
        + np.log(2.0)
        - special.gammaln(df / 2)
        + (df - 1) * np.log(s)
        - 0.5 * df * s**2
    )
    weight = _S_WEIGHTS * root**3 * np.exp(log_density - log_density.max())
    return s, weight / weight.sum()


def sf(q: float, k: int, df: float) -> float:
    """P(Q > q) for k groups and `df` degrees of freedom (df >= 1, may be fractional)."""
    if q <= 0:
        return 1.0
    if k == 2:
        return float(max(2.0 * special.stdtr(df, -q / np.sqrt(2.0)), SMALLEST_TAIL))
    s, weight = _chi_nodes(float(df))
    below = _range_cdf(int(k))(np.minimum(q * s, _W_END)) @ weight
    return float(np.clip(1.0 - below, SMALLEST_TAIL, 1.0))


@lru_cache(maxsize=4096)
def quantile(confidence: float, k: int, df: float) -> float:
    """The q with P(Q <= q) = confidence, confidence in (0, 1 - 1e-7)."""
    if k == 2:
        return float(np.sqrt(2.0) * special.stdtrit(df, 0.5 * (1.0 + confidence)))
    alpha = 1.0 - confidence
    # Bonferroni over all pairs is never below the studentized range.
    high = np.sqrt(2.0) * special.stdtrit(df, 1.0 - alpha / (k * (k - 1)))
    return float(optimize.brentq(lambda q: sf(q, k, df) - alpha, 1e-6, high * 1.001, xtol=1e-10))
