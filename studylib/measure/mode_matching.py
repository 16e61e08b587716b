"""The common ladder of several lists of modes, and which entry stands on which rung.

The lists of a group (the taps of a take, the takes of a board, the boards of a study) are taken
up one after the other by `mode_alignment`, then all matched anew to the medians of their matches,
a few times over, with spreads and probabilities learnt from them. Conventions: as there; G groups
of R lists of n entries, all groups at once.

- `build`: ladders of groups of lists.
- `median_on_rungs`: what the lists of each group say of each rung.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import numpy as np

from studylib.measure.mode_alignment import Alignment, Ladder, Lists, align

WIDER = 1.6  # spread while a ladder is begun, its first rungs being off as much as the entries


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
    groups, many, n = lists.x.shape
    ladder = _take_up(lists, spread, range(many) if order is None else order)
    flat, there = lists.flat(), lists.there
    for _ in range(rounds):
        found = align(flat, ladder.repeated(many))
        ladder = _anew(lists, found, ladder, spread)
    found = align(flat, ladder.repeated(many))
    rung = found.rung.reshape(groups, many, n)
    count = (_on_rungs(lists.x, rung, ladder.place.shape[1]) > -np.inf).sum(axis=1)
    missing = np.where(np.isfinite(ladder.present), np.log1p(-np.nan_to_num(ladder.present)), 0.0)
    score = found.score.reshape(groups, many).sum(axis=1) + missing.sum(axis=1) * there.sum(axis=1)
    return Built(ladder, count, rung, found.shift.reshape(groups, many), score)


def _take_up(lists: Lists, spread: Spread, order: Iterable[int]) -> Ladder:
    groups = len(lists.x)
    place, count = np.full((groups, 0), np.nan), np.zeros((groups, 0))
    seen = np.zeros(groups)
    for r in order:
        entries = lists.one(r)
        there = np.isfinite(entries.x)
        ladder = _ladder(place, count, seen, np.full(place.shape, WIDER * spread.guess))
        found = align(entries, ladder)
        # Before there is a ladder a list stands where its prior says.
        at = entries.x - found.shift[:, None]
        who, entry = np.nonzero(found.rung >= 0)
        rung = found.rung[who, entry]
        count[who, rung] += 1
        place[who, rung] += (at[who, entry] - place[who, rung]) / count[who, rung]
        new = there & (found.rung < 0)
        place = np.concatenate([place, np.where(new, at, np.nan)], axis=1)
        count = np.concatenate([count, new.astype(float)], axis=1)
        place, count = _sorted(place, count)
        seen += there.any(axis=1)
    return _ladder(place, count, seen, np.full(place.shape, WIDER * spread.guess))


def _ladder(place: np.ndarray, count: np.ndarray, seen: np.ndarray, sigma: np.ndarray) -> Ladder:
    present = (count + 0.5) / (np.maximum(seen[:, None], count) + 1.0)
    return Ladder(place, sigma, np.where(np.isfinite(place), present, np.nan))


def _sorted(place: np.ndarray, *others: np.ndarray) -> list[np.ndarray]:
    """Rungs in rising order, padding last and cut off."""
    order = np.argsort(place, axis=1, kind="stable")
    keep = int(np.isfinite(place).sum(axis=1).max(initial=0))
    return [np.take_along_axis(a, order, axis=1)[:, :keep] for a in (place, *others)]


def _on_rungs(values: np.ndarray, rung: np.ndarray, m: int) -> np.ndarray:
    """(G, R, m) the values that stand on each rung of each list; -inf for none."""
    groups, many, _ = values.shape
    placed = np.full((groups, many, m), -np.inf)
    g, r, entry = np.nonzero(rung >= 0)
    placed[g, r, rung[g, r, entry]] = values[g, r, entry]
    return placed


def median_on_rungs(values: np.ndarray, rung: np.ndarray, m: int) -> np.ndarray:
    """(G, m) medians over the lists of the values on each rung; NaN on an empty rung."""
    placed = np.sort(_on_rungs(values, rung, m), axis=1)
    many = placed.shape[1]
    count = (placed > -np.inf).sum(axis=1)
    low = np.minimum(many - count + (count - 1) // 2, many - 1)
    high = np.minimum(many - count + count // 2, many - 1)
    middle = [np.take_along_axis(placed, i[:, None, :], axis=1)[:, 0] for i in (low, high)]
    return np.where(count > 0, 0.5 * np.where(count > 0, middle[0] + middle[1], 0.0), np.nan)


def _anew(lists: Lists, found: Alignment, ladder: Ladder, spread: Spread) -> Ladder:
    """The ladder from the matches: medians, spreads about them, and twins made one."""
    groups, many, n = lists.x.shape
    m = ladder.place.shape[1]
    rung = found.rung.reshape(groups, many, n)
    shift = found.shift.reshape(groups, many)
    free = lists.there & (lists.width > 0)
    off = np.where(free, shift - lists.centre, np.nan)
    # Shifts are known up to a constant: their middle stands where the priors put it.
    middle = np.array(
        [np.median(row[ok]) if ok.any() else 0.0 for row, ok in zip(off, free, strict=True)]
    )
    at = lists.x - (shift - middle[:, None] * free)[:, :, None]
    place = median_on_rungs(at, rung, m)
    placed = _on_rungs(at, rung, m)
    on = placed > -np.inf
    count = on.sum(axis=1).astype(float)
    square = np.where(on, placed - np.nan_to_num(place)[:, None, :], 0.0) ** 2
    sigma = np.sqrt((4 * spread.guess**2 + square.sum(axis=1)) / (4 + count))
    sigma = np.clip(sigma, spread.least, spread.most)
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
