"""`study record`: the keys and the screen of a recording session, and the command itself.

Space or enter begins a take, and goes on with what is proposed; while something plays, any key
silences it. A letter each: keep, redo, skip, back, stop. Where nobody is asked (`--yes`), a take
that passes is kept, and one that does not is tried again a few times.

Functions: `record`, `run_session`, `pressed`. Class: `Screen`.
"""

import os
import select
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from studylib import errors, words
from studylib.cli.commands import DIR, FAULTS, complain, plainly, printable, tell

KEEP, REDO, SKIP, BACK, STOP = "krsbt"
GO = (" ", "\r", "\n")
CHANNELS = {"response", "response_kind", "drive", "drive_kind"}
TRIES = 5  # of a take by command: a busy computer loses samples now and then
FLOOR_DB, BAR = -60, 20  # what the bar of a meter spans, and its length in characters


def pressed(wait: bool = False) -> str:
    """The next key of the terminal, "" for none yet; `STOP` where no more can come."""
    if os.name == "nt":
        import msvcrt

        while not msvcrt.kbhit():
            if not wait:
                return ""
            time.sleep(0.02)
        return msvcrt.getwch()
    ready, _, _ = select.select([sys.stdin], [], [], None if wait else 0)
    return (os.read(sys.stdin.fileno(), 32).decode(errors="ignore") or STOP)[0] if ready else ""


@contextmanager
def _single_keys() -> Iterator[None]:
    """A terminal that hands on each key at once, and is as it was afterwards."""
    with ExitStack() as after:
        if os.name != "nt" and sys.stdin.isatty():
            import termios
            import tty

            was = termios.tcgetattr(sys.stdin)
            after.callback(termios.tcsetattr, sys.stdin, termios.TCSADRAIN, was)
            tty.setcbreak(sys.stdin)
        yield


class Screen:
    """What the session asks and says.

    Parameters
    ----------
    pressed : as the function of this name; None where nobody is asked.
    tell, complain : called with lines.
    show : called with the line of the meters, which takes the place of the one before.
    """

    def __init__(
        self,
        pressed: Callable[..., str] | None,
        *,
        tell: Callable[..., None],
        complain: Callable[..., None],
        show: Callable[[str], None],
    ) -> None:
        self.pressed, self.tell, self.complain, self.show = pressed, tell, complain, show
        self.noise_db: list[float] = []

    def silenced(self) -> bool:
        """Whether a key was pressed while something plays."""
        return self.pressed is not None and self.pressed() != ""

    def ask(self, question: str, letters: str, *, default: str = KEEP) -> str:
        """One of the letters; `default` for space or enter, and where nobody is asked."""
        if self.pressed is None:
            return default
        self.tell(question)
        while (key := self.pressed(wait=True).lower()) not in (*GO, *letters):
            pass
        return default if key in GO else key

    def meter(self, block: Any, sounds: bool) -> None:
        """Show peak and noise of a block (frames, channels); what is heard while no signal is on
        its way (`sounds`) is noise."""
        import numpy as np

        size = np.maximum([np.abs(block).max(axis=0), np.sqrt(2 * np.mean(block**2, axis=0))], 1e-9)
        peaks, levels = (20.0 * np.log10(size)).tolist()
        self.noise_db = self.noise_db if sounds and self.noise_db else levels
        bars = ["#" * round(BAR * max(1 - peak / FLOOR_DB, 0)) for peak in peaks]
        self.show(
            words.say("record.meter", channels=list(zip(bars, peaks, self.noise_db, strict=True)))
        )


def run_session(session: Any, screen: Screen, *, when: str) -> int:
    """Record takes in their order until all are done or somebody stops.

    Parameters
    ----------
    session : a `bench.recording_session.RecordingSession`.
    when : the moment, as it is remembered with the loopback.

    Returns
    -------
    how many takes still lack their recording; 0 when what was asked for is done.

    Raises
    ------
    InputError, OSError : what nobody is there to answer.
    """
    known = session.bench.get("loopback")
    screen.tell(
        words.say("record.line", **session.line),
        words.say(
            "record.channels", **session.study.settings.channels.model_dump(include=CHANNELS)
        ),
        words.say("record.loopback_known", **known)
        if known
        else words.say("record.unknown_latency"),
        *(words.say("record.left_over", take=name) for name in session.left_over()),
    )
    answer, batch, tries = "", "", 0
    while answer != STOP and (take := session.current) is not None:
        begins, answer, batch = take.batch not in (batch, *session.study.batches), "", take.batch
        try:
            if begins and not session.by_command:
                answer = screen.ask(words.say("record.ask_loopback", batch=batch), SKIP + STOP)
            if answer == KEEP:
                measure_loopback(session, screen, when=when)
            if answer != STOP:
                answer = _one_take(session, screen, take)
        except errors.InputError as error:
            if session.by_command and "record.gap" not in error.codes:
                raise
            screen.complain(*error.faults)
            answer = REDO
        tries = (tries + 1) * (answer == REDO)
        if answer == REDO:  # whatever was wrong, loudness comes up anew
            session.heard_db.clear()
        if session.by_command and tries == TRIES:
            screen.complain(words.say("record.given_up", take=take.take, tries=TRIES))
            answer = STOP
        if answer in (BACK, SKIP):
            (session.back if answer == BACK else session.skip)(take)
    waiting = len(session.study.planned)
    screen.tell(words.say("record.done", waiting=waiting))
    return waiting if session.current else 0


def measure_loopback(session: Any, screen: Screen, *, when: str) -> int:
    """Measure the loopback and say what it tells; the number of remarks."""
    from studylib.bench.recording_session import remarks

    if not session.measure_loopback(silenced=screen.silenced, when=when):
        screen.tell(words.say("record.silenced"))
        return 1
    minded = remarks(found := session.bench["loopback"], rate_hz=session.rate_hz)
    screen.tell(words.say("record.loopback_known", **found), *map(words.say, minded))
    return len(minded)


def _one_take(session: Any, screen: Screen, take: Any) -> str:
    """Come up to the level, record, look, ask; the last answer."""
    from studylib.bench.sheet import caution, groups

    group = next(g for g in groups(session.study, take.batch) if take in g.takes)
    screen.tell(
        "",
        words.say(
            "record.next",
            take=take.take,
            heading=group.heading,
            to_do=session.to_do(take, group.takes),
            caution=caution(take, group.takes[: group.takes.index(take)]),
            done=len(session.study.takes),
            total=len(session.takes),
        ),
    )
    for below_db in session.steps(take):
        question = words.say("record.ask_begin", below_db=below_db, plays=session.plays(take))
        if (answer := screen.ask(question, SKIP + BACK + STOP)) != KEEP:
            return answer
        ended = session.play(take, below_db, silenced=screen.silenced)
        screen.show("")
        if not ended:
            screen.tell(words.say("record.silenced"))
            return REDO
    look = session.look(take)
    good = look.verdict != "redo"
    screen.tell(words.say("record.looked", take=take.take, good=good, reason=look.reason))
    letters, proposed = KEEP + REDO + SKIP + BACK + STOP, KEEP if good else REDO
    answer = screen.ask(words.say("record.ask_keep", good=good), letters, default=proposed)
    if answer == KEEP:
        session.keep(take)
    return answer


def _show(line: str) -> None:
    """The line of the meters, on a terminal; "" takes it away."""
    if sys.stdout.isatty():
        click.echo(f"{printable(line)}\x1b[K\r", nl=False)


@click.command(help=words.say("cli.help_record"))
@click.argument("folder", **DIR)
@click.option("--devices", is_flag=True, help=words.say("cli.help_devices"))
@click.option("--input", "heard_by", metavar="NAME", help=words.say("cli.help_input"))
@click.option("--output", "played_by", metavar="NAME", help=words.say("cli.help_output"))
@click.option("--loopback", is_flag=True, help=words.say("cli.help_loopback"))
@click.option("--take", default="", metavar="NAME", help=words.say("cli.help_take"))
@click.option("--yes", is_flag=True, help=words.say("cli.help_yes"))
@plainly
def record(
    folder: Path,
    devices: bool,
    heard_by: str,
    played_by: str,
    loopback: bool,
    take: str,
    yes: bool,
) -> None:
    """Play, record and look at the takes of the schedule."""
    from studylib.bench.recording_session import RecordingSession, open_sound

    screen = Screen(None if yes else pressed, tell=tell, complain=complain, show=_show)
    session = RecordingSession(folder, open_sound(), meter=screen.meter, take=take, by_command=yes)
    if heard_by or played_by:
        session.choose(input=heard_by, output=played_by)
    if devices:
        tell(
            *(
                words.say("record.device", number=number, found=one)
                for number, one in enumerate(session.sound.query_devices())
            )
        )
        return
    tell(words.say("cli.play_safely"))
    when = datetime.now().isoformat(sep=" ", timespec="minutes")
    with _single_keys():
        left = (measure_loopback if loopback else run_session)(session, screen, when=when)
    sys.exit(FAULTS if left and (yes or loopback) else 0)
