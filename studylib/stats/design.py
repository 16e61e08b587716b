"""What a design allows, and what a comparison cannot say.

Which features can be compared, whether wood and batch go together, and the notes on both.

A feature whose value lies below the noise in some takes would be biased by dropping those
takes, because they are the quiet ones. So if more than 5 % of any wood's takes of a feature lie
below the noise, its woods are not compared on it. The same holds for decays that the room hides:
they are the short ones, and for harmonics that something else in their place spoils: they are the
weak ones. Takes set aside do not enter that share.

Functions: `coverage_table`, `not_compared`, `wood_by_batch`, `confounded`; `comparison_notes`,
`design_notes`.
"""

from collections.abc import Mapping, Sequence

import pandas as pd

from studylib import tables
from studylib.codes import comparison, has, holding, note
from studylib.sheets.files import grouped
from studylib.stats.pairs import SMALLEST_SAME
from studylib.stats.samples import Sample
from studylib.stats.units import natural_key

MOST_BELOW_NOISE = 0.05
LEFT_OUT = {  # takes that are not a sample
    "below": comparison.Method.BELOW_NOISE,
    "hidden": comparison.Method.HIDDEN,
    "unsettled": comparison.Method.UNSETTLED,
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
    counts = (
        pd.crosstab([rows["feature"], rows["wood"]], rows["state"])
        if len(rows)
        else pd.DataFrame(0, index=index, columns=[])
    )
    counts = counts.reindex(
        index=index, columns=["used", *LEFT_OUT, "aside", "other"], fill_value=0
    ).astype(int)
    judged = counts["used"] + counts[list(LEFT_OUT)].sum(axis=1)
    reasons: dict[str, str] = {}
    for state, code in LEFT_OUT.items():
        over = counts[state] > MOST_BELOW_NOISE * judged
        found = grouped(
            (
                feature,
                {
                    "wood": wood,
                    "below": below,
                    "judged": of,
                },
            )
            for (feature, wood), below, of in zip(
                index[over.to_numpy()], counts.loc[over, state], judged[over], strict=True
            )
        )
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
    told = [reasons.get(name, "") for name in table["feature"]]
    return tables.typed("coverage", table.assign(compared=[not why for why in told], reason=told))


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
    return note("comparison.confounded", missing=missing) if missing else ""


def comparison_notes(
    samples: Mapping[str, Sample],
    found: pd.DataFrame,
    variance: pd.DataFrame,
    *,
    order: Sequence[str],
    primary: Sequence[str],
    refused: Mapping[str, str],
    confounded: bool,
    confidence: float,
    same_level: float,
) -> list[str]:
    """Notes on the table of effects `found` and the table of variance components.

    `order` has the features of which there is any row, usable or not; `confounded` says that
    wood and batch are confounded by the plan, which has a note of its own.
    """
    compared = {name: sample.design for name, sample in samples.items() if name not in refused}
    missing = [name for name in primary if name not in order]
    unusable = [n for n in primary if n in order and n not in samples and n not in refused]
    apart = [name for name, design in compared.items() if not design.complete]
    partly = [name for name, design in compared.items() if design.model and design.model.dropped]
    return [
        *holding(
            (missing, note("comparison.not_measured", features=missing)),
            (unusable, note("comparison.no_take", features=unusable)),
            (refused, note("comparison.refused", refused=dict(refused))),
            (apart and not confounded, note("comparison.confounded_on", features=apart)),
            (partly, note("comparison.partly_confounded", features=partly)),
        ),
        *_verdict_notes(found, 1 - confidence, same_level),
        *["comparison.unbalanced"]
        * any(has(cell, "methods.mean_squares", "methods.reml") for cell in variance["method"]),
    ]


def _verdict_notes(found: pd.DataFrame, alpha: float, level: float) -> list[str]:
    hints = int(found.loc[found["role"] == comparison.Role.EXPLORATORY, "feature"].nunique())
    enough = found[["n_a", "n_b"]].min(axis=1) >= SMALLEST_SAME
    pairs = int((enough & found["limit"].notna() & found["p"].notna()).sum())
    same = note("comparison.same", pairs=pairs, level=level, bound=min(1.0, level * pairs))
    not_earned = any(has(cell, comparison.Method.NOT_EARNED) for cell in found["method"])
    return holding(
        ((found["verdict"] == comparison.Verdict.SAME).any(), same),
        (not_earned, "comparison.not_earned"),
        ((found["needed"] != "").any(), "comparison.needed"),
        (hints, note("comparison.exploratory", count=hints, alpha=alpha)),
    )


def design_notes(
    specimens: pd.DataFrame,
    mounts: pd.DataFrame,
    *,
    woods: Sequence[str],
    smallest_n: int,
    listening: bool,
) -> list[str]:
    """What these specimens, batches and mounts leave open.

    Parameters
    ----------
    specimens : specimens under comparison (wood, specimen, source, source_assumed).
    mounts : their mounts over all features: wood, specimen, batch, mount, n_takes.
    """
    batches = mounts["batch"].nunique()
    per_board = mounts.drop_duplicates(["specimen", "batch", "mount"]).groupby("specimen").size()
    return [
        "comparison.these_boards",
        *_source_notes(specimens, woods, max(2, smallest_n)),
        *holding(
            (batches == 1, "comparison.one_batch"),
            (batches > 1, "comparison.not_paired"),
            (len(per_board) and per_board.max() == 1, "comparison.mounted_once"),
            (len(mounts) and mounts["n_takes"].max() == 1, "comparison.one_take"),
            (not listening, "comparison.not_heard"),
        ),
    ]


def _source_notes(specimens: pd.DataFrame, woods: Sequence[str], least: int) -> list[str]:
    count = int(specimens.get("source_assumed", pd.Series(dtype=bool)).astype(bool).sum())
    sources = specimens.groupby("wood")["source"].nunique()
    boards = specimens.groupby("wood").size()
    shared = [
        {"wood": wood, "boards": boards[wood], "planks": sources[wood]}
        for wood in woods
        if wood in boards and sources[wood] < boards[wood]
    ]
    few = [wood for wood in woods if sources.get(wood, 0) < least]
    return holding(
        (count, note("comparison.plank_assumed", count=count, boards=len(specimens))),
        (shared, note("comparison.shared_planks", woods=shared)),
        (few, note("comparison.few_sources", woods=few, least=least)),
    )
