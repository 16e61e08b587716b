"""Differences between woods, with their intervals.

What it shows: `effects_figure` one panel a feature in its own unit, one row a pair of woods,
simultaneous interval and limit band.

What it says: `pairs_apart`, the headline of every figure of woods, never more than the verdicts. It
speaks of declared differences alone, never of a number that carries the driver's own distortion,
and points at what stands beside the verdict as a caveat.
"""

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from studylib import codes, register
from studylib.codes.comparison import Verdict
from studylib.figures.style import (
    ABOVE,
    BLUE,
    GREY,
    PALE,
    dress,
    empty_figure,
    explained,
    panelled,
    quantity,
    starred,
    styled,
    wrapped,
)
from studylib.stats import scales
from studylib.words import feature as in_plain_words
from studylib.words import say, text

# Panels beside each other: on a page, and in a video frame, which is wide and low.
PAGE_COLUMNS, VIDEO_COLUMNS = 3, 4
# Filled where something was declared, open where not; a shape for each verdict.
VERDICT_MARKERS = {
    Verdict.BEYOND: ("D", True),
    Verdict.DIFFERENT: ("o", True),
    Verdict.WITHIN: ("s", True),
    Verdict.SAME: ("s", False),
    Verdict.OPEN: ("o", False),
}
# Declared differences, those first that say most.
STRENGTH = (Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN)


def pairs_apart(effects: pd.DataFrame) -> str:
    """What the verdicts on pairs of woods come to, as a note.

    The strongest declared difference, rather one without caveats, with the other woods that lie on
    the same side of it on that feature; how many more there are.

    effects : rows of the table `effects`.
    """
    rows = list(effects.itertuples())
    declared = [row for row in rows if row.verdict in STRENGTH]
    own = [row for row in declared if not register.find(row.feature).driver]
    if not own:
        return codes.note(
            "figures_headlines.none_apart",
            features=list(dict.fromkeys(effects["feature"])), laden=bool(declared), of=len(rows),
            same=sum(row.verdict == Verdict.SAME for row in rows),
            boards_only=all(row.verdict == Verdict.BOARDS_ONLY for row in rows),
        )  # fmt: skip
    first = min(own, key=lambda row: (STRENGTH.index(row.verdict), bool(row.caveats)))
    within = first.verdict == Verdict.WITHIN
    alike = [
        _ends(row)
        for row in own
        if row.feature == first.feature
        and (row.verdict == Verdict.WITHIN) == within
        and (first.caveats or not row.caveats)
    ]
    told = max(([one for one in alike if one[i] == _ends(first)[i]] for i in (1, 0)), key=len)
    lower, higher = (list(dict.fromkeys(side)) for side in zip(*told, strict=True))
    return codes.note(
        "figures_headlines.apart",
        name=first.feature, within=within, caveats=bool(first.caveats), higher=higher, lower=lower,
        more=len(own) - len(told),
    )  # fmt: skip


def _ends(row) -> tuple[str, str]:
    """The woods of a pair, the lower one first."""
    return (row.wood_a, row.wood_b) if row.difference > 0 else (row.wood_b, row.wood_a)


@styled
def effects_figure(
    effects: pd.DataFrame, *, confidence: float = 0.95, size: tuple[float, float] | None = None
) -> Figure:
    """A panel for each feature, a row for each pair of woods.

    Parameters
    ----------
    effects : rows of the table `effects`, as a rule those of the primary features.
    confidence : of the intervals, in (0.5, 1).
    size : inches; None takes the page's width.

    Returns
    -------
    The figure; where nothing can be drawn, one that says so.
    """
    drawn = effects[effects["difference"].notna() & (effects["verdict"] != Verdict.BOARDS_ONLY)]
    if drawn.empty:
        return empty_figure(say("figures_effects.nothing_compared"), size)
    pairs = list(dict.fromkeys(zip(effects["wood_a"], effects["wood_b"], strict=True)))
    count = drawn["feature"].nunique()
    lines = math.ceil(count / (PAGE_COLUMNS if size is None else VIDEO_COLUMNS))
    columns = math.ceil(count / lines)
    figure, grid = panelled(
        size, 1.9 + lines * (1.0 + 0.34 * max(len(pairs), 2)), lines, columns, shown=count
    )
    for axes, (feature, rows) in zip(grid.flat, drawn.groupby("feature", sort=False), strict=False):
        axes.xaxis.set_major_locator(MaxNLocator(12 // columns, steps=[1, 2, 5, 10]))
        limit = float(rows["limit"].iloc[0])
        if math.isfinite(limit):
            axes.axvspan(
                *scales.reported_limit_band(limit, register.find(feature)),
                color=PALE,
                linewidth=0,
                zorder=0,
            )
        axes.axvline(0, color=GREY, linewidth=0.8, zorder=1)
        for row in rows.itertuples():
            marker, filled = VERDICT_MARKERS[row.verdict]
            place = pairs.index((row.wood_a, row.wood_b))
            if np.isfinite(row.low) and np.isfinite(row.high):
                axes.hlines(place, row.low, row.high, color=BLUE, linewidth=1.8, zorder=2)
            axes.plot(
                row.difference,
                place,
                marker,
                color=BLUE,
                markersize=7,
                zorder=3,
                markerfacecolor=BLUE if filled else "white",
                markeredgewidth=1.4,
            )
        _name(axes, feature, rows["unit"].iloc[0], pairs)
    keys = [
        Line2D([], [], color=BLUE, marker=marker, linestyle="none", label=verdict, markersize=7,
               markerfacecolor=BLUE if filled else "white")
        for verdict, (marker, filled) in VERDICT_MARKERS.items()
        if verdict in set(drawn["verdict"])
    ]  # fmt: skip
    figure.legend(handles=keys, loc=ABOVE, ncols=len(keys))
    key = say("figures_effects.effects_key", confidence=confidence)
    return explained(figure, pairs_apart(drawn), key, drawn["feature"])


def _name(axes: Axes, feature: str, unit: str, pairs: list[tuple[str, str]]) -> None:
    """The feature above a panel, the quantity below it and the pairs beside it."""
    columns = axes.get_subplotspec().get_gridspec().ncols
    meaning = starred(text.in_short(in_plain_words(feature)), feature)
    axes.set_yticks(range(len(pairs)), [""] * len(pairs))
    dress(
        axes, grid="x", bare="y", title=wrapped(meaning, 112 // columns - columns, lines=3),
        ylim=(len(pairs) - 0.4, -0.6), xmargin=0.08,
        xlabel=quantity(say("figures_effects.difference"), unit),
    )  # fmt: skip
    # The pairs' names beside the first panel of each line, as large as its rows allow.
    if axes.get_subplotspec().is_first_col():
        lines, height = axes.get_subplotspec().get_gridspec().nrows, axes.figure.get_figheight()
        row = 72 * (height - 1.9 - 0.9 * lines) / (lines * len(pairs))  # points
        axes.set_yticklabels(
            [f"{wrapped(b, 18, lines=1)} minus\n{wrapped(a, 18, lines=1)}" for a, b in pairs],
            fontsize=float(np.clip(row / 2.5, 4.0, 9.0)),
        )
