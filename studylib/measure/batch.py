"""Measure a batch: every take checked and measured, gathered into long tables.

Order of work: the batch's room takes and calibrator first (the others are held against
them), then every take once. One fact a row; nothing is dropped: a take set aside keeps its
rows and its reason.

Functions: measure_batch, check_batch; BatchMeasurement.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import pandas as pd

from studylib.codes import note
from studylib.codes.takes import Unused
from studylib.measure import features as feature_rows
from studylib.measure.bench import bench_table
from studylib.measure.harmonic_rows import HARMONIC_COLUMNS, harmonic_rows
from studylib.measure.rings import MODE_COLUMNS, Ring
from studylib.measure.sitting import (
    RINGING,
    Sitting,
    header_of,
    measured_at,
    sitting_of,
)
from studylib.measure.spectra import SPECTRA_COLUMNS, spectrum_rows
from studylib.measure.sweep_rows import SWEEP_COLUMNS
from studylib.measure.take import (
    TakeMeasurement,
)
from studylib.recordings import sha256
from studylib.sheets import Study, Take
from studylib.signal import quality

Progress = Callable[[int, int, str], None]

QUALITY_COLUMNS = ["take", "channel", "check", "value", "unit", "limit", "source", "verdict"]
FEATURE_COLUMNS = [
    "id", "take", "batch", "kind", "specimen", "wood", "mount", "repeat",
    "feature", "value", "unit", "u", "usable", "reason",
]  # fmt: skip


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


def measure_batch(
    study: Study, batch: str, *, progress: Progress | None = None
) -> BatchMeasurement:
    """Measure and check every take of a batch.

    Parameters
    ----------
    study : from `sheets.read_study`.
    batch : name of the batch.
    progress : called as (done, total, what) before each take and once at the end.

    Returns
    -------
    The tables of the batch, the checks of every take among them.

    Raises
    ------
    InputError : an unknown batch, an unknown check in [quality].

    Examples
    --------
    >>> measured = st.measure_batch(study, "day1")
    >>> "fail" in set(measured.quality["verdict"])
    True
    """
    takes = study.takes_of(batch)
    infos = {take.take: header_of(study, take) for take in takes}
    sitting = sitting_of(study, takes, infos)
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
        measured, ring = measured_at(study, take, infos[take.take], sitting)
        verdict, reason = quality.take_verdict(measured.checks)
        checks += _quality_rows(take, measured, verdict, reason)
        aside = _set_aside(take, verdict, reason)
        harmonics += harmonic_rows(
            take, measured, settings=study.settings, scale=sitting.scale, usable=not aside
        )
        if take.kind in RINGING:
            about = {"wood": study.specimen(take.specimen).wood, "content": _content(study, take)}
            found = ring or Ring(reason="" if aside else reason)
            if take.kind == "tap" or ring is not None:
                modes += found.modes(take, aside=aside, **about)
            sweeps.append(found.sweeps(take, aside=aside))
            values = found.features(take, study=study, scale=sitting.scale)
            rows += _labelled(study, take, values, about["content"], aside)
        role = feature_rows.role_of(take, study.settings)
        if role is None:
            continue
        rows += _feature_rows(study, take, measured, sitting, role, aside)
        if role == 1 and not aside and take.specimen not in shown:
            shown.add(take.specimen)
            spectra += spectrum_rows(
                take,
                study.specimen(take.specimen).wood,
                measured.density,
                step_hz=measured.step_hz,
                offset_db=sitting.scale.offset_db - take.gain_db,
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
        bench=bench_table(
            study, batch, rate_hz=sitting.rate_hz, scale=sitting.scale, room=sitting.room
        ),
    )


def check_batch(study: Study, batch: str, *, progress: Progress | None = None) -> pd.DataFrame:
    """The quality table of a batch (see `measure_batch`)."""
    return measure_batch(study, batch, progress=progress).quality


def _set_aside(take: Take, verdict: str, reason: str) -> str:
    if take.exclude:
        return note(Unused.EXCLUDED, reason=take.reason)
    return note(Unused.SET_ASIDE, checks=[reason]) if verdict == "fail" else ""


def _quality_rows(
    take: Take, measured: TakeMeasurement, verdict: str, reason: str
) -> Iterator[tuple]:
    for row in measured.checks:
        yield (take.take, *row)
    if take.exclude:
        verdict, reason = "fail", note(Unused.EXCLUDED, reason=take.reason)
    yield (take.take, "", "take", float("nan"), "", None, reason, verdict)


def _feature_rows(
    study: Study,
    take: Take,
    measured: TakeMeasurement,
    sitting: Sitting,
    role: int,
    aside: str,
) -> Iterator[tuple]:
    settings = study.settings
    if measured.fit is None:
        values = feature_rows.empty_features(role, settings, rate_hz=sitting.rate_hz)
    elif role == 1:
        values = feature_rows.tone_features(
            measured, scale=sitting.scale, gain_db=take.gain_db, settings=settings
        )
    else:
        values = feature_rows.probe_features(
            measured, k=role, scale=sitting.scale, gain_db=take.gain_db, settings=settings
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


def _stacked(frames: list[pd.DataFrame]) -> pd.DataFrame:
    full = [frame for frame in frames if not frame.empty]
    return pd.concat(full, ignore_index=True) if full else frames[0]


def _typed(table: pd.DataFrame) -> pd.DataFrame:
    return table.astype({"value": float, "u": float, "usable": bool})
