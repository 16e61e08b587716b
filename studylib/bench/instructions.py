"""What to do for each take, in words for the bench: the sheet prints them, the watcher says them.

Functions: `groups`, `what_to_do`, `level_words`, `caution_for`. Class: `Group`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from studylib.bench.signals import signal_name
from studylib.sheets import Study, Take

TAPS = 3
CAUTIONS = {
    "airborne": (
        "The driver hangs free and moves farther than on a board: start 20 dB lower, come up "
        "slowly, stop if it rattles or gets warm."
    ),
    "driver": "Start 20 dB lower and come up slowly; stop if the driver rattles or gets warm.",
    "loopback": "Output turned down first; nothing else connected, no loudspeaker, no headphones.",
    "sweep": "In a resonance it is louder than the tone before it: first time, start lower.",
    "tap": "Turn the recorder's gain down first; take headphones off.",
}
FULL = "Full drive: come up slowly, protect your hearing."


@dataclass(frozen=True)
class Group:
    """Takes that follow one another with the same thing on the bench, and what to set up."""

    heading: str
    takes: tuple[Take, ...]


def groups(study: Study, batch: str) -> list[Group]:
    """The takes of a batch in run order, parted where something else is put on the bench."""
    out: list[tuple[tuple, list[Take]]] = []
    for take in study.scheduled_of(batch):
        key = _setting(take)
        if not out or out[-1][0] != key:
            out.append((key, []))
        out[-1][1].append(take)
    return [Group(_heading(study, takes[0]), tuple(takes)) for _, takes in out]


def _setting(take: Take) -> tuple:
    """What is on the bench: a board set up in one way, or nothing but a control's own."""
    if take.specimen is None:
        return (take.kind,)
    return (take.specimen, take.mount, take.support, take.kind == "airborne")


def _heading(study: Study, take: Take) -> str:
    if take.specimen is None:
        return {
            "room": "Room: everything on and in place, driver silent",
            "loopback": "Recorder into itself: its output straight into its input",
            "driver": "Driver on the block, microphone as near as in the study",
            "calibrator": "Calibrator on the microphone",
        }[take.kind]
    if take.support == "free":
        return (
            f"{take.specimen} hung freely or on soft points, 0.22 of its length from either end; "
            "driver and sensor off"
        )
    if take.kind == "airborne":
        return f"Set up {take.specimen}, mount {take.mount}; driver beside it, not touching"
    role = study.specimen(take.specimen).role
    extra = {"reference": " (reference)", "changed": " (reference with the mass on)"}.get(role, "")
    return f"Set up {take.specimen}{extra} anew: mount {take.mount}"


def what_to_do(take: Take) -> str:
    """What one take asks for, in a few words."""
    signal = signal_name(take)
    if take.kind == "room":
        return "Be quiet and record the room, 5 s or more"
    if take.kind == "calibrator":
        return "Record the calibrator, 5 s or more"
    if take.kind == "tap":
        return f"Driver silent: tap {TAPS} times, hands off, let each ring out"
    if take.kind == "pluck":
        return "Pluck the string and let it ring out"
    if take.kind == "sweep":
        return f"Record, then play {signal} and wait a second"
    return f"Play {signal}, record"


def level_words(take: Take) -> str:
    """The drive level in words; "" where nothing is played."""
    if not signal_name(take) or take.kind == "room":
        return ""
    if take.drive_db == 0:
        return "full drive"
    return f"{-take.drive_db:g} dB below full"


def caution_for(take: Take, before: Sequence[Take]) -> str:
    """The caution that stands on this line: of its kind, once in a group, and at the first full
    drive of a mounting. `before` are the takes of the group that came earlier."""
    said = []
    if take.kind in CAUTIONS and not any(t.kind == take.kind for t in before):
        said.append(CAUTIONS[take.kind])
    full = take.drive_db == 0 and take.kind in ("tone", "airborne", "driver")
    if full and not any(t.drive_db == 0 and t.kind == take.kind for t in before):
        said.append(FULL)
    return " ".join(said)
