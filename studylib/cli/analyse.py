"""The commands that look at recordings: `study check` and `study run`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from studylib import words
from studylib.cli.shared import DIR, FAULTS, REPORTS, Bars, complain, plainly, say
from studylib.words import say as sentence

if TYPE_CHECKING:
    from studylib.run.runner import Outcome


@click.command()
@click.argument("folder", **DIR)
@click.option("--watch", is_flag=True,
              help="Stay, and look at each recording as it appears.")  # fmt: skip
@plainly
def check(folder: Path, watch: bool) -> None:
    """Check the sheets and the quality of every take; no report."""
    if watch:
        from studylib.bench.watch import watch_bench

        watch_bench(folder, say=say)
    else:
        sys.exit(FAULTS if _check(folder) else 0)


def _check(folder: Path) -> int:
    """Check what is recorded; how many takes are not fit for use."""
    import pandas as pd

    from studylib.measure import measure_batch
    from studylib.report.at_the_bench import bench_warnings, fitness
    from studylib.sheets import read_study

    study = read_study(folder)
    if not study.takes:
        say(f"None of the {len(study.planned)} scheduled takes is recorded yet.")
        return 0
    found = []
    with Bars() as bars:
        for batch in study.batches:
            found.append(measure_batch(study, batch, progress=bars.of(batch)))
    for warning in [*study.warnings, *bench_warnings(found)]:
        say(f"Warning: {sentence(warning)}")
    fit = fitness(study, pd.concat([batch.quality for batch in found], ignore_index=True))
    for line in fit.lines:
        say(line)
    if study.planned:
        say(f"{len(study.planned)} scheduled takes are not recorded yet.")
    return fit.failed


@click.command()
@click.argument("folder", **DIR)
@click.option("--batch", "batches", multiple=True, metavar="NAME",
              help="Run only this batch; may be given again for more.")  # fmt: skip
@click.option("--jobs", type=click.IntRange(min=1), metavar="N",
              help="Batches at a time; as many as there are processors, at most 4.")  # fmt: skip
@click.option("--reports", **REPORTS)
@plainly
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


def _report(outcome: Outcome) -> None:
    """The last lines of a run: what was not done, and where the report is."""
    if outcome.skipped:
        say(f"Unchanged, not run again: {', '.join(outcome.skipped)}.")
    for name, why in outcome.not_run.items():
        say(f"Not in the summary: {name}. {words.said(why)}")
    if outcome.summary_html is not None:
        say(f"The report is in {outcome.summary_html}")
    for name, why in outcome.failed.items():
        complain(f"Failed: {name}. {words.said(why)}")
    if outcome.summary_html is None:
        complain("There is no report of this run.")
