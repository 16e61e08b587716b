"""Decisions: the verdict on a pair of woods, and Hedges' g.

Verdicts; "declared" means p_adjusted <= 1 - confidence:
    beyond limit   p_beyond <= 1 - confidence (hypothesis: |difference| at most the limit)
    within limit   declared, and p_within <= 1 - confidence (hypothesis: at least the limit)
    different      declared, otherwise, or the feature has no limit
    same           not declared, and p_same <= 5 % (less at one of several planned looks): two
                   one-sided tests (Schuirmann 1987); its error is per pair
    open           everything else
    boards only    too few sources in a wood: nothing is said about woods

Hedges' g = J(m) d / s with s^2 the mean of the two woods' own variances of the units' means, m its
degrees of freedom after Satterthwaite, at most those of the pair's test, and
J(m) = Gamma(m/2) / (sqrt(m/2) Gamma((m-1)/2)), Hedges (1981), exact. So it is of one pair, and the
spread of a third wood is not in it. The interval is that of the population value: the noncentrality
of t = d / (s sqrt(w)) is inverted (Steiger & Fouladi 1997; Cumming & Finch 2001) and multiplied by
sqrt(w), w the variance of d over s^2: 1/n_a + 1/n_b where numbers or spreads are equal and there is
no block. The small-sample factor belongs to the estimate only.

Functions: `verdicts`, `hedges_factor`, `hedges_g`.
"""

import numpy as np
from scipy import special

from studylib.codes.comparison import Verdict

DECLARED = (Verdict.BEYOND, Verdict.WITHIN, Verdict.DIFFERENT)
HUGE_T = 300.0
SAME_LEVEL = 0.05


def verdicts(
    p_adjusted, p_beyond, p_within, p_same, *, confidence: float, same_level: float = SAME_LEVEL
) -> np.ndarray:
    """Verdicts on pairs of woods with enough sources, all of one shape.

    Parameters
    ----------
    p_adjusted : NaN where a pair has no spread.
    p_beyond, p_within, p_same : NaN where there is no limit, or where `same` is refused.
    confidence, same_level : of this look (`looks.levels`).
    """
    # 1 - 0.95 is a hair above 0.05 in floating point; a tie must still count as declared.
    level = round(1.0 - confidence, 12)
    declared = np.asarray(p_adjusted) <= level
    rules = (
        (~np.isfinite(p_adjusted), Verdict.OPEN),
        (~declared & (p_same <= same_level), Verdict.SAME),
        (~declared, Verdict.OPEN),
        (p_beyond <= level, Verdict.BEYOND),
        (p_within <= level, Verdict.WITHIN),
    )
    return np.select([rule for rule, _ in rules], [word for _, word in rules], Verdict.DIFFERENT)


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
    difference, sd : on the same scale; sd on `df` degrees of freedom.
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
