"""Third-octave bands, and the level of a frequency response in them.

Functions: third_octave_bands, band_means. Band.
Source: IEC 61260-1:2014, base-ten system: G = 10^(3/10), mid frequencies 1000 G^(x/3), edges
G^(1/6) either side; nominal frequencies as listed there.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from studylib.register import THIRD_OCTAVE_BANDS
from studylib.words import say

OCTAVE_RATIO = 10.0**0.3
NOMINAL = ("10", "12.5", "16", *THIRD_OCTAVE_BANDS)
FIRST = -20  # x of the first nominal frequency; 1000 Hz has x = 0


class Band(NamedTuple):
    """One third-octave band: its nominal name, exact mid frequency and edges in Hz."""

    nominal: str
    mid_hz: float
    low_hz: float
    high_hz: float


@lru_cache(maxsize=32)
def third_octave_bands(lowest_hz: float, highest_hz: float) -> tuple[Band, ...]:
    """The bands from 10 Hz to 20 kHz that lie wholly between two frequencies."""
    bands = []
    for x, nominal in enumerate(NOMINAL, start=FIRST):
        mid = 1000.0 * OCTAVE_RATIO ** (x / 3.0)
        low, high = mid * OCTAVE_RATIO ** (-1.0 / 6.0), mid * OCTAVE_RATIO ** (1.0 / 6.0)
        if lowest_hz <= low and high <= highest_hz:
            bands.append(Band(nominal, mid, low, high))
    return tuple(bands)


def band_means(frequency_hz: np.ndarray, values: np.ndarray, bands: tuple[Band, ...]) -> np.ndarray:
    """Mean over frequency within each band, (B,).

    Parameters
    ----------
    frequency_hz : (M,) rising, spanning all bands; resonances need a step well below their width.
    values : (M,) a density over frequency, such as the squared magnitude of a response; taken as
        straight lines between the points, cut at the bands' edges.

    Raises
    ------
    ValueError : a band reaches beyond the frequencies given.
    """
    f, v = np.asarray(frequency_hz, dtype=float), np.asarray(values, dtype=float)
    edges = np.array([(band.low_hz, band.high_hz) for band in bands]).reshape(-1, 2)
    if edges.size and (edges.min() < f[0] or edges.max() > f[-1]):
        raise ValueError(say("measure.bands_beyond"))
    areas = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(f) * (v[1:] + v[:-1]))])

    def area_to(edge: np.ndarray) -> np.ndarray:
        i = np.clip(np.searchsorted(f, edge, side="right") - 1, 0, f.size - 2)
        step = edge - f[i]
        slope = (v[i + 1] - v[i]) / (f[i + 1] - f[i])
        return areas[i] + step * (v[i] + 0.5 * slope * step)

    return (area_to(edges[:, 1]) - area_to(edges[:, 0])) / (edges[:, 1] - edges[:, 0])
