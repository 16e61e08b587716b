"""What a comparison is asked beside its verdicts: is it steady, is it ordered, does it stand?

`checks_of` makes the drift chart, the order of the woods, what stands out and what the effects are
without it, the second column beside the wood, and the simulation of this very design. The
sentences and tables made of it are in `trust`, `outliers`, `order` and `beside`.

Function: `checks_of`; `Checks`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib.sheets import Study
from studylib.sheets.study import recording_order
from studylib.stats import drift, outliers, scales, without
from studylib.stats.compare import Comparison
from studylib.stats.own_design import OwnDesign, own_design
from studylib.stats.second_factor import COLUMNS as BESIDE_COLUMNS
from studylib.stats.second_factor import SecondFactor, second_factor
from studylib.stats.units import MOUNT

OWN_COLUMNS = (
    *("feature", "wood_a", "wood_b", "alike", "own_spreads", "at_limit", "same", "seen", "unit"),
    "runs",
)


@dataclass(frozen=True)
class Checks:
    """Beside the verdicts.

    own : feature -> error rates and power of this design.
    outliers, mandel, without : see stats.outliers and stats.without.  looks : tests for outliers.
    chart, trends, order : see stats.drift.
    takes : feature, batch, number, started, y: takes of the compared boards that were mounted more
        than once in a batch, less the board's own mean there.
    beside : the second column, None where study.toml names none.
    """

    own: dict[str, OwnDesign]
    outliers: pd.DataFrame
    looks: int
    mandel: pd.DataFrame
    without: pd.DataFrame
    chart: pd.DataFrame
    trends: pd.DataFrame
    order: drift.OrderOfWoods
    takes: pd.DataFrame
    beside: SecondFactor | None

    @property
    def beside_rows(self) -> pd.DataFrame:
        """The table of the second column, empty without one."""
        if self.beside is None:
            return pd.DataFrame(columns=list(BESIDE_COLUMNS))
        return self.beside.table


def checks_of(study: Study, comparison: Comparison) -> Checks:
    """Everything that is asked of one comparison; the primary features only."""
    workings = comparison.workings
    features = workings.usable
    order = recording_order(study.takes)
    mounts = workings.all_mounts[workings.all_mounts["feature"].isin(features)]
    mounts = mounts.drop(columns="place", errors="ignore")  # that of the order is taken
    references = [s.specimen for s in study.specimens if s.role == "reference"]
    found = outliers.find_outliers(workings.samples, features)
    boards = study.specimen_table()
    boards = boards[boards["role"] == ""]
    confidence = workings.confidence
    return Checks(
        own=_own(comparison),
        outliers=found,
        looks=outliers.looks(workings.samples, features),
        mandel=outliers.mandel_rows(workings.samples, features),
        without=without.effects_without(workings, found, comparison.effects),
        chart=drift.reference_chart(mounts, order, references=references, confidence=confidence),
        trends=drift.trends(mounts, order, confidence=confidence),
        order=drift.order_of_woods(order, boards),
        takes=_from_own_means(workings.takes[workings.takes["feature"].isin(features)], order),
        beside=_beside(study, comparison, boards),
    )


def _own(comparison: Comparison) -> dict[str, OwnDesign]:
    workings, out = comparison.workings, {}
    for name in workings.compared:
        sample = workings.samples[name]
        limit = workings.limits.get(name)
        found = own_design(
            sample.design.model,
            sample.y,
            limit=None if limit is None else scales.analysis_limit(limit, sample.feature),
            confidence=workings.confidence,
            primary=len(workings.compared),
            same_possible=name in workings.detected,
        )
        if found is not None:
            out[name] = found
    return out


def _from_own_means(takes: pd.DataFrame, order: pd.DataFrame) -> pd.DataFrame:
    placed = takes[takes["state"] == "used"].merge(order, on=MOUNT, how="inner")
    board = placed.groupby(["feature", "specimen", "batch"], sort=False)
    several = board["mount"].transform("nunique") > 1
    inside = placed.groupby(["feature", *MOUNT], sort=False).cumcount()
    placed = placed.assign(
        y=placed["y"] - board["y"].transform("mean"), number=placed["number"] + 0.2 * inside
    )
    return placed.loc[several, ["feature", "batch", "number", "started", "y"]].reset_index(
        drop=True
    )


def _beside(study: Study, comparison: Comparison, boards: pd.DataFrame) -> SecondFactor | None:
    name = study.settings.study.beside
    if not name:
        return None
    return second_factor(comparison.workings, boards, name=name)


def own_rows(checks: Checks, comparison: Comparison) -> pd.DataFrame:
    """Error rates and power of this design by feature and pair; `seen` in dB or percent."""
    rows = []
    for feature, own in checks.own.items():
        sample = comparison.workings.samples[feature]
        woods = sample.design.woods
        for (a, b), seen in own.seen.items():
            shown = scales.reported_difference(seen, sample.feature)
            rows.append(
                (feature, woods[a], woods[b], own.alike, own.own_spreads, own.at_limit[a, b],
                 own.same[a, b], shown, sample.feature.difference_unit, own.runs)
            )  # fmt: skip
    return pd.DataFrame(rows, columns=list(OWN_COLUMNS))


def boards_behind(comparison: Comparison, feature: str, wood: str) -> dict[str, int]:
    """What a sentence about this wood rests on: planks, boards, mounts, takes."""
    takes = comparison.workings.takes
    own = takes[(takes["feature"] == feature) & (takes["wood"] == wood)]
    own = own[np.isfinite(own["y"])]
    mounts = own[MOUNT].drop_duplicates()
    return {
        "planks": int(own["source"].nunique()),
        "boards": int(own["specimen"].nunique()),
        "mounts": len(mounts),
        "takes": len(own),
    }
