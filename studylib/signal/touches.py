"""What happens to a ring on its way: a hand that is laid on, a contact that nobody heard begin.

Each strong mode is looked at in time, as its own band over what its decays predict there. Left
alone the ratio stays 1, but for what the room and the background do to it, which is known: their
steps from one moment to the next are independent, with a variance that grows as the mode sinks
towards them. A hand makes every mode die faster from one moment on, in proportion to how fast it
died before; nothing else does: a room, a second decay under the first and the background all make
a ring die more slowly later on. A contact lifts the modes at one moment and leaves their decays as
they are. And no real mode is a perfect decay: how much the slope of its first half differs from
that of its second says how far its one number can be trusted.

Conventions: times in s from the first sample of the ring; steepening relative to the mode's own
decay.

Functions: changes_of. Change, Changes.
Source: the score test of a broken line in noise of known variance; limits are our own choice,
tried out in simulation.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.fft import ifft, rfft

from studylib.signal.decays import Decays
from studylib.signal.poles import terms

STRONGEST = 8  # that tell of a touch
HALF_WIDTH_HZ = (30.0, 150.0)  # of a mode's band: as wide as its neighbours leave it
APART = 0.45  # of the way to the next mode that counts
COUNTS = 0.1  # of a mode's amplitude
UNDER_START = 10 ** (-40.0 / 10)  # in power: lower, a mode is not followed
SUNK = 2.0  # times the background: where a mode is recorded lower, it is gone
OVER_NOISE = 4.0  # in power, over the background and the room's tail
STEEPER = 0.35  # of a mode's decay: less is no hand
CERTAIN = 4.5  # standard deviations
EACH_SIDE = 2  # steps
EACH_CERTAIN = 2.0  # standard deviations, of each mode that counts for a hand
JUMP = 0.2  # nepers in one step, of one mode at least
ODD = 4.0  # times a mode's usual step
SEVERAL = 2.0  # modes
AT_ONCE_S = 0.03
RISES = 0.1  # nepers, of the recorded amplitude itself
RISEN = 4.0  # in power, over all of the last steps
LAST_STEPS = 4
OVER_TOLD = 10.0  # in power, over all that is expected at that moment
NOISE_PEAKS = 4.0  # times the background, which at single moments is many times its median
MODELLED = 0.02  # nepers in a step that no model of a real ring foresees


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
    """contact, hand : None where there is none.  bends : (K,) 1/s, half the difference between the
    decays of each mode's first and second half, as far as it is no chance."""

    contact: Change | None
    hand: Change | None
    bends: np.ndarray


class _Track(NamedTuple):
    """One mode. f_hz.  decay : 1/s.  time_s, step, variance : (n,) the rise of the logarithm of
    recorded over predicted amplitude between two moments, and what it may be by chance.
    rise : (n,) the same of the recorded amplitude alone.
    risen_s : when its band rises far above all that is expected, or nan."""

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
    tracks, bends = [], np.zeros(len(strength))
    for place, i in enumerate(np.argsort(-strength)):
        track = _track(x, spectrum, decays, int(i), rate_hz, ratio, room_decay)
        if track is None:
            continue
        bends[i] = _bend(track)
        if place < STRONGEST:
            tracks.append(track)
    followed = [track for track in tracks if len(track.step) >= 2 * EACH_SIDE]
    risen = _together(tracks)
    contact = _contact(followed) if followed else None
    if risen and len(risen) >= min(SEVERAL, len(tracks)):
        at = min(track.risen_s for track in risen)
        if contact is None or at < contact.at_s:
            contact = Change(at, 0.0, 0.5 * float(np.log(OVER_TOLD)), *_band(risen))
    hand = _hand(followed) if followed else None
    # What comes first counts: after a hand nothing is as told, and after a contact neither.
    if contact is not None and hand is not None:
        first = contact.at_s <= hand.at_s
        contact, hand = (contact, None) if first else (None, hand)
    return Changes(contact, hand, bends)


def _together(tracks: list[_Track]) -> list[_Track]:
    """The most bands that rise at nearly the same moment."""
    best: list[_Track] = []
    for track in tracks:
        near = [t for t in tracks if 0.0 <= t.risen_s - track.risen_s < AT_ONCE_S]
        best = near if len(near) > len(best) else best
    return best


def _bend(track: _Track) -> float:
    if len(track.step) < 2 * EACH_SIDE:
        return 0.0
    gap = float(track.time_s[1] - track.time_s[0])
    weight = 1.0 / track.variance
    half = int(np.searchsorted(np.cumsum(weight), 0.5 * weight.sum()))
    half = min(max(half, EACH_SIDE), len(weight) - EACH_SIDE)
    parts = slice(None, half), slice(half, None)
    early, late = (float(weight[p] @ track.step[p] / weight[p].sum()) for p in parts)
    chance = sum(float(1.0 / weight[p].sum()) for p in parts)
    return 0.5 * float(np.sqrt(max((late - early) ** 2 - chance, 0.0))) / gap


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
    heard = np.abs(ifft((spectrum[low:high] - others) * window)) ** 2
    told = np.abs(ifft(each[own].sum(axis=0) * window)) ** 2
    count = high - low
    time = np.arange(count) * (n / rate_hz / count)
    # The Hann window of the bins spreads a moment over about two steps, so every second is kept.
    heard, told, time = heard[1::2], told[1::2], time[1::2]
    start = told[: max(1, len(told) // 8)].max()
    noise = float(np.median(heard[-max(4, len(heard) // 8) :]))
    gap = decay - room if abs(decay - room) > 1e-3 * decay else 1e-3 * decay
    tail = ratio * room * (np.exp(-2 * room * time) - np.exp(-2 * decay * time)) / gap
    tail = start * np.maximum(tail, 0.0)
    risen_s = _risen(heard, told + tail + NOISE_PEAKS * noise, time)
    fit = (told > UNDER_START * start) & (told > OVER_NOISE * (noise + tail))
    fit &= heard > SUNK * noise
    fit[0] = False
    end = int(np.argmin(fit[1:])) + 1 if not fit[1:].all() else len(fit)
    nothing = np.zeros(0)
    if end < 2 * EACH_SIDE + 2:
        return _Track(f, decay, nothing, nothing, nothing, nothing, risen_s)
    told, heard, time, tail = told[1:end], heard[1:end], time[1:end], tail[1:end]
    step = 0.5 * np.diff(np.log(np.maximum(heard, 1e-300) / told))
    gap_s = float(time[1] - time[0])
    fresh = ratio * room * start * np.exp(-2.0 * room * time[1:]) * gap_s
    variance = (fresh + noise) / told[1:] + MODELLED**2
    rise = 0.5 * np.diff(np.log(np.maximum(heard, 1e-300)))
    rise[heard[1:] < OVER_TOLD * noise] = 0.0
    return _Track(f, decay, time[1:], step, variance, rise, risen_s)


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


def _hand(tracks: list[_Track]) -> Change | None:
    """The moment from which all modes die faster."""
    best = (0.0, 0.0, 0.0)
    moments = np.unique(np.round(np.concatenate([t.time_s for t in tracks]), 3))
    for at in moments:
        bends = [bend for track in tracks if (bend := _hinge(track, at)) is not None]
        if len(bends) < SEVERAL:
            continue
        change, variance = np.array(bends).T
        weight = 1.0 / variance
        mean = float(weight @ change / weight.sum())
        certain = mean * np.sqrt(weight.sum())
        # All modes, and not the strongest alone: one that beats or gives way to another does so.
        agree = np.sum(change > np.maximum(0.5 * mean, EACH_CERTAIN * np.sqrt(variance)))
        if agree >= max(SEVERAL, 0.6 * len(bends)) and certain > best[0]:
            best = (certain, mean, float(at))
    certain, steeper, at = best
    if certain < CERTAIN or steeper < STEEPER:
        return None
    return Change(at, steeper, 0.0, *_band(tracks))


def _hinge(track: _Track, at: float) -> tuple[float, float] | None:
    """By how much of its decay a mode dies faster after a moment, and the variance of that."""
    early = track.time_s <= at
    if early.sum() < EACH_SIDE or (~early).sum() < EACH_SIDE:
        return None
    gap = float(track.time_s[1] - track.time_s[0])
    change, variance = 0.0, 0.0
    for part, sign in ((early, 1.0), (~early, -1.0)):
        weight = 1.0 / track.variance[part]
        change += sign * float(weight @ track.step[part] / weight.sum()) / gap
        variance += float(1.0 / weight.sum()) / gap**2
    return change / track.decay, variance / track.decay**2


def _contact(tracks: list[_Track]) -> Change | None:
    """The moment at which the modes rise at once."""
    gap = max(float(t.time_s[1] - t.time_s[0]) for t in tracks)
    end = max(t.time_s[-1] for t in tracks)
    edges = np.arange(0.0, end + gap, gap)
    odd, most, counted, several = np.zeros((4, len(edges)))
    for track in tracks:
        at = np.searchsorted(edges, track.time_s)
        away = track.step - np.median(track.step)
        usual = np.maximum(track.variance, (ODD * np.median(np.abs(away))) ** 2 / 4.0)
        np.add.at(odd, at, away**2 / usual)
        np.add.at(counted, at, 1.0)
        np.add.at(several, at, (away**2 / usual > ODD) & (track.rise > RISES))
        np.maximum.at(most, at, np.abs(away))
    with np.errstate(divide="ignore", invalid="ignore"):
        certain = np.where(counted > 0.0, (odd - counted) / np.sqrt(2.0 * counted), 0.0)
    # One mode alone may beat; a contact is felt by more than one, where there are more.
    enough = several >= np.minimum(SEVERAL, counted)
    at = np.flatnonzero((certain > CERTAIN**2 / np.sqrt(2.0)) & (most > JUMP) & enough)
    if not len(at):
        return None
    last = int(at[-1])
    return Change(float(edges[last]), 0.0, float(most[last]), *_band(tracks))


def _band(tracks: list[_Track]) -> tuple[float, float]:
    f = [track.f_hz for track in tracks]
    return min(f), max(f)
