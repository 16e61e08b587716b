"""Lists of modes against ladders: which entry of a list is which rung.

A list is the frequencies of one tap, take or board; a ladder is where modes are expected. A list
may be shifted as a whole on the log-frequency scale (a mount, a board's size), entries may be
missing, and foreign ones may stand between.

The model is that of data association under clutter: a rung is present in a list with probability
p and falls at its place with a normal error; foreign entries come at a constant density. A match
of an entry at distance d then adds

    ln(p / (1 - p)) - ln(density sigma sqrt(2 pi)) - d^2 / (2 sigma^2)

to the log-likelihood, so a match that is too far off costs more than a mode called missing. The
best matching in order is found by dynamic programming, the shift by trying every one that puts
some entry on some rung, with a normal prior. Conventions: natural logarithms of frequency;
arrays are padded with NaN; N lists of n entries against N ladders of m rungs, all worked on at
once. Source: the dynamic programme is that of sequence alignment, the gain a likelihood ratio;
common practice.

- `align`: lists against ladders.
- `clear`: which matches leave no doubt between two rungs.
- `shifted`: lists with another prior of their shifts.
- `scattered`: values put into an array.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np

DENSITY = 2.0
"""Foreign entries expected in a list per unit of log frequency (a factor of e)."""
STEP = 0.005  # shifts nearer to each other than this are tried once
FARTHEST = 3.5  # prior standard deviations a shift may be off
TRIED = 64  # rival shifts looked at when the clearest is asked for
_AT_ONCE = 256  # lists
NOTHING = -1e9  # gain of a match with padding
WIDER = 1.6  # spread while a ladder is begun, its first rungs being off as much as the entries


@dataclass(frozen=True)
class Lists:
    """G groups of R lists of n entries, padded with NaN.

    Attributes
    ----------
    x : (G, R, n) log frequencies, rising, padding last.
    sigma : (G, R, n) each entry's own standard deviation, relative.
    gain : (G, R, n) added log-likelihood that an entry is no foreign one (strong ones).
    centre, width : (G, R) mean and standard deviation of the prior of each list's shift;
        width 0 holds the shift at its centre.
    """

    x: np.ndarray
    sigma: np.ndarray
    gain: np.ndarray
    centre: np.ndarray
    width: np.ndarray

    @property
    def there(self) -> np.ndarray:
        """(G, R) lists that hold anything."""
        return np.isfinite(self.x).any(axis=2)

    def at(self, *place: Any) -> "Lists":
        """Those at an index of (G, R), flat: (N, n) and (N,)."""
        return Lists(*(a[place] for a in (self.x, self.sigma, self.gain, self.centre, self.width)))


@dataclass(frozen=True)
class Ladder:
    """Rungs of G groups, (G, m) each, padded with NaN: place, spread and probability."""

    place: np.ndarray
    sigma: np.ndarray
    present: np.ndarray

    def of(self, group: np.ndarray | slice) -> "Ladder":
        """The ladders of these groups, for their lists one by one."""
        return Ladder(*(a[group] for a in (self.place, self.sigma, self.present)))


class Alignment(NamedTuple):
    """Rung of each entry (-1: none), shift, log-likelihood, lead of each entry's rung."""

    rung: np.ndarray
    shift: np.ndarray
    score: np.ndarray
    lead: np.ndarray


class _Pairs(NamedTuple):
    """Every entry against every rung, (N, n, m): gain at distance 0, distance, 1 / variance."""

    top: np.ndarray
    apart: np.ndarray
    weight: np.ndarray

    def gains(self, shift: np.ndarray) -> np.ndarray:
        """(N, n, m) at one shift a list."""
        return self.top - 0.5 * self.weight * (self.apart - shift[:, None, None]) ** 2


def _pairs(lists: Lists, ladder: Ladder) -> _Pairs:
    apart = lists.x[:, :, None] - ladder.place[:, None, :]
    there = np.isfinite(apart)
    variance = lists.sigma[:, :, None] ** 2 + ladder.sigma[:, None, :] ** 2
    weight = np.where(there, 1.0 / np.where(there, variance, 1.0), 0.0)
    p = np.where(np.isfinite(ladder.present), ladder.present, 0.5)
    top = np.log(p / (1 - p))[:, None, :] + lists.gain[:, :, None]
    top = top - np.log(DENSITY * np.sqrt(2 * np.pi * np.where(there, variance, 1.0)))
    return _Pairs(np.where(there, top, NOTHING), np.where(there, apart, 0.0), weight)


def _shifts(pairs: _Pairs, lists: Lists) -> np.ndarray:
    """(N, C) shifts to try: the prior's centre, and all that put an entry on a rung."""
    centre, width = lists.centre[:, None], lists.width[:, None]
    apart = np.where(pairs.weight > 0, pairs.apart, np.nan)
    if not np.isfinite(apart).any():
        return centre
    apart = apart.reshape(len(apart), -1)
    apart = np.sort(np.where(np.abs(apart - centre) <= FARTHEST * width, apart, np.nan), axis=1)
    twice = np.diff(np.floor(apart / STEP), axis=1, prepend=np.nan) == 0
    apart = np.sort(np.where(twice, np.nan, apart), axis=1)
    apart = apart[:, : int(np.isfinite(apart).sum(axis=1).max())]
    return np.concatenate([centre, np.where(np.isnan(apart), centre, apart)], axis=1)


def _prior(shift: np.ndarray, lists: Lists) -> np.ndarray:
    off = (shift.T - lists.centre) / np.where(lists.width > 0, lists.width, 1.0)
    return np.where(lists.width > 0, 0.5 * off**2, 0.0).T


def _best_scores(pairs: _Pairs, shifts: np.ndarray) -> np.ndarray:
    """(N, C) log-likelihood of the best matching in order at each shift."""
    _, n, m = pairs.top.shape
    best = np.zeros((len(shifts), m + 1, shifts.shape[1]))
    for i in range(n):
        top, apart, weight = (each[:, i, :, None] for each in pairs)
        gain = top - 0.5 * weight * (apart - shifts[:, None]) ** 2
        _with_entry(best, gain, best)
    return best[:, m]


def _with_entry(above: np.ndarray, gain: np.ndarray, out: np.ndarray) -> None:
    """Log-likelihood of the best matching of one entry more with the first rungs, (N, m + 1, ...),
    from that without it: the entry is left out, or stands on this rung, or on one before it."""
    found = np.maximum(above[:, 1:], above[:, :-1] + gain)
    np.maximum.accumulate(found, axis=1, out=out[:, 1:])


def _trace(gains: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Rungs (N, n) of the best matching in order, and its log-likelihood (N,)."""
    count, n, m = gains.shape
    table = np.zeros((n + 1, count, m + 1))
    for i in range(n):
        _with_entry(table[i], gains[:, i], table[i + 1])
    rung = np.full((count, n), -1)
    who, j = np.arange(count), np.full(count, m)
    for i in range(n, 0, -1):
        here = table[i, who, j]
        # The first rung with which it is as good, where the entry brings anything.
        first = np.sum(table[i] < here[:, None], axis=1) - 1
        matched = here > table[i - 1, who, j]
        rung[:, i - 1] = np.where(matched, first, -1)
        j = np.where(matched, first, j)
    return rung, table[n, :, m]


def _taken(pairs: _Pairs, rung: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Distances and weights (N, n) of the matches; weight 0 where there is none."""
    if pairs.top.shape[2] == 0:
        return np.zeros(rung.shape), np.zeros(rung.shape)
    index = np.maximum(rung, 0)[:, :, None]
    apart = np.take_along_axis(pairs.apart, index, axis=2)[:, :, 0]
    return apart, np.where(rung >= 0, np.take_along_axis(pairs.weight, index, axis=2)[:, :, 0], 0.0)


def align(lists: Lists, ladder: Ladder, *, lead: bool = False) -> Alignment:
    """Each list against its own ladder: the best matching in order at the best shift.

    Parameters
    ----------
    lists : flat, N lists.
    ladder : (N, m) rungs.
    lead : work out by how much the best shift leads over rival ones.

    Returns
    -------
    Alignment : `lead` is, for each entry, the difference of log-likelihood to the best shift
        that would give it another rung; infinite without one, or when it was not asked for.
    """
    # Some after the others: all pairs of thousands of taps take much room. Rivals are looked at
    # among as many shifts as the list with the most has.
    some = len(lists.x) if lead else _AT_ONCE
    parts = [slice(i, i + some) for i in range(0, len(lists.x), some)] or [slice(0)]
    found = [_align(lists.at(own), ladder.of(own), lead=lead) for own in parts]
    return Alignment(*map(np.concatenate, zip(*found, strict=True)))


def _align(lists: Lists, ladder: Ladder, *, lead: bool) -> Alignment:
    pairs = _pairs(lists, ladder)
    shifts = _shifts(pairs, lists)
    scores = _best_scores(pairs, shifts) - _prior(shifts, lists)
    shift = np.take_along_axis(shifts, scores.argmax(axis=1)[:, None], axis=1)[:, 0]
    hold = np.where(lists.width > 0, 1.0 / np.maximum(lists.width, 1e-12) ** 2, 0.0)
    for _ in range(2):
        rung, _ = _trace(pairs.gains(shift))
        apart, weight = _taken(pairs, rung)
        total = weight.sum(axis=1) + hold
        mean = (weight * apart).sum(axis=1) + hold * lists.centre
        shift = np.where(hold > 0, mean / np.where(total > 0, total, 1.0), lists.centre)
    rung, score = _trace(pairs.gains(shift))
    score = score - _prior(shift[:, None], lists)[:, 0]
    ahead = (
        score[:, None] - _best_rivals(pairs, shifts, scores, rung)
        if lead and shifts.shape[1] > 1
        else np.full(rung.shape, np.inf)
    )
    return Alignment(rung, shift, score, ahead)


def _best_rivals(
    pairs: _Pairs, shifts: np.ndarray, scores: np.ndarray, rung: np.ndarray
) -> np.ndarray:
    """(N, n) score of the best shift that gives an entry another rung; -inf without one."""
    best = np.full(rung.shape, -np.inf)
    for c in np.argsort(-scores, axis=1, kind="stable")[:, :TRIED].T:
        other, _ = _trace(pairs.gains(np.take_along_axis(shifts, c[:, None], axis=1)[:, 0]))
        rival = (other >= 0) & (rung >= 0) & (other != rung)
        best = np.where(
            rival, np.maximum(best, np.take_along_axis(scores, c[:, None], axis=1)), best
        )
    return best


def clear(lists: Lists, ladder: Ladder, found: Alignment, *, margin: float = 1.0) -> np.ndarray:
    """(N, n) matches that no free neighbouring rung would take nearly as well.

    Parameters
    ----------
    margin : least difference of log-likelihood between the rung taken and a free one beside it.
    """
    if ladder.place.shape[1] == 0:
        return np.zeros(found.rung.shape, dtype=bool)
    gains = _pairs(lists, ladder).gains(found.shift)
    who, entry = np.nonzero(found.rung >= 0)
    used = scattered(gains.shape[::2], (who, found.rung[who, entry]), True, empty=False)
    own = np.take_along_axis(gains, np.maximum(found.rung, 0)[:, :, None], axis=2)
    free = np.where(used[:, None, :], -np.inf, gains).max(axis=2)
    return (found.rung >= 0) & (own[:, :, 0] - free >= margin)


def scattered(shape: tuple[int, ...], at: tuple, values: Any, *, empty: float) -> np.ndarray:
    """An array of this shape with values at some places, and `empty` everywhere else."""
    out = np.full(shape, empty)
    out[at] = values
    return out


def shifted(lists: Lists, *, centre: np.ndarray, width: np.ndarray | float) -> Lists:
    """The same lists with another prior of their shifts."""
    return replace(lists, centre=centre, width=np.full(centre.shape, width))


class Spread(NamedTuple):
    """Standard deviation of an entry about its rung: first guess, least and most."""

    guess: float
    least: float
    most: float


class Built(NamedTuple):
    """The ladder, with counts (G, m); rungs (G, R, n), shifts (G, R), log-likelihoods (G,)."""

    ladder: Ladder
    count: np.ndarray
    rung: np.ndarray
    shift: np.ndarray
    score: np.ndarray


def build(
    lists: Lists, spread: Spread, *, order: np.ndarray | None = None, rounds: int = 4
) -> Built:
    """The common ladder of each group of lists.

    The lists are taken up one after the other, each entry without a rung becoming a new one;
    then all are matched anew to the medians, a few times over.

    Parameters
    ----------
    lists : G groups of R lists.
    spread : of entries about their rungs.
    order : the order in which the R lists are taken up.
    rounds : how often all lists are matched anew.

    Returns
    -------
    Built
    """
    there = lists.there
    ladder = _take_up(lists, spread, range(there.shape[1]) if order is None else order)
    found = _all_against(lists, ladder)
    for _ in range(rounds):
        ladder = _anew(lists, found, ladder, spread)
        found = _all_against(lists, ladder)
    count = (on_rungs(lists.x, found.rung, ladder.place.shape[1]) > -np.inf).sum(axis=1)
    missing = np.where(np.isfinite(ladder.present), np.log1p(-np.nan_to_num(ladder.present)), 0.0)
    score = found.score.sum(axis=1) + missing.sum(axis=1) * there.sum(axis=1)
    return Built(ladder, count, found.rung, found.shift, score)


def _all_against(lists: Lists, ladder: Ladder) -> Alignment:
    """Every list against its group's ladder, (G, R, n) and (G, R); those that hold nothing, of
    which there may be many where one group has far more lists than the others, cost nothing."""
    at = np.nonzero(lists.there)
    found = align(lists.at(*at), ladder.of(at[0]))
    rung, shift, score = np.full(lists.x.shape, -1), lists.centre.copy(), 0.0 * lists.centre
    rung[at], shift[at], score[at] = found[:3]
    return Alignment(rung, shift, score, np.empty(0))


def _take_up(lists: Lists, spread: Spread, order: Iterable[int]) -> Ladder:
    groups = len(lists.x)
    place, count = np.full((groups, 0), np.nan), np.zeros((groups, 0))
    seen = np.zeros(groups)
    for r in order:
        # List `r` of each group that has one.
        own = np.flatnonzero(lists.there[:, r])
        entries = lists.at(own, r)
        wide = np.full(place.shape, WIDER * spread.guess)
        found = align(entries, _ladder(place, count, seen, wide).of(own))
        # Before there is a ladder a list stands where its prior says.
        at = entries.x - found.shift[:, None]
        who, entry = np.nonzero(found.rung >= 0)
        taken = own[who], found.rung[who, entry]
        count[taken] += 1
        place[taken] += (at[who, entry] - place[taken]) / count[taken]
        without = np.where(found.rung < 0, at, np.nan)
        new = scattered((groups, at.shape[1]), (own,), without, empty=np.nan)
        place = np.concatenate([place, new], axis=1)
        count = np.concatenate([count, np.isfinite(new).astype(float)], axis=1)
        place, count = _sorted(place, count)
        seen[own] += 1
    return _ladder(place, count, seen, np.full(place.shape, WIDER * spread.guess))


def _ladder(place: np.ndarray, count: np.ndarray, seen: np.ndarray, sigma: np.ndarray) -> Ladder:
    present = (count + 0.5) / (np.maximum(seen[:, None], count) + 1.0)
    return Ladder(place, sigma, np.where(np.isfinite(place), present, np.nan))


def _sorted(place: np.ndarray, *others: np.ndarray) -> list[np.ndarray]:
    """Rungs in rising order, padding last and cut off."""
    order = np.argsort(place, axis=1, kind="stable")
    keep = int(np.isfinite(place).sum(axis=1).max(initial=0))
    return [np.take_along_axis(a, order, axis=1)[:, :keep] for a in (place, *others)]


def on_rungs(values: np.ndarray, rung: np.ndarray, m: int) -> np.ndarray:
    """(G, R, m) the values that stand on each rung of each list; -inf for none."""
    g, r, entry = np.nonzero(rung >= 0)
    at = g, r, rung[g, r, entry]
    return scattered((*values.shape[:2], m), at, values[g, r, entry], empty=-np.inf)


def median_on_rungs(values: np.ndarray, rung: np.ndarray, m: int) -> np.ndarray:
    """(G, m) medians over the lists of the values on each rung; NaN on an empty rung."""
    placed = np.sort(on_rungs(values, rung, m), axis=1)
    many = placed.shape[1]
    count = (placed > -np.inf).sum(axis=1)
    low = np.minimum(many - count + (count - 1) // 2, many - 1)
    high = np.minimum(many - count + count // 2, many - 1)
    middle = [np.take_along_axis(placed, i[:, None, :], axis=1)[:, 0] for i in (low, high)]
    return np.where(count > 0, 0.5 * np.where(count > 0, middle[0] + middle[1], 0.0), np.nan)


def _anew(lists: Lists, found: Alignment, ladder: Ladder, spread: Spread) -> Ladder:
    """The ladder from the matches: medians, spreads about them, and twins made one."""
    m, rung, shift = ladder.place.shape[1], found.rung, found.shift
    free = lists.there & (lists.width > 0)
    # Shifts are known up to a constant: their middle stands where the priors put it.
    middle = np.array(
        [
            np.median(row[ok]) if ok.any() else 0.0
            for row, ok in zip(shift - lists.centre, free, strict=True)
        ]
    )
    at = lists.x - (shift - middle[:, None] * free)[:, :, None]
    place = median_on_rungs(at, rung, m)
    placed = on_rungs(at, rung, m)
    on = placed > -np.inf
    count = on.sum(axis=1).astype(float)
    square = np.where(on, placed - np.nan_to_num(place)[:, None, :], 0.0) ** 2
    sigma = np.sqrt((4 * spread.guess**2 + square.sum(axis=1)) / (4 + count)).clip(
        spread.least, spread.most
    )
    place, count = _join_twins(place, count, on, sigma)
    place, count, sigma = _sorted(place, count, sigma)
    return _ladder(place, count, lists.there.sum(axis=1), sigma)


def _join_twins(
    place: np.ndarray, count: np.ndarray, on: np.ndarray, sigma: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Neighbouring rungs that never occur together and lie within their spread become one."""
    if place.shape[1] < 2:
        return place, count
    together = (on[:, :, 1:] & on[:, :, :-1]).any(axis=1)
    twin = ~together & (np.diff(place, axis=1) < 3.0 * np.maximum(sigma[:, 1:], sigma[:, :-1]))
    twin[:, 1:] &= ~twin[:, :-1]
    total = count[:, 1:] + count[:, :-1]
    weighted = place[:, :-1] * count[:, :-1] + place[:, 1:] * count[:, 1:]
    place, count = place.copy(), count.copy()
    place[:, :-1] = np.where(twin, weighted / np.maximum(total, 1), place[:, :-1])
    count[:, :-1] = np.where(twin, total, count[:, :-1])
    place[:, 1:] = np.where(twin, np.nan, place[:, 1:])
    return place, count
