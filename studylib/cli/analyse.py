"""The commands that look at recordings: `study check` and `study run`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

from studylib.cli.shared import DIR, FAULTS, MANY, REPORTS, Bars, complain, plainly, tell
from studylib.words import say


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

    from studylib.measure import measure_batch
    from studylib.report.at_the_bench import bench_warnings, fitness
    from studylib.sheets import read_study

    study = read_study(folder)
    planned = len(study.planned)
    if not study.takes:
        tell(say("cli.nothing_recorded", planned=planned))
        return 0
    with Bars() as bars:
        found = [measure_batch(study, batch, progress=bars.of(batch)) for batch in study.batches]
    fit = fitness(study, pd.concat([batch.quality for batch in found], ignore_index=True))
    warnings = [*study.warnings, *bench_warnings(found)]
    tell(*(say("cli.warning", warning=one) for one in warnings), *map(say, fit.lines))
    if planned:
        tell(say("cli.still_planned", planned=planned))
    return fit.failed


@click.command(help=say("cli.help_run"))
@click.argument("folder", **DIR)
@click.option("--batch", "batches", **MANY, help=say("cli.help_run_batch"))
@click.option("--jobs", type=click.IntRange(min=1), metavar="N", help=say("cli.help_jobs"))
@click.option("--reports", **REPORTS)
@plainly
def run(folder: Path, batches: tuple[str, ...], jobs: int | None, reports: Path) -> None:
    """Run a study."""
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


def _report(outcome: Any) -> None:
    """The last lines of a run (`run.runner.Outcome`): what was not done, where the report is."""
    if outcome.skipped:
        tell(say("cli.unchanged", batches=outcome.skipped))
    for name, why in outcome.not_run.items():
        tell(say("cli.not_in_summary", batch=name, reason=why))
    if outcome.summary_html is not None:
        tell(say("cli.report", path=outcome.summary_html))
    for name, why in outcome.failed.items():
        complain(say("cli.failed", batch=name, reason=why))
    if outcome.summary_html is None:
        complain(say("cli.no_report"))
