"""Narrow-band spectra for the figures: one take a specimen, thinned without losing a peak.

Conventions: a line's level is that of a sine in the response, in the batch's level unit.
Cells of 1/96 octave keep their highest bin, so that a harmonic's height survives.

Functions: spectrum_rows.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studylib.sheets import Take
from studylib.signal.noise import NOISE_BANDWIDTH

SPECTRA_COLUMNS = ["take", "specimen", "wood", "mount", "frequency_hz", "level_db"]
LOWEST_HZ = 20.0
CELLS_PER_OCTAVE = 96


def spectrum_rows(
    take: Take, wood: str, density: np.ndarray, *, step_hz: float, offset_db: float
) -> Iterator[tuple]:
    """Rows (SPECTRA_COLUMNS) of one take from its density (noise.windowed_density)."""
    bins = np.arange(int(np.ceil(LOWEST_HZ / step_hz)), density.size - 1)
    cell = np.floor(CELLS_PER_OCTAVE * np.log2(bins * step_hz / LOWEST_HZ)).astype(int)
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    highest = np.maximum.reduceat(density[bins], starts)
    ends = np.append(starts[1:], bins.size)
    places = np.array(
        [a + int(np.argmax(density[bins[a:b]])) for a, b in zip(starts, ends, strict=True)]
    )
    # A sine's mean square is its peak density times the window's noise bandwidth; a
    # full-scale sine (mean square 1/2) is 0 dB. 1e-20 keeps an empty bin drawable.
    level = (
        10.0 * np.log10(np.maximum(2.0 * NOISE_BANDWIDTH * step_hz * highest, 1e-20)) + offset_db
    )
    for frequency, value in zip((bins[places] * step_hz).tolist(), level.tolist(), strict=True):
        yield (take.take, take.specimen, wood, take.mount, frequency, value)
