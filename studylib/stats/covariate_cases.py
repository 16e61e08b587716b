"""One feature and one covariate made ready: sources, model, points and lines.

A board without the covariate is left out before anything is averaged, so that both comparisons
rest on the same boards. Boards are averaged within their source, unweighted; a wood is compared
from `SMALLEST` sources up. Batch is a block under the same rule as everywhere (stats/blocks.py).

Functions: `board_means`, `build_case`, `within_sd`, `overlap`, `case_points`, `case_lines`; `Case`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from studylib.register import Feature
from studylib.stats import scales
from studylib.stats.ancova import CovariateFit, fit_covariate
from studylib.stats.blocks import WoodModel, has_block, wood_model

SMALLEST = 3
LARGEST = 700.0
"""exp() of more than this is no number any more."""
_LINE_POINTS = 15


@dataclass(frozen=True)
class Case:
    """One feature and covariate: its sources, and those of them that are compared."""

    feature: Feature
    covariate: str
    units: pd.DataFrame  # wood, source, x, y
    compared: tuple[str, ...]
    inside: pd.DataFrame  # units of the woods that are compared
    model: WoodModel | None
    complete: bool
    fit: CovariateFit | None
    left_out: int


def board_means(mounts: pd.DataFrame, feature: Feature) -> pd.DataFrame:
    """wood, source, specimen, y and one column a batch: the part of the mean measured there."""
    y = scales.analysis_values(mounts["value"].to_numpy(float), np.full(len(mounts), feature.scale))
    batches = pd.get_dummies(mounts["batch"], dtype=float).add_prefix("batch ")
    rows = pd.concat([mounts[["wood", "source", "specimen"]].assign(y=y), batches], axis=1)
    return rows.groupby(["wood", "source", "specimen"], sort=True).mean().reset_index()


def build_case(
    feature: Feature, covariate: str, boards: pd.DataFrame, x: pd.Series, woods: Sequence[str]
) -> Case:
    """Sources, their covariate, and the model of the woods that have enough of them.

    Parameters
    ----------
    boards : from `board_means`.
    x : the covariate of each specimen, NaN where it is not known.
    woods : in the order of the tables.
    """
    boards = boards.assign(x=boards["specimen"].map(x))
    known = boards[boards["x"].notna()]
    units = known.drop(columns="specimen").groupby(["wood", "source"], sort=True).mean()
    units = units.reset_index()
    rank = pd.Index(woods).get_indexer(units["wood"])
    units = units.iloc[np.argsort(rank, kind="stable")].reset_index(drop=True)
    counts = units["wood"].value_counts()
    compared = tuple(wood for wood in woods if counts.get(wood, 0) >= SMALLEST)
    inside = units[units["wood"].isin(list(compared))].reset_index(drop=True)
    model, fit, complete = None, None, True
    if len(compared) > 1:
        group = pd.Index(compared).get_indexer(inside["wood"])
        shares = inside[[c for c in inside.columns if c.startswith("batch ")]].to_numpy(float)
        shares = shares[:, shares.sum(axis=0) > 0]
        block = has_block(group, shares)
        model = wood_model(group, shares, block=block)
        complete = (shares.shape[1] < 2 or block) and not model.dropped
        fit = fit_covariate(model, inside["y"].to_numpy(float), inside["x"].to_numpy(float))
    return Case(
        *(feature, covariate, units, compared, inside, model, complete, fit),
        left_out=len(boards) - len(known),
    )


def within_sd(units: pd.DataFrame) -> float:
    """Spread of the covariate between the sources of one wood, pooled over the woods."""
    grouped = units.groupby("wood")["x"]
    squares = float(((units["x"] - grouped.transform("mean")) ** 2).sum())
    return math.sqrt(squares / (len(units) - grouped.ngroups))


def overlap(units: pd.DataFrame, wood_a: str, wood_b: str) -> float:
    """Part of the sources of two woods inside the range of x that both share; NaN without any."""
    a, b = (units.loc[units["wood"] == wood, "x"] for wood in (wood_a, wood_b))
    if a.empty or b.empty:
        return float("nan")
    low, high = max(a.min(), b.min()), min(a.max(), b.max())
    return float((a.between(low, high).sum() + b.between(low, high).sum()) / (len(a) + len(b)))


def case_points(case: Case) -> pd.DataFrame:
    """feature, covariate, wood, source, x, value: the sources, batch effects taken off."""
    units = case.units.copy()
    if case.fit is not None:
        units.loc[units["wood"].isin(list(case.compared)), "y"] = case.fit.shown()
    value = scales.reported_values(units["y"], case.feature)
    return units.assign(feature=case.feature.name, covariate=case.covariate, value=value)


def case_lines(case: Case, confidence: float) -> list[pd.DataFrame]:
    """One frame a compared wood: its line over the range of its own sources, with interval."""
    if case.fit is None:
        return []
    out = []
    for number, wood in enumerate(case.compared):
        own = case.inside.loc[case.inside["wood"] == wood, "x"]
        x = np.linspace(own.min(), own.max(), _LINE_POINTS)
        mean, se = case.fit.line(number, x)
        half = special.stdtrit(case.fit.df, 0.5 + confidence / 2) * se
        ends = {"value": mean, "low": mean - half, "high": mean + half}
        ends = {
            key: scales.reported_values(pd.Series(y).clip(upper=LARGEST), case.feature)
            for key, y in ends.items()
        }
        names = {"feature": case.feature.name, "covariate": case.covariate, "wood": wood}
        out.append(pd.DataFrame({"x": x, **ends}).assign(**names))
    return out
