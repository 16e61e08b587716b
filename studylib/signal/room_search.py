"""Which decays a microphone hears: the search through a room, from the strongest peak down.

A room fills every peak with ripples and hangs them on its flanks. What is left once a decay is
taken off counts as another one only where it is far more than the room makes of the decays found
so far: the room's share of them, which is taken from what they leave over and falls as more is
found. So the first rounds see only what is plain, and later ones what the room allows.

Each round begins decays at the strongest peaks of the rest, fits every group of overlapping ones
to the bins around it, and drops those that do not stand out. A fit is held within its bins and
short of a knock's steepness, so that none can run away; the number of rounds and of decays is
bounded. Peaks at which no decay stands are the caller's to name.

Conventions: as in `signal.poles`; bins count from the first of the search.

Functions: search_in_room, loud_peaks, steepest, window_of, small_groups. Sought, Bins.
Source: least squares on the bins (`signal.poles`); the limits are our own choice, tried out on
recorded strokes and in simulated rooms.
"""

from typing import NamedTuple

import numpy as np
from scipy.signal import find_peaks

from studylib.signal import decay_fit, poles

ROUNDS = 10
STANDS_OUT = 12.0  # |c|^2 over its variance: below, one of a group is dropped
MOST_NEW = 8  # in one round
UNDER_STRONGEST = 10 ** (-60.0 / 20)  # of a peak
ODDS = 1e-3  # of a peak of noise, over all bins together
PROMINENT = 1.0 - 10 ** (-3.0 / 20)  # of a peak over the dip beside it
SWEEPS = 3
TAILS = 2.0  # times what stronger new decays make of it
TOGETHER = 5.0  # mean bandwidths: nearer ones are fitted together
MOST_TOGETHER = 6
STEEP_PER_S = 100.0  # at low frequencies a decay may be as steep as this
STEEPEST_LOW = 0.15  # and no steeper, over angle
AT_LIMIT = 0.98
RATIO = 0.1  # reverberant over direct energy, before anything is known
LEAST_RATIO = 10 ** (-28.0 / 10)  # no real ring is cleaner; what changes on the way shows
CLEAR = 30.0  # power of the decays over the background, where the room shows
MOST_BINS = 400  # of one fit
TINY = 1e-300


class Sought(NamedTuple):
    """s, c : complex (K,).  rest : bins without them.  ratio : reverberant over direct energy, as
    the median over the bins shows it.  steps : of all fits, each times its decays."""

    s: np.ndarray
    c: np.ndarray
    rest: np.ndarray
    ratio: float
    steps: int


class Bins(NamedTuple):
    """values : complex (M,).  first : number of the first in the whole transform.  turns : w.
    n : length of the record.  background : (M,) expected |bin|^2 of it."""

    values: np.ndarray
    first: int
    turns: np.ndarray
    n: int
    background: np.ndarray


def search_in_room(bins: Bins, *, step_hz: float, most: int) -> Sought:
    """The decays that stand out of the background and of what a room makes of the others.

    step_hz : of the bins.  most : decays at most, of which some are the knock or no modes.
    """
    s = c = np.zeros(0, complex)
    rest, ratio, at_most, steps = bins.values, RATIO, 1.0, 0
    for _ in range(ROUNDS):
        peaks = _new_peaks(rest, s, c, ratio, bins, step_hz)[: max(most - len(s), 0)]
        begun = _begun(peaks, rest, bins, step_hz)
        with_s, with_c = np.r_[s, begun[0]], np.r_[c, begun[1]]
        for _ in range(SWEEPS if len(peaks) else 0):
            with_s, with_c, strength, taken = _refitted(
                with_s, with_c, ratio, bins, step_hz * bins.n
            )
            kept = strength >= STANDS_OUT
            with_s, with_c, steps = with_s[kept], with_c[kept], steps + taken
        if len(with_s) <= len(s):
            break  # what such a round changed is a matter of chance
        s, c = with_s, with_c
        model = poles.decays_in_bins(s, c, n=bins.n, turns=bins.turns)
        rest = bins.values - model
        ratio = _room_share(s, rest, model, bins, at_most)
        # What is left is the room and what was not found yet: the room is that at most.
        at_most = ratio if ratio > LEAST_RATIO else at_most
    return Sought(s, c, rest, ratio, steps)


def loud_peaks(rest: np.ndarray, tolerated: np.ndarray, *, step_hz: float) -> np.ndarray:
    """Bins at which what is left stands out of what is tolerated, strongest first."""
    power = rest.real**2 + rest.imag**2
    size = np.sqrt(power / tolerated)
    height = np.sqrt(np.log(len(rest) / ODDS))
    if not size.max() >= height:
        return np.zeros(0, int)
    beside = max(int(decay_fit.BESIDE_HZ / step_hz), 4 * decay_fit.LEAST_BINS) | 1
    peaks, facts = find_peaks(size, height=height, prominence=0.0, wlen=beside)
    peaks = peaks[facts["prominences"] > PROMINENT * size[peaks]]
    return peaks[np.argsort(-power[peaks])]


def _new_peaks(rest, s, c, ratio, bins: Bins, step_hz: float) -> np.ndarray:
    model = poles.decays_in_bins(s, c, n=bins.n, turns=bins.turns) if len(s) else np.zeros(1)
    tolerated = bins.background + ratio * np.abs(model) ** 2
    peaks = loud_peaks(rest, tolerated, step_hz=step_hz)
    least = UNDER_STRONGEST * np.abs(bins.values).max()
    peaks = peaks[np.abs(rest[peaks]) > least][: 4 * MOST_NEW]
    if not len(peaks):
        return peaks
    # Each must be more than the tails of the stronger ones that begin beside it.
    begun, height = _begun(peaks, rest, bins, step_hz)
    tails = np.abs(height[:, None] * poles.terms(begun, n=bins.n, turns=bins.turns[peaks]))
    own = np.abs(rest[peaks]) > TAILS * np.sum(np.triu(tails, 1), axis=0)
    return peaks[own][:MOST_NEW]


def _begun(
    peaks: np.ndarray, rest: np.ndarray, bins: Bins, step_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """(s, c) of decays begun at peaks."""
    s = decay_fit.starts_at(rest, bins.turns, peaks)
    s = np.clip(s.real, -steepest(s.imag, step_hz * bins.n) * s.imag, -1e-2 / bins.n) + 1j * s.imag
    unit = (0.5 - 0.5 * np.exp(s * bins.n)) / (1.0 - np.exp(s) * bins.turns[peaks])
    return s, rest[peaks] / unit


def steepest(angle: np.ndarray, rate_hz: float) -> np.ndarray:
    """Decay over angle, at angles per sample, beyond which something is a knock and no mode."""
    return np.clip(
        STEEP_PER_S / rate_hz / np.maximum(angle, 1e-6), decay_fit.STEEPEST, STEEPEST_LOW
    )


def window_of(s: np.ndarray, bins: Bins, *, reach: float = decay_fit.REACH) -> tuple[int, int]:
    """First bin and the one after the last around a group of decays."""
    width = bins.n / (2.0 * np.pi)
    middle = s.imag * width - bins.first
    away = np.maximum(reach * 2.0 * np.abs(s.real) * width, 2 * decay_fit.LEAST_BINS)
    low, high = int((middle - away).min()), int(np.ceil((middle + away).max())) + 1
    return max(low, 0), min(max(high, low + 4 * decay_fit.LEAST_BINS), len(bins.values))


def small_groups(
    s: np.ndarray, *, together: float = TOGETHER, most: int = MOST_TOGETHER
) -> list[np.ndarray]:
    """Indices of decays that overlap, `most` of them at most; a crowd is cut where its members
    stand widest apart."""
    groups = decay_fit.groups_of(s, together=together)
    done = []
    while groups:
        group = groups.pop()
        if len(group) <= most:
            done.append(group)
            continue
        cut = int(np.argmax(np.diff(s[group].imag))) + 1
        groups += [group[:cut], group[cut:]]
    return done


def _refitted(
    s, c, ratio, bins: Bins, rate_hz: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """Every group fitted to the bins around it, with the others, as they stand, taken off; and how
    far each decay's amplitude stands out of what the fit leaves over. Of a group only the weakest
    is found too weak: without it the others may stand."""
    s, c, steps = s.copy(), c.copy(), 0
    strength = np.full(len(s), np.inf)
    model = poles.decays_in_bins(s, c, n=bins.n, turns=bins.turns)
    for group in small_groups(s):
        low, high = window_of(s[group], bins)
        every = max(1, (high - low) // MOST_BINS)
        at = slice(low, high, every)
        turns = bins.turns[at]
        if len(turns) < 2 * len(group) + 2:
            continue
        own = c[group] @ poles.terms(s[group], n=bins.n, turns=turns)
        target = bins.values[at] - model[at] + own
        steep = float(steepest(s[group].imag, rate_hz).min())
        try:
            fit = poles.fit_poles(
                target,
                n=bins.n,
                turns=turns,
                s=s[group],
                c=c[group],
                held=(-np.angle(turns[0]), -np.angle(turns[-1]), steep),
            )
        except np.linalg.LinAlgError:
            steps += len(group)
            continue
        steps += fit.steps * len(group)
        if not (np.all(np.isfinite(fit.s)) and np.all(np.isfinite(fit.c))):
            continue
        s[group], c[group] = np.minimum(fit.s.real, -1e-3 / bins.n) + 1j * fit.s.imag, fit.c
        if len(group) > 1:
            left = max(fit.squares / (len(turns) - 2 * len(group)), bins.background[at].mean())
            each = np.abs(fit.c) ** 2 / np.maximum(2.0 * fit.c_scale**2 * left, TINY)
            weakest = int(np.argmin(each))
            strength[group[weakest]] = each[weakest]
        model[at] += fit.c @ poles.terms(fit.s, n=bins.n, turns=turns) - own
        if every > 1:
            model = poles.decays_in_bins(s, c, n=bins.n, turns=bins.turns)
    # What runs up to the limit is broad for want of anything better.
    ran_off = -s.real > AT_LIMIT * steepest(s.imag, rate_hz) * s.imag
    own = _own_peak(s, c, ratio, bins) & ~ran_off
    return s, c, np.where(own, strength, 0.0), steps


def _own_peak(s, c, ratio: float, bins: Bins) -> np.ndarray:
    """Which decays' own peaks are more than the background and the room of other groups."""
    at = (np.round(s.imag * bins.n / (2 * np.pi)).astype(int) - bins.first).clip(
        0, len(bins.values) - 1
    )
    each = c[:, None] * poles.terms(s, n=bins.n, turns=bins.turns[at])
    others = each.sum(axis=0)
    for group in small_groups(s):
        others[group] -= each[np.ix_(group, group)].sum(axis=0)
    tolerated = bins.background[at] + ratio * np.abs(others) ** 2
    return np.abs(np.diagonal(each)) ** 2 > np.log(len(bins.values) / ODDS) * tolerated


def _room_share(s, rest, model, bins: Bins, most: float) -> float:
    """Reverberant over direct energy, from what the fits left around the decays; `most` at most."""
    power = model.real**2 + model.imag**2
    clear = power > CLEAR * bins.background
    near = np.zeros(len(power), bool)
    for each in s:
        low, high = window_of(np.array([each]), bins)
        near[low:high] = True
    near &= clear
    if near.sum() < 4 * decay_fit.LEAST_BINS:
        return LEAST_RATIO
    left = (rest.real[near] ** 2 + rest.imag[near] ** 2) / power[near]
    # The median of exponential variables is ln 2 of their mean.
    return float(np.clip(np.median(left) / np.log(2.0), LEAST_RATIO, most))
