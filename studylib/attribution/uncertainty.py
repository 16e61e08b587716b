"""How components of uncertainty and bounds make the interval of a ratio of amplitudes.

Uncertainty after GUM (JCGM 100): independent relative components combine in quadrature with
Welch-Satterthwaite degrees of freedom; noise of an amplitude acts as a distance in the complex
plane, so that its expanded interval in decibels is not symmetric; leaks and what a sweep's end cut
off are bounds and are added as such. The interval is at 99 %, corrected for the rows of the
specimen (Bonferroni).

Conventions: natural logarithms of amplitude (nepers) throughout; arrays over the multiples k.

Contents: Term, Bound, coverage, side, shift, or_zero.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

from studylib.signal.harmonics import DB_PER_RATIO

DB = DB_PER_RATIO  # decibels a neper
ERROR = 0.01  # of a specimen's intervals together


def or_zero(values: np.ndarray) -> np.ndarray:
    """NaN as 0: what was not tested bounds nothing (quicker than nan_to_num on short arrays)."""
    return np.where(np.isnan(values), 0.0, values)


class Term(NamedTuple):
    """One component: `u` relative (K,), degrees of freedom, and what it acts on."""

    name: str
    u: np.ndarray
    df: np.ndarray
    acts: str  # "top": noise of the observed, "bottom": of the predicted, "spread": a factor


class Bound(NamedTuple):
    """Largest share (K,) by which something not measured out can shift a side.

    found (K,): it was really there. A leak that was only bounded (`found` False) would have to
    cancel by chance to hide behind agreement, but could make an excess alone: so it counts before
    anything is called beyond the driver, and not in the interval.
    """

    name: str
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
    outward = (term.acts == "top") == up
    return np.log1p(far) if outward else _down(far)


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
