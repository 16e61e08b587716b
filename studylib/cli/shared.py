"""What every command shares: errors as sentences, exit codes, progress, printing.

Exit codes: 0 all is well; 1 takes that fail their checks, or a notebook that failed; 2 something
to put right first (one sentence a line on standard error); 130 stopped by hand.

Functions: `plainly`, `tell`, `complain`, `printable`. Class: `Bars`.
"""

import errno
import os
import sys
from collections.abc import Callable
from contextlib import ExitStack
from functools import wraps
from pathlib import Path
from typing import Any

import click

from studylib.errors import StudyError
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


def plainly(command: Callable[..., Any]) -> Callable[..., Any]:
    """Turn every error of a command into clear sentences and an exit code."""

    @wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except click.ClickException:
            raise
        except KeyboardInterrupt:
            complain(say("cli.stopped"))
            sys.exit(STOPPED)
        except StudyError as error:
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

        bar = self._bars.get(task)
        if bar is None:
            # disable=None: bars only on a terminal.
            form = "{percentage:3.0f}% |{bar:20}| {desc}"
            bar = self._bars[task] = self.enter_context(tqdm(disable=None, bar_format=form))
        bar.total = max(total, 1)
        bar.n = done
        bar.set_description_str(printable(f"{task}: {what}"), refresh=True)

    def of(self, task: str) -> Callable[[int, int, str], None]:
        """The same for one task."""
        return lambda done, total, what: self.show(task, done, total, what)


def tell(*lines: str) -> None:
    """Print lines."""
    click.echo("\n".join(map(printable, lines)))


def complain(*lines: str) -> None:
    """Print lines to standard error."""
    click.echo("\n".join(map(printable, lines)), err=True)


def printable(text: str) -> str:
    """Text from sheets must not steer the terminal, nor break a sentence in two."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in text
    )
