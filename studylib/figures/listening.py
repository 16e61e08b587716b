"""Who told the woods apart by ear.

`heard_figure` shows the share of correct answers with its interval, of everybody and of each
listener; beside it, that of the hidden trials and of two boards of one wood. The dashed line is
what guessing gives.
"""

import pandas as pd
from matplotlib.figure import Figure

from studylib import codes
from studylib.figures.style import (
    ABOVE,
    BLACK,
    BLUE,
    GREY,
    VERMILION,
    dress,
    empty_figure,
    panelled,
    quantity,
    settle,
    styled,
    wrapped,
)
from studylib.stats.listening import ABOUT, CHANCE
from studylib.words import say

LOOKS = dict(zip(ABOUT, (("o", BLUE), ("s", VERMILION), ("D", GREY)), strict=True))
APART = 0.24  # between the marks of one listener, in lines


@styled
def heard_figure(
    table: pd.DataFrame, *, confidence: float = 0.95, size: tuple[float, float] | None = None
) -> Figure:
    """A line for everybody and for each listener, a mark for each kind of trial.

    Parameters
    ----------
    table : `listening`.
    confidence : of the intervals, in (0.5, 1).
    size : inches; None takes the page's width.

    Returns
    -------
    The figure; where nobody has listened, one that says so.
    """
    drawn = table[table["used"]]
    if drawn.empty:
        return empty_figure(say("heard.no_result_yet"), size)
    names = list(dict.fromkeys(drawn["listener"]))
    figure, ((axes,),) = panelled(size, 1.6 + 0.42 * len(names))
    axes.axvline(100 * CHANCE, color=BLACK, linewidth=0.9, linestyle="--", zorder=1)
    for about, own in drawn.groupby("about", sort=False):
        marker, colour = LOOKS[about]
        at = [names.index(n) + APART * (ABOUT.index(about) - 1) for n in own["listener"]]
        axes.hlines(at, 100 * own["share_low"], 100 * own["share_high"], color=colour, alpha=0.7)
        axes.plot(
            *(100 * own["share"], at, marker),
            color=colour,
            markersize=6,
            label=say("figures_effects.heard_key", about=about),
        )
    axes.set_yticks(range(len(names)), [wrapped(n, 18) or say("heard.everybody") for n in names])
    dress(
        axes,
        grid="x",
        bare="y",
        xlabel=quantity(say("figures_effects.correct"), "%"),
        xlim=(-2, 102),
        ylim=(len(names) - 0.4, -0.6),
    )
    figure.legend(loc=ABOVE, ncols=len(ABOUT))
    return settle(
        figure,
        codes.note(
            "figures_headlines.heard",
            **drawn[["verdict", "wood_a", "wood_b", "share"]].to_dict("records")[0],
        ),
        say("figures_effects.heard_note", confidence=confidence),
    )
