"""What happens to a ring on its way: a hand that is laid on, a contact that nobody heard begin.

Each strong mode is looked at in time, as its own band over what its decay predicts there. Left
alone the ratio stays 1, but for what the room and the background do to it, which is known: their
steps from one moment to the next are independent, with a variance that grows as the mode sinks
towards them. A hand makes every mode die faster from one moment on, in proportion to how fast it
died before; nothing else does: a room, a second decay under the first and the background all make
a ring die more slowly later on. A contact lifts the modes at one moment and leaves their decays as
they are; so what the steps at one moment explain better than a bend is no hand. Several decays at
one place may be a bend that the search has imitated, so that each is held to one alone.

And no real mode is a perfect decay: how much the slope of its first half differs from that of its
second says how far its one number can be trusted, and so does the slope before a bend, its own or
that of all modes, that is no chance and yet too little to name a hand.

Conventions: times in s from the first sample of the ring; steepening relative to the mode's own
decay.

Functions: changes_of. Change, Changes.
Source: the score test of a broken line in noise of known variance; limits are our own choice,
tried out in simulation and on recorded strokes.
"""

from functools import reduce
from typing import NamedTuple

import numpy as np
from scipy.fft import ifft

from studylib.signal.decays import Decays
from studylib.signal.poles import terms

STRONGEST = 8  # that tell of a touch
HALF_WIDTH_HZ = (30.0, 150.0)  # of a mode's band: as wide as its neighbours leave it
APART = 0.45  # of the way to the next mode that counts
SAME = 1.0  # bandwidths: nearer decays may be one mode that bends
COUNTS = 0.1  # of a mode's amplitude
UNDER_START = 10 ** (-40.0 / 10)  # in power: lower, a mode is not followed
SUNK = 2.0  # times the background: where a mode is recorded lower, it is gone
OVER_NOISE = 4.0  # in power, over the background and the room's tail
STEEPER = 0.3  # of a mode's decay: less is no hand
SET_IN = 0.85  # of the most by which a hand stands out: where it begins
EACH_SIDE = 2  # steps
CERTAIN = 4.0  # standard deviations
UNSURE = 2.5  # the same, from which a bend widens the intervals
OWN_CERTAIN = 3.0  # the same, of one mode alone
EACH_CERTAIN = 1.5  # standard deviations, of each mode that counts for a hand
RAISED = 14.3  # standard deviations of the squares of all modes' steps
JUMP = 0.2  # nepers in one step, of one mode at least
ODD = 4.0  # times a mode's usual step
SEVERAL = 2.0  # modes
AT_ONCE_S = 0.03
LOUD = 0.03  # of the strongest mode, that tells of a contact
RISES = 0.1  # nepers, of the recorded amplitude itself
RISEN = 4.0  # in power, over all of the last steps
LAST_STEPS = 4
OVER_TOLD = 10.0  # in power, over all that is expected at that moment
NOISE_PEAKS = 4.0  # times the background, which at single moments is many times its median
BETTER = 1.4  # times what a bend explains: what one moment does is a contact
MODELLED = 0.01  # nepers in a step that no model of a real ring foresees


class Change(NamedTuple):
    """at_s : when.  steeper : by how much of its decay a mode dies faster from then on (contact:
    0).  jump : nepers by which the modes rise (of a hand 0).  low_hz, high_hz : of the modes that
    show it."""

    at_s: float
    steeper: float
    jump: float
    low_hz: float
    high_hz: float


class Changes(NamedTuple):
    """contact, hand : None where there is none.  bends : (K,) 1/s, by how much the decay of each
    mode may be another one early in the ring, as far as it is no chance."""

    contact: Change | None
    hand: Change | None
    bends: np.ndarray


class _Tracks(NamedTuple):
    """T modes, strongest first, each in a row of steps that ends where it is lost.

    mode : (T,) its number in the decays.  rank : by strength.  f_hz.  decay : 1/s.  gap_s : from
    one moment to the next.  risen_s : when its band rises far above all that is expected, or nan.
    steps : how many there are.  time_s, step, variance : (T, L) the rise of the logarithm of
    recorded over predicted amplitude between two moments, and what it may be by chance, infinite
    where there is none.  rise : (T, L) the same of the recorded amplitude alone."""

    mode: np.ndarray
    rank: np.ndarray
    f_hz: np.ndarray
    decay: np.ndarray
    gap_s: np.ndarray
    risen_s: np.ndarray
    steps: np.ndarray
    time_s: np.ndarray
    step: np.ndarray
    variance: np.ndarray
    rise: np.ndarray

    def of(self, rows: np.ndarray) -> "_Tracks":
        """Some of them. rows : (T,) which."""
        return self if rows.all() else _Tracks(*(part[rows] for part in self))

    @property
    def there(self) -> np.ndarray:
        """(T, L) where there is a step."""
        return np.arange(self.step.shape[1]) < self.steps[:, None]


def changes_of(
    spectrum: np.ndarray,
    decays: Decays,
    *,
    n: int,
    rate_hz: float,
    ratio: float,
    room_decay: float,
) -> Changes:
    """The first contact and the first hand in a ring, and how straight its decays are.

    Parameters
    ----------
    spectrum : complex (n // 2 + 1,), `rfft` of the samples that were fitted.  n : how many.
    ratio : reverberant over direct energy.
    room_decay : of the room's tail, amplitude, per s.

    Returns
    -------
    Changes.
    """
    every = _tracks(spectrum, n, decays, rate_hz, ratio, room_decay)
    bends = np.zeros(len(decays.frequency_hz))
    bends[every.mode] = _bends(every)
    chosen = every.rank < STRONGEST
    widths = SAME * 0.5 / np.pi * (every.decay[:, None] + every.decay)
    near = np.abs(every.f_hz[:, None] - every.f_hz) <= widths
    # Nearly always each is near itself alone.
    for i in np.flatnonzero(near.sum(axis=1) > 1):
        chosen[i] &= not (near[i, :i] & chosen[:i]).any()
    tracks = every.of(chosen)
    followed = tracks.of(tracks.steps >= 2 * EACH_SIDE)
    # What is weak moves with whatever the strong ones do.
    loud = followed.of(decays.amplitude[followed.mode] > LOUD * decays.amplitude.max(initial=0.0))
    contact = _contact(loud) if len(loud.mode) else None
    # The most bands that rise at nearly the same moment.
    later = tracks.risen_s - tracks.risen_s[:, None]
    at_once = (later >= 0.0) & (later < AT_ONCE_S)
    if at_once.any():
        risen = tracks.of(at_once[np.argmax(at_once.sum(axis=1))])
        at = float(risen.risen_s.min())
        if len(risen.mode) >= min(SEVERAL, chosen.sum()) and (contact is None or at < contact.at_s):
            contact = Change(at, 0.0, 0.5 * float(np.log(OVER_TOLD)), *_band(risen))
    hand, bent = _bent(followed) if len(followed.mode) else (None, 0.0)
    np.maximum.at(bends, followed.mode, bent)
    # What comes first counts: after a hand nothing is as told, and after a contact neither.
    if contact is not None and hand is not None:
        contact, hand = (contact, None) if contact.at_s <= hand.at_s else (None, hand)
    return Changes(contact, hand, bends)


def _bends(tracks: _Tracks) -> np.ndarray:
    """Half the difference of the slopes before and after the middle, as far as it is no chance."""
    weight, number = 1.0 / tracks.variance, np.arange(tracks.step.shape[1])
    whole = np.cumsum(weight, axis=1)
    half = np.sum(whole < 0.5 * whole[:, -1:], axis=1, keepdims=True)
    half = np.maximum(np.minimum(half, tracks.steps[:, None] - EACH_SIDE), EACH_SIDE)
    parts = np.where([number < half, number >= half], weight, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = 1.0 / parts.sum(axis=2)  # of the slopes before and after, in power
        slopes = (parts * tracks.step).sum(axis=2) * spread
        bends = np.sqrt(np.maximum((slopes[1] - slopes[0]) ** 2 - spread.sum(axis=0), 0.0))
    return np.where(tracks.steps >= 2 * EACH_SIDE, 0.5 * bends / tracks.gap_s, 0.0)


def _median(values: np.ndarray, there: np.ndarray) -> np.ndarray:
    """(T, 1) median of each row, of what is there."""
    count, row = there.sum(axis=1), np.arange(len(there))
    values = np.sort(np.where(there, values, np.inf), axis=1)
    return 0.5 * (values[row, (count - 1) // 2] + values[row, count // 2])[:, None]


def _tracks(
    spectrum: np.ndarray, n: int, decays: Decays, rate_hz: float, ratio: float, room: float
) -> _Tracks:
    strength = decays.amplitude**2 / np.maximum(decays.loss_factor * decays.frequency_hz, 1e-9)
    mode = np.argsort(-strength)
    f, amplitude = decays.frequency_hz[mode, None], decays.amplitude[mode, None]
    decay = np.pi * f * decays.loss_factor[mode, None]
    away = np.abs(decays.poles.imag * rate_hz / (2.0 * np.pi) - f)
    counts = (np.abs(decays.amplitudes) > COUNTS * amplitude) & (away > HALF_WIDTH_HZ[0])
    beside = np.minimum(np.where(counts, away, np.inf).min(axis=1, initial=np.inf), f[:, 0])
    half_hz = np.minimum(np.maximum(APART * beside, HALF_WIDTH_HZ[0]), HALF_WIDTH_HZ[1])[:, None]
    low = ((f - half_hz) * n / rate_hz).astype(int)
    high = np.minimum(((f + half_hz) * n / rate_hz).astype(int), len(spectrum) - 1)
    rank = np.flatnonzero(((low >= 1) & (high - low >= 8))[:, 0])
    mode, f, decay, away, half_hz, low, high = (
        part[rank] for part in (mode, f, decay, away, half_hz, low, high)
    )
    own = away < half_hz
    # Several decays at one place may imitate a bent one: one alone is what the others are held to.
    alone = own & (
        (away >= SAME * 0.5 / np.pi * (decay - decays.poles.real * rate_hz)) | (away < 1e-6)
    )
    count = (high - low)[:, 0]
    heard, told = _in_time(spectrum, n, decays, low[:, 0], count, own, alone)
    gap = n / rate_hz / count[:, None]
    # The Hann window of the bins spreads a moment over about two steps, so every second is kept.
    number, moments = np.arange(heard.shape[1]), count[:, None] // 2
    time = (2.0 * number + 1.0) * gap
    start = np.where(number < np.maximum(1, moments // 8), told, 0.0).max(axis=1, keepdims=True)
    over = number >= moments
    noise = _median(heard, ~over & (number >= moments - np.maximum(4, moments // 8)))
    dies = np.where(np.abs(decay - room) > 1e-3 * decay, decay - room, 1e-3 * decay)
    tail = start * np.maximum(
        ratio * room * (np.exp(-2 * room * time) - np.exp(-2 * decay * time)) / dies, 0.0
    )
    fit = (
        (told > UNDER_START * start) & (told > OVER_NOISE * (noise + tail)) & (heard > SUNK * noise)
        & ~over
    )  # fmt: skip
    steps = np.argmin(fit[:, 1:], axis=1) - 1
    there = number[:-2] < steps[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        level = np.log(np.maximum(heard, 1e-300))
        rise = 0.5 * (level[:, 2:] - level[:, 1:-1])
        step = rise - 0.5 * np.diff(np.log(told[:, 1:]), axis=1)
        fresh = ratio * room * start * np.exp(-2.0 * room * time[:, 2:]) * 2.0 * gap
        # Of what is added only the part in phase with the mode changes its level.
        variance = 0.5 * ((fresh + noise) / told[:, 2:] + noise / told[:, 1:-1]) + MODELLED**2
    return _Tracks(
        mode, rank, f[:, 0], decay[:, 0], 2.0 * gap[:, 0],
        _risen(heard, told + tail + NOISE_PEAKS * noise, time, moments), steps, time[:, 2:],
        np.where(there, step, 0.0), np.where(there, variance, np.inf),
        np.where(heard[:, 2:] < OVER_TOLD * noise, 0.0, rise),
    )  # fmt: skip


def _in_time(
    spectrum: np.ndarray, n: int, decays: Decays, low: np.ndarray, count: np.ndarray,
    own: np.ndarray, alone: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """(2, T, L) power over time in the band of each mode, as recorded less all decays but its own,
    and as the one that is alone predicts it; 0 after its end."""
    order, begin = np.argsort(count, kind="stable"), 0
    sizes = count[order].tolist()
    at = np.concatenate([np.zeros(0, int), *map(np.arange, low[order], low[order] + sizes)])
    each = terms(decays.poles, n=n, turns=np.exp(-2j * np.pi / n * at))
    weights = np.where(np.array([~own, alone]), decays.amplitudes, 0.0).transpose(1, 0, 2)
    power = np.zeros((2, len(count), max(sizes, default=0) // 2 + LAST_STEPS + 1))
    for bins in dict.fromkeys(sizes):  # all bands of one width at once
        rows = np.flatnonzero(count == bins)
        here = slice(begin, begin + len(rows) * bins)
        parts = weights[rows] @ each[:, here].reshape(-1, len(rows), bins).transpose(1, 0, 2)
        parts[:, 0] = spectrum[at[here]].reshape(-1, bins) - parts[:, 0]
        parts *= 0.5 - 0.5 * np.cos(2.0 * np.pi / (bins + 1) * np.arange(1, bins + 1))
        signal = ifft(parts)[:, :, 1::2].swapaxes(0, 1)
        power[:, rows, : bins // 2] = signal.real**2 + signal.imag**2
        begin = here.stop
    return power


def _risen(
    heard: np.ndarray, expected: np.ndarray, time: np.ndarray, moments: np.ndarray
) -> np.ndarray:
    """(T,) when each band first rises above its last moments and far above what is expected; or
    nan."""
    size = heard.shape[1] - LAST_STEPS
    last = reduce(np.maximum, (heard[:, i : i + size] for i in range(LAST_STEPS)))
    # The end of the record wraps into its beginning, and the other way round.
    until = moments - LAST_STEPS - np.maximum(3, (moments - LAST_STEPS) // 10)
    rises = (
        (heard[:, LAST_STEPS:] > np.maximum(RISEN * last, OVER_TOLD * expected[:, LAST_STEPS:]))
        & (np.arange(size) < until) & (moments > LAST_STEPS + 1)
    )  # fmt: skip
    at = np.argmax(rises, axis=1)[:, None] + LAST_STEPS - 1
    return np.where(rises.any(axis=1), np.take_along_axis(time, at, axis=1)[:, 0], np.nan)


def _bent(tracks: _Tracks) -> tuple[Change | None, np.ndarray]:
    """(the moment from which all modes die faster, by how much each dies more slowly before its own
    bend or that of all, 1/s)."""
    # Each millisecond in which there is one.
    moments = np.rint(1e3 * tracks.time_s[tracks.there]).astype(int)
    moments = np.flatnonzero(np.bincount(moments)) / 1e3
    change, spread, early, seen, at_once = _hinges(tracks, moments)
    own = np.arange(len(seen)), np.argmax(np.abs(seen), axis=1)
    bends = np.where(np.abs(seen[own]) > OWN_CERTAIN, np.abs(early[own]), 0.0)
    weight = spread**-2
    whole = np.maximum(weight.sum(axis=0), 1e-300)
    mean, before = ((weight * part).sum(axis=0) / whole for part in (change, early))
    certain = (seen / spread).sum(axis=0) / np.sqrt(whole)
    # All modes, and not the strongest alone: one that beats or gives way to another does so.
    agree = np.sum((change > 0.5 * mean) & (seen > EACH_CERTAIN), axis=0)
    certain[3 * np.sum(0.5 * mean - change > EACH_CERTAIN * spread, axis=0) > agree] = 0.0
    at = int(np.argmax(certain))
    if certain[at] > UNSURE:
        # What had died by then is as it was.
        ends = tracks.time_s[np.arange(len(seen)), tracks.steps - 1]
        bends = np.maximum(bends, np.where(ends > moments[at], min(before[at], 1.0), 0.0))
    bends *= tracks.decay
    certain[(agree < SEVERAL) | (mean < STEEPER)] = 0.0
    certain[BETTER * mean**2 * whole < (at_once**2).sum(axis=0).max()] = 0.0
    if certain.max() < CERTAIN:
        return None, bends
    # A hand comes gradually, and where it is best seen is not where it begins.
    at = int(np.argmax(certain > SET_IN * certain.max()))
    return Change(float(moments[at]), float(mean[at]), 0.0, *_band(tracks)), bends


def _hinges(tracks: _Tracks, moments: np.ndarray) -> tuple[np.ndarray, ...]:
    """Five things about each mode at each moment: by how much of its decay it dies faster from then
    on; the standard deviation of that, infinite where too little is heard before or after; by how
    much of it the mode dies more slowly than told before; how many standard deviations the first
    is, with single steps held back; how many the steps at that moment are away from all others."""
    gap, n, there = tracks.gap_s[:, None], tracks.steps[:, None], tracks.there
    sd, middle = np.sqrt(tracks.variance), _median(tracks.step, there)
    away = (tracks.step - middle) / sd
    # What all steps scatter by more than is known counts as well.
    scatter = np.maximum(1.0, 1.5 * _median(np.abs(away), there))
    # One step may be a contact.
    held = np.minimum(np.maximum(away, -ODD * scatter), ODD * scatter)
    calm, since = middle + np.where(there, sd, 0.0) * held, (moments - tracks.time_s[:, :1]) / gap
    before, after = (
        np.minimum(np.maximum(np.ceil(since + ahead), 0), n).astype(int)
        for ahead in (1e-6 / gap, 0.999)
    )
    heard = (before >= EACH_SIDE) & (n - after >= EACH_SIDE)
    before, after = np.where(heard, before, 1), np.where(heard, after, 0)
    sums = np.zeros((3, *sd.shape[:1], sd.shape[1] + 1))
    sums[:, :, 1:] = np.cumsum([there, tracks.step, calm] / (scatter * sd) ** 2, axis=2)
    row = np.arange(len(sd))[:, None]
    early, late = sums[:, row, before], sums[:, :, -1:] - sums[:, row, after]
    spread = np.sqrt(1.0 / early[0] + 1.0 / late[0])
    early, late = early[1:] / early[0], late[1:] / late[0]
    seen, unit = np.where(heard, (early - late)[1] / spread, 0.0), gap * tracks.decay[:, None]
    spread = np.where(heard, spread / unit, np.inf)
    return (
        (early - late)[0] / unit,
        spread,
        early[0] / unit,
        seen,
        np.where(heard, (away[row, before - 1] + away[row, before]) / scatter / np.sqrt(2.0), 0.0),
    )


def _contact(tracks: _Tracks) -> Change | None:
    """The moment at which the modes rise at once."""
    there, gap = tracks.there, float(tracks.gap_s.max())
    edges = np.arange(0.0, tracks.time_s[there].max() + 1.5 * gap, gap)
    at = np.searchsorted(edges, tracks.time_s[there])
    away = np.abs(tracks.step - _median(tracks.step, there))
    usual = np.maximum(2.0 * tracks.variance, (ODD * _median(away, there)) ** 2 / 4.0)
    away, times, rise = away[there], (away**2 / usual)[there], tracks.rise[there]
    odd, counted, several = (
        np.bincount(at, part, minlength=len(edges))
        for part in (times, np.ones(len(at)), (times > ODD) & (rise > RISES))
    )
    most = np.zeros(len(edges))
    np.maximum.at(most, at, away)
    with np.errstate(divide="ignore", invalid="ignore"):
        certain = np.where(counted > 0.0, (odd - counted) / np.sqrt(2.0 * counted), 0.0)
    # One mode alone may beat; a contact is felt by more than one, where there are more.
    at = np.flatnonzero(
        (certain > RAISED) & (most > JUMP) & (several >= np.minimum(SEVERAL, counted))
    )
    if not len(at):
        return None
    last = int(at[-1])
    return Change(float(edges[last]), 0.0, float(most[last]), *_band(tracks))


def _band(tracks: _Tracks) -> tuple[float, float]:
    return float(tracks.f_hz.min()), float(tracks.f_hz.max())
