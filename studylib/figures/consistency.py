"""Mandel's h and k: how each board lies among its wood, and how well its mounts agree.

What it shows: one column a primary feature. Above, h of every source (its distance from its wood's
mean, in standard deviations of the wood's sources); below, k (the spread of its mounts over the
pooled one). Dashed and solid lines are the 5 % and 1 % points of ISO 5725-2.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.figures.style import (
    GREY,
    empty_figure,
    legend_label,
    looks,
    new_figure,
    settle,
    styled,
    wrapped,
)
from studylib.register import Feature
from studylib.words import feature as feature_words
from studylib.words.text import in_short


@styled
def consistency_figure(
    mandel: pd.DataFrame,
    features: list[Feature],
    woods: tuple[str, ...],
    *,
    size: tuple[float, float] | None = None,
) -> Figure:
    """h and k of `stats.outliers.mandel_rows`, a column for each feature."""
    names = {feature.name for feature in features}
    drawn = mandel[mandel["feature"].isin(names) & (mandel["h"].notna() | mandel["k"].notna())]
    if drawn.empty:
        return empty_figure(
            "With fewer than three sources of each wood and one mount of each board, none can be "
            "held against the others.",
            size,
        )
    figure = new_figure(size, 5.2)
    panels = figure.subplots(2, len(features), squeeze=False, sharey="row")
    look = looks(woods)
    for column, feature in enumerate(features):
        own = drawn[drawn["feature"] == feature.name]
        for line, name in enumerate(("h", "k")):
            axes = panels[line, column]
            _points(axes, own, name, look, woods)
            if column == 0:
                axes.set_ylabel(f"Mandel's {name}")
        panels[0, column].set_title(
            wrapped(in_short(feature_words(feature.name)), 96 // len(features), lines=2),
            fontsize=9.5,
        )
    for wood in woods:
        label = legend_label(wood, 22)
        panels[0, 0].plot([], [], look[wood].marker, color=look[wood].colour, label=label)
    figure.legend(
        *panels[0, 0].get_legend_handles_labels(),
        loc="outside upper center",
        ncols=min(len(woods), 4),
    )
    figure.supxlabel(
        "one mark a source (plank); dashed: 5 % point, solid: 1 % point (ISO 5725-2)",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _points(axes: Axes, own: pd.DataFrame, name: str, look, woods) -> None:
    place = 0
    for wood in woods:
        rows = own[own["wood"] == wood]
        x = np.arange(place, place + len(rows))
        axes.vlines(x, 0, rows[name], color=look[wood].colour, linewidth=1.0)
        axes.plot(x, rows[name], look[wood].marker, color=look[wood].colour, markersize=5)
        for end, style in ((f"{name}_5", "--"), (f"{name}_1", "-")):
            if len(rows) and np.isfinite(rows[end].iloc[0]):
                for sign in (1, -1) if name == "h" else (1,):
                    axes.hlines(sign * rows[end].iloc[0], x[0] - 0.5, x[-1] + 0.5, color=GREY,
                                linewidth=0.9, linestyle=style)  # fmt: skip
        place += len(rows)
    axes.axhline(0, color=GREY, linewidth=0.8)
    axes.set_xticks([])
