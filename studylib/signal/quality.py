"""Is a take fit for use? The checks of one take, each a value held against a limit.

The checks take what the measurement worked out anyway (file facts, sample facts, tone fit,
noise), so that nothing is read or transformed twice.

Functions: file_checks, sample_checks, tone_checks, noise_checks, take_verdict.
Source: limits.py names the source of each limit; IEC 61672-1 for the A-weighting.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from studylib.signal.harmonics import DB_PER_RATIO
from studylib.signal.hum import distance_from_mains
from studylib.signal.limits import LIMITS, Limit, judge
from studylib.signal.samples import SampleFacts, allowed_run
from studylib.signal.tone import ToneFit

LOWEST_CLIPPED = 1000  # steps: clipping is looked for in channels that reach further
NOISE_REACH = 3.5  # standard deviations that noise alone may reach in some 30 instants
FLOOR_DB = -400.0  # stands for a level of zero, so that a table holds no infinity


HIDDEN = "an upper limit: the harmonics stand too close to see the noise between them"


class Check(NamedTuple):
    """One row of the quality table; `channel` is the channel's name, or "" for the file."""

    channel: str
    check: str
    value: float
    unit: str
    limit: float | None
    source: str
    verdict: str


def check(name: str, value: float, table: Mapping[str, Limit], *, channel: str = "") -> Check:
    """Hold one value against its limit in the table."""
    limit = table[name]
    verdict, bound = judge(value, limit)
    return Check(channel, name, float(value), limit.unit, bound, limit.source, verdict)


def decibels(power: float) -> float:
    """10 lg of a power, -400 dB for none at all."""
    return 10.0 * math.log10(power) if power > 0 else FLOOR_DB


def file_checks(
    table: Mapping[str, Limit],
    *,
    truncated: bool,
    rate_hz: int,
    wanted_rate_hz: int,
    channels: int,
    wanted_channels: int,
    seconds: float,
    wanted_s: float,
) -> list[Check]:
    """Checks that need only the file's header."""
    return [
        check("truncated", float(truncated), table),
        check("rate", abs(rate_hz - wanted_rate_hz), table),
        check("channels", max(0, wanted_channels - channels), table),
        check("length", max(0.0, wanted_s - seconds), table),
    ]


def sample_checks(
    facts: SampleFacts,
    table: Mapping[str, Limit],
    *,
    channel: str,
    rate_hz: float,
    tone_hz: float | None,
    may_be_silent: bool,
) -> list[Check]:
    """Checks on one channel's samples.

    tone_hz : a tone's frequency decides how long an honest crest may last; without one (taps,
        noise) the crest of a 50 Hz sine is allowed.
    may_be_silent : a room take may hold next to nothing; digital silence never passes.
    """
    rows = [check("finite", float(not facts.finite), table, channel=channel)]
    if not facts.finite:
        return rows
    span = 0.5 * (facts.highest - facts.lowest)
    if not may_be_silent or span == 0.0:
        # The mean is no sound.
        quiet = decibels(2.0 * max(facts.mean_square - facts.mean**2, 0.0) if span else 0.0)
        rows.append(check("silence", quiet, table, channel=channel))
    allowed = allowed_run(peak=span, step=facts.step, tone_hz=tone_hz or 50.0, rate_hz=rate_hz)
    # A channel near the smallest step is all flat tops; it cannot have met a rail.
    too_long = max(0, facts.run - allowed) if span > LOWEST_CLIPPED * facts.step else 0
    rows.append(check("clipping", too_long, table, channel=channel))
    rows.append(check("peak", decibels(facts.peak**2), table, channel=channel))
    rows.append(check("dc", 100.0 * abs(facts.mean), table, channel=channel))
    return rows


def tone_checks(
    fit: ToneFit,
    facts: SampleFacts,
    table: Mapping[str, Limit],
    *,
    channel: str,
    index: int,
    tone_hz: float,
) -> list[Check]:
    """Checks on a steady tone on one channel (index: its row in the fit)."""
    amplitude = abs(fit.amplitude[index, 0])
    missing = decibels(fit.search_amplitude[index] ** 2) - decibels(amplitude**2)
    if amplitude == 0.0:  # digital silence has no noise to be held against
        missing = -FLOOR_DB
    rows = [check("tone_absent", missing, table, channel=channel)]
    if rows[0].verdict == "fail":
        return rows
    # Only a drift beyond its own uncertainty counts.
    drift = max(abs(fit.drift_hz_s) - 3.0 * fit.u_drift_hz_s, 0.0) * fit.seconds / fit.frequency_hz
    departure, wander = _unsteadiness(fit, index)
    rows += [
        check("tone_ppm", 1e6 * abs(fit.frequency_hz / tone_hz - 1.0), table, channel=channel),
        check("drift_ppm", 1e6 * drift, table, channel=channel),
        check("wander", wander, table, channel=channel),
        check("steady", departure, table, channel=channel),
        check("bump", facts.block_high_db, table, channel=channel),
        check("dropout", -facts.block_low_db, table, channel=channel),
        check("click", facts.click, table, channel=channel),
        check("mains", distance_from_mains(tone_hz), table, channel=channel),
    ]
    return rows + _harmonic_checks(fit, table, channel=channel, index=index)


def _unsteadiness(fit: ToneFit, index: int) -> tuple[float, float]:
    """(largest departure of the level, what the highest harmonic loses to a phase that wanders).

    Both in dB, of one channel's fundamental. Noise shakes level and phase alike, so that each is
    the other's yardstick: only what exceeds it counts.
    """
    envelope = fit.envelope[index]
    level, phase = np.abs(envelope), np.angle(envelope)
    by_noise = NOISE_REACH * phase.std()
    highest = max(level.max() - by_noise, 1.0)
    lowest = max(level.min() + by_noise, 1e-20)
    departure = DB_PER_RATIO * max(np.log(highest), -np.log(lowest))
    # A ratio of variances of 4 comes from noise alone once in 1e4 (F with 32 and 32).
    wanders = phase.var() > 4.0 * level.var()
    top = np.flatnonzero(fit.present[index]).max(initial=0) + 1
    kept = abs(np.exp(1j * top * phase).mean()) if wanders else 1.0
    return departure, -decibels(kept**2)


def _harmonic_checks(
    fit: ToneFit, table: Mapping[str, Limit], *, channel: str, index: int
) -> list[Check]:
    """Signal-to-noise ratio of each harmonic in its own bin.

    Only the fundamental's decides about the take; the others are there to be read, held
    against what noise alone exceeds in 1 % of records.
    """
    noise = fit.u_amplitude[index] ** 2
    ratio = np.divide(
        0.5 * np.abs(fit.amplitude[index]) ** 2,
        noise,
        out=np.full(noise.size, 1e40),
        where=noise > 0,
    )
    rows = [check("snr_h1", decibels(ratio[0]), table, channel=channel)]
    bound = (
        decibels(float(0.5 * (fit.presence_amplitude[index, 0] ** 2 / noise[0])))
        if noise[0]
        else 0.0
    )
    for k, value in enumerate(ratio[1:], start=2):
        rows.append(
            Check(channel, f"snr_h{k}", decibels(value), "dB", bound, "F test at 1 %", "pass")
        )
    return rows


def noise_checks(
    table: Mapping[str, Limit],
    *,
    channel: str,
    noise_power: float,
    room_power: float | None,
    hum_power: float,
    tone_power: float | None,
    upper_limit: bool = False,
    noise_a_db: float | None = None,
    room_a_db: float | None = None,
) -> list[Check]:
    """Checks on the noise of a channel. Powers are mean squares at the bench's gain.

    hum_power : of the strongest mains line (0: none stands out), held against the tone's
        power; without a tone there is nothing to hold it against.
    upper_limit : the tone hides some of the noise, whose powers are then too high; a level
        beyond its limit is no more than a warning.
    noise_a_db, room_a_db : A-weighted sound pressure levels, only when calibrated.
    """
    rows = []
    if tone_power:
        rows.append(check("hum", decibels(hum_power / tone_power), table, channel=channel))
    noise = {}
    if room_power is not None:
        noise["noise_over_room"] = decibels(noise_power) - decibels(room_power)
    if noise_a_db is not None:
        noise["noise_a"] = noise_a_db
        if room_a_db is not None:
            noise["noise_over_room_a"] = noise_a_db - room_a_db
    for name, value in noise.items():
        row = check(name, value, table, channel=channel)
        if upper_limit and row.verdict == "fail":
            row = row._replace(verdict="warn", source=HIDDEN)
        rows.append(row)
    return rows


def take_verdict(checks: Iterable[Check]) -> tuple[str, str]:
    """(worst verdict, reason in words) of a take; the reason names every check behind it."""
    rows = list(checks)
    for verdict in ("fail", "warn"):
        found = [row for row in rows if row.verdict == verdict]
        if found:
            return verdict, "; ".join(_words(row) for row in found)
    return "pass", ""


def _words(row: Check) -> str:
    """One check in words: its name, what it means, and its value where that tells more."""
    where = f" ({row.channel})" if row.channel else ""
    said = f"{row.check}{where}"
    if row.check in LIMITS:
        said += f": {LIMITS[row.check].meaning}"
    if row.limit == 0 and not row.unit:
        return said  # a matter of yes or no
    unit = f" {row.unit}" if row.unit else ""
    limit = "" if row.limit is None else f" (limit {row.limit:g})"
    return f"{said}, {row.value:.4g}{unit}{limit}"
