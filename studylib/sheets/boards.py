"""A study before it is recorded: settings, boards and whatever takes.csv holds so far.

What `study plan`, `study blind` and `study lock` work on: tables without rows are no fault here,
and recordings are only counted.

Function: `read_boards`. Class: `Boards`.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from studylib.errors import InputError
from studylib.sheets.rows import Specimen, Take
from studylib.sheets.scheduled import Scheduled, read_schedules, scheduled_takes
from studylib.sheets.settings import Settings
from studylib.sheets.settings_file import read_settings
from studylib.sheets.tables import specimen_sheet, take_sheet
from studylib.words.text import shown


@dataclass(frozen=True)
class Boards:
    """What is known of a study at its beginning.

    Attributes
    ----------
    specimens : rows of specimens.csv; may be empty.
    recorded, planned : rows of takes.csv with and without a recording.
    schedules : what was planned so far.
    """

    folder: Path
    settings: Settings
    specimens: tuple[Specimen, ...]
    recorded: tuple[Take, ...]
    planned: tuple[Take, ...]
    schedules: tuple[Scheduled, ...]

    @property
    def woods(self) -> dict[str, list[Specimen]]:
        """Boards under comparison by wood, in the order of specimens.csv."""
        woods: dict[str, list[Specimen]] = {}
        for specimen in self.specimens:
            if specimen.role == "":
                woods.setdefault(specimen.wood, []).append(specimen)
        return woods

    def with_role(self, role: str) -> tuple[Specimen, ...]:
        """The specimens of a role, such as the reference."""
        return tuple(s for s in self.specimens if s.role == role)


def read_boards(folder: Path | str) -> Boards:
    """Read a study folder that need not be recorded yet.

    Raises
    ------
    InputError : with all faults together; tables without rows and missing recordings of the
        schedule are none.
    """
    folder = Path(os.path.abspath(folder))
    if not folder.is_dir():
        raise InputError(
            f"there is no study folder {shown(folder.name)}; name the folder that holds study.toml "
            "(`study new` writes an empty one)"
        )
    reading = read_settings(folder / "study.toml")
    schedules = read_schedules(folder)
    specimens, known, found, _ = specimen_sheet(
        folder / "specimens.csv",
        reading.settings.study.compare,
        beside=reading.settings.study.beside,
        empty=True,
    )
    recorded, planned, wrong, _ = take_sheet(
        folder / "takes.csv", known, scheduled=scheduled_takes(schedules), empty=True
    )
    faults = [*reading.faults, *found, *wrong]
    if faults:
        raise InputError(*faults)
    return Boards(
        folder, reading.settings, tuple(specimens), tuple(recorded), tuple(planned), schedules
    )
