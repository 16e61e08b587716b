"""The spreads that a plan reckons with: common ones, or those of a pilot.

All are standard deviations on the scale of analysis: dB for levels and responses, natural logarithm
for everything else (0.15 is about 15 %). What boards of one plank share is seldom known, so the
common spread of boards stands wholly on the plank: further boards of one plank then tell nothing
new, which errs on the careful side.

Functions: `common_spreads`, `pilot_spreads`, `variance_of_source`. Class: `Spreads`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import pandas as pd

from studylib import register
from studylib.errors import InputError
from studylib.words.text import listed

COMMON_DB = (1.5, 1.0, 0.5)
COMMON_LOG = (0.15, 0.06, 0.03)
COMMON_ORIGIN = (
    "common practice, no source: boards {0}, mounts {1}, takes {2}; a pilot of your own is better"
)
HALF_TO_DOUBLE = (0.5, 2.0)
COLUMNS = ("feature", "level", "variance", "low", "high")


@dataclass(frozen=True)
class Spreads:
    """Standard deviations of one feature on the scale of analysis.

    source : between planks, specimen : between boards of one plank, mount, take.
    source_low, source_high : how small and how large the first may be.
    origin : where the numbers are from, as a sentence shows it.
    """

    feature: str
    source: float
    specimen: float
    mount: float
    take: float
    source_low: float
    source_high: float
    origin: str

    def with_source(self, source: float) -> Spreads:
        """The same with another spread between planks."""
        return replace(self, source=source)


def common_spreads(feature: str) -> Spreads:
    """The spreads that stand in until there is a pilot.

    Raises
    ------
    InputError : a feature that the register does not know.
    """
    level = register.find(feature).scale == "db"
    board, mount, take = COMMON_DB if level else COMMON_LOG
    words = [f"{s:g} dB" if level else f"{100 * s:g} %" for s in (board, mount, take)]
    low, high = (factor * board for factor in HALF_TO_DOUBLE)
    origin = COMMON_ORIGIN.format(*words)
    return Spreads(feature, board, 0.0, mount, take, low, high, origin)


def pilot_spreads(variance: pd.DataFrame, feature: str, *, name: str = "the pilot") -> Spreads:
    """The spreads of an earlier run, from its tables/variance.csv.

    Parameters
    ----------
    variance : columns feature, level, variance, low, high (squares on the scale of analysis).
    name : of the file, for sentences.

    Raises
    ------
    InputError : a column is missing, the feature is not there, or its boards show no spread.
    """
    missing = [column for column in COLUMNS if column not in variance.columns]
    if missing:
        raise InputError(
            f"{name} has no column {listed(missing, last='or')}; give the variance.csv that a run "
            "writes to tables/"
        )
    rows = variance[variance["feature"] == feature].drop_duplicates("level").set_index("level")
    if rows.empty:
        raise InputError(
            f"{name} holds nothing on {feature}; give a pilot in which it was measured on two "
            "boards of a wood or more, or leave pilot empty"
        )
    # Where no plank has two boards, the row "specimen" is the spread of planks and boards as one.
    top = "source" if "source" in rows.index else "specimen"
    if top not in rows.index or not rows.at[top, "variance"] > 0:
        raise InputError(
            f"{name} shows no spread between boards on {feature}: it has too few boards to see "
            "one; add boards to the pilot, or leave pilot empty"
        )
    sd = {level: math.sqrt(max(float(rows.at[level, "variance"]), 0.0)) for level in rows.index}
    low, high = (math.sqrt(max(float(rows.at[top, end]), 0.0)) for end in ("low", "high"))
    unseen = [level for level in ("mount", "take") if level not in sd]
    origin = f"{name}, with the interval of its boards' spread"
    if unseen:
        origin += f"; {listed(unseen)} not told apart there"
    return Spreads(
        feature,
        sd[top],
        sd.get("specimen", 0.0) if top == "source" else 0.0,
        sd.get("mount", 0.0),
        sd.get("take", 0.0),
        min(low, sd[top]),
        high if math.isfinite(high) else 2 * sd[top],
        origin,
    )


def variance_of_source(spreads: Spreads, *, boards: float, mounts: float, takes: float) -> float:
    """Variance of the mean of one plank.

    Parameters
    ----------
    boards : of that plank.  mounts : of each board.  takes : of each mount; 1 or more, or
        infinity for what endless repeating would leave.
    """
    below = spreads.mount**2 / mounts + spreads.take**2 / (mounts * takes)
    return spreads.source**2 + (spreads.specimen**2 + below) / boards
