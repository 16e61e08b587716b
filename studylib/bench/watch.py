"""Watch the bench: a look at each recording as it appears, in one line.

The drive is watched by watchfiles, whose events only say that something changed; what changed is
then found by comparing the files with what was looked at before, and once a second without any
event, so that drives without events serve as well. A file is looked at when it has stopped growing
and its header agrees with its length; one that stays short is called so after a few seconds.

What was looked at is remembered in `.looked_at.json` (size, time of change, verdict), so that a
watch that was stopped goes on where it was. Nothing below recordings/ is ever written, renamed or
deleted.

Functions: `watch_bench`. Class: `Watcher`.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path
from typing import Any

from watchfiles import watch

from studylib.bench.first_look import REDO, Look, first_look, next_words
from studylib.errors import InputError, StudyError
from studylib.recordings import probe
from studylib.sheets import Study, Take, read_study
from studylib.sheets.files import AUDIO_ENDINGS
from studylib.words.text import nearest, shown
from studylib.writing import read_json, write_json

MEMORY = ".looked_at.json"
SHEETS = ("study.toml", "specimens.csv", "takes.csv", "schedule.json")
STRANGER = "not in the schedule"
SETTLED_S = 0.4  # without growth: the recorder has most likely closed the file
GIVEN_UP_S = 3.0  # without growth and still short: it breaks off
PATIENCE_S = 1.2  # with the wait for the file, a line comes within two seconds
TICK_MS = 200
SCAN_S = 1.0

Signature = tuple[int, int]


class Watcher:
    """What is known of the recordings, and what is said of them; drives no clock of its own.

    Parameters
    ----------
    folder : the study folder.
    say : called with each line.
    """

    def __init__(self, folder: Path | str, *, say: Callable[[str], None]) -> None:
        self.folder = Path(os.path.abspath(folder))
        self.say = say
        self.study = read_study(self.folder)
        self.sheets = self._sheet_state()
        self.fault = ""
        self.gone = False
        self.seen: dict[str, tuple[Signature, str]] = _remembered(self.folder / MEMORY)
        self.growing: dict[str, tuple[Signature, float]] = {}

    def begin(self, now: float) -> None:
        """Say where the study stands; recordings that are new since the last time come after."""
        self.say(f"Watching recordings/ of {self.study.name}; stop with Ctrl-C.")
        if not self.study.schedules:
            self.say("There is no schedule (`study plan` writes one); the rows of takes.csv count.")
        there = self._files()
        self.seen = {name: known for name, known in self.seen.items() if name in there}
        self._scan(now)
        batch = self._batch_at_work()
        if batch and not self.growing:
            self.say(next_words(self._now(), batch, self._waiting()))

    def tick(self, now: float) -> None:
        """Take in what changed, and look at what has settled."""
        if not self.folder.is_dir():
            raise InputError(
                f"the study folder {shown(self.folder.name)} is gone; put it back and start again"
            )
        there = (self.folder / "recordings").is_dir()
        if not there and not self.gone:
            self.say("recordings/ is gone; put it back where it was. Nothing was changed; waiting.")
        if there and self.gone:
            self.say("recordings/ is back.")
        self.gone = not there
        if not there:
            return
        self._read_sheets()
        self._scan(now)
        settled = [name for name in self.growing if self._is_settled(name, now)]
        order = {take.file: n for n, take in enumerate(self._all())}
        for name in sorted(settled, key=lambda name: (order.get(name, len(order)), name)):
            self._look(name)

    def _scan(self, now: float) -> None:
        found = self._files()
        for name, signature in found.items():
            known = self.seen.get(name)
            if known and known[0] == signature and not self._is_named_now(name, known[1]):
                continue
            if name not in self.growing or self.growing[name][0] != signature:
                self.growing[name] = (signature, now)
        self.growing = {name: kept for name, kept in self.growing.items() if name in found}
        # What is gone may come back under its name, and is then looked at again.
        self.seen = {name: kept for name, kept in self.seen.items() if name in found}

    def _is_named_now(self, name: str, verdict: str) -> bool:
        return verdict == STRANGER and name in {take.file for take in self._all()}

    def _files(self) -> dict[str, Signature]:
        out = {}
        for path in (self.folder / "recordings").rglob("*"):
            hidden = any(part.startswith(".") for part in path.relative_to(self.folder).parts)
            if hidden or path.suffix.lower() not in AUDIO_ENDINGS:
                continue
            try:
                state = path.stat()
            except OSError:  # renamed or deleted while it was listed
                continue
            if path.is_file():
                out[path.relative_to(self.folder).as_posix()] = (state.st_size, state.st_mtime_ns)
        return out

    def _is_settled(self, name: str, now: float) -> bool:
        waited = now - self.growing[name][1]
        if waited < SETTLED_S:
            return False
        if waited >= GIVEN_UP_S:
            return True
        try:
            return not probe(self.folder / name).truncated
        except StudyError:  # no header yet
            return False

    def _look(self, name: str) -> None:
        signature, _ = self.growing.pop(name)
        take = next((take for take in self._all() if take.file == name), None)
        if take is None:
            self._remember(name, signature, STRANGER)
            self.say(self._stranger(name))
            return
        study = self._now(also=take)
        look = self._patiently(study, take)
        before = self._waiting()
        self._remember(name, signature, look.verdict)
        said = f": {look.said}" if look.said else ""
        early = self._skipped(take, before)
        far = next_words(study, take.batch, self._waiting())
        self.say(f"{look.verdict}  {take.take}{said}{early} | {far}")

    def _patiently(self, study: Study, take: Take) -> Look:
        """The look at a take; whoever waits longer than usual is told why."""
        words = f"wait  {take.take}: still looking; taps that bounced take longest"
        reminder = threading.Timer(PATIENCE_S, self.say, [words])
        reminder.daemon = True
        reminder.start()
        try:
            return first_look(study, take)
        except StudyError as error:
            return Look(REDO, str(error).splitlines()[0])
        finally:
            reminder.cancel()

    def _skipped(self, take: Take, waiting: frozenset[str]) -> str:
        """That takes which come before this one are not recorded yet."""
        order = [t.take for t in self.study.scheduled_of(take.batch)]
        missing = [name for name in order[: order.index(take.take)] if name in waiting]
        if not missing:
            return ""
        more = f" and {len(missing) - 1} more" if len(missing) > 1 else ""
        return f" (out of order: {missing[0]}{more} should come before it)"

    def _stranger(self, name: str) -> str:
        waiting = self._waiting()
        files = {take.file for take in self._all() if take.take in waiting}
        said = f"redo  {name}: this name is not in takes.csv; rename the file"
        batch = self._batch_at_work()
        if not files or not batch:
            return f"{said} or write a row for it."
        expected = next(t for t in self.study.scheduled_of(batch) if t.take in waiting)
        near = nearest(name, sorted(files))
        return f"{said}. The next one expected is {expected.file}; the nearest name is {near}."

    def _all(self) -> list[Take]:
        return [t for batch in self.study.all_batches for t in self.study.scheduled_of(batch)]

    def _waiting(self) -> frozenset[str]:
        """Takes without a recording, and those that must be made again."""
        good = {n for n, (_, verdict) in self.seen.items() if verdict not in (REDO, STRANGER)}
        return frozenset(take.take for take in self._all() if take.file not in good)

    def _now(self, *, also: Take | None = None) -> Study:
        """The study with the takes that were looked at as its recorded ones."""
        recorded = [t for t in self._all() if t.file in self.seen or t == also]
        planned = [t for t in self._all() if not (t.file in self.seen or t == also)]
        return replace(self.study, takes=tuple(recorded), planned=tuple(planned))

    def _batch_at_work(self) -> str:
        """The last batch with a recording that still lacks some, else the first that lacks any."""
        waiting = self._waiting()
        lacking = [
            batch
            for batch in self.study.all_batches
            if any(take.take in waiting for take in self.study.scheduled_of(batch))
        ]
        begun = [
            batch
            for batch in lacking
            if any(take.take not in waiting for take in self.study.scheduled_of(batch))
        ]
        return (begun or lacking[:1] or [""])[-1]

    def _sheet_state(self) -> tuple:
        out = []
        for name in SHEETS:
            try:
                state = (self.folder / name).stat()
                out.append((state.st_size, state.st_mtime_ns))
            except OSError:
                out.append(None)
        return tuple(out)

    def _read_sheets(self) -> None:
        """Read the sheets again where they changed; with faults, go on with the last good ones."""
        state = self._sheet_state()
        if state == self.sheets and not self.fault:
            return
        if self.growing:  # a half-written recording is no fault of the sheets
            return
        try:
            self.study = read_study(self.folder)
        except InputError as error:
            if error.faults[0] != self.fault:
                more = f" (and {len(error.faults) - 1} more)" if len(error.faults) > 1 else ""
                self.say(f"The sheets have a fault: {error.faults[0]}{more}. Going on as before.")
            self.fault, self.sheets = error.faults[0], state
            return
        self.say("The sheets were read again.")
        self.fault, self.sheets = "", state

    def _remember(self, name: str, signature: Signature, verdict: str) -> None:
        self.seen[name] = (signature, verdict)
        content = {name: [*size, verdict] for name, (size, verdict) in self.seen.items()}
        write_json(self.folder / MEMORY, {"looked_at": content})


def _remembered(path: Path) -> dict[str, tuple[Signature, str]]:
    """What was looked at before; nothing where that cannot be read."""
    found: Any = read_json(path).get("looked_at", {})
    try:
        return {
            str(name): ((int(size), int(changed)), str(verdict))
            for name, (size, changed, verdict) in found.items()
        }
    except (AttributeError, TypeError, ValueError):
        return {}


def watch_bench(
    folder: Path | str,
    *,
    say: Callable[[str], None],
    stop: threading.Event | None = None,
    events: Iterable[Any] | None = None,
    now: Callable[[], float] = time.monotonic,
) -> None:
    """Look at each recording of a study as it appears, until stopped.

    Parameters
    ----------
    folder : the study folder.
    say : called with each line.
    stop : ends the watch when it is set.
    events : what wakes the watch; the drive's own events when left out.
    now : seconds on a clock that only goes forward.

    Raises
    ------
    InputError : the sheets have faults at the start, or the study folder is taken away.
    """
    watcher = Watcher(folder, say=say)
    watcher.begin(now())
    last = now()
    for changes in events if events is not None else _changes(watcher.folder, stop):
        if changes or watcher.growing or now() - last >= SCAN_S:
            last = now()
            watcher.tick(last)


def _changes(folder: Path, stop: threading.Event | None) -> Iterable[Any]:
    """Events of the drive, and an empty one every tick."""
    return watch(
        folder,
        watch_filter=lambda _, path: not Path(path).name.startswith("."),
        debounce=TICK_MS,
        step=50,
        stop_event=stop,
        rust_timeout=TICK_MS,
        yield_on_timeout=True,
    )
