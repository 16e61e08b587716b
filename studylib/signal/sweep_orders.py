"""The harmonic orders of a sweep, cut apart in time, and their frequency responses.

Around L ln k ahead of the response stands the impulse response of order k. A window from shortly
before it to shortly before the next lower order is transformed on its own. Order 1 keeps all that
follows, up to 5 s or the end of the recording. What still rings at the end of its window is cut
off and falls onto the next lower order: a longer sweep (a larger L) leaves more room. How much is
told by halving the window: where half of it changes the value by a share d, an exponential decay
leaves about d^2 beyond the whole.

The noise is what a channel holds at a frequency while the sweep is elsewhere. The take is cut into
pieces and each is transformed. Around each frequency, most bins of most pieces hold neither the
sweep nor one of its harmonics nor a mode that still rings. A low quantile over bins and pieces
together tells the noise: a quantile q of exponential variables of mean P is -P ln(1 - q)
(definition). Where a board rings for most of the take, the value is too large rather than too
small. Densities are one-sided, square of full scale per Hz.

Conventions: `amplitude` of order k at excitation frequency f is the complex peak amplitude of
harmonic k (at k f) that a cosine of frequency f, as strong as the sweep, gives in steady state,
phases relative to that cosine's; |order k| / |order 1| is the level of harmonic k relative to the
fundamental. Uncertainties are standard ones of the real part (the imaginary part's is the same).

Functions: measure_orders, spectrum_at, ends_too_soon, sweep_noise. Orders.
Source: Farina (2000; recalled) for the separation; noise through a window as the sum of its
squares (definition). Presence at 1 % error as for steady tones.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from studylib.signal import line_sums, noise, sweep

AHEAD_PERIODS = 6.0  # of the lowest frequency, kept ahead of an order at most
AHEAD_SHARE = 0.25  # of the gap to the next higher order, kept ahead at most
HIGHEST = 0.47  # of the sampling rate: recorders filter above
TAPS, BETA = 8, 10.0  # each side, and Kaiser's shape, of the interpolation between bins
QUANTILE = 0.2
PIECES, ENOUGH = 8, 16  # at least; of more, every second, third, ... is taken
LONGEST_PERIODS = 12.0  # of the lowest frequency in a piece
STRETCH, LEAST_STRETCH = 2.0 ** (1.0 / 3), 8
SOME = 400  # frequencies at which noise is worked out for the fine grid
PRESENT = float(np.sqrt(2.0 * np.log(100.0)))  # amplitude over u that noise exceeds in 1 %


@dataclass(frozen=True)
class Orders:
    """K orders of C channels at F excitation frequencies.

    amplitude, u, cut : (K, C, F) complex amplitude, its standard uncertainty from noise, and the
    share of it that lies beyond the window (estimated); NaN where k f is above what is recorded.
    fine_hz (B,), fine, fine_u (C times (B,)) : order 1 on a grid narrow enough for its slowest
    decay, phases common to all channels apart.
    start : where the sweep starts, in samples.  spectrum, length : transform (length // 2 + 1,) of
    channel 0's order 1 cut out; in its samples the response begins at `begins`, the window ends
    after `held`.
    """

    frequency_hz: np.ndarray
    amplitude: np.ndarray
    u: np.ndarray
    cut: np.ndarray
    fine_hz: np.ndarray
    fine: tuple[np.ndarray, ...]
    fine_u: tuple[np.ndarray, ...]
    start: float
    spectrum: np.ndarray
    length: int
    begins: float
    held: int

    @property
    def present(self) -> np.ndarray:
        """bool (K, C, F): stands out of the noise at 1 % error each."""
        return np.abs(self.amplitude) > PRESENT * self.u


@dataclass(frozen=True)
class _Window:
    """Cut of one order: samples from `ahead` before it on, weights `w`."""

    ahead: int
    w: np.ndarray


@lru_cache(maxsize=64)
def _window(shape: sweep.SweepShape, order: int, rate_hz: float, room: int) -> _Window:
    ahead = _ahead(shape, order, rate_hz)
    if order == 1:
        behind = min(room, round(sweep.LONGEST_S * rate_hz))
        fall = 0 if behind == room else behind // 4
    else:
        gap = (shape.advance_s(order) - shape.advance_s(order - 1)) * rate_hz
        behind = int(gap) - _ahead(shape, order - 1, rate_hz)
        fall = behind // 4
    w = np.ones(ahead + behind)
    rise = ahead - ahead // 4
    w[:rise] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
    if fall:
        w[-fall:] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return _Window(ahead, w)


def _ahead(shape: sweep.SweepShape, order: int, rate_hz: float) -> int:
    gap = shape.advance_s(order + 1) - shape.advance_s(order)
    return max(int(min(AHEAD_SHARE * gap, AHEAD_PERIODS / shape.lowest_hz) * rate_hz), 4)


def spectrum_at(segment: np.ndarray, frequency_hz: np.ndarray, *, rate_hz: float) -> np.ndarray:
    """Fourier sum of a short record at any frequencies, (F,) complex, by interpolation.

    Between the bins of a transform twice as long as the record a Kaiser-weighted sinc of 16 taps
    errs by less than 1e-4 of the largest value nearby.
    """
    bins = next_fast_len(2 * segment.size, real=True)
    return _between(rfft(segment, bins), frequency_hz, bins=bins, size=segment.size, rate=rate_hz)


def _between(spectrum, frequency_hz, *, bins: int, size: int, rate: float) -> np.ndarray:
    place = np.asarray(frequency_hz) * bins / rate
    near = np.floor(place).astype(int)[:, None] + np.arange(-TAPS + 1, TAPS + 1)
    away = place[:, None] - near
    weight = np.sinc(away) * np.i0(BETA * np.sqrt(np.maximum(1.0 - (away / TAPS) ** 2, 0.0)))
    # Turned so that the record's middle is time 0: its spectrum then varies slowest.
    turn = np.exp(-2j * np.pi * away * (0.5 * size / bins))
    values = spectrum[np.clip(np.abs(near), 0, spectrum.size - 1)]
    values = np.where(near < 0, values.conj(), values)
    return (values * weight * turn).sum(axis=1) / np.i0(BETA)


def measure_orders(
    x: np.ndarray,
    *,
    shape: sweep.SweepShape,
    rate_hz: float,
    frequency_hz: np.ndarray,
    timing: int,
) -> Orders:
    """All orders of one take.

    Parameters
    ----------
    x : (C, n) samples of the whole take.
    frequency_hz : (F,) excitation frequencies within the swept band.
    timing : the channel in which the start is looked for.

    Raises
    ------
    InputError : see `sweep.find_start` and `sweep.deconvolve`.
    """
    frames, f = x.shape[1], np.asarray(frequency_hz, dtype=float)
    spectrum = sweep.deconvolve(x, shape=shape, rate_hz=rate_hz)
    length = 2 * (spectrum.shape[1] - 1)
    irs = [irfft(row, length) for row in spectrum]
    start = sweep.find_start(
        spectrum[timing], shape=shape, rate_hz=rate_hz, length=length, frames=frames
    )
    noise_hz, densities = sweep_noise(x, shape=shape, rate_hz=rate_hz)
    take = _Take(frames, float(rate_hz), start, noise_hz)
    amplitude = np.full((sweep.ORDERS, len(x), f.size), np.nan + 0j)
    u, cut = (np.full(amplitude.shape, np.nan) for _ in range(2))
    first: list[_Order] = []
    for channel, (ir, density) in enumerate(zip(irs, densities, strict=True)):
        for order in range(1, sweep.ORDERS + 1):
            there = order * f < HIGHEST * rate_hz
            found = _one_order(ir, order, order * f[there], take, shape=shape)
            place = order - 1, channel, there
            amplitude[place], cut[place] = found.amplitude, found.cut
            u[place] = _noise_through(order * f[there], found.held, density, take, shape=shape)
            if order == 1:
                first.append(found)
    step = take.rate_hz / first[0].bins
    low, high = int(shape.lowest_hz / step), int(shape.highest_hz / step) + 1
    fine_hz = np.arange(low, high) * step
    # What noise does varies slowly: worked out at some frequencies, interpolated between.
    some = np.geomspace(fine_hz[0], fine_hz[-1], SOME)
    held = _held(some, 1, first[0].window, take, shape=shape)
    fine_u = [
        np.interp(fine_hz, some, _noise_through(some, held, density, take, shape=shape))
        for density in densities
    ]
    return Orders(
        f, amplitude, u, cut, fine_hz, tuple(one.spectrum[low:high] for one in first),
        tuple(fine_u), start,
        first[0].spectrum, first[0].bins, -first[0].late_s * rate_hz,
        first[0].window.w.size,
    )  # fmt: skip


class _Take(NamedTuple):
    """What is known of the recording before its orders are cut apart."""

    frames: int
    rate_hz: float
    start: float
    noise_hz: np.ndarray


class _Order(NamedTuple):
    """One order of one channel at given frequencies, and the transform it was read from."""

    amplitude: np.ndarray
    cut: np.ndarray
    held: np.ndarray
    window: _Window
    bins: int
    spectrum: np.ndarray
    late_s: float  # of the transform's first sample after the order's place (negative: ahead)


def _one_order(
    ir: np.ndarray, order: int, at: np.ndarray, take: _Take, *, shape: sweep.SweepShape
) -> _Order:
    rate = take.rate_hz
    window = _window(shape, order, rate, max(take.frames - round(take.start), 1))
    place = take.start - shape.advance_s(order) * rate
    first = int(np.floor(place)) - window.ahead
    piece = np.take(ir, np.arange(first, first + window.w.size), mode="wrap") * window.w
    bins = next_fast_len(2 * piece.size, real=True)
    whole, late = rfft(piece, bins), (first - place) / rate
    sums = _between(whole, at, bins=bins, size=piece.size, rate=rate)
    part = spectrum_at(piece[: window.ahead + (piece.size - window.ahead) // 2], at, rate_hz=rate)
    beyond = np.abs(sums - part) / np.maximum(np.abs(sums), np.finfo(float).tiny)
    # Phases from the order's own place on; the sweep is a sine, its harmonics are a cosine's.
    turn = at * late - (order - 1) * (0.25 + shape.lowest_hz * shape.growth_s)
    return _Order(
        sums * np.exp(-2j * np.pi * (turn % 1.0)), beyond**2,
        _held(at, order, window, take, shape=shape), window, bins, whole, late,
    )  # fmt: skip


def _held(
    at: np.ndarray, order: int, window: _Window, take: _Take, *, shape: sweep.SweepShape
) -> np.ndarray:
    """(F,) sum of the window's squares over the part of it that lies inside the recording.

    At each frequency the recording begins and ends at other times of the impulse response.
    """
    squares = np.concatenate([[0.0], np.cumsum(window.w**2)])
    zero = take.start + (shape.passes_s(at) - shape.advance_s(order)) * take.rate_hz - window.ahead
    first = np.clip(-zero, 0, window.w.size).astype(int)
    last = np.clip(take.frames - zero, 0, window.w.size).astype(int)
    return np.maximum(squares[last] - squares[first], 1.0)


def _noise_through(
    at: np.ndarray, held: np.ndarray, density: np.ndarray, take: _Take, *, shape: sweep.SweepShape
) -> np.ndarray:
    """(F,) standard uncertainty of the real part of an order's sums; density (K,) of a channel."""
    level = np.exp(np.interp(np.log(at), np.log(take.noise_hz), np.log(density)))
    power = 0.5 * take.rate_hz * level * held
    return np.sqrt(0.5 * power) / np.abs(sweep.sweep_spectrum(shape, at, rate_hz=take.rate_hz))


def ends_too_soon(
    x: np.ndarray, orders: Orders, *, shape: sweep.SweepShape, rate_hz: float
) -> np.ndarray:
    """(C, F): bound on the share of order 1 that rings on after the recording.

    From the level over its last 0.1 s and the slowest decay that wood is known to have.
    """
    at = orders.frequency_hz
    ends = line_sums.end_levels(x, rate_hz=rate_hz, frequencies_hz=tuple(at.tolist()))
    # In the scale of sums over samples: half the amplitude times the seconds it lasts.
    missing = 0.5 * rate_hz * line_sums.missing_tail(ends, frequencies_hz=at, seconds=1.0)
    whole = np.abs(orders.amplitude[0] * sweep.sweep_spectrum(shape, at, rate_hz=rate_hz))
    return missing / np.maximum(whole, np.finfo(float).tiny)


@lru_cache(maxsize=8)
def _stretches(lowest_hz: float, m: int, rate_hz: float) -> tuple[int, ...]:
    """Edges in bins, from half the sweep's lowest frequency to half the sampling rate."""
    return tuple(
        noise.stretches(
            max(round(lowest_hz / 2 * m / rate_hz), 2),
            m // 2,
            least=LEAST_STRETCH,
            wider=lambda edge: max(edge + LEAST_STRETCH, round(edge * STRETCH)),
        )
    )


def sweep_noise(
    x: np.ndarray, *, shape: sweep.SweepShape, rate_hz: float
) -> tuple[np.ndarray, np.ndarray]:
    """Noise density of each channel over frequency.

    Parameters
    ----------
    x : (C, n) samples.

    Returns
    -------
    (frequencies (K,) in Hz, density (C, K)); to be interpolated over the logarithm of both.
    """
    n = x.shape[1]
    longest = next_fast_len(round(LONGEST_PERIODS / shape.lowest_hz * rate_hz), real=True)
    m = min(n // PIECES, longest) // 2 * 2
    pieces = n // m
    every = max(pieces // ENOUGH, 1)
    window = np.hanning(m + 1)[:-1]
    edges = _stretches(shape.lowest_hz, m, float(rate_hz))
    scale = 2.0 / (rate_hz * float(window @ window)) / -np.log1p(-QUANTILE)
    density = np.empty((x.shape[0], len(edges) - 1))
    for channel, row in enumerate(x):
        spectra = rfft(row[: pieces * m].reshape(pieces, m)[::every] * window, axis=1)
        power = spectra.real**2 + spectra.imag**2
        for i, (low, high) in enumerate(pairwise(edges)):
            values = power[:, low:high].ravel()
            place = int(QUANTILE * values.size)
            density[channel, i] = scale * np.partition(values, place)[place]
    # Geometric mean with the neighbours: one stretch alone holds few values.
    level = np.pad(np.log(np.maximum(density, np.finfo(float).tiny)), ((0, 0), (1, 1)), "edge")
    smooth = np.exp(0.25 * level[:, :-2] + 0.5 * level[:, 1:-1] + 0.25 * level[:, 2:])
    return np.sqrt(np.multiply(edges[1:], edges[:-1])) * (rate_hz / m), smooth
