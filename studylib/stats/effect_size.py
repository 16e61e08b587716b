"""Hedges' g: the difference between two woods in pooled standard deviations of single units.

g = J(m) d / s with s the pooled standard deviation of the units' means on m degrees of freedom
(units - woods, and less what a block costs) and J(m) = Gamma(m/2) / (sqrt(m/2) Gamma((m-1)/2)),
Hedges (1981), exact. The interval is that of the population value: the noncentrality of
t = d / (s sqrt(w)) is inverted (Steiger & Fouladi 1997; Cumming & Finch 2001) and multiplied by
sqrt(w), w = 1/n_a + 1/n_b without a block; the small-sample factor belongs to the estimate only.

Functions: `hedges_factor`, `hedges_g`.
"""

from __future__ import annotations

import numpy as np
from scipy import special

HUGE_T = 300.0


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
