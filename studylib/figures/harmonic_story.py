"""One specimen, harmonic by harmonic: what was recorded beside everything that could have made it.

What it shows: a panel for each mount with the recorded level of every harmonic, what the driver
alone would give there (with the interval of the excess), the noise of the harmonic's own bin, the
air, the recorder and mains lines; a mark for each verdict stands above.

Conventions: rows as in attribution.ATTRIBUTION_COLUMNS, drawn as they are. An open triangle that
points down is an upper limit.

Functions: story_figure.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from studylib.attribution.verdicts import NOISE
from studylib.figures.style import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PALE,
    PURPLE,
    empty_figure,
    new_figure,
    settle,
    styled,
    wrapped,
)
from studylib.figures.verdict_looks import VERDICT_LOOKS, verdict_handles

MOST_MOUNTS = 12
DEEPEST_DB = 25.0  # drawn below the lowest noise at most


@styled
def story_figure(
    table: pd.DataFrame, specimen: str, *, size: tuple[float, float] | None = None
) -> Figure:
    """Every harmonic of one specimen, one panel a mount (the first 12).

    Parameters
    ----------
    table : an attribution's table.
    specimen : its name in the table.
    """
    own = table[table["specimen"] == specimen]
    rows = own[own["observed_db"].notna()]
    if rows.empty:
        return empty_figure(f"No usable take of the tone of {specimen}.", size)
    mounts = list(dict.fromkeys(own["mount"]))
    shown = mounts[:MOST_MOUNTS]
    last = int(rows["harmonic"].max())
    rows = rows[rows["mount"].isin(shown) & (rows["harmonic"] <= _highest(rows))]
    columns = min(len(shown), 4)
    lines = -(-len(shown) // columns)
    figure = new_figure(size, 1.7 + 3.1 * lines)
    grid = figure.subplots(lines, columns, sharex=True, sharey=True, squeeze=False)
    bottom, top = _span(rows)
    for axes, mount in zip(grid.flat, shown, strict=False):
        _story(axes, rows[rows["mount"] == mount], bottom, top)
        axes.set_title(wrapped(f"{specimen}, mount {mount}", 90 // columns, lines=1), fontsize=10)
        _ticks(axes, int(rows["harmonic"].max()), columns)
    for axes in list(grid.flat)[len(shown) :]:
        axes.set_visible(False)
    for axes in list(grid.flat)[max(0, len(shown) - columns) : len(shown)]:
        axes.set_xlabel("harmonic number")
        axes.tick_params(labelbottom=True)
    unit = str(rows["unit"].iloc[0]) or "dB"
    for axes in grid[:, 0]:
        axes.set_ylabel(f"level ({unit})")
    more = []
    if len(mounts) > len(shown):
        more.append(f"the first {MOST_MOUNTS} of {len(mounts)} mounts")
    if last > rows["harmonic"].max():
        more.append(f"harmonics up to {last} are below the noise in every mount")
    figure.legend(
        handles=_legend(rows), loc="outside upper center", ncols=4, fontsize=8.5,
        handletextpad=0.6, columnspacing=1.4, title="; ".join(more) or None, title_fontsize=8.5,
    )  # fmt: skip
    return settle(figure)


def _ticks(axes: Axes, highest: int, columns: int) -> None:
    """As many harmonic numbers as fit, the second one always among them."""
    step = max(1, -(-highest * columns // 40))
    axes.set_xticks(range(2, highest + 1, step))
    axes.set_xlim(1.3, highest + 0.7)


def _highest(rows: pd.DataFrame) -> int:
    """The highest harmonic above the noise, and one more to show where it ends."""
    heard = rows.loc[rows["verdict"] != NOISE, "harmonic"]
    most = int(rows["harmonic"].max())
    return min(most, max(int(heard.max()) + 1 if len(heard) else 4, 4))


def _span(rows: pd.DataFrame) -> tuple[float, float]:
    """Lowest and highest level drawn: all levels, but not deep below the lowest noise."""
    predicted = rows["observed_db"] - rows["excess_db"]
    levels = rows[["observed_db", "air_db", "recorder_db", "hum_db"]].to_numpy(float).ravel()
    levels = np.concatenate([levels, predicted.to_numpy(float)])
    floor = float(rows["noise_db"].min())
    levels = levels[np.isfinite(levels)]
    if np.isnan(floor):
        floor = float(levels.min())
    return max(levels.min(initial=floor), floor - DEEPEST_DB) - 4.0, float(levels.max()) + 6.0


def _story(axes: Axes, rows: pd.DataFrame, bottom: float, top: float) -> None:
    axes.set_ylim(bottom, top + 0.16 * (top - bottom))
    axes.grid(axis="y")
    if rows.empty:
        axes.text(0.5, 0.5, "no usable take", transform=axes.transAxes, ha="center", color=GREY)
        return
    k = rows["harmonic"].to_numpy(float)
    noise = np.nan_to_num(np.maximum(rows["noise_db"].to_numpy(float) - bottom, 0.0))
    axes.bar(k, noise, 0.9, bottom=bottom, color=PALE, zorder=0)
    _source(axes, k - 0.22, rows["air_db"], rows["air_is_limit"], "D", GREEN, (bottom, top))
    _source(axes, k + 0.22, rows["recorder_db"], rows["recorder_is_limit"], "s", ORANGE,
            (bottom, top))  # fmt: skip
    hum = rows["hum_db"].to_numpy(float)
    axes.plot(k, np.where(hum > bottom, hum, np.nan), "P", color=PURPLE, ms=5, ls="none")
    _predicted(axes, rows, bottom, top)
    heard = (rows["verdict"] != NOISE).to_numpy()
    observed = rows["observed_db"].to_numpy(float)
    axes.plot(k[heard], observed[heard], "o", color=BLACK, ms=5.5, ls="none", zorder=4)
    axes.plot(k[~heard], observed[~heard], "v", color=BLACK, ms=5, ls="none", mfc="none", zorder=4)
    room = 0.16 * (top - bottom)
    for verdict, (colour, marker, _) in VERDICT_LOOKS.items():
        own = k[(rows["verdict"] == verdict).to_numpy()]
        at = np.full(own.size, top + 0.5 * room)
        axes.plot(own, at, marker=marker, color=colour, ms=7, ls="none")
    axes.axhline(top, color="#BBBBBB", linewidth=0.8)
    axes.set_yticks([tick for tick in axes.get_yticks() if bottom <= tick <= top])


def _source(
    axes: Axes, x: np.ndarray, level: pd.Series, limit: pd.Series, marker: str, colour: str,
    span: tuple[float, float],
) -> None:  # fmt: skip
    """A control's levels: a mark where it was found, an open triangle where only bounded."""
    level, bounded = level.to_numpy(float), limit.to_numpy(bool)
    inside = np.isfinite(level) & (level > span[0]) & (level < span[1])
    found, most = inside & ~bounded, inside & bounded
    axes.plot(x[found], level[found], marker, color=colour, ms=4.5, ls="none")
    axes.plot(x[most], level[most], "v", color=colour, ms=4.5, ls="none", mfc="none")


def _predicted(axes: Axes, rows: pd.DataFrame, bottom: float, top: float) -> None:
    """What the driver alone gives: the observed level less the excess, with its interval."""
    told = rows[np.isfinite(rows["excess_db"])]
    k, observed = told["harmonic"].to_numpy(float), told["observed_db"].to_numpy(float)
    low = np.clip(observed - told["high"].to_numpy(float), bottom, top)
    high = np.clip(observed - told["low"].to_numpy(float), bottom, top)
    axes.vlines(k, low, high, color=BLUE, linewidth=5, alpha=0.35, zorder=2)
    middle = observed - told["excess_db"].to_numpy(float)
    middle = np.where((bottom <= middle) & (middle <= top), middle, np.nan)
    axes.plot(k, middle, "_", color=BLUE, ms=13, mew=2, ls="none", zorder=3)


def _legend(rows: pd.DataFrame) -> list:
    def mark(label: str, marker: str, colour: str, **more) -> Line2D:
        return Line2D([], [], marker=marker, color=colour, ls="none", label=label, **more)

    handles = [
        mark("recorded", "o", BLACK, ms=5.5),
        mark("driver alone (99 %)", "_", BLUE, ms=13, mew=2),
        Patch(facecolor=PALE, label="noise of the harmonic's own bin"),
        mark("through the air", "D", GREEN, ms=4.5),
        mark("recorder's own", "s", ORANGE, ms=4.5),
        mark("at most (upper limit)", "v", GREY, ms=5, mfc="none"),
    ]
    if np.isfinite(rows["hum_db"]).any():
        handles.append(mark("mains line", "P", PURPLE, ms=5))
    return [*handles, *verdict_handles(rows["verdict"], prefix="verdict: ")]
