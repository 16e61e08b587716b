"""A study handed on: `study pack` for its maker, `study verify` for whoever gets it.

Commands: `pack`, `verify`.
"""

import sys
import tempfile
from datetime import datetime
from functools import partial
from pathlib import Path

import click

from studylib import codes, writing
from studylib.cli.commands import DIR, FAULTS, REPORTS, TRUST, Bars, plainly, tell
from studylib.words import say


@click.command(help=say("cli.help_pack"))
@click.argument("folder", **DIR)
@click.option("--to", type=click.Path(path_type=Path), metavar="FILE", help=say("cli.help_to_file"))
@click.option("--date", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help=say("cli.help_date"))
@click.option("--reports", **REPORTS)
@plainly
def pack(folder: Path, to: Path | None, date: datetime | None, reports: Path) -> None:
    """Pack a study and its report into one archive."""
    from studylib.run import archive
    from studylib.sheets.study import read_study

    study = read_study(folder)
    about = {"archive": to or Path(f"{study.name}.zip"), "date": f"{date:%Y-%m-%d}" if date else ""}
    tell(*map(say, archive.pack(study, reports / study.name, **about)))


@click.command(help=say("cli.help_verify_kept"))
@click.argument("kept", metavar="ARCHIVE|REPORT", type=click.Path(path_type=Path))
@click.option("--study", **DIR, help=say("cli.help_study_of"))
@click.option("--into", **DIR, help=say("cli.help_into_room"))
@click.option("--trust", **TRUST)
@plainly
def verify(kept: Path, study: Path | None, into: Path | None, trust: bool) -> None:
    """Run a kept study again and compare every table."""
    from studylib.run.verify import verify as verified
    from studylib.sheets.first_study import free_place

    with tempfile.TemporaryDirectory(prefix="studylib-") as spare, Bars() as bars:
        place = into or Path(spare) / "verified"
        free_place(place)
        run = partial(verified, kept, study=study, trust=trust, progress=bars.show)
        told, same = writing.fill_folder(place, lambda room: run(room=room))
    tell(*map(say, told), *codes.holding((into, say("cli.verified_into", folder=into))))
    sys.exit(0 if same else FAULTS)
