"""Where a recording's spectrum ends as if cut with a knife: the mark of lossy coding or resampling.

A file that was coded with loss, or recorded at a lower rate and resampled, has nothing above some
frequency but its own rounding, whatever its container says. What a microphone, a board or a synth
cuts falls off gradually, and what a recorder picks up goes on above it as its noise. So an edge
needs three things:

- the spectrum falls by at least 15 dB more than its slope below the edge explains, within a tenth
  of the edge's frequency, and nothing up to half the rate comes back;
- in the quietest moments there is nothing near half the rate but rounding: at most 7 dB more than
  that of the file's step (triangular dither adds 4.8 dB), or a level below any recorder's noise;
- it lies below 0.43 of the rate: above it, recorders' own filters cut.

Both the loudest and the quietest moments are searched, since a stroke shows an edge above the noise
and a pause shows one in it. An edge below 4 kHz is not looked for: strings and strokes end there by
themselves.

Conventions: levels in dB, 10 lg of the mean square that the density would have from 0 Hz to half
the rate; cells of 16 bins (170 to 250 Hz), lowest first.

Functions: frame_levels, band_edge.
Source: the rounding of a step q has the mean square q^2/12 (definition); the limits were chosen on
recordings and on codings of them (tests/signal/test_band_edge.py), no other source.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import rfft

FRAME_S = 0.093  # at most: 4096 samples at 44.1 and 48 kHz
LOUDEST, QUIETEST = 8, 4  # frames
CELL_BINS = 16
QUANTILE = 0.3  # of a cell's bins: lines of a tone do not reach it
LOWEST_HZ = 4000.0
HIGHEST_SHARE = 0.43  # of the rate, for the edge
BOTTOM_SHARE = 0.46  # of the rate, for where the bottom begins
FALL_SHARE = 0.1  # of the edge's frequency, for the width of the fall
SHELF = 6  # cells below the edge whose median is the level there
LEAST_BELOW = 2 * SHELF + 4  # cells below the bottom
LEAST_STEP_DB = 15.0
CLEAR_STEP_DB = 25.0  # from here on, the loudest moments may leave something above the edge
UNEVEN_DB = 6.0  # of the bottom, and a quarter of the step: a decoder's own spill
OVER_ROUNDING_DB = 7.0
NO_RECORDER_DB = -120.0  # no recorder's noise is lower
TINY = 1e-30


def frame_levels(x: np.ndarray, *, rate_hz: float) -> np.ndarray | None:
    """Power of the loudest and of the quietest frames of a piece, cell by cell.

    Parameters
    ----------
    x : float (frames,), full scale = 1.

    Returns
    -------
    (2, cells): mean square, of noise 1 dB too low, of a single frame 4; None for a piece shorter
    than a frame.
    """
    n = 2 ** int(math.log2(FRAME_S * rate_hz))
    if x.size < n:
        return None
    hop = n // 2
    frames = sliding_window_view(x, n)[::hop]
    order = np.argsort(np.einsum("ij,ij->i", frames, frames), kind="stable")
    quietest = order[: max(1, min(QUIETEST, order.size // 4))]
    window, cells = _window(n), hop // CELL_BINS
    found = []
    for picked in (order[-LOUDEST:], quietest):
        # One by one: picking rows of overlapping frames costs three times the transforms.
        part = rfft(np.array([x[k : k + n] * window for k in (hop * picked).tolist()]))
        by_cell = np.sort(
            np.square(np.abs(part)).mean(axis=0)[: cells * CELL_BINS].reshape(cells, CELL_BINS),
            axis=1,
        )
        found.append(by_cell[:, int(QUANTILE * CELL_BINS)])
    return np.array(found)


@lru_cache(maxsize=16)
def _window(n: int) -> np.ndarray:
    """cos^4, scaled so that a transform's squares are mean squares over half the rate."""
    window = np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 4
    return window / np.sqrt(np.einsum("i,i->", window, window))


def band_edge(power: np.ndarray, *, rate_hz: float, step: float) -> float | None:
    """The frequency above which a recording holds nothing, in hertz; None where it goes on.

    Parameters
    ----------
    power : (2, cells) from `frame_levels`, or the mean of several.
    step : smallest step between samples, full scale = 1.
    """
    # The highest cell lacks its neighbours.
    levels = 10.0 * np.log10(np.maximum(power[:, :-1], TINY))
    silent = max(
        20.0 * math.log10(step) - 10.0 * math.log10(12.0) + OVER_ROUNDING_DB, NO_RECORDER_DB
    )
    width = 0.5 * rate_hz / power.shape[1]
    if np.median(levels[1, int(BOTTOM_SHARE * rate_hz / width) :]) > silent:
        return None  # as in most recordings, whose noise goes on to the top
    for level in levels:
        found = _steepest(level, first=math.ceil(LOWEST_HZ / width), rate_cells=rate_hz / width)
        if found is None:
            continue
        fall, bottom, half = found
        clear = fall >= CLEAR_STEP_DB or np.median(level[bottom:]) <= silent + 3.0
        edge = (int(np.flatnonzero(level >= half)[-1]) + 1) * width
        if clear and edge < HIGHEST_SHARE * rate_hz:
            return edge
    return None


def _steepest(level: np.ndarray, *, first: int, rate_cells: float) -> tuple | None:
    """(step in dB, first cell of the bottom, level half way) of the largest step; None if none."""
    highest = np.maximum.accumulate(level[::-1])[::-1]  # at or above each cell
    shelves = np.median(sliding_window_view(level, SHELF), axis=1)  # by their lowest cell
    high = min(level.size - 3, int(BOTTOM_SHARE * rate_cells))
    bottom, fall = np.mgrid[
        min(max(first, LEAST_BELOW), high) : high, 1 : round(FALL_SHARE * high) + 1
    ]
    near = fall <= np.maximum(FALL_SHARE * bottom, 1.0)
    bottom, fall = bottom[near], fall[near]
    shelf = shelves[bottom - fall - SHELF]
    before = shelves[np.maximum(bottom - fall - 2 * SHELF - 2, 0)]
    slope = np.maximum(before - shelf, 0.0) / (SHELF + 2)
    steps = shelf - highest[bottom] - slope * (fall + 0.5 * (SHELF + 1))
    for k in np.argsort(-steps, kind="stable"):
        if steps[k] < LEAST_STEP_DB:
            break
        top = highest[bottom[k]]
        if top - np.median(level[bottom[k] :]) <= UNEVEN_DB + 0.25 * steps[k]:
            return steps[k], bottom[k], 0.5 * (shelf[k] + top)
    return None
