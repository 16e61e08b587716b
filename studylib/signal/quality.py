"""Is a take fit for use? The checks of one take, each a value held against a limit.

The checks take what the measurement worked out anyway (file facts, sample facts, tone fit,
noise), so that nothing is read or transformed twice.

Functions: file_checks, sample_checks, tone_checks, noise_checks, take_verdict.
Source: limits.py names the source of each limit; IEC 61672-1 for the A-weighting.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import numpy as np

from studylib.signal.hum import distance_from_mains
from studylib.signal.limits import Limit, judge
from studylib.signal.samples import SampleFacts, allowed_run
from studylib.signal.tone import ToneFit

FLOOR_DB = -400.0  # stands for a level of zero, so that a table holds no infinity


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
    return 10.0 * float(np.log10(power)) if power > 0 else FLOOR_DB


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
    step: float,
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
    quiet = decibels(2.0 * facts.mean_square)
    if not may_be_silent or facts.mean_square == 0.0:
        rows.append(check("silence", quiet, table, channel=channel))
    span = 0.5 * (facts.highest - facts.lowest)
    allowed = allowed_run(peak=span, step=step, tone_hz=tone_hz or 50.0, rate_hz=rate_hz)
    # A channel near the smallest step is all flat tops; it cannot have met a rail.
    too_long = max(0, facts.run - allowed) if span > 100 * step else 0
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
    missing = decibels(fit.presence_amplitude[index, 0] ** 2) - decibels(amplitude**2)
    rows = [check("tone_absent", missing, table, channel=channel)]
    if rows[0].verdict == "fail":
        return rows
    drift = fit.drift_hz_s * fit.seconds / fit.frequency_hz
    envelope = np.abs(fit.envelope[index])
    departure = np.abs(20.0 * np.log10(np.maximum(envelope, 1e-20))).max()
    rows += [
        check("tone_ppm", 1e6 * abs(fit.frequency_hz / tone_hz - 1.0), table, channel=channel),
        check("drift_ppm", 1e6 * abs(drift), table, channel=channel),
        check("steady", departure, table, channel=channel),
        check("bump", facts.block_high_db, table, channel=channel),
        check("dropout", -facts.block_low_db, table, channel=channel),
        check("click", facts.click, table, channel=channel),
        check("mains", distance_from_mains(tone_hz), table, channel=channel),
    ]
    return rows + _harmonic_checks(fit, table, channel=channel, index=index)


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
    noise_a_db: float | None = None,
    room_a_db: float | None = None,
) -> list[Check]:
    """Checks on the noise of a channel. Powers are mean squares at the bench's gain.

    hum_power : of the strongest mains line (0: none stands out), held against the tone's
        power; without a tone there is nothing to hold it against.
    noise_a_db, room_a_db : A-weighted sound pressure levels, only when calibrated.
    """
    rows = []
    if tone_power:
        rows.append(check("hum", decibels(hum_power / tone_power), table, channel=channel))
    if room_power is not None:
        excess = decibels(noise_power) - decibels(room_power)
        rows.append(check("noise_over_room", excess, table, channel=channel))
    if noise_a_db is not None:
        rows.append(check("noise_a", noise_a_db, table, channel=channel))
        if room_a_db is not None:
            rows.append(check("noise_over_room_a", noise_a_db - room_a_db, table, channel=channel))
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
    where = f" ({row.channel})" if row.channel else ""
    limit = "" if row.limit is None else f", limit {row.limit:g}"
    unit = f" {row.unit}" if row.unit else ""
    return f"{row.check}{where} {row.value:.4g}{unit}{limit}"
