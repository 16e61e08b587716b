"""Effects with and without what stands out, side by side.

For every item that `outliers` points out the comparison of its feature is made again without its
takes, all other steps being the same (Holm over the primary features included). Nothing is
removed anywhere else.

Function: `effects_without`.
"""

from __future__ import annotations

import pandas as pd

from studylib.stats.effects import compared_pairs, effects_table
from studylib.stats.parts import Parts
from studylib.stats.samples import make_samples

COLUMNS = (
    *("feature", "without", "wood_a", "wood_b", "unit", "difference", "low", "high", "p_adjusted"),
    *("verdict", "difference_without", "low_without", "high_without", "p_adjusted_without"),
    *("verdict_without", "changes"),
)
_SHOWN = ("difference", "low", "high", "p_adjusted", "verdict")


def effects_without(parts: Parts, found: pd.DataFrame, effects: pd.DataFrame) -> pd.DataFrame:
    """One row an item that stands out and pair of woods; columns `COLUMNS`.

    Parameters
    ----------
    parts : what the comparison was made from.
    found : from `outliers.find_outliers`.
    effects : the effects table of the comparison.
    """
    rows = []
    for item in found.itertuples():
        again = _without(parts, item.feature, set(item.ids))
        with_it = effects[effects["feature"] == item.feature]
        for before, after in zip(with_it.itertuples(), again.itertuples(), strict=True):
            rows.append(_row(item, before, after))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _without(parts: Parts, feature: str, ids: set[str]) -> pd.DataFrame:
    """Effects of one feature without these takes."""
    takes, mounts = parts.without(feature, ids)
    made = make_samples(
        takes, mounts, order=[feature], woods=parts.woods, smallest_n=parts.smallest_n
    )
    samples = {name: sample for name, sample in parts.samples.items() if name in parts.primary}
    samples.pop(feature, None)
    samples.update(made)
    first = {name: pairs for name, pairs in parts.first.items() if name in samples}
    first.pop(feature, None)
    first.update(compared_pairs(made, refused=(), confidence=parts.confidence))
    table = effects_table(
        samples,
        first,
        order=list(dict.fromkeys([*parts.primary, feature])),
        woods=parts.woods,
        primary=parts.primary,
        refused=parts.refused,
        limits=parts.limits,
        told_apart=parts.told_apart,
        confidence=parts.confidence,
    )
    return table[table["feature"] == feature]


def _row(item, before, after) -> dict:
    row = {"feature": item.feature, "without": item.item, "unit": before.unit}
    row |= {"wood_a": before.wood_a, "wood_b": before.wood_b}
    for name in _SHOWN:
        row[name], row[f"{name}_without"] = getattr(before, name), getattr(after, name)
    return row | {"changes": before.verdict != after.verdict}
