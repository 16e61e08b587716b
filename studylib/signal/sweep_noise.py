"""The noise under a sweep: what a channel holds at a frequency while the sweep is elsewhere.

The take is cut into pieces and each is transformed. Around each frequency, most bins of most
pieces hold neither the sweep nor one of its harmonics nor a mode that still rings. A low quantile
over bins and pieces together tells the noise. Where a board rings for most of the take, the value
is too large rather than too small.

Conventions: one-sided density, square of full scale per Hz.

Function: sweep_noise.
Source: a quantile q of exponential variables of mean P is -P ln(1 - q) (definition).
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.fft import next_fast_len, rfft

from studylib.signal.sweep import SweepShape

QUANTILE = 0.2
PIECES, ENOUGH = 8, 16  # at least; of more, every second, third, ... is taken
LONGEST_PERIODS = 12.0  # of the lowest frequency in a piece
STRETCH, LEAST_BINS = 2.0 ** (1.0 / 3), 8


@lru_cache(maxsize=8)
def _stretches(lowest_hz: float, m: int, rate_hz: float) -> tuple[int, ...]:
    """Edges in bins, from half the sweep's lowest frequency to half the sampling rate."""
    edges = [max(round(lowest_hz / 2 * m / rate_hz), 2)]
    while edges[-1] < m // 2:
        edges.append(max(edges[-1] + LEAST_BINS, round(edges[-1] * STRETCH)))
    edges[-1] = m // 2
    if len(edges) > 2 and edges[-1] - edges[-2] < LEAST_BINS:
        del edges[-2]
    return tuple(edges)


def sweep_noise(
    x: np.ndarray, *, shape: SweepShape, rate_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Noise density of each channel over frequency.

    Parameters
    ----------
    x : (C, n) samples.

    Returns
    -------
    (frequencies (K,) in Hz, density (C, K)); to be interpolated over the logarithm of both.
    """
    n = x.shape[1]
    longest = round(LONGEST_PERIODS / shape.lowest_hz * rate_hz)
    m = min(n // PIECES, next_fast_len(longest, real=True))
    m -= m % 2
    pieces = n // m
    every = max(pieces // ENOUGH, 1)
    window = np.hanning(m + 1)[:-1]
    edges = _stretches(shape.lowest_hz, m, float(rate_hz))
    scale = 2.0 / (rate_hz * float(window @ window)) / -np.log1p(-QUANTILE)
    density = np.empty((x.shape[0], len(edges) - 1))
    for channel, row in enumerate(x):
        spectra = rfft(row[: pieces * m].reshape(pieces, m)[::every] * window, axis=1)
        power = spectra.real**2 + spectra.imag**2
        for i, (low, high) in enumerate(pairwise(edges)):
            values = power[:, low:high].ravel()
            place = int(QUANTILE * values.size)
            density[channel, i] = scale * np.partition(values, place)[place]
    density = np.maximum(density, np.finfo(float).tiny)
    return np.sqrt(np.multiply(edges[1:], edges[:-1])) * (rate_hz / m), _smoothed(density)


def _smoothed(density: np.ndarray) -> np.ndarray:
    """Geometric mean with the neighbours: one stretch alone holds few values."""
    level = np.log(density)
    padded = np.concatenate([level[:, :1], level, level[:, -1:]], axis=1)
    return np.exp(0.25 * padded[:, :-2] + 0.5 * padded[:, 1:-1] + 0.25 * padded[:, 2:])
