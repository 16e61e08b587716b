"""What is written down beside the sheets: the schedule, the lock, and the key of a blind study.

**Schedule.** `study plan` writes `schedule.json`: for each time that batches were planned the seed,
the batches and the takes, so that the order can be made again and a take without a recording is
known as planned, not as lost. A take that stands in takes.csv alone must have its recording.

**Lock.** `study lock` writes `lock.json`: the settings that the analysis depends on, the boards,
when, how many takes were recorded by then, and a SHA-256 over settings and boards, short enough to
be sent to somebody or read out in a video, after which nobody can change the lock unseen. Nothing
is forbidden afterwards: what changed is listed, and the report shows the list.

**Blind analysis.** Woods differ to the eye, so whoever stands at the bench is not blind; whoever
analyses can be. `study blind` gives each board, each wood and each plank a code and puts the rows
of specimens.csv in another order; their own names, with grain and note, move to `woods.key.csv`,
which can be handed to somebody else. `blind.json` records when that was done, the SHA-256 of the
key, and when the key was opened: an opened key is used from then on, and the report says which it
was. What stays to be seen, such as mass and sizes, can give a wood away; no program can hide that.

Functions: `read_schedules`, `schedules_text`, `scheduled_takes`, `without_recording`;
`read_lock`, `write_lock`, `changes_since`; `read_blinding`, `code_specimens`, `open_key`, `named`,
`coded_names`.
Classes: `Scheduled`, `Lock`, `Blinding`.
"""

import hashlib
import json
import random
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from studylib.codes import note
from studylib.codes.sheets import Change, RecordFault
from studylib.errors import InputError
from studylib.sheets.files import Row, Table, read_table, sha256, table_text
from studylib.sheets.rows import Specimen
from studylib.sheets.settings import Settings
from studylib.writing import json_text, read_json, write_together

SCHEDULE, LOCK, BLINDING, KEY = "schedule.json", "lock.json", "blind.json", "woods.key.csv"
SPECIMENS = "specimens.csv"
LOCKED = ("study", "channels", "tone", "tap", "sweep", "wood", "decide", "quality", "claims")
HIDDEN = ("source", "grain", "note")  # columns besides the wood that can give it away
OWN_NAME = "own_name"


@dataclass(frozen=True)
class Scheduled:
    """One planning: its seed, the batches and the takes that it wrote, in run order."""

    seed: int
    batches: tuple[str, ...]
    takes: tuple[str, ...]


@dataclass(frozen=True)
class Lock:
    """What was locked.

    locked : when, ISO 8601.  sha256 : of `content`.  recorded : takes recorded by then.
    content : settings by section, and the ids of the boards, as plain data.
    """

    locked: str
    sha256: str
    recorded: int
    content: dict[str, Any]

    @property
    def whole(self) -> bool:
        """The content is the one that the SHA-256 was taken of."""
        return _digest(self.content) == self.sha256


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


def _read(folder: Path, name: str, command: str, made: Callable[[dict[str, Any]], Any]) -> Any:
    """A record as `made` of its JSON; None where there is none."""
    if not (folder / name).exists():
        return None
    try:
        return made(read_json(folder / name))
    except (KeyError, TypeError, ValueError):
        raise InputError(note(RecordFault.UNREADABLE, file=name, command=command)) from None


def _minute(when: datetime) -> str:
    return when.isoformat(timespec="minutes")


# The schedule


def read_schedules(folder: Path) -> tuple[Scheduled, ...]:
    """Every planning of this study, oldest first; none where nothing was planned.

    Raises
    ------
    InputError : the file is there but does not hold what `study plan` writes.
    """
    found = _read(
        folder,
        SCHEDULE,
        "plan",
        lambda content: tuple(
            Scheduled(
                int(one["seed"]), tuple(map(str, one["batches"])), tuple(map(str, one["takes"]))
            )
            for one in content["schedules"]
        ),
    )
    return found or ()


def schedules_text(schedules: Iterable[Scheduled]) -> str:
    """The file that `read_schedules` reads back."""
    return json_text({"schedules": [asdict(one) for one in schedules]})


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


# The lock


def read_lock(folder: Path) -> Lock | None:
    """The lock of a study; None where it was never locked.

    Raises
    ------
    InputError : the file is there but cannot be read.
    """
    return _read(
        folder,
        LOCK,
        "lock",
        lambda found: Lock(
            str(found["locked"]),
            str(found["sha256"]),
            int(found["recorded"]),
            {"settings": dict(found["settings"]), "specimens": list(found["specimens"])},
        ),
    )


def write_lock(
    folder: Path,
    settings: Settings,
    specimens: Sequence[Specimen],
    *,
    recorded: int,
    when: datetime,
) -> Lock:
    """Lock the study as it stands.

    Raises
    ------
    InputError : it is locked already.
    """
    before = read_lock(folder)
    if before is not None:
        raise InputError(
            note(RecordFault.LOCKED_ALREADY, locked=before.locked, sha256=before.sha256)
        )
    content = _content(settings, specimens)
    head = {"locked": _minute(when), "sha256": _digest(content), "recorded": recorded}
    write_together(folder, {LOCK: json_text({**head, **content})})
    return Lock(**head, content=content)


def changes_since(lock: Lock, settings: Settings, specimens: Sequence[Specimen]) -> list[str]:
    """What is not as it was locked, one note each; none where all is."""
    then, now = lock.content, _content(settings, specimens)
    changes = [] if lock.whole else [note(Change.LOCK, file=LOCK)]
    for section in LOCKED:
        old, new = then["settings"].get(section), now["settings"][section]
        if section == "claims":
            changes += [
                note(code, claim=one["text"])
                for code, ours, theirs in (
                    (Change.CLAIM_REMOVED, old or [], new),
                    (Change.CLAIM_ADDED, new, old or []),
                )
                for one in ours
                if one not in theirs
            ]
        elif old != new:
            old = _as_it_stood(section, old or {})
            place = {"file": "study.toml", "section": f"[{section}]"}
            changes += [
                note(Change.SETTING, **place, key=name, before=old.get(name), now=new.get(name))
                for name in dict.fromkeys([*old, *new])
                if old.get(name) != new.get(name)
            ]
    before, after = then["specimens"], now["specimens"]
    for code, names in (
        (Change.BOARDS_REMOVED, [name for name in before if name not in after]),
        (Change.BOARDS_ADDED, [name for name in after if name not in before]),
    ):
        changes += [note(code, file=SPECIMENS, names=names)] if names else []
    return changes


def _content(settings: Settings, specimens: Iterable[Specimen]) -> dict[str, Any]:
    return {
        "settings": json.loads(json.dumps(settings.model_dump(mode="json", include=set(LOCKED)))),
        "specimens": [s.specimen for s in specimens],
    }


def _digest(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, ensure_ascii=True).encode("ascii")
    ).hexdigest()


def _as_it_stood(section: str, old: Mapping[str, Any]) -> dict[str, Any]:
    """The section with the defaults of keys that came into being after it was locked."""
    later = {
        name: json.loads(json.dumps(field.get_default(call_default_factory=True)))
        for name, field in getattr(
            Settings.model_fields[section].annotation, "model_fields", {}
        ).items()
        if name not in old and not field.is_required()
    }
    return {**old, **later}


# Blind analysis


def read_blinding(folder: Path) -> Blinding | None:
    """How the study in this folder is blind; None where it never was.

    Raises
    ------
    InputError : the record is there but cannot be read.
    """
    return _read(
        folder,
        BLINDING,
        "blind",
        lambda found: Blinding(
            coded=tuple(map(str, found["coded"])),
            woods=tuple(map(str, found["woods"])),
            key_sha256=str(found["key_sha256"]),
            opened=str(found["opened"]),
            after_run=bool(found["after_run"]),
        ),
    )


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
        raise InputError(note(RecordFault.ONCE_OPENED, opened=before.opened))
    if before is None and (folder / KEY).exists():
        raise InputError(note(RecordFault.STRANGE_KEY, file=KEY))
    sheet = read_table(folder / SPECIMENS)
    rows = [] if before is None else [dict(row.cells) for row in _key(folder, before, compare).rows]
    known = {row["specimen"] for row in rows}
    new = [row.cells for row in sheet.rows if row.cells["specimen"] not in known]
    if not new:
        raise InputError(note(RecordFault.ALL_CODED, file=SPECIMENS))
    rng.shuffle(new)
    woods = {row[compare]: row["code"] for row in rows if row[compare]}
    sources = {row["source"]: row["source_code"] for row in rows if row["source"]}
    coded = [dict(row.cells) for row in sheet.rows if row.cells["specimen"] in known]
    order = sorted({row[compare] for row in new if row[compare]} - set(woods))
    rng.shuffle(order)
    for name in order:
        woods[name] = f"wood {_letters(len(woods))}"
    for row in new:
        code = _unused(f"B{len(rows) + 1:02d}", {r["specimen"] for r in coded})
        source = row.get("source", "")
        if source:
            sources.setdefault(source, f"plank {len(sources) + 1:02d}")
        codes = {"code": woods.get(row[compare], ""), "source_code": sources.get(source, "")}
        own = {OWN_NAME: row["specimen"], compare: row[compare]}
        rows.append({"specimen": code, **own, **codes, **{n: row.get(n, "") for n in HIDDEN}})
        shown = {"specimen": code, compare: codes["code"], "source": codes["source_code"]}
        coded.append({**row, **shown, "grain": "", "note": ""})
    columns = ("specimen", OWN_NAME, compare, "code", "source", "source_code", "grain", "note")
    key = table_text(columns, rows, semicolons=sheet.semicolons)
    blinding = Blinding(
        coded=(*(before.coded if before else ()), _minute(when)),
        woods=tuple(sorted({row[compare] for row in rows if row[compare]})),
        key_sha256=hashlib.sha256(key.encode("utf-8")).hexdigest(),
    )
    boards = table_text(sheet.columns, coded, semicolons=sheet.semicolons)
    record = json_text(asdict(blinding))
    write_together(folder, {KEY: key, SPECIMENS: boards, BLINDING: record})
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
        raise InputError(note(RecordFault.NOT_BLIND))
    if blinding.opened:
        raise InputError(note(RecordFault.OPENED_ALREADY, opened=blinding.opened))
    named(folder, blinding, specimens, compare=compare)
    opened = replace(blinding, opened=_minute(when), after_run=after_run)
    write_together(folder, {BLINDING: json_text(asdict(opened))})
    return opened


def named(
    folder: Path, blinding: Blinding, specimens: Sequence[Specimen], *, compare: str
) -> list[Specimen]:
    """The specimens with the woods and planks of the key.

    Raises
    ------
    InputError : the key is not there, was changed, or lacks a code.
    """
    key = {row.cells["specimen"]: row.cells for row in _key(folder, blinding, compare).rows}
    unknown = [s for s in specimens if s.specimen not in key]
    other = [s for s in specimens if s not in unknown and key[s.specimen]["code"] != s.wood]
    faults = [
        note(RecordFault.NOT_IN_KEY, **_cell(s, "specimen"), value=s.specimen) for s in unknown
    ]
    faults += [
        note(
            RecordFault.OTHER_CODE,
            **_cell(s, compare),
            value=s.wood,
            specimen=s.specimen,
            code=key[s.specimen]["code"],
        )
        for s in other
    ]
    if faults:
        raise InputError(*faults)
    return [_under_own_name(s, key[s.specimen], compare) for s in specimens]


def coded_names(folder: Path) -> frozenset[str]:
    """The codes of the boards in the key; none where nothing is coded.

    Raises
    ------
    InputError : the key is away.
    """
    if not (folder / BLINDING).exists():
        return frozenset()
    return frozenset(row.cells.get("specimen", "") for row in read_table(_key_path(folder)).rows)


def _cell(specimen: Specimen, column: str) -> dict[str, Any]:
    return {"file": SPECIMENS, "row": specimen.row, "column": column, "key_file": KEY}


def _under_own_name(specimen: Specimen, cells: dict[str, str], compare: str) -> Specimen:
    source = specimen.source if specimen.source_assumed else cells["source"] or specimen.specimen
    own = {"wood": cells[compare], "source": source, "grain": cells["grain"], "note": cells["note"]}
    return specimen.model_copy(update=own)


def _key_path(folder: Path) -> Path:
    if not (folder / KEY).is_file():
        raise InputError(note(RecordFault.NO_KEY, file=KEY))
    return folder / KEY


def _key(folder: Path, blinding: Blinding, compare: str) -> Table:
    path = _key_path(folder)
    if sha256(path) != blinding.key_sha256:
        raise InputError(note(RecordFault.OTHER_KEY, file=KEY, record=BLINDING))
    table = read_table(path)
    if compare not in table.columns:
        raise InputError(note(RecordFault.KEY_WITHOUT_COLUMN, file=KEY, column=compare))
    return table


def _letters(n: int) -> str:
    """A, B, ... Z, AA, AB, ..."""
    first = _letters(n // 26 - 1) if n >= 26 else ""
    return first + chr(ord("A") + n % 26)


def _unused(code: str, taken: set[str]) -> str:
    while code in taken:
        code += "b"
    return code
