"""Parts: what the notebook of one batch leaves behind for the summary.

A part is a folder with seven tables (those of `batch.Measured`)
and `done.json`, which is written last and holds the run's key and the SHA-256 of each table. A
part is whole when all of them are there and agree; anything else is treated as not there at all.

Conventions: as in `studylib.tables`; notes are kept as codes. Frames that are measured here and
frames that are read back are the same.

- `batch_slugs`, `choose_batch`: names of batches, safe for files and for typing errors.
- `save_part`, `load_part`, `saved_part`, `part_key`: write and read one part.
- `leave_out`, `take_in`: a part that the summary must not use.
- `note_progress`, `read_progress`: how far the measuring of a batch has come.
"""

import hashlib
import json
from collections import Counter
from collections.abc import Iterable
from dataclasses import fields
from pathlib import Path

from studylib import errors, sheets, tables, writing
from studylib.codes import each, note
from studylib.measure.batch import BatchMeasurement, Measured, Progress
from studylib.sheets.files import sha256
from studylib.words.text import nearest

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
    if not study.batches:
        raise errors.InputError("measure.no_batch")
    if not batch:
        return study.batches[0]
    if batch in study.batches:
        return batch
    raise errors.InputError(
        note(
            "measure.unknown_batch",
            batch=batch,
            nearest=nearest(batch, study.batches),
            known=list(study.batches),
        )
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
    if part_key(folder) is None:
        raise errors.RunError(note("measure.not_whole", batch=folder.name))
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
    reason = writing.read_json(folder / NOT_USED).get("reason")
    if reason:
        raise errors.RunError(*each(str(reason)))
    if not (folder / DONE).is_file():
        raise errors.RunError("measure.not_run")
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
