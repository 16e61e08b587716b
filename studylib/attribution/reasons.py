"""The reason for a verdict, in one sentence that a maker understands.

Each function takes a row of the attribution's numbers. Those behind `cannot tell` return the
sentence and the name of the control (advice.CONTROLS) that would settle it.

Contents: one function a reason, named after it.
"""

from __future__ import annotations

import numpy as np

from studylib.attribution.advice import ask
from studylib.attribution.excess import MARGIN_DB

NOTHING_USABLE = "no take of this mount is fit for use; record the mount again"

# What makes an interval wide: the rest of the sentence, and the control that settles it.
_WIDTH = {
    "noise": (
        "the harmonic stands too little out of its noise; record longer takes or more of them",
        "longer",
    ),
    "drive": (
        "the drive channel is too noisy there; record longer takes or use a better sensor",
        "longer",
    ),
    "response": ("the {route} is too noisy; record {probe}", "probe"),
    "block": ("the takes on the block are too noisy; record them longer", "driver"),
    "remount": ("only another mount was probed, and mounts differ; record {probe}", "probe"),
    "takes": ("two takes of one mount lie too far apart; record more takes of it", "repeats"),
    "frequency": ("the {route} lies beside the harmonic's frequency; record {probe}", "probe"),
    "sweep": (
        "the sweep ends before the board has died away; record it with a second of silence after "
        "it, or {probe}",
        "sweep",
    ),
    "recorder on the drive channel": (
        "the sensed harmonic may be the recorder's own distortion; record {loopback}, and if that "
        "is not enough turn the drive channel down or use a better recorder",
        "loopback",
    ),
    "air": (
        "sound through the air may be that much of it; screen the driver, or record {airborne} "
        "with less noise",
        "airborne",
    ),
    "recorder": (
        "the recorder's own distortion may be that much of it; record {loopback}",
        "loopback",
    ),
    "mains hum": (
        "a mains line of the room lies in the same bin; find its cause or move the tone",
        "room",
    ),
    "load": ("the load is not known", "sensor"),
}


def quiet(row) -> str:
    """Below the noise of its own bin."""
    return _minus(
        f"not above the noise of its own {row.bin_hz:.3g} Hz wide bin, which hides all below "
        f"{row.noise_db:.1f} {row.unit}; there is nothing to explain"
    )


def mains(row) -> str:
    """A mains line in the same bin."""
    return (
        "the room take holds a mains line in the same bin, "
        f"{_apart(row.hum_db - row.observed_db)} what was recorded"
    )


def recorder(row) -> str:
    """The recorder's own distortion is as strong."""
    return (
        "the recorder's own distortion, from the loopback take, is "
        f"{_apart(row.recorder_db - row.observed_db)} what was recorded"
    )


def air(row) -> str:
    """The leak through the air is as strong."""
    return (
        "sound that the driver sends through the air, from the airborne take, is "
        f"{_apart(row.air_db - row.observed_db)} what was recorded; screen the driver or "
        "bring the microphone nearer to the board"
    )


def driver(row) -> str:
    """The driver explains it."""
    if not row.sensed:
        return (
            f"the driver's harmonic on the block, passed on as the {row.route} was, explains it "
            f"whatever the load: {interval(row)} apart"
        )
    return (
        "the driver's own harmonic, sensed at the driving point and passed on as the "
        f"{row.route} was, explains it: {interval(row)} apart (a buzz in the very contact of "
        f"driver and board would be sensed too and read the same{_air_untested(row)})"
    )


def _air_untested(row) -> str:
    return "; sound through the air was not tested here" if np.isnan(row.air_db) else ""


def beyond(row) -> str:
    """More than the driver, the recorder and the air can give."""
    weak = [
        f"{name} is at least {int(row.observed_db - level)} dB too weak for it"
        for name, level in (("the recorder", row.recorder_most_db), ("the air", row.air_most_db))
    ]
    return (
        f"{interval(row)} against the driver's own harmonic as the board passes it on; "
        + " and ".join(weak)
    )


def not_predicted(row) -> tuple[str, str]:
    """Nothing tells what the driver alone would give."""
    if row.sensed and row.route:
        return "the drive channel holds nothing at this frequency; look at its sensor", "longer"
    if row.sensed:
        said = "what this mount passes on at this frequency was not measured; record "
        return f"{said}{_ask('probe', row)}, or {_ask('sweep', row)}", "probe"
    if not row.has_block:
        said = f"nothing tells what the driver itself does; record {_ask('driver', row)}"
        return f"{said}, or better {_ask('sensor', row)}", "sensor"
    if not row.route:
        return f"this mount has no probe tone there; record {_ask('probe', row)}", "probe"
    return f"the block has no probe tone there; record {_ask('driver', row)}", "driver"


def not_repeated(row) -> tuple[str, str]:
    """No spread between takes is known."""
    said = "how far two takes of one mount lie apart is not known; record "
    return said + _ask("repeats", row), "repeats"


def out_of_phase(row) -> tuple[str, str]:
    """The level agrees, the phase does not."""
    return _minus(
        f"the level fits the driver's own harmonic ({interval(row)}), but the phase is "
        f"{row.phase_deg:+.0f} degrees off: something else is in the sum; record "
    ) + _ask("remount", row), "remount"


def not_ruled_out(row, missing: list[str]) -> tuple[str, str]:
    """An excess while other causes were not tested."""
    asked = " and ".join(_ask(control, row) for control in missing)
    return (
        f"{interval(row)} against the driver's own harmonic, but other causes are not ruled out; "
        f"record {asked}"
    ), missing[0]


def loosely_ruled_out(row) -> tuple[str, str]:
    """An excess for which the controls leave room."""
    said, settle = _width(row, row.loosest)
    return (
        f"{interval(row)} against the driver's own harmonic, but the control takes leave room "
        f"for that much from elsewhere: {said}"
    ), settle


def undecided(row) -> tuple[str, str]:
    """The interval holds both answers, or the harmonic is weaker than predicted."""
    if not row.sensed:
        return _minus(
            f"{row.excess_db:+.1f} dB against the driver on the block, but a driver's harmonic "
            f"changes with its load, here by {row.load_low:.0f} to {row.load_high:+.0f} dB; record "
        ) + _ask("sensor", row), "sensor"
    if not row.driven:
        return _minus(
            "the driver's own harmonic is below the noise of the drive channel and predicts at "
            f"most about {row.predicted_db:.0f} {row.unit}; record longer takes or use a better "
            "sensor"
        ), "longer"
    if row.restless and row.low < -MARGIN_DB:
        return (
            f"the takes of this mount disagree here ({interval(row)}); look for a loose contact "
            f"and record {_ask('remount', row)}"
        ), "remount"
    if row.high < -MARGIN_DB:
        return (
            f"weaker than the driver's own harmonic alone would be ({interval(row)}): something "
            "cancels part of it, a second path or a loose contact, or the mount moved after its "
            f"{row.route}; record {_ask('remount', row)}"
        ), "remount"
    said, settle = _width(row, row.widest)
    if row.high - row.low < 2.0 * MARGIN_DB:
        said = f"it lies too near the limit of {MARGIN_DB:g} dB to tell; record more takes of it"
        settle = "repeats"
    return f"{interval(row)} leaves it open: {said}", settle


def interval(row) -> str:
    """The excess with its interval, as in "+0.2 dB (−0.5 to +0.9)"."""
    ends = []
    for end, word in ((row.low, "no lower end"), (row.high, "no upper end")):
        ends.append(word if np.isinf(end) else f"{end:+.1f}")
    middle = f"{row.excess_db:+.1f}".replace("-0.0", "+0.0")
    return _minus(f"{middle} dB ({ends[0]} to {ends[1]})")


def _width(row, name: str) -> tuple[str, str]:
    said, settle = _WIDTH.get(name, _WIDTH["takes"])
    asked = {control: _ask(control, row) for control in ("probe", "airborne", "loopback")}
    return said.format(**asked, route=row.route), settle


def _ask(control: str, row) -> str:
    return ask(control, at_hz=row.at_hz, tone_hz=row.tone_hz)


def _apart(difference_db: float) -> str:
    if difference_db >= 0:
        return f"{difference_db:.0f} dB above"
    return f"only {-difference_db:.0f} dB below"


def _minus(text: str) -> str:
    """Minus signs for the hyphens that numbers begin with, in text without other lone hyphens."""
    text = text.replace(" -", " −").replace("(-", "(−")
    return "−" + text[1:] if text[0] == "-" else text
