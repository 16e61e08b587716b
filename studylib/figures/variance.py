"""Where the spread comes from: wood, source, board, mount, take.

What it shows: for each primary feature, on the left the share of the variance of each level as
one stacked bar; on the right the standard deviation of each level with its interval, in the
unit of the comparison. A share without its interval would look more certain than it is.
"""

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from studylib import register
from studylib.figures.style import (
    ABOVE,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PURPLE,
    SKY,
    empty_figure,
    new_figure,
    quantity,
    settle,
    styled,
    wrapped,
)
from studylib.register import Feature
from studylib.stats.scales import reported_sd
from studylib.words import feature as in_plain_words
from studylib.words import say
from studylib.words.numbers import percent
from studylib.words.text import in_short

LEVELS = ("wood", "source", "specimen", "mount", "take")
WORDS = {"specimen": "board"}
# Colour, marker and hatching: the bar must be readable in grey as well.
LEVEL_STYLE = {
    "wood": (BLUE, "o", ""),
    "source": (PURPLE, "P", "xx"),
    "specimen": (ORANGE, "s", "//"),
    "mount": (GREEN, "^", ".."),
    "take": (SKY, "D", "\\\\"),
}


@styled
def variance_figure(variance: pd.DataFrame, *, size: tuple[float, float] | None = None) -> Figure:
    """Share of variance and standard deviation of each level, a line for each feature.

    Parameters
    ----------
    variance : rows of the table `variance`, as a rule those of the primary features.
    size : inches; None takes the page's width.

    Returns
    -------
    The figure; where nothing can be drawn, one that says so.
    """
    if variance.empty:
        return empty_figure(say("figures_effects.no_spread"), size)
    features = list(dict.fromkeys(variance["feature"]))
    figure = new_figure(size, 1.0 + 1.25 * max(len(features), 2))
    grid = figure.subplots(len(features), 2, squeeze=False, width_ratios=(1.25, 1))
    for number, (feature, (left, right)) in enumerate(zip(features, grid, strict=True)):
        rows = variance[variance["feature"] == feature].set_index("level")
        rows = rows.loc[[level for level in LEVELS if level in rows.index]]
        _shares(
            left, rows, wrapped(in_short(in_plain_words(feature)), 60), number == len(features) - 1
        )
        _spreads(right, rows, register.find(feature))
    shown = [level for level in LEVELS if level in set(variance["level"])]
    figure.legend(
        handles=[
            Patch(
                facecolor=LEVEL_STYLE[v][0],
                hatch=LEVEL_STYLE[v][2],
                edgecolor="white",
                label=WORDS.get(v, v),
            )
            for v in shown
        ],
        loc=ABOVE,
        ncols=len(shown),
    )
    return settle(figure)


def _shares(axes: Axes, rows: pd.DataFrame, title: str, last: bool) -> None:
    start = 0.0
    for level, row in rows.iterrows():
        share = 100 * row["share"] if np.isfinite(row["share"]) else 0.0
        colour, _, hatch = LEVEL_STYLE[level]
        axes.barh(
            0,
            share,
            left=start,
            height=0.6,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            linewidth=0.8,
        )
        if share >= 7:
            axes.text(
                start + share / 2,
                0,
                percent(row["share"]),
                ha="center",
                va="center",
                fontsize=9,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
            )
        start += share
    axes.set(xlim=(0, 100), ylim=(-0.5, 0.5), yticks=[])
    axes.spines["left"].set_visible(False)
    axes.set_title(title, fontsize=9.5)
    if last:
        axes.set_xlabel(say("figures_effects.share"))


def _spreads(axes: Axes, rows: pd.DataFrame, feature: Feature) -> None:
    for place, (level, row) in enumerate(rows.iterrows()):
        colour, marker, _ = LEVEL_STYLE[level]
        sd, low, high = (
            reported_sd(row[column], feature) for column in ("variance", "low", "high")
        )
        if np.isfinite(low) and np.isfinite(high):
            axes.hlines(place, low, high, color=colour, linewidth=1.8)
        axes.plot(
            sd,
            place,
            marker,
            color=colour,
            markersize=6.5,
            clip_on=False,
            markeredgecolor="white",
            markeredgewidth=0.5,
        )
    axes.set_yticks(range(len(rows)), [WORDS.get(v, v) for v in rows.index], fontsize=8)
    axes.set_ylim(len(rows) - 0.5, -0.5)
    axes.set_xlim(left=0)
    axes.grid(axis="x")
    axes.tick_params(axis="y", length=0)
    axes.set_xlabel(
        quantity(say("figures_effects.sd"), feature.difference_unit), fontsize=9, color=GREY
    )
