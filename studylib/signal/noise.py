"""Noise of a take with the tone and its harmonics taken out.

The unwindowed transform that the tone fit used is turned into a windowed one by differences of
neighbouring bins. The window is cos^4, a Hann window applied twice: what the tone spills into a
bin falls by 30 dB an octave and is 135 dB down 24 bins away, below any recorder's noise. The
bins around each harmonic, up to half the rate, are replaced by the mean of those just outside;
nothing else is touched. Where harmonics stand so close that their skirts reach over those bins
too, the noise cannot be told, and bands say so.

Conventions: power is mean square in the unit of the samples squared; densities are per hertz
and one-sided.

Functions: windowed_density, skirt, noise_spectrum, room_lines; NoiseSpectrum with .power,
.weighted_power, .bands, .hidden.
Source: the transform of cos^4 in closed form; Harris 1978 for its noise bandwidth (35/18
bins); bands.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from studylib.signal.bands import a_weighting, octave_bands

LOWEST_HZ = 20.0  # below it lies rumble, not sound
EXCLUDED_BINS = 24  # each side of a harmonic, at most a third of the way to the next
EDGE_BINS = 8  # bins beside the excluded ones whose mean stands in for them
SKIRT_SHARE = 0.25  # of the bins beside a harmonic that its skirt may make up
MEASURED_SHARE = 0.25  # of a band's bins that must not be stand-ins
MEASURED_BINS = 8
LINE_STANDS_OUT = 20.0  # power over the noise around it: far less than 1 chance in 1000
NOISE_BANDWIDTH = 35.0 / 18.0  # of the window, in bins
# Neighbouring bins are correlated: the variance of a sum of n of them is that of 0.381 n
# independent ones (the sum of squares of the window's autocorrelation, 1, 0.8, 0.4, 4/35, 1/70).
INDEPENDENT_SHARE = 1.0 / (1.0 + 2.0 * (0.8**2 + 0.4**2 + (4 / 35) ** 2 + (1 / 70) ** 2))


class BandNoise(NamedTuple):
    """Noise of one octave band; `told` False where the tone leaves too little of it to see."""

    nominal_hz: float
    power: float
    u_relative: float
    told: bool


@dataclass(frozen=True)
class NoiseSpectrum:
    """Noise density (bins,) of one channel, per hertz, on bins `step_hz` apart from 0 Hz.

    stand_in, hidden : (bins,) 1.0 where the density is not the bin's own, and where it is
        the tone's skirt rather than noise; None when there is no tone.
    lent : how many bins each bin beside a harmonic stands in for.
    """

    density: np.ndarray
    step_hz: float
    rate_hz: float
    stand_in: np.ndarray | None = None
    hidden: np.ndarray | None = None
    lent: float = 0.0

    @property
    def upper_limit(self) -> bool:
        """The tone hides some of the noise: powers are then too high."""
        return self.hidden is not None and bool(self.hidden.any())

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

    def bands(self) -> list[BandNoise]:
        """Noise of each octave band below half the rate."""
        edges, names = _band_edges(self.density.size, self.step_hz, self.rate_hz)
        powers = np.add.reduceat(self.density, edges)[:-1] * self.step_hz
        bins = np.diff(edges).astype(float)
        if self.stand_in is None:
            replaced = hidden = np.zeros_like(bins)
        else:
            replaced = np.add.reduceat(self.stand_in, edges)[:-1]
            hidden = np.add.reduceat(self.hidden, edges)[:-1]
        own = bins - replaced
        # A bin that stands in for w others counts 1 + w times: its variance grows by 2 w + w^2.
        spread = np.sqrt((own + (2.0 + self.lent) * replaced) / INDEPENDENT_SHARE)
        told = (own >= np.maximum(MEASURED_SHARE * bins, MEASURED_BINS)) & (hidden == 0)
        return [
            BandNoise(*row)
            for row in zip(
                names,
                powers.tolist(),
                (spread / np.maximum(bins, 1.0)).tolist(),
                told.tolist(),
                strict=True,
            )
        ]


@lru_cache(maxsize=16)
def _a_power(size: int, step_hz: float) -> np.ndarray:
    return a_weighting(np.arange(size) * step_hz) ** 2


@lru_cache(maxsize=16)
def _band_edges(size: int, step_hz: float, rate_hz: float) -> tuple[np.ndarray, list[float]]:
    bands = octave_bands(rate_hz)
    edges = [int(np.ceil(band.low_hz / step_hz)) for band in bands]
    edges.append(int(np.ceil(bands[-1].high_hz / step_hz)))
    return np.minimum(np.array(edges), size - 1), [band.nominal_hz for band in bands]


def windowed_density(spectrum: np.ndarray, *, n: int, rate_hz: float) -> np.ndarray:
    """Power density of one channel under a cos^4 window, from its unwindowed `rfft`.

    Parameters
    ----------
    spectrum : complex (n // 2 + 1,), `rfft` of n samples.

    Returns
    -------
    (n // 2 + 1,) mean square per hertz; 0 in the lowest three bins, which the record's mean
    reaches, and in the highest two, which lack neighbours.
    """
    # The window's transform is the fourth difference of bins over 16; its mean square is 35/128.
    mixed = np.diff(spectrum[1:], n=4)
    density = np.zeros(spectrum.size)
    inner = density[3:-2]
    np.multiply(mixed.real, mixed.real, out=inner)
    inner += mixed.imag * mixed.imag
    inner *= 2.0 / (256.0 * 35.0 / 128.0 * n * rate_hz)
    return density


def skirt(u: np.ndarray) -> np.ndarray:
    """Highest share of a sine's peak density that the window spreads to `u` bins away (u > 3)."""
    square = np.asarray(u, dtype=float) ** 2
    return (4.0 / (np.pi * u * (square - 1.0) * (square - 4.0))) ** 2


def noise_spectrum(
    density: np.ndarray, *, n: int, rate_hz: float, tone_hz: float | None
) -> NoiseSpectrum:
    """Take the tone and its harmonics out of a density (see `windowed_density`).

    tone_hz : fundamental in hertz; None for a take without a tone (nothing is taken out).
    """
    step = rate_hz / n
    if tone_hz is None:
        return NoiseSpectrum(density, step, rate_hz)
    nu = tone_hz / step
    half = int(max(3, min(EXCLUDED_BINS, nu // 3)))
    edge = int(max(1, min(EDGE_BINS, nu // 2 - half)))
    centre = np.rint(np.arange(1, int(density.size / nu) + 1) * nu).astype(int)
    centre = centre[centre + half + edge < density.size - 2][:, None]
    outside = np.arange(half + 1, half + 1 + edge)
    level = 0.5 * (
        density[np.maximum(centre - outside, 2)].mean(axis=1)
        + density[centre + outside].mean(axis=1)
    )
    inside = np.maximum(centre + np.arange(-half, half + 1), 0)
    peak = density[np.maximum(centre + np.arange(-1, 2), 0)].max(axis=1)
    spread = peak * skirt(np.array(half + 0.5))
    cleaned, stand_in, hidden = density.copy(), np.zeros(density.size), np.zeros(density.size)
    cleaned[inside] = level[:, None]
    stand_in[inside] = 1.0
    hidden[inside[spread > SKIRT_SHARE * level]] = 1.0
    return NoiseSpectrum(cleaned, step, rate_hz, stand_in, hidden, (half + 0.5) / edge)


def room_lines(
    density: np.ndarray, *, step_hz: float, frequencies_hz: np.ndarray, within_hz: float
) -> list[tuple[float, float, float]]:
    """What a recording without a tone holds at given frequencies.

    Parameters
    ----------
    density : (bins,) from `windowed_density`, no tone in it.
    within_hz : how far from each frequency a line is looked for.

    Returns
    -------
    (frequency, amplitude, density) for each frequency below the highest bin: the peak amplitude
    of a line that stands out of the noise around it (0 when none does), and that noise per hertz.
    """
    found = []
    away = np.arange(8, 40)
    for frequency in np.asarray(frequencies_hz, dtype=float):
        low = int(np.floor((frequency - within_hz) / step_hz))
        high = int(np.ceil((frequency + within_hz) / step_hz))
        if high + away[-1] >= density.size - 2:
            break
        around = np.concatenate([density[np.maximum(low - away, 3)], density[high + away]])
        # The median of squared magnitudes of noise is ln 2 of their mean.
        noise = float(np.median(around)) / np.log(2.0)
        peak = float(density[max(low, 3) : high + 1].max())
        stands = peak > LINE_STANDS_OUT * noise
        amplitude = np.sqrt(2.0 * NOISE_BANDWIDTH * step_hz * peak) if stands else 0.0
        found.append((float(frequency), float(amplitude), noise))
    return found
