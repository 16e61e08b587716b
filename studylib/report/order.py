"""Drift and order in words and tables.

Functions: `order_sentences`, `drift_sentences`, `trends_table`, `places_table`.
"""

from __future__ import annotations

import math

import pandas as pd

from studylib.report.summary import Summary
from studylib.stats import scales
from studylib.words.numbers import between, counted, signed
from studylib.words.text import listed


def order_sentences(summary: Summary) -> list[str]:
    """Whether the woods lie apart in the order of recording."""
    order = summary.checks.order
    if not math.isfinite(order.correlation):
        return [
            "Whether wood and order go together cannot be told: there are too few boards, or no "
            "order."
        ]
    figure = f"correlation {order.correlation:.2f}, p {order.p:.2g} for boards dealt at random"
    if not order.confounded:
        return [f"The woods lie mixed in the order of recording ({figure})."]
    rows = order.places.sort_values("place")
    first, last = rows["wood"].iloc[0], rows["wood"].iloc[-1]
    said = (
        f"Order and wood are confounded ({figure}): boards of {first} were recorded mostly early, "
        f"of {last} mostly late in their batch. A bench that drifts makes a difference between "
        "them. Record the next study in a mixed order (study plan writes one)."
    )
    return [said]


def drift_sentences(summary: Summary) -> list[str]:
    """What the control chart and the trends say, feature by feature."""
    checks, said = summary.checks, []
    chart = checks.chart
    if chart.empty:
        said.append(
            "There is no control chart: no reference specimen was measured. Mount one board with "
            "the role reference at the start, in the middle and at the end of each batch."
        )
    for (feature, specimen), own in chart.groupby(["feature", "specimen"], sort=False):
        out = own[own["outside"]]
        known = own["high"].notna().all()
        what = f"{feature}: {counted(len(own), 'mount')} of {specimen}"
        if not known:
            said.append(f"{what}, no limits, because nothing else was mounted twice in a batch.")
        elif out.empty:
            said.append(f"{what}, all inside the limits.")
        else:
            which = listed(f"mount {r.mount} ({r.batch})" for r in out.itertuples())
            said.append(
                f"{what}, outside the limits: {which}. The bench changed or that mounting was "
                "unlike the others; differences between boards as small as that are not safe."
            )
    left = "It is not corrected; take_out_drift = true under [decide] takes it out, and is marked."
    if summary.study.settings.decide.take_out_drift:
        left = "It is taken out of the effects, because study.toml asks for it (take_out_drift)."
    clear = checks.trends[(checks.trends["batch"] == "") & checks.trends["clear"]]
    for row in clear.itertuples():
        known = summary.describe(row.feature)
        ends = (scales.reported_difference(v, known) for v in (row.change, row.low, row.high))
        change, low, high = ends
        said.append(
            f"{row.feature} drifts over a batch by {signed(change, low, high)} "
            f"{known.difference_unit} ({between(low, high, known.difference_unit)}). Where the "
            f"woods are mixed in the order it widens the intervals and favours none. {left}"
        )
    if clear.empty and checks.trends["change"].notna().any():
        said.append("No primary feature drifts over a batch beyond what mounts differ by chance.")
    return said


def trends_table(summary: Summary) -> pd.DataFrame:
    """Change from the first take of a batch to the last, from boards mounted several times."""
    rows = []
    for row in summary.checks.trends.itertuples():
        known = summary.describe(row.feature)
        unit = known.difference_unit
        change, low, high = (
            scales.reported_difference(v, known) for v in (row.change, row.low, row.high)
        )
        rows.append(
            {
                "feature": row.feature,
                "batch": row.batch or "all",
                "change over the batch": f"{signed(change, low, high)} {unit}",
                "interval": between(low, high, unit),
                "degrees of freedom": row.df,
            }
        )
    columns = ["feature", "batch", "change over the batch", "interval", "degrees of freedom"]
    return pd.DataFrame(rows, columns=columns)


def places_table(summary: Summary) -> pd.DataFrame:
    """Mean place of each wood's boards in the order of their batch, 0 first to 1 last."""
    places = summary.checks.order.places
    return pd.DataFrame(
        {
            "wood": places["wood"],
            "boards": places["boards"],
            "mean place": [f"{place:.2f}" for place in places["place"]],
        }
    )
