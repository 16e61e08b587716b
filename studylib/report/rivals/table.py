"""Rival explanations: what else than the wood could make a difference, and what tests it.

One row for each rival: what it would look like, which takes or columns of this study test it,
what they say. What is only bounded is given as the bound; what this design cannot rule out says
so; what was not tested says what to record or to fill in.

Names of woods and boards stand in these texts as the sheets have them; the pages escape them.

Functions: rivals_table, rivals_sentences.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from studylib.report.rivals.bench import level, mounting
from studylib.report.rivals.boards import dimensions, moisture, planks
from studylib.report.rivals.buzz import buzz
from studylib.report.rivals.drift import drift
from studylib.report.rivals.driver import driver
from studylib.report.rivals.leaks import air, recorder
from studylib.report.rivals.mixup import mixed_up
from studylib.report.rivals.parts import NOT_TESTED, ground_of
from studylib.report.rivals.room import room
from studylib.words.text import listed

if TYPE_CHECKING:
    from studylib.report.summary import Summary

RIVAL_COLUMNS = ["rival", "it would look like", "tested by", "what it says"]
_ROWS = (
    driver,
    air,
    recorder,
    room,
    buzz,
    mounting,
    drift,
    dimensions,
    moisture,
    level,
    planks,
    mixed_up,
)


def rivals_table(summary: Summary) -> pd.DataFrame:
    """One row for each of the twelve rivals, columns RIVAL_COLUMNS, all of them text."""
    ground = ground_of(summary)
    return pd.DataFrame([row(ground) for row in _ROWS]).set_axis(RIVAL_COLUMNS, axis="columns")


def rivals_sentences(summary: Summary) -> list[str]:
    """How many rivals this study tests, and which it does not."""
    table = rivals_table(summary)
    open_ones = table.loc[table["what it says"].str.startswith(NOT_TESTED), "rival"]
    tested = len(table) - len(open_ones)
    said = [
        f"On {tested if len(open_ones) else 'all'} of {len(table)} other explanations of a "
        "difference between woods or of a harmonic a take or a column of this study bears; some "
        "reach only part of the harmonics or mounts, as their rows say."
    ]
    if len(open_ones):
        said.append(
            f"Not tested: {listed(open_ones)}. As long as that is so, what is seen may be "
            f"{'that' if len(open_ones) == 1 else 'one of these'} rather than the wood."
        )
    said.append(
        "Tested does not mean ruled out: each row says with a number how far its test reaches."
    )
    return said
