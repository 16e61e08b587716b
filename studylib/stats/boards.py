"""Statements about named boards: they rest on mounts, never on woods.

Every pair of boards that shares a batch is compared on its mount means, with the spread between
mounts of one board in one batch pooled over all boards, and intervals that hold for all pairs of
a batch together (Tukey-Kramer). Boards of different batches are not paired: a change of the
bench between sittings would be read as a difference between boards. A pair that shares several
batches is compared within each, and the differences are averaged with the weights of least
squares.

Functions: `mount_cells`, `paired_difference`, `boards_table`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib.register import Feature
from studylib.stats import scales, studentized

COLUMNS = ("feature", "specimen_a", "specimen_b", "difference", "unit", "low", "high")


@dataclass(frozen=True)
class MountCells:
    """Mounts of one feature by board and batch: count and mean; pooled mount variance."""

    count: dict[tuple[str, str], int]
    mean: dict[tuple[str, str], float]
    batches: dict[str, tuple[str, ...]]  # board -> its batches
    variance: float
    df: int

    def boards_in(self, batch: str) -> int:
        return sum(batch in batches for batches in self.batches.values())


def mount_cells(mounts: pd.DataFrame) -> MountCells:
    """Cells of one feature; `mounts` has specimen, batch, y, one row a mount, all roles."""
    grouped = mounts.groupby(["specimen", "batch"], sort=True)["y"]
    size, mean = grouped.size(), grouped.mean()
    deviation = mounts["y"] - grouped.transform("mean")
    df = int(size.sum() - len(size))
    batches: dict[str, tuple[str, ...]] = {}
    for specimen, batch in size.index:
        batches[specimen] = (*batches.get(specimen, ()), batch)
    return MountCells(
        {key: int(n) for key, n in size.items()},
        {key: float(value) for key, value in mean.items()},
        batches,
        float((deviation**2).sum() / df) if df > 0 else float("nan"),
        df,
    )


def paired_difference(cells: MountCells, a: str, b: str) -> tuple[float, float, tuple[str, ...]]:
    """Board b minus board a within shared batches: difference, standard error, the batches.

    Difference and error are NaN when no batch is shared; the error alone is NaN when no board
    was mounted twice in a batch.
    """
    shared = tuple(x for x in cells.batches.get(a, ()) if x in cells.batches.get(b, ()))
    if not shared:
        return float("nan"), float("nan"), ()
    pairs = _pairs(cells, [a, b])
    return float(pairs.difference[0]), float(pairs.se[0]), shared


@dataclass(frozen=True)
class _Pairs:
    """All pairs of some boards that share a batch; arrays of shape (pairs,).

    crowd : the most boards in any batch that the two share.
    """

    first: np.ndarray
    second: np.ndarray
    difference: np.ndarray
    se: np.ndarray
    crowd: np.ndarray


def _pairs(cells: MountCells, names: Sequence[str]) -> _Pairs:
    batches = sorted({batch for own in cells.batches.values() for batch in own})
    count = np.array([[cells.count.get((n, b), 0) for b in batches] for n in names], dtype=float)
    mean = np.array([[cells.mean.get((n, b), 0.0) for b in batches] for n in names])
    boards_in = np.array([cells.boards_in(batch) for batch in batches])
    first, second = np.triu_indices(len(names), 1)
    n_a, n_b = count[first], count[second]
    weight = n_a * n_b / np.maximum(n_a + n_b, 1.0)
    total = weight.sum(axis=1)
    kept = total > 0
    first, second, weight, total = first[kept], second[kept], weight[kept], total[kept]
    return _Pairs(
        first,
        second,
        np.sum(weight * (mean[second] - mean[first]), axis=1) / total,
        np.sqrt(cells.variance / total),
        np.max(np.where(weight > 0, boards_in, 0), axis=1, initial=0),
    )


def boards_table(
    feature: Feature, cells: MountCells, *, order: Sequence[str], confidence: float
) -> pd.DataFrame:
    """Rows of boards.csv for one feature: every pair that shares a batch."""
    present = [specimen for specimen in order if specimen in cells.batches]
    pairs = _pairs(cells, present)
    half = np.full(pairs.se.shape, np.nan)
    if cells.df >= 1:
        for crowd in np.unique(pairs.crowd):
            own = pairs.crowd == crowd
            q = studentized.quantile(confidence, int(crowd), float(cells.df))
            half[own] = q / np.sqrt(2.0) * pairs.se[own]
    ends = (pairs.difference, pairs.difference - half, pairs.difference + half)
    return pd.DataFrame(
        {
            "feature": feature.name,
            "specimen_a": np.array(present, dtype=object)[pairs.first],
            "specimen_b": np.array(present, dtype=object)[pairs.second],
            **dict(zip(("difference", "low", "high"),
                       (scales.reported_difference(end, feature) for end in ends), strict=True)),
            "unit": feature.difference_unit,
        },
        columns=list(COLUMNS),
    )  # fmt: skip
