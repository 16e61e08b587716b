"""Watch the bench: a look at each recording as it appears, in one line: keep, or redo and why.

A take is measured as a run will measure it, against the room and the calibrator of its batch as far
as they are recorded. No woods, no comparison: whether it is fit for use, and nothing else.

The drive is watched by watchfiles, whose events only say that something changed; what changed is
then found by comparing the files with what was looked at before, and once a second without any
event, so that drives without events serve as well. A file is looked at when it has stopped growing
and its header agrees with its length; one that stays short is called so after a few seconds.

What was looked at is remembered in `.looked_at.json` (size, time of change, verdict), so that a
watch that was stopped goes on where it was. Nothing below recordings/ is ever written, renamed or
deleted.

Functions: `first_look`, `watch_bench`. Classes: `Look`, `Watcher`.
"""

import os
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from watchfiles import watch

from studylib import codes, errors, recordings, sheets, tables, words, writing
from studylib.bench import sheet, slips
from studylib.measure.session import FIRST_KINDS, header_of, measured_at, session_of
from studylib.modes.means import over_places, own_squared, room_hides
from studylib.report.at_the_bench import failed_checks
from studylib.sheets.files import AUDIO_ENDINGS, SHEETS, UNREAD_ENDINGS
from studylib.signal import quality
from studylib.signal.tap import Tap
from studylib.words.text import nearest

MEMORY = ".looked_at.json"
KEEP, REDO, RENAME, STRANGER = "keep", "redo", "rename", "stranger"  # without a row
SETTLED_S = 0.4  # without growth: the recorder has most likely closed the file
GIVEN_UP_S = 3.0  # without growth and still short: it breaks off
PATIENCE_S = 1.2  # with the wait for the file, a line comes within two seconds
TICK_MS = 200
SCAN_S = 1.0

Signature = tuple[int, int]


@dataclass(frozen=True)
class Look:
    """Keep or redo, and a note: why it must be redone, or what to mind; "" for nothing."""

    verdict: str
    reason: str


def first_look(study: sheets.Study, take: sheets.Take) -> Look:
    """Measure one take and say whether it is fit for use.

    Parameters
    ----------
    study : its `takes` are those recorded so far; `take` is one of them.

    Returns
    -------
    the verdict and its reason.

    Raises
    ------
    InputError : an unknown check in [quality], or no recording of the study can be opened.
    """
    same = [t for t in study.takes if t.batch == take.batch and t.kind in FIRST_KINDS]
    takes = {t.take: t for t in (*same, take)}
    infos = {name: header_of(study, one) for name, one in takes.items()}
    info = infos[take.take]
    if not info.frames:
        return Look(REDO, info.remark)
    slip = slips.copy_of(study, take) or slips.slip_of(
        study, take, lambda t: slips.hear(study, study.path_of(t))
    )
    if codes.code_of(slip) in slips.OTHER:  # its own checks would speak of another signal
        return Look(REDO, slip)
    measured, ring = measured_at(study, take, info, session_of(study, tuple(takes.values()), infos))
    verdict, reason = quality.take_verdict(measured.checks)
    if verdict == "fail":
        failed, advice = failed_checks(
            tables.typed("quality", [(take.take, *check) for check in measured.checks])
        )
        return Look(
            REDO, codes.several([slip, codes.note("bench.failed", checks=failed, advice=advice)])
        )
    mind = codes.note("bench.mind", checks=reason) if verdict == "warn" else ""
    return Look(
        REDO if codes.code_of(slip) == slips.EXCHANGED else KEEP,
        codes.several([slip, mind, _room(study, take, (ring and ring.taps) or [])]),
    )


def _room(study: sheets.Study, take: sheets.Take, taps: Iterable[Tap]) -> str:
    """A note of the room and of the decays that it hides, at as many places as this mount is to be
    tapped; "" where no room is heard."""
    rooms = [tap.room for tap in taps if tap.room is not None]
    good = [tap for tap in taps if tap.decays is not None and tap.decays.u_place is not None]
    heard = {
        name: float(np.median([getattr(room, of) for room in rooms]))
        for name, of in (("room_s", "decay_time_s"), ("ratio_db", "ratio_db"))
        if rooms
    }
    plain = codes.note("bench.room_heard", **heard) if heard else ""
    if not good:
        return plain
    places = len(
        {
            t.place
            for t in study.scheduled_of(take.batch)
            if t.kind == "tap" and sheet.setting(t) == sheet.setting(take)
        }
    )
    frequency, loss, u, room = (
        np.concatenate([getattr(tap.decays, name) for tap in good])
        for name in ("frequency_hz", "loss_factor", "u_loss_factor", "u_place")
    )
    own = np.sqrt(own_squared(u, room) / places) / loss
    room = over_places(room / loss, places, frequency)
    hidden = int(np.sum(room_hides(np.hypot(own, room), own, room)))
    about = {"hidden": hidden, "modes": len(loss), "places": places}
    return codes.note("bench.room_hides", **about, **heard) if hidden else plain


def next_words(study: sheets.Study, batch: str, waiting: frozenset[str]) -> str:
    """What is to be recorded next in a batch, and how far it is.

    Parameters
    ----------
    waiting : ids of the takes that are to be recorded yet, those to be redone included.
    """
    takes = study.scheduled_of(batch)
    left = [take for take in takes if take.take in waiting]
    far = {"batch": batch, "done": len(takes) - len(left), "total": len(takes)}
    if not left:
        return words.say("bench.progress", **far)
    take = left[0]
    group = next(group for group in sheet.groups(study, batch) if take in group.takes)
    return words.say(
        "bench.progress",
        **far,
        heading=group.heading if waiting.issuperset(t.take for t in group.takes) else "",
        to_do=sheet.to_do(take, group.takes),
        level=sheet.level(take),
        file=take.file,
    )


class Watcher:
    """What is known of the recordings, and what is said of them; drives no clock of its own.

    Parameters
    ----------
    folder : the study folder.
    tell : called with each line.
    """

    def __init__(self, folder: Path | str, *, tell: Callable[[str], None]) -> None:
        self.folder = Path(os.path.abspath(folder))
        self.tell = tell
        self.study = sheets.read_study(self.folder)
        self.sheets = self._sheet_state()
        self.fault = ""
        self.gone = False
        self.seen: dict[str, tuple[Signature, str]] = _remembered(self.folder / MEMORY)
        self.growing: dict[str, tuple[Signature, float]] = {}

    def begin(self, now: float) -> None:
        """Say where the study stands; recordings that are new since the last time come after."""
        self.tell(words.say("bench.watching", name=self.study.name))
        if not self.study.schedules:
            self.tell(words.say("bench.unscheduled"))
        self._scan(now)
        batch = self._batch_at_work()
        if batch and not self.growing:
            self.tell(next_words(self._now(), batch, self._waiting()))

    def tick(self, now: float) -> None:
        """Take in what changed, and look at what has settled."""
        errors.InputError.refuse(
            not self.folder.is_dir(), "bench.folder_gone", name=self.folder.name
        )
        gone = not (self.folder / "recordings").is_dir()
        if gone != self.gone:
            self.tell(words.say("bench.recordings_gone" if gone else "bench.recordings_back"))
        self.gone = gone
        if gone:
            return
        self._read_sheets()
        self._scan(now)
        settled = [name for name in self.growing if self._is_settled(name, now)]
        order = {take.file: n for n, take in enumerate(self._all())}
        for name in sorted(settled, key=lambda name: (order.get(name, len(order)), name)):
            self._look(name)

    def _scan(self, now: float) -> None:
        found = self._files()
        named = {take.file for take in self._all()}
        # What is gone may come back under its name, and is then looked at again; so is a stranger
        # that has a row by now.
        self.seen = {
            name: (signature, verdict)
            for name, (signature, verdict) in self.seen.items()
            if name in found and not (verdict == STRANGER and name in named)
        }
        self.growing = {
            name: (signature, since if signature == before else now)
            for name, signature in found.items()
            if self.seen.get(name, (None, ""))[0] != signature
            for before, since in [self.growing.get(name, (None, now))]
        }

    def _files(self) -> dict[str, Signature]:
        return {
            name.as_posix(): signature
            for path in self.folder.glob("recordings/**/*")
            for name in [path.relative_to(self.folder)]
            if not any(part.startswith(".") for part in name.parts)
            and path.suffix.lower() in AUDIO_ENDINGS
            and path.is_file()
            and (signature := _signature(path)) is not None
        }

    def _is_settled(self, name: str, now: float) -> bool:
        waited = now - self.growing[name][1]
        try:
            whole = waited >= SETTLED_S and not recordings.probe(self.folder / name).truncated
        except errors.StudyError:  # no header yet
            whole = False
        return whole or waited >= GIVEN_UP_S

    def _look(self, name: str) -> None:
        signature, _ = self.growing.pop(name)
        take = next((take for take in self._all() if take.file == name), None)
        if take is None:
            self._remember(name, signature, STRANGER)
            self.tell(self._stranger(name))
            return
        study = self._now(also=take)
        look = self._patiently(study, take)
        before = self._waiting()
        self._remember(name, signature, look.verdict)
        reason = f": {words.say(look.reason)}" if look.reason else ""
        # Takes that come before this one and are not recorded yet.
        order = [t.take for t in self.study.scheduled_of(take.batch)]
        missing = [name for name in order[: order.index(take.take)] if name in before]
        early = (
            f" {words.say('bench.out_of_order', first=missing[0], more=len(missing) - 1)}"
            if missing
            else ""
        )
        far = next_words(study, take.batch, self._waiting())
        self.tell(f"{look.verdict}  {take.take}{reason}{early} | {far}")

    def _patiently(self, study: sheets.Study, take: sheets.Take) -> Look:
        """The look at a take; whoever waits longer than usual is told why."""
        line = f"wait  {words.say('bench.still_looking', take=take.take)}"
        reminder = threading.Timer(PATIENCE_S, self.tell, [line])
        reminder.daemon = True
        reminder.start()
        try:
            return first_look(study, take)
        except errors.StudyError as error:
            return Look(REDO, error.notes[0])
        finally:
            reminder.cancel()

    def _stranger(self, name: str) -> str:
        """The line of a file without a row: whose recording it may be, and is it fit for use."""
        if name.lower().endswith(UNREAD_ENDINGS):
            return f"{REDO}  {words.say('recordings.convert', file=name)}"
        study, waiting, batch = self._now(), self._waiting(), self._batch_at_work()
        rows = [t for t in self._all() if t.take in waiting]
        rows.sort(key=lambda t: t.batch != batch)
        if found := slips.owner_of(study, name, rows):
            own = found[0].model_copy(update={"file": name})
            look = self._patiently(replace(study, takes=(*study.takes, own)), own)
            keep = look.verdict == KEEP
            told = words.say(
                "slips.rename", file=name, take=own.take, to=found[0].file, named=found[1],
                keep=keep, why=look.reason,
            )  # fmt: skip
            return f"{RENAME if keep else REDO}  {told}"
        files = [t.file for t in rows]
        near = {"expected": files[0], "nearest": nearest(name, sorted(files))} if files else {}
        return f"{REDO}  {words.say('bench.stranger', file=name, **near)}"

    def _all(self) -> list[sheets.Take]:
        return [t for batch in self.study.all_batches for t in self.study.scheduled_of(batch)]

    def _waiting(self) -> frozenset[str]:
        """Takes without a recording, and those that must be made again."""
        good = {n for n, (_, verdict) in self.seen.items() if verdict not in (REDO, STRANGER)}
        return frozenset(take.take for take in self._all() if take.file not in good)

    def _now(self, *, also: sheets.Take | None = None) -> sheets.Study:
        """The study with the takes that were looked at as its recorded ones."""
        return replace(
            self.study,
            takes=tuple(t for t in self._all() if t.file in self.seen or t == also),
            planned=tuple(t for t in self._all() if not (t.file in self.seen or t == also)),
        )

    def _batch_at_work(self) -> str:
        """The last batch with a recording that still lacks some, else the first that lacks any."""
        waiting = self._waiting()
        recorded = {
            batch: [take.take not in waiting for take in self.study.scheduled_of(batch)]
            for batch in self.study.all_batches
        }
        unfinished = [batch for batch, takes in recorded.items() if not all(takes)]
        # The last that was begun, or the first of all.
        begun = [batch for batch in unfinished if any(recorded[batch])]
        return next(iter([*begun[::-1], *unfinished]), "")

    def _sheet_state(self) -> tuple:
        return tuple(_signature(self.folder / name) for name in (*SHEETS, "schedule.json"))

    def _read_sheets(self) -> None:
        """Read the sheets again where they changed; with faults, go on with the last good ones."""
        state = self._sheet_state()
        # While something grows: a half-written recording is no fault of the sheets.
        if self.growing or (state == self.sheets and not self.fault):
            return
        fault = ""
        try:
            self.study = sheets.read_study(self.folder)
            self.tell(words.say("bench.sheets_read_again"))
        except errors.InputError as error:
            fault, *more = error.notes
            if fault != self.fault:
                self.tell(words.say("bench.sheets_at_fault", fault=fault, more=len(more)))
        self.fault, self.sheets = fault, state

    def _remember(self, name: str, signature: Signature, verdict: str) -> None:
        self.seen[name] = (signature, verdict)
        content = {name: [*size, verdict] for name, (size, verdict) in self.seen.items()}
        writing.write_json(self.folder / MEMORY, {"looked_at": content})


def _signature(path: Path) -> Signature | None:
    """Size and time of change; None for what is not there, or no longer."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_size, state.st_mtime_ns


def _remembered(path: Path) -> dict[str, tuple[Signature, str]]:
    """What was looked at before; nothing where that cannot be read."""
    found: Any = writing.read_json(path).get("looked_at", {})
    try:
        return {
            str(name): ((int(size), int(changed)), str(verdict))
            for name, (size, changed, verdict) in found.items()
            if verdict in (KEEP, REDO, STRANGER)
        }
    except (AttributeError, TypeError, ValueError):
        return {}


def watch_bench(
    folder: Path | str,
    *,
    tell: Callable[[str], None],
    stop: threading.Event | None = None,
    events: Iterable[Any] | None = None,
    now: Callable[[], float] = time.monotonic,
) -> None:
    """Look at each recording of a study as it appears, until stopped.

    Parameters
    ----------
    folder : the study folder.
    tell : called with each line.
    stop : ends the watch when it is set.
    events : what wakes the watch; the drive's own events when left out.
    now : seconds on a clock that only goes forward.

    Raises
    ------
    InputError : the sheets have faults at the start, or the study folder is taken away.
    """
    watcher = Watcher(folder, tell=tell)
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
