"""The features of one measured take: which numbers its kind gives, with unit and uncertainty.

A steady tone on the bench at the study's fundamental and full drive gives `tone.*`; at a
multiple k of it, a probe tone, `probe.k{k}.*`, also at lower drive where the drive is sensed: the
ratio does not ask for the level. Otherwise a tone at lower drive gives nothing, nor does one with
the bench changed on purpose (`Take.is_test`): these takes serve the attribution only. A take that
is set aside keeps its rows, unusable and with the reason.

To add a feature: compute it in `signal/`, yield it here, and register it in `register.py`; a take
that could not be measured gets its empty row from the register.

Functions: tone_order, has_sensed_drive, tone_features, probe_features, empty_features.
"""

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from studylib import codes, register, sheets
from studylib.measure.harmonic_rows import tone_multiple
from studylib.measure.take import LevelScale, TakeMeasurement
from studylib.sheets.settings import Settings
from studylib.signal import harmonics, tone
from studylib.signal.bands import octave_bands
from studylib.signal.partials import Kind as Partial

SENSING = ("force", "acceleration")  # drive channels that sense what enters the board
FOREIGN_SHARE = 0.01  # of the power behind a sum over harmonics: partials that are none spoil it


class FeatureValue(NamedTuple):
    """One feature of one take."""

    feature: str
    value: float
    unit: str
    u: float
    usable: bool
    reason: str


def tone_order(take: sheets.Take, settings: Settings) -> int | None:
    """1 for a tone at the fundamental, k for a probe tone at k times it, None for the rest."""
    if take.kind != "tone" or take.support != "bench" or take.is_test:
        return None
    k = tone_multiple(take.tone_hz, fundamental_hz=settings.tone.fundamental_hz)
    return (
        k
        if take.drive_db == 0 or (k is not None and k > 1 and has_sensed_drive(settings))
        else None
    )


def has_sensed_drive(settings: Settings) -> bool:
    """The drive channel senses force or acceleration at the driving point."""
    return settings.channels.drive is not None and settings.channels.drive_kind in SENSING


def tone_features(
    measured: TakeMeasurement, *, scale: LevelScale, gain_db: float, settings: Settings
) -> Iterator[FeatureValue]:
    """`tone.*` of one take with a fit. Levels are brought to the bench's gain."""
    fit, channel = measured.fit, 0
    offset = scale.offset_db - gain_db
    present = fit.present[channel]
    foreign = [_unsettled(fit, channel, k) for k in range(1, present.size + 1)]
    for k, why in enumerate(foreign, start=1):
        reason = why or ("" if present[k - 1] else "takes.below_noise")
        level = harmonics.level_db(fit, channel=channel, harmonic=k)
        yield FeatureValue(
            f"tone.h{k}.level_db", level.value + offset, scale.unit, level.u, not reason, reason
        )
        if k > 1:
            ratio = harmonics.relative_db(fit, channel=channel, harmonic=k)
            reason = reason or foreign[0]
            yield FeatureValue(f"tone.h{k}.rel_db", ratio.value, "dB", ratio.u, not reason, reason)
    if has_sensed_drive(settings):
        yield from _response("tone.h1", measured)
    distortion = harmonics.distortion_percent(fit, channel=channel)
    heard = bool(present[1:].any()) and distortion.value > 0
    reason = foreign[0] or _of_sum(fit, channel, foreign, first=2)
    reason = reason or ("" if heard else "takes.below_noise")
    yield FeatureValue("tone.thd_percent", distortion.value, "%", distortion.u, not reason, reason)
    base = 0.5 * abs(fit.amplitude[channel, 0]) ** 2
    for band in measured.noise.bands():
        if band.power > 0:
            value = 10.0 * float(np.log10(band.power / base))
            u = 10.0 / float(np.log(10.0)) * band.u_relative
            reason = foreign[0] or ("" if band.told else "takes.band_filled")
            yield FeatureValue(
                f"tone.band{band.nominal}.rel_db", value, "dB", u, not reason, reason
            )
    centroid = harmonics.centroid_hz(fit, channel=channel)
    reason = _of_sum(fit, channel, foreign, first=1)
    yield FeatureValue("tone.centroid_hz", centroid.value, "Hz", centroid.u, not reason, reason)
    frequency, u = fit.frequency_hz, fit.u_frequency_hz
    yield FeatureValue("tone.frequency_hz", frequency, "Hz", u, not foreign[0], foreign[0])


def _unsettled(fit: tone.ToneFit, channel: int, k: int) -> str:
    """Why the level at the k-th multiple is no harmonic's, as a note; "" where it may be one."""
    partials, at = fit.partials, (channel, k - 1)
    if not partials.no_level[at]:
        return ""
    if partials.kind[at] == Partial.OFF:
        cents, u = partials.cents(fit.frequency_hz)
        return codes.note("takes.off_multiple", harmonic=k, cents=float(cents[at]), u=float(u[at]))
    swing, apart = float(partials.swing_db[at]), float(partials.apart_hz[at])
    return (
        codes.note("takes.drifts", harmonic=k, change_db=swing)
        if partials.kind[at] == Partial.DRIFTING
        else codes.note("takes.beats", harmonic=k, swing_db=swing, apart_hz=apart)
    )


def _of_sum(fit: tone.ToneFit, channel: int, foreign: Sequence[str], *, first: int) -> str:
    """Why a sum over the harmonics from `first` on is none, as its strongest foreign one says."""
    power = np.abs(fit.amplitude[channel, first - 1 :]) ** 2
    none = np.where(np.array(foreign[first - 1 :]) != "", power, 0.0)
    return (
        foreign[first - 1 + int(np.argmax(none))]
        if none.sum() > FOREIGN_SHARE * power.sum()
        else ""
    )


def probe_features(
    measured: TakeMeasurement,
    *,
    k: int,
    scale: LevelScale,
    gain_db: float,
    settings: Settings,
) -> Iterator[FeatureValue]:
    """`probe.k{k}.*` of one probe tone: relative to a sensed drive, else a level."""
    if has_sensed_drive(settings):
        yield from _response(f"probe.k{k}", measured)
        return
    level = harmonics.level_db(measured.fit, channel=0, harmonic=1)
    reason = _unsettled(measured.fit, 0, 1) or (
        "" if measured.fit.present[0, 0] else "takes.below_noise"
    )
    yield FeatureValue(
        f"probe.k{k}.level_db", level.value + scale.offset_db - gain_db, scale.unit, level.u,
        not reason, reason,
    )  # fmt: skip


def _response(stem: str, measured: TakeMeasurement) -> Iterator[FeatureValue]:
    """Response over drive at the take's own tone.

    The recorder's gain acts on all channels alike, so that it leaves the ratio alone.
    """
    ratio, phase = harmonics.response(measured.fit, response=0, drive=measured.names.index("drive"))
    fit = measured.fit
    reason = "" if fit.present[:, 0].all() else "takes.below_noise"
    reason = next(filter(None, (_unsettled(fit, c, 1) for c in range(len(fit.present)))), reason)
    yield FeatureValue(f"{stem}.response_db", ratio.value, "dB", ratio.u, not reason, reason)
    yield FeatureValue(f"{stem}.response_deg", phase.value, "deg", phase.u, not reason, reason)


def empty_features(k: int, settings: Settings, *, rate_hz: int) -> Iterator[FeatureValue]:
    """The same names without values, for a take that could not be measured at all.

    k : order of the take's tone, 1 for the fundamental.
    """
    highest = min(settings.tone.harmonics, int(rate_hz / 2 / settings.tone.fundamental_hz * 0.999))
    bands = [band.nominal for band in octave_bands(rate_hz)]
    sensed = has_sensed_drive(settings)
    for family in register.of_kind(register.Kind.TONE if k == 1 else register.Kind.PROBE):
        if family.pattern.endswith((".response_db", ".response_deg")):
            orders = (k,) if sensed else ()  # relative to the drive: only at the tone itself
        elif k > 1:
            orders = () if sensed else (k,)
        else:
            orders = range(1, highest + 1)
        numbers = map(str, orders) if family.harmonic else bands if family.numbers else ("",)
        for name in dict.fromkeys(family.pattern.format(number) for number in numbers):
            if family.match(name):
                yield FeatureValue(name, math.nan, "", math.nan, False, "")
