"""The exponential sine sweep, its spectrum, and a recording deconvolved by it.

The sweep s(t) = sin(2 pi f1 L (exp(t/L) - 1)), L = T / ln(f2/f1), passes each frequency f at
t = L ln(f/f1). Harmonic k of whatever it drives is the same sweep, L ln k earlier: after division
by the sweep's spectrum the response to every harmonic order stands apart in time, order k ahead
of order 1 by L ln k.

The divisor is the spectrum of the sweep carried on below f1 and above f2,
sqrt(L/f)/2 at its own phase, which has no edges: it is nowhere small, nothing has to be
regularised where the played sweep holds nothing, and how the played sweep was faded in and out
need not be known. The click of an abrupt start or end then lies at each frequency L ln(f/f1)
ahead of the response, or L ln(f2/f) behind it, and not on it, except near the edges themselves;
`usable_band` keeps clear of those. Impulse responses are also tapered towards both edges
(`impulse_response`), so that the band edge does not ring into them.

Deconvolved by the right sweep, a recording is an impulse response: in every part of the band the
energy arrives at one time. By a sweep of another length or band it is not: each part arrives at
another time. So the time of the largest value gives the start, and the arrival in half-octave
bands tells whether the shape is right (common practice, no source; the width of a band-limited
pulse is the inverse of its band). A mismatch too small to be seen there (1 % of the length) moves
no level by more than 0.05 dB.

Conventions: samples re full scale; spectra as `numpy.fft.rfft`; a deconvolved spectrum H is
relative to a sweep of amplitude 1, so that |H| is the peak amplitude a channel reaches as the
sweep passes. A generator and a recorder whose clocks differ by p ppm smear the result by p T
microseconds, alike on all channels.

Functions: sweep_signal, sweep_spectrum, transform_length, deconvolve, usable_band, mode_band,
impulse_response, free_decay, find_start. SweepShape.
Source: Farina, Simultaneous measurement of impulse response and distortion with a swept-sine
technique (AES 108, 2000; recalled); the spectrum by the method of stationary phase, whose error
1/(24 pi f L) is below 1e-3 wherever f L is above 15.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.fft import ifft, irfft, next_fast_len, rfft

from studylib import codes, errors

ORDERS = 5  # harmonic orders that are kept clear of the response
LONGEST_S = 5.0  # of order 1's impulse response
EDGE = 1.06  # a fade of 1 s in a sweep of 20 s over ten octaves, of 10 ms in a short one
MODE_EDGE = 1.3  # modes this near to an edge are smeared by it
PULSE_S = 0.012  # after which the direct pulse is over, smeared as it is by the edges of the band
BAND = 2.0**0.5  # half octaves
WIDTHS, SLACK_S = 4.0, 0.005  # how far apart bands may arrive: so many widths of their pulse, and
AGREE = 0.7  # the share of bands that must arrive together
HINT_AGREE = 0.8
RECORDED = 0.5  # of the bands: with fewer recorded, chance could make them agree
LOST = 1.03  # the largest part of the band, as a ratio, that a cut recording may lack


@dataclass(frozen=True)
class SweepShape:
    """What was played: from lowest_hz to highest_hz, an octave up at least, in `seconds`.

    A sweep that passes its lowest frequency in fewer than 4 cycles is too fast for these formulas;
    study.toml is held to that.
    """

    lowest_hz: float
    highest_hz: float
    seconds: float

    @property
    def growth_s(self) -> float:
        """L: seconds in which the frequency grows e-fold."""
        return self.seconds / float(np.log(self.highest_hz / self.lowest_hz))

    def advance_s(self, order: int) -> float:
        """How far order k stands ahead of order 1, s."""
        return self.growth_s * float(np.log(order))

    def passes_s(self, frequency_hz):
        """When the sweep passes a frequency, s after its start (numbers or arrays)."""
        return self.growth_s * np.log(np.asarray(frequency_hz) / self.lowest_hz)


def sweep_signal(shape: SweepShape, *, rate_hz: float, fade_s: float = 0.0) -> np.ndarray:
    """(round(T rate),) the sweep itself, amplitude 1, faded in and out by half a Hann window."""
    t = np.arange(round(shape.seconds * rate_hz)) / rate_hz
    growth = shape.growth_s
    wave = np.sin(2.0 * np.pi * shape.lowest_hz * growth * np.expm1(t / growth))
    if fade_s > 0:
        wave *= 0.5 - 0.5 * np.cos(np.pi * np.clip(np.minimum(t, t[-1] - t) / fade_s, 0.0, 1.0))
    return wave


def sweep_spectrum(shape: SweepShape, frequency_hz: np.ndarray, *, rate_hz: float) -> np.ndarray:
    """Spectrum of the sweep carried on without edges, as a sum over samples; complex, like f > 0.

    The sweep starts at sample 0.
    """
    f, growth = np.asarray(frequency_hz, dtype=float), shape.growth_s
    turns = growth * (f - shape.lowest_hz - f * np.log(f / shape.lowest_hz)) - 0.125
    return 0.5 * rate_hz * np.sqrt(growth / f) * np.exp(2j * np.pi * (turns % 1.0))


def transform_length(frames: int, shape: SweepShape, *, rate_hz: float) -> int:
    """Even length of a transform that keeps the harmonic orders from wrapping onto order 1."""
    # Nothing rings on for longer than LONGEST_S; what follows may wrap onto the orders.
    ahead, behind = shape.advance_s(ORDERS + 1) * rate_hz, min(frames, LONGEST_S * rate_hz)
    return 2 * next_fast_len(-(-max(frames, round(ahead + behind)) // 2), real=True)


@lru_cache(maxsize=2)
def _inverse(shape: SweepShape, length: int, rate_hz: float) -> np.ndarray:
    """1 over the sweep's spectrum, (length // 2 + 1,).

    Below the swept band it is faded to nothing within an octave: only hum and rumble are there.
    Above it nothing is cut: the harmonic orders reach up to half the sampling rate.
    """
    f = np.arange(length // 2 + 1) * (rate_hz / length)
    inverse = np.zeros(f.size, dtype=complex)
    inverse[1:] = 1.0 / sweep_spectrum(shape, f[1:], rate_hz=rate_hz)
    below = int(shape.lowest_hz * length / rate_hz) + 1
    inverse[1:below] *= _rise(f[1:below], shape.lowest_hz / 2.0, shape.lowest_hz)
    return inverse


def _rise(f: np.ndarray, low: float, high: float) -> np.ndarray:
    """0 below low, 1 above high, half a Hann window over the logarithm of f in between."""
    share = np.log(np.maximum(f, 1e-9) / low) / np.log(high / low)
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(share, 0.0, 1.0))


def deconvolve(x: np.ndarray, *, shape: SweepShape, rate_hz: float) -> np.ndarray:
    """Spectrum of each channel over that of the nominal sweep.

    Parameters
    ----------
    x : (C, n) samples of a whole take.

    Returns
    -------
    complex (C, N // 2 + 1), N = transform_length(n): times count from the take's first sample,
    so that order 1 stands where the sweep starts.

    Raises
    ------
    InputError : the sweep reaches beyond half the sampling rate.
    """
    errors.InputError.refuse(
        shape.highest_hz > 0.5 * rate_hz, "sweeps.above_half_rate",
        high_hz=shape.highest_hz, half_rate_hz=rate_hz / 2,
    )  # fmt: skip
    length = transform_length(x.shape[1], shape, rate_hz=rate_hz)
    inverse = _inverse(shape, length, float(rate_hz))
    out = np.empty((x.shape[0], inverse.size), dtype=complex)
    for row, into in zip(x, out, strict=True):  # one at a time: half the memory, a tenth faster
        np.multiply(rfft(row, length), inverse, out=into)
    return out


def usable_band(shape: SweepShape) -> tuple[float, float]:
    """(lowest, highest) Hz at which levels do not depend on how the sweep began and ended.

    A sweep takes about sqrt(1 / (f L)) of a frequency f to get going there.
    """
    low, high, growth = shape.lowest_hz, shape.highest_hz, shape.growth_s
    return (
        low * max(EDGE, 1.0 + (low * growth) ** -0.5),
        high / max(EDGE, 1.0 + (high * growth) ** -0.5),
    )


def mode_band(shape: SweepShape) -> tuple[float, float]:
    """(lowest, highest) Hz between which modes can be read off a `free_decay`."""
    return shape.lowest_hz * MODE_EDGE, shape.highest_hz / MODE_EDGE


def impulse_response(
    spectrum: np.ndarray, *, shape: SweepShape, rate_hz: float, length: int
) -> np.ndarray:
    """Impulse response within the swept band, tapered over a factor 1.3 at both its edges.

    Parameters
    ----------
    spectrum : complex (N // 2 + 1,) of one channel from `deconvolve`.  length : N.

    Returns
    -------
    (N,) samples; the time before the take's first sample stands at the end.
    """
    step, (low, high) = rate_hz / length, mode_band(shape)
    out = np.zeros_like(spectrum)
    first, rise, fall, last = [
        int(f / step) for f in (shape.lowest_hz, low, high, shape.highest_hz)
    ]
    out[first:last] = spectrum[first:last]
    out[first:rise] *= _rise(np.arange(first, rise) * step, shape.lowest_hz, low)
    # Falling in log f is rising in the inverse of f.
    out[fall:last] *= _rise(
        1.0 / (np.arange(fall, last) * step), 1.0 / shape.highest_hz, 1.0 / high
    )
    return irfft(out, length)


def free_decay(
    spectrum: np.ndarray,
    *,
    shape: SweepShape,
    rate_hz: float,
    length: int,
    start: float,
    frames: int,
    seconds: float = 4.0,
) -> tuple[np.ndarray, float]:
    """What rings on after the direct pulse of an impulse response, for finding modes.

    The response deconvolved by the sweep that was *played* has the modes of the board with the
    driver on it as its poles. (The ratio to a force or acceleration measured at the driving point
    has others: those of the board whose driving point is held still. Use that ratio for the
    response, this decay for the modes.) Modes can be read between the limits of `mode_band`.

    Parameters
    ----------
    spectrum : complex (N // 2 + 1,) of the response from `deconvolve`, or cut out of it
        (`sweep_response.Response`).  length : N.
    start : sample of the impulse response at which the sweep's own response begins.
    frames : samples that hold something: of the recording, or of the window of order 1.
    seconds : of decay at most.

    Returns
    -------
    (samples (m,), skipped s): the decay, and how long after the sweep's start in the impulse
    response it begins. At frequency f only what was recorded after the sweep had passed f is in
    it: a recording without silence after the sweep holds nothing of the highest modes' decay.
    """
    first = int(np.ceil(start + PULSE_S * rate_hz))
    ir = impulse_response(spectrum, shape=shape, rate_hz=rate_hz, length=length)
    return ir[first : min(first + round(seconds * rate_hz), frames)], (first - start) / rate_hz


def find_start(
    spectrum: np.ndarray, *, shape: SweepShape, rate_hz: float, length: int, frames: int
) -> float:
    """Where the sweep starts, in samples, in one channel: the drive where there is one, else the
    response.

    Parameters
    ----------
    spectrum : complex (N // 2 + 1,) from `deconvolve`.  length : N.
    frames : samples of the recording.

    Raises
    ------
    InputError : the sweep of this shape is not there, or begins before the recording, or is cut
        off at its end.
    """
    ir = impulse_response(spectrum, shape=shape, rate_hz=rate_hz, length=length)
    sample = _peak(ir)
    # What lies before the first sample is wrapped to the end: whichever leaves more of the sweep.
    if length - sample < sample + shape.seconds * rate_hz - frames:
        sample -= length
    ends_hz = shape.lowest_hz * np.exp((frames - sample) / rate_hz / shape.growth_s)
    middles, arrivals = _arrivals(spectrum, shape=shape, rate_hz=rate_hz, length=length)
    half_s = 0.5 * length / rate_hz
    late = (arrivals - sample / rate_hz + half_s) % (length / rate_hz) - half_s
    allowed = WIDTHS / (middles * (BAND**0.5 - BAND**-0.5)) + SLACK_S
    # Bands that a cut recording cannot hold say nothing against the shape.
    there = middles * BAND**0.5 < ends_hz
    agreement = float(np.mean(np.abs(late[there]) <= allowed[there])) if there.any() else 0.0
    if agreement < AGREE or np.mean(there) < RECORDED or not ir.any():
        raise errors.InputError(_not_found(shape, late, middles, allowed))
    errors.InputError.refuse(
        shape.lowest_hz * np.exp(-sample / rate_hz / shape.growth_s) > LOST * shape.lowest_hz,
        "sweeps.began_before", seconds=-sample / rate_hz,
    )  # fmt: skip
    errors.InputError.refuse(
        ends_hz * LOST < shape.highest_hz,
        "sweeps.cut_off", seconds=shape.seconds - float(shape.passes_s(ends_hz)),
        at_hz=ends_hz, high_hz=shape.highest_hz,
    )  # fmt: skip
    return sample


def _peak(ir: np.ndarray) -> float:
    """Place of the largest value, to a fraction of a sample (parabola through three)."""
    at = max((int(ir.argmax()), int(ir.argmin())), key=lambda i: abs(ir[i]))
    before, here, after = np.abs(ir[[at - 1, at, (at + 1) % ir.size]])
    bend = before - 2.0 * here + after
    return at + (0.5 * float((before - after) / bend) if bend < 0 else 0.0)


def _arrivals(
    spectrum: np.ndarray, *, shape: SweepShape, rate_hz: float, length: int
) -> tuple[np.ndarray, np.ndarray]:
    """(mid frequencies, times in s at which the envelope of each half-octave band peaks)."""
    count = max(int(np.log(shape.highest_hz / shape.lowest_hz) / np.log(BAND)), 1)
    edges = shape.lowest_hz * BAND ** np.arange(count + 1)
    times = np.empty(count)
    for i in range(count):
        first, last = (int(f * length / rate_hz) for f in edges[i : i + 2])
        part = spectrum[first:last] * np.hanning(last - first + 2)[1:-1]
        points = next_fast_len(2 * part.size)
        # Bins of one band as a spectrum of their own: its transform is the envelope over time.
        times[i] = np.abs(ifft(part, points)).argmax() * (length / points / rate_hz)
    return np.sqrt(edges[1:] * edges[:-1]), times


def _not_found(
    shape: SweepShape, late: np.ndarray, middles: np.ndarray, allowed: np.ndarray
) -> str:
    # Bands that arrive on a straight line over ln f: a sweep of another length.
    x = np.log(middles)
    pairs = np.triu_indices(x.size, 1)
    slope = float(np.median((late[:, None] - late)[pairs] / (x[:, None] - x)[pairs]))
    rest = late - slope * x
    rest -= np.median(rest)
    straight = x.size > 3 and np.mean(np.abs(rest) <= allowed) >= HINT_AGREE
    took_s = (shape.growth_s + slope) * np.log(shape.highest_hz / shape.lowest_hz)
    return codes.note(
        "sweeps.not_found", low_hz=shape.lowest_hz, high_hz=shape.highest_hz,
        seconds=shape.seconds, took_s=took_s if straight and took_s > 0 else None,
    )  # fmt: skip
