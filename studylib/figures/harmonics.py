"""Levels of the harmonics relative to the fundamental, board by board.

What it shows: harmonic number across; for each board its mean over mounts (small marker) and
the range of its mounts (thin line); for each wood the mean of its boards (large marker) with
one standard error of it. A harmonic that is below the noise in some take of a board is an open
marker pointing down at its upper limit, and its wood then has no mean.

The levels hold the driver's own distortion as well as the board's response at that frequency:
the figure does not credit the board with either.
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.codes import code_of
from studylib.codes.takes import Unused
from studylib.figures.style import (
    GREY,
    Look,
    empty_figure,
    legend_label,
    looks,
    new_figure,
    settle,
    styled,
)

_NAME = re.compile(r"tone\.h(\d+)\.rel_db")


@styled
def harmonics_figure(measurement, study, *, size: tuple[float, float] | None = None) -> Figure:
    """Harmonics 2 and up of every board under comparison.

    Parameters
    ----------
    measurement : anything with a `features` table.
    study : the study, for the woods' order and the boards' roles.
    """
    rows = _harmonic_rows(measurement.features, study)
    if rows.empty:
        return empty_figure("No level of a harmonic was measured.", size)
    style = looks(study.woods)
    woods = [w for w in study.woods if w in set(rows["wood"])]
    figure = new_figure(size, 4.8)
    axes = figure.subplots()
    step = 0.8 / len(woods)
    for number, wood in enumerate(woods):
        own = rows[rows["wood"] == wood]
        shift = (number - (len(woods) - 1) / 2) * step
        below = own[~own["usable"]]
        _present(axes, own[own["usable"]], shift, step, style[wood], wood, set(below["k"]))
        _limits(axes, below, shift, style[wood])
    highest = int(rows["k"].max())
    between = np.arange(2, highest) + 0.5
    across = axes.get_xaxis_transform()
    axes.vlines(between, 0, 1, transform=across, color="#ECECEC", linewidth=0.8, zorder=0)
    axes.set_xticks(range(2, highest + 1))
    axes.set_xlim(1.5, highest + 0.5)
    axes.grid(axis="y")
    axes.set_xlabel("harmonic number (1 is the fundamental)")
    axes.set_ylabel("level relative to the fundamental (dB)")
    figure.legend(loc="outside upper center", ncols=min(len(woods), 3), fontsize=9)
    figure.supxlabel(
        "small: one board, with the range of its mounts; large: mean of the boards ± one standard "
        "error;\nopen triangle: below the noise, upper limit. The driver's own distortion is in "
        "these levels.",
        fontsize=8.5,
        color=GREY,
    )
    return settle(figure)


def _harmonic_rows(features: pd.DataFrame, study) -> pd.DataFrame:
    compared = {s.specimen for s in study.specimens if not s.role}
    number = features["feature"].str.extract(_NAME, expand=False)
    rows = features[number.notna() & features["specimen"].isin(compared)]
    rows = rows.assign(k=number[rows.index].astype(int), usable=rows["usable"].astype(bool))
    below = rows["reason"].map(code_of) == Unused.BELOW_NOISE
    return rows[(rows["k"] > 1) & (rows["usable"] | below) & rows["value"].notna()]


def _present(
    axes: Axes,
    rows: pd.DataFrame,
    shift: float,
    step: float,
    look: Look,
    wood: str,
    quiet: set[int],
) -> None:
    mounts = rows.groupby(["k", "specimen", "mount"], sort=False)["value"].mean()
    boards = mounts.groupby(["k", "specimen"], sort=False).agg(["mean", "min", "max"]).reset_index()
    near = boards["k"] + shift - 0.12 * step
    axes.vlines(near, boards["min"], boards["max"], color=look.colour, linewidth=0.8, alpha=0.5)
    axes.plot(
        near,
        boards["mean"],
        look.marker,
        color=look.colour,
        markersize=3,
        alpha=0.6,
        linestyle="none",
        markeredgewidth=0,
    )
    woods = boards.groupby("k")["mean"].agg(["mean", "std", "count"]).reset_index()
    # A mean over only the boards that stand out of the noise would be too high.
    woods = woods[~woods["k"].isin(quiet)]
    axes.errorbar(
        woods["k"] + shift + 0.2 * step,
        woods["mean"],
        yerr=(woods["std"] / np.sqrt(woods["count"])).fillna(0.0),
        fmt=look.marker,
        color=look.colour,
        markersize=6,
        linewidth=1.4,
        markeredgecolor="white",
        markeredgewidth=0.5,
        label=legend_label(wood, 34),
        zorder=3,
    )


def _limits(axes: Axes, rows: pd.DataFrame, shift: float, look: Look) -> None:
    highest = rows.groupby(["k", "specimen"], sort=False)["value"].max().reset_index()
    axes.plot(
        highest["k"] + shift,
        highest["value"],
        "v",
        color=look.colour,
        markersize=5,
        markerfacecolor="none",
        linestyle="none",
        markeredgewidth=0.9,
    )
