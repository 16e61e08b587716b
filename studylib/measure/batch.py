"""Measure a batch: every take checked and measured, gathered into long tables.

Order of work: the batch's room takes and calibrator first (the others are held against
them), then every take once. One fact a row; nothing is dropped: a take set aside keeps its
rows and its reason.

Functions: measure_batch, check_batch; BatchMeasurement.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studylib.errors import InputError
from studylib.measure import features as feature_rows
from studylib.measure.bench import bench_table
from studylib.measure.calibration import (
    OVER_NOISE_DB,
    RELATIVE,
    LevelScale,
    calibrator_tone,
    level_scale,
)
from studylib.measure.harmonic_rows import HARMONIC_COLUMNS, harmonic_rows
from studylib.measure.mode_rows import MODE_COLUMNS
from studylib.measure.rings import Ring, measure_ring
from studylib.measure.spectra import SPECTRA_COLUMNS, spectrum_rows
from studylib.measure.sweep_rows import SWEEP_COLUMNS
from studylib.measure.take import (
    TONE_ON,
    Expectation,
    NoiseLevels,
    TakeMeasurement,
    hum_of,
    measure_take,
)
from studylib.recordings import RecordingInfo, probe, sha256
from studylib.sheets import Study, Take
from studylib.sheets.settings import Settings
from studylib.signal import quality
from studylib.signal.limits import Limit, overridden

Progress = Callable[[int, int, str], None]

QUALITY_COLUMNS = ["take", "channel", "check", "value", "unit", "limit", "source", "verdict"]
FEATURE_COLUMNS = [
    "id", "take", "batch", "kind", "specimen", "wood", "mount", "repeat",
    "feature", "value", "unit", "u", "usable", "reason",
]  # fmt: skip
RINGING = ("tap", "sweep")
SILENT_KINDS = ("room", "airborne", "driver")  # the response may hold next to nothing


@dataclass(frozen=True)
class BatchMeasurement:
    """The tables of one batch (columns as in the module's constants and `spectra.py`)."""

    batch: str
    quality: pd.DataFrame
    features: pd.DataFrame
    spectra: pd.DataFrame
    harmonics: pd.DataFrame
    modes: pd.DataFrame
    sweeps: pd.DataFrame
    bench: pd.DataFrame


@dataclass(frozen=True)
class _Bench:
    """What every take of the batch is measured against."""

    limits: dict[str, Limit]
    channels: dict[str, int]
    rate_hz: int
    scale: LevelScale
    room: NoiseLevels | None  # at the bench's gain


def measure_batch(
    study: Study, batch: str, *, progress: Progress | None = None
) -> BatchMeasurement:
    """Measure and check every take of a batch.

    Parameters
    ----------
    study : from `sheets.read_study`.
    batch : name of the batch.
    progress : called as (done, total, what) before each take and once at the end.

    Raises
    ------
    InputError : an unknown batch, an unknown check in [quality].
    """
    takes = study.takes_of(batch)
    infos = {take.take: _probe(study, take) for take in takes}
    bench = _bench(study, takes, infos)
    checks: list[tuple] = []
    rows: list[tuple] = []
    spectra: list[tuple] = []
    harmonics: list[tuple] = []
    shown: set[str] = set()
    modes: list[tuple] = []
    sweeps = [pd.DataFrame(columns=SWEEP_COLUMNS)]
    for done, take in enumerate(takes):
        if progress:
            progress(done, len(takes), f"{take.kind} {take.take}")
        measured = _measure(study, take, infos[take.take], bench)
        ring = _ring(study, take, infos[take.take], measured, bench)
        if ring is not None:
            measured = replace(measured, checks=[*measured.checks, *ring.checks(bench.limits)])
        verdict, reason = quality.take_verdict(measured.checks)
        checks += _quality_rows(take, measured, verdict, reason)
        aside = _set_aside(take, verdict, reason)
        harmonics += harmonic_rows(
            take, measured, settings=study.settings, scale=bench.scale, usable=not aside
        )
        if take.kind in RINGING:
            about = {"wood": study.specimen(take.specimen).wood, "content": _content(study, take)}
            found = ring or Ring(said=reason)
            if take.kind == "tap" or ring is not None:
                modes += found.modes(take, aside=aside, **about)
            sweeps.append(found.sweeps(take, aside=aside))
            values = found.features(take, study=study, scale=bench.scale)
            rows += _labelled(study, take, values, about["content"], aside)
        role = feature_rows.role_of(take, study.settings)
        if role is None:
            continue
        rows += _feature_rows(study, take, measured, bench, role, aside)
        if role == 1 and not aside and take.specimen not in shown:
            shown.add(take.specimen)
            spectra += spectrum_rows(
                take,
                study.specimen(take.specimen).wood,
                measured.density,
                step_hz=measured.step_hz,
                offset_db=bench.scale.offset_db - take.gain_db,
            )
    if progress:
        progress(len(takes), len(takes), "done")
    return BatchMeasurement(
        batch=batch,
        quality=pd.DataFrame(checks, columns=QUALITY_COLUMNS),
        features=_typed(pd.DataFrame(rows, columns=FEATURE_COLUMNS)),
        spectra=pd.DataFrame(spectra, columns=SPECTRA_COLUMNS),
        harmonics=pd.DataFrame(harmonics, columns=HARMONIC_COLUMNS),
        modes=pd.DataFrame(modes, columns=MODE_COLUMNS),
        sweeps=_stacked(sweeps),
        bench=bench_table(study, batch, rate_hz=bench.rate_hz, scale=bench.scale, room=bench.room),
    )


def check_batch(study: Study, batch: str, *, progress: Progress | None = None) -> pd.DataFrame:
    """The quality table of a batch (see `measure_batch`)."""
    return measure_batch(study, batch, progress=progress).quality


def common_rate(study: Study) -> int:
    """The study's sampling rate in hertz: as set, else the commonest of its takes.

    Raises
    ------
    InputError : no take can be opened.
    """
    if study.settings.channels.rate_hz:
        return study.settings.channels.rate_hz
    rates = [info.rate_hz for take in study.takes if (info := _probe(study, take)).frames]
    if not rates:
        raise InputError(f"{study.name}: none of the recordings can be opened.")
    # The commonest; of equally common ones the highest, so that the order of rows is no matter.
    return max(set(rates), key=lambda rate: (rates.count(rate), rate))


def _probe(study: Study, take: Take) -> RecordingInfo:
    """The header, or a stand-in whose `remark` says why there is none."""
    path = study.path_of(take)
    try:
        return probe(path)
    except InputError as error:
        return RecordingInfo(path, 0, 0, 0, "", "", False, " ".join(error.faults))


def _bench(study: Study, takes: tuple[Take, ...], infos: dict[str, RecordingInfo]) -> _Bench:
    settings = study.settings
    channels = {"response": settings.channels.response - 1}
    if settings.channels.drive is not None:
        channels["drive"] = settings.channels.drive - 1
    bench = _Bench(overridden(settings.quality), channels, common_rate(study), RELATIVE, None)
    scale = level_scale(
        response_kind=settings.channels.response_kind,
        full_scale_db=settings.channels.full_scale_db,
        calibrator_db=settings.channels.calibrator_db,
        calibrator_readings=_calibrator_readings(study, takes, infos, bench),
    )
    bench = replace(bench, scale=scale)
    return replace(bench, room=_room(study, takes, infos, bench))


def _calibrator_readings(
    study: Study, takes: tuple[Take, ...], infos: dict[str, RecordingInfo], bench: _Bench
) -> list[float]:
    """dB re full scale, at the bench's gain, of every calibrator take that is fit for use."""
    return [
        measured.calibrator_db - take.gain_db
        for take in takes
        if take.kind == "calibrator" and not take.exclude
        and (measured := _measure(study, take, infos[take.take], bench)).calibrator_db is not None
        and quality.take_verdict(measured.checks)[0] != "fail"
    ]  # fmt: skip


def _room(
    study: Study, takes: tuple[Take, ...], infos: dict[str, RecordingInfo], bench: _Bench
) -> NoiseLevels | None:
    """Mean noise of the batch's usable room takes, brought to the bench's gain."""
    found = []
    for take in takes:
        if take.kind != "room" or take.exclude or not infos[take.take].frames:
            continue
        measured = _measure(study, take, infos[take.take], bench)
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


def _measure(study: Study, take: Take, info: RecordingInfo, bench: _Bench) -> TakeMeasurement:
    """One take with all its checks, those against the room included."""
    if not info.frames:
        row = quality.check("readable", 1.0, bench.limits)
        return TakeMeasurement([row._replace(source=info.remark)])
    settings = study.settings
    tone_on = TONE_ON.get(take.kind, ())
    channels = {
        name: index
        for name, index in bench.channels.items()
        if name == "response" or name in tone_on or take.kind == "sweep"
    }
    steady = bool(tone_on) or take.kind == "room"
    wanted = Expectation(
        rate_hz=bench.rate_hz,
        channels=channels,
        tone_hz=take.tone_hz if tone_on else None,
        tone_on=tuple(name for name in tone_on if name in channels),
        harmonics=settings.tone.harmonics,
        skip_s=settings.tone.skip_s if steady else 0.0,
        length_s=settings.tone.length_s if tone_on else None,
        may_be_silent=take.kind in SILENT_KINDS,
        lines_hz=_multiples(settings, bench.rate_hz) if take.kind == "sweep" else (),
    )
    measured = measure_take(study.path_of(take), info, wanted, bench.limits)
    if measured.noise is None:
        return measured
    if take.kind == "calibrator":
        tone = calibrator_tone(study.path_of(take), info, channel=channels["response"])
        lacking = OVER_NOISE_DB - tone.over_noise_db
        row = quality.check("tone_absent", lacking, bench.limits, channel="response")
        return replace(measured, checks=[*measured.checks, row], calibrator_db=tone.level_db)
    if not steady:
        return measured
    extra = list(_noise_checks(take, measured, bench, has_tone=bool(wanted.tone_on)))
    return replace(measured, checks=[*measured.checks, *extra])


def _multiples(settings: Settings, rate_hz: int) -> tuple[float, ...]:
    """The fundamental and its multiples below half the rate."""
    f = settings.tone.fundamental_hz
    return tuple(f * k for k in range(1, settings.tone.harmonics + 1) if 2 * f * k < rate_hz)


def _noise_checks(
    take: Take, measured: TakeMeasurement, bench: _Bench, *, has_tone: bool
) -> Iterator[quality.Check]:
    levels = _at_bench_gain(measured.noise_levels, take)
    fit, tone_power = measured.fit, None
    if fit is not None and fit.present[0, 0] and "response" in TONE_ON[take.kind]:
        tone_power = 0.5 * float(abs(fit.amplitude[0, 0])) ** 2
    room = bench.room if has_tone else None
    # 0 dB re full scale is a full-scale sine, whose mean square is a half.
    absolute = bench.scale.offset_db + 10.0 * np.log10(2.0)
    weigh = bench.scale.absolute
    yield from quality.noise_checks(
        bench.limits,
        channel="response",
        noise_power=levels.power,
        room_power=room.power if room else None,
        hum_power=hum_of(measured, tone_hz=fit.frequency_hz if fit else None)[0],
        tone_power=tone_power,
        upper_limit=measured.noise.upper_limit,
        noise_a_db=quality.decibels(levels.weighted) + absolute if weigh else None,
        room_a_db=quality.decibels(room.weighted) + absolute if weigh and room else None,
    )


def _set_aside(take: Take, verdict: str, reason: str) -> str:
    if take.exclude:
        return f"excluded: {take.reason}"
    return f"set aside: {reason}" if verdict == "fail" else ""


def _quality_rows(
    take: Take, measured: TakeMeasurement, verdict: str, reason: str
) -> Iterator[tuple]:
    for row in measured.checks:
        yield (take.take, *row)
    reason = f"excluded: {take.reason}" if take.exclude else reason
    verdict = "fail" if take.exclude else verdict
    yield (take.take, "", "take", float("nan"), "", None, reason, verdict)


def _feature_rows(
    study: Study,
    take: Take,
    measured: TakeMeasurement,
    bench: _Bench,
    role: int,
    aside: str,
) -> Iterator[tuple]:
    settings = study.settings
    if measured.fit is None:
        values = feature_rows.empty_features(role, settings, rate_hz=bench.rate_hz)
    elif role == 1:
        values = feature_rows.tone_features(
            measured, scale=bench.scale, gain_db=take.gain_db, settings=settings
        )
    else:
        values = feature_rows.probe_features(
            measured, k=role, scale=bench.scale, gain_db=take.gain_db, settings=settings
        )
    content = _content(study, take) if measured.fit is not None else ""
    yield from _labelled(study, take, values, content, aside)


def _labelled(
    study: Study, take: Take, values: Iterable[feature_rows.FeatureValue], content: str, aside: str
) -> Iterator[tuple]:
    """Rows of the features table from a take's values."""
    wood = study.specimen(take.specimen).wood
    for row in values:
        usable, reason = (False, aside) if aside else (row.usable, row.reason)
        key = hashlib.sha256(f"{take.take}|{content}|{row.feature}".encode()).hexdigest()[:12]
        yield (
            key, take.take, take.batch, take.kind, take.specimen, wood, take.mount, take.repeat,
            row.feature, row.value, row.unit, row.u, usable, reason,
        )  # fmt: skip


def _content(study: Study, take: Take) -> str:
    """A mark of what the recording holds; "" when there is none."""
    path = study.path_of(take)
    return sha256(path) if path.is_file() else ""


def _ring(
    study: Study, take: Take, info: RecordingInfo, measured: TakeMeasurement, bench: _Bench
) -> Ring | None:
    """The taps or the sweep of a take whose file can be read at the study's rate."""
    if take.kind not in RINGING or measured.noise is None or info.rate_hz != bench.rate_hz:
        return None
    channels = {
        name: number
        for name, number in bench.channels.items()
        if name == "response" or take.kind == "sweep"
    }
    return measure_ring(study, take, info, channels=channels)


def _stacked(frames: list[pd.DataFrame]) -> pd.DataFrame:
    full = [frame for frame in frames if not frame.empty]
    return pd.concat(full, ignore_index=True) if full else frames[0]


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    return table.astype({"value": float, "u": float, "usable": bool})
