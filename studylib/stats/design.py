"""What the design of a study cannot say: confounding of wood with batch, and plain sentences.

Functions: `wood_by_batch`, `confounding_sentence`, `design_notes`.
"""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from studylib.stats.units import natural_key
from studylib.words.text import listed


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


def confounding_sentence(table: pd.DataFrame) -> str:
    """Empty where every wood occurs in every batch (or there is one batch), else what is wrong.

    Parameters
    ----------
    table : rows of `wood_by_batch`, of the woods that are compared.
    """
    counts = table.set_index("wood")
    counts = counts.loc[counts.sum(axis=1) > 0, counts.sum() > 0]
    if counts.shape[1] < 2 or counts.shape[0] < 2:
        return ""
    missing = [
        f"{wood} in {listed([b for b in counts.columns if counts.loc[wood, b] == 0])}"
        for wood in counts.index
        if (counts.loc[wood] == 0).any()
    ]
    if not missing:
        return ""
    return (
        "Wood and batch are confounded: nothing was measured of "
        + "; ".join(missing)
        + ". A difference between these woods may be a difference between sittings, so batch is "
        "not taken out. Measure some boards of every wood in every batch."
    )


def design_notes(
    specimens: pd.DataFrame,
    mounts: pd.DataFrame,
    *,
    woods: Sequence[str],
    smallest_n: int,
    listening: bool,
) -> list[str]:
    """Sentences on what these specimens, batches and mounts leave open.

    Parameters
    ----------
    specimens : specimens under comparison (wood, specimen, source, source_assumed).
    mounts : their mounts over all features: wood, specimen, batch, mount, n_takes.
    """
    notes = [
        "The comparison holds for these boards as they were cut, on this bench, with this driver: "
        "a difference in thickness, mass, grain or moisture that goes with the wood is part of it.",
    ]
    notes += _source_notes(specimens, woods, smallest_n)
    batches = mounts["batch"].nunique()
    if batches == 1:
        notes.append(
            "All boards were measured in one batch: whether another day or another setting-up of "
            "the bench would give the same is not known."
        )
    if batches > 1:
        notes.append(
            "Boards of different batches are not paired in the table of boards: a change of the "
            "bench between sittings would be read as a difference between boards."
        )
    per_board = mounts.drop_duplicates(["specimen", "batch", "mount"]).groupby("specimen").size()
    if len(per_board) and per_board.max() == 1:
        notes.append(
            "Every board was mounted once: what remounting does cannot be told from the board."
        )
    if len(mounts) and mounts["n_takes"].max() == 1:
        notes.append("Every mount has one take: takes cannot be told from mounts.")
    if not listening:
        notes.append(
            "The response channel is not a microphone: the differences are relative and nothing "
            "is said about what can be heard. A limit set in study.toml is then a limit of your "
            "own, not a listening limit."
        )
    return notes


def _source_notes(specimens: pd.DataFrame, woods: Sequence[str], smallest_n: int) -> list[str]:
    notes = []
    assumed = specimens.get("source_assumed")
    if assumed is not None and assumed.astype(bool).any():
        count = int(assumed.astype(bool).sum())
        notes.append(
            f"The plank is not named for {count} of {len(specimens)} boards: each of them was "
            "taken as a plank of its own. If boards share a plank, there are fewer independent "
            "boards than counted here and the true uncertainty is larger."
        )
    sources = specimens.groupby("wood")["source"].nunique()
    boards = specimens.groupby("wood").size()
    shared = [
        f"{boards[wood]} boards of {wood} come from {sources[wood]}"
        for wood in woods
        if wood in boards and sources[wood] < boards[wood]
    ]
    if shared:
        notes.append("Boards of one plank count as one source: " + "; ".join(shared) + ".")
    few = [wood for wood in woods if sources.get(wood, 0) < max(2, smallest_n)]
    if few:
        notes.append(
            f"Nothing is said about {listed(few)} as a wood: fewer than {max(2, smallest_n)} "
            "sources. What is said rests on the named boards."
        )
    return notes
