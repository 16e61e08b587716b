"""How far repeats of one mount, and mounts of one board, lie apart: pooled over the study.

Conventions: variances of the natural logarithm of a response, real part (level) and imaginary
part (phase, radians) apart, each with its degrees of freedom. Pooled variances: sums of squares
over sums of degrees of freedom (ISO 5725-2).

Contents: Spread, take_spread, remount_spreads.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np


class Spread(NamedTuple):
    """Variance of a level (nepers squared) and of a phase (radians squared); df of both."""

    level: float
    phase: float
    df: int


NOT_KNOWN = Spread(np.nan, np.nan, 0)


def take_spread(groups: Iterable[Sequence[complex]]) -> Spread:
    """Spread between repeats: each group holds one response, taken several times."""
    return _pooled(np.asarray(group) for group in groups)


def remount_spreads(boards: Iterable[np.ndarray], *, size: int) -> list[Spread]:
    """Spread between mounts at each multiple; a board is complex (mounts, K), NaN where unknown.

    Where no board was mounted twice, what all multiples together give; NOT_KNOWN without any.
    """
    boards = list(boards)
    each = [_pooled(board[np.isfinite(board[:, k]), k] for board in boards) for k in range(size)]
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


def _pooled(groups: Iterable[np.ndarray]) -> Spread:
    level = phase = 0.0
    df = 0
    for group in groups:
        if len(group) < 2:
            continue
        # Against the group's own mean, so that phases do not wrap.
        z = np.log(group / group.mean())
        level += float(((z.real - z.real.mean()) ** 2).sum())
        phase += float(((z.imag - z.imag.mean()) ** 2).sum())
        df += len(group) - 1
    return Spread(level / df, phase / df, df) if df else NOT_KNOWN
