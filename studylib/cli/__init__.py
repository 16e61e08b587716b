"""The `study` command: plan a study, record it, check it, run it.

Convention: everything heavy is imported where it is needed, so that `study --help` is quick.
"""

import click

from studylib.cli import commands, handing_on, recording
from studylib.words import say


class _InOrder(click.Group):
    """Commands in the order of the work, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.commands)


@click.group(
    cls=_InOrder,
    help=say("cli.help"),
    context_settings={"help_option_names": ["-h", "--help"]},
)
def main() -> None:
    """The `study` command."""


for command in (
    *(commands.new, commands.add, commands.plan, commands.blind),
    *(commands.lock, commands.signals, commands.sheet, recording.record),
    *(commands.check, commands.run, commands.notebooks, commands.listen, commands.heard),
    *(commands.trace, commands.match, commands.unblind),
    *(handing_on.pack, handing_on.verify),
):
    main.add_command(command)
