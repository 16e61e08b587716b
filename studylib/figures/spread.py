"""Is the bench steady, and where does the spread come from?

`drift_figure`, the control chart: one panel a primary feature, mounts in the order of recording.
The reference as filled marks joined by a line, against its mean and the limits that hold for all
its points together; takes of every other board that was mounted more than once in a batch as small
grey marks, each less the board's own mean in that batch. A dotted line stands between batches,
whose names and times stand above. Outside the limits a mark is ringed.

`variance_figure`, wood, source, board, mount, take: for each primary feature, on the left the share
of the variance of each level as one stacked bar; on the right the standard deviation of each level
with its interval, in the unit of the comparison. A share without its interval would look more
certain than it is."""

from collections.abc import Collection

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch

from studylib import codes, register
from studylib.figures.style import (
    ABOVE,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PALE,
    PURPLE,
    SKY,
    VERMILION,
    dress,
    empty_figure,
    panelled,
    quantity,
    settle,
    styled,
    wrapped,
)
from studylib.stats.scales import reported_sd
from studylib.words import feature as in_plain_words
from studylib.words import numbers, say, text

MOST_BATCHES = 8  # that are named


@styled
def drift_figure(
    chart: pd.DataFrame,
    others: pd.DataFrame,
    features: list[register.Feature],
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

    Returns
    -------
    The figure, open.
    """
    if chart.empty and others.empty:
        return empty_figure(say("drift.nothing_to_draw"), size)
    figure, panels = panelled(size, 1.0 + 2.0 * len(features), len(features), sharex=True)
    for axes, feature in zip(panels.flat, features, strict=True):
        _panel(
            axes,
            chart[chart["feature"] == feature.name],
            others[others["feature"] == feature.name],
            feature,
        )
    _name_batches(panels[0, 0], pd.concat([chart, others]))
    panels[-1, 0].set_xlabel(say("drift.axis"))
    figure.supylabel(say("drift.from_mean"), fontsize=10)
    return settle(
        figure,
        codes.note(
            "figures_headlines.reference",
            measured=not chart.empty, known=bool(np.isfinite(chart["high"]).any()),
            outside=list(dict.fromkeys(chart.loc[chart["outside"].astype(bool), "feature"])),
        ),
        f"{say('drift.note_reference')}\n{say('drift.note_others')}",
    )  # fmt: skip


def _name_batches(axes: Axes, rows: pd.DataFrame) -> None:
    """Each batch with the times of its first and last mount, at the top of the first panel; of many
    every second, third, ... so that no name lies on the next."""
    batches = list(rows.groupby("batch", sort=False))
    for batch, own in batches[:: max(-(-len(batches) // MOST_BATCHES), 1)]:
        started = pd.to_datetime(own["started"]).dropna()
        name = wrapped(batch, 14, lines=1)
        if len(started):
            name = say(
                "drift.batch_times", batch=name,
                start=f"{started.min():%H:%M}", end=f"{started.max():%H:%M}",
            )  # fmt: skip
        axes.text(
            own["number"].min() - 0.4,
            0.98,
            name,
            transform=axes.get_xaxis_transform(),
            fontsize=8,
            color=GREY,
            verticalalignment="top",
        )


def _panel(
    axes: Axes, chart: pd.DataFrame, others: pd.DataFrame, feature: register.Feature
) -> None:
    factor = 100.0 if feature.scale == "log" else 1.0  # small logarithms read as percent
    axes.plot(others["number"], factor * others["y"], "o", color=GREY, markersize=2.5, alpha=0.7)
    axes.axhline(0, color=GREY, linewidth=0.8)
    for _, own in chart.groupby("specimen", sort=False):
        y = factor * (own["y"] - own["centre"])
        half = float(factor * (own["high"] - own["centre"]).max())
        if np.isfinite(half):
            axes.axhspan(-half, half, color=PALE, linewidth=0, zorder=0)
        axes.plot(own["number"], y, "-o", color=BLUE, markersize=5, linewidth=1.0)
        out = own["outside"].to_numpy(dtype=bool)
        axes.plot(own["number"][out], y[out], "o", color=VERMILION, markersize=11,
                  markerfacecolor="none", markeredgewidth=1.4)  # fmt: skip
    both = pd.concat([chart[["batch", "number"]], others[["batch", "number"]]])
    for start in sorted(both.groupby("batch", sort=False)["number"].min())[1:]:
        axes.axvline(start - 0.5, color=GREY, linewidth=0.8, linestyle=":")
    dress(
        axes, grid="y", title=wrapped(text.in_short(in_plain_words(feature.name)), 100, lines=1),
        ylabel=feature.difference_unit, ymargin=0.18,
    )  # fmt: skip


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
def variance_figure(
    variance: pd.DataFrame,
    *,
    declared: Collection[str] = (),
    size: tuple[float, float] | None = None,
) -> Figure:
    """Share of variance and standard deviation of each level, a line for each feature.

    Parameters
    ----------
    variance : rows of the table `variance`, as a rule those of the primary features.
    declared : the features on which woods differ, which the headline may say.
    size : inches; None takes the page's width.

    Returns
    -------
    The figure; where nothing can be drawn, one that says so.
    """
    if variance.empty:
        return empty_figure(say("figures_effects.no_spread"), size)
    features = list(dict.fromkeys(variance["feature"]))
    lines = len(features)
    figure, grid = panelled(size, 1.0 + 1.25 * max(lines, 2), lines, 2, width_ratios=(1.25, 1))
    for number, (feature, (left, right)) in enumerate(zip(features, grid, strict=True)):
        rows = variance[variance["feature"] == feature].set_index("level")
        rows = rows.loc[[level for level in LEVELS if level in rows.index]]
        _shares(
            left,
            rows,
            wrapped(text.in_short(in_plain_words(feature)), 60),
            number == len(features) - 1,
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
    shares = variance.pivot(index="feature", columns="level", values="share")
    own = [name for name in shares.index if name in declared and not register.find(name).driver]
    wood = int(shares.loc[own].idxmax(axis=1).eq("wood").sum())
    return settle(figure, codes.note("figures_headlines.spread", of=len(shares), wood=wood))


def _shares(axes: Axes, rows: pd.DataFrame, title: str, last: bool) -> None:
    shares = 100 * rows["share"].where(np.isfinite(rows["share"]), 0.0)
    for level, start in shares.cumsum().shift(fill_value=0.0).items():
        colour, _, hatch = LEVEL_STYLE[level]
        axes.barh(
            0,
            shares[level],
            left=start,
            height=0.6,
            color=colour,
            hatch=hatch,
            edgecolor="white",
            linewidth=0.8,
        )
        if shares[level] >= 7:
            axes.text(
                start + shares[level] / 2,
                0,
                numbers.percent(rows.at[level, "share"]),
                ha="center",
                va="center",
                fontsize=9,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
            )
    axes.spines["left"].set_visible(False)
    dress(
        axes,
        title=title,
        xlim=(0, 100),
        ylim=(-0.5, 0.5),
        yticks=[],
        xlabel=say("figures_effects.share") if last else "",
    )


def _spreads(axes: Axes, rows: pd.DataFrame, feature: register.Feature) -> None:
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
    dress(axes, grid="x", bare="y", ylim=(len(rows) - 0.5, -0.5), xlim=(0, None))
    axes.set_xlabel(
        quantity(say("figures_effects.sd"), feature.difference_unit), fontsize=9, color=GREY
    )
