"""Decisions: the verdict on a pair of woods, many features at once, and Hedges' g.

Verdicts; "declared" means p_adjusted <= 1 - confidence, all numbers on the scale of analysis:
    beyond limit   declared, and the whole interval lies outside +-limit
    within limit   declared, and the whole interval lies inside +-limit
    different      declared, otherwise, or the feature has no limit
    same           not declared, and the pair's 90 % interval lies inside +-limit: two one-sided
                   tests at 5 % (Schuirmann 1987); its error is per pair
    open           everything else
    boards only    too few sources in a wood: nothing is said about woods

Many features: Holm (1979) runs over the primary features, each represented by the smallest p of its
pairs; a pair's adjusted p is the larger of its own p and its feature's Holm p. Exploratory pairs
carry q by Benjamini & Hochberg (1995) over all exploratory pairs (SciPy); their adjusted p is
max(p, q).

Hedges' g = J(m) d / s with s the pooled standard deviation of the units' means on m degrees of
freedom (units - woods, and less what a block costs) and
J(m) = Gamma(m/2) / (sqrt(m/2) Gamma((m-1)/2)), Hedges (1981), exact. The interval is that of the
population value: the noncentrality of t = d / (s sqrt(w)) is inverted (Steiger & Fouladi 1997;
Cumming & Finch 2001) and multiplied by sqrt(w), w = 1/n_a + 1/n_b without a block; the small-sample
factor belongs to the estimate only.

Functions: `verdict`, `holm`, `holm_over_features`, `false_discovery_rate`, `hedges_factor`,
`hedges_g`.
"""

import math

import numpy as np
import pandas as pd
from scipy import special
from scipy.stats import false_discovery_control

from studylib.codes.comparison import Verdict

DECLARED = (Verdict.BEYOND, Verdict.WITHIN, Verdict.DIFFERENT)
HUGE_T = 300.0


def verdict(
    *,
    p_adjusted: float,
    confidence: float,
    low: float,
    high: float,
    low90: float,
    high90: float,
    limit: float | None,
) -> Verdict:
    """Verdict on one pair of woods with enough sources; `limit` > 0 or None."""
    if not math.isfinite(p_adjusted):
        return Verdict.OPEN
    # 1 - 0.95 is a hair above 0.05 in floating point; a tie must still count as declared.
    if p_adjusted <= round(1.0 - confidence, 12):
        if limit is None:
            return Verdict.DIFFERENT
        if low > limit or high < -limit:
            return Verdict.BEYOND
        return Verdict.WITHIN if -limit < low and high < limit else Verdict.DIFFERENT
    if limit is not None and -limit < low90 and high90 < limit:
        return Verdict.SAME
    return Verdict.OPEN


def holm(p: np.ndarray) -> np.ndarray:
    """Adjusted p of shape (n,): the i-th smallest times n - i, never below one before it, at most
    1.

    Written out, because the library's version clears the memory at every call, which costs more
    than the rest of a comparison.
    """
    p = np.asarray(p, dtype=float)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    out = np.empty(p.size)
    out[order] = np.minimum(stepped, 1.0)
    return out


def holm_over_features(p: pd.Series, feature: pd.Series) -> pd.Series:
    """Adjusted p of each pair, index of `p`; NaN where p is NaN."""
    smallest = p.groupby(feature, sort=False).min().dropna()
    if smallest.empty:
        return pd.Series(np.nan, index=p.index)
    adjusted = pd.Series(holm(smallest.to_numpy()), index=smallest.index)
    return np.maximum(p, feature.map(adjusted))


def false_discovery_rate(p: pd.Series) -> pd.Series:
    """q of each p, index of `p`; NaN where p is NaN."""
    q = pd.Series(np.nan, index=p.index)
    known = p.notna()
    if known.any():
        q[known] = false_discovery_control(p[known].to_numpy(), method="bh")
    return q


def hedges_factor(df: float) -> float:
    """J(df), for df > 1."""
    log_ratio = special.gammaln(df / 2) - special.gammaln((df - 1) / 2)
    return float(np.exp(log_ratio) / np.sqrt(df / 2))


def hedges_g(
    difference: float, sd: float, df: float, weight: float, *, confidence: float
) -> tuple[float, float, float]:
    """g with the two ends of its interval; NaN where the spread is zero or df < 2.

    Parameters
    ----------
    difference, sd : on the same scale; sd is pooled over the woods on `df` degrees of freedom.
    weight : variance of the difference in units of sd^2, e.g. 1/n_a + 1/n_b.
    confidence : in (0, 1), two-sided.
    """
    if not (sd > 0 and df >= 2):
        return (float("nan"),) * 3
    root = np.sqrt(weight)
    t = difference / (sd * root)
    alpha = 1.0 - confidence
    if abs(t) > HUGE_T:
        # t over its noncentrality is then the root of m over chi-squared alone, within 0.02 %;
        # the exact inversion would take for ever.
        ends = t * np.sqrt(special.chdtri(df, [1 - alpha / 2, alpha / 2]) / df)
        low, high = np.sort(ends) * root
    else:
        low = special.nctdtrinc(df, 1 - alpha / 2, t) * root
        high = special.nctdtrinc(df, alpha / 2, t) * root
    return float(hedges_factor(df) * difference / sd), float(low), float(high)
