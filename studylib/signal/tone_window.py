"""Where in a take its steady tone sounds, by the level at the tone's own frequency.

The level over time is that of quadrature demodulation: each block of a few periods, under a Hann
window, times exp(-i w t). A block is short enough for an onset to be placed within some 25 ms, and
wide enough in frequency for a tone that is several percent off. The stretch looked for is the
longest in which the level is steady (over as much of it as is analysed) and smooth from block to
block, as noise is not, and which nothing else that is steady drowns. Where none is long enough,
it is what sounds from the first to the last loud block; the checks of the take then say what is
wrong with it.

Conventions: levels in dB re any one reference, one value a block; stretches as (first block, block
after the last).

Functions: `block_frames`, `block_levels`, `stretch_of`.
Source: the logarithms of two independent powers of noise differ by 20 lg 2 = 6.0 dB on average
(their difference is logistic), elementary; the other limits are common practice without a source.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import median_filter

from studylib.signal.samples import LARGEST

BLOCK_S = 0.02
FEWEST_PERIODS = 4  # of a block: with fewer, the tone's harmonics and a constant leak in
MEDIAN_BLOCKS = 5
STEADY_DB = 5.0  # from the quietest to the loudest block of a steady piece
SETTLED_DB = 1.0  # so near its median level, a stretch has come up
SMOOTH_DB = 3.0  # mean step from block to block; noise alone steps by 6
SHORTEST_BLOCKS = 8  # of what is called steady at all
ALIKE_DB = 10.0  # so far below something steady, a stretch is not of the tone
LOUD_DB = 20.0  # so far below it, nothing is loud
FLOOR_DB = -200.0  # stands for a level of zero


def block_frames(*, rate_hz: float, tone_hz: float) -> int:
    """Frames of a block: about 20 ms, at least four periods."""
    return round(max(FEWEST_PERIODS, BLOCK_S * tone_hz) * rate_hz / tone_hz)


def block_levels(blocks: np.ndarray, *, rate_hz: float, tone_hz: float) -> np.ndarray:
    """Level at the tone's frequency of each block.

    Parameters
    ----------
    blocks : float (..., frames), full scale = 1.

    Returns
    -------
    (...), dB re a sine of full scale.
    """
    frames = blocks.shape[-1]
    angle = np.pi * (np.arange(frames) + 0.5)
    weights = np.sin(angle / frames) ** 2 * np.exp(-2j * tone_hz / rate_hz * angle)
    # A sine of full scale gives a quarter of the frames; what is no number is no sound.
    sound = np.where(np.abs(blocks) < LARGEST, blocks, 0.0)
    size = np.hypot(sound @ weights.real, sound @ weights.imag) * 4.0 / frames
    return 20.0 * np.log10(np.maximum(size, 10.0 ** (FLOOR_DB / 20.0)))


def stretch_of(levels: np.ndarray, *, needed: int) -> tuple[int, int] | None:
    """The stretch in which the tone sounds.

    Parameters
    ----------
    levels : (J,) of the blocks of a whole take.
    needed : blocks that the tone should last.

    Returns
    -------
    The longest steady stretch, from where it has come up to its level unless it begins with the
    take; if none lasts for `needed` blocks, all from the first to the last loud block. None where
    nothing that is steady stands out: the whole take is as good.
    """
    calm = median_filter(levels, MEDIAN_BLOCKS, mode="nearest")
    top = max((level for *_, level in _steady(levels, calm, SHORTEST_BLOCKS)), default=FLOOR_DB)
    if top <= FLOOR_DB:
        return None
    long = [one for one in _steady(levels, calm, needed) if one[2] > top - ALIKE_DB]
    if long:
        length, first, level = max(long)
        up = int(np.argmax(calm[first:] > level - SETTLED_DB)) if first else 0
        return first + min(up, length - needed), first + length
    loud = np.flatnonzero(calm > top - LOUD_DB)
    first, end = int(loud[0]), int(loud[-1]) + 1
    return (first, end) if end - first < levels.size else None


def _steady(levels: np.ndarray, calm: np.ndarray, size: int) -> list[tuple[int, int, float]]:
    """(length, first, median level) of the stretches of which any `size` blocks are steady."""
    if levels.size < size:
        return []
    span = np.ptp(sliding_window_view(calm, size), axis=1)
    step = sliding_window_view(np.abs(np.diff(levels)), size - 1).mean(axis=1)
    # Where pieces of this size begin and cease to be steady.
    turns = np.flatnonzero(np.diff(np.pad((span <= STEADY_DB) & (step <= SMOOTH_DB), 1)))
    places = [(first, last + size - 1) for first, last in turns.reshape(-1, 2).tolist()]
    return [(end - first, first, float(np.median(calm[first:end]))) for first, end in places]
