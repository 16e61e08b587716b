"""Numbers that describe a fitted tone: levels, ratios, distortion, centroid.

Every function takes a `ToneFit` and returns values with standard uncertainties (GUM,
JCGM 100, first order). Decibels are 20 lg of amplitude ratios.

Functions: level_db, relative_db, response, distortion_percent, centroid_hz.
Source: IEC 60268-3 for the distortion (harmonics over the total, quoted from memory in the
field's usual form); JCGM 100 for the propagation.
"""

from typing import NamedTuple

import numpy as np

from studylib.signal.tone import ToneFit

NOISE_REACH = 2.7  # SDs of the summed powers of some 20 harmonics that noise exceeds in 1 %
DB_PER_RATIO = 20.0 / np.log(10.0)  # dB for a small relative change of amplitude


class Estimate(NamedTuple):
    """A value with its standard uncertainty."""

    value: float
    u: float


def level_db(fit: ToneFit, *, channel: int, harmonic: int) -> Estimate:
    """Level of harmonic k (1 = fundamental) on a channel (0-based), dB re full-scale sine.

    A harmonic below the noise yields its upper limit: the amplitude that noise alone exceeds
    in 1 % of records, added to what was read.
    """
    amplitude = float(abs(fit.amplitude[channel, harmonic - 1]))
    u = float(fit.u_amplitude[channel, harmonic - 1])
    if not fit.present[channel, harmonic - 1]:
        amplitude += float(fit.presence_amplitude[channel, harmonic - 1])
    return (
        Estimate(-np.inf, np.inf)
        if amplitude <= 0
        else Estimate(20.0 * np.log10(amplitude), DB_PER_RATIO * u / amplitude)
    )


def relative_db(fit: ToneFit, *, channel: int, harmonic: int) -> Estimate:
    """Level of harmonic k relative to the fundamental of the same channel, dB."""
    top = level_db(fit, channel=channel, harmonic=harmonic)
    base = level_db(fit, channel=channel, harmonic=1)
    return Estimate(top.value - base.value, float(np.hypot(top.u, base.u)))


def response(
    fit: ToneFit, *, response: int, drive: int, harmonic: int = 1
) -> tuple[Estimate, Estimate]:
    """Response over drive at harmonic k: (dB, degrees), channels 0-based.

    The two channels' noises are taken as independent.
    """
    top, base = fit.amplitude[response, harmonic - 1], fit.amplitude[drive, harmonic - 1]
    if top == 0 or base == 0:
        return Estimate(-np.inf, np.inf), Estimate(np.nan, np.inf)
    relative = np.hypot(
        fit.u_amplitude[response, harmonic - 1] / abs(top),
        fit.u_amplitude[drive, harmonic - 1] / abs(base),
    )
    ratio = top / base
    return (
        Estimate(20.0 * np.log10(abs(ratio)), DB_PER_RATIO * float(relative)),
        Estimate(float(np.degrees(np.angle(ratio))), float(np.degrees(relative))),
    )


def distortion_percent(fit: ToneFit, *, channel: int) -> Estimate:
    """Total harmonic distortion: harmonics 2..K over the total, noise power taken off.

    Where no harmonic stands out of the noise, the upper limit: what noise alone exceeds in 1 %
    of records is added to the harmonics' power.
    """
    power = np.abs(fit.amplitude[channel]) ** 2
    # E|A_read|^2 = |A|^2 + 2 u^2: the noise of both parts comes off.
    noise = 2.0 * fit.u_amplitude[channel] ** 2
    above = power - noise
    base, upper = float(max(above[0], 0.0)), float(max(above[1:].sum(), 0.0))
    if base == 0.0:
        return Estimate(np.nan, np.inf)
    # Var |A_read|^2 = 4 |A|^2 u^2 + 4 u^4 for each harmonic.
    variance = (2.0 * noise[1:] * np.maximum(above[1:], 0.0) + noise[1:] ** 2).sum()
    if not fit.present[channel, 1:].any():
        upper += NOISE_REACH * float(np.sqrt((noise[1:] ** 2).sum()))
    value = np.sqrt(upper / (base + upper))
    # d value / d upper = base / (2 value (base + upper)^2); at 0 the square root's own scale.
    u = (
        np.sqrt(variance) * base / (2.0 * value * (base + upper) ** 2)
        if value > 0
        else np.sqrt(np.sqrt(variance) / base)
    )
    return Estimate(100.0 * float(value), 100.0 * float(u))


def centroid_hz(fit: ToneFit, *, channel: int) -> Estimate:
    """Power-weighted mean frequency of the harmonics that stand out of the noise, hertz."""
    present = fit.present[channel]
    if not present.any():
        return Estimate(np.nan, np.inf)
    amplitude = np.abs(fit.amplitude[channel][present])
    frequency = (np.flatnonzero(present) + 1) * fit.frequency_hz
    power = amplitude**2
    total = power.sum()
    value = (frequency * power).sum() / total
    sensitivity = 2.0 * amplitude * (frequency - value) / total
    return Estimate(
        float(value), float(np.linalg.norm(sensitivity * fit.u_amplitude[channel][present]))
    )
