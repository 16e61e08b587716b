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

from typing import NamedTuple

import numpy as np
from scipy.fft import ifft, rfft

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


class _Track(NamedTuple):
    """One mode, by its number. f_hz.  decay : 1/s.  time_s, step, variance : (n,) the rise of the
    logarithm of recorded over predicted amplitude between two moments, and what it may be by
    chance.
    rise : (n,) the same of the recorded amplitude alone.
    risen_s : when its band rises far above all that is expected, or nan."""

    mode: int
    f_hz: float
    decay: float
    time_s: np.ndarray
    step: np.ndarray
    variance: np.ndarray
    rise: np.ndarray
    risen_s: float


def changes_of(
    x: np.ndarray, decays: Decays, *, rate_hz: float, ratio: float, room_decay: float
) -> Changes:
    """The first contact and the first hand in a ring, and how straight its decays are.

    Parameters
    ----------
    x : (n,) the samples that were fitted.  ratio : reverberant over direct energy.
    room_decay : of the room's tail, amplitude, per s.

    Returns
    -------
    Changes.
    """
    strength = decays.amplitude**2 / np.maximum(decays.loss_factor * decays.frequency_hz, 1e-9)
    spectrum = rfft(x)
    every = [
        _track(x, spectrum, decays, int(i), rate_hz, ratio, room_decay)
        for i in np.argsort(-strength)
    ]
    bends = np.zeros(len(strength))
    for track in filter(None, every):
        bends[track.mode] = _bend(track)
    tracks: list[_Track] = []
    for track in filter(None, every[:STRONGEST]):
        widths = SAME * 0.5 / np.pi * np.array([track.decay + other.decay for other in tracks])
        if np.all(np.abs([track.f_hz - other.f_hz for other in tracks]) > widths):
            tracks.append(track)
    followed = [track for track in tracks if len(track.step) >= 2 * EACH_SIDE]
    # The most bands that rise at nearly the same moment.
    at_once = (
        [other for other in tracks if 0.0 <= other.risen_s - track.risen_s < AT_ONCE_S]
        for track in tracks
    )
    risen = max(at_once, key=len, default=[])
    # What is weak moves with whatever the strong ones do.
    is_loud = decays.amplitude > LOUD * decays.amplitude.max(initial=0.0)
    loud = [track for track in followed if is_loud[track.mode]]
    contact = _contact(loud) if loud else None
    if risen and len(risen) >= min(SEVERAL, len(tracks)):
        at = min(track.risen_s for track in risen)
        if contact is None or at < contact.at_s:
            contact = Change(at, 0.0, 0.5 * float(np.log(OVER_TOLD)), *_band(risen))
    hand, bent = _bent(followed) if followed else (None, 0.0)
    np.maximum.at(bends, [track.mode for track in followed], bent)
    # What comes first counts: after a hand nothing is as told, and after a contact neither.
    if contact is not None and hand is not None:
        contact, hand = (contact, None) if contact.at_s <= hand.at_s else (None, hand)
    return Changes(contact, hand, bends)


def _bend(track: _Track) -> float:
    if len(track.step) < 2 * EACH_SIDE:
        return 0.0
    weight = 1.0 / track.variance
    half = int(
        np.searchsorted(np.cumsum(weight), 0.5 * weight.sum()).clip(
            EACH_SIDE, len(weight) - EACH_SIDE
        )
    )
    parts = slice(None, half), slice(half, None)
    early, late = (float(weight[p] @ track.step[p] / weight[p].sum()) for p in parts)
    chance = sum(float(1.0 / weight[p].sum()) for p in parts)
    bend = 0.5 * float(np.sqrt(max((late - early) ** 2 - chance, 0.0)))
    return bend / float(track.time_s[1] - track.time_s[0])


def _track(
    x, spectrum, decays: Decays, i: int, rate_hz: float, ratio: float, room: float
) -> _Track | None:
    n, f = len(x), float(decays.frequency_hz[i])
    decay = np.pi * f * float(decays.loss_factor[i])
    angle = decays.poles.imag * rate_hz / (2.0 * np.pi)
    beside = np.abs(angle - f)[np.abs(decays.amplitudes) > COUNTS * decays.amplitude[i]]
    beside = np.concatenate([beside[beside > HALF_WIDTH_HZ[0]], [f]])
    half_hz = float(np.clip(APART * beside.min(), *HALF_WIDTH_HZ))
    low = int((f - half_hz) * n / rate_hz)
    high = min(int((f + half_hz) * n / rate_hz), len(spectrum) - 1)
    if low < 1 or high - low < 8:
        return None
    turns = np.exp(-2j * np.pi / n * np.arange(low, high))
    window = np.hanning(high - low + 2)[1:-1]
    own = np.abs(angle - f) < half_hz
    each = terms(decays.poles, n=n, turns=turns) * decays.amplitudes[:, None]
    others = each[~own].sum(axis=0)
    # Several decays at one place may imitate a bent one: one alone is what the others are held to.
    width = -decays.poles.real * rate_hz / np.pi
    same = np.abs(angle - f) < SAME * 0.5 * (width + decay / np.pi)
    own &= ~same | (np.abs(angle - f) < 1e-6)
    heard = np.abs(ifft((spectrum[low:high] - others) * window)) ** 2
    told = np.abs(ifft(each[own].sum(axis=0) * window)) ** 2
    count = high - low
    time = np.arange(count) * (n / rate_hz / count)
    # The Hann window of the bins spreads a moment over about two steps, so every second is kept.
    heard, told, time = heard[1::2], told[1::2], time[1::2]
    start = told[: max(1, len(told) // 8)].max()
    noise = float(np.median(heard[-max(4, len(heard) // 8) :]))
    gap = decay - room if abs(decay - room) > 1e-3 * decay else 1e-3 * decay
    tail = start * np.maximum(
        ratio * room * (np.exp(-2 * room * time) - np.exp(-2 * decay * time)) / gap, 0.0
    )
    risen_s = _risen(heard, told + tail + NOISE_PEAKS * noise, time)
    fit = (
        (told > UNDER_START * start) & (told > OVER_NOISE * (noise + tail)) & (heard > SUNK * noise)
    )
    fit[0] = False
    end = int(np.argmin(fit[1:])) + 1 if not fit[1:].all() else len(fit)
    nothing = np.zeros(0)
    if end < 2 * EACH_SIDE + 2:
        return _Track(i, f, decay, nothing, nothing, nothing, nothing, risen_s)
    told, heard, time, tail = told[1:end], heard[1:end], time[1:end], tail[1:end]
    step = 0.5 * np.diff(np.log(np.maximum(heard, 1e-300) / told))
    fresh = ratio * room * start * np.exp(-2.0 * room * time[1:]) * float(time[1] - time[0])
    # Of what is added only the part in phase with the mode changes its level.
    variance = 0.5 * (fresh + noise) / told[1:] + 0.5 * noise / told[:-1] + MODELLED**2
    rise = 0.5 * np.diff(np.log(np.maximum(heard, 1e-300)))
    rise[heard[1:] < OVER_TOLD * noise] = 0.0
    return _Track(i, f, decay, time[1:], step, variance, rise, risen_s)


def _risen(heard: np.ndarray, expected: np.ndarray, time: np.ndarray) -> float:
    """When a band first rises above its last moments and far above what is expected; or nan."""
    if len(heard) <= LAST_STEPS + 1:
        return np.nan
    last = np.lib.stride_tricks.sliding_window_view(heard, LAST_STEPS).max(axis=1)[:-1]
    now = heard[LAST_STEPS:]
    # The end of the record wraps into its beginning, and the other way round.
    at = np.flatnonzero((now > RISEN * last) & (now > OVER_TOLD * expected[LAST_STEPS:]))
    at = at[at < len(now) - max(3, len(now) // 10)]
    return float(time[at[0] + LAST_STEPS - 1]) if len(at) else np.nan


def _bent(tracks: list[_Track]) -> tuple[Change | None, np.ndarray]:
    """(the moment from which all modes die faster, by how much each dies more slowly before its own
    bend or that of all, 1/s)."""
    moments = np.unique(np.round(np.concatenate([track.time_s for track in tracks]), 3))
    change, spread, early, seen, at_once = (
        np.array(part) for part in zip(*(_hinges(track, moments) for track in tracks), strict=True)
    )
    own = np.arange(len(tracks)), np.argmax(np.abs(seen), axis=1)
    bends = np.where(np.abs(seen[own]) > OWN_CERTAIN, np.abs(early[own]), 0.0)
    weight = spread**-2
    whole = np.maximum(weight.sum(axis=0), 1e-300)
    mean, before = ((weight * part).sum(axis=0) / whole for part in (change, early))
    certain = (seen / spread).sum(axis=0) / np.sqrt(whole)
    # All modes, and not the strongest alone: one that beats or gives way to another does so.
    agree = np.sum((change > 0.5 * mean) & (seen > EACH_CERTAIN), axis=0)
    against = np.sum(0.5 * mean - change > EACH_CERTAIN * spread, axis=0)
    certain[3 * against > agree] = 0.0
    at = int(np.argmax(certain))
    if certain[at] > UNSURE:
        # What had died by then is as it was.
        lasts = np.array([track.time_s[-1] for track in tracks]) > moments[at]
        bends = np.maximum(bends, np.where(lasts, min(before[at], 1.0), 0.0))
    bends *= [track.decay for track in tracks]
    certain[(agree < SEVERAL) | (mean < STEEPER)] = 0.0
    certain[BETTER * mean**2 * whole < (at_once**2).sum(axis=0).max()] = 0.0
    if certain.max() < CERTAIN:
        return None, bends
    # A hand comes gradually, and where it is best seen is not where it begins.
    at = int(np.argmax(certain > SET_IN * certain.max()))
    return Change(float(moments[at]), float(mean[at]), 0.0, *_band(tracks)), bends


def _hinges(track: _Track, moments: np.ndarray) -> tuple[np.ndarray, ...]:
    """Five things about each moment: by how much of its decay a mode dies faster from then on; the
    standard deviation of that, infinite where too little is heard before or after; by how much of
    it the mode dies more slowly than told before; how many standard deviations the first is, with
    single steps held back; how many the steps at that moment are away from all others."""
    gap = float(track.time_s[1] - track.time_s[0])
    sd = np.sqrt(track.variance)
    middle = np.median(track.step)
    away = (track.step - middle) / sd
    # What all steps scatter by more than is known counts as well.
    scatter = max(1.0, 1.5 * float(np.median(np.abs(away))))
    # One step may be a contact.
    calm = middle + sd * np.clip(away, -ODD * scatter, ODD * scatter)
    n = len(away)
    before = np.searchsorted(track.time_s, moments + 1e-6)
    after = np.searchsorted(track.time_s, moments + gap - 1e-3 * gap)
    heard = (before >= EACH_SIDE) & (n - after >= EACH_SIDE)
    before, after = np.where(heard, before, 1), np.where(heard, after, 0)
    sums = np.array([np.ones(n), track.step, calm]) / (scatter * sd) ** 2
    sums = np.cumsum(np.pad(sums, ((0, 0), (1, 0))), axis=1)
    early, late = sums[:, before], sums[:, -1:] - sums[:, after]
    spread = np.sqrt(1.0 / early[0] + 1.0 / late[0])
    early, late = early[1:] / early[0], late[1:] / late[0]
    seen = np.where(heard, (early - late)[1] / spread, 0.0)
    unit = gap * track.decay
    spread = np.where(heard, spread / unit, np.inf)
    at_once = np.where(heard, (away[before - 1] + away[before]) / scatter / np.sqrt(2.0), 0.0)
    return (early - late)[0] / unit, spread, early[0] / unit, seen, at_once


def _contact(tracks: list[_Track]) -> Change | None:
    """The moment at which the modes rise at once."""
    gap = max(float(t.time_s[1] - t.time_s[0]) for t in tracks)
    edges = np.arange(0.0, max(t.time_s[-1] for t in tracks) + gap, gap)
    odd, most, counted, several = np.zeros((4, len(edges)))
    for track in tracks:
        at = np.searchsorted(edges, track.time_s)
        away = track.step - np.median(track.step)
        usual = np.maximum(2.0 * track.variance, (ODD * np.median(np.abs(away))) ** 2 / 4.0)
        np.add.at(odd, at, away**2 / usual)
        np.add.at(counted, at, 1.0)
        np.add.at(several, at, (away**2 / usual > ODD) & (track.rise > RISES))
        np.maximum.at(most, at, np.abs(away))
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


def _band(tracks: list[_Track]) -> tuple[float, float]:
    f = [track.f_hz for track in tracks]
    return min(f), max(f)
