"""The bench over the run: a control chart of the reference, with the other boards beside it.

What it shows: one panel a primary feature, mounts in the order of recording. The reference as
filled marks joined by a line, against its mean and the limits that hold for all its points
together; takes of every other board that was mounted more than once in a batch as small grey marks,
each less the board's own mean in that batch. A dotted line stands between batches, whose names and
times stand above. Outside the limits a mark is ringed.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.figures.style import (
    BLUE,
    GREY,
    PALE,
    VERMILION,
    empty_figure,
    new_figure,
    quantity,
    settle,
    styled,
    wrapped,
)
from studylib.register import Feature
from studylib.words import feature as feature_words
from studylib.words.text import in_short


@styled
def drift_figure(
    chart: pd.DataFrame,
    others: pd.DataFrame,
    features: list[Feature],
    *,
    size: tuple[float, float] | None = None,
) -> Figure:
    """The control chart.

    Parameters
    ----------
    chart : from `stats.drift.reference_chart`.
    others : feature, batch, number, started, y of the other boards' takes, y less the board's own
        mean in its batch, on the scale of analysis.
    features : one panel each.
    """
    if chart.empty and others.empty:
        return empty_figure(
            "Nothing was mounted twice in a batch and there is no reference, so drift cannot be "
            "drawn.",
            size,
        )
    figure = new_figure(size, 1.0 + 2.0 * len(features))
    panels = figure.subplots(len(features), 1, sharex=True, squeeze=False).ravel()
    for axes, feature in zip(panels, features, strict=True):
        own = others[others["feature"] == feature.name]
        _panel(axes, chart[chart["feature"] == feature.name], own, feature)
    _name_batches(panels[0], pd.concat([chart, others]))
    panels[-1].set_xlabel("mounts in the order of recording")
    figure.supxlabel(
        "line and filled marks: the reference, with its limits; ringed: outside them\n"
        "small grey marks: takes of other boards, each from its board's mean in its batch",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _name_batches(axes: Axes, rows: pd.DataFrame) -> None:
    """Each batch with the times of its first and last mount, at the top of the first panel."""
    for batch, own in rows.groupby("batch", sort=False):
        started = pd.to_datetime(own["started"]).dropna()
        times = f": {started.min():%H:%M} to {started.max():%H:%M}" if len(started) else ""
        axes.text(
            own["number"].min() - 0.4,
            0.98,
            f"{wrapped(batch, 14, lines=1)}{times}",
            transform=axes.get_xaxis_transform(),
            fontsize=8,
            color=GREY,
            verticalalignment="top",
        )


def _panel(axes: Axes, chart: pd.DataFrame, others: pd.DataFrame, feature: Feature) -> None:
    factor = 100.0 if feature.scale == "log" else 1.0  # small logarithms read as percent
    axes.plot(others["number"], factor * others["y"], "o", color=GREY, markersize=2.5, alpha=0.7)
    axes.axhline(0, color=GREY, linewidth=0.8)
    for _, own in chart.groupby("specimen", sort=False):
        y = factor * (own["y"] - own["centre"])
        half = float(factor * (own["high"] - own["centre"]).iloc[0])
        if np.isfinite(half):
            axes.axhspan(-half, half, color=PALE, linewidth=0, zorder=0)
        axes.plot(own["number"], y, "-o", color=BLUE, markersize=5, linewidth=1.0)
        out = own["outside"].to_numpy(dtype=bool)
        axes.plot(own["number"][out], y[out], "o", color=VERMILION, markersize=11,
                  markerfacecolor="none", markeredgewidth=1.4)  # fmt: skip
    both = pd.concat([chart[["batch", "number"]], others[["batch", "number"]]])
    starts = sorted(both.groupby("batch", sort=False)["number"].min())
    for start in starts[1:]:
        axes.axvline(start - 0.5, color=GREY, linewidth=0.8, linestyle=":")
    axes.set_title(wrapped(in_short(feature_words(feature.name)), 100, lines=1), fontsize=9.5)
    axes.set_ylabel(quantity("from the mean", feature.difference_unit))
    axes.grid(axis="y")
    axes.margins(y=0.18)
