"""How many sources a wood would have settled an open pair.

The smallest equal number n of sources a wood, same mounts and takes, at which a true
difference of the stated size is declared with 80 % probability under the estimated spreads:
P(|T| > c) for a noncentral t with n's degrees of freedom, c the studentized-range critical
value over all woods divided by sqrt(2). For primary features the level is alpha / m, the first
step of Holm over m features. From four sources a wood up the spreads are the woods' own (degrees of
freedom of Welch, shrunken as `pairs` does), below that pooled; a block costs its degrees of
freedom.

Functions: `power`, `sources_needed`.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import special

from studylib.stats import studentized
from studylib.stats.blocks import shrinkage
from studylib.stats.pairs import SMALLEST_GAMES_HOWELL

POWER = 0.80
MOST = 1000
MORE = f"more than {MOST}"


def power(
    n: int,
    *,
    difference: float,
    variance_a: float,
    variance_b: float,
    pooled: float,
    woods: int,
    alpha: float,
    block_columns: int = 0,
) -> float:
    """Probability that n sources a wood declare a true difference, both tails counted."""
    if n >= SMALLEST_GAMES_HOWELL:
        both, df = _own_spreads(
            n - 1 - block_columns / woods, np.array([variance_a, variance_b]), pooled, woods
        )
    else:
        both = 2 * pooled
        df = woods * (n - 1) - block_columns
    if not (both > 0 and df >= 1):
        return 0.0
    critical = studentized.quantile(1 - alpha, woods, df) / np.sqrt(2.0)
    shift = abs(difference) / math.sqrt(both / n)
    below = special.nctdtr(df, shift, critical)
    if not math.isfinite(below):
        # Far out the routine gives up; there the normal approximation is exact enough.
        below = special.ndtr((critical - shift) / math.sqrt(1 + critical**2 / (2 * df)))
    opposite = special.nctdtr(df, shift, -critical) if shift < 5 else 0.0
    return float(1.0 - below + opposite)


def _own_spreads(freedom: float, pair: np.ndarray, pooled: float, woods: int):
    """Sum of the two variances and its degrees of freedom, as `pairs` takes them.

    The woods outside the pair are taken to spread as all do.
    """
    if freedom <= 0:
        return 0.0, float("nan")
    own = np.array([*pair, *[pooled] * (woods - 2)])
    mixture = shrinkage(np.full(woods, freedom))
    taken, parts = mixture @ own, mixture[:2].sum(axis=0)
    both = float(taken[:2].sum())
    square = float(np.sum((parts * taken) ** 2)) / freedom
    return both, float(parts @ taken) ** 2 / square if square > 0 else float("nan")


def sources_needed(
    *,
    difference: float,
    variance_a: float,
    variance_b: float,
    pooled: float,
    woods: int,
    alpha: float,
    block_columns: int = 0,
) -> int | str:
    """Smallest n from 2 up with power of at least 80 %, or "more than 1000"."""

    def enough(n: int) -> bool:
        return (
            power(
                n,
                difference=difference,
                variance_a=variance_a,
                variance_b=variance_b,
                pooled=pooled,
                woods=woods,
                alpha=alpha,
                block_columns=block_columns,
            )
            >= POWER
        )

    # The change of method at four sources can make power step down once, so the small
    # numbers are tried one by one; from four up power only rises with n.
    for n in range(2, SMALLEST_GAMES_HOWELL + 1):
        if enough(n):
            return n
    if not enough(MOST):
        return MORE
    low, high = SMALLEST_GAMES_HOWELL, MOST
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
