"""What was scheduled: `schedule.json` in the study folder, written by `study plan`.

It keeps, for each time that batches were planned, the seed, the batches and the takes, so that the
order can be made again and a take without a recording is known as planned, not as lost. A take that
stands in takes.csv alone, written by hand, must have its recording.

Functions: `read_schedules`, `scheduled_takes`, `without_recording`. Class: `Scheduled`.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from studylib.errors import InputError
from studylib.sheets.rows import Take
from studylib.sheets.spreadsheet import Row, Table

SCHEDULE = "schedule.json"


@dataclass(frozen=True)
class Scheduled:
    """One planning: its seed, the batches and the takes that it wrote, in run order."""

    seed: int
    batches: tuple[str, ...]
    takes: tuple[str, ...]


def read_schedules(folder: Path) -> tuple[Scheduled, ...]:
    """Every planning of this study, oldest first; none where nothing was planned.

    Raises
    ------
    InputError : the file is there but does not hold what `study plan` writes.
    """
    path = folder / SCHEDULE
    if not path.exists():
        return ()
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        return tuple(
            Scheduled(
                int(one["seed"]), tuple(map(str, one["batches"])), tuple(map(str, one["takes"]))
            )
            for one in content["schedules"]
        )
    except (OSError, ValueError, KeyError, TypeError):
        raise InputError(
            f"{SCHEDULE} cannot be read as what `study plan` wrote; put the file back as it was, "
            "or delete it once every take in takes.csv is recorded"
        ) from None


def scheduled_takes(schedules: Iterable[Scheduled]) -> frozenset[str]:
    """The ids of all takes that were ever scheduled."""
    return frozenset(take for one in schedules for take in one.takes)


def without_recording(folder: Path, table: Table, scheduled: frozenset[str]) -> frozenset[int]:
    """Numbers of the rows that are scheduled and whose recording is not there yet."""
    return frozenset(row.number for row in table.rows if _waits(folder, row, scheduled))


def _waits(folder: Path, row: Row, scheduled: frozenset[str]) -> bool:
    name, file = row.cells.get("take", ""), row.cells.get("file", "")
    # A link that leads nowhere is there, and a fault: hence lexists.
    return name in scheduled and bool(file) and not _there(folder / file)


def _there(path: Path) -> bool:
    try:
        return path.is_symlink() or path.exists()
    except OSError:  # a name too long for the drive: told as a fault of the row
        return True


def split(takes: Iterable[Take], waiting: frozenset[int]) -> tuple[list[Take], list[Take]]:
    """Takes with a recording, and those that wait for one."""
    takes = list(takes)
    return (
        [take for take in takes if take.row not in waiting],
        [take for take in takes if take.row in waiting],
    )
