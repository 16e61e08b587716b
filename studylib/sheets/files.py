"""The files of a study folder: what `study new` writes, and the recordings behind takes.csv.

A new folder holds nothing but words: the settings file names every key with its default, the tables
hold their headers, and a short README says what to fill in and what to mind at the bench. These
texts stand in `new_study/` beside this file.

Recordings must be there, inside the study, and each another one. They are read in blocks, so that
memory stays flat whatever their length.

Functions: `write_template`, `sha256`, `as_on_disk`, `recording_faults`, `unnamed_recordings`.
"""

import hashlib
import os
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import replace
from importlib import resources
from pathlib import Path, PurePosixPath

from studylib.codes import note
from studylib.codes.sheets import SheetFault, SheetWarning
from studylib.errors import InputError
from studylib.sheets.spreadsheet import Row, reason_of, unreadable

TEMPLATES = ("study.toml", "specimens.csv", "takes.csv", "README.md")
HEAD_BYTES = 1 << 16
AUDIO_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".aifc", ".caf", ".w64", ".rf64", ".ogg", ".mp3")

Named = tuple[Row, Path]


def write_template(folder: Path) -> list[Path]:
    """Write an empty study into a new or empty folder.

    Parameters
    ----------
    folder : made with its parents where it is not there.

    Returns
    -------
    the paths written, in order: three sheets, the README, the folder for recordings.

    Raises
    ------
    InputError : the folder holds something already, is a file, or cannot be written to.
    """
    folder = Path(folder)
    try:
        if folder.exists() and not folder.is_dir():
            raise InputError(note(SheetFault.NEW_IS_FILE, folder=folder))
        if folder.is_dir() and any(folder.iterdir()):
            raise InputError(note(SheetFault.NEW_NOT_EMPTY, folder=folder))
        (folder / "recordings").mkdir(parents=True)
        texts = resources.files("studylib.sheets") / "new_study"
        for name in TEMPLATES:
            (folder / name).write_bytes((texts / name).read_bytes())
    except OSError as error:
        raise InputError(
            note(SheetFault.NEW_UNWRITABLE, folder=folder, reason=reason_of(error))
        ) from None
    return [folder / name for name in (*TEMPLATES, "recordings")]


def sha256(path: Path | str) -> str:
    """SHA-256 of a file as 64 hexadecimal digits; the file is read in blocks.

    Raises
    ------
    InputError : the file is not there or cannot be read.
    """
    try:
        with Path(path).open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    except OSError as error:
        raise InputError(unreadable(Path(path), error)) from None


def as_on_disk(folder: Path, rows: Sequence[Row]) -> list[Row]:
    """The rows with each `file` cell as the drive spells it.

    A Mac writes "ö" in a file's name as "o" and two dots, which is another name on other systems;
    cells are composed (`spreadsheet`). What is not found either way stays as it is.
    """
    listed: dict[Path, dict[str, str]] = {}

    def spelled(file: str) -> str:
        path = folder
        for step in PurePosixPath(file).parts:
            if not os.path.exists(path / step) and os.path.isdir(path):
                if path not in listed:
                    listed[path] = {unicodedata.normalize("NFC", n): n for n in os.listdir(path)}
                step = listed[path].get(step, step)
            path = path / step
        return path.relative_to(folder).as_posix()

    return [replace(row, cells={**row.cells, "file": spelled(row.cells["file"])}) for row in rows]


def recording_faults(folder: Path, name: str, rows: Sequence[Row]) -> list[str]:
    """Recordings that are missing, outside the study, named twice, or copies of one another.

    Parameters
    ----------
    folder : the study folder.
    name : file name of the table, which the faults give.
    rows : rows whose `file` cell reads as a path inside the study.
    """
    faults: list[str] = []
    sound: list[Named] = []
    for row in rows:
        code = _fault_of(folder, row.cells["file"])
        if code is not None:
            faults.append(_at(code, name, row))
        else:
            sound.append((row, (folder / row.cells["file"]).resolve()))
    distinct = list({path: (row, path) for row, path in reversed(sound)}.values())[::-1]
    return [
        *faults,
        *(
            _at(SheetFault.SAME_FILE, name, row, other_row=first.number)
            for (first, _), *others in _alike(sound, lambda named: named[1])
            for row, _ in others
        ),
        # Copies under two names. Size, then the beginning, then the whole: most files are read
        # once and only a little, which keeps a thousand takes quick.
        *(
            _at(SheetFault.COPY, name, row, other=first.cells["file"], other_row=first.number)
            for same_size in _alike(distinct, lambda named: named[1].stat().st_size)
            for same_head in _alike(same_size, lambda named: _head(named[1]))
            for (first, _), *others in _alike(same_head, lambda named: sha256(named[1]))
            for row, _ in others
        ),
    ]


def unnamed_recordings(folder: Path, files: Iterable[str]) -> list[str]:
    """One warning, where audio files lie below recordings/ that no row names."""
    named = {(folder / file).resolve() for file in files}
    found = sorted(
        path.relative_to(folder).as_posix()
        for path in (folder / "recordings").rglob("*")
        if path.suffix.lower() in AUDIO_ENDINGS
        and not path.name.startswith(".")
        and path.is_file()  # first: a loop of links cannot be resolved
        and path.resolve() not in named
    )
    return [note(SheetWarning.UNNAMED_RECORDINGS, files=found)] if found else []


def _at(code: SheetFault, name: str, row: Row, **further: str | int) -> str:
    return note(code, file=name, row=row.number, column="file", value=row.cells["file"], **further)


def _fault_of(folder: Path, file: str) -> SheetFault | None:
    path = folder / file
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            return SheetFault.LINK_OUT
        if path.is_dir():
            return SheetFault.FOLDER_NOT_FILE
        if not path.is_file():
            return SheetFault.NO_RECORDING
        if path.stat().st_size == 0:
            return SheetFault.EMPTY_RECORDING
        with path.open("rb"):
            return None
    except (OSError, RuntimeError):  # a loop of links, a name too long, no leave to read
        return SheetFault.CANNOT_OPEN


def _head(path: Path) -> bytes:
    with path.open("rb") as stream:
        return hashlib.sha256(stream.read(HEAD_BYTES)).digest()


def _alike(items: Iterable[Named], key: Callable[[Named], Hashable]) -> list[list[Named]]:
    """Groups of two and more with the same key, each in the given order."""
    groups: dict[Hashable, list[Named]] = defaultdict(list)
    for item in items:
        groups[key(item)].append(item)
    return [group for group in groups.values() if len(group) > 1]
