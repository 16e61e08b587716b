"""Where a sweep starts in a recording, and whether it is the sweep that was announced.

Deconvolved by the right sweep, a recording is an impulse response: in every part of the band the
energy arrives at one time. By a sweep of another length or band it is not: each part arrives at
another time. So the time of the largest value gives the start, and the arrival in half-octave
bands tells whether the shape is right. A mismatch too small to be seen there (1 % of the length)
moves no level by more than 0.05 dB.

Conventions: start in samples from the take's first one, with a fraction.

Functions: find_start. Start.
Source: common practice, no source; the width of a band-limited pulse is the inverse of its band.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.fft import ifft, next_fast_len

from studylib.codes import note
from studylib.codes.modes import SweepFault
from studylib.errors import InputError
from studylib.signal.sweep import SweepShape, impulse_response

BAND = 2.0**0.5  # half octaves
WIDTHS, SLACK_S = 4.0, 0.005  # how far apart bands may arrive: so many widths of their pulse, and
AGREE = 0.7  # the share of bands that must arrive together
HINT_AGREE = 0.8
RECORDED = 0.5  # of the bands: with fewer recorded, chance could make them agree
LOST = 1.03  # the largest part of the band, as a ratio, that a cut recording may lack


class Start(NamedTuple):
    """Where the sweep starts (samples) and the share of half-octave bands that arrive with it."""

    sample: float
    agreement: float


def find_start(
    spectrum: np.ndarray, *, shape: SweepShape, rate_hz: float, length: int, frames: int
) -> Start:
    """Find the sweep in one channel: the drive where there is one, else the response.

    Parameters
    ----------
    spectrum : complex (N // 2 + 1,) from `sweep.deconvolve`.  length : N.
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
    late = (arrivals - sample / rate_hz + 0.5 * length / rate_hz) % (length / rate_hz)
    late -= 0.5 * length / rate_hz
    allowed = WIDTHS / (middles * (BAND**0.5 - BAND**-0.5)) + SLACK_S
    # Bands that a cut recording cannot hold say nothing against the shape.
    there = middles * BAND**0.5 < ends_hz
    agreement = float(np.mean(np.abs(late[there]) <= allowed[there])) if there.any() else 0.0
    if agreement < AGREE or np.mean(there) < RECORDED or not ir.any():
        raise InputError(_not_found(shape, late, middles, allowed))
    _whole(shape, sample / rate_hz, ends_hz)
    return Start(sample, agreement)


def _peak(ir: np.ndarray) -> float:
    """Place of the largest value, to a fraction of a sample (parabola through three)."""
    largest = int(ir.argmax()), int(ir.argmin())
    at = max(largest, key=lambda i: abs(ir[i]))
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


def _whole(shape: SweepShape, start_s: float, ends_hz: float) -> None:
    if shape.lowest_hz * np.exp(-start_s / shape.growth_s) > LOST * shape.lowest_hz:
        raise InputError(note(SweepFault.BEGAN_BEFORE, seconds=-start_s))
    if ends_hz * LOST < shape.highest_hz:
        missing = shape.seconds - float(shape.passes_s(ends_hz))
        facts = {"seconds": missing, "at_hz": ends_hz, "high_hz": shape.highest_hz}
        raise InputError(note(SweepFault.CUT_OFF, **facts))


def _not_found(
    shape: SweepShape, late: np.ndarray, middles: np.ndarray, allowed: np.ndarray
) -> str:
    # Bands that arrive on a straight line over ln f: a sweep of another length.
    x = np.log(middles)
    slopes = (late[:, None] - late)[np.triu_indices(x.size, 1)]
    slopes /= (x[:, None] - x)[np.triu_indices(x.size, 1)]
    slope = float(np.median(slopes))
    rest = late - slope * x
    rest -= np.median(rest)
    took_s = None
    if x.size > 3 and np.mean(np.abs(rest) <= allowed) >= HINT_AGREE:
        between = (shape.growth_s + slope) * np.log(shape.highest_hz / shape.lowest_hz)
        took_s = between if between > 0 else None
    return note(
        SweepFault.NOT_FOUND, low_hz=shape.lowest_hz, high_hz=shape.highest_hz,
        seconds=shape.seconds, took_s=took_s,
    )  # fmt: skip
