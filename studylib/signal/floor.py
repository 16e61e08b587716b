"""The noise under a decay's spectrum, from bins between its peaks.

A record that starts with a knock leaks into every bin as long as no window is laid over it. A
Hann window, applied to the bins (each less half of its two neighbours), leaves the peaks
standing on next to nothing; a low quantile in each stretch of bins then tells the noise.

Conventions: bins of `numpy.fft.rfft` without a window; the floor is the expected |bin|^2.

Function: noise_floor.
Source: a quantile q of exponential variables of mean P is -P ln(1 - q); Hann's weights 1, -1/2,
-1/2 over 2 pass 3/8 of white noise's power (definitions).
"""

from __future__ import annotations

import numpy as np

QUANTILE = 0.35
HANN_POWER = 0.375
LEAST_BINS = 48
WIDTH = 0.3  # of a stretch, relative to its frequency


def noise_floor(spectrum: np.ndarray, *, first: int, last: int) -> np.ndarray:
    """Expected |bin|^2 of the noise for bins first..last (inclusive), shape (last - first + 1,)."""
    hann = 0.5 * spectrum[1:-1] - 0.25 * (spectrum[:-2] + spectrum[2:])
    power = np.abs(hann[first - 1 : last]) ** 2
    edges = _stretches(first, last)
    middles = 0.5 * (edges[1:] + edges[:-1])
    floors = np.array(
        [
            np.partition(part, int(QUANTILE * len(part)))[int(QUANTILE * len(part))]
            for part in np.split(power, edges[1:-1])
        ]
    )
    floors *= 1.0 / (HANN_POWER * -np.log1p(-QUANTILE))
    # Between stretches in decibels, so that a hum line beside a quiet stretch does not spread.
    level = np.log(np.maximum(floors, np.finfo(float).tiny))
    return np.exp(np.interp(np.arange(last - first + 1), middles, level))


def _stretches(first: int, last: int) -> np.ndarray:
    """Edges of the stretches, counted from `first`."""
    edges = [0]
    while edges[-1] < last - first + 1:
        edges.append(edges[-1] + max(LEAST_BINS, int(WIDTH * (first + edges[-1]))))
    edges[-1] = last - first + 1
    if len(edges) > 2 and edges[-1] - edges[-2] < LEAST_BINS:
        del edges[-2]
    return np.array(edges)
