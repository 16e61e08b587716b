"""The `study` command: plan a study, record it, check it, run it.

Convention: everything heavy is imported where it is needed, so that `study --help` is quick.
"""

from __future__ import annotations

import click

from studylib.cli import analyse, before, bench


class _InOrder(click.Group):
    """Commands in the order of the work, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(cls=_InOrder, context_settings={"help_option_names": ["-h", "--help"]})
def main() -> None:
    """Does the wood of a board change what reaches its far end?

    Start a study folder with `new` and fill in its boards; `plan` it, `lock` it; record with the
    `sheet` at hand and `check --watch` beside you; then `run` it.
    """


for command in (
    *(before.new, before.plan, before.blind, before.lock),
    *(bench.signals, bench.sheet, analyse.check, analyse.run, before.unblind),
):
    main.add_command(command)
