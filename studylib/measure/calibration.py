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

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
from scipy.fft import rfft

from studylib.recordings import RecordingInfo, read_window
from studylib.signal.harmonics import level_db
from studylib.signal.noise import noise_spectrum, windowed_density
from studylib.signal.tone import MAX_SEGMENT_S, fit_tone, record_length

CALIBRATOR_HZ = (160.0, 1250.0)
APART_DB = 0.5
OVER_NOISE_DB = 20.0  # less than this: the calibrator was not sounding


@dataclass(frozen=True)
class LevelScale:
    """`offset_db` is added to dB re full scale; `absolute` tells whether the result is dB SPL."""

    offset_db: float
    unit: str
    absolute: bool
    basis: str
    warning: str = ""


RELATIVE = LevelScale(0.0, "dB re full scale", False, "levels are relative to full scale")


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
        return LevelScale(
            full_scale_db, "dB SPL", True, f"a full-scale sine is {full_scale_db:g} dB SPL"
        )
    if calibrator_db is None:
        return RELATIVE
    if not calibrator_readings:
        return LevelScale(
            0.0, RELATIVE.unit, False, RELATIVE.basis,
            "study.toml gives calibrator_db, but this batch has no usable calibrator take: "
            "its levels are relative to full scale. Record the calibrator before and after.",
        )  # fmt: skip
    spread = max(calibrator_readings) - min(calibrator_readings)
    warning = ""
    if spread > APART_DB:
        warning = (
            f"the calibrator takes of this batch are {spread:.2f} dB apart (limit {APART_DB} dB): "
            "the gain or the microphone changed during the batch."
        )
    return LevelScale(
        calibrator_db - float(np.mean(calibrator_readings)), "dB SPL", True,
        f"{len(calibrator_readings)} calibrator takes of {calibrator_db:g} dB", warning,
    )  # fmt: skip


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
    x = read_window(path, start=(info.frames - n) // 2, frames=n)[channel]
    spectrum = rfft(x)[None, :]
    density = windowed_density(spectrum[0], n=n, rate_hz=info.rate_hz)
    low, high = (round(f * n / info.rate_hz) for f in CALIBRATOR_HZ)
    tone_hz = (low + int(np.argmax(density[low : high + 1]))) * info.rate_hz / n
    fit = fit_tone(spectrum, n=n, rate_hz=info.rate_hz, nominal_hz=tone_hz, harmonics=3)
    noise = noise_spectrum(density, n=n, rate_hz=info.rate_hz, tone_hz=fit.frequency_hz)
    level = level_db(fit, channel=0, harmonic=1).value
    over = level - 10.0 * float(np.log10(max(2.0 * noise.power(), 1e-40)))
    return CalibratorTone(level, over)
