"""The search for decays in the bins of a transform, from the strongest peak down, dry or in a room.

A room fills every peak with ripples and hangs them on its flanks. What is left once a decay is
taken off counts as another one only where it is far more than the room makes of the decays found
so far: the room's share of them, which is taken from what they leave over and falls as more is
found. So the first rounds see only what is plain, and later ones what the room allows. Where no
room is heard, the share is known: what an imperfect decay leaves over (`signal.decays`).

Each round begins decays at the strongest peaks of the rest, fits every group of overlapping ones
to the bins around it (those that stand by themselves all at once), and drops what does not stand
out. A fit is held within its bins and
short of a knock's steepness, so that none can run away; the number of rounds and of decays is
bounded. Peaks at which no decay stands are the caller's to name.

Conventions: as in `signal.poles`; bins count from the first of the search.

Functions: bins_of, search_in_room, one_round, loud_peaks, room_share, steepest, small_groups.
Bins, Found, Way.
Source: least squares on the bins (`signal.poles`), which is maximum likelihood where no room is
heard; the limits are our own choice, tried out on recorded strokes and in simulated rooms.
"""

from itertools import accumulate, pairwise
from typing import NamedTuple

import numpy as np

from studylib.signal import poles

ROUNDS = 10
REACH = 4.5  # bandwidths around a mode whose bins are fitted
LEAST_BINS = 4  # on either side
MOST_NEW = 8  # in one round
ODDS = 1e-3  # of a peak of noise, over all bins together
BESIDE_HZ = 200.0  # in which a peak must be prominent
DIP = 10 ** (-3.0 / 20)  # of a prominent peak, beside it
TAILS = 2.0  # times what stronger new decays make of it
STEEP_PER_S = 100.0  # at low frequencies a decay may be as steep as this
STEEPEST, STEEPEST_LOW = 0.075, 0.15  # over angle: a loss factor of 0.15, of 0.3
THINNED, TIMES_APART = 4, 2
HALVES = 0.6  # of its half width, how wide the halves of a decay are, and how far to either side
RATIO = 0.1  # reverberant over direct energy, before anything is known
LEAST_RATIO = 10 ** (-28.0 / 10)  # no real ring is cleaner; what changes on the way shows
CLEAR = 30.0  # power of the decays over the background, where the room shows
FLOOR_BINS = 40  # how many bins of a fit the background counts for as a witness of the noise
FLOOR_UNSURE = 0.25  # relative: how well a quantile of some fifty neighbouring bins tells it
SAME_BINS = 0.1  # of the bins of a fit: at its ends they tell next to nothing
TINY = 1e-300


class Way(NamedTuple):
    """How a search goes. stands_out : |c|^2 over its variance, below which a decay is dropped;
    doubt : share of what the fit leaves over that makes this variance, where the background is
    less.  together : mean bandwidths: nearer decays are fitted together, most_together of them at
    most, to some most_bins.  sweeps : over all groups in a round, at most.  under_strongest : peaks
    lower than this are not looked at.  split : half widths of a decay within which a new one makes
    two of it; 0 where peaks beside a decay count like any other.  tries : of one bin as a start.
    still : standard uncertainties by which decays may have moved in the last sweep of a round.
    crawl : as in `poles.fit_poles`."""

    stands_out: float
    doubt: float
    together: float
    most_together: int
    most_bins: int
    sweeps: int
    under_strongest: float
    split: float
    tries: int
    still: float
    crawl: float


IN_ROOM = Way(
    stands_out=12.0, doubt=1.0, together=5.0, most_together=6, most_bins=400, sweeps=3,
    under_strongest=10 ** (-60.0 / 20), split=0.0, tries=ROUNDS, still=0.0, crawl=0.0,
)  # fmt: skip


class Found(NamedTuple):
    """Decays so far, (K,) each. s, c : complex.  strength : of the weakest of a group, how far its
    amplitude stands out of what the fit leaves over.  u_s, u_c : standard uncertainties for bins of
    noise 1.  away : by how much s would move if fitted again.  noise : |bin|^2 around.  misfit :
    above 0 where a fit leaves more than noise over; astray : where that is more than a room or an
    imperfect decay makes."""

    s: np.ndarray
    c: np.ndarray
    strength: np.ndarray
    u_s: np.ndarray
    u_c: np.ndarray
    away: np.ndarray
    noise: np.ndarray
    misfit: np.ndarray
    astray: np.ndarray


NONE = Found(*(np.zeros(0, complex),) * 2, *(np.zeros(0),) * 7)


class Bins(NamedTuple):
    """values : complex (M,).  first : number of the first in the whole transform.  turns : w.
    n : length of the record.  background : (M,) expected |bin|^2 of it."""

    values: np.ndarray
    first: int
    turns: np.ndarray
    n: int
    background: np.ndarray


def bins_of(
    spectrum: np.ndarray, *, n: int, rate_hz: float, lowest_hz: float, highest_hz: float
) -> Bins:
    """The bins within limits of the transform of n samples; a background is the caller's to set."""
    first = max(int(np.ceil(lowest_hz / (rate_hz / n))), 2)
    last = min(int(highest_hz / (rate_hz / n)), len(spectrum) - 2)
    angle = 2.0 * np.pi / n * np.arange(first, last + 1)
    values, turns = spectrum[first : last + 1], np.cos(angle) - 1j * np.sin(angle)
    return Bins(values, first, turns, n, np.zeros(len(angle)))


def search_in_room(bins: Bins, *, step_hz: float, most: int) -> tuple[Found, float]:
    """The decays that stand out of the background and of what a room makes of the others; and
    reverberant over direct energy, as the median over the bins shows it.

    step_hz : of the bins.  most : decays at most, of which some are the knock or no modes.
    """
    found, model, ratio, at_most = NONE, np.zeros_like(bins.values), RATIO, 1.0
    tried = np.zeros(len(model), int)
    for _ in range(ROUNDS):
        more = one_round(
            found, model, ratio, bins, step_hz=step_hz, most=most, way=IN_ROOM, tried=tried
        )
        if len(more.s) <= len(found.s):
            break  # what such a round changed is a matter of chance
        found = more
        model = poles.decays_in_bins(found.s, found.c, n=bins.n, turns=bins.turns)
        ratio = room_share(found.s, bins.values - model, model, bins)
        ratio = min(max(ratio, LEAST_RATIO), at_most)
        # What is left is the room and what was not found yet: the room is that at most.
        at_most = ratio if ratio > LEAST_RATIO else at_most
    return found, ratio


def one_round(
    found: Found,
    model: np.ndarray,
    ratio: float,
    bins: Bins,
    *,
    step_hz: float,
    most: int,
    way: Way,
    tried: np.ndarray,
) -> Found:
    """The decays with new ones at the peaks of what they leave over, all of them fitted again.

    model : (M,) the transform of the decays found so far.  ratio : reverberant over direct energy.
    tried : (M,) how often a decay was begun at each bin; counts on.
    """
    rest = bins.values - model
    peaks, begun = _new_peaks(rest, model, found, ratio, bins, step_hz, way, tried)
    few = slice(max(most - len(found.s), 0))
    if not len(peaks[few]):
        return found
    tried[peaks[few]] += 1
    s, c, at = (part[..., few] for part in begun)
    settled, found = found, _joined(found, s, c, way.split)
    # In a room a peak is no more than where to begin.
    start = _apart(s, c, at, rest, bins, step_hz) if way.split and not len(settled.s) else found[:2]
    new = np.arange(len(found.s)) >= len(settled.s)
    # What has settled waits until it is known which of the new ones stand.
    moving = new | (way.split == 0.0)
    for _ in range(way.sweeps):
        found = _refitted(found.s, found.c, ratio, bins, step_hz * bins.n, way, moving, start)
        kept = found.strength >= way.stands_out
        if np.all(kept & moving & (found.away <= way.still * found.u_s * np.sqrt(found.noise))):
            break
        found, new = Found(*(field[kept] for field in found)), new[kept]
        moving, start = np.ones(len(new), bool), found[:2]
        if way.split and len(new) == len(settled.s) and not new.any():
            return settled
    return found


def loud_peaks(rest: np.ndarray, tolerated: np.ndarray, *, step_hz: float) -> np.ndarray:
    """Bins at which what is left stands out of what is tolerated, strongest first."""
    power = _power(rest)
    size, height = np.sqrt(power / tolerated), np.sqrt(np.log(len(rest) / ODDS))
    if not size.max() >= height:
        return np.zeros(0, int)
    tops = (size[1:-1] > size[:-2]) & (size[1:-1] >= np.maximum(size[2:], height))
    peaks, reach = np.flatnonzero(tops) + 1, max(int(BESIDE_HZ / step_hz), 4 * LEAST_BINS) // 2
    peaks = peaks[_prominent(size, peaks, reach)]
    return peaks[np.argsort(-power[peaks])]


def _prominent(size: np.ndarray, peaks: np.ndarray, reach: int) -> np.ndarray:
    """Which peaks fall to a dip on either side before something is higher, within `reach` bins."""
    # Written out, because the library's own brings a second of imports along.
    left, top, lowest = np.arange(len(peaks)), size[peaks], np.minimum.reduceat(size, peaks)
    # Most are lower than the next one, with no dip between: whoever is behind one of those is
    # behind the higher one as well.
    for _ in range(THINNED):
        beside = np.append(top[1:], np.nan)
        no_dip = lowest >= DIP * np.minimum(top, beside)
        behind = (no_dip & (beside < top))[np.arange(-1, len(top) - 1)]
        kept = np.flatnonzero(~(behind | (no_dip & (beside > top))))
        left, top, lowest = left[kept], top[kept], np.minimum.reduceat(lowest, kept)
    beyond, ways = np.full(reach, np.inf), np.array([[[-1]], [[1]]]) * np.arange(reach + 1)
    sides = np.concatenate([beyond, size, beyond])[peaks[left, None] + reach + ways]
    higher, prominent = sides > top[:, None], np.zeros(len(peaks), bool)
    ends = (higher | (sides < DIP * top[:, None])).argmax(axis=2)[:, :, None]
    prominent[left] = ((ends > 0) & ~np.take_along_axis(higher, ends, axis=2)).all(axis=(0, 2))
    return prominent


def _new_peaks(
    rest, model, found: Found, ratio, bins: Bins, step_hz: float, way: Way, tried
) -> tuple[np.ndarray, tuple]:
    """Bins at which decays are to begin, and what `_begun` says of them."""
    peaks, begun = loud_peaks(rest, bins.background + ratio * _power(model), step_hz=step_hz), ()
    if len(peaks):
        least = way.under_strongest and way.under_strongest * np.sqrt(_power(bins.values).max())
        peaks = peaks[(np.abs(rest[peaks]) > least) & (tried[peaks] < way.tries)][: 4 * MOST_NEW]
        # Each must be more than the tails of the stronger ones that begin beside it.
        begun = s, height, _ = _begun(peaks, rest, bins, step_hz)
        tails = np.abs(height[:, None] * poles.terms(s, n=bins.n, turns=bins.turns[peaks]))
        more = np.abs(rest[peaks]) > TAILS * np.sum(np.triu(tails, 1), axis=0)
        peaks, begun = peaks[more], tuple(part[..., more] for part in begun)
    # One decay more in each group, at its strongest peak, as the next may be gone with it; or on
    # top of its strongest decay, where more is left over than noise and yet no peak.
    if way.split and not len(peaks):
        astray = _places(found.s[found.astray > 0.0], bins)
        peaks = astray[tried[astray] < way.tries]
        begun = _begun(peaks, rest, bins, step_hz) if len(peaks) else ()
    if not way.split or not len(peaks):
        return peaks[:MOST_NEW], tuple(part[..., :MOST_NEW] for part in begun)
    order, owner = np.argsort(-np.abs(rest[peaks])), -1 - np.arange(len(rest))
    groups = small_groups(found.s, together=way.together, most=way.most_together)
    for index, window in enumerate(_windows(groups, found.s, bins) if groups else ()):
        owner[slice(*window)] = index
    # Where all that began together ran astray, one begins alone.
    most = 2 * MOST_NEW if len(found.s) or not tried.any() else 1
    order = (
        order[np.sort(np.unique(owner[peaks[order]], return_index=True)[1])] if groups else order
    )[:most]
    return peaks[order], tuple(part[..., order] for part in begun)


def _power(bins: np.ndarray) -> np.ndarray:
    """|bin|^2; np.abs costs three times as much."""
    return bins.real**2 + bins.imag**2


def _begun(
    peaks: np.ndarray, rest: np.ndarray, bins: Bins, step_hz: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(s, c) of decays begun at peaks, and (3, K) the bins across the half power of each that they
    are taken from."""
    power, turns = _power(rest), bins.turns
    # The first of 1, 2, 4, ... bins at which the smaller flank has fallen to half.
    away = 2 ** np.arange(8)[:, None]
    flanks = np.minimum(
        power[np.maximum(peaks - away, 0)], power[np.minimum(peaks + away, len(rest) - 1)]
    )
    reach = 2 ** np.logical_and.accumulate(flanks > 0.5 * power[peaks], axis=0).sum(axis=0)
    at = np.array([np.maximum(peaks - reach, 0), peaks, np.minimum(peaks + reach, len(rest) - 1)])
    return *_through(rest[at], turns[at], bins.n, step_hz), at


def _apart(
    s: np.ndarray, c: np.ndarray, at: np.ndarray, rest: np.ndarray, bins: Bins, step_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """(s, c) of decays as begun, without what the others put into the three bins of each."""
    turns = bins.turns[at]
    for _ in range(TIMES_APART):
        turn, height = np.array([np.exp(s), c * (0.5 - 0.5 * np.exp(s * bins.n))])[:, :, None, None]
        each = height / (1.0 - turn * turns), height.conj() / (1.0 - turn.conj() * turns)
        own = each[0].diagonal(axis1=0, axis2=2)
        s, c = _through(rest[at] - (each[0] + each[1]).sum(axis=0) + own, turns, bins.n, step_hz)
    return s, c


def _through(
    x: np.ndarray, turns: np.ndarray, n: int, step_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """(s, c) of the decays with these values at three bins each; all (3, K)."""
    # x (1 - z w) = q: two unknowns, three bins.
    both = np.array([x, x * turns])
    a, b = both - both.sum(axis=1, keepdims=True) / 3.0
    s = np.log((b.conj() * a).sum(axis=0) / _power(b).sum(axis=0))
    angle, half = -np.angle(turns[1]), np.abs(np.angle(turns[2] / turns[0])) / 2
    fits = (s.real < 0.0) & (s.imag > 0.0) & (np.abs(s.imag - angle) < half)
    s = np.where(fits, s, -half + 1j * angle)
    steep = -steepest(s.imag, step_hz * n) * s.imag
    s = np.minimum(np.maximum(s.real, steep), -1e-2 / n) + 1j * s.imag
    return s, x[1] * (1.0 - np.exp(s) * turns[1]) / (0.5 - 0.5 * np.exp(s * n))


def _joined(found: Found, s: np.ndarray, c: np.ndarray, split: float) -> Found:
    """The decays with new ones. One that begins on top of another makes two halves of it."""
    old, s, c = len(found.s), np.r_[found.s, s], np.r_[found.c, c]
    for new in range(old, len(s)) if old else ():
        apart = np.abs(found.s.imag - s[new].imag) + found.s.real * split
        at = int(np.argmin(apart))
        if apart[at] < 0.0:
            middle, half = 1j * found.s[at].imag, HALVES * found.s[at].real
            s[[at, new]] = middle + half * np.array([1.0 - 1.0j, 1.0 + 1.0j])
            c[[at, new]] = 0.5 * found.c[at]
    return found._replace(s=s, c=c)


def steepest(angle: np.ndarray, rate_hz: float) -> np.ndarray:
    """Decay over angle, at angles per sample, beyond which something is a knock and no mode."""
    # np.clip costs more than its two halves, here and wherever there are a few numbers only.
    return np.minimum(
        np.maximum(STEEP_PER_S / rate_hz / np.maximum(angle, 1e-6), STEEPEST), STEEPEST_LOW
    )


def _windows(groups: list[np.ndarray], s: np.ndarray, bins: Bins) -> np.ndarray:
    """(G, 2) first bin and the one after the last around each group of decays."""
    width, every = bins.n / (2.0 * np.pi), np.concatenate([*groups, []]).astype(int)
    middle = s[every].imag * width - bins.first
    away = np.maximum(REACH * 2.0 * np.abs(s[every].real) * width, 2 * LEAST_BINS)
    first = np.array([0, *accumulate(map(len, groups))][:-1], int)
    low = np.minimum.reduceat(middle - away, first).astype(int)
    high = np.ceil(np.maximum.reduceat(middle + away, first)).astype(int) + 1
    return np.minimum(
        np.maximum([low, np.maximum(high, low + 4 * LEAST_BINS)], 0), len(bins.values)
    ).T


def _near(windows: np.ndarray, bins: Bins) -> np.ndarray:
    """The bins that are in one of the windows."""
    near = np.zeros(len(bins.values), bool)
    for window in windows.tolist():
        near[slice(*window)] = True
    return np.flatnonzero(near)


def small_groups(s: np.ndarray, *, together: float, most: int) -> list[np.ndarray]:
    """Indices of decays that overlap, nearer than `together` mean bandwidths, `most` of them at
    most; a crowd is cut where its members stand widest apart."""
    order = np.argsort(s.imag)
    f, half = s.imag[order], np.abs(s.real[order])
    apart = (f[1:] - f[:-1] > together * (half[1:] + half[:-1])).nonzero()[0] + 1
    groups = [order[i:j] for i, j in pairwise([0, *apart, len(s)]) if j > i]
    return [part for group in groups[::-1] for part in _cut(group, s, most)]


def _cut(group: np.ndarray, s: np.ndarray, most: int) -> list[np.ndarray]:
    if len(group) <= most:
        return [group]
    at = int(np.argmax(np.diff(s[group].imag))) + 1
    return [*_cut(group[at:], s, most), *_cut(group[:at], s, most)]


def _refitted(
    s, c, ratio, bins: Bins, rate_hz: float, way: Way, moving: np.ndarray, start
) -> Found:
    """Every group with one that is moving fitted to the bins around it, with the others, as they
    stand, taken off. Of a group only the weakest is found too weak: without it the others may
    stand."""
    before, s, c, steep = s, s.copy(), c.copy(), steepest(s.imag, rate_hz)
    # u_s and u_c for bins of noise 1; of the bins: what is left over, power, background, freedoms,
    # and the limits within which they are fitted.
    strength, facts = np.full(len(s), np.inf), np.full((9, len(s)), np.inf)
    groups = small_groups(s, together=way.together, most=way.most_together)
    windows = _windows(groups, s, bins)
    fitted = [number for number, group in enumerate(groups) if moving[group].any()]
    # Without a room, bins beside no decay tell nothing.
    near = _near(windows, bins) if way.split else np.arange(len(bins.values))
    rest = np.zeros_like(bins.values)
    s, c = (part.copy() for part in start)
    rest[near] = bins.values[near] - poles.decays_in_bins(s, c, n=bins.n, turns=bins.turns[near])
    for numbers in _at_once(groups, windows, way, fitted):
        group = np.array([groups[number] for number in numbers])
        every = max(1, int(np.diff(windows[numbers[0]])[0]) // way.most_bins)
        parts = [np.arange(*window, every) for window in windows[numbers].tolist()]
        counts, at = np.array([len(part) for part in parts]), np.concatenate(parts)
        last = np.cumsum(counts) - 1
        first, turns = last + 1 - counts, bins.turns[at]
        free = counts - 2 * group.shape[1]
        if free.min() < 2:
            continue
        held = -np.angle(turns[first]), -np.angle(turns[last]), steep[group].min(axis=1)
        model = None
        if way.split and (len(group) > 1 or len(s) == 1):
            model = (
                bins.values[at] - rest[at]
                if len(group) == len(s)
                else poles.decays_in_bins(s[group[:, 0]], c[group[:, 0]], n=bins.n, turns=turns)
            )
        fit = poles.fit_poles(
            rest[at], n=bins.n, turns=turns, s=s[group], c=c[group], held=held, at=first,
            crawl=way.crawl, together=model,
        )  # fmt: skip
        s[group], c[group] = np.minimum(fit.s.real, -1e-3 / bins.n) + 1j * fit.s.imag, fit.c
        left, around = fit.squares / free, np.add.reduceat(bins.background[at], first) / counts
        facts[:2, group] = fit.s_scale, fit.c_scale
        facts[2:, group] = np.array([left, fit.power / counts, around, free, *held])[:, :, None]
        if group.shape[1] > 1:
            each = np.abs(fit.c) ** 2 / np.maximum(
                2.0 * fit.c_scale**2 * max(way.doubt * left[0], around[0]), TINY
            )
            strength[group[0, np.argmin(each)]] = each.min()
        rest[at] = fit.rest
        if every > 1:
            model = poles.decays_in_bins(s, c, n=bins.n, turns=bins.turns[near])
            rest[near] = bins.values[near] - model
    left, power, around, free, low, high, most = facts[2:]
    known = np.isfinite(left)
    # What runs up to the limit is broad for want of anything better; where no room bends it, so is
    # what runs up to any.
    ran_off = -s.real > poles.AT_LIMIT * steepest(s.imag, rate_hz) * s.imag
    if way.split:
        ran_off |= known & (
            (s.imag <= low) | (s.imag >= high) | (-s.real > poles.AT_LIMIT * most * s.imag)
        )
    strength[ran_off | ~_own_peak(s, c, ratio, bins, way)] = 0.0
    # The mean of `free` exponential variables lies this far above theirs once in a thousand
    # times; the background's own uncertainty is put on top.
    allowed = 1.0 + 3.1 / np.sqrt(free) + 5.0 / free + FLOOR_UNSURE
    with np.errstate(invalid="ignore"):
        both = (free * left + FLOOR_BINS * around) / (free + FLOOR_BINS)
        misfit, astray = left > around * allowed, left > (around + ratio * power) * allowed
    told = np.where(known, [np.where(misfit, left, both), misfit, astray], np.inf)
    away = np.abs(s - before)
    if way.split and len(group) == len(s) and known.all():
        # All were fitted as one: only other bins than these could move them by more than is left.
        same = np.abs(_windows(groups, s, bins) - windows) <= SAME_BINS * np.diff(windows, axis=1)
        away[group[:, 0]] = np.where(same.all(axis=1), np.abs(fit.away[:, 0]), away[group[:, 0]])
    return Found(s, c, strength, *facts[:2], away, *told)


def _at_once(
    groups: list[np.ndarray], windows: np.ndarray, way: Way, fitted: list[int]
) -> list[np.ndarray]:
    """Numbers of the groups to be fitted, in the parts in which they are: all decays that stand by
    themselves in bins of their own at once, then each other group."""
    low, high = windows.T
    alone = np.sum((low[:, None] < high) & (high[:, None] > low), axis=1) == 1
    # After a fit to some of its bins every group is seen anew, so that the order counts.
    few = np.max(high - low, initial=0) < 2 * way.most_bins
    together = [n for n in fitted if few and alone[n] and len(groups[n]) == 1]
    return [*([together] if together else []), *([n] for n in fitted if n not in together)]


def _places(s: np.ndarray, bins: Bins) -> np.ndarray:
    """The bin at which each decay stands."""
    at = np.round(s.imag * bins.n / (2 * np.pi)).astype(int) - bins.first
    return np.minimum(np.maximum(at, 0), len(bins.values) - 1)


def _own_peak(s, c, ratio: float, bins: Bins, way: Way) -> np.ndarray:
    """Which decays' own peaks are more than the background and the room of other groups."""
    at, groups = _places(s, bins), small_groups(s, together=way.together, most=way.most_together)
    each = c[:, None] * poles.terms(s, n=bins.n, turns=bins.turns[at])
    label = np.repeat(np.arange(len(groups)), [*map(len, groups)])
    label = label[np.argsort(np.concatenate([*groups, []]))]
    others = np.where(label[:, None] == label, 0.0, each).sum(axis=0)
    tolerated = bins.background[at] + ratio * np.abs(others) ** 2
    return np.abs(np.diagonal(each)) ** 2 > np.log(len(bins.values) / ODDS) * tolerated


def room_share(s, rest, model, bins: Bins, *, clear: float = CLEAR) -> float:
    """Reverberant over direct energy, from what the fits left around the decays s where these stand
    `clear` times above the background, in power; 0 where too few bins do."""
    near = _near(_windows([*np.arange(len(s))[:, None]], s, bins), bins)
    power = _power(model[near])
    shares = np.sort((_power(rest[near]) / power)[power > clear * bins.background[near]])
    middle = shares[(len(shares) - 1) // 2 : len(shares) // 2 + 1]
    # The median of exponential variables is ln 2 of their mean.
    return float(middle.mean() / np.log(2.0)) if len(shares) >= 4 * LEAST_BINS else 0.0
