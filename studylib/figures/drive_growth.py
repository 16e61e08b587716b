"""Growth of harmonics with the drive against the growth of the sensed ones.

What it shows: for each mount of one specimen with drive steps, by how many decibels more a harmonic
grew from a lower drive to full drive than the one that was sensed at the driving point, with its
interval. Inside the band a linear board explains it; a ring marks where it does not, an open mark
where nothing can be said. An interval that goes on beyond the axis ends in an arrow.

Functions: steps_figure.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from studylib.attribution.excess import MARGIN_DB
from studylib.attribution.steps import CANNOT_TELL, NOT_WITH
from studylib.figures.style import (
    BLACK,
    COLOURS,
    GREY,
    MARKERS,
    PALE,
    empty_figure,
    new_figure,
    settle,
    styled,
    wrapped,
)
from studylib.figures.verdict_looks import interval_bars

MOST_MOUNTS = 8
MOST_HARMONICS = 6


@styled
def steps_figure(
    steps: pd.DataFrame, specimen: str, *, size: tuple[float, float] | None = None
) -> Figure:
    """Growth over that of the sensed harmonic, by drive step, one panel a mount (the first 8).

    Parameters
    ----------
    steps : an attribution's drive steps (steps.STEP_COLUMNS).
    specimen : its name in the table.
    """
    rows = steps[steps["specimen"] == specimen]
    told = rows[rows["difference_db"].notna() & rows["growth_db"].notna()]
    if told.empty:
        why = (
            f"{specimen} has no takes at lower drive."
            if rows.empty
            else f"At lower drive no harmonic of {specimen} could be told from the noise."
        )
        return empty_figure(why, size)
    mounts = list(dict.fromkeys(told["mount"]))[:MOST_MOUNTS]
    harmonics = sorted(told["harmonic"].unique())[:MOST_HARMONICS]
    drawn = told[told["mount"].isin(mounts) & told["harmonic"].isin(harmonics)]
    missing = len(rows) - len(drawn)
    drives = sorted(drawn["drive_db"].unique(), reverse=True)
    columns = min(len(mounts), 4)
    lines = -(-len(mounts) // columns)
    figure = new_figure(size, 1.2 + 2.6 * lines)
    grid = figure.subplots(lines, columns, sharex=True, sharey=True, squeeze=False)
    reach = float(np.ceil(drawn["difference_db"].abs().max() + 3.0))
    for axes, mount in zip(grid.flat, mounts, strict=False):
        _panel(axes, drawn[drawn["mount"] == mount], harmonics, drives, reach)
        axes.set_title(wrapped(f"{specimen}, mount {mount}", 90 // columns, lines=1), fontsize=10)
    for axes in list(grid.flat)[len(mounts) :]:
        axes.set_visible(False)
    for axes in list(grid.flat)[max(0, len(mounts) - columns) : len(mounts)]:
        axes.set_xlabel("from this drive to full (dB)")
        axes.tick_params(labelbottom=True)
    for axes in grid[:, 0]:
        axes.set_ylabel("growth over the sensed (dB)")
    handles: dict = {}
    for axes in grid.flat:
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True):
            handles.setdefault(label, handle)
    handles["open: cannot tell"] = Line2D(
        [], [], marker="o", color=GREY, mfc="white", ms=5.5, ls="none"
    )
    more = f"{missing} of {len(rows)} steps are not drawn: below the noise, or of a higher harmonic"
    figure.legend(
        handles.values(), handles.keys(), loc="outside upper center", ncols=4, fontsize=9,
        title=more if missing else None, title_fontsize=8.5,
    )  # fmt: skip
    return settle(figure)


def _panel(
    axes: Axes, rows: pd.DataFrame, harmonics: list[int], drives: list[float], reach: float
) -> None:
    axes.axhspan(-MARGIN_DB, MARGIN_DB, color=PALE, zorder=0, label=f"within ±{MARGIN_DB:g} dB")
    axes.axhline(0, color="#999999", linewidth=0.8)
    width = 0.7 / len(harmonics)
    for number, k in enumerate(harmonics):
        own = rows[rows["harmonic"] == k]
        if own.empty:
            continue
        at = own["drive_db"].map(drives.index).to_numpy(float)
        x = at + (number - (len(harmonics) - 1) / 2) * width
        difference = own["difference_db"].to_numpy(float)
        colour = COLOURS[number]
        interval_bars(axes, x, own["low"], own["high"], reach=reach, colour=colour)
        pale = (own["verdict"] == CANNOT_TELL).to_numpy()
        for which, face in ((~pale, colour), (pale, "white")):
            axes.plot(
                x[which], difference[which], MARKERS[number], color=colour, mfc=face, ms=5.5,
                ls="none", label=f"harmonic {k}",
            )  # fmt: skip
        odd = (own["verdict"] == NOT_WITH).to_numpy()
        if odd.any():
            axes.plot(
                x[odd], difference[odd], "o", ms=11, mfc="none", mec=BLACK, mew=1.3, ls="none",
                label=NOT_WITH,
            )  # fmt: skip
    axes.set_ylim(-reach, reach)
    axes.set_xticks(range(len(drives)), [f"{d:g}".replace("-", "−") for d in drives])
    axes.set_xlim(-0.5, len(drives) - 0.5)
    axes.grid(axis="y")
