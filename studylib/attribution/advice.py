"""How to record what would settle a harmonic: one entry for each control.

`ask` goes into a sentence ("record ..."); `how`, `start` and `care` stand in the report's table of
controls. Levels to start at are common practice without a source; what is loud and what may be
opened follows local rules and qualified people first.

Contents: Control, CONTROLS, ask.
"""

from __future__ import annotations

from typing import NamedTuple

EARS = (
    "A steady tone can harm hearing before it hurts: come up slowly, wear protection when it is "
    "loud, never start with headphones on."
)
MAINS = "Mains-powered gear is opened only by someone qualified."
LOOSE = (
    "A driver that is not loaded by a board travels farther: keep the level low enough that it "
    "neither rattles nor gets warm."
)


class Control(NamedTuple):
    """One control: its name, what it rules out, how it is recorded, at which level to start."""

    name: str
    tells: str
    ask: str
    how: str
    start: str
    care: str


CONTROLS = {
    "probe": Control(
        "probe tone",
        "what the mounted board passes on at a multiple of the tone",
        "a probe tone at {at:g} Hz in this mount",
        "kind tone, tone_hz a multiple of the fundamental, same specimen and mount, before the "
        "board is taken off",
        "20 dB below full drive; with a sensed drive it need not come up to full drive",
        EARS,
    ),
    "sweep": Control(
        "sweep",
        "the same at every multiple at once",
        "a sweep of this mount",
        "kind sweep, same specimen and mount, a second of silence after it",
        "20 dB below full drive",
        EARS,
    ),
    "sensor": Control(
        "motion channel",
        "what the driver really does to this board, its own distortion included",
        "the study with a force or acceleration sensor at the driving point as drive channel",
        "a force or acceleration sensor between driver and board, its channel named in study.toml",
        "20 dB below the level of the study, then up to it",
        f"{EARS} {MAINS}",
    ),
    "driver": Control(
        "driver on the block",
        "the driver's distortion without a board",
        "driver takes on the inert block at {tone:g} Hz and at {at:g} Hz",
        "kind driver, the driver on a heavy inert block, the microphone as near as in the study",
        "20 dB below full drive, then the study's drive levels",
        f"{EARS} {MAINS}",
    ),
    "airborne": Control(
        "driver in the air",
        "sound that reaches the microphone without passing the board",
        "an airborne take at {at:g} Hz (and at {tone:g} Hz)",
        "kind airborne, the driver hung beside the mounted board, not touching it",
        "20 dB below full drive, then full drive",
        f"{EARS} {LOOSE} {MAINS}",
    ),
    "loopback": Control(
        "recorder into itself",
        "the recorder's own distortion",
        "a loopback take at {tone:g} Hz, as high in level as the loudest take",
        "kind loopback, recorder output straight into its input, nothing else connected",
        "output turned down, then up to the level that the loudest take had",
        "No headphones and no amplifier on that output.",
    ),
    "room": Control(
        "room",
        "noise and mains hum in the very bins of the harmonics",
        "a room take with everything set and the driver silent",
        "kind room, everything switched on and in place, the driver silent, 5 s or more",
        "the gain of the study",
        "",
    ),
    "repeats": Control(
        "repeat takes",
        "how far two takes of one mount lie apart",
        "a second take of at least some mounts",
        "the same tone once more, same specimen and mount, the next repeat number",
        "20 dB below the level of the study, then up to it",
        EARS,
    ),
    "longer": Control(
        "longer takes",
        "what the noise hides now",
        "longer takes, or more of them",
        "longer recordings first, and length_s in study.toml up when all are that long; or more "
        "repeats; for a weak drive channel a sensor that is more sensitive",
        "20 dB below the level of the study, then up to it",
        EARS,
    ),
    "remount": Control(
        "second mount",
        "whether it belongs to the board or to one mounting of it",
        "the same takes after taking the board off and mounting it again",
        "everything once more with the next mount number",
        "20 dB below the level of the study, then up to it",
        EARS,
    ),
    "steps": Control(
        "drive steps",
        "whether a harmonic grows as the driver's own does",
        "the tone at 6, 12 and 18 dB below full drive in this mount",
        "kind tone at the fundamental, drive_db −6, −12 and −18",
        "the lowest step first",
        EARS,
    ),
}


def ask(control: str, *, at_hz: float, tone_hz: float) -> str:
    """What to record, as it stands in a sentence."""
    return CONTROLS[control].ask.format(at=round(at_hz, 2), tone=round(tone_hz, 2))
