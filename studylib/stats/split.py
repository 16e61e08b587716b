"""What a difference between two woods acts through: how boards were cut, their density, stiffness
and loss, and what the bar does not explain.

Each board of one wood is turned into each board of the other, one group of its numbers after the
other, by the model of `wood.forward`. What a group changes depends on what was changed before; its
part is the mean over all orders in which the material's groups stay together and the sizes come
before or after them (Owen 1977: Shapley's value in two tiers), and over all pairs of boards. The
parts add up to the predicted difference; the rest, up to the measured one, is not explained.

At one frequency the parts are in dB. Over a band, each is its mean product with the measured
difference over that difference's root mean square: these add up to the root mean square. A rest
that has nothing in common with the difference adds nothing to that sum, and is told beside it as
its own root mean square.

What chance adds to a mean product is taken off by the jackknife (Quenouille 1956), which is exact
for products of means; at one frequency there is nothing to take off.

Intervals: the two-sample jackknife over sources (Arvesen 1969) with the degrees of freedom of
Satterthwaite (1946), plus the variance over draws that the measurements of the boards allow. That
counts errors of a board's own twice, and so errs on the wide side.

Conventions: dB, wood b minus wood a; curves (sources, frequencies).

Functions: `changes`, `paired`, `split`. Classes: `Pairing`, `Part`. Data: `PARTS`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import partial
from itertools import combinations, permutations

import numpy as np
from scipy.special import stdtrit

from studylib import elsewhere
from studylib.wood import prediction

SIZES, *MATERIAL = prediction.GROUPS
REST = "not explained"
PARTS = (SIZES, *MATERIAL, "material", REST, "difference")
_ORDERS = [
    order
    for inner in permutations(MATERIAL)
    for order in ((SIZES, *inner), (*inner, SIZES))
]  # fmt: skip
_BEFORE = {
    name: [frozenset(order[: order.index(name)]) for order in _ORDERS] for name in prediction.GROUPS
}
_SETS = [
    frozenset(own) for n in range(len(_BEFORE) + 1) for own in combinations(prediction.GROUPS, n)
]
MOST_PAIRS = 64  # of boards of two woods, where each still meets one of the other


@dataclass(frozen=True)
class Part:
    """One part of a difference in dB with its interval."""

    name: str
    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Pairing:
    """Pairs of boards of two woods and what each change of a group does, in dB.

    a, b : source of each pair's boards, (pairs,).  weight : (pairs,), each source alike.
    change : (pairs, groups, draws, frequencies), draw 0 the best estimate; NaN for the others of
        the pairs beyond `MOST_PAIRS`: what errors do to the mean of so many errs on the wide side.
    """

    a: np.ndarray
    b: np.ndarray
    weight: np.ndarray
    change: np.ndarray

    def at(self, own: slice) -> "Pairing":
        """Some of the frequencies."""
        return replace(self, change=self.change[..., own])


def changes(
    one: prediction.Numbers, other: prediction.Numbers, frequency_hz, bench: prediction.OnBench
) -> np.ndarray:
    """What each group changes on the way from one board to the other, (groups, draws, F)."""

    many = replace(bench, drive_m=np.tile(bench.drive_m, len(_SETS)))
    found = prediction.levels_db(prediction.swapped(one, other, _SETS), frequency_hz, many)
    levels = dict(zip(_SETS, np.split(found, len(_SETS)), strict=True))
    return np.array(
        [
            np.mean([levels[groups | {name}] - levels[groups] for groups in own], axis=0)
            for name, own in _BEFORE.items()
        ]
    )


def paired(
    numbers: Mapping[str, prediction.Numbers],
    bench: prediction.OnBench,
    a: Mapping[str, int],
    b: Mapping[str, int],
    frequency_hz,
) -> Pairing:
    """All pairs of boards, or each board with as many others as `MOST_PAIRS` allow.

    numbers, bench : with as many draws as are wanted.  a, b : board -> its source's number.
    """
    few, many = sorted(((list(a), 0), (list(b), 1)), key=lambda names: len(names[0]))
    pairs = [
        (name, few[0][(i + k) % len(few[0])])
        for i, name in enumerate(many[0])
        for k in range(min(len(few[0]), max(MOST_PAIRS // len(many[0]), 1)))
    ]
    pairs = [pair if many[1] == 0 else pair[::-1] for pair in pairs]
    source = np.array([(a[i], b[j]) for i, j in pairs]).T
    own = [np.bincount(one)[one] for one in source]
    shape = len(pairs), len(prediction.GROUPS), len(bench.drive_m), len(frequency_hz)
    change = np.full(shape, np.nan)
    draws = [slice(None if at < MOST_PAIRS else 1) for at in range(len(pairs))]
    found = elsewhere.each(
        partial(changes, *(numbers[n].draw(some) for n in pair), frequency_hz, bench.draw(some))
        for pair, some in zip(pairs, draws, strict=True)
    )
    for at, (some, one) in enumerate(zip(draws, found, strict=True)):
        change[at, :, some] = one
    return Pairing(*source, 1.0 / (own[0] * own[1]), change)


def split(
    pairing: Pairing, measured: np.ndarray, a: np.ndarray, b: np.ndarray, *, confidence: float
) -> tuple[list[Part], Part]:
    """The parts of a difference, in the order of `PARTS`, and the root mean square of the rest.

    Parameters
    ----------
    measured : (sources, F) with what batches differ by taken off; one frequency gives parts in dB,
        several those of the root mean square.
    a, b : the numbers of either wood's sources, two or more of each.
    """
    whole = _parts(pairing, measured, a, b, 0)
    value, variance, own_df = whole, np.zeros_like(whole), np.zeros_like(whole)
    for own in (a, b):
        left = np.array([_parts(pairing, measured, a[a != one], b[b != one], 0) for one in own])
        size = len(own)
        value = value + (size - 1.0) * (whole - left.mean(axis=0))
        part = (size - 1.0) / size * np.sum((left - left.mean(axis=0)) ** 2, axis=0)
        variance += part
        own_df += part**2 / (size - 1.0)
    df = variance**2 / np.maximum(own_df, np.finfo(float).tiny)
    drawn = [_parts(pairing, measured, a, b, draw) for draw in range(1, pairing.change.shape[2])]
    half = stdtrit(np.maximum(df, 1.0), (1.0 + confidence) / 2.0) * np.sqrt(
        variance + np.var(drawn, axis=0)
    )
    low, high, many = value - half, value + half, measured.shape[1] > 1
    # Mean products become decibels over the root of the difference's own mean square.
    scale = np.sqrt(value[-2] if value[-2] > 0.0 else whole[-2]) if many else 1.0
    parts = [
        Part(name, *(float(end) for end in np.array(ends) / scale))
        for name, *ends in zip(PARTS, value[:-1], low[:-1], high[:-1], strict=True)
    ]
    ends = np.sqrt(np.maximum([value[-1], low[-1], high[-1]], 0.0))
    return parts, Part("rest", *map(float, ends))


def _parts(pairing: Pairing, measured, a, b, draw: int) -> np.ndarray:
    """In the order of `PARTS`: values at one frequency, mean products with the difference over
    several; then the mean square of the rest."""
    kept = np.isin(pairing.a, a) & np.isin(pairing.b, b) & ~np.isnan(pairing.change[:, 0, draw, 0])
    change = np.average(pairing.change[kept, :, draw], axis=0, weights=pairing.weight[kept])
    difference = measured[b].mean(axis=0) - measured[a].mean(axis=0)
    rest = difference - change.sum(axis=0)
    each = np.vstack([change, change[1:].sum(axis=0), rest, difference])
    each = each * difference if len(difference) > 1 else each
    return np.append(np.mean(each, axis=1), np.mean(rest**2))
