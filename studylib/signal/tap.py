"""Taps: a board is knocked and left to ring; what rings, at which frequency, for how long.

The ring is analysed from just after the contact to the next knock or the end of the record, as a
sum of decays in noise (`signal.decays`): nothing is windowed, no noise floor bends the decay, and
the onset is left out. What the decays leave over is looked at in time as well. Left at the very
start, the contact was longer than thought, and the analysis begins later. Later on, something
touched the board, and the tap is refused: a second knock makes more sound than the decays
predict, a hand less.

A knock is a sudden rise: the power of the signal, or of its differences (which favours what is
quick), in blocks of a millisecond stands ten times above all of the last dozen blocks, far out of
the noise, and not far below the loudest knock. Knocks closer together than a tap needs to ring are
one event: a bounce, or two taps too quick.

A tap is refused, with its reason, when it bounced, when its ring changes on the way, when no
mode stands out, or when its modes die away in much less time than in another tap of the
recording (a hand or a sensor's cable adds damping, it never takes any away).

Conventions: one channel, samples re full scale; times in s from the start of the recording.

Functions: measure_taps, find_knocks. Tap, Knock.
Source: maximum likelihood of damped sinusoids (see `signal.poles`); the limits of refusal are
our own choice, tried out in simulation, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft, next_fast_len, prev_fast_len, rfft

from studylib.codes import note
from studylib.codes.modes import TapReason
from studylib.signal.decay_fit import MOST_STEPS
from studylib.signal.decays import Decays, find_decays
from studylib.signal.poles import decays_in_bins

KNOCK_BLOCK_S = 0.001
RISE = 10.0  # in power
LOOK_BACK = 12  # blocks, the last one left out
KNOCK_OVER_NOISE = 30.0  # in power
UNDER_LOUDEST = 1e-4  # in power: 40 dB
SAME_S = 0.008  # one contact, heard in several blocks
SHORTEST_RING_S = 0.2
BEFORE_NEXT_S = 0.006  # of a ring's end before the next knock

GUARD_S = 0.0025  # after the start of the block in which the contact began
LATER_S = 0.003  # by which the analysis begins later when the contact is still felt
MOST_LATER = 3
LONGEST_S = 6.0  # of a ring that is analysed
CHECK_S = 0.004  # blocks in which the rest is looked at
OVER_NOISE = 4.0  # power of the rest in a block over the noise
UNDER_RING = 1e-6  # in power: what is left this far below the loudest block does not matter
SHARE = 0.25  # of a block's power that the decays must explain
LAST = 0.15  # of the record, where the edges of the band show in time
LASTING = 4  # blocks in a row
CONTACT_SHARE = 0.1  # the same within the first blocks
CLEAN = 10 ** (-45.0 / 10)  # of the power left unexplained: nothing need be looked into
HEAVY = 0.04  # loss factor: with two such decays, something is imitated that is none
EARLY_S = 0.06  # within which a bounce is looked for by going back from later on
SLOW = 1.5  # nepers in that time: what dies away faster cannot be followed back
MEDIAN_OF_SQUARES = 0.455  # of noise, over its variance (chi-squared of one degree)
EARLY_SHARE = 10 ** (-26.0 / 10)  # of the power that going back must explain
UNEXPLAINED = 10 ** (-20.0 / 10)  # of the power: more than boards and rooms are seen to leave
MORE_DAMPED = 2.0  # times the loss factor of another tap
SAME_MODE = 0.03  # relative: taps of one take differ by less
ROOM_ABOVE = 0.45  # of the rate: no modes are looked for above

_NO_DECAYS = note(TapReason.NO_DECAYS, steps=MOST_STEPS)


@dataclass(frozen=True)
class Tap:
    """One tap. decays is None, and reason is a note of why, when it is refused.

    start_s : where its analysis begins.  seconds : of ring that were analysed.  signs : what else
    the ring shows, used or refused.  room : what is heard of the room, None where nothing is.
    """

    start_s: float
    seconds: float
    decays: Decays | None
    reason: str = ""
    signs: tuple[Sign, ...] = ()
    room: Room | None = None


class Sign(NamedTuple):
    """Something that the decays of a ring do not explain, or that limits what is used of it.

    note : what it is taken for.  at_s : from the start of the recording.  low_hz, high_hz : the
    band that shows it.  level_db : re the loudest block of the ring in that band."""

    note: str
    at_s: float
    low_hz: float
    high_hz: float
    level_db: float


class Room(NamedTuple):
    """What the ring tells of the room. decay_time_s : to -60 dB, with its relative standard
    uncertainty.  ratio_db : of the direct sound to the reverberant one."""

    decay_time_s: float
    u_relative: float
    ratio_db: float


def measure_taps(
    x: np.ndarray, *, rate_hz: float, lowest_hz: float, highest_hz: float | None, most: int
) -> list[Tap]:
    """The taps of one recording and their modes.

    Parameters
    ----------
    x : (n,) samples of the response.
    lowest_hz, highest_hz : where modes are looked for (highest None: 8 kHz, or 0.45 of the rate
        if that is less).  most : modes at most.

    Returns
    -------
    One Tap for each event, refused ones included; empty when nothing stands out.
    """
    highest = min(highest_hz or 8000.0, ROOM_ABOVE * rate_hz)
    band = {"rate_hz": rate_hz, "lowest_hz": lowest_hz, "highest_hz": highest, "most": most}
    taps = [_tap(x, knock, band) for knock in find_knocks(x, rate_hz=rate_hz)]
    return _held_against_each_other(taps)


def _tap(x: np.ndarray, knock: Knock, band: dict) -> Tap:
    rate = band["rate_hz"]
    start = knock.first + round(GUARD_S * rate)
    if knock.again:
        after_ms = 1000.0 * (knock.again[0] - knock.first) / rate
        reason = note(TapReason.SECOND_KNOCK, after_ms=after_ms)
        return Tap(start / rate, (knock.end - start) / rate, None, reason)
    for _ in range(MOST_LATER):
        tap, contact = _ring(x, start, knock.end, band)
        if not contact:
            break
        start += round(LATER_S * rate)
    return tap


def _ring(x: np.ndarray, start: int, end: int, band: dict) -> tuple[Tap, bool]:
    """The tap analysed from `start`, and whether its contact is still felt there."""
    rate = band["rate_hz"]
    frames = min(end - start, round(LONGEST_S * rate))
    if frames < 0.05 * rate:
        return Tap(start / rate, frames / rate, None, TapReason.BREAKS_OFF), False
    n = prev_fast_len(frames, real=True)
    spectrum = rfft(x[start : start + n])
    decays = find_decays(spectrum, n=n, **band)
    tap = Tap(start / rate, n / rate, decays)
    if decays.given_up:
        return replace(tap, decays=None, reason=_NO_DECAYS), False
    if not len(decays.frequency_hz):
        return replace(tap, decays=None, reason=TapReason.NO_MODES), False
    contact, change = _unexplained(spectrum, decays, n, band)
    reason = change or _unclean(x[start : start + n], spectrum, decays, band)
    return (replace(tap, decays=None, reason=reason) if reason else tap), contact


def _unclean(x: np.ndarray, spectrum: np.ndarray, decays: Decays, band: dict) -> str:
    """Why the decays are not those of a board that rings freely; "" when they may be."""
    clean = decays.unexplained < CLEAN and int(np.sum(decays.loss_factor > HEAVY)) < 2
    if not clean and (reason := _changed_early(x, spectrum, decays, band)):
        return reason
    if not clean and np.mean(decays.loss_factor > HEAVY) > 0.5:
        return TapReason.HEAVILY_DAMPED
    return TapReason.NOT_ONE_DECAY if decays.unexplained > UNEXPLAINED else ""


def _unexplained(spectrum: np.ndarray, decays: Decays, n: int, band: dict) -> tuple[bool, str]:
    """Where in time the decays do not explain the record, within the band of the analysis.

    Returns (whether at the very start, a note of the first change later on or "").
    """
    rate, first = band["rate_hz"], decays.first_bin
    end = first + len(decays.rest)
    short = next_fast_len(2 * end, real=True)
    bins = np.zeros((2, short // 2 + 1), complex)
    bins[0, first:end] = spectrum[first:end]
    bins[1, first:end] = decays.rest
    heard, rest = irfft(bins, n=short, axis=1)
    block = max(8, round(CHECK_S * rate * short / n))
    count = short // block
    power = [
        np.square(part[: count * block]).reshape(count, block).mean(axis=1)
        for part in (heard, heard - rest, rest)
    ]
    left = power[2]
    noise = float(np.partition(left, count // 8)[count // 8])
    loud = left > max(OVER_NOISE * noise, UNDER_RING * float(power[1].max()))
    contact = bool(loud[0] and left[0] > CONTACT_SHARE * power[0][0])
    odd = loud & (left > SHARE * np.maximum(power[0], power[1]))
    judged = odd[2 : count - max(2, round(LAST * count))]
    runs = np.convolve(judged, np.ones(LASTING), mode="valid") >= LASTING
    if not runs.any():
        return contact, ""
    at = int(np.argmax(runs)) + 2
    after_ms, louder = 1000.0 * at * block / short * n / rate, power[0][at] > power[1][at]
    return contact, note(TapReason.RING_CHANGES, after_ms=after_ms, louder=bool(louder))


def _changed_early(x: np.ndarray, spectrum: np.ndarray, early: Decays, band: dict) -> str:
    """A note where the slow decays, as they are a little later, do not lead back to the start."""
    rate, n, skip = band["rate_hz"], len(x), round(EARLY_S * band["rate_hz"])
    touched = note(TapReason.TOUCHED_EARLY, within_ms=1000.0 * EARLY_S)
    if n < 5 * skip:
        return ""
    m = prev_fast_len(n - skip, real=True)
    late = find_decays(rfft(x[skip : skip + m]), n=m, **band)
    if late.given_up:
        return _NO_DECAYS
    slow = -late.poles.real * skip < SLOW
    if not slow.any():
        return touched if np.any(-early.poles.real * skip < SLOW) else ""
    highest = late.poles.imag[slow].max()
    others = np.concatenate([late.poles.imag[~slow], early.poles.imag])
    above = others[others > 1.02 * highest].min(initial=np.pi * band["highest_hz"] * 2 / rate)
    first = max(int(band["lowest_hz"] * n / rate), 1)
    last = int(np.sqrt(highest * above) * n / (2 * np.pi))
    s, c = late.poles[slow], late.amplitudes[slow] * np.exp(-late.poles[slow] * skip)
    short = next_fast_len(4 * (last + 1), real=True)
    turns = np.exp(-2j * np.pi / n * np.arange(first, last + 1))
    both = np.zeros((2, short // 2 + 1), complex)
    both[0, first : last + 1] = decays_in_bins(s, c, n=n, turns=turns)
    both[1, first : last + 1] = spectrum[first : last + 1] - both[0, first : last + 1]
    told, left = np.square(irfft(both, n=short, axis=1))
    until = round(short * (EARLY_S - 0.008) * rate / n)
    since = round(short * 0.002 * rate / n)
    # The noise is in what is left as well: as much as later on, once nothing rings any more.
    noise = float(np.median(left[short // 2 : short - short // 8])) / MEDIAN_OF_SQUARES
    allowed = EARLY_SHARE * told[since:until].sum() + OVER_NOISE * noise * (until - since)
    return touched if left[since:until].sum() > allowed else ""


def _held_against_each_other(taps: list[Tap]) -> list[Tap]:
    """Taps that die away much faster than another one of the recording are refused."""
    good = [tap for tap in taps if tap.decays is not None]
    factors = {id(tap): [_damping_against(tap, other) for other in good] for tap in good}
    held = []
    for tap in taps:
        times = max(factors.get(id(tap), [0.0]))
        reason = note(TapReason.FASTER_THAN_ANOTHER, times=times)
        held.append(replace(tap, decays=None, reason=reason) if times > MORE_DAMPED else tap)
    return held


def _damping_against(tap: Tap, other: Tap) -> float:
    """Median ratio of the loss factors of modes that both taps have; 1 when there is none."""
    if tap is other:
        return 1.0
    f, g = tap.decays.frequency_hz, other.decays.frequency_hz
    nearest = np.abs(g[None, :] / f[:, None] - 1.0).argmin(axis=1)
    same = np.abs(g[nearest] / f - 1.0) < SAME_MODE
    if same.sum() < 1:
        return 1.0
    strong = same & (tap.decays.amplitude > 0.05 * tap.decays.amplitude.max())
    strong = strong if strong.any() else same
    return float(
        np.median(tap.decays.loss_factor[strong] / other.decays.loss_factor[nearest[strong]])
    )


class Knock(NamedTuple):
    """One event. first : where it begins, to a block.  end : where its ring is over, at the next
    event or the end of the record.  again : starts of further knocks of the same event."""

    first: int
    end: int
    again: tuple[int, ...]


def find_knocks(x: np.ndarray, *, rate_hz: float) -> list[Knock]:
    """The knocks of a recording, in order.

    Parameters
    ----------
    x : (n,) samples.

    Returns
    -------
    Empty where nothing stands out.
    """
    block = max(2, round(KNOCK_BLOCK_S * rate_hz))
    count = (len(x) - 1) // block
    if count <= LOOK_BACK:
        return []
    # What is quick tells a knock over the ring of the last one; all of it tells a soft knock
    # over hiss.
    quick = np.diff(x[: count * block + 1]).reshape(count, block)
    whole = x[: count * block].reshape(count, block)
    rises = _rises(np.einsum("bn,bn->b", quick, quick))
    rises |= _rises(np.einsum("bn,bn->b", whole, whole))
    starts = np.flatnonzero(rises)
    if not len(starts):
        return []
    # A contact shows in several blocks: those within SAME_S of the one before belong to it.
    starts = starts[np.concatenate([[True], np.diff(starts) > SAME_S / KNOCK_BLOCK_S])] * block
    events = np.split(starts, np.flatnonzero(np.diff(starts) > SHORTEST_RING_S * rate_hz) + 1)
    firsts = [int(event[0]) for event in events]
    gap = round(BEFORE_NEXT_S * rate_hz)
    ends = [*(first - gap for first in firsts[1:]), len(x)]
    return [
        Knock(int(event[0]), end, tuple(int(start) for start in event[1:]))
        for event, end in zip(events, ends, strict=True)
    ]


def _rises(power: np.ndarray) -> np.ndarray:
    """Blocks whose power stands far above the dozen before them, and out of the noise."""
    before = np.lib.stride_tricks.sliding_window_view(
        np.concatenate([np.full(LOOK_BACK, power[0]), power[:-1]]), LOOK_BACK
    )[:, : LOOK_BACK - 1].max(axis=1)
    noise = np.partition(power, len(power) // 10)[len(power) // 10]
    least = max(KNOCK_OVER_NOISE * noise, UNDER_LOUDEST * float(power.max()))
    return power > np.maximum(RISE * before, least)
