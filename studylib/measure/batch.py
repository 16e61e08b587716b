"""Measure a batch: every take checked and measured, gathered into long tables.

Order of work: the batch's room takes and calibrator first (the others are held against
them), then every take once. One fact a row; nothing is dropped: a take set aside keeps its
rows and its reason.

Spectra are for the figures: one take a specimen, thinned without losing a peak. A line's level is
that of a sine in the response, in the batch's level unit; cells of 1/96 octave keep their highest
bin, so that a harmonic's height survives.

Functions: measure_batch, spectrum_rows. Class: BatchMeasurement.
"""

import hashlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import codes, register, sheets, tables
from studylib.codes.checks import Verdict
from studylib.codes.features import Term
from studylib.measure import features as feature_rows
from studylib.measure import rings
from studylib.measure.harmonic_rows import Beside, harmonic_rows, line_notes, lines_of
from studylib.measure.session import (
    Session,
    bench_table,
    clocks_note,
    header_of,
    measured_at,
    session_of,
)
from studylib.measure.take import TakeMeasurement
from studylib.sheets.files import sha256
from studylib.signal import noise, quality

Progress = Callable[[int, int, str], None]

RINGING = ("tap", "sweep")
LOWEST_HZ = 20.0  # of a spectrum that is drawn
CELLS_PER_OCTAVE = 96


@dataclass(frozen=True)
class Measured:
    """What is measured, as `studylib.tables` declares it: a frame each."""

    quality: pd.DataFrame
    features: pd.DataFrame
    spectra: pd.DataFrame
    harmonics: pd.DataFrame
    modes: pd.DataFrame
    curves: pd.DataFrame
    bench: pd.DataFrame


@dataclass(frozen=True)
class BatchMeasurement(Measured):
    """The tables of one batch, as `studylib.tables` declares them.

    Attributes
    ----------
    batch : its name.
    quality, features, spectra, harmonics, modes, curves, bench : a frame each; the modes
        have no numbers yet, which only the whole study can give.
    """

    batch: str


def measure_batch(
    study: sheets.Study, batch: str, *, progress: Progress | None = None
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
    InputError : an unknown batch, an unknown check in [quality], or no recording of the study that
        can be opened. Whatever else is wrong with a recording sets aside its take alone.

    Examples
    --------
    >>> measured = st.measure_batch(study, "day1")
    >>> "fail" in set(measured.quality["verdict"])
    True
    """
    takes = study.takes_of(batch)
    infos = {take.take: header_of(study, take) for take in takes}
    session = session_of(study, takes, infos)
    rows: dict[str, list] = {
        name: [] for name in ("quality", "features", "spectra", "harmonics", "modes")
    }
    curves: list[pd.DataFrame] = []
    shown: set[str] = set()
    near: list[Beside | None] = []
    for done, take in enumerate(takes):
        if progress:
            progress(done, len(takes), f"{take.kind} {take.take}")
        measured, ring = measured_at(study, take, infos[take.take], session)
        verdict, reason = quality.take_verdict(measured.checks)
        near.append(lines_of(take, measured, study.settings.tone))
        rows["quality"] += _quality_rows(take, measured, verdict, reason)
        aside = (
            codes.note("takes.set_aside", checks=codes.each(reason))
            if verdict == Verdict.FAIL
            else ""
        )
        if take.exclude:
            aside = codes.note("takes.excluded", reason=take.reason)
        rows["harmonics"] += harmonic_rows(
            take,
            measured,
            settings=study.settings,
            scale=session.scale,
            usable=not (aside or _hides(measured)),
        )
        if take.kind in RINGING:
            about = {"wood": study.specimen(take.specimen).wood, "content": _content(study, take)}
            found = ring or rings.Ring(reason="" if aside else reason)
            if take.kind == "tap" or ring is not None:
                rows["modes"] += [(*row, None) for row in found.modes(take, aside=aside, **about)]
            levels = {"study": study, "scale": session.scale}
            curve = found.curve(take, aside=aside, **levels)
            curves += [] if curve.empty else [curve]
            rows["features"] += _labelled(
                study,
                take,
                found.features(curve, **levels),
                about["content"],
                aside,
            )
        k = feature_rows.tone_order(take, study.settings)
        if k is None:
            continue
        rows["features"] += _feature_rows(study, take, measured, session, k, aside)
        if k == 1 and not aside and take.specimen not in shown:
            shown.add(take.specimen)
            rows["spectra"] += spectrum_rows(
                take,
                study.specimen(take.specimen).wood,
                measured.density,
                step_hz=measured.step_hz,
                offset_db=session.scale.offset_db - take.gain_db,
            )
    if progress:
        progress(len(takes), len(takes), "done")
    frames = {name: tables.typed(name, own) for name, own in rows.items()}
    tones = [take.take for take in takes if feature_rows.tone_order(take, study.settings) == 1]
    lines = line_notes([*filter(None, near)], frames["harmonics"], tones, study.settings)
    return BatchMeasurement(
        batch=batch,
        bench=bench_table(
            study, batch, session, clocks=clocks_note(frames["features"], takes), lines=lines
        ),
        curves=tables.typed("curves", pd.concat(curves, ignore_index=True) if curves else ()),
        **frames,
    )


def _quality_rows(
    take: sheets.Take, measured: TakeMeasurement, verdict: str, reason: str
) -> Iterator[tuple]:
    for row in measured.checks:
        yield (take.take, *row)
    if take.exclude:
        verdict, reason = Verdict.FAIL, codes.note("takes.excluded", reason=take.reason)
    yield (take.take, "", "take", float("nan"), "", None, reason, verdict)


def _feature_rows(
    study: sheets.Study,
    take: sheets.Take,
    measured: TakeMeasurement,
    session: Session,
    k: int,
    aside: str,
) -> Iterator[tuple]:
    settings, fitted = study.settings, measured.fit is not None
    levels = {"scale": session.scale, "gain_db": take.gain_db, "settings": settings}
    if not fitted:
        values = feature_rows.empty_features(k, settings, rate_hz=session.rate_hz)
    elif k == 1:
        values = feature_rows.tone_features(measured, **levels)
    else:
        values = feature_rows.probe_features(measured, k=k, **levels)
    for code, hides in _hides(measured):
        values = [
            row._replace(usable=False, reason=code)
            if row.usable and hides(register.find(row.feature))
            else row
            for row in values
        ]
    yield from _labelled(study, take, values, _content(study, take) if fitted else "", aside)


def _hides(measured: TakeMeasurement) -> list[tuple[str, Callable[[register.Feature], bool]]]:
    """What the recorder did to a take: as the reason of what cannot be used, and which that is."""
    return codes.holding(
        (
            quality.hides_weak_lines(measured.checks),
            ("takes.coded", lambda feature: feature.driver or feature.noise),
        ),
        (
            any(row.check == "gain_moves" for row in measured.checks),
            ("takes.own_gain", lambda feature: Term.CALIBRATION in feature.terms),
        ),
    )


def _labelled(
    study: sheets.Study,
    take: sheets.Take,
    values: Iterable[feature_rows.FeatureValue],
    content: str,
    aside: str,
) -> Iterator[tuple]:
    """Rows of the features table from a take's values."""
    wood = study.specimen(take.specimen).wood
    for row in values:
        usable, reason = (False, aside) if aside else (row.usable, row.reason)
        yield (
            hashlib.sha256(f"{take.take}|{content}|{row.feature}".encode()).hexdigest()[:12],
            take.take, take.batch, take.kind, take.specimen, wood, take.mount, take.repeat,
            row.feature, row.value, row.unit, row.u, usable, reason,
        )  # fmt: skip


def _content(study: sheets.Study, take: sheets.Take) -> str:
    """A mark of what the recording holds; "" when there is none."""
    path = study.path_of(take)
    return sha256(path) if path.is_file() else ""


def spectrum_rows(
    take: sheets.Take, wood: str, density: np.ndarray, *, step_hz: float, offset_db: float
) -> Iterator[tuple]:
    """Rows of the table `spectra` of one take from its density (noise.windowed_density)."""
    bins = np.arange(int(np.ceil(LOWEST_HZ / step_hz)), density.size - 1)
    cell = np.floor(CELLS_PER_OCTAVE * np.log2(bins * step_hz / LOWEST_HZ)).astype(int)
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    highest = np.maximum.reduceat(density[bins], starts)
    ends = np.append(starts[1:], bins.size)
    places = np.array(
        [a + int(np.argmax(density[bins[a:b]])) for a, b in zip(starts, ends, strict=True)]
    )
    # A sine's mean square is its peak density times the window's noise bandwidth; a
    # full-scale sine (mean square 1/2) is 0 dB. 1e-20 keeps an empty bin drawable.
    level = (
        10.0 * np.log10(np.maximum(2.0 * noise.NOISE_BANDWIDTH * step_hz * highest, 1e-20))
        + offset_db
    )
    for frequency, value in zip((bins[places] * step_hz).tolist(), level.tolist(), strict=True):
        yield (take.take, take.specimen, wood, take.mount, frequency, value)
