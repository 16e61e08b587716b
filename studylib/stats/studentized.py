"""Distribution of the studentized range, fast enough for a table of many features.

With the range W of k independent standard normals and an independent chi-distributed
s = sqrt(chi2_v / v), Q = W / s and P(Q <= q) = integral f_v(s) P(W <= q s) ds. P(W <= w) is
tabulated once for each k as a cubic spline, the outer integral is a Gauss-Legendre sum.
For two groups it is Student's t exactly. SciPy gives the same numbers, but its quantile takes
tens of milliseconds a call; the tests hold this file to SciPy's own reference table.

Both functions take arrays, so that all pairs of all features are one call. Quantiles are found on
the logarithm of the upper tail, which is close to a parabola there, once for each confidence and k:
over those of one pair they are a smooth course over 1 / df, kept as a Chebyshev polynomial.

Absolute error below 1e-9 up to 30 groups and 1e-7 with 100; upper tails smaller than 1e-9 are
returned as 1e-9.

Functions: `sf` (upper tail), `quantile`.
"""

from functools import lru_cache

import numpy as np
from scipy import interpolate, special
from scipy.optimize import elementwise

SMALLEST_TAIL = 1e-9
_DEGREE = 32
_W_END = 14.0  # P(W > 14) is below 1e-18 for up to some hundreds of groups
_S_NODES, _S_WEIGHTS = np.polynomial.legendre.leggauss(128)
_Z_NODES, _Z_WEIGHTS = np.polynomial.legendre.leggauss(96)


@lru_cache(maxsize=64)
def _range_cdf(k: int) -> interpolate.CubicSpline:
    """P(range of k standard normals <= w) for w in [0, 14]."""
    w = np.linspace(0.0, _W_END, 2801)
    z = 8.5 * _Z_NODES
    weight = 8.5 * _Z_WEIGHTS * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi)
    inside = special.ndtr(z) - special.ndtr(z[np.newaxis, :] - w[:, np.newaxis])
    return interpolate.CubicSpline(w, k * (inside ** (k - 1)) @ weight)


def _chi_nodes(df: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Nodes of s = chi / sqrt(df) and their weights times density, which sum to one a row.

    Both of shape (len(df), 128).
    """
    df = df[:, np.newaxis]
    # The density starts as s^(df - 1); in the fourth root of s it is smooth for any df >= 1.
    low = np.where(df > 2, (special.chdtri(df, 1 - 1e-15) / df) ** 0.125, 0.0)
    high = (special.chdtri(df, 1e-16) / df) ** 0.125
    root = 0.5 * (high - low) * _S_NODES + 0.5 * (high + low)
    s = root**4
    log_density = (df - 1) * np.log(s) - 0.5 * df * s**2
    log_density -= log_density.max(axis=1, keepdims=True)
    weight = _S_WEIGHTS * root**3 * np.exp(log_density)
    return s, weight / weight.sum(axis=1, keepdims=True)


def sf(q: float | np.ndarray, k: int, df: float | np.ndarray):
    """P(Q > q) for k groups and `df` degrees of freedom (df >= 1, may be fractional).

    q and df broadcast; a float comes back for two floats, NaN where either is NaN.
    """
    known = np.isfinite(q) & np.isfinite(df)
    q, df = (np.where(known, one, np.nan) for one in (q, df))
    out = _tail(q.ravel(), int(k), df.ravel()).reshape(known.shape)
    return out if out.ndim else float(out)


def quantile(confidence: float, k: int, df: float | np.ndarray):
    """The q with P(Q <= q) = confidence, confidence in (0, 1 - 1e-7); shape and kind of `df`, which
    is 1 or more.

    NaN where df is NaN.
    """
    degrees = np.asarray(df, dtype=float)
    over = np.exp(_course(confidence, int(k))(1.0 / degrees)) if k > 2 else 1.0
    out = over * _one_pair(confidence, degrees)
    return out if degrees.ndim else float(out)


def _one_pair(confidence: float, df: np.ndarray) -> np.ndarray:
    """The quantile of two groups."""
    return np.sqrt(2.0) * special.stdtrit(df, (1.0 + confidence) / 2.0)


@lru_cache(maxsize=64)
def _course(confidence: float, k: int) -> np.polynomial.Chebyshev:
    """Logarithm of the quantile of k groups, three or more, over that of two, by 1 / df."""
    alpha = 1.0 - confidence

    def over_one_pair(inverse: np.ndarray) -> np.ndarray:
        df = 1.0 / inverse
        # One pair is never above the studentized range, Bonferroni over all pairs never below it.
        ends = _one_pair(confidence, df), _one_pair(1.0 - 2.0 * alpha / (k * (k - 1)), df)
        found = elementwise.find_root(
            lambda q, own: np.log(_tail(q, k, own) / alpha), ends, args=(df,)
        )
        return np.log(found.x / ends[0])

    return np.polynomial.Chebyshev.interpolate(over_one_pair, _DEGREE, domain=(0.0, 1.0))


def _tail(q: np.ndarray, k: int, df: np.ndarray) -> np.ndarray:
    if k == 2:
        return np.clip(2.0 * special.stdtr(df, -q / np.sqrt(2.0)), SMALLEST_TAIL, 1.0)
    s, weight = _chi_nodes(df)
    reach = np.clip(q[:, np.newaxis] * s, 0.0, _W_END)
    return np.clip(1.0 - np.einsum("ij,ij->i", _range_cdf(k)(reach), weight), SMALLEST_TAIL, 1.0)
