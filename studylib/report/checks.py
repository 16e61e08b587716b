"""What a comparison is asked beside its verdicts: is it steady, is it ordered, does it stand?

`checks_of` makes the drift chart, the order of the woods, what stands out and what the effects are
without it, and the simulation of this very design. The other functions put that into notes and
tables for the reader; nothing here changes a verdict.

Functions: `checks_of`, `own_rows`, `boards_behind`; `order_notes`, `drift_notes`, `trends_table`,
`places_table`; `outlier_notes`, `outliers_table`, `left_out_table`.
Class: `Checks`.
"""

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import register, sheets, tables
from studylib.codes import holding, note
from studylib.codes.comparison import StandsOut
from studylib.sheets.study import recording_order
from studylib.stats import compare, drift, outliers, power, scales, units
from studylib.words.numbers import fixed, rounded, with_sign

_LEVELS = {
    "source": "outliers.source", "specimen": "outliers.specimen",
    "mount": "outliers.mount", "take": "outliers.take",
}  # fmt: skip


@dataclass(frozen=True)
class Checks:
    """Beside the verdicts.

    own : feature -> error rates and power of this design.
    outliers, left_out : see stats.outliers.  tests : their number.
    chart, trends, order : see stats.drift.  steadiness : feature -> what both say together.
    takes : feature, batch, number, started, y: takes of the compared boards that were mounted more
        than once in a batch, less the board's own mean there.
    """

    own: dict[str, power.OwnDesign]
    outliers: pd.DataFrame
    tests: int
    left_out: pd.DataFrame
    chart: pd.DataFrame
    trends: pd.DataFrame
    steadiness: dict[str, drift.Steadiness]
    order: drift.OrderOfWoods
    takes: pd.DataFrame


def checks_of(study: sheets.Study, comparison: compare.Comparison) -> Checks:
    """Everything that is asked of one comparison; the primary features only."""
    workings = comparison.workings
    features, samples = workings.usable, workings.samples
    order = recording_order(study.takes)
    found = outliers.find_outliers(samples, features)
    return Checks(
        own=_own(comparison),
        outliers=found,
        tests=outliers.number_of_tests(samples, features),
        left_out=outliers.leave_one_out(workings, found, comparison.effects),
        chart=workings.chart[workings.chart["feature"].isin(features)].reset_index(drop=True),
        trends=workings.trends[workings.trends["feature"].isin(features)].reset_index(drop=True),
        steadiness={f: s for f, s in workings.caveats.steadiness.items() if f in features},
        order=workings.caveats.order
        or drift.order_of_woods(order, study.specimen_table().query("role == ''")),
        takes=_from_own_means(workings.takes[workings.takes["feature"].isin(features)], order),
    )


def _own(comparison: compare.Comparison) -> dict[str, power.OwnDesign]:
    workings = comparison.workings
    about = {
        "confidence": workings.confidence, "same_level": workings.same_level,
        "primary": len(workings.compared),
    }  # fmt: skip
    found = {
        name: power.own_design(
            sample.design.model,
            sample.y,
            limit=None if limit is None else scales.analysis_limit(limit, sample.feature),
            same_possible=name in workings.detected,
            **about,
        )
        for name in workings.compared
        for sample, limit in [(workings.samples[name], workings.limits.get(name))]
    }
    return {name: own for name, own in found.items() if own is not None}


def _from_own_means(takes: pd.DataFrame, order: pd.DataFrame) -> pd.DataFrame:
    placed = takes[takes["state"] == "used"].merge(order, on=units.MOUNT, how="inner")
    board = placed.groupby(["feature", "specimen", "batch"], sort=False)
    several = board["mount"].transform("nunique") > 1
    inside = placed.groupby(["feature", *units.MOUNT], sort=False).cumcount()
    placed = placed.assign(
        y=placed["y"] - board["y"].transform("mean"), number=placed["number"] + 0.2 * inside
    )
    return placed.loc[several, ["feature", "batch", "number", "started", "y"]].reset_index(
        drop=True
    )


def own_rows(checks: Checks, comparison: compare.Comparison) -> pd.DataFrame:
    """Error rates and power of this design: the table "own_design", `seen` in dB or percent."""
    rows = [
        (
            *(name, sample.design.woods[a], sample.design.woods[b], own.alike, own.own_spreads),
            *(own.at_limit[a, b], own.same[a, b]),
            scales.reported_difference(seen, sample.feature),
            *(sample.feature.difference_unit, own.runs),
        )
        for name, own in checks.own.items()
        for sample in [comparison.workings.samples[name]]
        for (a, b), seen in own.seen.items()
    ]
    return tables.typed("own_design", rows)


def boards_behind(comparison: compare.Comparison, feature: str, wood: str) -> dict[str, int]:
    """What a sentence about this wood rests on: planks, boards, mounts, takes."""
    takes = comparison.workings.takes
    own = takes[(takes["feature"] == feature) & (takes["wood"] == wood) & np.isfinite(takes["y"])]
    return {
        "planks": int(own["source"].nunique()),
        "boards": int(own["specimen"].nunique()),
        "mounts": len(own[units.MOUNT].drop_duplicates()),
        "takes": len(own),
    }


# ------------------------------------------------------------------ order and drift


def order_notes(checks: Checks) -> list[str]:
    """Whether the woods lie apart in the order of recording."""
    order = checks.order
    if not math.isfinite(order.correlation):
        return [note("drift.order_unknown")]
    figures = {"correlation": order.correlation, "p": order.p}
    if not order.confounded:
        return [note("drift.order_mixed", **figures)]
    woods = order.places.sort_values("place")["wood"]
    return [note("drift.order_confounded", **figures, first=woods.iloc[0], last=woods.iloc[-1])]


def drift_notes(checks: Checks) -> list[str]:
    """What the control chart and the trends say, feature by feature."""
    return [
        *holding((checks.chart.empty, note("drift.no_chart"))),
        *(each for found in checks.steadiness.values() for each in found.notes),
    ]


def trends_table(checks: Checks) -> pd.DataFrame:
    """Change from the first take of a batch to the last, from boards mounted several times."""
    rows = [
        (row.feature, row.batch or "all", *with_sign(*ends, known.difference_unit), row.df)
        for row in checks.trends.itertuples()
        for known in [register.find(row.feature)]
        for ends in [
            [scales.reported_difference(v, known) for v in (row.change, row.low, row.high)]
        ]
    ]
    return pd.DataFrame(
        rows, columns=["feature", "batch", "drift.h_change", "interval", "drift.h_df"]
    )


def places_table(checks: Checks) -> pd.DataFrame:
    """Mean place of each wood's boards in the order of their batch, 0 first to 1 last."""
    places = checks.order.places.rename(columns={"place": "mean place"})
    return places.assign(**{"mean place": places["mean place"].map(lambda place: fixed(place, 2))})


# ------------------------------------------------------------------ what stands out


def outlier_notes(checks: Checks) -> list[str]:
    """How many tests were made, what stands out, and what that asks for."""
    if not checks.tests:
        return [note("outliers.too_few")]
    found, changed = checks.outliers, checks.left_out[checks.left_out["changes"]]
    number, strong = len(found), int((found["verdict"] == StandsOut.OUTLIER).sum())
    names = ["wood_a", "wood_b", "verdict", "verdict_without"]
    return [
        note("outliers.tests", tests=checks.tests, expected=0.05 * checks.tests, found=number),
        *holding(
            (not number, note("outliers.nothing")),
            (number, note("outliers.found", items=number, outliers=strong)),
        ),
        *filter(None, found["says"]),
        *holding((number and changed.empty, note("outliers.no_change"))),
        *(
            note(
                "outliers.changes", feature=feature, item=item, pairs=own[names].to_dict("records")
            )
            for (feature, item), own in changed.groupby(["feature", "without"], sort=False)
        ),
    ]


def outliers_table(checks: Checks) -> pd.DataFrame:
    """What stands out: level, item, test, statistic against its 5 % and 1 % points."""
    columns = ["feature", "what", "wood", "level", "test", "statistic", "outliers.h_5"]
    rows = [
        (row.feature, row.item, row.wood, _LEVELS[row.level], row.test,
         *map(rounded, (row.statistic, row.critical, row.critical_1)), row.verdict)
        for row in checks.outliers.itertuples()
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=[*columns, "outliers.h_1", "verdict"])


def left_out_table(checks: Checks) -> pd.DataFrame:
    """Effects with and without each item that stands out, side by side."""
    columns = ["feature", "pair", "with all", "verdict", "left out", "without it"]
    rows = [
        (
            *(row.feature, f"{row.wood_b} minus {row.wood_a}", "{} ({})".format(*with_all)),
            *(row.verdict, row.without, "{} ({})".format(*without), row.verdict_without),
        )
        for row in checks.left_out.itertuples()
        for with_all in [with_sign(row.difference, row.low, row.high, row.unit)]
        for ends in [(row.difference_without, row.low_without, row.high_without)]
        for without in [with_sign(*ends, row.unit)]
    ]
    return pd.DataFrame(rows, columns=[*columns, "outliers.h_verdict"])
