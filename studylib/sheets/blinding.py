"""Codes in place of boards, woods and planks, and the keys that take them back.

Woods differ to the eye, so whoever stands at the bench is not blind; whoever analyses can be.
`study blind` gives each board that has no code yet, its wood and its plank a code and puts the new
rows of specimens.csv in another order; their own names, with grain and note, move to a key, which
can be handed to somebody else. What stays to be seen, such as mass and sizes, can give a wood away;
no program can hide that.

Each stage of a study has a key of its own, woods.key.csv, woods.key2.csv, ..., with letters of its
own, so that opening one says nothing of the next. Boards that are coded before their stage is
scheduled join the same key. `blind.json` records for each key when codes were given, what it holds,
its SHA-256, and when it was opened: an opened key is used from then on, and the report says so.
Codes are given and keys opened as one change of all files (`writing.write_together`).

Functions: `read_blinding`, `code_specimens`, `open_key`, `named`, `coded_boards`, `still_coded`.
Class: `Blinding`.
"""

import hashlib
import random
from collections.abc import Collection, Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from studylib import errors, writing
from studylib.codes import note
from studylib.sheets.files import SPECIMENS, Table, read_table, sha256, table_text
from studylib.sheets.records import minute, read_record
from studylib.sheets.rows import Specimen

BLINDING, KEY = "blind.json", "woods.key.csv"
HIDDEN = ("source", "grain", "note")  # columns besides the wood that can give it away
OWN_NAME = "own_name"


@dataclass(frozen=True)
class Blinding:
    """How the boards of one key are blind.

    key : name of its file.  sha256 : of the key as it was made.
    coded : when codes were given, ISO 8601, one for each time.
    boards : the codes of its boards; planks : how many planks have codes.
    woods : the woods' own names in alphabetical order, which says nothing of the codes.
    opened : when the key was opened; "" while it is not.
    after_run : whether a report of these boards under their codes was there when it was opened.
    """

    key: str
    sha256: str
    coded: tuple[str, ...]
    boards: tuple[str, ...]
    planks: int
    woods: tuple[str, ...]
    opened: str = ""
    after_run: bool = False


def read_blinding(folder: Path) -> tuple[Blinding, ...]:
    """The keys of a study, oldest first; none where it never was blind.

    Raises
    ------
    InputError : the record is there but cannot be read.
    """
    return read_record(
        folder,
        BLINDING,
        "blind",
        lambda record: tuple(
            Blinding(
                key=str(one["key"]),
                sha256=str(one["sha256"]),
                coded=tuple(map(str, one["coded"])),
                boards=tuple(map(str, one["boards"])),
                planks=int(one["planks"]),
                woods=tuple(map(str, one["woods"])),
                opened=str(one["opened"]),
                after_run=bool(one["after_run"]),
            )
            for one in record["keys"]
        ),
    )


def _record(keys: Iterable[Blinding]) -> str:
    return writing.json_text({"keys": [asdict(key) for key in keys]})


def coded_boards(keys: Iterable[Blinding]) -> frozenset[str]:
    """The codes of all boards that have one."""
    return frozenset(board for key in keys for board in key.boards)


def still_coded(keys: Iterable[Blinding]) -> tuple[Blinding, ...]:
    """The keys that are not opened."""
    return tuple(key for key in keys if not key.opened)


def code_specimens(
    folder: Path,
    *,
    compare: str,
    when: datetime,
    rng: random.Random,
    scheduled: Collection[str] = (),
) -> Blinding:
    """Give codes to the rows of specimens.csv that are neither coded nor scheduled.

    Parameters
    ----------
    compare : the column under comparison.
    rng : where the codes come from; for a real study one that cannot be repeated.
    scheduled : boards of the schedule, by the names that specimens.csv has.

    Raises
    ------
    InputError : a key lies there that nobody recorded, the key that new boards belong into is away,
        or no board is without a code.
    """
    keys = read_blinding(folder)
    given = {*coded_boards(keys), *scheduled}
    sheet = read_table(folder / SPECIMENS)
    rows = [row.cells for row in sheet.rows]
    new = [row for row in rows if row["specimen"] not in given]
    errors.InputError.refuse(not new, "records.all_coded", file=SPECIMENS)
    last = (
        keys[-1] if keys and not (keys[-1].opened or set(keys[-1].boards) & {*scheduled}) else None
    )
    before = keys[:-1] if last else keys
    name = f"woods.key{len(before) + 1}.csv" if before else KEY
    errors.InputError.refuse(
        last is None and (folder / name).exists(), "records.strange_key", file=name
    )
    known = [dict(row.cells) for row in _key(folder, last, compare).rows] if last else []
    rng.shuffle(new)
    made, shown = _codes(known, new, compare, before, {row["specimen"] for row in rows}, rng)
    listed, kept = [*known, *made], [row for row in rows if row not in new]
    text = table_text(
        ("specimen", OWN_NAME, compare, "code", "source", "source_code", "grain", "note"),
        listed,
        semicolons=sheet.semicolons,
    )
    blinding = Blinding(
        key=name,
        sha256=hashlib.sha256(text.encode("utf-8")).hexdigest(),
        coded=(*(last.coded if last else ()), minute(when)),
        boards=tuple(row["specimen"] for row in listed),
        planks=len({row["source_code"] for row in listed} - {""}),
        woods=tuple(sorted({row[compare] for row in listed} - {""})),
    )
    writing.write_together(
        folder,
        {
            name: text,
            SPECIMENS: table_text(sheet.columns, [*kept, *shown], semicolons=sheet.semicolons),
            BLINDING: _record([*before, blinding]),
        },
    )
    return blinding


def _codes(
    known: Sequence[dict[str, str]],
    new: Sequence[dict[str, str]],
    compare: str,
    before: Sequence[Blinding],
    taken: set[str],
    rng: random.Random,
) -> tuple[list[dict[str, str]], list[dict[str, str]]]:
    """Rows of the key and rows of specimens.csv for new boards, after `known` rows of the key."""
    woods = {row[compare]: row["code"] for row in known if row[compare]}
    sources = {row["source"]: row["source_code"] for row in known if row["source"]}
    letters = sum(len(key.woods) for key in before)
    planks = sum(key.planks for key in before)
    boards = sum(len(key.boards) for key in before) + len(known)
    order = sorted({row[compare] for row in new if row[compare]} - set(woods))
    rng.shuffle(order)
    woods |= {name: f"wood {_letters(n)}" for n, name in enumerate(order, letters + len(woods))}
    made, shown = [], []
    for row in new:
        code = f"B{boards + len(made) + 1:02d}"
        while code in taken:
            code += "b"
        source = row.get("source", "")
        if source:
            sources.setdefault(source, f"plank {planks + len(sources) + 1:02d}")
        codes = {"code": woods.get(row[compare], ""), "source_code": sources.get(source, "")}
        made.append(
            {
                "specimen": code,
                OWN_NAME: row["specimen"],
                compare: row[compare],
                **codes,
                **{n: row.get(n, "") for n in HIDDEN},
            }
        )
        shown.append(
            {
                **row,
                "specimen": code,
                compare: codes["code"],
                "source": codes["source_code"],
                "grain": "",
                "note": "",
            }
        )
    return made, shown


def open_key(
    folder: Path,
    *,
    specimens: Sequence[Specimen],
    compare: str,
    when: datetime,
    reported: Collection[str] = (),
) -> Blinding:
    """Record that the oldest closed key was opened; from then on its woods have their own names.

    reported : boards whose recordings are in a report; as the key was closed, under their codes.

    Raises
    ------
    InputError : the study is not blind, all keys are open, or the key does not fit.
    """
    keys = read_blinding(folder)
    closed = still_coded(keys)
    errors.InputError.refuse(not keys, "records.not_blind")
    errors.InputError.refuse(not closed, "records.opened_already", opened=keys[-1].opened)
    opened = replace(
        closed[0], opened=minute(when), after_run=bool(set(reported) & set(closed[0].boards))
    )
    named(folder, [opened], specimens, compare=compare)
    writing.write_together(
        folder, {BLINDING: _record(opened if key.key == opened.key else key for key in keys)}
    )
    return opened


def named(
    folder: Path, keys: Iterable[Blinding], specimens: Sequence[Specimen], *, compare: str
) -> list[Specimen]:
    """The specimens with the woods, planks and own names of the keys that are open.

    Raises
    ------
    InputError : a key is not there or was changed, or a board has a code that is not in it.
    """
    keys = tuple(keys)
    known = {
        row.cells["specimen"]: row.cells
        for key in keys
        if key.opened
        for row in _key(folder, key, compare).rows
    }
    codes = {cells["code"] for cells in known.values()} - {""}
    coded = coded_boards(keys)
    errors.InputError.refuse_all(
        [
            *(
                note("records.not_in_key", **_cell(s, "specimen"), value=s.specimen)
                for s in specimens
                if s.specimen not in coded and s.wood in codes
            ),
            *(
                note(
                    "records.other_code",
                    **_cell(s, compare),
                    value=s.wood,
                    specimen=s.specimen,
                    code=known[s.specimen]["code"],
                )
                for s in specimens
                if s.specimen in known and known[s.specimen]["code"] != s.wood
            ),
        ]
    )
    own = {
        board: {"wood": cells[compare], **{name: cells[name] for name in (OWN_NAME, *HIDDEN)}}
        for board, cells in known.items()
    }
    return [s.model_copy(update=own.get(s.specimen)) for s in specimens]


def _cell(specimen: Specimen, column: str) -> dict[str, Any]:
    return {"file": SPECIMENS, "row": specimen.row, "column": column}


def _key(folder: Path, key: Blinding, compare: str) -> Table:
    path = folder / key.key
    errors.InputError.refuse(not path.is_file(), "records.no_key", file=key.key)
    errors.InputError.refuse(
        sha256(path) != key.sha256, "records.other_key", file=key.key, record=BLINDING
    )
    table = read_table(path)
    errors.InputError.refuse(
        compare not in table.columns, "records.key_without_column", file=key.key, column=compare
    )
    return table


def _letters(n: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    return (_letters(n // 26 - 1) if n >= 26 else "") + chr(ord("A") + n % 26)
