"""Effects with and without what stands out, side by side.

For every item that `outliers` points out the comparison of its feature is made again without its
takes, all other steps being the same (Holm over the primary features included). Nothing is
removed anywhere else.

Function: `effects_without`.
"""

from __future__ import annotations

import pandas as pd

from studylib.stats.compare import Workings
from studylib.stats.effects import compared_pairs, effects_table
from studylib.stats.samples import make_samples

COLUMNS = (
    *("feature", "without", "wood_a", "wood_b", "unit", "difference", "low", "high", "p_adjusted"),
    *("verdict", "difference_without", "low_without", "high_without", "p_adjusted_without"),
    *("verdict_without", "changes"),
)
_SHOWN = ("difference", "low", "high", "p_adjusted", "verdict")


def effects_without(workings: Workings, found: pd.DataFrame, effects: pd.DataFrame) -> pd.DataFrame:
    """One row an item that stands out and pair of woods; columns `COLUMNS`.

    Parameters
    ----------
    workings : what the comparison was made from.
    found : from `outliers.find_outliers`.
    effects : the effects table of the comparison.
    """
    rows = []
    for item in found.itertuples():
        again = _without(workings, item.feature, set(item.ids))
        with_it = effects[effects["feature"] == item.feature]
        for before, after in zip(with_it.itertuples(), again.itertuples(), strict=True):
            rows.append(_row(item, before, after))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _without(workings: Workings, feature: str, ids: set[str]) -> pd.DataFrame:
    """Effects of one feature without these takes."""
    takes, mounts = workings.without(feature, ids)
    made = make_samples(
        takes, mounts, order=[feature], woods=workings.woods, smallest_n=workings.smallest_n
    )
    samples = {
        name: sample for name, sample in workings.samples.items() if name in workings.primary
    }
    samples.pop(feature, None)
    samples.update(made)
    first = {name: pairs for name, pairs in workings.first.items() if name in samples}
    first.pop(feature, None)
    first.update(compared_pairs(made, refused=(), confidence=workings.confidence))
    table = effects_table(
        samples,
        first,
        order=list(dict.fromkeys([*workings.primary, feature])),
        woods=workings.woods,
        primary=workings.primary,
        refused=workings.refused,
        limits=workings.limits,
        detected=workings.detected,
        confidence=workings.confidence,
    )
    return table[table["feature"] == feature]


def _row(item, before, after) -> dict:
    row = {"feature": item.feature, "without": item.item, "unit": before.unit}
    row |= {"wood_a": before.wood_a, "wood_b": before.wood_b}
    for name in _SHOWN:
        row[name], row[f"{name}_without"] = getattr(before, name), getattr(after, name)
    return row | {"changes": before.verdict != after.verdict}
