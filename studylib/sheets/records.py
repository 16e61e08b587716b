"""What is written down beside the sheets: the schedule, and the ledger of looks.

The schedule, the lock (`lock`) and the keys of a blind study (`blinding`) are files beside the
sheets. `study plan` writes `schedule.json`: for each time that batches were planned the stage, its
boards, the seed, the batches and the takes, so that the order can be made again and a take without
a recording is known as planned, not as lost. A take that stands in takes.csv alone must have its
recording.

The ledger holds every comparison of a locked study that a run has shown, one line each. Whoever
looks after each batch and stops at the first difference errs more often than the report
says, so a run of a locked study adds a line to `ledger.jsonl`: when, and which boards by their
recordings. A look is an entry with a board that no earlier one had; a rerun, a corrected sheet, a
new name or an opened key is an entry and no look. Entries that share no board with the comparison
in hand are of another stage.

Each line holds the SHA-256 of the line before it, so that one taken out or changed shows. Lines
taken off the end leave no gap: only a report that names the last line's SHA-256 tells. Nothing else
counts on the file, and no run is refused for it.

Functions: `read_record`, `minute`; `read_schedules`, `schedules_text`, `without_recording`;
`read_ledger`, `add_entry`. Classes: `Scheduled`, `Ledger`.
"""

import hashlib
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from studylib import codes, errors, writing
from studylib.sheets.files import Table

SCHEDULE, LEDGER = "schedule.json", "ledger.jsonl"

Recorded = Mapping[str, frozenset[str]]


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


def without_recording(folder: Path, table: Table, scheduled: frozenset[str]) -> frozenset[int]:
    """Numbers of the rows that are scheduled and whose recording is not there yet."""
    return frozenset(
        row.number
        for row in table.rows
        if row.cells.get("take") in scheduled
        and row.cells.get("file")
        and not _is_there(folder / row.cells["file"])
    )


def _is_there(path: Path) -> bool:
    try:
        # A link that leads nowhere is there, and a fault.
        return path.is_symlink() or path.exists()
    except OSError:  # a name too long for the drive: told as a fault of the row
        return True


# Looks


@dataclass(frozen=True)
class Ledger:
    """The entries that can be read, oldest first: of each the recordings of its boards.

    whole : every line holds the one before it.  last : SHA-256 of the last line, "" without one.
    """

    entries: tuple[Recorded, ...]
    whole: bool
    last: str

    def looks(self, boards: Recorded) -> tuple[int, ...]:
        """How many boards had been seen by each look up to a comparison, that one as the last."""
        mine = frozenset().union(*boards.values())
        seen: set[str] = set()
        sizes = [0]
        for entry in (*self.entries, boards):
            known = frozenset().union(*entry.values())
            new = sum(seen.isdisjoint(recordings) for recordings in entry.values())
            if new and mine & known:
                sizes.append(sizes[-1] + new)
                seen |= known
        return tuple(sizes[1:])


def read_ledger(folder: Path) -> Ledger:
    """The ledger of a study folder; without entries where there is none."""
    path, entries, whole, last = folder / LEDGER, [], True, ""
    for line in path.read_bytes().splitlines() if path.is_file() else ():
        try:
            found = json.loads(line)
            boards = {name: frozenset(own) for name, own in found["boards"].items()}
            whole = whole and found["previous"] == last
            entries.append(boards)
        except (AttributeError, KeyError, TypeError, ValueError, RecursionError):
            whole = False
        last = hashlib.sha256(line).hexdigest()
    return Ledger(tuple(entries), whole, last)


def add_entry(folder: Path, boards: Recorded, *, when: datetime) -> None:
    """Add a comparison of these boards to the ledger; what stands there is kept to the byte."""
    path = folder / LEDGER
    before = path.read_bytes() if path.is_file() else b""
    line = json.dumps(
        {
            "boards": {name: sorted(own) for name, own in boards.items()},
            "previous": read_ledger(folder).last,
            "when": minute(when),
        },
        sort_keys=True,
        ensure_ascii=False,
    ).encode("utf-8")
    gap = b"\n" if before and not before.endswith(b"\n") else b""
    writing.write_whole(path, before + gap + line + b"\n")
