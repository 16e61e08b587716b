"""Octave bands and the A-weighting.

Functions: octave_bands (nominal and exact mid frequencies with edges), a_weighting.
Source: IEC 61260-1:2014 (base-ten system: ratio G = 10^(3/10), mid frequencies 1000 G^x,
edges a half band away); IEC 61672-1:2013 Annex E (analytic A-weighting, its four pole
frequencies 20.60, 107.7, 737.9 and 12194 Hz, normalised to 0 dB at 1 kHz).
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

OCTAVE_RATIO = 10.0**0.3
NOMINAL_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
_POLES_HZ = (20.598997, 107.65265, 737.86223, 12194.217)


class Band(NamedTuple):
    """One octave band, all in hertz: its nominal name, its edges."""

    nominal_hz: float
    low_hz: float
    high_hz: float


@lru_cache(maxsize=32)
def octave_bands(rate_hz: float) -> tuple[Band, ...]:
    """Octave bands from 31.5 Hz up that lie wholly below half the sampling rate."""
    half = OCTAVE_RATIO**0.5
    bands = []
    for place, nominal in enumerate(NOMINAL_HZ, start=-5):
        mid = 1000.0 * OCTAVE_RATIO**place
        if mid * half <= rate_hz / 2:
            bands.append(Band(nominal, mid / half, mid * half))
    return tuple(bands)


def a_weighting(frequency_hz: np.ndarray) -> np.ndarray:
    """A-weighting as a factor on amplitude, 1 at 1 kHz; any shape, hertz, 0 allowed."""
    f2 = np.asarray(frequency_hz, dtype=float) ** 2
    return _a_shape(f2) / _a_shape(np.array(1e6))


def _a_shape(f2: np.ndarray) -> np.ndarray:
    p1, p2, p3, p4 = (pole**2 for pole in _POLES_HZ)
    return f2**2 / ((f2 + p1) * np.sqrt((f2 + p2) * (f2 + p3)) * (f2 + p4))
