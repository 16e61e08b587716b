"""The verdict on one harmonic of one mount, and the reason in one sentence.

The first that applies: `noise`, `recorder`, `air`, `driver`, `beyond the driver`, `cannot tell`.
A cause is named only when the take that tests it was recorded: the recorder by a loopback take,
the air by an airborne take, the driver by a sensed drive (or takes on the block) together with T.
`beyond the driver` needs all of them, and a sensed drive; a level that agrees while the phase does
not is no explanation either.

Functions: judge.
"""

from __future__ import annotations

import math

import numpy as np

from studylib.attribution.advice import ask
from studylib.attribution.excess import MARGIN_DB

NEAR_DB = 6.0  # a leak this near to the observed level explains it
NOISE, RECORDER, AIR = "noise", "recorder", "air"
DRIVER, BEYOND, CANNOT_TELL = "driver", "beyond the driver", "cannot tell"
VERDICTS = (NOISE, RECORDER, AIR, DRIVER, BEYOND, CANNOT_TELL)
MAINS_HZ = (50.0, 60.0)


def judge(row) -> tuple[str, str]:
    """(verdict, reason) of one row of the attribution's numbers (see attribute.py)."""
    if not math.isfinite(row.observed_db):
        return CANNOT_TELL, "no take of this mount is fit for use; record the mount again"
    if not row.present:
        return NOISE, (
            f"not above the noise of its own {_hertz(row.bin_hz)} wide bin, which reaches down to "
            f"{row.noise_db:.1f} {row.unit}; there is nothing to explain"
        ).replace("-", "−")
    if row.hum_db > row.observed_db - NEAR_DB:
        return NOISE, (
            "the room take holds a mains line in the same bin, "
            f"{_apart(row.hum_db - row.observed_db)} what was recorded"
        )
    if not row.recorder_is_limit and row.recorder_db > row.observed_db - NEAR_DB:
        return RECORDER, (
            "the recorder's own distortion, from the loopback take, is "
            f"{_apart(row.recorder_db - row.observed_db)} what was recorded"
        )
    if not row.air_is_limit and row.air_db > row.observed_db - NEAR_DB:
        return AIR, (
            "sound that the driver sends through the air, from the airborne take, is "
            f"{_apart(row.air_db - row.observed_db)} what was recorded; screen the driver or "
            "move the microphone closer to the board"
        )
    if not math.isfinite(row.excess_db):
        return CANNOT_TELL, _no_prediction(row)
    if not row.repeats_known:
        return CANNOT_TELL, (
            "how far two takes of one mount lie apart is not known; record "
            + ask("repeats", at_hz=row.at_hz, tone_hz=row.tone_hz)
        )
    if row.driven and row.low >= -MARGIN_DB and row.high <= MARGIN_DB:
        if row.phase_off:
            return CANNOT_TELL, (
                f"the level fits the driver's own harmonic ({_interval(row)}), but the phase is "
                f"{row.phase_deg:+.0f} degrees off: something adds to it; record "
                + ask("remount", at_hz=row.at_hz, tone_hz=row.tone_hz)
            ).replace("-", "−")
        return DRIVER, _driver(row)
    if row.low > MARGIN_DB and row.sensed:
        missing = _untested(row)
        if missing:
            asked = " and ".join(ask(m, at_hz=row.at_hz, tone_hz=row.tone_hz) for m in missing)
            return CANNOT_TELL, (
                f"{_interval(row)} against the driver's own harmonic, but other causes are not "
                f"ruled out; record {asked}"
            )
        if row.least <= MARGIN_DB:
            return CANNOT_TELL, (
                f"{_interval(row)} against the driver's own harmonic, but the control takes leave "
                f"room for that much from elsewhere: {_width(row, row.loosest)}"
            )
        return BEYOND, _beyond(row)
    return CANNOT_TELL, _undecided(row)


def _driver(row) -> str:
    if not row.sensed:
        return (
            f"the driver's harmonic on the block, passed on as the {row.route} was, explains it: "
            f"{_interval(row)} apart, whatever the load"
        )
    return (
        "the driver's own harmonic, sensed at the driving point and passed on as the "
        f"{row.route} was, explains it: {_interval(row)} apart (a buzz in the very contact of "
        "driver and board would be sensed too and read the same)"
    )


def _beyond(row) -> str:
    weaker = []
    for name, level in (("the recorder", row.recorder_db), ("the air", row.air_db)):
        weaker.append(f"{name} is at least {row.observed_db - level:.0f} dB too weak for it")
    return (
        f"{_interval(row)} against the driver's own harmonic as the board passes it on; "
        + " and ".join(weaker)
    )


def _no_prediction(row) -> str:
    where = {"at_hz": row.at_hz, "tone_hz": row.tone_hz}
    if row.sensed:
        return "what this mount passes on at this frequency was not measured; record " + ask(
            "probe", **where
        )
    if not row.has_block:
        return (
            "nothing tells what the driver itself does; record "
            + ask("driver", **where)
            + ", or better "
            + ask("sensor", **where)
        )
    if not row.route:
        return "this mount has no probe tone there; record " + ask("probe", **where)
    return "the block has no probe tone there; record " + ask("driver", **where)


def _undecided(row) -> str:
    where = {"at_hz": row.at_hz, "tone_hz": row.tone_hz}
    if not row.sensed:
        return (
            f"the driver on the block would give {row.excess_db:+.1f} dB apart, but its harmonic "
            f"changes with the load by {-row.load_high:.0f} to {-row.load_low:.0f} dB, so only a "
            "sensor tells; record "
        ).replace("-", "−") + ask("sensor", **where)
    if not row.driven:
        return (
            "the driver's own harmonic is below the noise of the drive channel, so it predicts at "
            f"most {row.predicted_db:.1f} {row.unit}; record a longer take or use a more sensitive "
            "drive sensor"
        )
    if row.restless and row.low < -MARGIN_DB:
        return (
            f"the takes of this mount disagree here ({_interval(row)}); look for a loose contact "
            "and record " + ask("remount", **where)
        )
    if row.high < -MARGIN_DB:
        return (
            f"weaker than the driver's own harmonic alone would be ({_interval(row)}): something "
            "cancels part of it, a second path or a loose contact, or the mount moved after its "
            f"{row.route}; record " + ask("remount", **where)
        )
    return f"{_interval(row)} leaves it open: {_width(row, row.widest)}"


def _width(row, name: str) -> str:
    """What makes the interval wide, and what to record against it."""
    asked = {
        control: ask(control, at_hz=row.at_hz, tone_hz=row.tone_hz)
        for control in ("probe", "airborne", "loopback", "repeats")
    }
    return _WIDTH.get(name, _WIDTH["takes"]).format(**asked, route=row.route)


_WIDTH = {
    "noise": "the harmonic stands too little out of its noise; record longer takes or more of them",
    "drive": "the drive channel is too noisy there; record longer takes or use a better sensor",
    "response": "the {route} is too noisy; record {probe}",
    "block": "the takes on the block are too noisy; record them longer",
    "remount": "only another mount was probed, and mounts differ; record {probe}",
    "takes": "two takes of one mount lie too far apart; record more takes of this mount",
    "frequency": "the {route} lies beside the harmonic's frequency; record {probe}",
    "sweep": "the sweep ends before the board has died away; record it with a second of silence "
    "after it, or {probe}",
    "recorder on the drive channel": "the sensed harmonic is near the recorder's own distortion; "
    "lower the gain of the drive channel's sensor or use a better recorder",
    "air": "sound through the air may be that much of it; record {airborne}, longer and quieter",
    "recorder": "the recorder's own distortion may be that much of it; record {loopback}",
    "mains hum": "a mains line of the room lies in the same bin; find its cause or move the tone",
    "load": "the load is not known",
}


def _untested(row) -> list[str]:
    """Controls without which nothing may be called beyond the driver."""
    missing = []
    if not math.isfinite(row.recorder_db):
        missing.append("loopback")
    if not math.isfinite(row.air_db):
        # Without the mount's own probe tone an airborne take cannot be scaled.
        missing += ["airborne"] if row.air_known else ["probe", "airborne"]
    if not math.isfinite(row.hum_db) and _near_mains(row.at_hz, row.bin_hz):
        missing.append("room")
    return missing


def _near_mains(frequency_hz: float, within_hz: float) -> bool:
    return any(
        abs(frequency_hz - round(frequency_hz / mains) * mains) < 2 * within_hz
        for mains in MAINS_HZ
    )


def _interval(row) -> str:
    ends = [_end(row.low), _end(row.high)]
    return f"{row.excess_db:+.1f} dB ({ends[0]} to {ends[1]})".replace("-", "−")


def _end(value: float) -> str:
    if np.isinf(value):
        return "no lower end" if value < 0 else "no upper end"
    return f"{value:+.1f}"


def _apart(difference_db: float) -> str:
    if difference_db >= 0:
        return f"{difference_db:.0f} dB above"
    return f"only {-difference_db:.0f} dB below"


def _hertz(value: float) -> str:
    return f"{value:.3g} Hz"
