"""Looking more than once: what each planned look may spend, and what unplanned ones cost.

A look is a comparison shown for a set of boards with at least one board more than the last. Looking
after every batch and stopping at the first difference errs more often than looking once. Where k
looks are planned, each is made at one and the same smaller level (Pocock 1977, Biometrika 64,
191), so that the chance of any false declaration at any of them is the study's. p values, `beyond`,
`within`, `same` and intervals all use that level: these repeated confidence intervals (Jennison and
Turnbull, Group Sequential Methods, 2000, chapter 9) hold at all looks together.

Reckoned for means of normal boards at equally spaced looks: Z at i boards and Z at j correlate as
sqrt(i/j), and the density of what stayed inside the bounds is carried from look to look by
numerical integration (Armitage, McPherson and Rowe 1969, JRSS A 132, 235). The same levels serve
Welch's p; where one wood's boards spread more than WIDE times as much as another's they are a
little too large (6.8 %), and the error is then shared equally over the looks: 6.2 % at most in the
designs of tests/benchmarks/looks_truth.

Functions: `crossing`, `rate_of`, `look_level`, `levels`, `boards_of`. Class: `Levels`.
"""

import math
from collections.abc import Iterable, Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from scipy import optimize, special

from studylib.stats.decisions import SAME_LEVEL

WIDE = 3.0
NODES = 120  # of the integral from bound to bound; 60 give the same six digits


class Levels(NamedTuple):
    """confidence : of every sentence at this look.  same_level : of the test behind `same`."""

    confidence: float
    same_level: float


def crossing(bound: Sequence[float], boards: Sequence[float], *, drift: float = 0.0) -> np.ndarray:
    """Chance that |Z| first reaches its bound at each look.

    Parameters
    ----------
    bound : of |Z|, above 0, one each look.
    boards : by each look, in any unit, rising.
    drift : mean of Z at the last look; at a look with a share s of the boards, sqrt(s) of it.

    Returns
    -------
    One chance each look; their sum is the chance of any.
    """
    share = np.asarray(boards, dtype=float) / boards[-1]
    points, weights = np.polynomial.legendre.leggauss(NODES)
    edges, steps = np.asarray(bound) * np.sqrt(share), np.diff(share, prepend=0.0)
    # sqrt(share) Z is a sum of independent steps; `density` is that of its sums inside all bounds.
    at, density, out = np.zeros(1), np.ones(1), []
    for edge, step in zip(edges, steps, strict=True):
        mean, sd = at + drift * step, np.sqrt(step)
        inside = special.ndtr((edge - mean) / sd) - special.ndtr((-edge - mean) / sd)
        out.append(float(density @ (1.0 - inside)))
        at = edge * points
        apart = (at[:, np.newaxis] - mean) / sd
        moved = np.exp(-(apart**2) / 2) / (sd * np.sqrt(2 * np.pi))
        density = edge * weights * (moved @ density)
    return np.array(out)


def rate_of(level: float, boards: Sequence[float]) -> float:
    """Chance of a false declaration at any of several looks, each made at one level.

    Parameters
    ----------
    boards : by each look, rising.
    """
    return float(crossing([-special.ndtri(level / 2)] * len(boards), boards).sum())


@lru_cache(maxsize=64)
def look_level(alpha: float, looks: int) -> float:
    """Level of each of so many equally spaced looks that err in alpha of studies together."""
    if looks == 1:
        return alpha
    ends, boards = (alpha / looks, alpha), range(1, looks + 1)
    return float(optimize.brentq(lambda level: rate_of(level, boards) - alpha, *ends, xtol=1e-10))


def levels(confidence: float, looks: int, spreads: Iterable[np.ndarray] = ()) -> Levels:
    """What one of several planned looks is made at.

    Parameters
    ----------
    spreads : of each feature that decides, the variances of its woods.
    """
    if looks == 1:
        return Levels(confidence, SAME_LEVEL)
    wide = any(np.max(each) > WIDE**2 * np.min(each) for each in spreads)
    one = (lambda alpha, k: alpha / k) if wide else look_level
    alpha, same = (
        math.floor(1e4 * one(level, looks)) / 1e4  # as it is printed
        for level in (round(1.0 - confidence, 12), SAME_LEVEL)
    )
    return Levels(1.0 - alpha, same)


def boards_of(confidence: float, looks: int, *, wanted: float) -> tuple[float, float]:
    """Boards that looks need, over those of one look at the end with the same power.

    Parameters
    ----------
    wanted : the power, 0 to 1.

    Returns
    -------
    At most, and on average where the difference is the one that the power is for.
    """
    level, boards = look_level(round(1.0 - confidence, 12), looks), range(1, looks + 1)
    bound = [-special.ndtri(level / 2)] * looks
    drift = optimize.brentq(lambda d: crossing(bound, boards, drift=d).sum() - wanted, 0.1, 20.0)
    most = (drift / (special.ndtri(0.5 + confidence / 2) + special.ndtri(wanted))) ** 2
    stops = crossing(bound, boards, drift=drift)[:-1]
    return most, most * (1.0 - float(stops @ (1.0 - np.arange(1, looks) / looks)))
