"""Signals to be played: steady tones and sweeps, quiet at both ends, and their 24-bit samples.

Conventions: samples re full scale; levels in dB re a full-scale sine (AES17: a sine that just
reaches full scale has 0 dB), peaks in dB re full scale. Before samples are cut to whole numbers of
bits, noise of triangular distribution, two steps wide, is added: what is lost is then noise and no
distortion (Lipshitz, Wannamaker and Vanderkooy, JAES 40, 1992; recalled). Without it a tone that
repeats on the sampling grid would repeat its rounding as well, and show harmonics that no one made.

Functions: `steady_tone`, `played_sweep`, `quantised`, `levels`, `whole_periods`.
"""

import math

import numpy as np

from studylib.signal.sweep import SweepShape, sweep_signal
from studylib.words import say

SILENCE_AFTER_S = 1.0  # a board rings on after a sweep
SWEEP_FADE_S = 0.01


def steady_tone(
    frequency_hz: float, *, rate_hz: int, seconds: float, peak: float, fade_s: float
) -> np.ndarray:
    """A sine with raised-cosine fades before and after `seconds` of steady sound.

    Parameters
    ----------
    frequency_hz : above 0 and below half of rate_hz.
    peak : amplitude re full scale, in (0, 1].
    fade_s : length of each fade, s, 0 or more.

    Returns
    -------
    float64, shape (round((seconds + 2 fade_s) rate_hz),). The phase of every sample is computed
    from its number, so the frequency does not drift by rounding.

    Raises
    ------
    ValueError : outside these ranges.
    """
    if not (0 < frequency_hz < rate_hz / 2 and 0 < peak <= 1 and seconds > 0 and fade_s >= 0):
        raise ValueError(say("stimuli.tone"))
    number = np.arange(round((seconds + 2 * fade_s) * rate_hz))
    wave = peak * np.sin(2 * np.pi * np.remainder(number * (frequency_hz / rate_hz), 1.0))
    fade = round(fade_s * rate_hz)
    if fade:
        rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
        wave[:fade] *= rise
        wave[-fade:] *= rise[::-1]
    return wave


def played_sweep(shape: SweepShape, *, rate_hz: int, peak: float) -> np.ndarray:
    """The exponential sweep that the analysis divides by, then a second of silence.

    Raises
    ------
    ValueError : the sweep reaches half the rate, or peak is not in (0, 1].
    """
    if not (shape.highest_hz < rate_hz / 2 and 0 < peak <= 1):
        raise ValueError(say("stimuli.sweep"))
    wave = peak * sweep_signal(shape, rate_hz=rate_hz, fade_s=SWEEP_FADE_S)
    return np.concatenate([wave, np.zeros(round(SILENCE_AFTER_S * rate_hz))])


def quantised(samples: np.ndarray, *, rng: np.random.Generator, bits: int = 24) -> np.ndarray:
    """Whole numbers of `bits` bits, int32, with triangular dither where there is sound.

    Silence at the start and end stays exactly nothing.

    Raises
    ------
    ValueError : a sample would be clipped.
    """
    scale = 2.0 ** (bits - 1)
    sounding = np.flatnonzero(samples)
    whole = np.zeros(samples.shape, dtype=np.int64)
    if sounding.size:
        span = slice(sounding[0], sounding[-1] + 1)
        x = samples[span] * scale
        # A dither of two uniform draws.
        whole[span] = np.rint(x + (rng.random(x.size) - rng.random(x.size))).astype(np.int64)
    if whole.size and (whole.max() >= scale or whole.min() < -scale):
        raise ValueError(say("stimuli.clipped"))
    return whole.astype(np.int32)


def levels(samples: np.ndarray, *, sounding: slice = slice(None)) -> tuple[float, float, float]:
    """Peak (dB re full scale), level (dB re a full-scale sine) and crest factor (dB) of the part
    `sounding`; minus infinity for silence."""
    part = np.asarray(samples, dtype=float)[sounding]
    peak, power = float(np.max(np.abs(part), initial=0.0)), float(np.mean(part**2))
    if not power > 0:
        return -math.inf, -math.inf, math.nan
    peak_db, rms_db = 20 * math.log10(peak), 10 * math.log10(power)
    return peak_db, rms_db + 10 * math.log10(2.0), peak_db - rms_db


def whole_periods(frequency_hz: float, *, length_s: float, rate_hz: int) -> tuple[float, float]:
    """Periods in a length, and the nearest length (s) that holds a whole number of periods and a
    whole number of samples; NaN where none within a factor of two does."""
    frames = np.arange(max(1, round(0.5 * length_s * rate_hz)), round(2 * length_s * rate_hz) + 1)
    turns = frames * (frequency_hz / rate_hz)
    fits = frames[np.abs(turns - np.rint(turns)) < 1e-6]
    nearest = fits[np.argmin(np.abs(fits - length_s * rate_hz))] if fits.size else math.nan
    return frequency_hz * length_s, float(nearest) / rate_hz
