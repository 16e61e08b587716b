"""How likely each verdict of the report is, for the named pair of woods.

Power here is that of the sentence a reader will find: declared simultaneously over the woods and
at the first step of Holm over the primary features (so: at least this), then held against the
limit by the intervals that the report prints. Woods are compared on the means of their sources;
without a block the mean of a wood is normal and its sample variance chi-square, so those are drawn,
not single takes, and every further step is that of `pairs` and `decisions`: each wood its own
spread (shrunken from three woods up) from four sources in every wood, one pooled spread below.

A block of batches costs degrees of freedom, shared among the woods (`block_columns`); this is the
approximation that `needed` makes as well.

Functions: `verdict_chances`, `pair_apart`. Class: `Chances`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline

from studylib.codes.comparison import Verdict
from studylib.errors import InputError
from studylib.stats import decisions, studentized
from studylib.stats.blocks import shrinkage
from studylib.stats.pairs import SMALLEST_GAMES_HOWELL

DRAWS = 20_000
WORDS = (Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN, Verdict.SAME, Verdict.OPEN)
_LARGEST_DF = 1e6


@dataclass(frozen=True)
class Chances:
    """Probability of each verdict (`WORDS`), from so many drawn studies."""

    of: dict[str, float]
    draws: int

    @property
    def declared(self) -> float:
        """Probability that a difference is declared, whatever the limit says."""
        return sum(self.of[word] for word in decisions.DECLARED)

    def se(self, p: float) -> float:
        """Monte Carlo standard error of a probability p found here."""
        return math.sqrt(max(p * (1 - p), 1.0 / self.draws) / self.draws)


def verdict_chances(
    means: Sequence[float],
    variances: Sequence[float],
    sources: Sequence[int],
    *,
    limit: float | None,
    confidence: float = 0.95,
    primary: int = 1,
    same_possible: bool = True,
    block_columns: int = 0,
    pair: tuple[int, int] = (0, 1),
    draws: int = DRAWS,
    seed: int = 172,
) -> Chances:
    """Probabilities of the verdicts on one pair of woods.

    Parameters
    ----------
    means, variances : of the sources of each wood, shape (woods,), on the scale of analysis.
    sources : number of sources in each wood, 2 or more.
    limit : the difference that matters, on the scale of analysis, above 0; or None.
    confidence : of the report, in (0.5, 1).
    primary : number of primary features.
    same_possible : the bench can tell the changed specimen from the reference.
    block_columns : degrees of freedom that batches cost, over all woods.
    pair : which two woods.

    Raises
    ------
    InputError : fewer than two sources in a wood, or a spread that is not above 0.
    """
    n, variance = np.asarray(sources), np.asarray(variances, dtype=float)
    if n.min() < 2:
        raise InputError("with fewer than 2 sources in a wood nothing is said about woods")
    if not np.all(variance > 0):
        raise InputError(
            "the spread between boards of one wood is zero, which no wood has; give a spread above "
            "0, or a pilot with more boards"
        )
    rng = np.random.default_rng(seed)
    mean = np.asarray(means, dtype=float) + rng.standard_normal((draws, n.size)) * np.sqrt(
        variance / n
    )
    df_own = n - 1 - block_columns / n.size
    if df_own.min() <= 0:
        return Chances({word: float(word == Verdict.OPEN) for word in WORDS}, draws)
    drawn = variance * rng.chisquare(df_own, size=(draws, n.size)) / df_own
    difference = mean[:, pair[1]] - mean[:, pair[0]]
    se, df = _standard_error(drawn, n, df_own, pair, shrinkage(df_own))
    level = (1 - confidence) / primary
    critical = _critical(1 - level, n.size, df)
    half = _critical(confidence, n.size, df) * se
    se90, df90 = _standard_error(drawn, n, df_own, pair, np.eye(n.size))
    half90 = special.stdtrit(df90, 0.95) * se90
    declared = np.abs(difference) > critical * se
    return Chances(_counted(difference, declared, half, half90, limit, same_possible), draws)


def pair_apart(difference: float, woods: int) -> list[float]:
    """Means of the woods: the named pair `difference` apart, the others halfway between."""
    return [0.0, difference, *[difference / 2] * (woods - 2)]


def _standard_error(drawn, n, df_own, pair, mixture) -> tuple[np.ndarray, np.ndarray]:
    """Of the difference, and its degrees of freedom, each of shape (draws,)."""
    a, b = pair
    if n.min() >= SMALLEST_GAMES_HOWELL:
        parts = mixture[a] / n[a] + mixture[b] / n[b]
        taken = drawn @ mixture.T
        square = np.sum((parts * taken) ** 2 / df_own, axis=1)
        return np.sqrt(drawn @ parts), np.maximum((taken @ parts) ** 2 / square, 1.0)
    pooled = drawn @ df_own / df_own.sum()
    df = np.full(pooled.size, max(df_own.sum(), 1.0))
    return np.sqrt(pooled * (1 / n[a] + 1 / n[b])), df


def _counted(difference, declared, half, half90, limit, same_possible) -> dict[str, float]:
    """The rules of `decisions.verdict`, for all draws at once."""
    share = dict.fromkeys(WORDS, 0.0)
    if limit is None:
        share[Verdict.DIFFERENT] = float(declared.mean())
        share[Verdict.OPEN] = float(1 - declared.mean())
        return share
    low, high = difference - half, difference + half
    beyond = declared & ((low > limit) | (high < -limit))
    within = declared & (-limit < low) & (high < limit)
    same = ~declared & (np.abs(difference) + half90 < limit)
    if not same_possible:
        same = np.zeros_like(same)
    share[Verdict.BEYOND], share[Verdict.WITHIN] = float(beyond.mean()), float(within.mean())
    share[Verdict.DIFFERENT] = float((declared & ~beyond & ~within).mean())
    share[Verdict.SAME] = float(same.mean())
    share[Verdict.OPEN] = float((~declared & ~same).mean())
    return share


def _critical(confidence: float, k: int, df: np.ndarray) -> np.ndarray:
    """Studentized-range quantile over sqrt(2) for every df, shape as df."""
    if k == 2:
        return special.stdtrit(df, 0.5 * (1 + confidence))
    if np.ptp(df) == 0:
        return np.full(df.shape, studentized.quantile(confidence, k, float(df[0])) / math.sqrt(2))
    return np.exp(_log_critical(confidence, k)(1.0 / np.minimum(df, _LARGEST_DF)))


@lru_cache(maxsize=64)
def _log_critical(confidence: float, k: int) -> CubicSpline:
    """Logarithm of the critical value over 1/df; relative error below 1e-6 for df >= 1."""
    df = 1.0 / np.concatenate([[1 / _LARGEST_DF], np.linspace(0.004, 1.0, 120)])
    values = [studentized.quantile(confidence, k, float(one)) / math.sqrt(2) for one in df]
    return CubicSpline(1.0 / df, np.log(values))
