"""Which features can be compared: takes counted by wood, and the 5 % rule.

A feature whose value lies below the noise in some takes would be biased by dropping those
takes, because they are the quiet ones. So if more than 5 % of any wood's takes of a feature lie
below the noise, its woods are not compared on it. Takes set aside do not enter that share.

Functions: `coverage_table`, `not_compared`.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

MOST_BELOW_NOISE = 0.05
COLUMNS = ("feature", "wood", "takes", "usable", "below_noise", "set_aside", "compared", "reason")


def coverage_table(
    rows: pd.DataFrame, *, woods: Sequence[str], order: Sequence[str]
) -> pd.DataFrame:
    """One row a feature and wood.

    Parameters
    ----------
    rows : tidy rows of the specimens under comparison (stats.units.tidy, role empty).
    woods, order : woods and features in the order of the tables.
    """
    index = pd.MultiIndex.from_product([order, woods], names=["feature", "wood"])
    counts = pd.crosstab([rows["feature"], rows["wood"]], rows["state"]) if len(rows) else None
    if counts is None:
        counts = pd.DataFrame(0, index=index, columns=[])
    counts = counts.reindex(
        index=index, columns=["used", "below", "aside", "other"], fill_value=0
    ).astype(int)
    judged = counts["used"] + counts["below"]
    over = counts["below"] > MOST_BELOW_NOISE * judged
    reasons: dict[str, list[str]] = {}
    for feature, wood in index[over.to_numpy()]:
        below, of = counts.loc[(feature, wood), "below"], judged[(feature, wood)]
        reasons.setdefault(feature, []).append(f"{below} of {of} {wood} takes")
    table = pd.DataFrame(
        {
            "takes": counts.sum(axis=1),
            "usable": counts["used"],
            "below_noise": counts["below"],
            "set_aside": counts["aside"],
        }
    ).reset_index()
    table["compared"] = ~table["feature"].isin(list(reasons))
    table["reason"] = [
        f"below the noise (more than 5 %): {', '.join(reasons[name])}" if name in reasons else ""
        for name in table["feature"]
    ]
    return table[list(COLUMNS)]


def not_compared(coverage: pd.DataFrame) -> dict[str, str]:
    """Features that are not compared, with the reason."""
    refused = coverage[~coverage["compared"].astype(bool)]
    return dict(zip(refused["feature"], refused["reason"], strict=True))
