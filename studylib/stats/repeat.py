"""Does a later stage repeat what an earlier one declared?

A stage is a study of its own, with its own boards and its own family. A later one by itself repeats
the declared pairs of those before it: only these are tested again, at one error over all of them
(Holm), and in the direction in which they were declared. Beside each stands what a repetition
should show: with s_a and s_b the spreads of the boards of two woods in the first stage, n of them
there and m in the repetition,

    d +- t s,   s^2 = s_a^2 (1/n_a + 1/m_a) + s_b^2 (1/n_b + 1/m_b),

the prediction interval of a difference of means (Hahn and Meeker, Statistical Intervals, recalled)
with the degrees of freedom of Welch and Satterthwaite. All stages together are an estimate with
its interval, and no verdict: nobody planned to look at that moment.

Functions: `predicted`, `stage_rows`.
"""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from studylib import register, tables
from studylib.stats import compare, decisions, families, scales

ALL = 0  # the row of all stages together
KEPT = ("feature", "wood_a", "wood_b", "difference", "low", "high", "unit", "n_a", "n_b", "p")


def predicted(
    difference: float,
    variances: tuple[float, float],
    n: tuple[int, int],
    m: tuple[int, int],
    *,
    confidence: float,
) -> tuple[float, float]:
    """Where the difference of a repetition is to be expected.

    Parameters
    ----------
    difference, variances : of the first stage: between two woods, and of each wood's boards.
    n, m : boards of each wood, 2 or more in the first stage, 1 or more in the repetition.

    Returns
    -------
    low and high, in the unit of the difference.
    """
    parts = [s2 * (1 / a + 1 / b) for s2, a, b in zip(variances, n, m, strict=True)]
    below = sum(part**2 / (count - 1) for part, count in zip(parts, n, strict=True))
    if not below > 0:
        return math.nan, math.nan
    half = math.sqrt(sum(parts)) * float(
        special.stdtrit(sum(parts) ** 2 / below, 0.5 + confidence / 2)
    )
    return difference - half, difference + half


def stage_rows(
    stages: Mapping[int, compare.Comparison], together: compare.Comparison, *, confidence: float
) -> pd.DataFrame:
    """The table `stages`: each pair of woods on each primary feature, stage by stage, then all.

    Parameters
    ----------
    stages : number of the stage -> its own comparison, in order.
    together : the comparison of all their boards.
    """
    rows, declared = [], {}
    for number, found in stages.items():
        own = _primary(found)
        again = [_row(found, number, pair) for pair in declared if pair in own]
        adjusted = families.holm(np.array([row["p"] for row in again])) if again else ()
        for row, p in zip(again, adjusted, strict=True):
            earlier, first = declared[_pair(row)]
            low, high = _expected(earlier, first, row, confidence)
            same = row["difference"] * first["difference"] > 0
            seen = ("repeated" if same else "contrary") if p <= 1 - confidence else "not repeated"
            row |= {"p_adjusted": p, "predicted_low": low, "predicted_high": high, "outcome": seen}
        rows += [*again, *(_row(found, number, pair) for pair in own if pair not in declared)]
        for pair, row in own.items():
            if row["verdict"] in decisions.DECLARED:
                declared.setdefault(pair, (found, row))
    rows += [
        _row(together, ALL, pair) | {"p": math.nan, "outcome": ""} for pair in _primary(together)
    ]
    return tables.typed("stages", pd.DataFrame(rows, columns=tables.TABLES["stages"].names))


def _primary(found: compare.Comparison) -> dict[tuple[str, str, str], Mapping[str, Any]]:
    """(feature, wood, wood) -> its row of the effects, where it has numbers."""
    effects = found.effects
    return {
        _pair(row): row
        for row in effects[(effects["role"] == "primary") & effects["p"].notna()].to_dict("records")
    }


def _pair(row: Mapping[str, Any]) -> tuple[str, str, str]:
    return row["feature"], row["wood_a"], row["wood_b"]


def _row(found: compare.Comparison, number: int, pair: tuple[str, str, str]) -> dict[str, Any]:
    own = _primary(found)[pair]
    return {name: own[name] for name in KEPT} | {"stage": number, "outcome": own["verdict"]}


def _expected(
    found: compare.Comparison, first: Mapping[str, Any], row: Mapping[str, Any], confidence: float
) -> tuple[float, float]:
    """The prediction interval of a row, as reported."""
    sample, feature = found.workings.samples[first["feature"]], register.find(first["feature"])
    woods = sample.design.woods
    a, b = woods.index(first["wood_a"]), woods.index(first["wood_b"])
    pair = next(p for p in found.workings.first[feature.name] if (p.a, p.b) == (a, b))
    spread = sample.design.model.wood_variances(sample.y)
    n, m = (first["n_a"], first["n_b"]), (row["n_a"], row["n_b"])
    return tuple(
        float(scales.reported_difference(end, feature))
        for end in predicted(
            pair.difference, (float(spread[a]), float(spread[b])), n, m, confidence=confidence
        )
    )
