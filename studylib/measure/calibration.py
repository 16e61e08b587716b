"""From full scale to a level: what is added to dB re full scale.

Conventions: a full-scale sine is 0 dB re full scale. With a microphone, `full_scale_db` or a
sound calibrator make levels sound pressure levels (dB re 20 uPa); otherwise they stay relative.
The recorder's gain of a take (`gain_db`) is taken off, so that all takes of a bench agree.

Functions: level_scale, calibrator_tone.
Source: IEC 60942 (calibrators sound between 160 and 1250 Hz; class 2 holds its level within
0.40 dB and its distortion and noise below 3 %, 30 dB under the tone). That the tone stands 20 dB
above all other sound of the recording, and that two readings more than 0.5 dB apart are
reported, is common practice without a source.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.fft import rfft

from studylib.codes import note
from studylib.codes.measure import Level
from studylib.recordings import RecordingInfo, read_window
from studylib.signal.harmonics import level_db
from studylib.signal.noise import noise_spectrum, windowed_density
from studylib.signal.tone import MAX_SEGMENT_S, fit_tone, record_length
from studylib.words import say

CALIBRATOR_HZ = (160.0, 1250.0)
APART_DB = 0.5
OVER_NOISE_DB = 20.0  # less than this: the calibrator was not sounding


@dataclass(frozen=True)
class LevelScale:
    """`offset_db` is added to dB re full scale; `absolute`: the result is dB SPL.

    basis, warning : notes of what the levels are relative to, and of what is odd about it.
    """

    offset_db: float
    unit: str
    absolute: bool
    basis: str
    warning: str = ""


RELATIVE = LevelScale(0.0, say("measure.full_scale_unit"), False, Level.RELATIVE)


def level_scale(
    *,
    response_kind: str,
    full_scale_db: float | None,
    calibrator_db: float | None,
    calibrator_readings: Sequence[float],
) -> LevelScale:
    """The scale of one batch's response channel.

    calibrator_readings : level of each calibrator take in dB re full scale, gain taken off.
    """
    if response_kind != "microphone":
        return RELATIVE
    if full_scale_db is not None:
        basis = note(Level.FULL_SCALE, level_db=full_scale_db)
        return LevelScale(full_scale_db, "dB SPL", True, basis)
    if calibrator_db is None:
        return RELATIVE
    if not calibrator_readings:
        return replace(RELATIVE, warning=Level.NO_CALIBRATOR)
    spread = max(calibrator_readings) - min(calibrator_readings)
    warning = note(Level.APART, spread_db=spread, limit_db=APART_DB) if spread > APART_DB else ""
    basis = note(Level.CALIBRATOR, takes=len(calibrator_readings), level_db=calibrator_db)
    offset = calibrator_db - float(np.mean(calibrator_readings))
    return LevelScale(offset, "dB SPL", True, basis, warning)


class CalibratorTone(NamedTuple):
    """The calibrator's tone: level in dB re full scale, and dB over all other sound."""

    level_db: float
    over_noise_db: float


def calibrator_tone(path: Path, info: RecordingInfo, *, channel: int) -> CalibratorTone:
    """The strongest tone between 160 and 1250 Hz.

    channel : 0-based number of the microphone's channel. The middle of the recording is read,
    at most 10 s, away from the handling at both ends.
    """
    n = record_length(min(info.frames, int(MAX_SEGMENT_S * info.rate_hz)))
    spectrum = rfft(read_window(path, start=(info.frames - n) // 2, frames=n)[channel])[None, :]
    density = windowed_density(spectrum[0], n=n, rate_hz=info.rate_hz)
    low, high = (round(f * n / info.rate_hz) for f in CALIBRATOR_HZ)
    tone_hz = (low + int(np.argmax(density[low : high + 1]))) * info.rate_hz / n
    fit = fit_tone(spectrum, n=n, rate_hz=info.rate_hz, nominal_hz=tone_hz, harmonics=3)
    noise = noise_spectrum(density, n=n, rate_hz=info.rate_hz, tone_hz=fit.frequency_hz)
    level = level_db(fit, channel=0, harmonic=1).value
    over = level - 10.0 * float(np.log10(max(2.0 * noise.power(), 1e-40)))
    return CalibratorTone(level, over)
