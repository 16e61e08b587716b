"""A batch: every take checked and measured, gathered into long tables, and kept for the summary.

Order of work: the batch's room takes and calibrator first (the others are held against
them), then every take once. One fact a row; nothing is dropped: a take set aside keeps its
rows and its reason.

Spectra are for the figures: one take a specimen, thinned without losing a peak. A line's level is
that of a sine in the response, in the batch's level unit; cells of 1/96 octave keep their highest
bin, so that a harmonic's height survives.

A part is what the notebook of one batch leaves behind for the summary: a folder with seven tables
(those of `batch.Measured`) and `done.json`, which is written last and holds the run's key and the
SHA-256 of each table. A part is whole when all of them are there and agree; anything else is
treated as not there at all.

Conventions: as in `studylib.tables`; notes are kept as codes. Frames that are measured here and
frames that are read back are the same.

- `batch_slugs`, `choose_batch`: names of batches, safe for files and for typing errors.
- `save_part`, `load_part`, `saved_part`, `part_key`: write and read one part.
- `leave_out`, `take_in`: a part that the summary must not use.
- `note_progress`, `read_progress`: how far the measuring of a batch has come.

Functions: measure_batch, spectrum_of. Class: BatchMeasurement.
"""

import hashlib
import json
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np
import pandas as pd

from studylib import codes, errors, register, sheets, tables, writing
from studylib.codes import checks, each
from studylib.codes.features import Term
from studylib.measure import features, rings
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
from studylib.words.text import nearest

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
    near: list[tuple | None] = []
    tell = progress or (lambda *_: None)
    for done, take in enumerate(takes):
        tell(done, len(takes), f"{take.kind} {take.take}")
        measured, ring = measured_at(study, take, infos[take.take], session)
        verdict, reason = quality.take_verdict(measured.checks)
        failed = verdict == checks.Verdict.FAIL
        aside = codes.note("takes.set_aside", checks=codes.each(reason)) if failed else ""
        if take.exclude:
            verdict, reason = checks.Verdict.FAIL, codes.note("takes.excluded", reason=take.reason)
            aside = reason
        near.append(features.lines_of(take, measured, study.settings.tone))
        rows["quality"] += [
            *((take.take, *row) for row in measured.checks),
            (take.take, "", "take", float("nan"), "", None, reason, verdict),
        ]
        rows["harmonics"] += features.harmonic_rows(
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
        k = features.tone_order(take, study.settings)
        if k is None:
            continue
        rows["features"] += _feature_rows(study, take, measured, session, k, aside)
        if k == 1 and not aside and take.specimen not in shown:
            shown.add(take.specimen)
            rows["spectra"] += _spectrum_rows(study, take, measured, session)
    tell(len(takes), len(takes), "done")
    frames = {name: tables.typed(name, own) for name, own in rows.items()}
    tones = [take.take for take in takes if features.tone_order(take, study.settings) == 1]
    return BatchMeasurement(
        batch=batch,
        bench=bench_table(
            study,
            batch,
            session,
            clocks=clocks_note(frames["features"], takes),
            lines=features.line_notes(
                [*filter(None, near)], frames["harmonics"], tones, study.settings
            ),
        ),
        curves=tables.typed("curves", pd.concat(curves, ignore_index=True) if curves else ()),
        **frames,
    )


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
        values = features.empty_features(k, settings, rate_hz=session.rate_hz)
    elif k == 1:
        values = features.tone_features(measured, **levels)
    else:
        values = features.probe_features(measured, k=k, **levels)
    for code, hides in _hides(measured):
        values = [
            row._replace(reason=row.reason or code) if hides(register.find(row.feature)) else row
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
    values: Iterable[features.FeatureValue],
    content: str,
    aside: str,
) -> Iterator[tuple]:
    """Rows of the features table from a take's values."""
    wood = study.specimen(take.specimen).wood
    for row in values:
        reason = aside or row.reason
        usable = not reason and not math.isnan(row.value)
        yield (
            hashlib.sha256(f"{take.take}|{content}|{row.feature}".encode()).hexdigest()[:12],
            take.take, take.batch, take.kind, take.specimen, wood, take.mount, take.repeat,
            row.feature, row.value, row.unit, row.u, usable, reason,
        )  # fmt: skip


def _content(study: sheets.Study, take: sheets.Take) -> str:
    """A mark of what the recording holds; "" when there is none."""
    path = study.path_of(take)
    return sha256(path) if path.is_file() else ""


def _spectrum_rows(
    study: sheets.Study, take: sheets.Take, measured: TakeMeasurement, session: Session
) -> Iterator[tuple]:
    """Rows of the table `spectra` of one take with a density (noise.windowed_density)."""
    density, step_hz = measured.density, measured.noise.step_hz
    bins = np.arange(int(np.ceil(LOWEST_HZ / step_hz)), density.size - 1)
    cell = np.floor(CELLS_PER_OCTAVE * np.log2(bins * step_hz / LOWEST_HZ)).astype(int)
    peaks = pd.Series(density[bins], bins).groupby(cell).idxmax().to_numpy()
    # A sine's mean square is its peak density times the window's noise bandwidth; a
    # full-scale sine (mean square 1/2) is 0 dB. 1e-20 keeps an empty bin drawable.
    level = 10.0 * np.log10(
        np.maximum(2.0 * noise.NOISE_BANDWIDTH * step_hz * density[peaks], 1e-20)
    ) + (session.scale.offset_db - take.gain_db)
    told = (take.take, take.specimen, study.specimen(take.specimen).wood, take.mount)
    for frequency, value in zip((peaks * step_hz).tolist(), level.tolist(), strict=True):
        yield (*told, frequency, value)


def spectrum_of(study: sheets.Study, name: str) -> pd.DataFrame:
    """The table `spectra` of one take; without rows where its recording cannot be read.

    Parameters
    ----------
    name : the take's id.
    """
    take = next(take for take in study.takes if take.take == name)
    beside = tuple(t for t in study.takes_of(take.batch) if t.kind == "calibrator")
    session = session_of(study, beside, {t.take: header_of(study, t) for t in beside})
    measured, _ = measured_at(study, take, header_of(study, take), session)
    known = measured.density is not None
    return tables.typed("spectra", _spectrum_rows(study, take, measured, session) if known else ())


DONE = "done.json"
NOT_USED = "not_used.json"
PROGRESS = "progress.json"

TABLES = tuple(field.name for field in fields(Measured))


def batch_slugs(batches: Iterable[str]) -> dict[str, str]:
    """A file name for each batch (`writing.slug`); never two alike, whatever the file system.

    Names that would share a file, with upper case left aside, carry eight digits of their hash.
    """
    slugs = {name: writing.slug(name) for name in batches}
    shared = Counter(value.casefold() for value in slugs.values())
    return {
        name: f"{value}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"
        if shared[value.casefold()] > 1
        else value
        for name, value in slugs.items()
    }


def choose_batch(study: sheets.Study, batch: str) -> str:
    """The batch of that name; the first one when the name is empty.

    Raises
    ------
    InputError : the study has no such batch, or none at all.
    """
    errors.InputError.refuse(not study.batches, "measure.no_batch")
    errors.InputError.refuse(
        batch and batch not in study.batches,
        "measure.unknown_batch",
        batch=batch,
        nearest=nearest(batch, study.batches),
        known=list(study.batches),
    )
    return batch or study.batches[0]


def save_part(measurement: BatchMeasurement, folder: Path | str, *, key: str) -> None:
    """Leave the tables of one batch in `folder` for the summary, `done.json` last.

    Parameters
    ----------
    measurement : what `measure_batch` returned.
    folder : is made when missing; an older part in it stops being whole at once.
    key : the mark of this run; whoever loads the part can ask for it.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / DONE).unlink(missing_ok=True)
    contents = {
        f"{name}.csv": getattr(measurement, name).to_csv(index=False, lineterminator="\n").encode()
        for name in TABLES
    }
    for name, content in contents.items():
        writing.write_whole(folder / name, content)
    hashes = {name: hashlib.sha256(content).hexdigest() for name, content in contents.items()}
    writing.write_json(folder / DONE, {"batch": measurement.batch, "key": key, "files": hashes})


def part_key(folder: Path) -> str | None:
    """The key of a whole part, or None when there is no whole part in the folder."""
    done = writing.read_json(folder / DONE)
    hashes = done.get("files")
    whole = isinstance(hashes, dict) and set(hashes) == {f"{name}.csv" for name in TABLES}
    return (
        str(done.get("key", ""))
        if whole
        and all(
            (folder / name).is_file() and sha256(folder / name) == expected
            for name, expected in hashes.items()
        )
        else None
    )


def load_part(folder: Path) -> BatchMeasurement:
    """Read back what `save_part` wrote.

    Raises
    ------
    RunError : the part is not whole: a file is missing, or is not the one that was written.
    """
    errors.RunError.refuse(part_key(folder) is None, "measure.not_whole", batch=folder.name)
    return BatchMeasurement(
        batch=str(writing.read_json(folder / DONE)["batch"]),
        **{name: tables.read(name, folder / f"{name}.csv") for name in TABLES},
    )


def saved_part(folder: Path) -> BatchMeasurement:
    """The part that the summary may use.

    Raises
    ------
    RunError : the batch was not run, must be left out (see `leave_out`), or is not whole.
    """
    errors.RunError.refuse_all(each(str(writing.read_json(folder / NOT_USED).get("reason", ""))))
    errors.RunError.refuse(not (folder / DONE).is_file(), "measure.not_run")
    return load_part(folder)


def leave_out(folder: Path | str, reason: str) -> None:
    """Note why the summary must not use this part: it failed, or its inputs have changed."""
    writing.write_json(Path(folder) / NOT_USED, {"reason": reason})


def take_in(folder: Path | str) -> None:
    """Take back `leave_out`: the part is good again."""
    (Path(folder) / NOT_USED).unlink(missing_ok=True)


def note_progress(folder: Path | str) -> Progress | None:
    """A progress callback that notes how far the batch is in `folder`; None without a folder."""
    if not str(folder):
        return None
    path = Path(folder) / PROGRESS
    path.parent.mkdir(parents=True, exist_ok=True)

    def note(done: int, total: int, what: str) -> None:
        # Written in place: whoever reads half a note sees no note, and the next one comes soon.
        path.write_text(
            json.dumps({"done": int(done), "total": int(total), "what": str(what)}),
            encoding="utf-8",
        )

    return note


def read_progress(folder: Path | str) -> tuple[int, int, str] | None:
    """(done, total, what) as `note_progress` left it, or None."""
    noted = writing.read_json(Path(folder) / PROGRESS)
    return (
        None
        if set(noted) != {"done", "total", "what"}
        else (noted["done"], noted["total"], noted["what"])
    )
