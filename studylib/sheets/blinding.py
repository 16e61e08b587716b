"""Blind analysis: specimens.csv holds codes, and a key beside it says which wood each code is.

Woods differ to the eye, so whoever stands at the bench is not blind; whoever analyses can be.
Coding gives each board, each wood and each plank a code and puts the rows in another order; their
own names, with grain and note, move to `woods.key.csv`, which can be handed to somebody else.
`blind.json` records when that was done, the SHA-256 of the key, and when the key was opened: an
opened key is used from then on, and the report says which it was. What stays to be seen, such as
mass and sizes, can give a wood away; no program can hide that.

Functions: `read_blinding`, `code_specimens`, `open_key`, `named`, `coded_names`. Class: `Blinding`.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from studylib.errors import InputError
from studylib.sheets.files import sha256
from studylib.sheets.rows import Specimen
from studylib.sheets.spreadsheet import Table, read_table, table_text
from studylib.words.text import shown
from studylib.writing import read_json, write_json, write_whole

KEY, RECORD = "woods.key.csv", "blind.json"
TOLD = ("source", "grain", "note")  # columns besides the wood that can give it away
OWN_NAME = "own_name"
NO_KEY = (
    f"{KEY} is not in the study folder; put the key back that was made when the woods were coded"
)


@dataclass(frozen=True)
class Blinding:
    """How a study is blind.

    coded : when the codes were given, ISO 8601, one for each time.
    woods : the woods' own names in alphabetical order, which says nothing of the codes.
    key_sha256 : of the key as it was made.
    opened : when the key was opened; "" while it is not.
    after_run : whether a report of the coded study was there when the key was opened.
    """

    coded: tuple[str, ...]
    woods: tuple[str, ...]
    key_sha256: str
    opened: str = ""
    after_run: bool = False


def read_blinding(folder: Path) -> Blinding | None:
    """How the study in this folder is blind; None where it never was.

    Raises
    ------
    InputError : the record is there but cannot be read.
    """
    if not (folder / RECORD).exists():
        return None
    found = read_json(folder / RECORD)
    try:
        return Blinding(
            coded=tuple(map(str, found["coded"])),
            woods=tuple(map(str, found["woods"])),
            key_sha256=str(found["key_sha256"]),
            opened=str(found["opened"]),
            after_run=bool(found["after_run"]),
        )
    except (KeyError, TypeError):
        raise InputError(
            f"{RECORD} cannot be read as what `study blind` wrote; put the file back as it was"
        ) from None


def code_specimens(folder: Path, *, compare: str, when: datetime, rng: random.Random) -> Blinding:
    """Give codes to every row of specimens.csv that has none yet, and write key and record.

    Parameters
    ----------
    compare : the column under comparison.
    rng : where the codes come from; for a real study one that cannot be repeated.

    Raises
    ------
    InputError : the key was opened already, a key lies there that nobody recorded, or every row
        has its code.
    """
    before = read_blinding(folder)
    if before is not None and before.opened:
        raise InputError(
            f"the key of this study was opened on {before.opened}; a study that was opened cannot "
            "be made blind again"
        )
    if before is None and (folder / KEY).exists():
        raise InputError(
            f"{KEY} is there although specimens.csv was never coded; move it away if specimens.csv "
            "still holds the woods"
        )
    sheet = read_table(folder / "specimens.csv")
    key = _key(folder, before, compare) if before is not None else None
    known = {row.cells["specimen"] for row in key.rows} if key is not None else set()
    new = [row.cells for row in sheet.rows if row.cells["specimen"] not in known]
    if not new:
        raise InputError("every row of specimens.csv has its code already; nothing was changed")
    rng.shuffle(new)
    rows = [dict(row.cells) for row in key.rows] if key is not None else []
    woods = _codes([row[compare] for row in rows], [row["code"] for row in rows])
    sources = _codes([row["source"] for row in rows], [row["source_code"] for row in rows])
    coded = [dict(row.cells) for row in sheet.rows if row.cells["specimen"] in known]
    order = sorted({row[compare] for row in new if row[compare]} - set(woods))
    rng.shuffle(order)
    for name in order:
        woods[name] = f"wood {_letters(len(woods))}"
    for row in new:
        code = _free(f"B{len(rows) + 1:02d}", {r["specimen"] for r in coded})
        source = row.get("source", "")
        if source:
            sources.setdefault(source, f"plank {len(sources) + 1:02d}")
        kept = {name: row.get(name, "") for name in TOLD}
        wood = woods.get(row[compare], "")
        rows.append(
            {"specimen": code, OWN_NAME: row["specimen"], compare: row[compare], "code": wood,
             "source_code": sources.get(source, ""), **kept}
        )  # fmt: skip
        hidden = {"specimen": code, compare: wood, "source": sources.get(source, "")}
        coded.append({**row, **hidden, "grain": "", "note": ""})
    columns = ("specimen", OWN_NAME, compare, "code", "source", "source_code", "grain", "note")
    write_whole(folder / KEY, table_text(columns, rows, semicolons=sheet.semicolons))
    text = table_text(sheet.columns, coded, semicolons=sheet.semicolons)
    write_whole(folder / "specimens.csv", text)
    blinding = Blinding(
        coded=(*(before.coded if before else ()), _minute(when)),
        woods=tuple(sorted({row[compare] for row in rows if row[compare]})),
        key_sha256=sha256(folder / KEY),
    )
    _record(folder, blinding)
    return blinding


def open_key(
    folder: Path,
    *,
    specimens: Sequence[Specimen],
    compare: str,
    when: datetime,
    after_run: bool,
) -> Blinding:
    """Record that the key was opened; from then on the woods have their own names.

    Raises
    ------
    InputError : the study is not blind, was opened before, or its key does not fit.
    """
    blinding = read_blinding(folder)
    if blinding is None:
        raise InputError("this study is not blind: specimens.csv holds the woods' own names")
    if blinding.opened:
        raise InputError(f"the key was opened on {blinding.opened} already; nothing was changed")
    named(folder, blinding, specimens, compare=compare)
    opened = replace(blinding, opened=_minute(when), after_run=after_run)
    _record(folder, opened)
    return opened


def named(
    folder: Path, blinding: Blinding, specimens: Sequence[Specimen], *, compare: str
) -> list[Specimen]:
    """The specimens with the woods and planks of the key.

    Raises
    ------
    InputError : the key is not there, was changed, or lacks a code.
    """
    key = _key(folder, blinding, compare)
    rows = {row.cells["specimen"]: row.cells for row in key.rows}
    faults = [
        f"specimens.csv, row {s.row}, column specimen: {shown(s.specimen)} is not in {KEY}; give "
        "the board the code that stands there, or code new boards with `study blind` before the "
        "key is opened"
        for s in specimens
        if s.specimen not in rows
    ]
    faults += [
        f"specimens.csv, row {s.row}, column {compare}: {shown(s.wood)} is not the code of "
        f"{shown(s.specimen)} in {KEY}; write {shown(rows[s.specimen]['code'])} there"
        for s in specimens
        if s.specimen in rows and rows[s.specimen]["code"] != s.wood
    ]
    if faults:
        raise InputError(*faults)
    return [_named(s, rows[s.specimen], compare) for s in specimens]


def coded_names(folder: Path) -> frozenset[str]:
    """The codes of the boards in the key; none where nothing is coded.

    Raises
    ------
    InputError : the key is away.
    """
    if not (folder / RECORD).exists():
        return frozenset()
    if not (folder / KEY).is_file():
        raise InputError(NO_KEY)
    return frozenset(row.cells.get("specimen", "") for row in read_table(folder / KEY).rows)


def _named(specimen: Specimen, cells: dict[str, str], compare: str) -> Specimen:
    source = specimen.source if specimen.source_assumed else cells["source"] or specimen.specimen
    own = {"wood": cells[compare], "source": source, "grain": cells["grain"], "note": cells["note"]}
    return specimen.model_copy(update=own)


def _key(folder: Path, blinding: Blinding, compare: str) -> Table:
    path = folder / KEY
    if not path.is_file():
        raise InputError(NO_KEY)
    if sha256(path) != blinding.key_sha256:
        raise InputError(
            f"{KEY} is not the key that was made when the woods were coded (its SHA-256 is another "
            f"one than in {RECORD}); put the original back"
        )
    table = read_table(path)
    if compare not in table.columns:
        raise InputError(
            f"{KEY} has no column {shown(compare)}, which study.toml compares; write the column "
            "under [study] compare that was compared when the woods were coded"
        )
    return table


def _codes(names: Sequence[str], codes: Sequence[str]) -> dict[str, str]:
    return {name: code for name, code in zip(names, codes, strict=True) if name}


def _letters(n: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    text = ""
    while n >= 0:
        text, n = chr(ord("A") + n % 26) + text, n // 26 - 1
    return text


def _free(code: str, taken: set[str]) -> str:
    while code in taken:
        code += "b"
    return code


def _minute(when: datetime) -> str:
    return when.isoformat(timespec="minutes")


def _record(folder: Path, blinding: Blinding) -> None:
    write_json(folder / RECORD, {**blinding.__dict__})
