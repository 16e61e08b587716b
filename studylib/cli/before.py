"""The commands before recording: `study new`, `plan`, `blind`, `lock`, and `unblind` after it."""

from __future__ import annotations

import random
import shlex
from datetime import datetime
from pathlib import Path

import click

from studylib.cli.shared import DIR, REPORTS, plainly, say
from studylib.errors import InputError


@click.command()
@click.argument("folder", **DIR)
@plainly
def new(folder: Path) -> None:
    """Write a commented, empty study folder to DIR."""
    from studylib.sheets.files import write_template

    write_template(folder)
    say(f"A new study is in {folder}: fill in study.toml and specimens.csv.")
    say(f"Then: study plan {shlex.quote(str(folder))}")


@click.command()
@click.argument("folder", **DIR)
@click.option("--show", is_flag=True, help="Only say what the design can find; write no schedule.")
@click.option("--add", type=click.IntRange(min=1), metavar="N",
              help="Schedule N further batches.")  # fmt: skip
@click.option("--again", is_flag=True,
              help="Schedule anew the batches in which nothing is recorded.")  # fmt: skip
@click.option("--reports", **REPORTS)
@plainly
def plan(folder: Path, show: bool, add: int | None, again: bool, reports: Path) -> None:
    """How many boards, mounts and takes? Then write the schedule to takes.csv."""
    from studylib.bench.schedule import minutes_of
    from studylib.bench.takes_file import write_schedule
    from studylib.report.plan import plan_sentences
    from studylib.report.plan_study import plan_study
    from studylib.run.runner import write_plan_page
    from studylib.sheets.study import read_unrecorded

    boards = read_unrecorded(folder)
    for line in plan_sentences(plan_study(boards)):
        say(line)
    if not show and boards.specimens:
        written = write_schedule(boards, add=add or 0, again=again)
        for batch in written.batches:
            minutes = minutes_of(batch, boards.settings.plan)
            say(
                f"Scheduled: {batch.name}, {batch.mounts} mounts, {len(batch.steps)} recordings, "
                f"about {minutes:.0f} minutes (seed {written.seed})."
            )
        if not boards.with_role("reference"):
            say("Warning: no board has the role reference, so drift over the day cannot be seen.")
        if not boards.with_role("changed"):
            say(
                "Warning: no board has the role changed, so whether the bench can tell two boards "
                "apart will not be known, and no two woods can be called the same."
            )
        where = shlex.quote(str(folder))
        say(f"Next: study lock {where}, study signals {where}, study sheet {where}")
    elif not boards.specimens:
        say("No schedule was written: specimens.csv has no boards yet.")
    say(f"The reasoning with figures is in {write_plan_page(folder, reports=reports)}")


@click.command()
@click.argument("folder", **DIR)
@plainly
def blind(folder: Path) -> None:
    """Put codes in place of boards, woods and planks; the key goes to woods.key.csv."""
    from studylib.sheets.records import KEY, code_specimens
    from studylib.sheets.study import read_unrecorded

    boards = read_unrecorded(folder)
    if not boards.specimens:
        raise InputError("specimens.csv has no boards yet; fill it in before it is coded")
    names = _uncoded(boards)
    named = next((t for t in (*boards.takes, *boards.planned) if t.specimen in names), None)
    if named is not None:
        raise InputError(
            f'takes.csv, row {named.row}: "{named.specimen}" is named there already, and codes '
            "would no longer fit; code the woods before the schedule is made"
        )
    made = code_specimens(
        boards.folder,
        compare=boards.settings.study.compare,
        when=datetime.now(),
        # Not to be repeated by anybody: hence no seed.
        rng=random.SystemRandom(),
    )
    say(f"specimens.csv holds codes now; {KEY} says which board and wood each code is.")
    say("Write the codes on the boards, and give the key to somebody who does not analyse.")
    say(f"SHA-256 of the key: {made.key_sha256}")
    say("Mass and sizes stay in specimens.csv, and can give a wood away.")


def _uncoded(boards) -> set[str]:
    """Names in specimens.csv that are no codes yet."""
    from studylib.sheets.records import coded_names

    return {s.specimen for s in boards.specimens} - coded_names(boards.folder)


@click.command()
@click.argument("folder", **DIR)
@click.option("--reports", **REPORTS)
@plainly
def unblind(folder: Path, reports: Path) -> None:
    """Open the key of a blind study, for good: the woods get their own names."""
    from studylib.sheets.records import open_key
    from studylib.sheets.study import read_unrecorded
    from studylib.writing import slug

    boards = read_unrecorded(folder)
    after = (reports / slug(boards.folder.name) / "summary.html").is_file()
    opened = open_key(
        boards.folder,
        specimens=boards.specimens,
        compare=boards.settings.study.compare,
        when=datetime.now(),
        after_run=after,
    )
    before = "after" if after else "before"
    say(f"The key was opened on {opened.opened}, {before} a report of the coded study was made.")
    say(f"Then: study run {shlex.quote(str(folder))}")


@click.command()
@click.argument("folder", **DIR)
@plainly
def lock(folder: Path) -> None:
    """Lock claims and choices of the analysis before the first recording."""
    from studylib.sheets import records as locks
    from studylib.sheets.study import read_unrecorded

    boards = read_unrecorded(folder)
    made = locks.write_lock(
        boards.folder,
        boards.settings,
        boards.specimens,
        recorded=len(boards.takes),
        when=datetime.now(),
    )
    say(f"Locked: {len(boards.settings.claims)} claims, the choices of the analysis, the boards.")
    if made.recorded:
        say(f"Warning: {made.recorded} takes are recorded already; the report will say so.")
    say(f"SHA-256: {made.sha256}")
    say("Send this line to somebody, or show it on camera: a lock that was changed has another.")
