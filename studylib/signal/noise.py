"""Noise of a take with the tone and its harmonics taken out.

The unwindowed transform that the tone fit used is turned into a windowed one by differences of
neighbouring bins. The window is cos^4, a Hann window applied twice: what the tone spills into a
bin falls by 30 dB an octave and is 135 dB down 24 bins away, below any recorder's noise. The
bins around each harmonic, up to half the rate, are replaced by the mean of those just outside;
nothing else is touched. Where harmonics stand so close that their skirts reach over those bins
too, the noise cannot be told, and bands say so.

Conventions: power is mean square in the unit of the samples squared; densities are per hertz
and one-sided.

Hum: lines at multiples of the mains frequency. One that falls on a harmonic of the tone cannot be
separated from it, so hum is judged on the other lines. Both 50 and 60 Hz are looked at; the
stronger family's strongest line counts.

The floor under a decay: a record that starts with a knock leaks into every bin as long as no window
is laid over it. A Hann window, applied to the bins (each less half of its two neighbours), leaves
the peaks standing on next to nothing; a low quantile in each stretch of bins then gives the noise.

Functions: windowed_density, skirt, noise_spectrum, room_lines, strongest_line,
distance_from_mains, noise_floor, stretches; NoiseSpectrum with .power, .weighted_power, .bands,
.hidden.
Source: the transform of cos^4 in closed form; Harris 1978 for its noise bandwidth (35/18
bins); bands.py. Mains frequencies of IEC 60196; a grid wanders by about 0.2 Hz (common practice,
no source), its k-th line k times as far. A quantile q of exponential variables of mean P is
-P ln(1 - q); Hann's weights 1, -1/2, -1/2 over 2 pass 3/8 of white noise's power (definitions).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
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
MAINS_HZ = (50.0, 60.0)
HIGHEST_HUM_HZ = 1000.0
WANDER_HZ = 0.2
HUM_STANDS_OUT = 20.0  # power over the local noise: one chance in 1e5 for each of some 100 bins
FLOOR_QUANTILE = 0.35
HANN_POWER = 0.375
LEAST_BINS = 48
STRETCH = 0.3  # of a stretch of bins, relative to its frequency
# Neighbouring bins are correlated: the variance of a sum of n of them is that of 0.381 n
# independent ones (the sum of squares of the window's autocorrelation, 1, 0.8, 0.4, 4/35, 1/70).
INDEPENDENT_SHARE = 1.0 / (1.0 + 2.0 * (0.8**2 + 0.4**2 + (4 / 35) ** 2 + (1 / 70) ** 2))


class BandNoise(NamedTuple):
    """Noise of one octave band; `told` False where the tone leaves too little of it to see."""

    nominal: str
    power: float
    u_relative: float
    told: bool


@dataclass(frozen=True)
class NoiseSpectrum:
    """Noise density (bins,) of one channel, per hertz, on bins `step_hz` apart from 0 Hz.

    stand_in, hidden : (bins,) 1.0 where the density is not the bin's own, and where it is
        the tone's skirt rather than noise: powers with such bins are too high.
    lent : how many bins each bin beside a harmonic stands in for.
    """

    density: np.ndarray
    step_hz: float
    rate_hz: float
    stand_in: np.ndarray
    hidden: np.ndarray
    lent: float

    def power(self) -> float:
        """Mean square from 20 Hz to half the rate."""
        return float(self.density[int(np.ceil(LOWEST_HZ / self.step_hz)) :].sum() * self.step_hz)

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
        replaced, hidden = (
            np.add.reduceat(part, edges)[:-1] for part in (self.stand_in, self.hidden)
        )
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
def _band_edges(size: int, step_hz: float, rate_hz: float) -> tuple[np.ndarray, list[str]]:
    bands = octave_bands(rate_hz)
    edges = np.array([*(band.low_hz for band in bands), bands[-1].high_hz])
    names = [band.nominal for band in bands]
    return np.minimum(np.ceil(edges / step_hz).astype(int), size - 1), names


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
    mixed, density = np.diff(spectrum[1:], n=4), np.zeros(spectrum.size)
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
    stand_in, hidden = np.zeros(density.size), np.zeros(density.size)
    if tone_hz is None:
        return NoiseSpectrum(density, step, rate_hz, stand_in, hidden, 0.0)
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
    spread, cleaned = peak * skirt(np.array(half + 0.5)), density.copy()
    cleaned[inside] = level[:, None]
    stand_in[inside] = 1.0
    hidden[inside[spread > SKIRT_SHARE * level]] = 1.0
    return NoiseSpectrum(cleaned, step, rate_hz, stand_in, hidden, (half + 0.5) / edge)


def room_lines(
    density: np.ndarray, *, step_hz: float, frequencies_hz: np.ndarray, within_hz: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """What a recording without a tone holds at given frequencies.

    Parameters
    ----------
    density : (bins,) from `windowed_density`, no tone in it.
    frequencies_hz : (F,), rising.
    within_hz : how far from each frequency a line is looked for.

    Returns
    -------
    frequencies, amplitudes, densities, an entry for each frequency below the highest bin: the peak
    amplitude of a line that stands out of the noise around it (0 when none does), and that noise
    per hertz.
    """
    frequency, away = np.asarray(frequencies_hz, dtype=float)[:, None], np.arange(8, 40)
    highest = np.ceil((frequency + within_hz) / step_hz)
    frequency = frequency[highest + away[-1] < density.size - 2, None]
    low = np.floor((frequency - within_hz) / step_hz).astype(int)
    high = np.ceil((frequency + within_hz) / step_hz).astype(int)
    around = np.concatenate([density[np.maximum(low - away, 3)], density[high + away]], axis=1)
    # The median of squared magnitudes of noise is ln 2 of their mean.
    noise = np.median(around, axis=1) / np.log(2.0)
    near = low + np.arange((high - low).max(initial=0) + 1)
    peak = density[np.clip(near, 3, high)].max(axis=1)
    line = np.where(peak > LINE_STANDS_OUT * noise, peak, 0.0)
    return frequency[:, 0], np.sqrt(2.0 * NOISE_BANDWIDTH * step_hz * line), noise


# Hum


@lru_cache(maxsize=32)
def _line_bins(step_hz: float, size: int) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (L,) of the lines and the bins (L, W) in which each is looked for."""
    lines = np.array(
        sorted({m * k for m in MAINS_HZ for k in range(1, int(HIGHEST_HUM_HZ / m) + 1)})
    )
    lines = lines[lines < (size - 40) * step_hz]
    # The k-th line wanders k times as far.
    reach = np.ceil(WANDER_HZ * lines / MAINS_HZ[0] / step_hz).astype(int) + 1
    offsets = np.arange(-reach.max(initial=0), reach.max(initial=0) + 1).clip(
        -reach[:, None], reach[:, None]
    )
    return lines, np.clip(np.rint(lines / step_hz).astype(int)[:, None] + offsets, 3, size - 3)


def strongest_line(
    density: np.ndarray, *, step_hz: float, tone_hz: float | None
) -> tuple[float, float]:
    """(mean square, frequency) of the strongest mains line that is no harmonic; (0, 0) if none.

    Parameters
    ----------
    density : (bins,) of a channel (`windowed_density`), the tone still in it.
    step_hz : distance of the bins.
    tone_hz : the tone; lines within 4 bins or 2 Hz of its harmonics are left out, and so are
        those that its windowed skirt would hide.
    """
    lines, bins = _line_bins(step_hz, density.size)
    if lines.size == 0:
        return 0.0, 0.0
    found = bins[np.arange(lines.size), density[bins].argmax(axis=1)]
    height, away = density[found], np.arange(8, 32)
    around = np.concatenate([bins[:, :1] - away, bins[:, -1:] + away], axis=1)
    around = np.sort(density[np.clip(around, 3, density.size - 3)], axis=1)
    stands = height > HUM_STANDS_OUT * around[:, around.shape[1] // 2]
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


# The floor under a decay


def noise_floor(spectrum: np.ndarray, *, first: int, last: int) -> np.ndarray:
    """Expected |bin|^2 of the noise under a decay, from bins between its peaks.

    Parameters
    ----------
    spectrum : complex (bins,), `rfft` without a window.
    first, last : the bins wanted, both included.

    Returns
    -------
    (last - first + 1,).
    """
    near = spectrum[first - 1 : last + 2]
    twice = near[1:-1] - 0.5 * (near[:-2] + near[2:])
    power = twice.real**2 + twice.imag**2
    edges = -first + np.array(
        stretches(
            first,
            last + 1,
            least=LEAST_BINS,
            wider=lambda edge: edge + max(LEAST_BINS, int(STRETCH * edge)),
        )
    )
    middles = 0.5 * (edges[1:] + edges[:-1])
    # Each stretch is sorted where it is, which gives nothing back.
    floors = [
        power[low:high].partition(at := int(FLOOR_QUANTILE * (high - low))) or power[low + at]
        for low, high in pairwise(edges.tolist())
    ]
    floors = np.array(floors) / (4.0 * HANN_POWER * -np.log1p(-FLOOR_QUANTILE))
    # Between stretches in decibels, so that a hum line beside a quiet stretch does not spread.
    level = np.log(np.maximum(floors, np.finfo(float).tiny))
    return np.exp(np.interp(np.arange(last - first + 1), middles, level))


def stretches(first: int, end: int, *, least: int, wider: Callable[[int], int]) -> list[int]:
    """Edges of stretches of bins from `first` to `end`, none of them shorter than `least`.

    wider : edge -> the next one.
    """
    edges = [first]
    while edges[-1] < end:
        edges.append(wider(edges[-1]))
    edges[-1] = end
    if len(edges) > 2 and edges[-1] - edges[-2] < least:
        del edges[-2]
    return edges
