"""One tap take as it rings, for the eye: level against time, with the modes that were found.

Conventions: levels in dB re a full-scale sine (twice the mean square of a block), times in s from
the start of the recording.

Functions: tap_view. TapView, Ringing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studylib.measure.rings import taps_of
from studylib.recordings import probe, windows
from studylib.sheets import Study, Take
from studylib.signal.damping import decay_time

BLOCK_S = 0.004
STRONGEST = 4  # modes whose lines are drawn


@dataclass(frozen=True)
class Ringing:
    """One tap. start_s, end_s : of its analysis.  reason : why it is refused, or "".  modes :
    (frequency in Hz, level at start_s in dB, seconds to -60 dB) of the strongest ones."""

    start_s: float
    end_s: float
    reason: str
    modes: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True)
class TapView:
    """A take. time_s, level_db : arrays, one value a block.  taps : in order."""

    take: str
    time_s: np.ndarray
    level_db: np.ndarray
    taps: tuple[Ringing, ...]


def tap_view(study: Study, take: Take) -> TapView:
    """Read a tap take and measure it again, as the batch does.

    Raises
    ------
    InputError : the recording cannot be read.
    """
    path, channel = study.path_of(take), study.settings.channels.response - 1
    info = probe(path)
    x = next(windows(path, start=0, frames_each=info.frames, count=1))[channel]
    found = taps_of(x, info.rate_hz, study)
    block = max(1, round(BLOCK_S * info.rate_hz))
    count = len(x) // block
    power = np.square(x[: count * block]).reshape(count, block).mean(axis=1)
    level = 10.0 * np.log10(np.maximum(2.0 * power, 1e-20))
    return TapView(
        take.take,
        (np.arange(count) + 0.5) * block / info.rate_hz,
        level,
        tuple(_ringing(one) for one in found),
    )


def _ringing(tap) -> Ringing:
    end = tap.start_s + tap.seconds
    if tap.decays is None:
        return Ringing(tap.start_s, end, tap.reason, ())
    d = tap.decays
    order = np.argsort(-d.amplitude)[:STRONGEST]
    modes = tuple(
        (
            float(d.frequency_hz[i]),
            20.0 * float(np.log10(d.amplitude[i])),
            float(decay_time(d.frequency_hz[i], d.loss_factor[i])),
        )
        for i in sorted(order)
    )
    return Ringing(tap.start_s, end, "", modes)
