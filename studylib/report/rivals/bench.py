"""Rivals that lie in how boards were set up and driven: the mounting and the level.

The spread between mounts is that of the variance table, the difference beside it that of the table
of effects. Levels of the drive are those of the sensed tone at full drive, re full scale.

Functions: mounting, level.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from studylib.report.rivals.parts import (
    Ground,
    Rival,
    board_takes,
    db,
    drive_said,
    each_wood,
    gap_of_woods,
    no_tone,
    record,
)
from studylib.stats import scales
from studylib.words.numbers import between, counted, rounded, signed
from studylib.words.text import listed


def mounting(ground: Ground) -> Rival:
    """How a board sits on the bench."""
    looks = "two mountings of one board differ as much as two woods do"
    mounts = pd.DataFrame(
        sorted({(t.specimen, t.mount) for t in board_takes(ground) if t.kind == "tone"}),
        columns=["board", "mount"],
    )
    each = mounts.groupby("board").size()
    tested = "no mounted board"
    if len(each):
        span = f"{each.min()}" if each.min() == each.max() else f"{each.min()} to {each.max()}"
        word = "mount" if each.max() == 1 else "mounts"
        tested = f"{span} {word} of each of {counted(len(each), 'board')}"
    return Rival("mounting", looks, tested, _mounting_says(ground))


def _mounting_says(ground: Ground) -> str:
    spread = ground.summary.comparison.variance
    spread = spread[(spread["level"] == "mount") & spread["feature"].isin(ground.features)]
    said = [_mount_spread(ground, row) for row in spread.itertuples() if row.variance >= 0]
    if not said:
        return f"{record(ground, 'remount')}." if board_takes(ground) else no_tone(ground)
    return " ".join(
        [*said, "The boards' means keep part of this spread; it is inside the effects' intervals."]
    )


def _mount_spread(ground: Ground, row) -> str:
    feature = ground.summary.describe(row.feature)
    unit = feature.difference_unit
    sd, low, high = (
        scales.reported_difference(math.sqrt(max(value, 0.0)), feature)
        for value in (row.variance, row.low, row.high)
    )
    said = (
        f"{row.feature}: standard deviation between mounts of one board "
        f"{rounded(sd, digits=2)} {unit}"
    )
    if math.isfinite(low) or math.isfinite(high):
        said += f" ({between(low, high, unit)})"
    effects = ground.summary.comparison.effects
    own = effects[
        (effects["feature"] == row.feature) & np.isfinite(effects["difference"].astype(float))
    ]
    if own.empty:
        return f"{said}; no difference of woods to hold it against."
    widest = own.loc[own["difference"].abs().idxmax()]
    return (
        f"{said}, beside the largest difference of woods, {widest.wood_b} minus {widest.wood_a}, "
        f"{signed(widest.difference, widest.low, widest.high)} {unit} "
        f"({between(widest.low, widest.high, unit)})."
    )


def level(ground: Ground) -> Rival:
    """A harder drive or a higher gain for some boards."""
    looks = "a harder drive or a turned-up recorder reads as a wood that passes more"
    takes = [take for take in board_takes(ground) if take.kind == "tone"]
    gains = sum(take.gain_db != 0 for take in takes)
    drives = sum(take.drive_db != 0 for take in takes)
    tested = (
        f"{drive_said(ground)}; gain_db other than 0 in {gains} and drive_db in {drives} of "
        f"{counted(len(takes), 'tone take')} of boards"
    )
    return Rival("level differences", looks, tested, _level_says(ground))


def _level_says(ground: Ground) -> str:
    values: dict[str, list[float]] = {}
    for (board, _), tone in ground.tones.items():
        size = abs(tone.drive[0])
        if math.isfinite(size) and size > 0:
            values.setdefault(board, []).append(20.0 * math.log10(size))
    means = {board: float(np.mean(found)) for board, found in values.items()}
    woods = each_wood(ground, means)
    if not woods:
        has_channel = ground.summary.study.settings.channels.drive is not None
        return no_tone(ground) if has_channel else f"{record(ground, 'sensor')}."
    cancels = [f for f in ground.features if f.endswith("response_db")]
    stays = [f for f in ground.features if f not in cancels]
    said = []
    if cancels:
        said.append(f"The level cancels in {listed(cancels)}, relative to the sensed drive.")
    if stays:
        said.append(f"Nothing takes it out of {listed(stays)}, unless that is a ratio by itself.")
    said.append(_level_gap(ground, woods))
    if not ground.sensed:
        said.append("That is the voltage before the driver: what enters the board is not sensed.")
    return " ".join(said)


def _level_gap(ground: Ground, woods: dict[str, np.ndarray]) -> str:
    every = np.concatenate(list(woods.values()))
    spread = ""
    if every.size > 1:
        spread = f", standard deviation over boards {db(float(every.std(ddof=1)))}"
    gap = gap_of_woods(woods)
    if gap is None:
        return f"Drive levels of one wood only{spread}."
    a, b, difference, u = gap
    higher, lower = (b, a) if difference > 0 else (a, b)
    sure = f", standard uncertainty {db(u)}" if math.isfinite(u) else ""
    return (
        f"The drive level differs between woods by {db(abs(difference))} at most ({higher} above "
        f"{lower}{sure}){spread}; how hard a board is to shake is part of that."
    )
