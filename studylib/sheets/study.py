"""Read a study folder: study.toml, specimens.csv and takes.csv as one typed, checked object.

All faults of the folder are reported together, each as a note that names the file, the row as the
spreadsheet counts it (the header is row 1), the column, and what would be right. What is only
suspicious is a warning and stays with the study.

The three files are read independently as far as that goes, so that a slip in one does not hide the
slips in the others. Recordings are looked up and compared, not opened as audio.

Functions: `read_study`, `read_unrecorded`, `file_hashes`, `recording_order`, `in_batch_order`.
Class: `Study`.
"""

import os
from collections.abc import Callable, Container, Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from studylib import codes, errors, writing
from studylib.sheets import between_rows, files, listening, records, settings_file, tables
from studylib.sheets.blinding import BLINDING, Blinding, named, read_blinding, still_coded
from studylib.sheets.files import SHEETS, SPECIMENS, TAKES, TOML
from studylib.sheets.lock import LOCK, Lock, changes_since, decided, lock_of, read_locks
from studylib.sheets.rows import Specimen, Take, with_planks
from studylib.sheets.settings import Settings
from studylib.words.text import nearest

# Where the notebooks' own default, the demo, is looked for when they run in another folder.
NOTEBOOKS = Path(__file__).parents[2] / "notebooks"
DIGITS = 12


@dataclass(frozen=True)
class Study:
    """A study folder without faults.

    Attributes
    ----------
    folder : absolute path of the study folder.
    name : the folder's own name, made safe for a file name.
    settings : study.toml with its defaults.
    specimens, takes : in the order of their tables; a take here has its recording.
    warnings : notes about what a person should look at.
    planned : takes of the schedule whose recording is not there yet.
    schedules : what was planned.  blinding : the keys of a blind study.  locks : oldest first.
    written : the specimens as specimens.csv has them, coded or not.
    """

    folder: Path
    name: str
    settings: Settings
    specimens: tuple[Specimen, ...]
    takes: tuple[Take, ...]
    warnings: tuple[str, ...] = ()
    planned: tuple[Take, ...] = ()
    schedules: tuple[records.Scheduled, ...] = ()
    blinding: tuple[Blinding, ...] = ()
    locks: tuple[Lock, ...] = ()
    written: tuple[Specimen, ...] = ()

    @property
    def semicolons(self) -> bool:
        """takes.csv is written with semicolons, as where decimals have commas."""
        return files.read_table(self.folder / TAKES).semicolons

    @property
    def stages(self) -> tuple[int, ...]:
        """The stages that were planned, 1, 2, ...; one where nothing was."""
        return tuple(sorted({one.stage for one in self.schedules})) or (1,)

    @cached_property
    def stage_of(self) -> dict[str, int]:
        """The stage of each board: that of its first schedule, else of its first take. A board
        without either belongs to none yet."""
        batches = {name: one.stage for one in self.schedules for name in one.batches}
        found = {
            take.specimen: batches.get(take.batch, self.stages[-1])
            for take in reversed(self._rows)
            if take.specimen
        }
        return found | {b: one.stage for one in reversed(self.schedules) for b in one.boards}

    @property
    def recorded_stages(self) -> tuple[int, ...]:
        """The stages of which anything is recorded, the first one in any case."""
        return (
            tuple(sorted({stage for stage in self.stages if self.of_stages(stage).takes}))
            or self.stages[:1]
        )

    def of_stages(self, *stages: int) -> "Study":
        """Some stages alone: their boards with the reference, their batches, keys and locks; boards
        that belong to no stage yet are left out."""
        if not self.schedules:
            return self
        batches = {name: one.stage for one in self.schedules for name in one.batches}
        own = {board for board, stage in self.stage_of.items() if stage in stages}
        compared = own & {s.specimen for s in self.with_role("")}
        boards = compared | {s.specimen for s in self.specimens if s.role}

        def here(take: Take) -> bool:
            return batches.get(take.batch, self.stages[-1]) in stages

        return replace(
            self,
            specimens=tuple(s for s in self.specimens if s.specimen in boards),
            written=tuple(s for s in self.written if s.specimen in boards),
            takes=tuple(filter(here, self.takes)),
            planned=tuple(filter(here, self.planned)),
            schedules=tuple(one for one in self.schedules if one.stage in stages),
            blinding=tuple(key for key in self.blinding if compared & set(key.boards)),
            locks=tuple(lock for lock in self.locks if lock.content["stage"] in stages),
        )

    def from_stage(self, stage: int) -> "Study":
        """Without the boards of earlier stages; those that belong to none yet are kept."""
        earlier = {board for board, number in self.stage_of.items() if number < stage}
        return replace(
            self, specimens=tuple(s for s in self.specimens if s.role or s.specimen not in earlier)
        )

    @property
    def lock(self) -> Lock | None:
        """The lock that counts for the last stage; None where it is not locked."""
        return lock_of(self.locks, self.stages[-1])

    @property
    def looks(self) -> int:
        """How many looks were planned: in the lock, or in study.toml where there is none."""
        return (self.lock.content["settings"]["decide"] if self.lock else {}).get(
            "looks", self.settings.decide.looks
        )

    @property
    def looks_at_fault(self) -> list[str]:
        """A fault where looks are planned after recording, and were not before."""
        now, first = self.settings.decide.looks, self.locks[:1]
        before = first[0].content["settings"]["decide"].get("looks", 1) if first else 1
        return codes.holding(
            (
                self.takes and now != before,
                codes.note("records.looks_late", file=TOML, now=now, before=before),
            )
        )

    @cached_property
    def compared(self) -> "Study":
        """What a report compares: the last stage that is recorded. Where looks were planned, all
        that are recorded and have their names, unless the last still waits for its key."""
        if len(self.stages) == 1:
            return self
        parts = [self.of_stages(stage) for stage in self.recorded_stages]
        return (
            parts[-1]
            if self.looks == 1 or parts[-1].coded
            else self.of_stages(*(part.stages[0] for part in parts if not part.coded))
        )

    @cached_property
    def _digits(self) -> dict[str, str]:
        """Take -> the first digits of its recording's SHA-256."""
        return {t.take: files.sha256(self.path_of(t))[:DIGITS] for t in self.takes}

    def boards_recorded(self, *, failed: Container[str] = ()) -> dict[str, frozenset[str]]:
        """Boards under comparison -> the first digits of the SHA-256 of their recordings.

        failed : batches that are not in the comparison.
        """
        boards = {s.specimen for s in self.with_role("")}
        found = files.grouped(
            (t.specimen, self._digits[t.take])
            for t in self.takes
            if t.specimen in boards and not t.exclude and t.batch not in failed
        )
        return {board: frozenset(recordings) for board, recordings in found.items()}

    @property
    def coded(self) -> bool:
        """Some board stands under a code whose key is not opened."""
        return bool(still_coded(self.blinding))

    @property
    def claims_at_fault(self) -> list[str]:
        """Faults of claims about woods that are not there; none of a study that was read whole."""
        return _claims(self.settings, self.specimens, self.blinding, self.locks)

    def decided(self, stage: int) -> dict:
        """What a lock holds of a stage (`lock.decided`); of the only one, with the new boards."""
        own = self if len(self.stages) == 1 else self.of_stages(stage)
        return decided(own.settings, own.written, own._rows, own.blinding)

    @property
    def changed_since_lock(self) -> list[str]:
        """What is not as it was when its stages were locked; none without a lock."""
        return [
            change
            for stage in self.stages
            if (lock := lock_of(self.locks, stage))
            for change in changes_since(lock, self.decided(stage))
        ]

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
        return tuple(self.boards_by_wood)

    @property
    def boards_by_wood(self) -> dict[str, list[Specimen]]:
        """Boards under comparison by wood, in the order of specimens.csv."""
        boards = self.with_role("")
        return {
            wood: [s for s in boards if s.wood == wood]
            for wood in dict.fromkeys(s.wood for s in boards)
        }

    def with_role(self, role: str) -> tuple[Specimen, ...]:
        """The specimens of a role, such as the reference; "" for those under comparison."""
        return tuple(s for s in self.specimens if s.role == role)

    @cached_property
    def _by_id(self) -> dict[str, Specimen]:
        return {s.specimen: s for s in self.specimens}

    def specimen(self, name: str) -> Specimen:
        """The specimen with this id.

        Raises
        ------
        InputError : there is none; the fault gives the nearest id.
        """
        if name not in self._by_id:
            raise errors.InputError(
                codes.note(
                    "sheets.no_specimen", name=name, nearest=nearest(name, tuple(self._by_id))
                )
            )
        return self._by_id[name]

    def takes_of(self, batch: str) -> tuple[Take, ...]:
        """The takes of one batch by `order`, then by row; takes without an order come last.

        Raises
        ------
        InputError : there is no such batch; the fault gives the nearest.
        """
        return _in_order(batch, self.takes, self.batches)

    def scheduled_of(self, batch: str) -> tuple[Take, ...]:
        """The same with the takes that wait for their recording.

        Raises
        ------
        InputError : there is no such batch; the fault gives the nearest.
        """
        return _in_order(batch, self._rows, self.all_batches)

    @property
    def _rows(self) -> tuple[Take, ...]:
        return tuple(sorted((*self.takes, *self.planned), key=lambda take: take.row))

    @cached_property
    def takes_on(self) -> dict[str, list[Take]]:
        """Specimen -> its takes, as they stand in the sheet."""
        return files.grouped((take.specimen, take) for take in self.takes)

    def path_of(self, take: Take) -> Path:
        """Absolute path of a take's recording."""
        return self.folder / take.file

    def specimen_table(self) -> pd.DataFrame:
        """One row a specimen: specimen, wood, source, source_assumed, role, sizes (mm, g, %), then
        the covariates. What was not measured is NaN."""
        covariates = dict.fromkeys(name for s in self.specimens for name in s.covariates)
        numbers = [*tables.MEASURED, *covariates]
        columns = ["specimen", "wood", "source", "source_assumed", "role", *numbers]
        rows = [s.model_dump() | s.covariates for s in self.specimens]
        return pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(numbers, "float64"))


def _in_order(batch: str, takes: Iterable[Take], batches: tuple[str, ...]) -> tuple[Take, ...]:
    found = [take for take in takes if take.batch == batch]
    if not found:
        raise errors.InputError(
            codes.note("sheets.no_batch", name=batch, nearest=nearest(batch, batches))
        )
    return tuple(sorted(found, key=lambda t: (t.order is None, t.order or 0.0, t.row)))


def read_study(folder: Path | str) -> Study:
    """Read and check a study folder.

    Parameters
    ----------
    folder : holds study.toml, specimens.csv, takes.csv and the recordings.

    Returns
    -------
    The study: its settings, boards, takes, and what looks odd in the sheets.

    Raises
    ------
    InputError : with all faults of the folder together, by file and row.

    Examples
    --------
    >>> study = st.read_study("data_demo")
    >>> study.woods
    ('larch', 'cherry', 'robinia')
    """
    return _read(folder, unrecorded=False)


def read_unrecorded(folder: Path | str) -> Study:
    """Read a study folder that need not be recorded yet, as planning, coding and locking do.

    Tables without rows are no fault here. Boards stay as specimens.csv has them, even where a key
    was opened; nothing is warned about.

    Raises
    ------
    InputError : with all faults together; missing recordings of the schedule are none.
    """
    return _read(folder, unrecorded=True)


def _read(folder: Path | str, *, unrecorded: bool) -> Study:
    places = [Path(os.path.abspath(base / folder)) for base in (Path(), NOTEBOOKS)]
    folder = next((place for place in places if place.is_dir()), places[0])
    errors.InputError.refuse(
        not folder.is_dir(), "sheets.no_folder", name=folder.name, place=folder
    )
    writing.settle(folder)
    settings, faults, of_settings = settings_file.read_settings(folder / TOML)

    def read(what: Callable[..., Any], *args: Any, without: Any, **options: Any) -> Any:
        """What can be read; else what goes `without` it, and its faults are kept."""
        try:
            return what(*args, **options)
        except errors.InputError as error:
            faults.extend(error.notes)
            return without

    schedules, blinding, locks = (
        read(one, folder, without=()) for one in (records.read_schedules, read_blinding, read_locks)
    )
    compare = settings.study.compare
    boards = read(
        tables.specimen_sheet,
        folder / SPECIMENS,
        compare,
        may_be_empty=unrecorded,
        without=tables.Sheet(),
    )
    faults += boards.faults
    specimens = boards.rows
    if not (boards.ids is None or boards.faults or unrecorded):
        specimens = read(named, folder, blinding, specimens, compare=compare, without=specimens)
        faults += _claims(settings, specimens, blinding, locks)
    takes = read(
        tables.take_sheet,
        folder / TAKES,
        boards.ids,
        scheduled=frozenset(take for one in schedules for take in one.takes),
        may_be_empty=unrecorded,
        without=tables.Sheet(),
    )
    faults += takes.faults
    errors.InputError.refuse_all(faults)
    specimens = with_planks(specimens, separate_trees=settings.study.separate_trees)
    warnings = (
        ()
        if unrecorded
        else (
            *between_rows.plank_warnings(specimens, settings),
            *(*of_settings, *boards.warnings, *takes.warnings),
            *between_rows.take_warnings([*takes.rows, *takes.waiting], specimens, settings),
            *between_rows.waiting_takes(takes.rows, takes.waiting),
            *files.unnamed_recordings(folder, (take.file for take in takes.rows)),
        )
    )
    return Study(
        folder=folder,
        name=writing.slug(folder.name),
        settings=settings,
        specimens=tuple(specimens),
        takes=tuple(takes.rows),
        warnings=warnings,
        planned=takes.waiting,
        schedules=schedules,
        blinding=blinding,
        locks=locks,
        written=tuple(boards.rows),
    )


def _claims(
    settings: Settings,
    specimens: Iterable[Specimen],
    keys: Iterable[Blinding],
    locks: Iterable[Lock],
) -> list[str]:
    """Claims about woods that are neither under comparison nor in a key. Where a key has gone that
    was locked, nobody can tell, and the lock lists that."""
    if {name for lock in locks for name in lock.content["keys"]} - {key.key for key in keys}:
        return []
    woods = [wood for key in keys for wood in key.woods]
    woods += [s.wood for s in specimens if s.role == ""]
    return settings_file.claim_faults(settings, tuple(dict.fromkeys(woods)))


def file_hashes(study: Study) -> dict[str, str]:
    """SHA-256 of the sheets, of what was recorded beside them, of a blind test and its results, and
    of every recording, by path from the study folder. A key that was not opened is left alone.

    Files are read in blocks. The order is that of the sheets, then of takes.csv.

    Raises
    ------
    InputError : a file has gone or cannot be read.
    """
    beside = [
        name for name in (records.SCHEDULE, LOCK, BLINDING) if (study.folder / name).is_file()
    ]
    heard = sorted((study.folder / listening.FOLDER).rglob("*.csv"))
    names = [
        *SHEETS,
        *beside,
        *(key.key for key in study.blinding if key.opened),
        *(path.relative_to(study.folder).as_posix() for path in heard),
        *dict.fromkeys(take.file for take in study.takes),
    ]
    return {name: files.sha256(study.folder / name) for name in names}


def recording_order(takes: Iterable[Take]) -> pd.DataFrame:
    """One row a mount of a specimen, in the order of recording.

    Batches follow each other by their first take's start, or by their first row where no start is
    known. Within a batch the takes go by the column order where all have one, else by their starts,
    else by their rows. Clocks with and without a zone cannot be compared: what the clock showed
    counts.

    Columns: specimen, batch, mount; number (1, 2, ... over the whole study, of the mount's first
    take); place (0 for the first take of the batch, 1 for its last; the mean over the mount's
    takes); started (of its first take, NaT where unknown); by ("order", "started" or "row").
    """
    own = list(files.grouped((take.batch, take) for take in takes).values())
    if all(take.started for batch in own for take in batch):
        own.sort(key=lambda batch: min(map(_clock, batch)))
    rows = []
    for batch in own:
        by, ordered = in_batch_order(batch)
        last = max(len(ordered) - 1, 1)
        rows += [
            (take.specimen, take.batch, take.mount, rank / last, _clock(take), by)
            for rank, take in enumerate(ordered)
            if take.specimen and take.mount is not None
        ]
    mounts = (
        pd.DataFrame(rows, columns=["specimen", "batch", "mount", "place", "started", "by"])
        .groupby(["specimen", "batch", "mount"], sort=False)
        .agg(place=("place", "mean"), started=("started", "first"), by=("by", "first"))
        .reset_index()
    )
    return mounts.assign(number=range(1, len(mounts) + 1))[
        ["specimen", "batch", "mount", "number", "place", "started", "by"]
    ]


def _clock(take: Take) -> datetime | None:
    """What the clock showed."""
    return take.started.replace(tzinfo=None) if take.started else None


def in_batch_order(takes: list[Take]) -> tuple[str, list[Take]]:
    """What the order of these takes rests on ("order", "started" or "row"), and the takes in it."""
    if all(take.order is not None for take in takes):
        return "order", sorted(takes, key=lambda take: take.order)
    return (
        ("started", sorted(takes, key=_clock))
        if all(take.started for take in takes)
        else ("row", takes)
    )
