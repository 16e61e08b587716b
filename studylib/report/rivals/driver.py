"""Rival: the driver's own distortion, which boards raise or lower and no board makes.

It rests on the attribution of the boards' harmonics; a study without a sensed drive has only takes
on the block, and then the row says what that route can say.

Functions: driver, distortion.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from studylib.attribution.excess import MARGIN_DB
from studylib.attribution.lines import Lines
from studylib.attribution.verdicts import BEYOND, CANNOT_TELL, DRIVER
from studylib.report.rivals.parts import (
    CONTACT,
    Ground,
    Rival,
    board_takes,
    drive_said,
    no_tone,
    place,
    record,
    takes_said,
    with_interval,
)
from studylib.words.numbers import counted, rounded

# ANSI S3.6 and IEC 60645-1 as recalled; the table itself could not be opened.
YARDSTICK = (
    "For comparison, from memory and not checked: bone vibrators for hearing tests may have 5.5 %."
)


def driver(ground: Ground) -> Rival:
    """The driver's own distortion, raised or lowered by the boards."""
    looks = (
        "harmonics that differ from board to board although no board made them: the driver makes "
        "them, each board passes them on in its own way"
    )
    return Rival("driver", looks, _driver_takes(ground), _driver_says(ground))


def _driver_takes(ground: Ground) -> str:
    takes = board_takes(ground)
    probes = [t for t in takes if t.kind == "tone" and (ground.multiple(t) or 1) > 1]
    sweeps = [t for t in takes if t.kind == "sweep"]
    return (
        f"{drive_said(ground)}; {counted(len(probes), 'probe tone')} and "
        f"{counted(len(sweeps), 'sweep')} of boards; {takes_said(ground, 'driver')}"
    )


def _driver_says(ground: Ground) -> str:
    if ground.rows.empty:
        return no_tone(ground)
    if ground.heard.empty:
        return (
            f"No harmonic of a board stands out of its noise: nothing to explain. {_sensed(ground)}"
        ).strip()
    if not np.isfinite(ground.heard["predicted_db"].astype(float)).any():
        wanted = ("probe",) if ground.sensed else ("driver", "sensor")
        return f"{record(ground, *wanted)}. {_sensed(ground)}".strip()
    count = ground.heard["verdict"].value_counts()
    said = [
        f"Of {counted(len(ground.heard), 'harmonic')} of boards above the noise (mounts counted "
        f"apart), {count.get(DRIVER, 0)} are the driver's within {MARGIN_DB:g} dB, "
        f"{count.get(BEYOND, 0)} are beyond it, on {count.get(CANNOT_TELL, 0)} nothing can be said."
    ]
    other = len(ground.heard) - sum(count.get(v, 0) for v in (DRIVER, BEYOND, CANNOT_TELL))
    if other:
        said.append(f"{counted(other, 'harmonic')} may be the recorder's or the air's.")
    said.append(_clearest(ground.heard))
    if ground.sensed:
        said += [_sensed(ground), CONTACT]
    else:
        said.append(
            "This rests on takes on the block, where the driver's distortion is another one: the "
            "route can say driver or cannot tell, never that something is beyond the driver."
        )
    return " ".join(filter(None, said))


def _clearest(heard: pd.DataFrame) -> str:
    """The largest excess beyond the driver; without one, that whose interval lies highest."""
    ends = heard[["excess_db", "low", "high"]].astype(float)
    told = heard[np.isfinite(ends).all(axis=1)]
    if told.empty:
        return ""
    beyond = told[told["verdict"] == BEYOND]
    if not beyond.empty:
        row, words = beyond.loc[beyond["excess_db"].astype(float).idxmax()], "largest excess beyond"
    else:
        row, words = told.loc[told["low"].astype(float).idxmax()], "excess that lies highest over"
    return (
        f"The {words} the driver is {with_interval(row)}, {place(row)}, verdict '{row.verdict}'; "
        "the interval holds at 99 % for all rows of that board."
    )


def _sensed(ground: Ground) -> str:
    """The driver's own distortion where it was sensed, over the boards; or ""."""
    if not ground.sensed:
        return ""
    boards: dict[str, list[float]] = {}
    for (board, _), tone in ground.tones.items():
        share = distortion(tone)
        if math.isfinite(share):
            boards.setdefault(board, []).append(share)
    if not boards:
        return ""
    means = [float(np.mean(found)) for found in boards.values()]
    low, high = (rounded(end, digits=2) for end in (min(means), max(means)))
    span = f" ({low} to {high} % from board to board)" if len(means) > 1 else ""
    return (
        "The driver's own distortion, sensed at the driving point (harmonics over the total), is "
        f"{rounded(float(np.mean(means)), digits=2)} %{span}. {YARDSTICK}"
    )


def distortion(tone: Lines) -> float:
    """Harmonics over the total of the sensed drive in percent, the noise's power taken off."""
    power = np.abs(tone.drive) ** 2 - 2.0 * tone.u_drive**2
    power = np.where(np.isfinite(power), np.maximum(power, 0.0), 0.0)
    total = float(power.sum())
    return 100.0 * math.sqrt(float(power[1:].sum()) / total) if power[0] > 0 else math.nan
