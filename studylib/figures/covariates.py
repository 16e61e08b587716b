"""Features against the boards' own properties: is it the wood, or just its density?

What it shows: a panel for each feature (rows) and property (columns); one point a board, or a
plank where several boards come from one; a line for each wood over the range of its own boards,
all with the one slope of the analysis of covariance, with the interval of the line. Where the
woods' points stand in separate columns of the panel, wood and property cannot be told apart.

Functions: `covariates_figure`, `shown_covariates`.
"""

from collections.abc import Sequence

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from studylib import register
from studylib.figures.style import (
    ABOVE,
    GREY,
    Look,
    empty_figure,
    legend_label,
    looks,
    new_figure,
    quantity,
    safe,
    settle,
    styled,
)
from studylib.stats.covariates import Covariates, covariate_quantity
from studylib.words import feature as feature_words
from studylib.words import say
from studylib.words.text import in_short

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
        return empty_figure(say("covariates.nothing_known"), size)
    style = looks(woods)
    figure = new_figure(size, 1.0 + 2.5 * len(features))
    grid = figure.subplots(
        len(features), len(covariates), squeeze=False, sharex="col", sharey="row"
    )
    for i, feature in enumerate(features):
        for j, covariate in enumerate(covariates):
            axes = grid[i, j]
            own = [
                frame[(frame["feature"] == feature) & (frame["covariate"] == covariate)]
                for frame in (found.table, points, found.lines)
            ]
            _draw(axes, *own, style)
            if j == 0:
                _name_feature(axes, feature, rows=len(features))
            if i == len(features) - 1:
                known = covariate_quantity(covariate)
                axes.set_xlabel(quantity(say(known.exact), known.unit, width=34))
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
    figure.supxlabel(safe(say("covariates.figure_note")), fontsize=8.5, color=GREY)
    return settle(figure)


def _draw(axes: Axes, table, points, lines, style: dict[str, Look]) -> None:
    for wood, own in lines.groupby("wood", sort=False):
        colour = style[wood].colour
        if own["x"].nunique() == 1:  # all boards of this wood are alike: a bar, not a band
            first = own.iloc[0]
            axes.vlines(first["x"], first["low"], first["high"], color=colour, alpha=0.4, zorder=1)
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
    axes.set_title(safe(_overlap_words(table)), fontsize=8.5, color=GREY)
    axes.grid(axis="both")
    axes.xaxis.set_major_locator(MaxNLocator(4))
    axes.ticklabel_format(axis="both", style="plain", useOffset=False)
    axes.margins(0.08)


def _overlap_words(table: pd.DataFrame) -> str:
    """How many pairs of woods share a range of the property."""
    pairs = table[table["overlap"].notna()]
    if pairs.empty:
        return ""
    sharing, fitted = int((pairs["overlap"] > 0).sum()), table["difference_with"].notna().any()
    return say("covariates.panel", pairs=len(pairs), sharing=sharing, fitted=bool(fitted))


def _name_feature(axes: Axes, feature: str, *, rows: int) -> None:
    known = register.find(feature)
    label = quantity(
        in_short(feature_words(known.name)), known.unit, width=44 if rows == 1 else 28, lines=4
    )
    if axes.figure.get_figheight() / rows < LOW_ROW:
        # An upright label would run into the next row's.
        axes.set_ylabel(label, fontsize=7.5, rotation=0, ha="right", va="center")
    else:
        axes.set_ylabel(label, fontsize=10 if rows == 1 else 8.5)
