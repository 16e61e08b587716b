"""Hum: lines at multiples of the mains frequency.

A mains line that falls on a harmonic of the tone cannot be told from it, so hum is judged on
the other lines. Both 50 and 60 Hz are looked at; the stronger family's strongest line counts.

Functions: strongest_line, distance_from_mains.
Source: mains frequencies of IEC 60196 (50 and 60 Hz); a grid's frequency wanders by about
0.2 Hz (common practice, no source).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

MAINS_HZ = (50.0, 60.0)
HIGHEST_HZ = 1000.0
WANDER_HZ = 0.2
STANDS_OUT = 20.0  # power over the local noise: one chance in 1e5 for each of some 100 bins


@lru_cache(maxsize=32)
def _line_bins(step_hz: float, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (L,) of the lines and the bins (L, W) in which each is looked for."""
    lines = np.array(sorted({m * k for m in MAINS_HZ for k in range(1, int(HIGHEST_HZ / m) + 1)}))
    lines = lines[lines < (size - 40) * step_hz]
    reach = int(np.ceil(WANDER_HZ / step_hz)) + 1
    bins = np.rint(lines / step_hz).astype(int)[:, None] + np.arange(-reach, reach + 1)
    return lines, np.clip(bins, 1, size - 2)


def strongest_line(
    density: np.ndarray, *, step_hz: float, tone_hz: float | None
) -> tuple[float, float]:
    """(mean square, frequency) of the strongest mains line that is no harmonic; (0, 0) if none.

    Parameters
    ----------
    density : (bins,) Hann density of a channel (noise.hann_density), the tone still in it.
    step_hz : distance of the bins.
    tone_hz : the tone; lines within 6 bins or 2 Hz of its harmonics are left out, and so
        are those that its windowed skirt would hide.
    """
    lines, bins = _line_bins(step_hz, density.size)
    if lines.size == 0:
        return 0.0, 0.0
    height = density[bins].max(axis=1)
    away = np.arange(8, 20)
    around = np.concatenate([bins[:, :1] - away, bins[:, -1:] + away], axis=1)
    floor = np.median(density[np.clip(around, 1, density.size - 2)], axis=1)
    stands = height > STANDS_OUT * floor
    if tone_hz:
        nearest = np.maximum(np.rint(lines / tone_hz), 1) * tone_hz
        apart = np.abs(lines - nearest)
        stands &= apart > max(2.0, 6.0 * step_hz)
        stands &= height > 4.0 * _skirt(density, nearest, apart, step_hz)
    if not stands.any():
        return 0.0, 0.0
    best = int(np.argmax(np.where(stands, height, 0.0)))
    # A line's mean square: its peak density times the window's noise bandwidth of 1.5 bins.
    return float(height[best] * 1.5 * step_hz), float(lines[best])


def _skirt(
    density: np.ndarray, tones_hz: np.ndarray, apart_hz: np.ndarray, step_hz: float
) -> np.ndarray:
    """Highest density that the Hann window spreads from each tone to a line `apart_hz` away."""
    peak = np.clip(np.rint(tones_hz / step_hz).astype(int), 2, density.size - 3)
    height = density[peak[:, None] + np.arange(-1, 2)].max(axis=1)
    # The window's transform is sin(pi u) / (pi u (1 - u^2)), u in bins; one bin for its reach.
    u = np.maximum(apart_hz / step_hz - 1.0, 2.0)
    return height / (np.pi * u * (u**2 - 1.0)) ** 2


def distance_from_mains(tone_hz: float) -> float:
    """Distance in hertz of a tone from the nearest multiple of 50 or 60 Hz."""
    return min(abs(tone_hz - max(round(tone_hz / m), 1) * m) for m in MAINS_HZ)
