"""The commands that get the bench ready: `study signals` and `study sheet`."""

from __future__ import annotations

from pathlib import Path

import click

from studylib.cli.shared import DIR, Bars, plainly, say


@click.command()
@click.argument("folder", **DIR)
@plainly
def signals(folder: Path) -> None:
    """Write the WAV files that the schedule plays, with a table of their levels."""
    from studylib.bench.signals import write_signals
    from studylib.report.pages import table
    from studylib.sheets import read_study

    with Bars() as bars:
        written = write_signals(read_study(folder), progress=bars.of("signals"))
    say_lines(str(table(written.drop(columns="caution"))))
    say("")
    say(
        "Start with the amplifier turned down and come up slowly: a steady tone can harm hearing "
        "before it hurts, headphones hide how loud it is, and a driver can be overloaded. Local "
        "rules and qualified people come first."
    )
    say(f"{len(written)} signals are in {folder / 'signals'}; signals.csv says more of each.")


@click.command()
@click.argument("folder", **DIR)
@click.option("--batch", "batches", multiple=True, metavar="NAME",
              help="Only this batch; may be given again for more.")  # fmt: skip
@plainly
def sheet(folder: Path, batches: tuple[str, ...]) -> None:
    """Write the bench sheets: what to record next, to be printed."""
    from studylib.bench.sheet import write_sheets
    from studylib.sheets import read_study

    for path in write_sheets(read_study(folder), batches=batches or None):
        say(f"Written: {path}")


def say_lines(text: str) -> None:
    """Print several lines; each is made printable by itself."""
    for line in text.splitlines():
        say(line)
