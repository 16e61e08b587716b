"""Drift and order: the reference over the run, every board over the run, and woods in the order.

    reference chart  mounts of the reference specimens in the order of recording, with limits that
                     hold for all its points together (Student, Bonferroni), from the spread
                     between mounts of one other board in one batch: a chart for single values
                     (ISO 7870-2) whose spread comes from elsewhere, as the reference alone has too
                     few points.
    trend            the change from the first take of a batch to the last, by least squares on the
                     mounts, each board in each batch with a level of its own: boards mounted at
                     several times of one session carry it. Student's interval.
    order of woods   how far the woods' boards lie apart in the order of recording: the correlation
                     ratio of the boards' mean places on wood (for two woods the point-biserial
                     correlation), with the F test over boards.

On the scale of analysis (dB or natural logarithm). Nothing is corrected here; a comparison takes a
drift out only where the study asks for it (`samples`: the places as a column of the model).

Functions: `reference_chart`, `trends`, `order_of_woods`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from studylib import tables
from studylib.stats.boards import mount_cells
from studylib.stats.units import MOUNT


@dataclass(frozen=True)
class OrderOfWoods:
    """Where the woods' boards lie in the order.

    places : wood, boards, place (mean over boards, 0 first and 1 last; from the middle of what was
        measured in the same batch).
    correlation : 0 to 1, NaN where it cannot be told; p : of the F test over boards.
    """

    places: pd.DataFrame
    correlation: float
    p: float

    @property
    def confounded(self) -> bool:
        """Whether the woods lie farther apart in the order than boards dealt at random would."""
        return bool(self.p <= 0.05)


def reference_chart(
    mounts: pd.DataFrame, order: pd.DataFrame, *, references: Iterable[str], confidence: float
) -> pd.DataFrame:
    """The table "reference_chart", in the order of recording.

    Parameters
    ----------
    mounts : of all specimens: feature, specimen, batch, mount, y.
    order : from `sheets.study.recording_order`.
    """
    names = list(references)
    rows = []
    placed = mounts.merge(order, on=MOUNT, how="inner").sort_values("number", kind="stable")
    for feature, own in placed.groupby("feature", sort=False):
        others = own[~own["specimen"].isin(names)]
        cells = mount_cells(others) if len(others) else None
        for name in names:
            points = own[own["specimen"] == name]
            if points.empty:
                continue
            centre, half = float(points["y"].mean()), float("nan")
            n = len(points)
            if cells is not None and cells.df >= 1 and n >= 2:
                t = special.stdtrit(cells.df, 1 - (1 - confidence) / (2 * n))
                half = float(t * np.sqrt(cells.variance * (1 - 1 / n)))
            for point in points.itertuples():
                rows.append(
                    (feature, name, point.batch, point.mount, point.number, point.started, point.y,
                     centre, centre - half, centre + half, bool(abs(point.y - centre) > half))
                )  # fmt: skip
    return pd.DataFrame(rows, columns=tables.TABLES["reference_chart"].names)


def trends(mounts: pd.DataFrame, order: pd.DataFrame, *, confidence: float) -> pd.DataFrame:
    """Change over a batch: the table "trends", every batch, then all together (batch "").

    clear : the interval lies clear of zero (all batches of a feature: for that row alone).
    """
    rows = []
    placed = mounts.merge(order, on=MOUNT, how="inner")
    for feature, own in placed.groupby("feature", sort=False):
        batches = own.sort_values("number")["batch"].unique()
        for batch in [*(batches if len(batches) > 1 else ()), ""]:
            part = own if batch == "" else own[own["batch"] == batch]
            rows.append((feature, batch, *_slope(part, confidence)))
    return tables.typed("trends", rows)


def _slope(part: pd.DataFrame, confidence: float) -> tuple[float, float, float, int, bool]:
    groups = part.groupby(["specimen", "batch"], sort=False)
    x = (part["place"] - groups["place"].transform("mean")).to_numpy()
    y = (part["y"] - groups["y"].transform("mean")).to_numpy()
    df, square = len(part) - groups.ngroups - 1, float(x @ x)
    if df < 1 or square < 1e-12:
        return float("nan"), float("nan"), float("nan"), max(df, 0), False
    slope = float(x @ y / square)
    variance = float(np.sum((y - slope * x) ** 2) / df)
    half = special.stdtrit(df, 0.5 + confidence / 2) * np.sqrt(variance / square)
    return slope, slope - half, slope + half, df, bool(abs(slope) > half)


def order_of_woods(order: pd.DataFrame, boards: pd.DataFrame) -> OrderOfWoods:
    """How wood and order go together.

    Parameters
    ----------
    order : from `sheets.study.recording_order`.
    boards : specimens under comparison: specimen, wood.
    """
    wood = dict(zip(boards["specimen"], boards["wood"], strict=True))
    own = order[order["specimen"].isin(list(wood))]
    middle = own["place"] - own.groupby("batch")["place"].transform("mean")
    place = middle.groupby(own["specimen"], sort=False).mean()
    table = pd.DataFrame({"wood": [wood[name] for name in place.index], "place": place.to_numpy()})
    groups = table.groupby("wood", sort=False)["place"]
    places = groups.agg(boards="size", place="mean").reset_index()
    places["place"] += float(own["place"].mean()) if len(own) else 0.0
    k, n = len(places), len(table)
    total = float(np.sum((table["place"] - table["place"].mean()) ** 2))
    if k < 2 or n <= k or total < 1e-12:
        return OrderOfWoods(places, float("nan"), float("nan"))
    within = float(np.sum((table["place"] - groups.transform("mean")) ** 2))
    ratio = 1.0 - within / total
    f = (total - within) / (k - 1) / max(within / (n - k), 1e-300)
    p = float(special.fdtrc(k - 1, n - k, f))
    return OrderOfWoods(places, float(np.sqrt(max(ratio, 0.0))), p)
