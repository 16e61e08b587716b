"""Noise of a take with the tone and its harmonics taken out.

The unwindowed transform that the tone fit used is turned into a Hann-windowed one by adding
neighbouring bins (the window is three bins wide), so that what the tone spills far from its
harmonics sinks below any recorder's noise. The bins around each harmonic are replaced by the
mean of those just outside; nothing else is touched.

Conventions: power is mean square in the unit of the samples squared; densities are per hertz
and one-sided.

Functions: hann_density, noise_spectrum; NoiseSpectrum with .power, .weighted_power, .bands.
Source: window sums of the Hann window (noise bandwidth 1.5 bins); bands.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from studylib.signal.bands import a_weighting, octave_bands

LOWEST_HZ = 20.0  # below it lies rumble, not sound
EXCLUDED_BINS = 48  # each side of a harmonic, at most a third of the way to the next
EDGE_BINS = 8  # bins beside the excluded ones whose mean stands in for them
# Bins of a Hann-windowed transform are correlated: the variance of a sum of n of them is that
# of n * 18/35 independent ones.
INDEPENDENT_SHARE = 18.0 / 35.0


@dataclass(frozen=True)
class NoiseSpectrum:
    """Noise density (bins,) of one channel, per hertz, on bins `step_hz` apart from 0 Hz."""

    density: np.ndarray
    step_hz: float
    rate_hz: float

    def power(self) -> float:
        """Mean square from 20 Hz to half the rate."""
        first = int(np.ceil(LOWEST_HZ / self.step_hz))
        return float(self.density[first:].sum() * self.step_hz)

    def weighted_power(self) -> float:
        """A-weighted mean square (IEC 61672-1)."""
        return float(
            np.einsum("i,i->", self.density, _a_power(self.density.size, self.step_hz))
            * self.step_hz
        )

    def bands(self) -> list[tuple[float, float, float]]:
        """(nominal mid in Hz, mean square, relative standard uncertainty) of each octave."""
        edges, names = _band_edges(self.density.size, self.step_hz, self.rate_hz)
        sums = np.add.reduceat(self.density, edges)[:-1] * self.step_hz
        spread = 1.0 / np.sqrt(np.maximum(np.diff(edges) * INDEPENDENT_SHARE, 1.0))
        return list(zip(names, sums.tolist(), spread.tolist(), strict=True))


@lru_cache(maxsize=16)
def _a_power(size: int, step_hz: float) -> np.ndarray:
    return a_weighting(np.arange(size) * step_hz) ** 2


@lru_cache(maxsize=16)
def _band_edges(size: int, step_hz: float, rate_hz: float) -> tuple[np.ndarray, list[float]]:
    bands = octave_bands(rate_hz)
    edges = [int(np.ceil(band.low_hz / step_hz)) for band in bands]
    edges.append(int(np.ceil(bands[-1].high_hz / step_hz)))
    return np.minimum(np.array(edges), size - 1), [band.nominal_hz for band in bands]


def hann_density(spectrum: np.ndarray, *, n: int, rate_hz: float) -> np.ndarray:
    """Power density of one channel under a Hann window, from its unwindowed `rfft`.

    Parameters
    ----------
    spectrum : complex (n // 2 + 1,), `rfft` of n samples.

    Returns
    -------
    (n // 2 + 1,) mean square per hertz; the first and last bin are set to 0 (no neighbours).
    """
    mixed = spectrum[1:-1] - 0.5 * (spectrum[:-2] + spectrum[2:])
    # |0.5 mixed|^2 / n is the periodogram of the windowed record; 3/8 is the window's mean square.
    density = np.zeros(spectrum.size)
    inner = density[1:-1]
    np.multiply(mixed.real, mixed.real, out=inner)
    inner += mixed.imag * mixed.imag
    inner *= 2.0 * 0.25 / (0.375 * n * rate_hz)
    return density


def noise_spectrum(
    density: np.ndarray, *, n: int, rate_hz: float, tone_hz: float | None, harmonics: int
) -> NoiseSpectrum:
    """Take the tone and its harmonics out of a Hann density (see `hann_density`).

    tone_hz : fundamental in hertz; None for a take without a tone (nothing is taken out).
    harmonics : how many, the fundamental included.
    """
    step = rate_hz / n
    if tone_hz is None:
        return NoiseSpectrum(density, step, rate_hz)
    nu = tone_hz / step
    half = int(max(4, min(EXCLUDED_BINS, nu // 3)))
    centre = np.rint(np.arange(1, harmonics + 1) * nu).astype(int)
    centre = centre[centre + half + EDGE_BINS < density.size - 1]
    window = np.arange(-half, half + 1)
    outside = np.arange(half + 1, half + 1 + EDGE_BINS)
    below = np.maximum(centre[:, None] - outside, 1)
    level = 0.5 * (density[below].mean(axis=1) + density[centre[:, None] + outside].mean(axis=1))
    cleaned = density.copy()
    cleaned[np.maximum(centre[:, None] + window, 1)] = level[:, None]
    return NoiseSpectrum(cleaned, step, rate_hz)
