"""What the figures of a plan show: chances over the number of boards and over the true difference,
and what boards, mounts and takes each leave in the spread of a wood's mean.

Functions: `power_curves`, `verdict_mix`, `spread_parts`, `never_beyond`.
Classes: `Nest`, `Decision`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from studylib.codes.comparison import Verdict
from studylib.stats.spreads import Spreads, variance_of_source
from studylib.stats.verdict_power import WORDS, pair_apart, verdict_chances

DRAWS = 4000
PLANKS = (2, 3, 4, 5, 6, 8, 10, 13, 16, 20, 26, 32, 40, 50, 64, 80, 100)
STEPS = 25
SEEN = 6.0  # standard errors of a difference that is missed seldom even with few boards


@dataclass(frozen=True)
class Nest:
    """What lies below one plank: boards of it, mounts of each board, takes of each mount."""

    boards: float
    mounts: float
    takes: float

    def variance(self, spreads: Spreads) -> float:
        """Of the mean of one plank, on the scale of analysis squared."""
        return variance_of_source(spreads, boards=self.boards, mounts=self.mounts, takes=self.takes)


@dataclass(frozen=True)
class Decision:
    """By what the report decides: woods, primary features, confidence, batches as a block."""

    woods: int
    primary: int
    confidence: float
    block_columns: int = 0


def power_curves(
    spreads: Spreads, nest: Nest, decision: Decision, *, difference: float
) -> pd.DataFrame:
    """Probability that a true difference is declared, over the planks of each wood.

    Parameters
    ----------
    difference : between the named pair, above 0; the other woods lie halfway between.

    Returns
    -------
    planks, line, chance, low, high; `line` is "one mount", "as planned" or "endless mounts"; low
    and high (of "as planned" only) hold for the larger and the smaller spread of boards.
    """
    ways = {
        "one mount": replace(nest, mounts=1),
        "as planned": nest,
        "endless mounts": replace(nest, mounts=math.inf),
    }
    rows = []
    for planks in PLANKS:
        for line, way in ways.items():
            chance = _declared(spreads, way, decision, planks, difference)
            low = high = math.nan
            if line == "as planned":
                ends = (spreads.source_high, spreads.source_low)
                low, high = (
                    _declared(spreads.with_source(end), way, decision, planks, difference)
                    for end in ends
                )
            rows.append((planks, line, chance, low, high))
    return pd.DataFrame(rows, columns=["planks", "line", "chance", "low", "high"])


def verdict_mix(
    spreads: Spreads,
    nest: Nest,
    decision: Decision,
    *,
    planks: Iterable[int],
    limit: float,
    same_possible: bool,
) -> pd.DataFrame:
    """Probability of each verdict over the true difference, from none to where it is seldom missed.

    Parameters
    ----------
    planks : of each wood, the named pair first.

    Returns
    -------
    difference (on the scale of analysis), word, chance.
    """
    planks = list(planks)
    rows = []
    variance = nest.variance(spreads)
    seen = SEEN * math.sqrt(2 * variance / min(planks))
    for difference in np.linspace(0.0, max(3.0 * limit, seen), STEPS):
        found = verdict_chances(
            pair_apart(difference, decision.woods),
            [variance] * decision.woods,
            planks,
            limit=limit,
            confidence=decision.confidence,
            primary=decision.primary,
            same_possible=same_possible,
            block_columns=decision.block_columns,
            draws=DRAWS,
        )
        rows += [(difference, word, found.of[word]) for word in WORDS]
    return pd.DataFrame(rows, columns=["difference", "word", "chance"])


def spread_parts(spreads: Spreads, designs: Iterable[tuple[str, int, Nest]]) -> pd.DataFrame:
    """What boards, mounts and takes leave in the variance of a wood's mean.

    Parameters
    ----------
    designs : name, planks of each wood, and what lies below a plank.

    Returns
    -------
    design, planks, boards, mounts, takes, from_boards, from_mounts, from_takes (variances on the
    scale of analysis), sd.
    """
    rows = []
    for name, planks, nest in designs:
        boards = (spreads.source**2 + spreads.specimen**2 / nest.boards) / planks
        each = planks * nest.boards * nest.mounts
        mounts, takes = spreads.mount**2 / each, spreads.take**2 / (each * nest.takes)
        sd = math.sqrt(boards + mounts + takes)
        rows.append((name, planks, nest.boards, nest.mounts, nest.takes, boards, mounts, takes, sd))
    columns = ["design", "planks", "boards", "mounts", "takes"]
    return pd.DataFrame(rows, columns=[*columns, "from_boards", "from_mounts", "from_takes", "sd"])


def never_beyond(limit: float, variance: float, decision: Decision) -> float:
    """Probability of `beyond limit` for a true difference as large as the limit, with 1,000
    planks a wood: what no number of boards will ever raise."""
    woods = decision.woods
    found = verdict_chances(
        pair_apart(limit, woods), [variance] * woods, [1000] * woods, limit=limit,
        confidence=decision.confidence, primary=decision.primary,
    )  # fmt: skip
    return found.of[Verdict.BEYOND]


def _declared(spreads, nest, decision: Decision, planks: int, difference: float) -> float:
    return verdict_chances(
        pair_apart(difference, decision.woods),
        [nest.variance(spreads)] * decision.woods,
        [planks] * decision.woods,
        limit=None,
        confidence=decision.confidence,
        primary=decision.primary,
        block_columns=decision.block_columns,
        draws=DRAWS,
    ).declared
