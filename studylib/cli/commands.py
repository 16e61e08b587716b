"""The commands, in the order of the work, and before them what all share: errors as sentences, exit
codes, progress, printing.

Exit codes: 0 all is well; 1 takes that fail their checks, or a notebook that failed; 2 something
to put right first (one sentence a line on standard error); 130 stopped by hand.

Functions: `plainly`, `tell`, `complain`, `printable`. Class: `Bars`.

Commands: `new`, `add`, `plan`, `blind`, `lock`, `signals`, `sheet` before recording; then `check`,
`run`, `notebooks`, `listen`, `heard`, `trace`, `match` and, after a blind study, `unblind`. One has
a chapter of its own: `record` (`recording`).

What is heavy is imported where it is needed, so that `study --help` is quick.
"""

import errno
import os
import random
import shlex
import sys
from collections.abc import Callable
from contextlib import ExitStack
from datetime import datetime
from functools import partial, wraps
from pathlib import Path
from typing import Any

import click

from studylib import codes, errors, writing
from studylib.words import say

FAULTS, WRONG, STOPPED = 1, 2, 130
DIR = {"type": click.Path(path_type=Path), "metavar": "DIR"}
MANY = {"multiple": True, "metavar": "NAME"}
REPORTS = {
    "type": click.Path(path_type=Path),
    "default": Path("reports"),
    "show_default": True,
    "help": say("cli.help_reports"),
}
TRUST = {"is_flag": True, "help": say("cli.help_trust")}
FORM = "{percentage:3.0f}% |{bar:20}| {desc}"  # of a bar


def plainly(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn every error of a command into clear sentences and an exit code."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except click.ClickException:
            raise
        except (KeyboardInterrupt, click.Abort):
            complain(say("cli.stopped"))
            sys.exit(STOPPED)
        except errors.StudyError as error:
            complain(*error.faults)
        except OSError as error:
            name = Path(error.filename).name if error.filename else ""
            reason, full = error.strerror or str(error), error.errno == errno.ENOSPC
            complain(say("cli.no_access", name=name, reason=reason, full=full))
        except Exception as error:
            # A fault of ours, not of the user; said shortly, and in full where it is asked for.
            if os.environ.get("STUDY_DEBUG"):
                raise
            kind, message = type(error).__name__, printable(str(error))
            complain(say("cli.own_fault", kind=kind, message=message))
        else:
            return
        sys.exit(WRONG)

    return run


class Bars(ExitStack):
    """One progress bar for each thing under way; silent when nobody watches."""

    def __init__(self) -> None:
        super().__init__()
        self._bars: dict[str, Any] = {}

    def show(self, task: str, done: int, total: int, what: str) -> None:
        """Move the bar of `task` to `done` of `total` and say what is being done."""
        from tqdm import tqdm

        if task not in self._bars:
            # disable=None: bars only on a terminal.
            self._bars[task] = self.enter_context(tqdm(disable=None, bar_format=FORM))
        bar = self._bars[task]
        bar.total = max(total, 1)
        bar.n = done
        bar.set_description_str(printable(f"{task}: {what}"), refresh=True)


def tell(*lines: str, err: bool = False) -> None:
    """Print lines, to standard error where they are complaints."""
    for line in lines:
        click.echo(printable(line), err=err)


complain = partial(tell, err=True)


def printable(text: str) -> str:
    """Text from sheets must not steer the terminal, nor break a sentence in two."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )


def _next(folder: Path, *commands: str) -> None:
    tell(say("cli.next", commands=[f"study {c} {shlex.quote(str(folder))}" for c in commands]))


def _study(folder: Path, *, recorded: bool = True) -> Any:
    """A study folder, checked; not `recorded` where it need not be yet."""
    from studylib.sheets.study import read_study, read_unrecorded

    return (read_study if recorded else read_unrecorded)(folder)


def _answer(
    question: str, given: str | None, read: Callable[[str], Any], default: str | None
) -> Any:
    """The answer to a question: by option, at the terminal until it fits, or else the default."""
    if given is None and sys.stdin.isatty():

        def answered(text: str) -> Any:
            try:
                return read(text)
            except errors.InputError as error:
                raise click.UsageError(str(error)) from None

        return click.prompt(say(question), default=default, value_proc=answered)
    return read(given or default or "")


@click.command(help=say("cli.help_new"))
@click.argument("folder", **DIR)
@click.option("--woods", metavar="NAMES", help=say("cli.help_woods"))
@click.option("--boards", metavar="N", help=say("cli.help_boards"))
@click.option("--trees", metavar="y|n", help=say("cli.help_trees"))
@click.option("--tone", metavar="HZ", help=say("cli.help_tone"))
@click.option("--from", "other", **DIR, help=say("cli.help_new_from"))
@plainly
def new(
    folder: Path,
    woods: str | None,
    boards: str | None,
    trees: str | None,
    tone: str | None,
    other: Path | None,
) -> None:
    """Write a study that is ready to be recorded: a simple one, or that of another's bench."""
    from studylib.bench.schedule import minutes_of, short_name, write_schedule
    from studylib.sheets import first_study as first

    first.free_place(folder)
    answers = {
        "tone_hz": None if other and tone is None else first.tone_of(tone or "172"),
        "woods": _answer("cli.ask_woods", woods, first.woods_of, None),
        "boards": _answer("cli.ask_boards", boards, first.boards_of, "4"),
        "separate_trees": _answer("cli.ask_trees", trees, first.trees_of, "n"),
    }
    first.write_new(folder, **answers, bench=other)
    _, batches = write_schedule(_study(folder, recorded=False), named=None if other else short_name)
    study = _study(folder)
    kept = [s.specimen for s in study.specimens if s.role]
    tell(
        say("cli.new_study", folder=folder),
        *codes.holding((other, say("cli.new_from", other=other, kept=kept))),
        say(
            "cli.new_takes",
            recordings=len(study.planned),
            mounts=sum(batch.mounts for batch in batches),
            minutes=sum(minutes_of(batch, study.settings.plan) for batch in batches),
            sessions=len(batches),
            tone_hz=study.settings.tone.fundamental_hz,
        ),
        *(say("cli.warning", warning=one) for one in study.warnings),
    )
    _next(folder, "signals", "sheet", "check", "run")


@click.command(help=say("cli.help_add_to"))
@click.argument("folder", **DIR)
@click.argument("what", type=click.Choice(["drive", "controls", "schedule"]))
@click.option("--channel", type=click.IntRange(min=1), default=2, help=say("cli.help_channel"))
@click.option("--kind", metavar="KIND", help=say("cli.help_kind"))
@plainly
def add(folder: Path, what: str, channel: int, kind: str | None) -> None:
    """Add what a simple study goes without."""
    from studylib.recordings import probe
    from studylib.sheets import first_study as first

    study = _study(folder, recorded=False)
    for take in study.takes if what == "drive" else ():
        errors.InputError.refuse(
            take.kind in ("tone", "sweep") and probe(study.path_of(take)).channels < channel,
            "new.recorded_without",
            file=take.file,
            channel=channel,
        )
    drive = (
        {"drive": channel, "drive_kind": _answer("cli.ask_kind", kind, first.kind_of, None)}
        if what == "drive"
        else {}
    )
    keys, recorded = first.add_to(study, what, drive), len(study.takes)
    tell(say("cli.added", what=what, keys=keys, recorded=recorded, locked=bool(study.lock)))
    _next(folder, "check" if drive else "plan --add 1" if recorded else "plan --again")


@click.command(help=say("cli.help_plan"))
@click.argument("folder", **DIR)
@click.option("--show", is_flag=True, help=say("cli.help_show"))
@click.option("--add", type=click.IntRange(min=1), metavar="N", help=say("cli.help_add"))
@click.option("--again", is_flag=True, help=say("cli.help_again"))
@click.option("--stage", is_flag=True, help=say("cli.help_stage"))
@click.option("--reports", **REPORTS)
@click.option("--trust", **TRUST)
@plainly
def plan(
    folder: Path, show: bool, add: int | None, again: bool, stage: bool, reports: Path, trust: bool
) -> None:
    """Say what the design can find, and write the schedule."""
    from studylib.bench.schedule import boards_of, minutes_of, next_stage, write_schedule
    from studylib.report import plan, plan_study
    from studylib.run.runner import own_notebooks, write_page

    study = _study(folder, recorded=False)
    own_notebooks(study.folder, "plan", trust=trust)  # refused before anything is written
    boards = boards_of(study, next_stage(study, new=stage))
    tell(*map(say, plan.plan_notes(plan_study.plan_study(boards))))
    if not study.specimens:
        tell(say("cli.no_schedule"))
    elif not show:
        seed, batches = write_schedule(study, add=add or 0, again=again, stage=stage)
        tell(
            *(
                say(
                    "cli.scheduled",
                    batch=batch.name,
                    seed=seed,
                    minutes=minutes_of(batch, study.settings.plan),
                    mounts=batch.mounts,
                    recordings=len(batch.steps),
                )
                for batch in batches
            ),
            *codes.holding(
                (not study.with_role("reference"), say("cli.no_reference")),
                (not study.with_role("changed"), say("cli.no_changed")),
            ),
        )
        _next(folder, "lock", "signals", "sheet")
    tell(say("cli.plan_page", path=write_page("plan", folder, reports=reports, trust=trust)))


@click.command(help=say("cli.help_blind"))
@click.argument("folder", **DIR)
@plainly
def blind(folder: Path) -> None:
    """Code boards, woods and planks."""
    from studylib.sheets.blinding import code_specimens, coded_boards

    study = _study(folder, recorded=False)
    errors.InputError.refuse(not study.specimens, "bench.nothing_to_code", file="specimens.csv")
    scheduled = {board for one in study.schedules for board in one.boards}
    coded = coded_boards(study.blinding)
    roles = {s.specimen for s in study.specimens if s.role and study.schedules}
    new = {s.specimen for s in study.specimens} - coded - scheduled - roles
    for take in (*study.takes, *study.planned):
        errors.InputError.refuse(
            take.specimen and take.specimen not in coded and (take.specimen in new or not new),
            "bench.named_already",
            file="takes.csv",
            row=take.row,
            column="specimen",
            value=take.specimen,
        )
    made = code_specimens(
        study.folder,
        compare=study.settings.study.compare,
        when=datetime.now(),
        # Not to be repeated by anybody: hence no seed.
        rng=random.SystemRandom(),
        scheduled=scheduled | roles,
    )
    tell(
        say("cli.coded", key=made.key),
        say("cli.coded_boards"),
        say("cli.coded_key", sha256=made.sha256),
        say("cli.coded_limits"),
    )


@click.command(help=say("cli.help_unblind"))
@click.argument("folder", **DIR)
@click.option("--reports", **REPORTS)
@plainly
def unblind(folder: Path, reports: Path) -> None:
    """Open the key."""
    from studylib.sheets.blinding import open_key

    study = _study(folder, recorded=False)
    inputs = writing.read_json(reports / study.name / "provenance.json").get("inputs", {})
    opened = open_key(
        study.folder,
        specimens=study.written,
        compare=study.settings.study.compare,
        when=datetime.now(),
        reported={take.specimen for take in study.takes if take.file in inputs},
    )
    tell(say("cli.opened", opened=opened.opened, after_run=opened.after_run))
    _next(folder, "run")


@click.command(help=say("cli.help_lock"))
@click.argument("folder", **DIR)
@click.option("--amend", is_flag=True, help=say("cli.help_amend"))
@click.option("--verify", metavar="SHA256", help=say("cli.help_verify"))
@plainly
def lock(folder: Path, amend: bool, verify: str | None) -> None:
    """Lock claims and choices, or tell whether they are as somebody saw them locked."""
    from studylib.report.predicted import expected, expected_notes
    from studylib.sheets.lock import add_lock
    from studylib.signal.quality import overridden

    study = _study(folder, recorded=False)
    if verify:
        sys.exit(FAULTS if _verify(study, verify) else 0)
    errors.InputError.refuse(not study.specimens, "bench.no_boards", file="specimens.csv")
    errors.InputError.refuse_all([*study.claims_at_fault, *study.looks_at_fault])
    overridden(study.settings.quality)  # a check that is not known is a fault
    number = study.stages[-1]
    content, own = study.decided(number), study.of_stages(number)
    content["expected"] = expected(study if len(study.stages) == 1 else own)
    made = add_lock(
        study.folder,
        content,
        stage=number,
        recorded=len(own.takes),
        when=datetime.now(),
        amend=amend,
    )
    tell(
        say("cli.locked", claims=len(study.settings.claims), boards=len(content["specimens"])),
        *map(say, expected_notes(content["expected"])),
        *codes.holding((own.takes, say("cli.locked_late", recorded=len(own.takes)))),
        say("cli.locked_hash", sha256=made.sha256),
        say("cli.locked_next"),
    )


def _verify(study: Any, sha256: str) -> int:
    """Say what somebody else's SHA-256 stands for; how many things have changed since."""
    from studylib.sheets.lock import changes_since, verified

    found = verified(study.locks, sha256)
    changes = changes_since(found, study.decided(found.content["stage"]))
    about = {name: found.content[name] for name in ("locked", "stage", "recorded")}
    tell(say("cli.verified", **about, changes=len(changes)), *map(say, changes))
    return len(changes)


@click.command(help=say("cli.help_signals"))
@click.argument("folder", **DIR)
@plainly
def signals(folder: Path) -> None:
    """Write the signals."""
    from studylib.bench.signals import write_signals
    from studylib.report.pages import table

    with Bars() as bars:
        written = write_signals(_study(folder), progress=partial(bars.show, "signals"))
    tell(
        *str(table(written.drop(columns="caution"))).splitlines(),
        "",
        say("cli.play_safely"),
        say("cli.signals", count=len(written), folder=folder / "signals"),
    )


@click.command(help=say("cli.help_sheet"))
@click.argument("folder", **DIR)
@click.option("--batch", "batches", **MANY, help=say("cli.help_sheet_batch"))
@plainly
def sheet(folder: Path, batches: tuple[str, ...]) -> None:
    """Write the bench sheets."""
    from studylib.bench.sheet import write_sheets

    for path in write_sheets(_study(folder), batches=batches or None):
        tell(say("cli.written", path=path))


@click.command(help=say("cli.help_check"))
@click.argument("folder", **DIR)
@click.option("--watch", is_flag=True, help=say("cli.help_watch"))
@plainly
def check(folder: Path, watch: bool) -> None:
    """Check what is recorded, once or as it appears."""
    if watch:
        from studylib.bench.watch import watch_bench

        watch_bench(folder, tell=tell)
    else:
        sys.exit(FAULTS if _check(folder) else 0)


def _check(folder: Path) -> int:
    """Check what is recorded; how many takes are not fit for use."""
    import pandas as pd

    from studylib.bench.slips import slips
    from studylib.measure import measure_batch
    from studylib.report import at_the_bench, plan

    study = _study(folder)
    planned = len(study.planned)
    if not study.takes:
        tell(
            *(say("cli.warning", warning=one) for one in study.warnings),
            *map(say, plan.never_by_sheets(study)),
            say("cli.nothing_recorded", planned=planned),
        )
        return 0
    with Bars() as bars:
        found = [
            measure_batch(study, batch, progress=partial(bars.show, batch))
            for batch in study.batches
        ]
    lines, failed = at_the_bench.fitness(
        study,
        pd.concat([batch.quality for batch in found], ignore_index=True),
        slips=slips(study),
    )
    odd = [
        *study.warnings,
        *at_the_bench.bench_warnings(found),
        *at_the_bench.levels_told(study, found),
        *at_the_bench.repeats_apart(found),
    ]
    tell(
        *(say("cli.warning", warning=one) for one in odd),
        *map(say, at_the_bench.bench_warnings(found, item="clocks")),
        *lines,
        *codes.holding((planned, say("cli.still_planned", planned=planned))),
    )
    return failed


@click.command(help=say("cli.help_run"))
@click.argument("folder", **DIR)
@click.option("--batch", "batches", **MANY, help=say("cli.help_run_batch"))
@click.option("--jobs", type=click.IntRange(min=1), metavar="N", help=say("cli.help_jobs"))
@click.option("--reports", **REPORTS)
@click.option("--trust", **TRUST)
@click.option("--cluster", metavar="ADDRESS", help=say("cli.help_cluster"))
@plainly
def run(
    folder: Path,
    batches: tuple[str, ...],
    jobs: int | None,
    reports: Path,
    trust: bool,
    cluster: str | None,
) -> None:
    """Run a study."""
    from studylib.run.cluster import connected
    from studylib.run.runner import run_study

    with Bars() as bars:
        executor = bars.enter_context(connected(cluster)) if cluster else None
        outcome = run_study(
            folder,
            reports=reports,
            batches=batches or None,
            jobs=jobs or min(4, os.cpu_count() or 1),
            trust=trust,
            executor=executor,
            progress=bars.show,
        )
    path = outcome.summary_html
    tell(
        *codes.holding((outcome.skipped, say("cli.unchanged", batches=outcome.skipped))),
        *(say("cli.not_in_summary", batch=b, reason=why) for b, why in outcome.not_run.items()),
        *codes.holding((path, say("cli.report", path=path))),
    )
    complain(
        *(say("cli.failed", batch=batch, reason=why) for batch, why in outcome.failed.items()),
        *codes.holding((path is None, say("cli.no_report"))),
    )
    sys.exit(FAULTS if outcome.failed else 0)


@click.command(help=say("cli.help_notebooks"))
@click.argument("folder", **DIR)
@plainly
def notebooks(folder: Path) -> None:
    """Copy the notebooks into a study."""
    from studylib.run.notebooks import NAMES, copy_notebooks
    from studylib.run.runner import notebook_path

    study = _study(folder, recorded=False)
    states = copy_notebooks(study.folder, {name: notebook_path(name) for name in NAMES})
    tell(say("cli.notebooks", folder=folder, **states))


@click.command(help=say("cli.help_listen"))
@click.argument("folder", **DIR)
@plainly
def listen(folder: Path) -> None:
    """Write the blind test that listeners take."""
    from studylib.bench.listening import write_test

    with Bars() as bars:
        page, notes = write_test(_study(folder), progress=partial(bars.show, "listen"))
    tell(*map(say, notes), say("listening.next", page=page, folder=page.parent))


@click.command(help=say("cli.help_trace"))
@click.argument("folder", **DIR)
@click.argument("wanted", metavar="ID")
@click.option("--reports", **REPORTS)
@plainly
def trace(folder: Path, wanted: str, reports: Path) -> None:
    """Follow a number down to its recordings."""
    from studylib.report.trace import last_run, trail

    study = _study(folder)
    summary, places = last_run(study, reports / study.name, folder=str(folder))
    tell(*str(trail(summary, wanted, places)).splitlines())


@click.command(help=say("cli.help_heard"))
@click.argument("folder", **DIR)
@click.option("--trust", **TRUST)
@click.option("--reports", **REPORTS)
@plainly
def heard(folder: Path, trust: bool, reports: Path) -> None:
    """Say what came of the blind test."""
    from studylib.run.runner import write_page
    from studylib.sheets.listening import FOLDER, TRIALS

    test = _study(folder).folder / FOLDER / TRIALS
    errors.InputError.refuse(not test.is_file(), "cli.no_test", folder=folder)
    tell(say("cli.heard_page", path=write_page("listening", folder, reports=reports, trust=trust)))


ABOVE_0 = click.FloatRange(min=0, min_open=True)


@click.command(name="match", help=say("cli.help_match"))
@click.argument("folder", **DIR)
@click.option("--board", required=True, metavar="NAME", help=say("cli.help_match_board"))
@click.option("--like", required=True, metavar="NAME", help=say("cli.help_match_like"))
@click.option("--from", "low_hz", type=ABOVE_0, metavar="HZ", help=say("cli.help_from"))
@click.option("--to", "high_hz", type=ABOVE_0, metavar="HZ", help=say("cli.help_to"))
@click.option("--tone", "tone_hz", type=ABOVE_0, metavar="HZ", help=say("cli.help_match_tone"))
@click.option("--thinnest", "thickness", type=ABOVE_0, metavar="MM", help=say("cli.help_thinnest"))
@click.option("--narrowest", "width", type=ABOVE_0, metavar="MM", help=say("cli.help_narrowest"))
@click.option("--shortest", "length", type=ABOVE_0, metavar="MM", help=say("cli.help_shortest"))
@click.option("--into", **DIR, help=say("cli.help_into"))
@plainly
def match(folder: Path, board: str, like: str, into: Path | None, **asked: float | None) -> None:
    """Say how one board would have to be cut to answer like another."""
    from studylib.report.match import match_boards, match_notes, write_match

    least = {name: asked.pop(name) for name in ("length", "width", "thickness")}
    with Bars() as bars:
        found = match_boards(
            _study(folder), board, like, least_mm=least, **asked, progress=partial(bars.show, board)
        )
    tell(*map(say, match_notes(found)))
    if into:
        tell(say("match.written", path=write_match(found, into)))
