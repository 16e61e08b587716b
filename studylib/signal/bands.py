"""Octave and third-octave bands, and the A-weighting.

Functions: octave_bands, third_octave_bands, a_weighting. Class: Band.
Source: IEC 61260-1:2014, base-ten system: ratio G = 10^(3/10), mid frequencies 1000 G^x for octaves
and 1000 G^(x/3) for third octaves, edges half a band away; nominal frequencies as listed there.
IEC 61672-1:2013 Annex E (analytic A-weighting, its four pole frequencies 20.60, 107.7, 737.9 and
12194 Hz, normalised to 0 dB at 1 kHz).
"""

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from studylib import register

OCTAVE_RATIO = 10.0**0.3
THIRDS = ("10", "12.5", "16", *register.THIRD_OCTAVE_BANDS)
FIRST_OCTAVE, FIRST_THIRD = -5, -20  # x of the first nominal frequency; 1000 Hz has x = 0
_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


class Band(NamedTuple):
    """One band: its nominal name, exact mid frequency and edges in Hz."""

    nominal: str
    mid_hz: float
    low_hz: float
    high_hz: float


@lru_cache(maxsize=32)
def octave_bands(rate_hz: float) -> tuple[Band, ...]:
    """Octave bands from 31.5 Hz up that lie wholly below half the sampling rate."""
    half = OCTAVE_RATIO**0.5
    mids = [1000.0 * OCTAVE_RATIO ** (FIRST_OCTAVE + i) for i in range(len(register.OCTAVE_BANDS))]
    return tuple(
        Band(nominal, mid, mid / half, mid * half)
        for nominal, mid in zip(register.OCTAVE_BANDS, mids, strict=True)
        if mid * half <= rate_hz / 2
    )


@lru_cache(maxsize=32)
def third_octave_bands(lowest_hz: float, highest_hz: float) -> tuple[Band, ...]:
    """The bands from 10 Hz to 20 kHz that lie wholly between two frequencies."""
    mids = [
        1000.0 * OCTAVE_RATIO ** (x / 3.0) for x in range(FIRST_THIRD, FIRST_THIRD + len(THIRDS))
    ]
    bands = (
        Band(nominal, mid, mid * OCTAVE_RATIO ** (-1.0 / 6.0), mid * OCTAVE_RATIO ** (1.0 / 6.0))
        for nominal, mid in zip(THIRDS, mids, strict=True)
    )
    return tuple(b for b in bands if lowest_hz <= b.low_hz and b.high_hz <= highest_hz)


def a_weighting(frequency_hz: np.ndarray) -> np.ndarray:
    """A-weighting as a factor on amplitude, 1 at 1 kHz; any shape, hertz, 0 allowed."""
    return _a_shape(np.asarray(frequency_hz, dtype=float) ** 2) / _a_shape(np.array(1e6))


def _a_shape(f2: np.ndarray) -> np.ndarray:
    p1, p2, p3, p4 = (pole**2 for pole in _POLES_HZ)
    return f2**2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))
