"""What is written down beside the sheets, and the schedule.

The schedule, the lock (`lock`) and the keys of a blind study (`blinding`) are files beside the
sheets. `study plan` writes `schedule.json`: for each time that batches were planned the stage, its
boards, the seed, the batches and the takes, so that the order can be made again and a take without
a recording is known as planned, not as lost. A take that stands in takes.csv alone must have its
recording.

Functions: `read_record`, `minute`; `read_schedules`, `schedules_text`, `scheduled_takes`,
`without_recording`. Class: `Scheduled`.
"""

from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from studylib import codes, errors, writing
from studylib.sheets.files import Row, Table

SCHEDULE = "schedule.json"


@dataclass(frozen=True)
class Scheduled:
    """One planning: its stage and the boards under comparison in it, its seed, the batches and the
    takes that it wrote, in run order."""

    seed: int
    batches: tuple[str, ...]
    takes: tuple[str, ...]
    stage: int = 1
    boards: tuple[str, ...] = ()


def read_record(
    folder: Path, name: str, command: str, made: Callable[[dict[str, Any]], Any]
) -> Any:
    """A record as `made` of its JSON; empty where there is none.

    Raises
    ------
    InputError : the file is there but does not hold what `study <command>` writes.
    """
    if not (folder / name).exists():
        return ()
    try:
        return made(writing.read_json(folder / name))
    except (AttributeError, KeyError, TypeError, ValueError):
        raise errors.InputError(
            codes.note("records.unreadable", file=name, command=command)
        ) from None


def minute(when: datetime) -> str:
    """A moment as records give it."""
    return when.isoformat(timespec="minutes")


def read_schedules(folder: Path) -> tuple[Scheduled, ...]:
    """Every planning of this study, oldest first; none where nothing was planned.

    A file from before there were stages is of the first stage, and names no boards.

    Raises
    ------
    InputError : the file is there but does not hold what `study plan` writes.
    """
    return read_record(
        folder,
        SCHEDULE,
        "plan",
        lambda content: tuple(
            Scheduled(
                seed=int(one["seed"]),
                stage=int(one.get("stage", 1)),
                boards=tuple(map(str, one.get("boards", ()))),
                **{name: tuple(map(str, one[name])) for name in ("batches", "takes")},
            )
            for one in content["schedules"]
        ),
    )


def schedules_text(schedules: Iterable[Scheduled]) -> str:
    """The file that `read_schedules` reads back."""
    return writing.json_text({"schedules": [asdict(one) for one in schedules]})


def scheduled_takes(schedules: Iterable[Scheduled]) -> frozenset[str]:
    """The ids of all takes that were ever scheduled."""
    return frozenset(take for one in schedules for take in one.takes)


def without_recording(folder: Path, table: Table, scheduled: frozenset[str]) -> frozenset[int]:
    """Numbers of the rows that are scheduled and whose recording is not there yet."""
    return frozenset(row.number for row in table.rows if _waits(folder, row, scheduled))


def _waits(folder: Path, row: Row, scheduled: frozenset[str]) -> bool:
    file = row.cells.get("file", "")
    path = folder / file
    try:
        # A link that leads nowhere is there, and a fault.
        there = path.is_symlink() or path.exists()
    except OSError:  # a name too long for the drive: told as a fault of the row
        there = True
    return row.cells.get("take", "") in scheduled and bool(file) and not there
