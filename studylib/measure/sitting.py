"""What every take of a batch is measured against: the sitting's limits, rate, level and room.

The batch's room takes and its calibrator are measured first; the others are then held against
them. A take is measured here with all its checks, those against the room included.

Functions: common_rate, header_of, sitting_of, measured_at. Sitting.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from studylib.errors import InputError
from studylib.measure.calibration import (
    OVER_NOISE_DB,
    RELATIVE,
    LevelScale,
    calibrator_tone,
    level_scale,
)
from studylib.measure.rings import Ring, measure_ring
from studylib.measure.take import (
    TONE_ON,
    Expectation,
    NoiseLevels,
    TakeMeasurement,
    hum_of,
    measure_take,
)
from studylib.recordings import RecordingInfo, probe
from studylib.sheets import Study, Take
from studylib.sheets.settings import Settings
from studylib.signal import quality
from studylib.signal.limits import Limit, overridden

RINGING = ("tap", "sweep")
SILENT_KINDS = ("room", "airborne", "driver")  # the response may hold next to nothing


@dataclass(frozen=True)
class Sitting:
    """What every take of the batch is measured against.

    limits : the table of checks.  channels : name -> 0-based number, "response" first.
    scale : from full scale to a level.  room : noise of the room takes at the bench's gain.
    """

    limits: dict[str, Limit]
    channels: dict[str, int]
    rate_hz: int
    scale: LevelScale
    room: NoiseLevels | None


def common_rate(study: Study) -> int:
    """The study's sampling rate in hertz: as set, else the commonest of its takes.

    Raises
    ------
    InputError : no take can be opened.
    """
    if study.settings.channels.rate_hz:
        return study.settings.channels.rate_hz
    rates = [info.rate_hz for take in study.takes if (info := header_of(study, take)).frames]
    if not rates:
        raise InputError(f"{study.name}: none of the recordings can be opened.")
    # The commonest; of equally common ones the highest, so that the order of rows is no matter.
    return max(set(rates), key=lambda rate: (rates.count(rate), rate))


def header_of(study: Study, take: Take) -> RecordingInfo:
    """The header, or a stand-in whose `remark` says why there is none."""
    path = study.path_of(take)
    try:
        return probe(path)
    except InputError as error:
        return RecordingInfo(path, 0, 0, 0, "", "", False, " ".join(error.faults))


def sitting_of(study: Study, takes: tuple[Take, ...], infos: dict[str, RecordingInfo]) -> Sitting:
    """Limits, rate, level and room of a batch; `infos` holds the header of each take.

    Raises
    ------
    InputError : an unknown check in [quality], or no recording that can be opened.
    """
    settings = study.settings
    channels = {"response": settings.channels.response - 1}
    if settings.channels.drive is not None:
        channels["drive"] = settings.channels.drive - 1
    sitting = Sitting(overridden(settings.quality), channels, common_rate(study), RELATIVE, None)
    scale = level_scale(
        response_kind=settings.channels.response_kind,
        full_scale_db=settings.channels.full_scale_db,
        calibrator_db=settings.channels.calibrator_db,
        calibrator_readings=_calibrator_readings(study, takes, infos, sitting),
    )
    sitting = replace(sitting, scale=scale)
    return replace(sitting, room=_room(study, takes, infos, sitting))


def _calibrator_readings(
    study: Study, takes: tuple[Take, ...], infos: dict[str, RecordingInfo], sitting: Sitting
) -> list[float]:
    """dB re full scale, at the bench's gain, of every calibrator take that is fit for use."""
    readings = []
    for take in takes:
        if take.kind == "calibrator" and not take.exclude:
            measured, _ = measured_at(study, take, infos[take.take], sitting)
            fit = quality.take_verdict(measured.checks)[0] != "fail"
            if fit and measured.calibrator_db is not None:
                readings.append(measured.calibrator_db - take.gain_db)
    return readings


def _room(
    study: Study, takes: tuple[Take, ...], infos: dict[str, RecordingInfo], sitting: Sitting
) -> NoiseLevels | None:
    """Mean noise of the batch's usable room takes, brought to the bench's gain."""
    found = []
    for take in takes:
        if take.kind != "room" or take.exclude or not infos[take.take].frames:
            continue
        measured, _ = measured_at(study, take, infos[take.take], sitting)
        if quality.take_verdict(measured.checks)[0] != "fail" and measured.noise_levels:
            found.append(_at_bench_gain(measured.noise_levels, take))
    if not found:
        return None
    return NoiseLevels(
        float(np.mean([levels.power for levels in found])),
        float(np.mean([levels.weighted for levels in found])),
    )


def _at_bench_gain(levels: NoiseLevels, take: Take) -> NoiseLevels:
    factor = 10.0 ** (-take.gain_db / 10.0)
    return NoiseLevels(levels.power * factor, levels.weighted * factor)


def _steady_at(study: Study, take: Take, info: RecordingInfo, sitting: Sitting) -> TakeMeasurement:
    """One take without what rings in it, with its checks, those against the room included."""
    if not info.frames:
        row = quality.check("readable", 1.0, sitting.limits)
        return TakeMeasurement([row._replace(source=info.remark)])
    settings = study.settings
    tone_on = TONE_ON.get(take.kind, ())
    channels = {
        name: index
        for name, index in sitting.channels.items()
        if name == "response" or name in tone_on or take.kind == "sweep"
    }
    steady = bool(tone_on) or take.kind == "room"
    wanted = Expectation(
        rate_hz=sitting.rate_hz,
        channels=channels,
        tone_hz=take.tone_hz if tone_on else None,
        tone_on=tuple(name for name in tone_on if name in channels),
        harmonics=settings.tone.harmonics,
        skip_s=settings.tone.skip_s if steady else 0.0,
        length_s=settings.tone.length_s if tone_on else None,
        may_be_silent=take.kind in SILENT_KINDS,
        lines_hz=_multiples(settings, sitting.rate_hz) if take.kind == "sweep" else (),
    )
    measured = measure_take(study.path_of(take), info, wanted, sitting.limits)
    if measured.noise is None:
        return measured
    if take.kind == "calibrator":
        tone = calibrator_tone(study.path_of(take), info, channel=channels["response"])
        lacking = OVER_NOISE_DB - tone.over_noise_db
        row = quality.check("tone_absent", lacking, sitting.limits, channel="response")
        return replace(measured, checks=[*measured.checks, row], calibrator_db=tone.level_db)
    if not steady:
        return measured
    extra = list(_noise_checks(take, measured, sitting, has_tone=bool(wanted.tone_on)))
    return replace(measured, checks=[*measured.checks, *extra])


def _multiples(settings: Settings, rate_hz: int) -> tuple[float, ...]:
    """The fundamental and its multiples below half the rate."""
    f = settings.tone.fundamental_hz
    return tuple(f * k for k in range(1, settings.tone.harmonics + 1) if 2 * f * k < rate_hz)


def _noise_checks(
    take: Take, measured: TakeMeasurement, sitting: Sitting, *, has_tone: bool
) -> Iterator[quality.Check]:
    levels = _at_bench_gain(measured.noise_levels, take)
    fit, tone_power = measured.fit, None
    if fit is not None and fit.present[0, 0] and "response" in TONE_ON[take.kind]:
        tone_power = 0.5 * float(abs(fit.amplitude[0, 0])) ** 2
    room = sitting.room if has_tone else None
    # 0 dB re full scale is a full-scale sine, whose mean square is a half.
    absolute = sitting.scale.offset_db + 10.0 * np.log10(2.0)
    weigh = sitting.scale.absolute
    yield from quality.noise_checks(
        sitting.limits,
        channel="response",
        noise_power=levels.power,
        room_power=room.power if room else None,
        hum_power=hum_of(measured, tone_hz=fit.frequency_hz if fit else None)[0],
        tone_power=tone_power,
        upper_limit=measured.noise.upper_limit,
        noise_a_db=quality.decibels(levels.weighted) + absolute if weigh else None,
        room_a_db=quality.decibels(room.weighted) + absolute if weigh and room else None,
    )


def measured_at(
    study: Study, take: Take, info: RecordingInfo, sitting: Sitting
) -> tuple[TakeMeasurement, Ring | None]:
    """One take with all its checks, and what rings in it.

    Whatever is wrong with its recording fails this take and no other.
    """
    try:
        measured = _steady_at(study, take, info, sitting)
        ring = _ring_at(study, take, info, measured, sitting)
    except InputError as error:
        row = quality.check("readable", 1.0, sitting.limits)
        return TakeMeasurement([row._replace(source=" ".join(error.faults))]), None
    if ring is not None:
        measured = replace(measured, checks=[*measured.checks, *ring.checks(sitting.limits)])
    return measured, ring


def _ring_at(
    study: Study, take: Take, info: RecordingInfo, measured: TakeMeasurement, sitting: Sitting
) -> Ring | None:
    """The taps or the sweep of a take whose file can be read at the study's rate."""
    if take.kind not in RINGING or measured.noise is None or info.rate_hz != sitting.rate_hz:
        return None
    channels = {
        name: number
        for name, number in sitting.channels.items()
        if name == "response" or take.kind == "sweep"
    }
    return measure_ring(study, take, info, channels=channels)
