"""Statements about named boards, which rest on mounts, never on woods; and the positive control.

Every pair of boards that shares a batch is compared on its mount means, with the spread between
mounts of one board in one batch pooled over all boards, and intervals that hold for all pairs of
a batch together (Tukey-Kramer). Boards of different batches are not paired: a change of the
bench between sittings would be read as a difference between boards. A pair that shares several
batches is compared within each, and the differences are averaged with the weights of least
squares. Of many boards (`MOST_PAIRED`) each is paired with the references alone, as all pairs
would be a table that nobody opens; the intervals still hold for all of them.

The positive control: does the bench detect the changed specimen, which is the reference with a
known small mass fixed to it? A bench that cannot has no right to call two woods the same, so `same`
is earned here feature by feature. The difference is changed minus reference on mounts within the
batches they share (so that a change of the bench between batches cancels), by the spread of the
mounts of these two alone (Welch; pooling would lend them the other boards' quiet mounts). It is
detected when its interval excludes zero. It counts, so that `same` may rest on it, when the whole
interval lies within the limit and the reference was steady on that feature (`drift.steadiness`): a
change far above the limit shows nothing about small ones, and of one that may be either it is not
known what it shows.

Functions: `mount_cells`, `own_difference`, `boards_table`, `control_rows`,
`features_detected`; `MountCells`.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from studylib import codes, register, tables
from studylib.stats import scales, studentized

MOST_PAIRED = 100  # boards of one feature, of which every pair is written


@dataclass(frozen=True)
class MountCells:
    """Mounts of one feature, (boards, batches), 0 where there are none; pooled mount variance.

    boards : by name, to their rows.  square : sum of squared deviations from the mean.
    """

    boards: dict[str, int]
    count: np.ndarray
    mean: np.ndarray
    square: np.ndarray
    variance: float
    df: int


def mount_cells(mounts: pd.DataFrame) -> MountCells:
    """Cells of one feature; `mounts` has specimen, batch, y, one row a mount, all roles."""
    (row, names), (column, batches) = (
        pd.factorize(mounts[key], sort=True) for key in ("specimen", "batch")
    )
    y, size = mounts["y"].to_numpy(float), (len(names), len(batches))
    cell = row * size[1] + column
    count, total = (np.bincount(cell, weights, size[0] * size[1]) for weights in (None, y))
    mean = total / np.maximum(count, 1)
    square = np.bincount(cell, (y - mean[cell]) ** 2, count.size)
    df = len(y) - np.count_nonzero(count)
    variance = float(square.sum() / df) if df > 0 else math.nan
    cells = (each.reshape(size) for each in (count, mean, square))
    return MountCells({name: i for i, name in enumerate(names)}, *cells, variance, df)


def own_difference(cells: MountCells, a: str, b: str) -> tuple[float, float, float]:
    """Board b minus board a within shared batches, by the spread of their own mounts (Welch).

    Returns
    -------
    Difference, standard error, Satterthwaite's degrees of freedom; the difference is NaN where no
    batch is shared, the others where either board was never mounted twice in a batch.
    """
    _, _, difference, *_ = _pairs(cells, [a, b])
    rows = [cells.boards[name] for name in (a, b)]
    n = cells.count[rows].astype(float)
    df = np.maximum(n - 1.0, 0.0).sum(axis=1)
    if not difference.size or df.min() < 1:
        return float(difference[0]) if difference.size else math.nan, math.nan, math.nan
    n = n[:, n.min(axis=0) > 0]
    weight = n.prod(axis=0) / n.sum(axis=0)
    share = (weight**2 / n).sum(axis=1) / weight.sum() ** 2
    parts = share * cells.square[rows].sum(axis=1) / df
    freedom = parts.sum() ** 2 / (parts**2 / df).sum() if parts.sum() > 0 else df.sum()
    return float(difference[0]), math.sqrt(parts.sum()), float(freedom)


def _pairs(
    cells: MountCells, names: Sequence[str], beside: Sequence[int] = ()
) -> tuple[np.ndarray, ...]:
    """All pairs of some boards that share a batch, or those with the boards `beside` alone: numbers
    of the first and of the second board, difference, its standard error, and the most boards in any
    batch that the two share; arrays of shape (pairs,)."""
    rows = [cells.boards[name] for name in names]
    count, mean = cells.count[rows].astype(float), cells.mean[rows]
    boards_in = (cells.count > 0).sum(axis=0)
    every = np.arange(len(names))
    with_one = [np.column_stack([np.minimum(one, every), np.maximum(one, every)]) for one in beside]
    pairs = (
        np.unique(np.concatenate(with_one), axis=0).T if with_one else np.triu_indices(every.size)
    )
    first, second = (side[pairs[0] < pairs[1]] for side in pairs)
    n_a, n_b = count[first], count[second]
    weight = n_a * n_b / np.maximum(n_a + n_b, 1.0)
    total = weight.sum(axis=1)
    kept = total > 0
    first, second, weight, total = first[kept], second[kept], weight[kept], total[kept]
    return (
        first,
        second,
        np.sum(weight * (mean[second] - mean[first]), axis=1) / total,
        np.sqrt(cells.variance / total),
        np.max(np.where(weight > 0, boards_in, 0), axis=1, initial=0),
    )


def boards_table(
    feature: register.Feature,
    cells: MountCells,
    *,
    order: Sequence[str],
    confidence: float,
    beside: Sequence[str] = (),
) -> pd.DataFrame:
    """Rows of boards.csv for one feature: every pair that shares a batch; of more than
    `MOST_PAIRED` boards those with one of `beside`, or with the first board without any there."""
    present = [specimen for specimen in order if specimen in cells.boards]
    named = [i for i, name in enumerate(present) if name in beside] or [0]
    few = len(present) <= MOST_PAIRED
    first, second, difference, se, crowds = _pairs(cells, present, () if few else named)
    half = np.full(se.shape, np.nan)
    if cells.df >= 1:
        for crowd in np.unique(crowds):
            own = crowds == crowd
            q = studentized.quantile(confidence, int(crowd), float(cells.df))
            half[own] = q / np.sqrt(2.0) * se[own]
    ends = (difference, difference - half, difference + half)
    return pd.DataFrame(
        {
            "feature": feature.name,
            "specimen_a": np.array(present, dtype=object)[first],
            "specimen_b": np.array(present, dtype=object)[second],
            **dict(zip(("difference", "low", "high"),
                       (scales.reported_difference(end, feature) for end in ends), strict=True)),
            "unit": feature.difference_unit,
        },
        columns=tables.TABLES["boards"].names,
    )  # fmt: skip


def control_rows(
    feature: register.Feature,
    cells: MountCells | None,
    *,
    changed: Sequence[str],
    reference: Sequence[str],
    confidence: float,
    limit: float | None,
    steady: bool | None,
    lost: str = "",
) -> list[dict]:
    """One row for each changed specimen with each reference, or one that says what is missing.

    Parameters
    ----------
    cells : mounts of this feature (all boards), None when nothing was measured.
    changed, reference : specimens of these roles, in the order of the sheet.
    limit : the feature's limit, dB or ratio; None without one.
    steady : whether the reference was steady on this feature; None where that is not known.
    lost : a note of why too many of their takes of this feature cannot be used; "" where not.
    """
    if not reference or not changed:
        return [
            _row(
                feature,
                limit,
                reason="control.no_changed" if reference else "control.no_reference",
            )
        ]
    pairs = [(name, other) for name in changed for other in reference]
    return (
        [_row(feature, limit, *pair, reason=lost) for pair in pairs]
        if lost
        else [_pair(feature, cells, pair, confidence, limit, steady) for pair in pairs]
    )


def _pair(feature, cells, pair, confidence, limit, steady) -> dict:
    changed, reference = pair
    measured = cells is not None and {*pair} <= {*cells.boards}
    difference, se, df = own_difference(cells, reference, changed) if measured else (math.nan,) * 3
    lacking = codes.holding(
        (not measured, "control.not_measured"),
        (math.isnan(difference), "control.no_shared_batch"),
        (math.isnan(se), "control.no_mounts"),
    )
    if lacking:
        return _row(feature, limit, *pair, (difference,), reason=lacking[0])
    half = float(special.stdtrit(df, 0.5 * (1 + confidence))) * se
    seen = abs(difference) > half and abs(difference) > 1e-12
    return _row(
        feature, limit, *pair, (difference, difference - half, difference + half),
        detected=bool(seen),
        reason=_why_not(abs(difference), half, limit, steady, feature)
        if seen
        else "control.not_detected",
    )  # fmt: skip


def _why_not(
    size: float, half: float, limit: float | None, steady: bool | None, feature: register.Feature
) -> str:
    """Why a change of this size that was detected does not count; "" where it does."""
    bound = math.inf if limit is None else scales.analysis_limit(limit, feature)
    if size + half > bound:
        return codes.note(
            "control.too_large",
            limit=scales.reported_limit(limit, feature),
            unit=feature.difference_unit,
            surely=bool(size - half > bound),
        )
    return {None: "control.not_watched", True: "", False: "control.not_steady"}[steady]


def _row(
    feature: register.Feature,
    limit: float | None,
    changed: str = "",
    reference: str = "",
    ends: tuple[float, ...] = (),
    *,
    detected: bool = False,
    reason: str,
) -> dict:
    shown = [scales.reported_difference(end, feature) for end in ends]
    difference, low, high = [*shown, *[math.nan] * (3 - len(shown))]
    bound = math.nan if limit is None else scales.reported_limit(limit, feature)
    values = (
        *(feature.name, changed, reference, difference, feature.difference_unit, low, high),
        *(bound, detected, detected and not reason, reason),
    )
    return dict(zip(tables.TABLES["positive_control"].names, values, strict=True))


def features_detected(control: pd.DataFrame) -> frozenset[str]:
    """Features on which every changed specimen counts beside every reference."""
    if control.empty:
        return frozenset()
    seen = control.groupby("feature")["counts"].agg(lambda values: bool(np.all(values)))
    return frozenset(seen.index[seen])
