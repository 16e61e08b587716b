"""The verdict on one harmonic of one mount: the first that applies.

`noise`, `recorder`, `air`, `driver`, `beyond the driver`, `cannot tell`, in this order. A cause is
named only when the take that tests it was recorded: the recorder by a loopback take, the air by an
airborne take, the driver by a sensed drive (or takes on the block) together with T. `beyond the
driver` needs all of them and a sensed drive. A level that agrees while the phase does not is no
explanation: part of the sum is then something else.

Contents: Judgement, judge, untested, near_mains, the names of the verdicts.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from studylib.attribution import reasons
from studylib.attribution.excess import MARGIN_DB
from studylib.signal.hum import distance_from_mains

NEAR_DB = 6.0  # a leak this near to the observed level explains it
NOISE, RECORDER, AIR = "noise", "recorder", "air"
DRIVER, BEYOND, CANNOT_TELL = "driver", "beyond the driver", "cannot tell"
VERDICTS = (NOISE, RECORDER, AIR, DRIVER, BEYOND, CANNOT_TELL)


class Judgement(NamedTuple):
    """A verdict, its reason in one sentence, and the control that would settle it (or "")."""

    verdict: str
    reason: str
    settle: str = ""


def judge(row) -> Judgement:
    """Judge one row of the attribution's numbers (see attribute.py)."""
    if not math.isfinite(row.observed_db):
        return Judgement(CANNOT_TELL, reasons.NOTHING_USABLE, "repeats")
    if not row.present:
        return Judgement(NOISE, reasons.quiet(row))
    if row.hum_db > row.observed_db - NEAR_DB:
        return Judgement(NOISE, reasons.mains(row))
    if not row.recorder_is_limit and row.recorder_db > row.observed_db - NEAR_DB:
        return Judgement(RECORDER, reasons.recorder(row))
    if not row.air_is_limit and row.air_db > row.observed_db - NEAR_DB:
        return Judgement(AIR, reasons.air(row))
    if not math.isfinite(row.excess_db):
        return Judgement(CANNOT_TELL, *reasons.not_predicted(row))
    if not row.repeats_known:
        return Judgement(CANNOT_TELL, *reasons.not_repeated(row))
    if row.driven and row.low >= -MARGIN_DB and row.high <= MARGIN_DB:
        if row.phase_off:
            return Judgement(CANNOT_TELL, *reasons.out_of_phase(row))
        return Judgement(DRIVER, reasons.driver(row))
    if row.sensed and row.low > MARGIN_DB:
        missing = untested(row)
        if missing:
            return Judgement(CANNOT_TELL, *reasons.not_ruled_out(row, missing))
        if row.least <= MARGIN_DB:
            return Judgement(CANNOT_TELL, *reasons.loosely_ruled_out(row))
        return Judgement(BEYOND, reasons.beyond(row))
    return Judgement(CANNOT_TELL, *reasons.undecided(row))


def untested(row) -> list[str]:
    """Controls without which nothing may be called beyond the driver."""
    missing = []
    if math.isnan(row.recorder_db):
        missing.append("loopback")
    if math.isnan(row.air_db):
        # Without the mount's own probe tone an airborne take cannot be scaled.
        missing += ["airborne"] if row.air_known else ["probe", "airborne"]
    if math.isnan(row.hum_db) and near_mains(row.at_hz, row.bin_hz):
        missing.append("room")
    return missing


def near_mains(frequency_hz: float, within_hz: float) -> bool:
    """Whether a multiple of 50 or 60 Hz lies within two bins of that width."""
    return distance_from_mains(frequency_hz) < 2 * within_hz
