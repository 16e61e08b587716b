"""What four textbook methods say of one recorded stroke; none of it is shared with the library.

    transform   peaks of a zero-padded FFT under half a raised cosine (one at the stroke, nothing
                at the end): frequency and height
    subspace    ESPRIT on bands of constant relative width, each at its own low rate: frequency,
                decay, amplitude; a frequency or a decay counts where a larger model has it too
    envelope    straight line through the logarithm of the Hilbert envelope of a band
    integral    straight line through Schroeder's backward integral of the squared band

The first two find modes, the last three decays. A mode's height is the size of its peak in the
transform: what a reader of the spectrum sees. Two methods can agree and be wrong together: on the
decay of the room where the room rings longer than the mode, and on one slope where two near modes
beat.

Sources: Roy & Kailath, IEEE Trans. ASSP 37 (1989) 984 (ESPRIT); Schroeder, JASA 37 (1965) 409, as
in ISO 3382-1:2009, 5.3.3 (backward integration, with the correction for noise) (both recalled).

Conventions: one channel; rates of decay in 1/s of the amplitude, nan where a method gives none.

Functions: ring_of, peaks, staying, subspace_modes, decay_rates, agreed_modes. Mode.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.fft import fft, ifft, next_fast_len, rfft
from scipy.signal import find_peaks

LOWEST_HZ, HIGHEST_HZ, OF_RATE = 40.0, 8000.0, 0.45
WITHIN_DB = 20.0  # of the strongest mode: what is compared
CONTACT_S = 0.008  # left out after the onset
LONGEST_S = 4.0
PADDED = 8
PROMINENT_DB = 6.0  # of a peak of the transform over the dips beside it
BESIDE_HZ = 150.0  # in which those dips are looked for
LATER_S, EARLIER = (0.008, 0.016), 0.6  # other stretches of the ring
STAYS = 1e-3  # relative: a peak of another stretch is at the same place
SAME = 0.003  # relative: two methods mean one mode
BAND_RATIO = 1.25
GUARD = 0.15  # of the frequency, at each side of a band
LEAST_GUARD_HZ = 25.0
MOST_SAMPLES = 3000  # of a band, for the subspace
ROWS = 100
MOST_POLES = 16
WEAKEST_DB = -26.0  # of a singular value under the band's largest
SETTLED = 1e-3  # of the frequency: the same for two models
STABLE = 0.2  # of the decay: what a larger model may change
HEAVIEST = 0.1  # loss factor
FIT_DB = (-5.0, -25.0)  # of the straight lines, as of T20 in ISO 3382-1
LEAST_DB = 12.0  # by which a line must fall
EARLY_DB, LATE_DB, LEAST_PART_DB = (-1.0, -11.0), (-14.0, -26.0), 6.0


class Mode(NamedTuple):
    """One mode: Hz, decay in 1/s, amplitude at the first sample, height in the transform; and the
    frequency of the subspace's mode at that of the transform."""

    frequency_hz: float
    rate: float
    amplitude: float
    height: float
    other_hz: float = np.nan


def ring_of(samples: np.ndarray, rate_hz: float) -> np.ndarray:
    """The recording from just after its loudest attack on, at most `LONGEST_S`."""
    size = np.abs(samples)
    onset = int(np.argmax(size > 0.2 * size.max()))
    first = onset + round(CONTACT_S * rate_hz)
    return samples[first : first + round(LONGEST_S * rate_hz)]


def band_of(rate_hz: float) -> tuple[float, float]:
    """Where modes are looked for, Hz."""
    return LOWEST_HZ, min(HIGHEST_HZ, OF_RATE * rate_hz)


def _tapered(ring: np.ndarray) -> np.ndarray:
    n = len(ring)
    return ring * 0.5 * (1.0 + np.cos(np.pi * np.arange(n) / n))


def transform(ring: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies in Hz and the sizes of the zero-padded transform."""
    n = next_fast_len(PADDED * len(ring), real=True)
    size = np.abs(rfft(_tapered(ring), n))
    return np.arange(len(size)) * rate_hz / n, size


def height_of(rate: float, amplitude: float, n: int, rate_hz: float) -> float:
    """Size that a decay from the first sample on has in the transform, at its own frequency."""
    t = np.arange(n) / rate_hz
    return float(amplitude / 2.0 * np.sum(_tapered(np.exp(-rate * t))))


def peaks(
    ring: np.ndarray, rate_hz: float, *, prominent_db: float = PROMINENT_DB
) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies (parabola through three points) and heights of the peaks, strongest first."""
    f, size = transform(ring, rate_hz)
    low, high = band_of(rate_hz)
    level = 20.0 * np.log10(size + 1e-30)
    inside = (f > low) & (f < high)
    found, _ = find_peaks(
        np.where(inside, level, level.min()),
        height=level[inside].max() - WITHIN_DB - 10.0,
        prominence=prominent_db,
        wlen=2 * round(BESIDE_HZ / f[1]) + 1,
    )
    left, middle, right = level[found - 1], level[found], level[found + 1]
    shift = 0.5 * (left - right) / (left - 2.0 * middle + right)
    order = np.argsort(-middle)
    return ((found + shift) * f[1])[order], size[found][order]


def staying(ring: np.ndarray, rate_hz: float, frequencies_hz: np.ndarray) -> np.ndarray:
    """Which peaks of the transform are where they were in a ring that begins later or ends earlier.

    The peaks of a short noise and of a room move, and those of a pitch that sinks; no mode can be
    held against them to a thousandth.
    """
    later = [ring[round(seconds * rate_hz) :] for seconds in LATER_S]
    kept = np.ones(len(frequencies_hz), bool)
    for part in (*later, ring[: round(EARLIER * len(ring))]):
        found = np.append(peaks(part, rate_hz)[0], np.inf)
        off = np.abs(found[None, :] / np.asarray(frequencies_hz)[:, None] - 1.0)
        kept &= off.min(axis=1) < STAYS
    return kept


def _band(ring: np.ndarray, rate_hz: float, low: float, high: float, guard: float):
    """The analytic signal of a band at a low rate: samples, rate in Hz, Hz that became nought.

    Flat from low to high, falling to nothing over the guards.
    """
    n = next_fast_len(2 * len(ring))
    step = rate_hz / n
    bins = fft(ring, n)[: n // 2]
    f = np.arange(n // 2) * step
    edge = max(low - guard, step)
    weight = np.clip((f - edge) / max(low - edge, step), 0.0, 1.0)
    weight *= np.clip((high + guard - f) / guard, 0.0, 1.0)
    weight = 0.5 - 0.5 * np.cos(np.pi * weight)
    first, last = int(edge / step), min(int((high + guard) / step) + 1, len(f))
    m = next_fast_len(last - first)
    cut = np.zeros(m, complex)
    cut[: last - first] = (bins * weight)[first:last]
    band = ifft(cut) * m / n * 2.0
    rate = m * step
    return band[: int(len(ring) / rate_hz * rate)], rate, first * step


def subspace_modes(ring: np.ndarray, rate_hz: float) -> list[Mode]:
    """Modes by ESPRIT, band by band."""
    low, high = band_of(rate_hz)
    edges = [low]
    while edges[-1] < high:
        edges.append(min(edges[-1] * BAND_RATIO, high))
    found = []
    for a, b in pairwise(edges):
        guard = max(GUARD * a, LEAST_GUARD_HZ)
        y, rate, zero = _band(ring, rate_hz, a, b, guard)
        skip = int(np.ceil(rate / (2.0 * guard)))  # where the guards still swing
        y = y[skip:]
        usable = _until_noise(np.abs(y))
        y = y[: min(usable, MOST_SAMPLES)]
        if len(y) < 24:
            continue
        for pole, amplitude, stable in _esprit(y, 2.0 * np.pi * SETTLED * a / rate):
            f = zero + float(np.angle(pole) % (2 * np.pi)) * rate / (2 * np.pi)
            decay = -float(np.log(np.abs(pole))) * rate
            if a <= f < b and -1.0 < decay < np.pi * HEAVIEST * f:
                start = float(np.abs(amplitude) * np.exp(decay * skip / rate))
                height = height_of(decay, start, len(ring), rate_hz)
                found.append(Mode(f, decay if stable else np.nan, start, height))
    return sorted(found, key=lambda mode: -mode.height)


def _until_noise(size: np.ndarray) -> int:
    """How many samples of an envelope stand above the level of its last tenth, and within 60 dB."""
    n = len(size)
    floor = 2.0 * np.sqrt(np.mean(size[-max(n // 10, 1) :] ** 2))
    above = np.flatnonzero(size > max(floor, 1e-3 * size.max(initial=0.0)))
    return max(int(above[-1]) + 1 if len(above) else 0, min(n, 60))


def _esprit(y: np.ndarray, settled: float) -> list[tuple[complex, complex, bool]]:
    """A sum of decays by rotational invariance, as many as stand out.

    settled : radians per sample that are no change of a frequency. (pole per sample, amplitude at
    the first, whether a larger model has the same decay) of those whose frequency a larger model
    has as well.
    """
    n = len(y)
    rows = min(n // 2, ROWS)
    hankel = np.lib.stride_tricks.sliding_window_view(y, rows).T
    squares, u = np.linalg.eigh(hankel @ hankel.conj().T)
    s, u = np.sqrt(np.clip(squares[::-1], 0.0, None)), u[:, ::-1]
    noise = np.median(s[len(s) // 2 :])
    order = int(np.sum(s > max(4.0 * noise, 10 ** (WEAKEST_DB / 20) * s[0])))
    order = max(1, min(order, MOST_POLES, len(s) // 3))
    poles = _poles(u, order)
    larger = np.concatenate([_poles(u, order + 1), _poles(u, order + 2)])
    powers = np.vander(poles, n, increasing=True).T
    amplitudes = np.linalg.lstsq(powers, y, rcond=None)[0]
    found = []
    for pole, amplitude in zip(poles, amplitudes, strict=True):
        near = np.log(larger / pole)
        other = near[np.argmin(np.abs(near))]
        rate = -np.log(np.abs(pole))
        if abs(other.imag) < max(STABLE * abs(rate), 1.0 / n, settled):
            found.append((pole, amplitude, rate > 0 and abs(other.real) < STABLE * rate))
    return found


def _poles(u: np.ndarray, order: int) -> np.ndarray:
    signal = u[:, :order]
    turn = np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)[0]
    return np.linalg.eigvals(turn)


def decay_rates(
    ring: np.ndarray, rate_hz: float, frequency_hz: float, others_hz: np.ndarray
) -> dict[str, float]:
    """Rates of decay by envelope and by integral in a band that keeps the other modes out.

    bend : the late slope of the envelope over the early one, 1 for a single decay, nan unknown.
    """
    gap = np.min(np.abs(others_hz - frequency_hz), initial=np.inf)
    half = min(0.06 * frequency_hz, 0.45 * gap)
    nothing = dict.fromkeys(("envelope", "integral", "bend"), float("nan"))
    if half < 4.0:
        return nothing
    y, rate, _ = _band(ring, rate_hz, frequency_hz - 0.5 * half, frequency_hz + 0.5 * half, half)
    # The band is kept at four times its rate, so that the lines are laid through enough points.
    size = np.abs(y)
    skip = int(np.ceil(0.5 * rate / half))
    size, seconds = size[skip:], np.arange(max(len(size) - skip, 0)) / rate
    if len(size) < 12:
        return nothing
    early = _slope(seconds, size, EARLY_DB, LEAST_PART_DB)
    return {
        "envelope": _slope(seconds, size, FIT_DB, LEAST_DB),
        "integral": _schroeder(seconds, size, rate),
        "bend": _slope(seconds, size, LATE_DB, LEAST_PART_DB) / early,
    }


def _floor_db(size: np.ndarray) -> float:
    return 20.0 * np.log10(np.sqrt(np.mean(size[-max(len(size) // 10, 2) :] ** 2)) + 1e-30)


def _slope(
    seconds: np.ndarray, size: np.ndarray, span_db: tuple[float, float], least_db: float
) -> float:
    """Slope of the envelope between two levels below its top, as far as it stands out."""
    level = 20.0 * np.log10(size + 1e-30)
    top = level.max()
    bottom = max(top + span_db[1], _floor_db(size) + 8.0)
    begin = int(np.argmax(level <= top + span_db[0])) if level.min() < top + span_db[0] else 0
    below = np.flatnonzero(level[begin:] < bottom)
    end = begin + (int(below[0]) if len(below) else len(level))
    return _line(seconds[begin:end], level[begin:end], least_db)


def _schroeder(seconds: np.ndarray, size: np.ndarray, rate: float) -> float:
    noise = np.mean(size[-max(len(size) // 10, 2) :] ** 2)
    # Up to where the band is 6 dB over what is left at its end; what comes after is made up by an
    # exponential, as the standard allows.
    level = 20.0 * np.log10(size + 1e-30)
    below = np.flatnonzero(size**2 < 4.0 * noise)
    end = int(below[0]) if len(below) else len(size)
    if end < 12:
        return float("nan")
    first = _line(seconds[end // 4 : end], level[end // 4 : end])
    power = np.clip(size[:end] ** 2 - noise, 0.0, None)
    rest = power[-1] * rate / (2.0 * first) if first > 0 else 0.0
    integral = np.cumsum(power[::-1])[::-1] + rest
    curve = 10.0 * np.log10(integral / integral[0] + 1e-30)
    inside = (curve <= FIT_DB[0]) & (curve >= FIT_DB[1])
    return _line(seconds[:end][inside], curve[inside])


def _line(seconds: np.ndarray, level: np.ndarray, least_db: float = LEAST_DB) -> float:
    """Rate of decay of the amplitude in 1/s from levels in dB; nan where too little is seen."""
    if len(seconds) < 6:
        return float("nan")
    slope = np.polyfit(seconds, level, 1)[0]
    if -slope * (seconds[-1] - seconds[0]) < least_db:
        return float("nan")
    return float(-slope * np.log(10.0) / 20.0)


def agreed_modes(ring: np.ndarray, rate_hz: float) -> tuple[list[Mode], list[float]]:
    """(modes that transform and subspace both find within 20 dB, every frequency either shows)."""
    found, heights = peaks(ring, rate_hz)
    told = subspace_modes(ring, rate_hz)
    near = peaks(ring, rate_hz, prominent_db=2.0)[0]
    anything = [float(f) for f in near] + [mode.frequency_hz for mode in told]
    if not len(found) or not told:
        return [], anything
    least = 10 ** (-WITHIN_DB / 20)
    strongest = max(heights[0], told[0].height)
    told = [mode for mode in told if mode.height > 0.5 * least * strongest]
    both = []
    for f, height in zip(found, heights, strict=True):
        if height < least * heights[0]:
            continue
        same = [mode for mode in told if abs(mode.frequency_hz - f) < max(SAME * f, 0.3)]
        if same:
            mode = max(same, key=lambda mode: mode.height)
            both.append(Mode(float(f), *mode[1:3], float(height), mode.frequency_hz))
            told.remove(mode)
    return both, anything
