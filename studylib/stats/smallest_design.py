"""The smallest number of sources a wood with which a verdict is likely.

Every number is searched with `verdict_power.verdict_chances` itself; the same draws serve every n,
so that the chance rises smoothly with n. From four sources a wood up the method changes, where
power can step down once, so small numbers are tried one by one.

Functions: `sources_to_declare`, `sources_for_same`. Class: `Smallest`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from studylib.codes.comparison import Verdict
from studylib.stats.pairs import SMALLEST_GAMES_HOWELL
from studylib.stats.verdict_power import Chances, pair_apart, verdict_chances

WANTED = 0.80
MOST = 1000


@dataclass(frozen=True)
class Smallest:
    """The number of sources a wood; None when even `MOST` would not do.

    chance : what is reached with it, or with `MOST`.  se : its Monte Carlo standard error.
    """

    sources: int | None
    chance: float
    se: float


def sources_to_declare(
    difference: float,
    variance: float,
    *,
    woods: int,
    confidence: float = 0.95,
    primary: int = 1,
    wanted: float = WANTED,
) -> Smallest:
    """Sources a wood at which a true difference is declared with probability `wanted`.

    Parameters
    ----------
    difference : between the named pair, the other woods halfway between; scale of analysis.
    variance : of the mean of one source, above 0.
    """

    def chances(n: int) -> Chances:
        return verdict_chances(
            pair_apart(difference, woods), [variance] * woods, [n] * woods,
            limit=None, confidence=confidence, primary=primary,
        )  # fmt: skip

    return _search(chances, lambda found: found.declared, wanted)


def sources_for_same(
    limit: float,
    variance: float,
    *,
    woods: int,
    confidence: float = 0.95,
    primary: int = 1,
    wanted: float = WANTED,
) -> Smallest:
    """Sources a wood at which two woods that do not differ at all are called `same`.

    Parameters
    ----------
    limit : the difference that matters, above 0, on the scale of analysis.
    """

    def chances(n: int) -> Chances:
        return verdict_chances(
            pair_apart(0.0, woods), [variance] * woods, [n] * woods,
            limit=limit, confidence=confidence, primary=primary,
        )  # fmt: skip

    return _search(chances, lambda found: found.of[Verdict.SAME], wanted)


def _search(
    chances: Callable[[int], Chances], of: Callable[[Chances], float], wanted: float
) -> Smallest:
    def found(n: int) -> Smallest:
        drawn = chances(n)
        return Smallest(n, of(drawn), drawn.se(of(drawn)))

    for n in range(2, SMALLEST_GAMES_HOWELL + 1):
        small = found(n)
        if small.chance >= wanted:
            return small
    most = found(MOST)
    if most.chance < wanted:
        return Smallest(None, most.chance, most.se)
    low, high = SMALLEST_GAMES_HOWELL, MOST
    best = most
    while high - low > 1:
        middle = (low + high) // 2
        tried = found(middle)
        if tried.chance >= wanted:
            high, best = middle, tried
        else:
            low = middle
    return best
