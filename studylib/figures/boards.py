"""Every board as a point, behind the mean of its wood.

`boards_figure` shows one feature; for each board its mean (marker) and the means of its mounts
(small ticks); for each wood the mean of its sources with the confidence interval that these
sources give. Takes are not drawn: thirty takes of one board are one board.

Functions: `boards_figure`, `boards_figures`.
"""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib import words
from studylib.figures.style import (
    PALE,
    Look,
    dress,
    empty_figure,
    explained,
    looks,
    panelled,
    quantity,
    starred,
    styled,
    wrapped,
)
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
