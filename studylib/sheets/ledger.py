"""The ledger: every comparison of a locked study that a run has shown, one line each.

Whoever looks after each batch and stops at the first difference errs more often than the report
says, so a run of a locked study adds a line to `ledger.jsonl`: when, and which boards by their
recordings. A look is an entry with a board that no earlier one had; a rerun, a corrected sheet, a
new name or an opened key is an entry and no look. Entries that share no board with the comparison
in hand are of another stage.

Each line holds the SHA-256 of the line before it, so that one taken out or changed shows. Lines
taken off the end leave no gap: only a report that names the last line's SHA-256 tells. Nothing else
counts on the file, and no run is refused for it.

Functions: `read_ledger`, `add_entry`. Class: `Ledger`.
"""

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from studylib.sheets.records import minute
from studylib.writing import write_whole

LEDGER = "ledger.jsonl"

Recorded = Mapping[str, frozenset[str]]


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
        except (AttributeError, KeyError, TypeError, ValueError):
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
    write_whole(path, before + gap + line + b"\n")
