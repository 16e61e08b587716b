"""Read a study folder: study.toml, specimens.csv and takes.csv as one typed, checked object.

All faults of the folder are reported together, each as one sentence that names the file, the
row as the spreadsheet counts it (the header is row 1), the column, and what would be right.
What is only suspicious is a warning and stays with the study.

The three files are read independently as far as that goes, so that a slip in one does not
hide the slips in the others. Recordings are looked up and compared, not opened as audio.

Functions: `read_study`, `file_hashes`. Classes: `Study` (and `Specimen`, `Take`, `Settings`).
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd

from studylib.errors import InputError
from studylib.sheets.blinding import KEY, RECORD, Blinding, named, read_blinding
from studylib.sheets.files import sha256, unnamed_recordings
from studylib.sheets.lock import LOCK, Lock, read_lock
from studylib.sheets.plan_warnings import take_warnings
from studylib.sheets.rows import Specimen, Take
from studylib.sheets.scheduled import SCHEDULE, Scheduled, read_schedules, scheduled_takes
from studylib.sheets.settings import Settings
from studylib.sheets.settings_file import claim_faults, read_settings
from studylib.sheets.tables import SIZES, specimen_sheet, take_sheet
from studylib.words.text import listed, nearest, shown
from studylib.writing import slug

__all__ = ["Settings", "Specimen", "Study", "Take", "file_hashes", "read_study"]

SHEETS = ("study.toml", "specimens.csv", "takes.csv")


@dataclass(frozen=True)
class Study:
    """A study folder without faults.

    Attributes
    ----------
    folder : absolute path of the study folder.
    name : the folder's own name, made safe for a file name.
    settings : study.toml with its defaults.
    specimens, takes : in the order of their tables; a take here has its recording.
    planned : takes of the schedule whose recording is not there yet.
    schedules : what was planned.  blinding : how the study is blind, or None.  lock : or None.
    warnings : whole sentences about what a person should look at.
    """

    folder: Path
    name: str
    settings: Settings
    specimens: tuple[Specimen, ...]
    takes: tuple[Take, ...]
    warnings: tuple[str, ...]
    planned: tuple[Take, ...] = ()
    schedules: tuple[Scheduled, ...] = ()
    blinding: Blinding | None = None
    lock: Lock | None = None

    @property
    def all_batches(self) -> tuple[str, ...]:
        """Batch names as `batches`, those in which nothing is recorded yet included."""
        return tuple(dict.fromkeys(take.batch for take in self._rows))

    @property
    def batches(self) -> tuple[str, ...]:
        """Batch names in the order in which takes.csv first names them."""
        return tuple(dict.fromkeys(take.batch for take in self.takes))

    @property
    def woods(self) -> tuple[str, ...]:
        """Groups under comparison, in the order of specimens.csv."""
        return tuple(dict.fromkeys(s.wood for s in self.specimens if s.role == ""))

    @cached_property
    def _by_id(self) -> dict[str, Specimen]:
        return {s.specimen: s for s in self.specimens}

    def specimen(self, name: str) -> Specimen:
        """The specimen with this id.

        Raises
        ------
        InputError : there is none; the sentence gives the nearest id.
        """
        if name not in self._by_id:
            near = nearest(name, tuple(self._by_id))
            raise InputError(f'there is no specimen {shown(name)}; the nearest is "{near}"')
        return self._by_id[name]

    def takes_of(self, batch: str) -> tuple[Take, ...]:
        """The takes of one batch by `order`, then by row; takes without an order come last.

        Raises
        ------
        InputError : there is no such batch; the sentence gives the nearest.
        """
        return _in_order(batch, self.takes, self.batches)

    def scheduled_of(self, batch: str) -> tuple[Take, ...]:
        """The same with the takes that wait for their recording.

        Raises
        ------
        InputError : there is no such batch; the sentence gives the nearest.
        """
        return _in_order(batch, self._rows, self.all_batches)

    @property
    def _rows(self) -> tuple[Take, ...]:
        return tuple(sorted((*self.takes, *self.planned), key=lambda take: take.row))

    def path_of(self, take: Take) -> Path:
        """Absolute path of a take's recording."""
        return self.folder / take.file

    def specimen_table(self) -> pd.DataFrame:
        """One row a specimen: specimen, wood, source, source_assumed, role, beside (the group in
        the second column, empty without one), sizes (mm, g, %), then the covariates. What was not
        measured is NaN."""
        covariates = dict.fromkeys(name for s in self.specimens for name in s.covariates)
        words = ("specimen", "wood", "source", "source_assumed", "role", "beside")
        columns = {name: [getattr(s, name) for s in self.specimens] for name in words}
        for name in SIZES:
            columns[name] = pd.array([getattr(s, name) for s in self.specimens], dtype="Float64")
        for name in covariates:
            given = [s.covariates.get(name) for s in self.specimens]
            columns[name] = pd.array(given, dtype="Float64")
        table = pd.DataFrame(columns)
        return table.astype(dict.fromkeys([*SIZES, *covariates], "float64"))


def _in_order(batch: str, takes: Iterable[Take], batches: tuple[str, ...]) -> tuple[Take, ...]:
    found = [take for take in takes if take.batch == batch]
    if not found:
        near = nearest(batch, batches)
        raise InputError(f'there is no batch {shown(batch)}; the nearest is "{near}"')
    return tuple(sorted(found, key=lambda t: (t.order is None, t.order or 0.0, t.row)))


def read_study(folder: Path | str) -> Study:
    """Read and check a study folder.

    Parameters
    ----------
    folder : holds study.toml, specimens.csv, takes.csv and the recordings.

    Raises
    ------
    InputError : with all faults of the folder together, by file and row.
    """
    folder = Path(os.path.abspath(folder))
    if not folder.is_dir():
        raise InputError(
            f"there is no study folder {shown(folder.name)}; name the folder that holds study.toml "
            "(`study new` writes an empty one)"
        )
    reading = read_settings(folder / SHEETS[0])
    settings, faults, warnings = reading.settings, [*reading.faults], [*reading.warnings]

    schedules, blinding, lock, found = _records(folder)
    faults += found
    specimens, known, found, said = specimen_sheet(
        folder / SHEETS[1], settings.study.compare, beside=settings.study.beside
    )
    faults += found
    warnings += said
    if not found:
        specimens, found = _named(folder, blinding, specimens, settings)
        faults += found
        faults += claim_faults(settings, _woods(specimens, blinding))

    takes, planned, found, said = take_sheet(
        folder / SHEETS[2], known, scheduled=scheduled_takes(schedules)
    )
    faults += found
    warnings += said
    if faults:
        raise InputError(*faults)
    warnings += take_warnings([*takes, *planned], specimens, settings)
    warnings += _waiting(takes, planned)
    warnings += _unnamed(folder, takes)
    return Study(
        folder=folder,
        name=slug(folder.name),
        settings=settings,
        specimens=tuple(specimens),
        takes=tuple(takes),
        warnings=tuple(warnings),
        planned=tuple(planned),
        schedules=schedules,
        blinding=blinding,
        lock=lock,
    )


def _records(
    folder: Path,
) -> tuple[tuple[Scheduled, ...], Blinding | None, Lock | None, list[str]]:
    """What was written down beside the sheets, and what of it cannot be read."""
    found: list = []
    faults: list[str] = []
    for read, nothing in ((read_schedules, ()), (read_blinding, None), (read_lock, None)):
        try:
            found.append(read(folder))
        except InputError as error:
            found.append(nothing)
            faults += error.faults
    return (*found, faults)


def _named(
    folder: Path, blinding: Blinding | None, specimens: list[Specimen], settings: Settings
) -> tuple[list[Specimen], list[str]]:
    """The specimens under their own names where the key was opened."""
    if blinding is None or not blinding.opened:
        return specimens, []
    try:
        return named(folder, blinding, specimens, compare=settings.study.compare), []
    except InputError as error:
        return specimens, list(error.faults)


def _woods(specimens: list[Specimen], blinding: Blinding | None) -> tuple[str, ...]:
    """The woods that a claim may name."""
    if blinding is not None and not blinding.opened:
        return blinding.woods
    return tuple(dict.fromkeys(s.wood for s in specimens if s.role == ""))


def _waiting(takes: list[Take], planned: list[Take]) -> list[str]:
    """Batches that were begun and lack recordings of their schedule."""
    begun = {take.batch for take in takes}
    waiting: dict[str, list[Take]] = {}
    for take in planned:
        if take.batch in begun:
            waiting.setdefault(take.batch, []).append(take)
    return [
        f"{SHEETS[2]}: {len(lacking)} scheduled take{'s' if len(lacking) > 1 else ''} of batch "
        f"{shown(batch)} {'have' if len(lacking) > 1 else 'has'} no recording yet (first "
        f"{shown(lacking[0].take)}, row {lacking[0].row})"
        for batch, lacking in waiting.items()
    ]


def _unnamed(folder: Path, takes: list[Take]) -> list[str]:
    files = unnamed_recordings(folder, (take.file for take in takes))
    if not files:
        return []
    few = listed(map(shown, files[:3])) if len(files) < 4 else f"{shown(files[0])} and others"
    count = "1 recording is" if len(files) == 1 else f"{len(files)} recordings are"
    return [
        f"recordings/: {count} in no row of takes.csv ({few}); a take that is not used belongs in "
        "takes.csv with exclude and a reason"
    ]


def file_hashes(study: Study) -> dict[str, str]:
    """SHA-256 of the sheets, of what was recorded beside them, and of every recording, by path from
    the study folder. A key that was not opened is left alone.

    Files are read in blocks. The order is that of the sheets, then of takes.csv.

    Raises
    ------
    InputError : a file has gone or cannot be read.
    """
    beside = [name for name in (SCHEDULE, LOCK, RECORD) if (study.folder / name).is_file()]
    if study.blinding is not None and study.blinding.opened:
        beside.append(KEY)
    names = [*SHEETS, *beside, *dict.fromkeys(take.file for take in study.takes)]
    return {name: sha256(study.folder / name) for name in names}
