"""What every take of a batch is measured against: the session's limits, rate, level and room.

The batch's room takes and its calibrator are measured first; the others are then held against
them. A take is measured here with all its checks, those against the room included.

Functions: common_rate, header_of, session_of, measured_at, clocks_note, bench_table.
Session.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studylib import errors, recordings, sheets, tables
from studylib.codes import checks, note, several
from studylib.measure.rings import Ring, measure_ring
from studylib.measure.take import (
    OVER_NOISE_DB,
    RELATIVE,
    TONE_ON,
    Expectation,
    LevelScale,
    TakeMeasurement,
    calibrator_tone,
    hum_of,
    level_scale,
    measure_take,
    unreadable,
)
from studylib.signal import quality
from studylib.signal.noise import NoiseSpectrum

FIRST_KINDS = ("room", "calibrator")  # what the other takes of a batch are held against
SILENT_KINDS = ("room", "idle", "airborne", "driver")  # the response may hold next to nothing


@dataclass(frozen=True)
class Session:
    """What every take of the batch is measured against.

    limits : the table of checks.  channels : name -> 0-based number, "response" first.
    scale : from full scale to a level.  room : mean square of the noise of the room takes at the
    bench's gain, and the same A-weighted.
    """

    limits: dict[str, quality.Entry]
    channels: dict[str, int]
    rate_hz: int
    scale: LevelScale
    room: tuple[float, float] | None


def common_rate(study: sheets.Study) -> int:
    """The study's sampling rate: as set, else the commonest of its takes.

    Parameters
    ----------
    study : from `sheets.read_study`.

    Returns
    -------
    The rate, hertz.

    Raises
    ------
    InputError : no take can be opened.
    """
    if study.settings.channels.rate_hz:
        return study.settings.channels.rate_hz
    rates = [info.rate_hz for take in study.takes if (info := header_of(study, take)).frames]
    errors.InputError.refuse(not rates, "measure.none_opens", study=study.name)
    # The commonest; of equally common ones the highest, so that the order of rows is no matter.
    return max(set(rates), key=lambda rate: (rates.count(rate), rate))


def header_of(study: sheets.Study, take: sheets.Take) -> recordings.RecordingInfo:
    """The header, or a stand-in whose `remark` holds why there is none."""
    path = study.path_of(take)
    try:
        return recordings.probe(path)
    except errors.InputError as error:
        notes = [recordings.in_study(one, study.settings.channels.rate_hz) for one in error.notes]
        return recordings.RecordingInfo(path, 0, 0, 0, "", "", False, several(notes))


def session_of(
    study: sheets.Study, takes: tuple[sheets.Take, ...], infos: dict[str, recordings.RecordingInfo]
) -> Session:
    """Limits, rate, level and room of a batch; `infos` holds the header of each take.

    Raises
    ------
    InputError : an unknown check in [quality], or no recording that can be opened.
    """
    settings = study.settings
    numbered = {"response": settings.channels.response, "drive": settings.channels.drive}
    channels = {name: number - 1 for name, number in numbered.items() if number is not None}
    session = Session(
        quality.overridden(settings.quality), channels, common_rate(study), RELATIVE, None
    )

    def usable(kind: str) -> Iterator[tuple[sheets.Take, TakeMeasurement]]:
        for take in takes:
            if take.kind == kind and not take.exclude:
                measured, _ = measured_at(study, take, infos[take.take], session)
                if all(row.verdict != checks.Verdict.FAIL for row in measured.checks):
                    yield take, measured

    session = replace(
        session,
        scale=level_scale(
            settings.channels,
            # dB re full scale, at the bench's gain.
            [
                measured.calibrator_db - take.gain_db
                for take, measured in usable("calibrator")
                if measured.calibrator_db is not None
            ],
        ),
    )
    found = [
        _at_bench_gain(measured.noise, take)
        for take, measured in usable("room")
        if measured.noise is not None
    ]
    # The mean over the usable room takes, brought to the bench's gain.
    return replace(session, room=tuple(float(np.mean(p)) for p in zip(*found, strict=True)) or None)


def _at_bench_gain(noise: NoiseSpectrum, take: sheets.Take) -> tuple[float, float]:
    """Broadband and A-weighted noise of the response, tone taken out."""
    factor = 10.0 ** (-take.gain_db / 10.0)
    return noise.power() * factor, noise.weighted_power() * factor


def _steady_at(
    study: sheets.Study, take: sheets.Take, info: recordings.RecordingInfo, session: Session
) -> TakeMeasurement:
    """One take without what rings in it, with its checks, those against the room included."""
    if not info.frames:
        return TakeMeasurement([unreadable(info.remark, session.limits)])
    settings = study.settings
    tone_on, f = TONE_ON.get(take.kind, ()), settings.tone.fundamental_hz
    channels = {
        name: index
        for name, index in session.channels.items()
        if name == "response" or name in tone_on or take.kind == "sweep"
    }
    steady = bool(tone_on) or take.kind in ("room", "idle")
    wanted = Expectation(
        rate_hz=session.rate_hz,
        channels=channels,
        tone_hz=take.tone_hz if tone_on else None,
        tone_on=tuple(name for name in tone_on if name in channels),
        harmonics=settings.tone.harmonics,
        skip_s=settings.tone.skip_s if steady else 0.0,
        length_s=settings.tone.length_s if tone_on else None,
        may_be_silent=take.kind in SILENT_KINDS,
        # The fundamental and its multiples below half the rate.
        lines_hz=tuple(
            f * k
            for k in range(1, settings.tone.harmonics + 1)
            if take.kind == "sweep" and 2 * f * k < session.rate_hz
        ),
        played_hz=(settings.sweep.highest_hz or 0.0) if take.kind == "sweep" else None,
    )
    measured = measure_take(study.path_of(take), info, wanted, session.limits)
    if measured.noise is None:
        return measured
    if take.kind == "calibrator":
        level_db, over_db = calibrator_tone(study.path_of(take), info, channel=channels["response"])
        absent_db = OVER_NOISE_DB - over_db
        rows = [quality.check("tone_absent", absent_db, session.limits, channel="response")]
        measured = replace(measured, calibrator_db=level_db)
    else:
        has_tone = bool(wanted.tone_on)
        rows = _noise_checks(take, measured, session, has_tone=has_tone) if steady else ()
    return replace(measured, checks=[*measured.checks, *rows])


def _noise_checks(
    take: sheets.Take, measured: TakeMeasurement, session: Session, *, has_tone: bool
) -> Iterator[quality.Check]:
    power, weighted = _at_bench_gain(measured.noise, take)
    fit = measured.fit
    heard = fit is not None and fit.present[0, 0] and "response" in TONE_ON[take.kind]
    room = session.room if has_tone else None
    # 0 dB re full scale is a full-scale sine, whose mean square is a half.
    absolute = session.scale.offset_db + 10.0 * np.log10(2.0)
    weigh = session.scale.absolute
    yield from quality.noise_checks(
        session.limits,
        channel="response",
        noise_power=power,
        room_power=room[0] if room else None,
        hum_power=hum_of(measured)[0],
        tone_power=0.5 * float(abs(fit.amplitude[0, 0])) ** 2 if heard else None,
        upper_limit=bool(measured.noise.hidden.any()),
        noise_a_db=quality.decibels(weighted) + absolute if weigh else None,
        room_a_db=quality.decibels(room[1]) + absolute if weigh and room else None,
    )


def measured_at(
    study: sheets.Study, take: sheets.Take, info: recordings.RecordingInfo, session: Session
) -> tuple[TakeMeasurement, Ring | None]:
    """One take with all its checks, and what rings in it.

    Whatever is wrong with its recording fails this take and no other.
    """
    try:
        measured = _steady_at(study, take, info, session)
        channels = {
            name: number
            for name, number in session.channels.items()
            if name == "response" or take.kind == "sweep"
        }
        whole = measured.noise is not None and info.rate_hz == session.rate_hz
        ring = measure_ring(study, take, info, channels=channels) if whole else None
    except errors.InputError as error:
        return TakeMeasurement([unreadable(several(error.notes), session.limits)]), None
    if ring is not None:
        measured = replace(measured, checks=[*measured.checks, *ring.checks(session.limits)])
    return measured, ring


# The facts of the session


def bench_table(
    study: sheets.Study,
    batch: str,
    session: Session,
    *,
    clocks: str = "",
    lines: Iterable[str] = (),
) -> pd.DataFrame:
    """Columns item, value (notes): what was recorded, with which channels, levels and air.

    clocks : from `clocks_note`.
    lines : what is to be warned of lines near the multiples of the tone.
    """
    takes = study.takes_of(batch)
    channels, tone = study.settings.channels, study.settings.tone
    rows = {
        "batch": note("measure.names", names=[batch]),
        "takes": note("measure.takes", kinds=Counter(take.kind for take in takes)),
        "specimens": note(
            "measure.names",
            names=list(dict.fromkeys(take.specimen for take in takes if take.specimen)),
        ),
        "tone": note(
            "measure.tone",
            fundamental_hz=tone.fundamental_hz,
            length_s=tone.length_s,
            skip_s=tone.skip_s,
        ),
        "sampling rate": note(
            "measure.rate", rate_hz=session.rate_hz, given=bool(channels.rate_hz)
        ),
        "response": _channel(channels.response_kind, channels.response),
        "drive": _channel(channels.drive_kind, channels.drive),
        "clocks": clocks,
        "levels": session.scale.basis,
        "room noise": _room_noise(session),
        "temperature": _range([take.temperature_c for take in takes], "°C"),
        "humidity": _range([take.humidity_pct for take in takes], "%"),
        "started": _started(takes),
        "warning": several([session.scale.warning, *lines]),
    }
    return tables.typed("bench", [(item, value) for item, value in rows.items() if value])


def clocks_note(features: pd.DataFrame, takes: Iterable[sheets.Take]) -> str:
    """How far the tones of a batch lie from tone_hz, as one recorder reads them; "" without any.

    features : the table.  A tone that no two clocks explain is left out.
    """
    rows = features[(features["feature"] == "tone.frequency_hz") & features["usable"]]
    hz = rows["take"].map({take.take: take.tone_hz for take in takes}).astype(float)
    every = 1e6 * (rows["value"] / hz - 1.0)
    ppm = every[every.abs() <= quality.CHECKS["tone_ppm"].warn]
    told = {"ppm": ppm.median(), "low": ppm.min(), "high": ppm.max(), "takes": len(ppm)}
    return note("measure.clocks", **told, u=(1e6 * rows["u"] / hz).median()) if len(ppm) else ""


def _channel(kind: str, number: int | None) -> str:
    return note("measure.channel", kind=kind, number=number) if number else "measure.no_channel"


def _room_noise(session: Session) -> str:
    if session.room is None:
        return "measure.no_room"
    levels = [
        10.0 * float(np.log10(max(2.0 * power, 1e-40))) + session.scale.offset_db
        for power in session.room
    ]
    return note(
        "measure.room", level_db=levels[0], unit=session.scale.unit,
        **({"weighted_db": levels[1]} if session.scale.absolute else {}),
    )  # fmt: skip


def _range(values: list[float | None], unit: str) -> str:
    given = [value for value in values if value is not None]
    return (
        note("measure.range", low=min(given), high=max(given), unit=unit)
        if given
        else "measure.not_given"
    )


def _started(takes: tuple[sheets.Take, ...]) -> str:
    given = [take.started for take in takes if take.started is not None]
    return (
        note(
            "measure.times",
            first=min(given).isoformat(sep=" "),
            last=max(given).isoformat(sep=" "),
        )
        if given
        else "measure.not_given"
    )
