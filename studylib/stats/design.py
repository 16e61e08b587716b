"""What a design allows: which features can be compared, and whether wood and batch go together.

A feature whose value lies below the noise in some takes would be biased by dropping those
takes, because they are the quiet ones. So if more than 5 % of any wood's takes of a feature lie
below the noise, its woods are not compared on it. The same holds for decays that the room hides:
they are the short ones, and for harmonics that something else in their place spoils: they are the
weak ones. Takes set aside do not enter that share.

Functions: `coverage_table`, `not_compared`, `wood_by_batch`, `confounded`.
"""

from collections.abc import Sequence

import pandas as pd

from studylib import tables
from studylib.codes import note
from studylib.codes.comparison import Method, Remark
from studylib.stats.units import natural_key

MOST_BELOW_NOISE = 0.05
LEFT_OUT = {  # takes that are not a sample
    "below": Method.BELOW_NOISE,
    "hidden": Method.HIDDEN,
    "unsettled": Method.UNSETTLED,
}


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
        index=index, columns=["used", *LEFT_OUT, "aside", "other"], fill_value=0
    ).astype(int)
    judged = counts["used"] + counts[list(LEFT_OUT)].sum(axis=1)
    reasons: dict[str, str] = {}
    for state, code in LEFT_OUT.items():
        over = counts[state] > MOST_BELOW_NOISE * judged
        found: dict[str, list[dict]] = {}
        for feature, wood in index[over.to_numpy()]:
            lost = {"below": counts.loc[(feature, wood), state], "judged": judged[feature, wood]}
            found.setdefault(feature, []).append({"wood": wood, **lost})
        reasons |= {
            feature: note(code, share=MOST_BELOW_NOISE, woods=woods)
            for feature, woods in found.items()
        }
    table = pd.DataFrame(
        {
            "takes": counts.sum(axis=1),
            "usable": counts["used"],
            "below_noise": counts["below"],
            "set_aside": counts["aside"],
        }
    ).reset_index()
    table["compared"] = ~table["feature"].isin(list(reasons))
    table["reason"] = [reasons.get(name, "") for name in table["feature"]]
    return tables.typed("coverage", table)


def not_compared(coverage: pd.DataFrame) -> dict[str, str]:
    """Features that are not compared, with the reason."""
    refused = coverage[~coverage["compared"].astype(bool)]
    return dict(zip(refused["feature"], refused["reason"], strict=True))


def wood_by_batch(mounts: pd.DataFrame, woods: Sequence[str]) -> pd.DataFrame:
    """Number of specimens of each wood in each batch: column wood, then one a batch.

    Parameters
    ----------
    mounts : mounts of any features of specimens under comparison: wood, specimen, batch.
    """
    batches = sorted(mounts["batch"].unique(), key=natural_key)
    pairs = mounts[["wood", "specimen", "batch"]].drop_duplicates()
    counts = pd.crosstab(pairs["wood"], pairs["batch"]) if len(pairs) else pd.DataFrame()
    counts = counts.reindex(index=list(woods), columns=batches, fill_value=0).astype(int)
    counts.index.name, counts.columns.name = "wood", None
    return counts.reset_index()


def confounded(table: pd.DataFrame) -> str:
    """A note where a wood is missing from a batch, "" where every wood occurs in every one.

    Parameters
    ----------
    table : rows of `wood_by_batch`, of the woods that are compared.
    """
    counts = table.set_index("wood")
    counts = counts.loc[counts.sum(axis=1) > 0, counts.sum() > 0]
    if counts.shape[1] < 2 or counts.shape[0] < 2:
        return ""
    missing = [
        {"wood": wood, "batches": [str(batch) for batch in counts.columns[counts.loc[wood] == 0]]}
        for wood in counts.index
        if (counts.loc[wood] == 0).any()
    ]
    return note(Remark.CONFOUNDED, missing=missing) if missing else ""
