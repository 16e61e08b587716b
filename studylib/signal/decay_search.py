"""One round of the search for decays: new ones begun at peaks, and all of them fitted again.

New decays begin at peaks of what is left over. A peak within reach of decays that are there
already means that their group wants one decay more. After that every group is fitted again, with
all the others, as they stand, taken off.

Conventions: as in `signal.decay_fit`.

Functions: with_new_decays, refitted.
Source: as `signal.decay_fit`.
"""

from collections.abc import Iterator

import numpy as np

from studylib.signal.decay_fit import (
    STANDS_OUT,
    TOGETHER,
    Found,
    Search,
    checked_lone_fits,
    dying_away,
    groups_of,
    joined,
    pruned,
    squares_of,
    starts_at,
    subset,
    windows,
)
from studylib.signal.poles import (
    SETTLED,
    STEPS,
    decays_in_bins,
    fit_single_poles,
    local_poles,
    terms,
)

MOST_TOGETHER = 12
OUT_OF_TAILS = 2.0  # times the tails of stronger decays: lower, a peak is not one of its own
ROUGHLY = 3.0  # where new decays are still in each other's way: a second fit follows
LONG = 128  # bins: longer windows are fitted apart from shorter ones


def with_new_decays(
    found: Found,
    peaks: np.ndarray,
    rest: np.ndarray,
    search: Search,
    given_up: set,
) -> Found:
    """The decays with new ones at peaks: at most one in the window of each group.

    given_up : groups that one decay more did no good, by their bins; grows here.
    """
    low, high = windows(found.s, search)
    owner = np.full(len(rest), -1)
    groups = groups_of(found.s)
    for index, group in enumerate(groups):
        owner[low[group].min() : high[group].max() + 1] = index
    picked = peaks[owner[peaks] < 0]
    # The strongest peak of each group: the last one to be entered stands.
    grown = {owner[peak]: peak for peak in peaks[owner[peaks] >= 0][::-1]}
    search.work.spend(STEPS * len(picked))  # beforehand: thousands would not even fit in memory
    parts = [_begun(starts_at(rest, search.turns, picked), picked, rest, search)]
    for index, group in enumerate(groups):
        own, more = subset(found, group), None
        key = tuple(np.round(own.s.imag * search.n).astype(int))
        if (index in grown or own.astray.any()) and key not in given_up:
            more = _one_more(own, grown.get(index), rest, search)
            if more is None:
                given_up.add(key)
        parts.append(own if more is None else more)
    return joined(parts)


def _begun(s: np.ndarray, peaks: np.ndarray, rest: np.ndarray, search: Search) -> Found:
    """New decays with the amplitude that their peak asks for."""
    at = search.turns[peaks]
    unit = (0.5 - 0.5 * np.exp(s * search.n)) / (1.0 - np.exp(s) * at)
    c = rest[peaks] / unit
    # Which peaks, strongest first, are more than the tails of stronger ones. Where two tails meet
    # they can make a hump that is no decay of its own; a true mode hidden there comes out once the
    # tails are taken off.
    tails = np.abs(c[:, None] * terms(s, n=search.n, turns=at))
    own = np.abs(rest[peaks]) > OUT_OF_TAILS * np.sum(np.triu(tails, 1), axis=0)
    s, c = s[own], c[own]
    none = np.full(len(s), np.inf)
    no = np.zeros(len(s), bool)
    return Found(s, c, none, none, none, none, no, no)


def _one_more(own: Found, peak: int | None, rest: np.ndarray, search: Search) -> Found | None:
    """A group with one decay more (or others), or None when that does not do it good."""
    if len(own.s) >= MOST_TOGETHER:
        return None
    low, high = windows(own.s, search)
    low, high = low.min(), high.max() + 1
    turns = search.turns[low:high]
    of = {"n": search.n, "turns": turns}
    target = rest[low:high] + own.c @ terms(own.s, **of)
    best, least = None, squares_of(own, target, of)
    gain = STANDS_OUT * float(search.floor[low:high].mean())
    for s in _starts_of_more(own, peak, rest, target, turns, search):
        trial = pruned(dying_away(s), target, low, search)
        if trial is None:
            continue
        squares = squares_of(trial, target, of)
        if squares < least - gain:
            best, least, gain = trial, squares, 0.0
            if not trial.astray.any():
                break
    return best


def _starts_of_more(own, peak, rest, target, turns, search) -> Iterator[np.ndarray]:
    """Start values for one decay more: the strongest one split in two, a rational fit through
    the group, the peak of what is left."""
    wide = np.argmax(np.abs(own.c))
    apart = 0.6 * np.abs(own.s[wide].real)
    split = own.s[wide].real * 0.6 + 1j * (own.s[wide].imag + apart * np.array([-1.0, 1.0]))
    yield np.r_[np.delete(own.s, wide), split]
    yield local_poles(target, turns=turns, count=len(own.s) + 1)
    if peak is not None:
        yield np.r_[own.s, starts_at(rest, search.turns, np.array([peak]))]


def refitted(found: Found, search: Search, *, together: float = TOGETHER) -> Found:
    """Every group fitted to the bins around it, with all the others as they stand taken off."""
    if not len(found.s):
        return found
    groups = groups_of(found.s, together=together)
    lows, highs = windows(found.s, search)
    spans = [slice(lows[group].min(), highs[group].max() + 1) for group in groups]
    turns = [search.turns[span] for span in spans]
    whole = decays_in_bins(found.s, found.c, n=search.n, turns=np.concatenate(turns))
    others = np.split(whole, np.cumsum([len(part) for part in turns])[:-1])
    parts = []
    for group, span, near, model in zip(groups, spans, turns, others, strict=True):
        if len(group) == 1:
            continue
        own = subset(found, group)
        target = search.bins[span] - model + own.c @ terms(own.s, n=search.n, turns=near)
        fresh = not np.all(np.isfinite(own.noise))
        again = pruned(own.s, target, span.start, search, c=None if fresh else own.c)
        if again is None and fresh:
            again = _begun_otherwise(own.s, target, span.start, search)
        parts.append(own if again is None else again)
    lone = np.array([group[0] for group in groups if len(group) == 1], dtype=int)
    rest = search.bins.copy()
    for span, model in zip(spans, others, strict=True):
        # Windows of different groups may overlap: each is the whole model there, taken off once.
        rest[span] = search.bins[span] - model
    for rows in (lone[highs[lone] - lows[lone] < LONG], lone[highs[lone] - lows[lone] >= LONG]):
        if len(rows):
            parts += _lone_fitted(subset(found, rows), lows[rows], highs[rows] + 1, rest, search)
    return joined(parts)


def _lone_fitted(
    own: Found, low: np.ndarray, high: np.ndarray, rest: np.ndarray, search: Search
) -> list[Found]:
    """Decays that overlap with no other, fitted side by side to bins low to high of what all
    decays together leave over, their own part put back."""
    place = low[:, None] + np.arange(int((high - low).max()))
    inside = place < high[:, None]
    place = np.where(inside, place, low[:, None])
    turns = np.where(inside, search.turns[place], 0.0)
    unit = (0.5 - 0.5 * np.exp(own.s * search.n))[:, None] / (1.0 - np.exp(own.s)[:, None] * turns)
    target = np.where(inside, rest[place] + own.c[:, None] * unit, 0.0)
    fresh = ~np.isfinite(own.noise)
    fit = fit_single_poles(
        target, n=search.n, turns=turns, s=own.s, c=own.c,
        enough=ROUGHLY if fresh.any() else SETTLED,
    )  # fmt: skip
    search.work.spend(fit.steps * len(own.s))
    again, good = checked_lone_fits(fit, target, low, high, search)
    parts = [subset(again, good), subset(own, ~good & ~fresh)]
    for i in np.flatnonzero(~good & fresh):
        row = slice(0, high[i] - low[i])
        other = _begun_otherwise(own.s[[i]], target[i, row], int(low[i]), search)
        parts.append(subset(own, [i]) if other is None else other)
    return parts


def _begun_otherwise(s: np.ndarray, target: np.ndarray, low: int, search: Search) -> Found | None:
    """A group whose first fit went astray, from other starts, with as many decays or one more."""
    turns = search.turns[low : low + len(target)]
    wide = np.argmin(s.real)
    halves = s[wide].real * 0.5 + 1j * (s[wide].imag + s[wide].real * np.array([-0.5, 0.5]))
    starts = [local_poles(target, turns=turns, count=len(s) + more) for more in (0, 1)]
    for start in (*starts, np.r_[np.delete(s, wide), halves]):
        found = pruned(dying_away(start), target, low, search)
        if found is not None:
            return found
    return None
