"""Which of the found frequencies is which bending mode of the bar.

A free board also twists and bends sideways, and a mode tapped at its own node is not heard. So the
frequencies are held against the ladder of a Timoshenko bar, over all plausible speeds of sound and
ratios E/G, and the ladder that explains most is taken: a found step counts for it, a step that
should be there and is not counts against it, and what does not fit is left over and said. A second
ladder that does about as well with another stiffness makes the answer ambiguous, and that is said
too.

Conventions: frequencies in Hz, in any order; orders from 1.
Stated choices, no source: the speed of sound along the board lies between 2,000 and 7,000 m/s
(listed woods: 4,000 to 5,100, see the tests), E/G between 2 and 60, and uneven wood shifts a mode
by up to 2 % from the ladder.

Functions: `find_orders`. Class: `Orders`.
"""

from dataclasses import dataclass

import numpy as np

from studylib.wood import beams

SPEED_RANGE = (2000.0, 7000.0)
SHEAR_RANGE = (2.0, 60.0)
FARTHEST = 0.02
"""How far from its step, as a share, a frequency may lie and still be taken for that mode."""

HIGHEST_ORDER = 16
HIGHEST_ANCHOR = 3
"""Of the bending modes up to this one at least one must be found: the low ones ring loudest."""
_SPREAD = FARTHEST / 3.0
# A frequency that meets a step by chance is rarer (about one in seven) than a mode that a tap
# misses, so a step found weighs more than one missing.
_FOUND, _MISSING, _BELOW = 2.0, 1.2, 1.0
_SHEAR_GRID = np.geomspace(*SHEAR_RANGE, 36)
_DIFFERENT = 0.05  # two readings that agree better than this in E are one
_CLEAR = 1.0  # a rival within this score leaves the answer open


@dataclass(frozen=True)
class Orders:
    """The bending order of each frequency; 0 for one that is no bending mode of this ladder.

    `order` has the frequencies' own order. `rival_gpa` is Young's modulus (Pa / 1e9) of another
    reading that fits about as well, NaN without one.
    """

    order: np.ndarray
    rival_gpa: float

    @property
    def found(self) -> np.ndarray:
        """True for bending modes."""
        return self.order > 0


def find_orders(frequency_hz, bar: beams.Bar) -> Orders:
    """Tell the bending orders of frequencies of a free board, shape (n,), all above 0.

    Nothing fits (all orders 0) when no ladder of a plausible wood meets even one frequency.
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    none = Orders(np.zeros(frequency.size, dtype=int), float("nan"))
    if frequency.size == 0:
        return none
    # Frequencies of the bar at a speed of sound of 1 m/s, shape (ratios E/G, orders).
    order = np.arange(1, HIGHEST_ORDER + 1)
    slender = (
        beams.eigenvalues(HIGHEST_ORDER) ** 2
        / (2 * np.pi * bar.length**2)
        * bar.thickness
        / np.sqrt(12.0)
    )
    shear = beams.timoshenko_ratio(order[None, :], bar.slenderness, _SHEAR_GRID[:, None])
    best = _readings(frequency, slender * shear)
    if not best:
        return none
    score, _, order, speed = best[0]
    rivals = [
        r for r in best[1:] if r[0] > score - _CLEAR and abs(2 * np.log(r[3] / speed)) > _DIFFERENT
    ]
    rival = rivals[0][3] ** 2 * bar.density / 1e9 if rivals else float("nan")
    return Orders(order, float(rival))


def _readings(frequency: np.ndarray, ladders: np.ndarray) -> list[tuple]:
    """(score, steps missing with a minus, orders, speed) of every reading, the best first.

    Each reading sets one frequency on one low step for one E/G; then the speed is refined by the
    mean over all that were met. The best E/G of each set of orders is kept.
    """
    speed = frequency[:, None, None] / ladders[None, :, :HIGHEST_ANCHOR]
    _, row, _ = at = np.nonzero((speed >= SPEED_RANGE[0]) & (speed <= SPEED_RANGE[1]))
    ladder, speed = ladders[row], speed[at]
    off = np.log(frequency[None, :, None] / (speed[:, None, None] * ladder[:, None, :]))
    off = np.where(np.isnan(off), np.inf, off)
    nearest = np.argmin(np.abs(off), axis=2)
    residual = np.take_along_axis(off, nearest[..., None], axis=2)[..., 0]
    # One step takes one frequency, the nearer; one frequency takes one step.
    taken = np.take_along_axis(np.argmin(np.abs(off), axis=1), nearest, axis=1)
    met = (np.abs(residual) <= FARTHEST) & (taken == np.arange(frequency.size))
    order = np.where(met, nearest + 1, 0)
    count = met.sum(axis=1)
    shift = np.where(met, residual, 0.0).sum(axis=1) / np.maximum(count, 1)
    spread = np.where(met, residual - shift[:, None], 0.0)
    missing = order.max(axis=1, initial=0) - count
    first = (speed * ladder[:, 0])[:, None]
    below = ~met & (frequency < first * (1 - FARTHEST)) & (frequency > first / 2)
    score = (
        _FOUND * count - _MISSING * missing - _BELOW * below.sum(axis=1)
        - np.sum((spread / _SPREAD) ** 2, axis=1) / 2.0
    )  # fmt: skip
    speed = speed * np.exp(shift)
    # Of equal readings the one with fewer steps missing, then the stiffer one, comes first.
    sorting = np.lexsort((-speed, missing, -score))
    # A lone frequency fits some step of some wood; only as the first mode is it worth believing.
    sorting = sorting[(count[sorting] > 1) | (order[sorting].max(axis=1, initial=0) == 1)]
    _, first_of = np.unique(order[sorting], axis=0, return_index=True)
    kept = sorting[np.sort(first_of)]
    return [
        (float(score[i]), -int(missing[i]), order[i], float(speed[i])) for i in kept if count[i]
    ]
