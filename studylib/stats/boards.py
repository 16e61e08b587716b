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
from itertools import combinations

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
    n_a = np.array([cells.count[a, batch] for batch in shared], dtype=float)
    n_b = np.array([cells.count[b, batch] for batch in shared], dtype=float)
    weight = n_a * n_b / (n_a + n_b)
    each = np.array([cells.mean[b, batch] - cells.mean[a, batch] for batch in shared])
    difference = float(weight @ each / weight.sum())
    return difference, float(np.sqrt(cells.variance / weight.sum())), shared


def boards_table(
    feature: Feature, cells: MountCells, *, order: Sequence[str], confidence: float
) -> list[dict]:
    """Rows of boards.csv for one feature: every pair that shares a batch."""
    present = [specimen for specimen in order if specimen in cells.batches]
    in_batch = {batch: cells.boards_in(batch) for own in cells.batches.values() for batch in own}
    rows = []
    for a, b in combinations(present, 2):
        difference, se, shared = paired_difference(cells, a, b)
        if not shared:
            continue
        half = float("nan")
        if cells.df >= 1:
            k = max(in_batch[batch] for batch in shared)
            half = studentized.quantile(confidence, k, float(cells.df)) / np.sqrt(2.0) * se
        rows.append(
            {
                "feature": feature.name,
                "specimen_a": a,
                "specimen_b": b,
                "difference": scales.reported_difference(difference, feature),
                "unit": feature.difference_unit,
                "low": scales.reported_difference(difference - half, feature),
                "high": scales.reported_difference(difference + half, feature),
            }
        )
    return rows
