"""Hum: lines at multiples of the mains frequency.

A mains line that falls on a harmonic of the tone cannot be told from it, so hum is judged on
the other lines. Both 50 and 60 Hz are looked at; the stronger family's strongest line counts.

Functions: strongest_line, distance_from_mains.
Source: mains frequencies of IEC 60196 (50 and 60 Hz); a grid's frequency wanders by about
0.2 Hz (common practice, no source), its k-th line k times as far.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from studylib.signal.noise import NOISE_BANDWIDTH, skirt

MAINS_HZ = (50.0, 60.0)
HIGHEST_HZ = 1000.0
WANDER_HZ = 0.2
STANDS_OUT = 20.0  # power over the local noise: one chance in 1e5 for each of some 100 bins


@lru_cache(maxsize=32)
def _line_bins(step_hz: float, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (L,) of the lines and the bins (L, W) in which each is looked for."""
    lines = np.array(sorted({m * k for m in MAINS_HZ for k in range(1, int(HIGHEST_HZ / m) + 1)}))
    lines = lines[lines < (size - 40) * step_hz]
    # The k-th line wanders k times as far.
    reach = np.ceil(WANDER_HZ * lines / MAINS_HZ[0] / step_hz).astype(int) + 1
    offsets = np.arange(-reach.max(initial=0), reach.max(initial=0) + 1)
    offsets = np.clip(offsets, -reach[:, None], reach[:, None])
    bins = np.rint(lines / step_hz).astype(int)[:, None] + offsets
    return lines, np.clip(bins, 3, size - 3)


def strongest_line(
    density: np.ndarray, *, step_hz: float, tone_hz: float | None
) -> tuple[float, float]:
    """(mean square, frequency) of the strongest mains line that is no harmonic; (0, 0) if none.

    Parameters
    ----------
    density : (bins,) of a channel (noise.windowed_density), the tone still in it.
    step_hz : distance of the bins.
    tone_hz : the tone; lines within 4 bins or 2 Hz of its harmonics are left out, and so are
        those that its windowed skirt would hide.
    """
    lines, bins = _line_bins(step_hz, density.size)
    if lines.size == 0:
        return 0.0, 0.0
    found = bins[np.arange(lines.size), density[bins].argmax(axis=1)]
    height = density[found]
    away = np.arange(8, 32)
    around = np.concatenate([bins[:, :1] - away, bins[:, -1:] + away], axis=1)
    around = np.sort(density[np.clip(around, 3, density.size - 3)], axis=1)
    floor = around[:, around.shape[1] // 2]
    stands = height > STANDS_OUT * floor
    if tone_hz:
        nearest = np.maximum(np.rint(found * step_hz / tone_hz), 1) * tone_hz
        apart = np.abs(found * step_hz - nearest)
        stands &= apart > max(2.0, 4.0 * step_hz)
        peak = np.clip(np.rint(nearest / step_hz).astype(int), 3, density.size - 4)
        tone = density[peak[:, None] + np.arange(-1, 2)].max(axis=1)
        stands &= height > 4.0 * tone * skirt(np.maximum(apart / step_hz - 0.5, 3.5))
    if not stands.any():
        return 0.0, 0.0
    best = int(np.argmax(np.where(stands, height, 0.0)))
    # A line's mean square: its peak density times the window's noise bandwidth.
    return float(height[best] * NOISE_BANDWIDTH * step_hz), float(lines[best])


def distance_from_mains(tone_hz: float) -> float:
    """Distance in hertz of a tone from the nearest multiple of 50 or 60 Hz."""
    return min(abs(tone_hz - max(round(tone_hz / m), 1) * m) for m in MAINS_HZ)
