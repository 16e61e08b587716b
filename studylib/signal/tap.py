"""Taps: a board is knocked and left to ring; what rings, at which frequency, for how long.

The ring is analysed from just after the contact to the next knock, or until it has died. Decays in
noise alone (`signal.decays`) come first: where they leave less over than a room that can be heard,
each mode stands by itself and nothing happens on the way, they are the ring. A sensor on the board
hears no more than that, and a microphone in the dry hardly: what a room may still hide is then in
the uncertainty. Any other ring is a sum of decays heard through a room (`signal.heard`). Nothing is
windowed, no noise floor bends the decay, and the onset is left out.

A knock is a sudden rise: the power of the signal, or of its differences (which favours what is
quick), in blocks of a millisecond stands ten times above all of the last dozen blocks, far out of
the noise, and not far below the loudest knock. A file that begins in the middle of a stroke begins
with a knock.

A later contact leaves the decays as they are: the ring is taken from after the last one, if enough
is left, and only its levels are no longer those of the knock. One that follows every knock after
the same time is a reflection. From a hand on the board on every mode dies faster, as nothing else
makes it: the ring is taken up to there, if enough is left. Each such sign is kept beside the tap.
A tap is refused when nothing is left, when no mode stands out, or when its modes die away in much
less time than in another tap of the recording (a hand or a sensor's cable adds damping, it never
takes any away); where they do so by less, the difference is in their uncertainty. A hand that lies
there within some 30 ms of the knock damps the whole ring: nothing but another tap tells it then.

Conventions: one channel, samples re full scale; times in s from the start of the recording.

Functions: measure_taps, find_knocks, ring_through_air. Tap, Sign, Knock.
Source: maximum likelihood of damped sinusoids (`signal.poles`, `signal.room_fit`); the limits of
refusal are our own choice, tried out in simulation and on recorded strokes, no source.
"""

from dataclasses import dataclass, replace
from functools import reduce
from typing import NamedTuple

import numpy as np
from scipy.fft import prev_fast_len, rfft

from studylib.codes import code_of, fields_of, note
from studylib.signal import damping, touches
from studylib.signal.decays import SLOW_PER_S, Decays, find_decays
from studylib.signal.heard import LEAST_FALL, NO_ROOM, Heard, Room, find_decays_heard, not_heard
from studylib.signal.poles import MODEL_ERROR

KNOCK_BLOCK_S = 0.001
RISE = 10.0  # in power
LOOK_BACK = 12  # blocks, the last one left out
KNOCK_OVER_NOISE = 30.0  # in power
UNDER_LOUDEST = 1e-4  # in power: 40 dB
SAME_S = 0.008  # one contact, heard in several blocks
SHORTEST_RING_S = 0.2
BEFORE_NEXT_S = 0.006  # of a ring's end before the next knock
QUIET_BEFORE_S = 0.5  # of background that is looked at before a knock
AHEAD_S = 0.1  # of a recording before its first knock, as asked for

GUARD_S = 0.0025  # after the start of the block in which the contact began
PEAK_WITHIN_S = 0.015  # of the contact: a soft mallet takes that long to give all its sound
AFTER_PEAK_S = 0.004
LONGEST_S = 6.0  # of a ring that is analysed
LEAST_S = 0.05  # of a ring that can be analysed at all
BEFORE_HAND_S = 0.012  # a hand is heard to the nearest step of a mode's band only
MOST_CHANGES = 3  # of a ring that are followed
REFLECTION_S = 0.0015  # within which delays of reflections agree
MORE_DAMPED = 1.5  # times the loss factor of another tap, of a mode
ALL_MORE_DAMPED = 1.35  # the same, of all modes together
BENT_ALIKE = 0.8  # of the room's part in a decay: taps at one place share it
REPEATS = 0.03  # relative, of a decay from tap to tap
LOUD = 0.05  # of the strongest mode: weaker ones tell of no hand
SAME_MODE = 0.03  # relative: taps of one take differ by less
ROOM_ABOVE = 0.45  # of the rate: no modes are looked for above
TOLD_DB = 28.0  # direct over reverberant sound: from which on a room cannot be told from what a
# board adds of its own
CLEAN_IN_ROOM = 10 ** (-30.0 / 10)  # the same, of a ring that a microphone heard
BENT = 0.05  # of a mode's decay: then it is none in noise alone
HEAVY = 0.04  # loss factor: with two such decays, something is imitated that is none
CLEAN = 10 ** (-45.0 / 10)  # of the power left over by decays in noise alone


class Sign(NamedTuple):
    """Something that the decays of a ring do not explain, or that limits what is used of it.

    what : a note of what it is taken for.  at_s : from the start of the recording.
    low_hz, high_hz : the band that shows it.
    level_db : re the loudest block of the ring in that band."""

    what: str
    at_s: float
    low_hz: float
    high_hz: float
    level_db: float


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

    @property
    def end_s(self) -> float:
        """Where its analysis ends."""
        return self.start_s + self.seconds


class Knock(NamedTuple):
    """One event. first : where it begins, to a block.  end : where its ring is over, at the next
    event or the end of the record.  again : starts of further knocks of the same event."""

    first: int
    end: int
    again: tuple[int, ...]


def measure_taps(
    x: np.ndarray,
    *,
    rate_hz: float,
    lowest_hz: float,
    highest_hz: float | None,
    most: int,
    through_air: bool,
) -> list[Tap]:
    """The taps of one recording and their modes.

    Parameters
    ----------
    x : (n,) samples of the response.
    lowest_hz, highest_hz : where modes are looked for (highest None: 8 kHz, or 0.45 of the rate
        if that is less).  most : modes at most.
    through_air : whether a microphone heard it, and so a room; a sensor on the board hears none.

    Returns
    -------
    One Tap for each event, refused ones included; empty when nothing stands out.
    """
    band = {
        "rate_hz": rate_hz, "lowest_hz": lowest_hz, "most": most,
        "highest_hz": min(highest_hz or 8000.0, ROOM_ABOVE * rate_hz),
    }  # fmt: skip
    knocks = find_knocks(x, rate_hz=rate_hz)
    # Decays that are much faster in one tap than in another of the recording are refused, and the
    # tap with them where that holds for most of its modes.
    taps = _with_reflections(
        [
            _tap(x, knock, before, through_air, band)
            for knock, before in zip(knocks, [0, *(knock.end for knock in knocks)], strict=False)
        ]
    )
    good = [tap for tap in taps if tap.decays is not None]
    return [_held(tap, good) if tap.decays is not None and len(good) > 1 else tap for tap in taps]


def ring_through_air(
    x: np.ndarray, *, rate_hz: float, lowest_hz: float, highest_hz: float, most: int
) -> tuple[Decays, Room | None]:
    """The modes of a ring that a microphone heard and nothing touches, and the room where one is
    heard: what a sweep leaves of a board, for one.

    x : (n,) samples of the ring alone.  most : modes at most.
    """
    band = {"rate_hz": rate_hz, "lowest_hz": lowest_hz, "highest_hz": highest_hz, "most": most}
    n = prev_fast_len(len(x), real=True)
    plain = _plain(rfft(x[:n]), n, True, band)
    if plain is not None:
        return plain, None
    heard = find_decays_heard(x, quiet=x[:0], **band)
    return heard.decays, _told(heard.room)


def _told(room: Room | None) -> Room | None:
    """A room that can be told from what a board adds of its own."""
    return room if room is not None and room.ratio_db < TOLD_DB else None


def _plain(spectrum: np.ndarray, n: int, through_air: bool, band: dict) -> Decays | None:
    """Decays in noise alone in the transform of n samples, with what a room may hide, where each
    stands by itself and nothing else is loud in a ring; else None: what changes on the way is
    imitated by decays that are none, and so is a room."""
    decays = find_decays(spectrum, n=n, most_left=NO_ROOM, **band)
    # Where a microphone heard it, the room's part of the uncertainty covers more.
    most, clean = (2, CLEAN_IN_ROOM) if through_air else (1, CLEAN)
    height = np.abs(decays.amplitudes) / np.maximum(
        -decays.poles.real, SLOW_PER_S / band["rate_hz"]
    )
    own = np.pi * decays.frequency_hz * decays.loss_factor
    loud = np.abs(decays.amplitudes[height > LOUD * height.max(initial=0.0)])
    # A line that does not die is none, however well its decay is known.
    lasts = np.any(own * n <= LEAST_FALL * band["rate_hz"]) or decays.close.any()
    alone = len(loud) and (loud[:, None] == decays.amplitude).any(axis=1).all() and not lasts
    if not alone or decays.unexplained > clean or np.sum(decays.loss_factor > HEAVY) > most:
        return None
    return not_heard(decays, rate_hz=band["rate_hz"]) if through_air else decays


def _tap(x: np.ndarray, knock: Knock, before: int, through_air: bool, band: dict) -> Tap:
    rate = band["rate_hz"]
    signs, first = _signs_of_the_start(knock, rate), knock.first
    if knock.again:
        first = knock.again[-1]
        if knock.end - first < SHORTEST_RING_S * rate:
            reason = note("taps.second_knock", after_ms=1000.0 * (first - knock.first) / rate)
            return Tap(first / rate, (knock.end - first) / rate, None, reason, tuple(signs))
    quiet = x[max(before, knock.first - round(QUIET_BEFORE_S * rate)) : knock.first]
    quiet = quiet[: max(0, len(quiet) - round(2 * KNOCK_BLOCK_S * rate))]
    start, plain = _after_contact(x, first, rate), None
    end = min(knock.end, start + round(LONGEST_S * rate))
    if end - start >= LEAST_S * rate and not signs:
        n = prev_fast_len(end - start, real=True)
        spectrum = rfft(x[start : start + n])
        plain = _plain(spectrum, n, through_air, band)
    if plain is not None:
        tap, changes = _judged(spectrum, start, Heard(plain, None, (), n / rate), rate)
        if changes.contact is changes.hand is None and _straight(tap, changes.bends):
            return tap if through_air else replace(tap, decays=plain)
    for _ in range(MOST_CHANGES):
        tap, changes = _analysed(x, start, end, quiet, through_air, band)
        contact, hand = changes.contact, changes.hand
        if tap.reason:
            break
        if contact is not None and end - start > (contact.at_s + SHORTEST_RING_S) * rate:
            signs.append(_sign("taps.later_contact", contact, start, knock.first, band))
            start += round(contact.at_s * rate) + round(2 * GUARD_S * rate)
        elif hand is not None and hand.at_s >= LEAST_S:
            signs.append(_sign("taps.dies_faster", hand, start, knock.first, band))
            end = start + round(max(hand.at_s - BEFORE_HAND_S, LEAST_S) * rate)
        else:
            break
    else:
        tap, changes = _analysed(x, start, end, quiet, through_air, band)
    if hand is not None and hand.at_s < LEAST_S and not tap.reason:
        after_ms = 1000.0 * (start - knock.first) / rate + 1000.0 * hand.at_s
        signs.append(_sign("taps.dies_faster", hand, start, knock.first, band))
        tap = replace(tap, decays=None, reason=note("taps.ring_changes", after_ms=after_ms))
    if tap.decays is not None and any(code_of(s.what) == "taps.later_contact" for s in signs):
        # The knock's own level is not known any more.
        tap = replace(tap, decays=replace(tap.decays, u_amplitude=tap.decays.amplitude))
    return replace(tap, signs=(*signs, *tap.signs))


def _straight(tap: Tap, bends: np.ndarray) -> bool:
    """Whether no strong mode bends, so that decays in noise alone may explain the ring."""
    decays = tap.decays
    return not np.any(
        (bends > BENT * np.pi * decays.frequency_hz * decays.loss_factor)
        & (decays.amplitude > LOUD * decays.amplitude.max())
    )


def _after_contact(x: np.ndarray, first: int, rate_hz: float) -> int:
    """Where the contact is over: some milliseconds after the loudest block that follows it."""
    block = max(2, round(KNOCK_BLOCK_S * rate_hz))
    near = x[first : first + round(PEAK_WITHIN_S * rate_hz)]
    near = (near - x.mean())[: len(near) // block * block].reshape(-1, block)
    loudest = int(np.argmax(np.einsum("bn,bn->b", near, near))) if len(near) else 0
    return first + loudest * block + round(AFTER_PEAK_S * rate_hz)


def _analysed(
    x: np.ndarray, start: int, end: int, quiet: np.ndarray, through_air: bool, band: dict
) -> tuple[Tap, touches.Changes]:
    """The tap between two samples, and what changes in its ring."""
    rate, none = band["rate_hz"], touches.Changes(None, None, np.zeros(0))
    if end - start < LEAST_S * rate:
        return Tap(start / rate, max(end - start, 0) / rate, None, "taps.breaks_off"), none
    heard = find_decays_heard(x[start:end], quiet=quiet, **band)
    if not through_air:  # a sensor on the board hears no room
        heard = heard._replace(decays=replace(heard.decays, u_place=None), room=None)
    if not len(heard.decays.frequency_hz):
        return Tap(start / rate, heard.seconds, None, "taps.no_modes"), none
    return _judged(rfft(x[start : start + round(heard.seconds * rate)]), start, heard, rate)


def _judged(
    spectrum: np.ndarray, start: int, heard: Heard, rate: float
) -> tuple[Tap, touches.Changes]:
    """The tap that begins at a sample, and what changes in its ring."""
    decays, room = heard.decays, heard.room
    tap = Tap(start / rate, heard.seconds, decays, room=_told(room))
    if heard.left_over:
        what = note("taps.left_over", frequencies_hz=list(heard.left_over[:3]))
        ends = min(heard.left_over), max(heard.left_over)
        tap = replace(tap, signs=(Sign(what, start / rate, *ends, 0.0),))
    ratio = MODEL_ERROR if room is None else 10.0 ** (-room.ratio_db / 10.0)
    dies = damping.LN_1000 / (0.4 if room is None else room.decay_time_s)
    changes = touches.changes_of(
        spectrum, decays, n=round(heard.seconds * rate), rate_hz=rate, ratio=ratio, room_decay=dies
    )
    u = np.hypot(decays.u_loss_factor, changes.bends / (np.pi * decays.frequency_hz))
    return replace(tap, decays=replace(decays, u_loss_factor=u)), changes


def _sign(code: str, change: touches.Change, start: int, knock: int, band: dict) -> Sign:
    facts = {"after_ms": 1000.0 * ((start - knock) / band["rate_hz"] + change.at_s)}
    facts |= {"times": 1.0 + change.steeper} if code == "taps.dies_faster" else {}
    return Sign(
        note(code, **facts),
        at_s=start / band["rate_hz"] + change.at_s,
        low_hz=change.low_hz,
        high_hz=change.high_hz,
        level_db=20.0 / np.log(10.0) * change.jump,
    )


def _signs_of_the_start(knock: Knock, rate_hz: float) -> list[Sign]:
    """What precedes the ring: too little quiet, contacts heard as knocks of their own."""
    at_once = knock.first < 2 * KNOCK_BLOCK_S * rate_hz
    found = [(note("taps.starts_at_knock", ahead_s=AHEAD_S), knock.first)] if at_once else []
    found += [
        (note("taps.later_contact", after_ms=1000.0 * (again - knock.first) / rate_hz), again)
        for again in knock.again
    ]
    return [Sign(what, at / rate_hz, 0.0, rate_hz / 2.0, 0.0) for what, at in found]


def _with_reflections(taps: list[Tap]) -> list[Tap]:
    """What follows every one of three or more knocks after the same time is a reflection."""
    delays = [
        np.array(
            [
                fields_of(sign.what)["after_ms"]
                for sign in tap.signs
                if code_of(sign.what) == "taps.later_contact"
            ]
        )
        for tap in taps
    ]
    if len(taps) < 3:
        return taps

    def renamed(sign: Sign) -> Sign:
        if code_of(sign.what) == "taps.later_contact":
            after_ms = fields_of(sign.what)["after_ms"]
            if all(np.any(np.abs(each - after_ms) < 1000.0 * REFLECTION_S) for each in delays):
                return sign._replace(what=note("taps.reflection", after_ms=after_ms))
        return sign

    return [replace(tap, signs=tuple(map(renamed, tap.signs))) for tap in taps]


def _held(tap: Tap, good: list[Tap]) -> Tap:
    mine = tap.decays
    loud = mine.amplitude > LOUD * mine.amplitude.max()
    times, excess, all_faster = np.ones(len(loud)), 0.0, 0.0
    for other in good:
        if other is tap:
            continue
        theirs = other.decays
        nearest = np.abs(theirs.frequency_hz / mine.frequency_hz[:, None] - 1.0).argmin(axis=1)
        same = (
            (np.abs(theirs.frequency_hz[nearest] / mine.frequency_hz - 1.0) < SAME_MODE)
            & (loud & ~mine.close & ~theirs.close[nearest])
        )  # fmt: skip
        ratio = mine.loss_factor / theirs.loss_factor[nearest]
        u, own = (
            np.hypot(_relative(mine, alike), _relative(theirs, alike)[nearest])
            for alike in (0.0, BENT_ALIKE)
        )
        certain = same & (ratio > MORE_DAMPED) & (np.log(ratio) > touches.CERTAIN * u)
        times = np.where(certain, np.maximum(times, ratio), times)
        mean, by = _all_faster(np.log(ratio[same]), own[same])
        excess = max(excess, mean if by > touches.UNSURE else 0.0)
        all_faster = max(all_faster, mean if by > touches.CERTAIN else 0.0)
    fast = times > 1.0
    energy = mine.amplitude**2 / np.maximum(mine.frequency_hz * mine.loss_factor, 1e-12)
    usual = max(float(np.median(times[fast])) if fast.any() else 1.0, float(np.exp(all_faster)))
    if (
        all_faster > np.log(ALL_MORE_DAMPED)
        or np.mean(fast) > 0.5
        or energy[fast].sum() > 0.5 * energy.sum()
    ):
        return replace(tap, decays=None, reason=note("taps.faster_than_another", times=usual))
    # What is not enough to refuse it is no reason to trust it either.
    wide = np.hypot(mine.u_loss_factor, mine.loss_factor * -np.expm1(-excess))
    decays = replace(
        mine,
        loss_factor=np.where(fast, np.nan, mine.loss_factor),
        u_loss_factor=np.where(fast, np.nan, wide),
    )
    if fast.any():
        f = mine.frequency_hz[fast]
        what = note("taps.some_faster", frequencies_hz=f.tolist(), times=usual)
        sign = Sign(what, tap.start_s, float(f.min()), float(f.max()), 0.0)
        tap = replace(tap, signs=(*tap.signs, sign))
    return replace(tap, decays=decays)


def _relative(decays: Decays, alike: float) -> np.ndarray:
    """Relative standard uncertainty of decays against those of another tap of the recording, with
    which they share so much of the room's part."""
    place = 0.0 if decays.u_place is None else alike * decays.u_place
    return np.hypot(
        np.sqrt(np.maximum(decays.u_loss_factor**2 - place**2, 0.0)) / decays.loss_factor, REPEATS
    )


def _all_faster(log_ratio: np.ndarray, u: np.ndarray) -> tuple[float, float]:
    """The mean logarithm by which all modes of a tap die faster than those of another, and how many
    standard deviations it is; none where some do not."""
    weight = u**-2.0
    mean = float(weight @ log_ratio / max(weight.sum(), 1e-300))
    agree = np.sum(log_ratio > np.maximum(0.5 * mean, touches.EACH_CERTAIN * u))
    return (
        (0.0, 0.0)
        if agree < 2 or 3 * np.sum(0.5 * mean - log_ratio > touches.EACH_CERTAIN * u) > agree
        else (mean, mean * float(np.sqrt(weight.sum())))
    )


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
    whole = x[: count * block].reshape(count, block)
    quick = (x[1 : count * block + 1] - x[: count * block]).reshape(count, block)
    starts = np.flatnonzero(_rises(np.vecdot(quick, quick)) | _rises(np.vecdot(whole, whole)))
    if not len(starts):
        return []
    # A contact shows in several blocks: those within SAME_S of the one before belong to it.
    starts = starts[np.concatenate([[True], np.diff(starts) > SAME_S / KNOCK_BLOCK_S])] * block
    events = np.split(starts, np.flatnonzero(np.diff(starts) > SHORTEST_RING_S * rate_hz) + 1)
    ends = [*(int(event[0]) - round(BEFORE_NEXT_S * rate_hz) for event in events[1:]), len(x)]
    return [
        Knock(int(event[0]), end, tuple(int(start) for start in event[1:]))
        for event, end in zip(events, ends, strict=True)
    ]


def _rises(power: np.ndarray) -> np.ndarray:
    """Blocks whose power stands far above the dozen before them, and out of the noise."""
    noise = np.partition(power, len(power) // 10)[len(power) // 10]
    # A file that begins loud begins with a knock; one that begins in noise does not.
    ahead = noise if power[0] > KNOCK_OVER_NOISE * noise else power[0]
    past = np.concatenate([np.full(LOOK_BACK, ahead), power[:-2]])
    before = reduce(np.maximum, (past[i : i + len(power)] for i in range(LOOK_BACK - 1)))
    least = max(KNOCK_OVER_NOISE * noise, UNDER_LOUDEST * float(power.max()))
    return power > np.maximum(RISE * before, least)
