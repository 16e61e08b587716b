"""The files behind the sheets: are they there, inside the study, and each another one?

Recordings are read in blocks, so that memory stays flat whatever their length.

Functions: `sha256`, `as_on_disk`, `recording_faults`, `unnamed_recordings`.
"""

from __future__ import annotations

import hashlib
import os
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path, PurePosixPath

from studylib.errors import InputError
from studylib.sheets.rows import RowFault
from studylib.sheets.spreadsheet import Row
from studylib.words.text import shown

BLOCK_BYTES = 1 << 20
HEAD_BYTES = 1 << 16
AUDIO_ENDINGS = (".wav", ".flac", ".aif", ".aiff", ".aifc", ".caf", ".w64", ".rf64", ".ogg", ".mp3")

Named = tuple[Row, Path]


def sha256(path: Path | str) -> str:
    """SHA-256 of a file as 64 hexadecimal digits, read in blocks of 1 MiB.

    Raises
    ------
    InputError : the file is not there or cannot be read.
    """
    path = Path(path)
    digest = hashlib.sha256()
    try:
        with path.open("rb") as stream:
            while block := stream.read(BLOCK_BYTES):
                digest.update(block)
    except OSError as error:
        reason = (error.strerror or "unknown reason").lower()
        raise InputError(
            f"{path.name} cannot be read ({reason}); put a file there that you may read"
        ) from None
    return digest.hexdigest()


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


def recording_faults(folder: Path, name: str, rows: Sequence[Row]) -> list[RowFault]:
    """Recordings that are missing, outside the study, named twice, or copies of one another.

    Parameters
    ----------
    folder : the study folder.
    name : file name of the table, for the sentences.
    rows : rows whose `file` cell reads as a path inside the study.
    """
    faults: list[RowFault] = []
    sound: list[Named] = []
    for row in rows:
        said = _fault_of(folder, row.cells["file"])
        if said:
            faults.append(_at(name, row, said))
        else:
            sound.append((row, (folder / row.cells["file"]).resolve()))
    faults += _same_file(name, sound)
    faults += _same_content(name, sound)
    return faults


def unnamed_recordings(folder: Path, files: Iterable[str]) -> list[str]:
    """Audio files below recordings/ that no row names, as paths from the study folder, sorted."""
    named = {(folder / file).resolve() for file in files}
    return sorted(
        path.relative_to(folder).as_posix()
        for path in (folder / "recordings").rglob("*")
        if path.suffix.lower() in AUDIO_ENDINGS
        and not path.name.startswith(".")
        and path.is_file()  # first: a loop of links cannot be resolved
        and path.resolve() not in named
    )


def _at(name: str, row: Row, said: str) -> RowFault:
    return row.number, f"{name}, row {row.number}, column file: {said}"


def _fault_of(folder: Path, file: str) -> str:
    path = folder / file
    try:
        inside = path.resolve().is_relative_to(folder.resolve())
        if not inside:
            return (
                f"{shown(file)} leads out of the study folder through a link; "
                "put the recording itself into the folder"
            )
        if path.is_dir():
            return f"{shown(file)} is a folder; name the recording in it"
        if not path.is_file():
            return f"there is no {shown(file)}; put the recording there or correct its name"
        if path.stat().st_size == 0:
            return f"{shown(file)} is empty; record the take again or take the row out"
        with path.open("rb"):
            return ""
    except (OSError, RuntimeError):  # a loop of links, a name too long, no leave to read
        return f"{shown(file)} cannot be opened; put a file there that you may read"


def _same_file(name: str, sound: list[Named]) -> list[RowFault]:
    return [
        _at(
            name,
            row,
            f"{shown(row.cells['file'])} is the recording of row {first.number} as well; "
            "give each take its own recording",
        )
        for (first, _), *others in _alike(sound, lambda named: named[1])
        for row, _ in others
    ]


def _same_content(name: str, sound: list[Named]) -> list[RowFault]:
    """Copies under two names. Size, then the beginning, then the whole: most files are read once
    and only a little, which keeps a thousand takes quick."""
    distinct = list({path: (row, path) for row, path in reversed(sound)}.values())[::-1]
    faults = []
    for same_size in _alike(distinct, lambda named: named[1].stat().st_size):
        for same_head in _alike(same_size, lambda named: _head(named[1])):
            for (first, _), *others in _alike(same_head, lambda named: sha256(named[1])):
                faults += [
                    _at(
                        name,
                        row,
                        f"{shown(row.cells['file'])} is a copy of {shown(first.cells['file'])} "
                        f"(row {first.number}), to the last byte; give each take its own recording",
                    )
                    for row, _ in others
                ]
    return faults


def _head(path: Path) -> bytes:
    with path.open("rb") as stream:
        return hashlib.sha256(stream.read(HEAD_BYTES)).digest()


def _alike(items: Iterable[Named], key: Callable[[Named], Hashable]) -> list[list[Named]]:
    """Groups of two and more with the same key, each in the given order."""
    groups: dict[Hashable, list[Named]] = defaultdict(list)
    for item in items:
        groups[key(item)].append(item)
    return [group for group in groups.values() if len(group) > 1]
