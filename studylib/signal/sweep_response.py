"""The response to a sweep, cut out of a recording in time.

Around L ln k ahead of the response stands what the driver adds at its harmonic k. A window from
shortly before the response on keeps all that follows, up to 5 s or the end of the recording, and
is transformed on its own. What still rings at its end is cut off. How much is told by halving the
window: where half of it changes the value by a share d, an exponential decay leaves about d^2
beyond the whole.

The noise is what a channel holds at a frequency while the sweep is elsewhere. The take is cut into
pieces and each is transformed. Around each frequency, most bins of most pieces hold neither the
sweep nor one of its harmonics nor a mode that still rings. A low quantile over bins and pieces
together tells the noise: a quantile q of exponential variables of mean P is -P ln(1 - q)
(definition). Where a board rings for most of the take, the value is too large rather than too
small. Densities are one-sided, square of full scale per Hz.

Conventions: `amplitude` at frequency f is the complex peak amplitude that a cosine of frequency f,
as strong as the sweep, gives in steady state, its phase relative to that cosine's. Uncertainties
are standard ones of the real part (the imaginary part's is the same).

Functions: measure_response, spectrum_at, ends_too_soon, sweep_noise. Response.
Source: Farina (2000; recalled) for the separation in time; noise through a window as the sum of its
squares (definition). Presence at 1 % error as for steady tones.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft

from studylib.signal import line_sums, noise, sweep

AHEAD_PERIODS = 6.0  # of the lowest frequency, kept ahead of the response at most
AHEAD_SHARE = 0.25  # of the gap to the driver's second harmonic, kept ahead at most
HIGHEST = 0.47  # of the sampling rate: recorders filter above
TAPS, BETA = 8, 10.0  # each side, and Kaiser's shape, of the interpolation between bins
QUANTILE = 0.2
PIECES, ENOUGH = 8, 16  # at least; of more, every second, third, ... is taken
LONGEST_PERIODS = 12.0  # of the lowest frequency in a piece
STRETCH, LEAST_STRETCH = 2.0 ** (1.0 / 3), 8
SOME = 400  # frequencies at which noise is worked out for the fine grid
PRESENT = float(np.sqrt(2.0 * np.log(100.0)))  # amplitude over u that noise exceeds in 1 %


@dataclass(frozen=True)
class Response:
    """Of C channels at F frequencies.

    amplitude, u, cut : (C, F) complex amplitude, its standard uncertainty from noise, and the
    share of it that lies beyond the window (estimated); NaN where f is above what is recorded.
    fine_hz (B,), fine, fine_u (C times (B,)) : the same on a grid narrow enough for its slowest
    decay, phases common to all channels apart.
    start : where the sweep starts, in samples.  spectrum, length : transform (length // 2 + 1,) of
    channel 0's response cut out; in its samples the response begins at `begins`, the window ends
    after `held`.
    """

    frequency_hz: np.ndarray
    amplitude: np.ndarray
    u: np.ndarray
    cut: np.ndarray
    fine_hz: np.ndarray
    fine: list[np.ndarray]
    fine_u: list[np.ndarray]
    start: float
    spectrum: np.ndarray
    length: int
    begins: float
    held: int

    @property
    def present(self) -> np.ndarray:
        """bool (C, F): stands out of the noise at 1 % error each."""
        return np.abs(self.amplitude) > PRESENT * self.u


@lru_cache(maxsize=64)
def _window(shape: sweep.SweepShape, rate_hz: float, room: int) -> tuple[int, np.ndarray]:
    """(samples kept ahead of the response, weights from there on)."""
    most = min(AHEAD_SHARE * shape.advance_s(2), AHEAD_PERIODS / shape.lowest_hz)
    ahead, behind = max(int(most * rate_hz), 4), min(room, round(sweep.LONGEST_S * rate_hz))
    fall = 0 if behind == room else behind // 4
    w = np.ones(ahead + behind)
    rise = ahead - ahead // 4
    w[:rise] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(rise) + 0.5) / rise)
    w[w.size - fall :] = 0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 0.5) / fall)
    return ahead, w


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


def measure_response(
    x: np.ndarray,
    *,
    shape: sweep.SweepShape,
    rate_hz: float,
    frequency_hz: np.ndarray,
    timing: int,
) -> Response:
    """The response in one take.

    Parameters
    ----------
    x : (C, n) samples of the whole take.
    frequency_hz : (F,) frequencies within the swept band.
    timing : the channel in which the start is looked for.

    Raises
    ------
    InputError : see `sweep.find_start` and `sweep.deconvolve`.
    """
    frames, f, rate = x.shape[1], np.asarray(frequency_hz, dtype=float), float(rate_hz)
    spectrum = sweep.deconvolve(x, shape=shape, rate_hz=rate_hz)
    length = 2 * (spectrum.shape[1] - 1)
    start = sweep.find_start(
        spectrum[timing], shape=shape, rate_hz=rate_hz, length=length, frames=frames
    )
    ahead, w = _window(shape, rate, max(frames - round(start), 1))
    first, bins = int(np.floor(start)) - ahead, next_fast_len(2 * w.size, real=True)
    late_s, step = (first - start) / rate, rate / bins
    there = f < HIGHEST * rate
    at, low, high = f[there], int(shape.lowest_hz / step), int(shape.highest_hz / step) + 1
    fine_hz = np.arange(low, high) * step
    # What noise does varies slowly: worked out at some frequencies, interpolated between.
    some = np.geomspace(fine_hz[0], fine_hz[-1], SOME)
    noise_hz, densities = sweep_noise(x, shape=shape, rate_hz=rate_hz)
    held = _held(np.concatenate([at, some]), w, first=start - ahead, frames=frames,
                 length=length, shape=shape, rate=rate)  # fmt: skip
    amplitude = np.full((len(x), f.size), np.nan + 0j)
    u, cut = (np.full(amplitude.shape, np.nan) for _ in range(2))
    wholes, fine_u = [], []
    for channel, (row, density) in enumerate(zip(spectrum, densities, strict=True)):
        piece = np.take(irfft(row, length), np.arange(first, first + w.size), mode="wrap") * w
        wholes.append(rfft(piece, bins))
        sums = _between(wholes[channel], at, bins=bins, size=w.size, rate=rate)
        part = spectrum_at(piece[: ahead + (w.size - ahead) // 2], at, rate_hz=rate)
        cut[channel, there] = (
            np.abs(sums - part) / np.maximum(np.abs(sums), np.finfo(float).tiny)
        ) ** 2
        amplitude[channel, there] = sums * np.exp(-2j * np.pi * (at * late_s % 1.0))
        through = {"noise_hz": noise_hz, "density": density, "shape": shape, "rate": rate}
        u[channel, there] = _noise_through(at, held[: at.size], **through)
        fine_u.append(np.interp(fine_hz, some, _noise_through(some, held[at.size :], **through)))
    return Response(
        f, amplitude, u, cut, fine_hz, [whole[low:high] for whole in wholes], fine_u, start,
        wholes[0], bins, -late_s * rate_hz, w.size,
    )  # fmt: skip


def _held(
    at: np.ndarray, w: np.ndarray, *, first: float, frames: int, length: int,
    shape: sweep.SweepShape, rate: float,
) -> np.ndarray:  # fmt: skip
    """(F,) sum of the window's squares over the part of it that lies inside the recording.

    At each frequency the recording begins and ends at other times of the impulse response; what
    was recorded before the sweep passed it comes round to the end of the transform.
    """
    squares = np.concatenate([[0.0], np.cumsum(w**2)])
    zero = first + shape.passes_s(at) * rate
    inside = sum(
        np.diff([squares[np.clip(end - zero, 0, w.size).astype(int)] for end in pair], axis=0)[0]
        for pair in ((0, frames), (length, length + frames))
    )
    return np.maximum(inside, 1.0)


def _noise_through(
    at: np.ndarray, held: np.ndarray, *, noise_hz: np.ndarray, density: np.ndarray,
    shape: sweep.SweepShape, rate: float,
) -> np.ndarray:  # fmt: skip
    """(F,) standard uncertainty of the real part of a response; density (K,) of a channel."""
    level = np.exp(np.interp(np.log(at), np.log(noise_hz), np.log(density)))
    return np.sqrt(0.5 * (0.5 * rate * level * held)) / np.abs(
        sweep.sweep_spectrum(shape, at, rate_hz=rate)
    )


def ends_too_soon(
    x: np.ndarray, found: Response, *, shape: sweep.SweepShape, rate_hz: float
) -> np.ndarray:
    """(C, F): bound on the share of a response that rings on after the recording.

    From the level over its last 0.1 s and the slowest decay that wood is known to have.
    """
    at = found.frequency_hz
    ends = line_sums.end_levels(x, rate_hz=rate_hz, frequencies_hz=tuple(at.tolist()))
    # In the scale of sums over samples: half the amplitude times the seconds it lasts.
    missing = 0.5 * rate_hz * line_sums.missing_tail(ends, frequencies_hz=at, seconds=1.0)
    whole = np.abs(found.amplitude * sweep.sweep_spectrum(shape, at, rate_hz=rate_hz))
    return missing / np.maximum(whole, np.finfo(float).tiny)


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
    window = np.hanning(m + 1)[:-1]
    # In bins, from half the sweep's lowest frequency to half the sampling rate.
    edges = noise.stretches(
        max(round(shape.lowest_hz / 2 * m / float(rate_hz)), 2),
        m // 2,
        least=LEAST_STRETCH,
        wider=lambda edge: max(edge + LEAST_STRETCH, round(edge * STRETCH)),
    )
    scale = 2.0 / (rate_hz * float(window @ window)) / -np.log1p(-QUANTILE)
    density = np.empty((x.shape[0], len(edges) - 1))
    for channel, row in enumerate(x):
        spectra = rfft(
            row[: pieces * m].reshape(pieces, m)[:: max(pieces // ENOUGH, 1)] * window, axis=1
        )
        power = spectra.real**2 + spectra.imag**2
        for i, (low, high) in enumerate(pairwise(edges)):
            values = power[:, low:high].ravel()
            place = int(QUANTILE * values.size)
            density[channel, i] = scale * np.partition(values, place)[place]
    # Geometric mean with the neighbours: one stretch alone holds few values.
    level = np.pad(np.log(np.maximum(density, np.finfo(float).tiny)), ((0, 0), (1, 1)), "edge")
    smooth = np.exp(0.25 * level[:, :-2] + 0.5 * level[:, 1:-1] + 0.25 * level[:, 2:])
    return np.sqrt(np.multiply(edges[1:], edges[:-1])) * (rate_hz / m), smooth
