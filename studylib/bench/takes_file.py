"""The schedule as rows of takes.csv, with its record in schedule.json.

Rows are added below what is there; a recorded take is never touched. Only on purpose (`again`) are
the rows of planned batches taken out in which nothing is recorded yet. schedule.json is written
first: should anything stop in between, it names takes that takes.csv does not hold, which harms
nothing.

Functions: `write_schedule`, `take_name`.
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace

from studylib.bench.schedule import Batch, Step, plan_batches
from studylib.errors import InputError
from studylib.sheets import Study
from studylib.sheets.records import Scheduled, write_schedules
from studylib.sheets.rows import TAKE_COLUMNS, TONE_KINDS
from studylib.sheets.spreadsheet import Table, read_table, table_text
from studylib.words.text import listed, shown
from studylib.writing import slug, write_whole

TAKES = "takes.csv"
MOST_SEED = 1_000_000
DECIMALS = ("tone_hz", "drive_db")


@dataclass(frozen=True)
class Written:
    """What was scheduled: the seed, the batches, and the batches whose rows were taken out."""

    seed: int
    batches: tuple[Batch, ...]
    taken_out: tuple[str, ...]


def write_schedule(boards: Study, *, add: int = 0, again: bool = False) -> Written:
    """Make the schedule of a study and write it to takes.csv.

    Parameters
    ----------
    boards : from `sheets.study.read_unrecorded`.
    add : so many further batches are planned where takes.csv holds some; 0 for the first time.
    again : rows of batches without any recording are taken out first.

    Raises
    ------
    InputError : takes.csv holds takes and neither was asked for, a column is missing, or the
        schedule cannot be made (`schedule.plan_batches`).
    """
    table = read_table(boards.folder / TAKES)
    taken_out: tuple[str, ...] = ()
    if again:
        boards, table, taken_out = _without_planned(boards, table)
    if table.rows and not add and not taken_out:
        raise InputError(
            f"{TAKES} holds {len(table.rows)} takes already, so nothing was written; `--add 1` "
            "plans a further batch, `--again` plans anew what is not recorded"
        )
    settings = boards.settings
    if add:
        plan = settings.plan.model_copy(update={"batches": add})
        settings = settings.model_copy(update={"plan": plan})
    seed = settings.plan.seed
    if seed is None or add:
        # A further batch under the same seed would repeat the order of the first.
        seed = secrets.randbelow(MOST_SEED)
    batches = plan_batches(replace(boards, settings=settings), seed=seed)
    rows = [row for batch in batches for row in _rows(batch)]
    _columns(table, rows)
    known = {row.cells["take"] for row in table.rows}
    twice = [row["take"] for row in rows if row["take"] in known]
    if twice:
        raise InputError(
            f"{TAKES} holds a take {shown(twice[0])} already, which the schedule would name again; "
            "rename the one that is there"
        )
    files = [row["file"].casefold() for row in (*(r.cells for r in table.rows), *rows)]
    shared = next((row for row in rows if files.count(row["file"].casefold()) > 1), None)
    if shared is not None:
        raise InputError(
            f"two takes of the schedule would share the file {shown(shared['file'])}; give boards "
            "names that differ in letters or digits"
        )
    new = Scheduled(seed, tuple(b.name for b in batches), tuple(row["take"] for row in rows))
    write_schedules(boards.folder, (*boards.schedules, new))
    kept = [row.cells for row in table.rows]
    fresh = [_with_mark(row, table) for row in rows]
    text = table_text(table.columns, [*kept, *fresh], semicolons=table.semicolons)
    write_whole(boards.folder / TAKES, text)
    return Written(seed, tuple(batches), taken_out)


def take_name(step: Step, batch: str) -> str:
    """A take's id: board, mount, signal and repeat, or batch, control and repeat."""
    tone = f"{step.tone_hz:.10g}" if step.tone_hz else ""
    down = f"-down{-step.drive_db:02g}" if step.drive_db and step.kind != "sweep" else ""
    signal = f"{step.kind}{tone}{down}-r{step.repeat}"
    if step.kind in TONE_KINDS[1:] or not step.specimen:
        return f"{batch}-{signal}"
    place = f"free{step.mount}" if step.support == "free" else f"m{step.mount}"
    return f"{step.specimen}-{place}-{signal}"


def _rows(batch: Batch) -> list[dict[str, str]]:
    return [_row(step, batch.name, order) for order, step in enumerate(batch.steps, start=1)]


def _row(step: Step, batch: str, order: int) -> dict[str, str]:
    name = take_name(step, batch)
    return {
        "take": name,
        "batch": batch,
        "kind": step.kind,
        "specimen": step.specimen,
        "mount": str(step.mount or ""),
        "repeat": str(step.repeat),
        "file": f"recordings/{slug(batch)}/{slug(name)}.wav",
        "order": str(order),
        "tone_hz": f"{step.tone_hz:.10g}" if step.tone_hz else "",
        "drive_db": f"{step.drive_db:.10g}" if step.drive_db else "",
        "support": "free" if step.support == "free" else "",
    }


def _columns(table: Table, rows: Sequence[dict[str, str]]) -> None:
    missing = [
        name
        for name in TAKE_COLUMNS
        if name not in table.columns and any(row.get(name) for row in rows)
    ]
    if missing:
        raise InputError(
            f"{TAKES}, row 1: there is no column {listed(map(shown, missing), last='or')}, which "
            "the schedule needs; add it"
        )


def _with_mark(row: dict[str, str], table: Table) -> dict[str, str]:
    """The row with the decimal mark of the file: a comma among semicolons, unless points are used
    there already."""
    points = any("." in r.cells.get(name, "") for r in table.rows for name in DECIMALS)
    if not table.semicolons or points:
        return row
    return {name: c.replace(".", ",") if name in DECIMALS else c for name, c in row.items()}


def _without_planned(boards: Study, table: Table) -> tuple[Study, Table, tuple[str, ...]]:
    """Without the scheduled rows of batches in which nothing is recorded."""
    begun = {take.batch for take in boards.takes}
    out = [take for take in boards.planned if take.batch not in begun]
    gone = {take.row for take in out}
    names = tuple(dict.fromkeys(take.batch for take in out))
    kept = replace(table, rows=tuple(row for row in table.rows if row.number not in gone))
    planned = tuple(take for take in boards.planned if take.row not in gone)
    return replace(boards, planned=planned), kept, names
