"""Every difference between woods in one picture.

What it shows: a row for each feature, a panel for each pair of woods (one for all of them where
there are many), the standardised difference
(Hedges' g) with its interval. Primary features stand on top, filled and blue where something is
declared; all others below a line, open and grey on a shaded ground, because they are hints.
As many rows are drawn as can be read; the figure says how many it leaves out.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.figures.style import BLUE, GREY, empty_figure, new_figure, settle, styled, wrapped
from studylib.stats.verdicts import DECLARED

PAGE_ROWS, VIDEO_ROWS = 120, 26
MOST_PANELS = 6
SHADE = "#F4F4F4"
WIDEST = 12.0  # g beyond this is drawn as an arrow's worth of line: the axis would be all interval


@styled
def all_effects_figure(summary, *, size: tuple[float, float] | None = None) -> Figure:
    """All effects on one scale: primary features above the line, exploratory ones below."""
    effects = summary.comparison.effects
    drawn = effects[effects["g"].notna()].reset_index(drop=True)
    if drawn.empty:
        return empty_figure("No difference between woods can be drawn.", size)
    drawn["pair"] = drawn["wood_b"] + " minus " + drawn["wood_a"]
    drawn["row"] = drawn["feature"]
    pairs = list(dict.fromkeys(drawn["pair"]))
    if len(pairs) > MOST_PANELS:
        # Many woods: one panel, the pair beside the feature's name.
        drawn["row"], pairs = drawn["feature"] + ": " + drawn["pair"], ["all pairs"]
        drawn["pair"] = "all pairs"
    primary = list(dict.fromkeys(drawn.loc[drawn["feature"].isin(summary.primary), "row"]))
    rows = [*primary, *_others(drawn, primary)]
    most = PAGE_ROWS if size is None else VIDEO_ROWS
    left_out, rows = max(0, len(rows) - most), rows[:most]
    figure = new_figure(size, 1.5 + 0.135 * len(rows))
    panels = figure.subplots(1, len(pairs), sharey=True, squeeze=False).ravel()
    reach = float(np.clip(1.05 * np.nanmax(np.abs(drawn[["g_low", "g_high"]])), 1.0, WIDEST))
    for axes, pair in zip(panels, pairs, strict=True):
        own = drawn[drawn["pair"] == pair].set_index("row")
        _panel(axes, own, rows, len(primary), reach)
        axes.set_title(
            wrapped(pair, 84 // len(pairs), lines=2), fontsize=10 if len(pairs) < 4 else 8
        )
        axes.set_xlabel("g")
    small = float(np.clip(9.0 - 0.03 * len(rows), 5.5, 8.0))
    panels[0].set_yticks(range(len(rows)), [wrapped(r, 48, lines=1) for r in rows], fontsize=small)
    panels[0].set_ylim(len(rows) - 0.4, -0.6)
    note = f"; {left_out} rows more in effects.csv" if left_out else ""
    figure.supxlabel(
        "above the line: primary, filled where declared; below, grey: exploratory, hints only"
        f"{note}\nbars: {100 * summary.confidence:g} % intervals of g, each for its pair alone; an "
        "open end runs on",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _others(drawn: pd.DataFrame, primary: list[str]) -> list[str]:
    """Exploratory rows, the smallest false discovery rate first."""
    rest = drawn[~drawn["row"].isin(primary)]
    return list(rest.groupby("row", sort=False)["q"].min().sort_values(kind="stable").index)


def _panel(axes: Axes, own: pd.DataFrame, rows: list[str], primary: int, reach: float) -> None:
    if len(rows) > primary:
        axes.axhspan(primary - 0.5, len(rows) - 0.4, color=SHADE, linewidth=0, zorder=0)
        axes.axhline(primary - 0.5, color=GREY, linewidth=0.8)
    axes.axvline(0, color=GREY, linewidth=0.8, zorder=1)
    for place, name in enumerate(rows):
        if name not in own.index:
            continue
        row = own.loc[name]
        colour = BLUE if place < primary else GREY
        low, high = (float(np.clip(end, -reach, reach)) for end in (row["g_low"], row["g_high"]))
        axes.hlines(place, low, high, color=colour, linewidth=1.5 if place < primary else 0.9)
        if abs(row["g"]) <= reach:
            filled = place < primary and row["verdict"] in DECLARED
            axes.plot(
                row["g"],
                place,
                "o",
                color=colour,
                markersize=5 if place < primary else 3,
                markerfacecolor=colour if filled else "white",
                markeredgewidth=1.0,
            )
    axes.set_xlim(-reach, reach)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x")
