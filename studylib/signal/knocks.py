"""Find the knocks in a recording of taps.

A knock is a sudden rise: the power of the signal, or of its differences (which favours what is
quick), in blocks of a millisecond stands ten times above all of the last dozen blocks, far out of
the noise, and not far below the loudest knock. Knocks closer together than a tap needs to ring are
one event: a bounce, or two taps too quick.

Conventions: one channel, samples re full scale; positions in samples.

Functions: find_knocks. Knock.
Source: no standard; the limits are common practice for impact testing, no source.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

BLOCK_S = 0.001
RISE = 10.0  # in power
LOOK_BACK = 12  # blocks, the last one left out
OVER_NOISE = 30.0  # in power
UNDER_LOUDEST = 1e-4  # in power: 40 dB
SAME_S = 0.008  # one contact, heard in several blocks
SHORTEST_RING_S = 0.2
BEFORE_NEXT_S = 0.006  # of a ring's end before the next knock


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
    block = max(2, round(BLOCK_S * rate_hz))
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
    starts = starts[np.concatenate([[True], np.diff(starts) > SAME_S / BLOCK_S])] * block
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
    least = max(OVER_NOISE * noise, UNDER_LOUDEST * float(power.max()))
    return power > np.maximum(RISE * before, least)
