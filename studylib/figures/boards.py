"""Every board as a point: behind the mean of its wood, and against its own properties.

`boards_figure` shows one feature; for each board its mean (marker) and the means of its mounts
(small ticks); for each wood the mean of its sources with the confidence interval that these
sources give. Takes are not drawn: thirty takes of one board are one board.

`covariates_figure`, is it the wood, or just its density? It shows a panel for each feature (rows)
and property (columns); one point a board, or a plank where several boards come from one; a line for
each wood over the range of its own boards, all with the one slope of the analysis of covariance,
with the interval of the line. Where the woods' points stand in separate columns of the panel, wood
and property cannot be told apart.

Functions: `boards_figure`, `boards_figures`, `covariates_figure`, `shown_covariates`.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from studylib import register, words
from studylib.figures.style import (
    ABOVE,
    GREY,
    PALE,
    Look,
    dress,
    empty_figure,
    explained,
    legend_label,
    looks,
    panelled,
    quantity,
    safe,
    settle,
    starred,
    styled,
    wrapped,
)
from studylib.stats.covariates import Covariates, covariate_quantity
from studylib.stats.samples import FeatureMeans
from studylib.words import feature as in_plain_words
from studylib.words import numbers, text

# From here on the boards' names would run into each other, and are left out.
MOST_NAMED_BOARDS = 72
GAP = 0.8  # between two woods, in boards


@styled
def boards_figure(means: FeatureMeans, *, size: tuple[float, float] | None = None) -> Figure:
    """Every board of every wood for one feature.

    Parameters
    ----------
    means : of the boards, their mounts and the woods.
    size : inches; None takes the page's width.

    Returns
    -------
    The figure; where nothing was measured, one that says so.
    """
    boards, feature = means.boards, means.feature
    if boards.empty:
        return empty_figure(words.say("figures_effects.no_board", name=feature.name), size)
    woods = [w for w in means.woods if w in set(boards["wood"])]
    style = looks(means.woods)
    figure, ((axes,),) = panelled(size, 3.5)
    ticks, names, edge = [], [], 0.0
    for number, wood in enumerate(woods):
        own = boards[boards["wood"] == wood]
        places = edge + np.arange(len(own), dtype=float)
        _draw_wood(
            axes, own, means.mounts, means.means[means.means["wood"] == wood], places, style[wood]
        )
        ticks.extend(places)
        names.extend(own["specimen"])
        if number:
            axes.axvline(places[0] - 0.5 - GAP / 2, color=PALE, linewidth=1)
        edge = places[-1] + 1 + GAP
    _name_boards(axes, ticks, names, edge)
    _name_woods(axes, boards, woods, edge)
    meaning = starred(text.in_short(in_plain_words(feature.name)), feature.name)
    dress(
        axes, grid="y", ylabel=quantity(meaning, feature.unit, width=32, lines=3),
        xlim=(-0.5 - GAP / 2, edge - 0.5 - GAP / 2),
    )  # fmt: skip
    key = words.say("figures_effects.boards_key", confidence=means.confidence)
    return explained(figure, key, [feature.name])


@styled
def boards_figures(
    measured: Sequence[FeatureMeans], *, size: tuple[float, float] | None = None
) -> list[Figure]:
    """`boards_figure` for each feature; where there is none, one figure that says so.

    Parameters
    ----------
    measured : the means of each feature that was measured.
    size : inches; None takes the page's width.

    Returns
    -------
    One figure or more.
    """
    return [boards_figure(means, size=size) for means in measured] or [
        empty_figure(words.say("figures_effects.no_boards"), size)
    ]


def _draw_wood(axes: Axes, boards, mounts, mean, places: np.ndarray, look: Look) -> None:
    own = mounts[mounts["specimen"].isin(boards["specimen"])]
    at = own["specimen"].map(dict(zip(boards["specimen"], places, strict=True)))
    axes.hlines(own["value"], at - 0.28, at + 0.28, color=look.colour, linewidth=1, alpha=0.7)
    axes.plot(
        places,
        boards["value"],
        look.marker,
        color=look.colour,
        markersize=6.5,
        markeredgecolor="white",
        markeredgewidth=0.6,
        zorder=3,
    )
    for row in mean.itertuples():
        left, right = places[0] - 0.45, places[-1] + 0.45
        axes.hlines(row.mean, left, right, color=look.colour, linewidth=2.2, zorder=2)
        if np.isfinite(row.low) and np.isfinite(row.high):
            axes.fill_between(
                [left, right],
                row.low,
                row.high,
                color=look.colour,
                alpha=0.16,
                linewidth=0,
                zorder=1,
            )
            axes.hlines(
                [row.low, row.high],
                left,
                right,
                color=look.colour,
                linewidth=0.7,
                linestyle=(0, (4, 3)),
                zorder=1,
            )


def _name_boards(axes: Axes, ticks: list[float], names: list[str], width: float) -> None:
    if len(names) > MOST_NAMED_BOARDS:
        axes.set_xticks([])
        return
    letters = 8.6 * 72 / width  # points on the page for one board
    crowded = max(len(str(n)) for n in names) * 5 > letters
    axes.set_xticks(ticks, [wrapped(n, 16, lines=1) for n in names])
    axes.tick_params(
        axis="x",
        length=0,
        rotation=90 if crowded else 0,
        labelsize=min(8.5, max(5.0, 0.8 * letters)) if crowded else 8.5,
    )


def _name_woods(axes: Axes, boards, woods: list[str], width: float) -> None:
    """The woods' names above their boards, with the number of boards."""
    edge = 0.0
    for wood in woods:
        count = int((boards["wood"] == wood).sum())
        room = max(6, int(8.6 / width * (count + GAP) * 72 / 6.4))
        axes.text(
            edge + (count - 1) / 2,
            1.02,
            f"{wrapped(wood, room)}\n{numbers.counted(count, 'board')}",
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=9.5,
        )
        edge += count + GAP


FIRST = ("wood.density_kg_m3", "wood.youngs_modulus_gpa", "thickness_mm", "mass_g")
MOST_ROWS = MOST_COLUMNS = 3
LOW_ROW = 2.2  # inches: labels of lower rows lie flat


def shown_covariates(table: pd.DataFrame, *, most: int = MOST_COLUMNS) -> tuple[str, ...]:
    """The properties that tell most, at most `most`: density, stiffness, thickness, mass first.

    Properties that could be held equal for no pair of woods come last.
    """
    fitted = set(table.loc[table["difference_with"].notna(), "covariate"])
    names = list(dict.fromkeys(table["covariate"]))
    rank = {name: i for i, name in enumerate(FIRST)}
    names.sort(key=lambda name: (name not in fitted, rank.get(name, len(FIRST))))
    return tuple(names[:most])


@styled
def covariates_figure(
    found: Covariates,
    woods: Sequence[str],
    *,
    features: Sequence[str] | None = None,
    covariates: Sequence[str] | None = None,
    size: tuple[float, float] | None = None,
) -> Figure:
    """Small multiples of features against properties of the boards.

    Parameters
    ----------
    found : from `stats.covariates.analyse_covariates`.
    woods : all woods of the study, in order; they fix colours and markers.
    features, covariates : what to show; the first three features of the table, and
        `shown_covariates`, when left out.
    size : inches; None takes the page's width.

    Returns
    -------
    The figure, open.
    """
    points = found.points
    features = list(features or dict.fromkeys(points["feature"]))[:MOST_ROWS]
    table = found.table[found.table["feature"].isin(features)]
    covariates = list(covariates or shown_covariates(table))[:MOST_COLUMNS]
    points = points[points["feature"].isin(features) & points["covariate"].isin(covariates)]
    if points.empty:
        return empty_figure(words.say("covariates.nothing_known"), size)
    style = looks(woods)
    lines, columns = len(features), len(covariates)
    figure, grid = panelled(size, 1.0 + 2.5 * lines, lines, columns, sharex="col", sharey="row")
    for i, feature in enumerate(features):
        for j, covariate in enumerate(covariates):
            axes = grid[i, j]
            _draw(
                axes,
                *[
                    frame[(frame["feature"] == feature) & (frame["covariate"] == covariate)]
                    for frame in (found.table, points, found.lines)
                ],
                style,
            )
            if j == 0:
                _name_feature(axes, feature, rows=len(features))
            if i == len(features) - 1:
                known = covariate_quantity(covariate)
                axes.set_xlabel(quantity(words.say(known.exact), known.unit, width=34))
    used = [wood for wood in woods if wood in set(points["wood"])]
    figure.legend(
        handles=[
            Line2D(
                [],
                [],
                color=style[wood].colour,
                marker=style[wood].marker,
                linewidth=1.6,
                label=legend_label(wood, 26),
            )
            for wood in used
        ],
        loc=ABOVE,
        ncols=min(len(used), 5),
    )
    return settle(figure, safe(words.say("covariates.figure_note")))


def _draw(axes: Axes, table, points, lines, style: dict[str, Look]) -> None:
    for wood, own in lines.groupby("wood", sort=False):
        colour = style[wood].colour
        if own["x"].nunique() == 1:  # all boards of this wood are alike: a bar, not a band
            axes.vlines(*own.iloc[0][["x", "low", "high"]], color=colour, alpha=0.4, zorder=1)
            continue
        axes.plot(own["x"], own["value"], color=colour, linewidth=1.6, zorder=2)
        axes.fill_between(
            own["x"], own["low"], own["high"], color=colour, alpha=0.14, linewidth=0, zorder=1
        )
    for wood, own in points.groupby("wood", sort=False):
        axes.plot(
            own["x"],
            own["value"],
            style[wood].marker,
            color=style[wood].colour,
            markersize=6.5,
            markeredgecolor="white",
            markeredgewidth=0.6,
            zorder=3,
        )
    pairs = table[table["overlap"].notna()]
    if len(pairs):  # how many pairs of woods share a range of the property
        sharing, fitted = int((pairs["overlap"] > 0).sum()), table["difference_with"].notna().any()
        told = words.say("covariates.panel", pairs=len(pairs), sharing=sharing, fitted=bool(fitted))
        axes.set_title(safe(told), fontsize=8.5, color=GREY)
    axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.ticklabel_format(axis="both", style="plain", useOffset=False)
    dress(axes, grid="both", xmargin=0.08, ymargin=0.08)


def _name_feature(axes: Axes, feature: str, *, rows: int) -> None:
    known = register.find(feature)
    label = quantity(
        text.in_short(in_plain_words(known.name)),
        known.unit,
        width=44 if rows == 1 else 28,
        lines=4,
    )
    if axes.figure.get_figheight() / rows < LOW_ROW:
        # An upright label would run into the next row's.
        axes.set_ylabel(label, fontsize=7.5, rotation=0, ha="right", va="center")
    else:
        axes.set_ylabel(label, fontsize=10 if rows == 1 else 8.5)
