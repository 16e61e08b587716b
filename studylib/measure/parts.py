"""Parts: what the notebook of one batch leaves behind for the summary.

A part is a folder with seven tables (quality, features, spectra, harmonics, modes, sweeps, bench)
and `done.json`, which is written last and holds the run's key and the SHA-256 of each table. A
part is whole when all of them are there and agree; anything else is treated as not there at all.

Conventions: CSV, UTF-8, "\\n" line ends, numbers with as many digits as bring the same number
back. In text columns nothing is an empty string; in number columns it is NaN. Frames that are
measured here and frames that are read back are the same.

- `batch_slugs`, `choose_batch`: names of batches, safe for files and for typing errors.
- `save_part`, `load_part`: write and read one part.
- `gather`: all batches of a study in one place, with the ones that are not there.
- `note_progress`, `read_progress`: how far the measuring of a batch has come.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from studylib.codes import each
from studylib.errors import InputError, RunError, StudyError
from studylib.words.text import listed, nearest, shown
from studylib.writing import read_json, slug, write_json, write_whole

if TYPE_CHECKING:
    from studylib.measure import BatchMeasurement
    from studylib.sheets import Study

Progress = Callable[[int, int, str], None]

DONE = "done.json"
NOT_USED = "not_used.json"
PROGRESS = "progress.json"

# The tables of a part and their columns, in order.
COLUMNS: dict[str, tuple[str, ...]] = {
    "quality": ("take", "channel", "check", "value", "unit", "limit", "source", "verdict"),
    "features": (
        *("id", "take", "batch", "kind", "specimen", "wood", "mount", "repeat"),
        *("feature", "value", "unit", "u", "usable", "reason"),
    ),
    "spectra": ("take", "specimen", "wood", "mount", "frequency_hz", "level_db"),
    "harmonics": (
        *("take", "harmonic", "frequency_hz", "seconds", "response_re", "response_im"),
        *("response_u", "drive_re", "drive_im", "drive_u", "dof", "offset_db", "unit", "usable"),
    ),
    "modes": (
        *("take", "batch", "kind", "specimen", "wood", "mount", "repeat", "support", "tap"),
        *("frequency_hz", "frequency_u", "loss_factor", "loss_factor_u", "level_db", "level_u"),
        *("snr_db", "close", "usable", "reason", "content"),
    ),
    "sweeps": (
        *("take", "order", "frequency_hz", "response_re", "response_im", "drive_re"),
        *("drive_im", "response_u", "drive_u", "usable", "reason"),
    ),
    "bench": ("item", "value"),
}
# Columns that hold text; every other one holds numbers, or yes and no.
TEXT: dict[str, frozenset[str]] = {
    "quality": frozenset({"take", "channel", "check", "unit", "source", "verdict"}),
    "features": frozenset(
        {"id", "take", "batch", "kind", "specimen", "wood", "feature", "unit", "reason"}
    ),
    "spectra": frozenset({"take", "specimen", "wood"}),
    "harmonics": frozenset({"take", "unit"}),
    "modes": frozenset(
        {"take", "batch", "kind", "specimen", "wood", "support", "reason", "content"}
    ),
    "sweeps": frozenset({"take", "reason"}),
    "bench": frozenset({"item", "value"}),
}
TABLES = tuple(COLUMNS)


@dataclass(frozen=True)
class Gathered:
    """All whole parts of a study, in the order of its batches; `failed` names the others.

    modes : with the number of each over the whole study (`modes.numbers`).  board_modes : one row
    a board and number (`modes.boards`).  features : with those of the numbered modes.
    """

    quality: pd.DataFrame
    features: pd.DataFrame
    spectra: pd.DataFrame
    harmonics: pd.DataFrame
    modes: pd.DataFrame
    sweeps: pd.DataFrame
    bench: pd.DataFrame
    board_modes: pd.DataFrame
    failed: dict[str, str] = field(default_factory=dict)


def batch_slugs(batches: Iterable[str]) -> dict[str, str]:
    """A file name for each batch (`writing.slug`); never two alike, whatever the file system.

    Names that would share a file, with upper case left aside, carry eight digits of their hash.
    """
    slugs = {name: slug(name) for name in batches}
    shared = Counter(value.casefold() for value in slugs.values())
    return {
        name: f"{value}-{hashlib.sha256(name.encode()).hexdigest()[:8]}"
        if shared[value.casefold()] > 1
        else value
        for name, value in slugs.items()
    }


def choose_batch(study: Study, batch: str) -> str:
    """The batch of that name; the first one when the name is empty.

    Raises
    ------
    InputError : the study has no such batch, or none at all.
    """
    if not study.batches:
        raise InputError("takes.csv: there is no batch yet; give at least one take a batch.")
    if not batch:
        return study.batches[0]
    if batch in study.batches:
        return batch
    known = listed(shown(name) for name in study.batches)
    raise InputError(
        f"takes.csv has no batch {shown(batch)}; the nearest name is "
        f"{shown(nearest(batch, study.batches))}. Its batches are {known}."
    )


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
    hashes = {}
    for name in TABLES:
        content = _csv(name, getattr(measurement, name)).encode("utf-8")
        write_whole(folder / f"{name}.csv", content)
        hashes[f"{name}.csv"] = hashlib.sha256(content).hexdigest()
    write_json(folder / DONE, {"batch": measurement.batch, "key": key, "files": hashes})


def part_key(folder: Path | str) -> str | None:
    """The key of a whole part, or None when there is no whole part in the folder."""
    folder = Path(folder)
    done = read_json(folder / DONE)
    hashes = done.get("files")
    if not isinstance(hashes, dict) or set(hashes) != {f"{name}.csv" for name in TABLES}:
        return None
    for name, expected in hashes.items():
        path = folder / name
        if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() != expected:
            return None
    return str(done.get("key", ""))


def load_part(folder: Path | str) -> BatchMeasurement:
    """Read back what `save_part` wrote.

    Raises
    ------
    RunError : the part is not whole: a file is missing, or is not the one that was written.
    """
    from studylib.measure import BatchMeasurement

    folder = Path(folder)
    if part_key(folder) is None:
        raise RunError(f"{folder.name}: no whole result of this batch; run the batch again.")
    tables = {name: _read(name, folder / f"{name}.csv") for name in TABLES}
    return BatchMeasurement(batch=str(read_json(folder / DONE)["batch"]), **tables)


def gather(
    study: Study, *, parts: Path | str | None = None, progress: Progress | None = None
) -> Gathered:
    """Everything the summary works on.

    Parameters
    ----------
    study : the study, from `read_study`.
    parts : the folder of parts that batch notebooks left; None or "" measures every batch here.
    progress : called with (batches done, batches in all, what is being done).

    Returns
    -------
    The tables of all batches, one below the other; `failed` has a sentence for each batch that
    is not among them.
    """
    slugs = batch_slugs(study.batches)
    whole: list[BatchMeasurement] = []
    failed: dict[str, str] = {}
    for done, batch in enumerate(study.batches):
        if progress is not None:
            progress(done, len(study.batches), f"batch {batch}")
        try:
            whole.append(_saved(Path(parts) / slugs[batch]) if parts else _measured(study, batch))
        except StudyError as error:
            failed[batch] = first_line(error)
    from studylib.modes import with_numbers

    frames = {name: _stack(name, whole) for name in TABLES}
    features, modes, boards = with_numbers(study, frames.pop("features"), frames.pop("modes"))
    return Gathered(features=features, modes=modes, board_modes=boards, failed=failed, **frames)


def first_line(error: BaseException) -> str:
    """The first clear line of an error, and how many more there are of its kind."""
    faults = getattr(error, "faults", None) or [line for line in str(error).splitlines() if line]
    if not faults:
        return type(error).__name__
    more = f" (and {len(faults) - 1} more)" if len(faults) > 1 else ""
    return f"{faults[0]}{more}"


def leave_out(folder: Path | str, reason: str) -> None:
    """Note why the summary must not use this part: it failed, or its inputs have changed."""
    write_json(Path(folder) / NOT_USED, {"reason": reason})


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
        content = json.dumps({"done": int(done), "total": int(total), "what": str(what)})
        path.write_text(content, encoding="utf-8")

    return note


def read_progress(folder: Path | str) -> tuple[int, int, str] | None:
    """(done, total, what) as `note_progress` left it, or None."""
    noted = read_json(Path(folder) / PROGRESS)
    if set(noted) != {"done", "total", "what"}:
        return None
    return noted["done"], noted["total"], noted["what"]


def _saved(folder: Path) -> BatchMeasurement:
    reason = read_json(folder / NOT_USED).get("reason")
    if reason:
        raise RunError(*each(str(reason)))
    if not (folder / DONE).is_file():
        raise RunError("This batch has not been run yet.")
    return load_part(folder)


def _measured(study: Study, batch: str) -> BatchMeasurement:
    from studylib.measure import measure_batch

    return measure_batch(study, batch)


def _stack(name: str, measurements: list[BatchMeasurement]) -> pd.DataFrame:
    frames = []
    for measurement in measurements:
        # Through the very text that a part's file holds, so that both ways give one frame.
        frame = _read(name, io.BytesIO(_csv(name, getattr(measurement, name)).encode("utf-8")))
        if name == "bench":
            frame.insert(0, "batch", measurement.batch)
        frames.append(frame)
    # An empty frame has no types of its own; beside full ones it would only spoil theirs.
    full = [frame for frame in frames if not frame.empty] or frames[:1]
    if full:
        return pd.concat(full, ignore_index=True)
    columns = COLUMNS[name] if name != "bench" else ("batch", *COLUMNS[name])
    return pd.DataFrame({column: pd.Series(dtype=str) for column in columns})


def _csv(name: str, frame: pd.DataFrame) -> str:
    if frame.columns.empty:
        frame = pd.DataFrame(columns=list(COLUMNS[name]))
    return frame.to_csv(index=False, lineterminator="\n")


def _read(name: str, source: Path | io.BytesIO) -> pd.DataFrame:
    """Read a table as text and type its number columns here: Python's `float` brings back the
    very number that was written, on every version of pandas."""
    frame = pd.read_csv(source, dtype=str, keep_default_na=False)
    numeric = {column: _typed(frame[column]) for column in frame if column not in TEXT[name]}
    return frame.assign(**numeric)


def _typed(column: pd.Series) -> pd.Series:
    texts = column.tolist()
    try:
        if texts and set(texts) <= {"True", "False"}:
            return pd.Series([text == "True" for text in texts], dtype=bool)
        if texts and all(text.lstrip("-").isdecimal() for text in texts):
            return pd.Series([int(text) for text in texts], dtype="int64")
        return pd.Series([float(text) if text else np.nan for text in texts], dtype="float64")
    except ValueError:
        return column  # a column that is not ours and holds text
