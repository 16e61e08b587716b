"""Differences between woods, with their intervals.

What it shows: `effects_figure` the primary features, one panel each in the feature's own unit,
one row a pair of woods, simultaneous interval and limit band; `exploratory_figure` the other
features apart from them, on the standardised scale (Hedges' g), drawn open and grey because
they are hints for a next study; `positive_control_figure` whether the bench told the changed
specimen from the reference.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

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
from studylib.figures.words import in_short

MOST_COLUMNS = 3
# Room for the exploratory figure: features, and lines (a feature has one for each pair).
MOST_EXPLORATORY, MOST_LINES = 16, 60
PAIR_MARKERS = ("o", "s", "^", "D", "v", "P")
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
    for number, (axes, feature) in enumerate(zip(panels, features, strict=True)):
        rows = drawn[drawn["feature"] == feature]
        described = summary.describe(feature)
        _effect_rows(axes, rows, pairs, summary.limit_band(feature))
        axes.set_title(
            wrapped(in_short(described.meaning), 110 // min(len(features), MOST_COLUMNS)),
            fontsize=9.5,
        )
        axes.set_xlabel(quantity("difference", str(rows["unit"].iloc[0])))
        if number % MOST_COLUMNS == 0:
            axes.set_yticklabels([_pair(a, b) for a, b in pairs], fontsize=_row_font(figure, axes))
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
def exploratory_figure(summary, *, size: tuple[float, float] | None = None) -> Figure:
    """The exploratory features on one scale, with intervals of g, apart from the primary ones.

    Features stand in the order of their false discovery rate; as many are drawn as can be
    read (at most 16), and the figure says how many it leaves to the table.
    """
    effects = summary.exploratory_effects()
    drawn = effects[effects["g"].notna()]
    if drawn.empty:
        return empty_figure("No exploratory feature could be compared.", size)
    order = drawn.groupby("feature", sort=False)["q"].min().sort_values(kind="stable")
    pairs = list(dict.fromkeys(zip(drawn["wood_a"], drawn["wood_b"], strict=True)))
    features = list(order.index[: min(MOST_EXPLORATORY, max(2, MOST_LINES // len(pairs)))])
    figure = new_figure(size, 1.8 + max(0.28, 0.1 * len(pairs)) * len(features))
    axes = figure.subplots()
    axes.set_facecolor("#F6F6F6")
    axes.axvline(0, color=GREY, linewidth=0.8)
    for row, feature in enumerate(features):
        _exploratory_row(axes, drawn[drawn["feature"] == feature], pairs, row)
    axes.set_yticks(range(len(features)), [wrapped(f, 34, lines=1) for f in features])
    axes.set_ylim(len(features) - 0.5, -0.5)
    axes.set_xlabel("standardised difference g (in standard deviations between sources)")
    left_out = len(order) - len(features)
    note = f"; {left_out} more in the table" if left_out else ""
    axes.set_title(f"exploratory: hints for a next study, not findings{note}", color=GREY)
    if len(pairs) <= len(PAIR_MARKERS):
        keys = [_pair_key(pair, marker) for pair, marker in zip(pairs, PAIR_MARKERS, strict=False)]
        figure.legend(handles=keys, loc="outside upper center", ncols=min(3, len(pairs)))
    figure.supxlabel(
        f"bars: {100 * summary.confidence:g} % intervals of one pair; within a feature the pairs "
        "stand in the order of the table",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _exploratory_row(axes: Axes, rows: pd.DataFrame, pairs: list, row: int) -> None:
    step = 0.7 / max(len(pairs), 1)
    for effect in rows.itertuples():
        place = pairs.index((effect.wood_a, effect.wood_b))
        y = row + (place - (len(pairs) - 1) / 2) * step
        marker = PAIR_MARKERS[place] if len(pairs) <= len(PAIR_MARKERS) else "o"
        axes.hlines(y, effect.g_low, effect.g_high, color=GREY, linewidth=0.9)
        axes.plot(effect.g, y, marker, color=GREY, markerfacecolor="white", markersize=4)


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
    for number, (axes, feature) in enumerate(zip(panels, features, strict=True)):
        rows = drawn[drawn["feature"] == feature]
        axes.axvline(0, color=GREY, linewidth=0.8)
        for row in rows.itertuples():
            place = pairs.index((row.reference, row.changed))
            _interval(axes, row, place, "D" if row.told_apart else "o", bool(row.told_apart))
        _row_axis(axes, len(pairs))
        axes.set_title(
            wrapped(in_short(summary.describe(feature).meaning), 110 // min(len(features), 3)),
            fontsize=9.5,
        )
        axes.set_xlabel(quantity("changed minus reference", str(rows["unit"].iloc[0])))
        if number % MOST_COLUMNS == 0:
            axes.set_yticklabels([_pair(a, b) for a, b in pairs], fontsize=_row_font(figure, axes))
    figure.supxlabel(
        f"filled diamond: told apart; open circle: not told apart; bars: "
        f"{100 * summary.confidence:g} % intervals",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _panels(count: int, rows: int, size) -> tuple[Figure, list[Axes]]:
    """A grid of `count` panels with shared rows; unused places stay empty."""
    columns = min(count, MOST_COLUMNS)
    lines = math.ceil(count / columns)
    figure = new_figure(size, 1.0 + lines * (1.0 + 0.32 * max(rows, 2)))
    grid = figure.subplots(lines, columns, squeeze=False).ravel()
    for axes in grid[count:]:
        axes.set_visible(False)
    return figure, list(grid[:count])


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


def _pair_key(pair: tuple[str, str], marker: str) -> Line2D:
    first, second = pair
    label = f"{wrapped(second, 18, lines=1)} minus {wrapped(first, 18, lines=1)}"
    return Line2D(
        [],
        [],
        color=GREY,
        marker=marker,
        markerfacecolor="white",
        linestyle="none",
        label=f" {label}" if label.startswith("_") else label,
    )


def _row_font(figure: Figure, axes: Axes) -> float:
    """A text size at which two lines fit into one row of a panel."""
    rows, lines = len(axes.get_yticks()), axes.get_subplotspec().get_gridspec().nrows
    points = 72 * (figure.get_figheight() - 1.0 - 0.9 * lines) / (lines * rows)
    return float(np.clip(points / 2.5, 4.0, 9.0))


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
