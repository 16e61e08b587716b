"""The `study` command: start a study folder, check it, run it.

Exit codes: 0 all is well; 1 takes that fail their checks, or a notebook that failed; 2 something
to put right first (one sentence a line on standard error); 130 stopped by hand.

Convention: everything heavy is imported where it is needed, so that `study --help` is quick.
"""

from __future__ import annotations

import os
import shlex
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from studylib.errors import InputError, StudyError

if TYPE_CHECKING:
    from studylib.run.runner import Outcome

FAULTS, WRONG, STOPPED = 1, 2, 130


def _plainly(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn every error of a command into clear sentences and an exit code."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            _complain("Stopped. What was finished before is kept; nothing is half written.")
            sys.exit(STOPPED)
        except InputError as error:
            for fault in error.faults:
                _complain(fault)
            sys.exit(WRONG)
        except StudyError as error:
            _complain(str(error))
            sys.exit(WRONG)
        except OSError as error:
            where = f" ({Path(error.filename).name})" if error.filename else ""
            _complain(f"A file could not be read or written{where}: {error.strerror or error}.")
            sys.exit(WRONG)
        except click.ClickException:
            raise
        except Exception as error:
            # A fault of ours, not of the user; said shortly, and in full where it is asked for.
            if os.environ.get("STUDY_DEBUG"):
                raise
            _complain(
                f"The program itself failed ({type(error).__name__}: {_printable(str(error))}). "
                "Set STUDY_DEBUG=1 and run the same command again to see where."
            )
            sys.exit(WRONG)

    return run


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """Does the wood of a board change what reaches its far end?

    Start a study folder with `new`, fill it in, `check` it at the bench, then `run` it.
    """


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@_plainly
def new(folder: Path) -> None:
    """Write a commented, empty study folder to DIR."""
    from studylib.sheets.template import write_template

    write_template(folder)
    _say(f"A new study is in {folder}: fill in study.toml, specimens.csv and takes.csv.")
    _say(f"Then: study check {shlex.quote(str(folder))}")


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@_plainly
def check(folder: Path) -> None:
    """Check the sheets and the quality of every take; no report."""
    import pandas as pd

    from studylib.measure import measure_batch
    from studylib.report.at_the_bench import bench_warnings, fitness
    from studylib.sheets import read_study

    study = read_study(folder)
    found = []
    with Bars() as bars:
        for batch in study.batches:
            found.append(measure_batch(study, batch, progress=bars.of(batch)))
    for warning in [*study.warnings, *bench_warnings(found)]:
        _say(f"Warning: {warning}")
    fit = fitness(study, pd.concat([batch.quality for batch in found], ignore_index=True))
    for line in fit.lines:
        _say(line)
    sys.exit(FAULTS if fit.failed else 0)


@main.command()
@click.argument("folder", type=click.Path(path_type=Path), metavar="DIR")
@click.option("--batch", "batches", multiple=True, metavar="NAME",
              help="Run only this batch; may be given again for more.")  # fmt: skip
@click.option("--jobs", type=click.IntRange(min=1), metavar="N",
              help="Batches at a time; as many as there are processors, at most 4.")  # fmt: skip
@click.option("--reports", type=click.Path(path_type=Path), default=Path("reports"),
              show_default=True, help="Folder of the reports.")  # fmt: skip
@_plainly
def run(folder: Path, batches: tuple[str, ...], jobs: int | None, reports: Path) -> None:
    """Measure every batch, compare the woods, write the report.

    Batches whose recordings, sheets, notebook and library are unchanged are not run again.
    """
    from studylib.run.runner import run_study

    with Bars() as bars:
        outcome = run_study(
            folder,
            reports=reports,
            batches=batches or None,
            jobs=jobs or min(4, os.cpu_count() or 1),
            progress=bars.show,
        )
    _report(outcome)
    sys.exit(FAULTS if outcome.failed else 0)


class Bars:
    """One progress bar for each thing under way; silent when nobody watches."""

    def __init__(self) -> None:
        self._bars: dict[str, Any] = {}

    def __enter__(self) -> Bars:
        return self

    def __exit__(self, *_: Any) -> None:
        for bar in self._bars.values():
            bar.close()

    def show(self, task: str, done: int, total: int, what: str) -> None:
        """Move the bar of `task` to `done` of `total` and say what is being done."""
        from tqdm import tqdm

        bar = self._bars.get(task)
        if bar is None:
            # disable=None: bars only on a terminal.
            form = "{percentage:3.0f}% |{bar:20}| {desc}"
            bar = self._bars[task] = tqdm(disable=None, bar_format=form)
        bar.total = max(total, 1)
        bar.n = done
        bar.set_description_str(_printable(f"{task}: {what}"), refresh=True)

    def of(self, task: str) -> Callable[[int, int, str], None]:
        """The same for one task."""
        return lambda done, total, what: self.show(task, done, total, what)


def _report(outcome: Outcome) -> None:
    """The last lines of a run: what was not done, and where the report is."""
    if outcome.skipped:
        _say(f"Unchanged, not run again: {', '.join(outcome.skipped)}.")
    for name, why in outcome.not_run.items():
        _say(f"Not in the summary: {name}. {why}")
    if outcome.summary_html is not None:
        _say(f"The report is in {outcome.summary_html}")
    for name, why in outcome.failed.items():
        _complain(f"Failed: {name}. {why}")
    if outcome.summary_html is None:
        _complain("There is no report of this run.")


def _say(text: str) -> None:
    click.echo(_printable(text))


def _complain(text: str) -> None:
    click.echo(_printable(text), err=True)


def _printable(text: str) -> str:
    """Text from sheets must not steer the terminal, nor break a sentence in two."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )


if __name__ == "__main__":
    main()
