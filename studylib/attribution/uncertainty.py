"""What an interval is made of: spreads between takes and mounts, noise, bounds.

Spreads: how far repeats of one mount, and mounts of one board, lie apart, pooled over the study.
They are variances of the natural logarithm of a response, real part (level) and imaginary part
(phase, radians) apart, each with its degrees of freedom. Pooled variances: sums of squares over
sums of degrees of freedom (ISO 5725-2).

Uncertainty after GUM (JCGM 100): independent relative components combine in quadrature with
Welch-Satterthwaite degrees of freedom; noise of an amplitude acts as a distance in the complex
plane, so that its expanded interval in decibels is not symmetric; leaks and what a sweep's end cut
off are bounds and are added as such. The interval is at 99 %, corrected for the rows of the
specimen (Bonferroni).

Conventions: natural logarithms of amplitude (nepers) throughout; arrays over the multiples k.

Contents: Spread, take_spread, remount_spreads, remount_reach; Term, Bound, coverage, side, shift,
or_zero.
"""

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

from studylib.codes.attribution import Cause
from studylib.signal.harmonics import DB_PER_RATIO

DB = DB_PER_RATIO  # decibels a neper
ERROR = 0.01  # of a specimen's intervals together


def or_zero(values: np.ndarray) -> np.ndarray:
    """NaN as 0: what was not tested bounds nothing (quicker than nan_to_num on short arrays)."""
    return np.where(np.isnan(values), 0.0, values)


class Spread(NamedTuple):
    """Variance of a level (nepers squared) and of a phase (radians squared); df of both."""

    level: float
    phase: float
    df: int


NOT_KNOWN = Spread(np.nan, np.nan, 0)


def take_spread(groups: Iterable[Sequence[complex]]) -> Spread:
    """Spread between repeats: each group holds one response, taken several times."""
    return _pooled([np.array(group)[:, None] for group in groups], size=1)[0]


def remount_spreads(boards: Iterable[np.ndarray], *, size: int) -> list[Spread]:
    """Spread between mounts at each multiple; a board is complex (mounts, K), NaN where unknown.

    Where no board was mounted twice, what all multiples together give; NOT_KNOWN without any.
    """
    each = _pooled(list(boards), size=size)
    known = [spread for spread in each if spread.df]
    if not known:
        return each
    df = sum(spread.df for spread in known)
    together = Spread(
        sum(spread.level * spread.df for spread in known) / df,
        sum(spread.phase * spread.df for spread in known) / df,
        df,
    )
    return [spread if spread.df else together for spread in each]


def remount_reach(spreads: Sequence[Spread]) -> np.ndarray:
    """How far two mounts of one board lie apart at most, at 99 %, nepers (K,); NaN where unknown.

    What a contact or a room does between two takes of one mount is not more than that.
    """
    df = np.array([max(spread.df, 1) for spread in spreads], dtype=float)
    level = np.array([spread.level if spread.df else np.nan for spread in spreads])
    return stdtrit(df, 1.0 - ERROR / 2.0) * np.sqrt(2.0 * level)


@np.errstate(divide="ignore", invalid="ignore")
def _pooled(groups: Sequence[np.ndarray], *, size: int) -> list[Spread]:
    """Column by column of groups, complex (n, size) each; what is NaN is left out."""
    values = np.full((max(map(len, groups), default=1), len(groups), size), np.nan + 0j)
    for i, group in enumerate(groups):
        values[: len(group), i] = group
    there = np.isfinite(values)
    n = np.maximum(there.sum(axis=0), 1)
    # Against the group's own mean, so that phases do not wrap.
    z = np.log(values / (np.where(there, values, 0.0).sum(axis=0) / n))
    parts = np.where(there, [z.real, z.imag], 0.0)
    away = np.where(there, parts - parts.sum(axis=1, keepdims=True) / n, 0.0)
    squares = (sum(part, np.zeros(size)).tolist() for part in (away**2).sum(axis=1))
    return [
        Spread(level / df, phase / df, df) if df else NOT_KNOWN
        for level, phase, df in zip(*squares, (n - 1).sum(axis=0).tolist(), strict=True)
    ]


class Term(NamedTuple):
    """One component: `u` relative (K,), degrees of freedom, and what it acts on."""

    cause: Cause
    u: np.ndarray
    df: np.ndarray
    acts: str  # "top": noise of the observed, "bottom": of the predicted, "spread": a factor


class Bound(NamedTuple):
    """Largest share (K,) by which something not measured out can shift a side.

    found (K,): it was really there. A leak that was only bounded (`found` False) would have to
    cancel by chance to hide behind agreement, but could make an excess alone: so it counts before
    anything is called beyond the driver, and not in the interval.
    """

    cause: Cause
    share: np.ndarray
    acts: str  # "top", "bottom", or "both": worked out elsewhere
    found: np.ndarray


def coverage(terms: list[Term], *, rows: int) -> tuple[np.ndarray, np.ndarray]:
    """(Student's quantile for all rows of the specimen together, combined u) at each multiple."""
    square = sum(term.u**2 for term in terms)
    fourth = sum(term.u**4 / term.df for term in terms)
    df = np.where(fourth > 0, square**2 / fourth, 1e6)
    df = np.clip(np.where(np.isnan(df), 1.0, df), 1.0, 1e6)
    return stdtrit(df, 1.0 - ERROR / (2.0 * max(rows, 1))), np.sqrt(square)


def _reach(term: Term, q: np.ndarray, *, up: bool) -> np.ndarray:
    """How far one component moves the upper or lower end, nepers."""
    far = q * term.u
    if term.acts == "spread":
        return far
    # A noise of the observed lowers it by -ln(1 - far) but raises it by ln(1 + far) only.
    return np.log1p(far) if (term.acts == "top") == up else _down(far)


def side(terms: list[Term], q: np.ndarray, *, up: bool) -> np.ndarray:
    """Width of one side of the interval, nepers: the components' reaches in quadrature."""
    return np.sqrt(sum(_reach(term, q, up=up) ** 2 for term in terms))


def shift(bounds: list[Bound], *, up: bool) -> np.ndarray:
    """What the bounds, all at their worst and in phase, move one end by, nepers."""
    top = sum((bound.share for bound in bounds if bound.acts == "top"), np.zeros(1))
    bottom = sum((bound.share for bound in bounds if bound.acts == "bottom"), np.zeros(1))
    gain, loss = (top, bottom) if up else (bottom, top)
    return np.log1p(gain) + _down(loss) if up else -_down(loss) - np.log1p(gain)


def _down(share: np.ndarray) -> np.ndarray:
    """-ln(1 - share); infinite from a share of 1 on."""
    return np.where(share < 1.0, -np.log1p(-np.minimum(share, 1.0 - 1e-16)), np.inf)
