"""Differences between woods, with their intervals.

What it shows: `effects_figure` the primary features, one panel each in the feature's own unit,
one row a pair of woods, simultaneous interval and limit band; `positive_control_figure` whether
the bench told the changed specimen from the reference. All effects at once: `all_effects`.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from studylib.figures.style import (
    BLUE,
    GREY,
    PALE,
    empty_figure,
    new_figure,
    quantity,
    settle,
    styled,
    wrapped,
)
from studylib.words import feature as feature_words
from studylib.words.text import in_short

# Panels beside each other: on a page, and in a video frame, which is wide and low.
PAGE_COLUMNS, VIDEO_COLUMNS = 3, 4
# Filled where something was declared, open where not; a shape for each verdict.
VERDICT_MARKERS = {
    "beyond limit": ("D", True),
    "different": ("o", True),
    "within limit": ("s", True),
    "same": ("s", False),
    "open": ("o", False),
}


@styled
def effects_figure(summary, *, size: tuple[float, float] | None = None) -> Figure:
    """The primary effects: a panel for each feature, a row for each pair of woods."""
    effects = summary.primary_effects()
    drawn = effects[effects["difference"].notna() & (effects["verdict"] != "boards only")]
    if drawn.empty:
        return empty_figure(
            "No difference between woods can be drawn: there are too few sources, or no feature "
            "could be compared. The tables say which.",
            size,
        )
    pairs = list(dict.fromkeys(zip(effects["wood_a"], effects["wood_b"], strict=True)))
    features = list(dict.fromkeys(drawn["feature"]))
    figure, panels = _panels(len(features), len(pairs), size)
    for axes, feature in zip(panels, features, strict=True):
        rows = drawn[drawn["feature"] == feature]
        described = summary.describe(feature)
        _effect_rows(axes, rows, pairs, summary.limit_band(feature))
        _name_panel(
            axes, feature_words(described.name), quantity("difference", str(rows["unit"].iloc[0]))
        )
        _name_rows(axes, pairs)
    shown = [v for v in VERDICT_MARKERS if v in set(drawn["verdict"])]
    figure.legend(handles=[_key(v) for v in shown], loc="outside upper center", ncols=len(shown))
    figure.supxlabel(
        f"bars: {100 * summary.confidence:g} % intervals, simultaneous within a feature; "
        "grey band: within the limit",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


@styled
def positive_control_figure(summary, *, size: tuple[float, float] | None = None) -> Figure:
    """Did the bench tell the changed specimen from the reference? One panel a primary feature."""
    control = summary.comparison.positive_control
    drawn = control[control["difference"].notna() & control["feature"].isin(summary.primary)]
    if drawn.empty:
        return empty_figure(
            "No changed specimen was measured beside a reference, so whether this bench could "
            "see a small change is not known.",
            size,
        )
    features = list(dict.fromkeys(drawn["feature"]))
    pairs = list(dict.fromkeys(zip(drawn["reference"], drawn["changed"], strict=True)))
    figure, panels = _panels(len(features), len(pairs), size)
    for axes, feature in zip(panels, features, strict=True):
        rows = drawn[drawn["feature"] == feature]
        axes.axvline(0, color=GREY, linewidth=0.8)
        for row in rows.itertuples():
            place = pairs.index((row.reference, row.changed))
            _interval(axes, row, place, "D" if row.detected else "o", bool(row.detected))
        _row_axis(axes, len(pairs))
        difference = quantity("changed minus reference", str(rows["unit"].iloc[0]))
        _name_panel(axes, feature_words(feature), difference)
        _name_rows(axes, pairs)
    figure.supxlabel(
        f"filled diamond: told apart; open circle: not told apart; bars: "
        f"{100 * summary.confidence:g} % intervals",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _panels(count: int, rows: int, size) -> tuple[Figure, list[Axes]]:
    """A grid of `count` panels with shared rows; unused places stay empty."""
    lines = math.ceil(count / (PAGE_COLUMNS if size is None else VIDEO_COLUMNS))
    columns = math.ceil(count / lines)
    figure = new_figure(size, 1.0 + lines * (1.0 + 0.32 * max(rows, 2)))
    grid = figure.subplots(lines, columns, squeeze=False).ravel()
    for axes in grid[count:]:
        axes.set_visible(False)
    for axes in grid:
        axes.xaxis.set_major_locator(MaxNLocator(12 // columns, steps=[1, 2, 5, 10]))
    return figure, list(grid[:count])


def _name_panel(axes: Axes, meaning: str, difference: str) -> None:
    columns = axes.get_subplotspec().get_gridspec().ncols
    axes.set_title(wrapped(in_short(meaning), 112 // columns - columns, lines=3), fontsize=9.5)
    axes.set_xlabel(difference)


def _name_rows(axes: Axes, pairs: list[tuple[str, str]]) -> None:
    """The pairs' names beside the first panel of each line, as large as its rows allow."""
    if axes.get_subplotspec().is_first_col():
        lines, height = axes.get_subplotspec().get_gridspec().nrows, axes.figure.get_figheight()
        row = 72 * (height - 1.0 - 0.9 * lines) / (lines * len(pairs))  # points
        axes.set_yticklabels(
            [_pair(a, b) for a, b in pairs], fontsize=float(np.clip(row / 2.5, 4.0, 9.0))
        )


def _effect_rows(axes: Axes, rows: pd.DataFrame, pairs: list, band: tuple | None) -> None:
    if band is not None:
        axes.axvspan(*band, color=PALE, linewidth=0, zorder=0)
    axes.axvline(0, color=GREY, linewidth=0.8, zorder=1)
    for row in rows.itertuples():
        marker, filled = VERDICT_MARKERS.get(row.verdict, ("o", False))
        _interval(axes, row, pairs.index((row.wood_a, row.wood_b)), marker, filled)
    _row_axis(axes, len(pairs))


def _interval(axes: Axes, row, place: int, marker: str, filled: bool) -> None:
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


def _row_axis(axes: Axes, rows: int) -> None:
    axes.set_yticks(range(rows), [""] * rows)
    axes.set_ylim(rows - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    axes.grid(axis="x")
    axes.margins(x=0.08)


def _pair(first: str, second: str) -> str:
    return f"{wrapped(second, 18, lines=1)} minus\n{wrapped(first, 18, lines=1)}"


def _key(verdict: str) -> Line2D:
    marker, filled = VERDICT_MARKERS[verdict]
    return Line2D(
        [],
        [],
        color=BLUE,
        marker=marker,
        linestyle="none",
        label=verdict,
        markerfacecolor=BLUE if filled else "white",
        markersize=7,
    )
