"""How stiff and how heavy the boards are: Young's modulus against density.

Every point is a board with the standard uncertainty of both; the pale lines join equal speed of
sound. Stiffness comes from taps of the freely hung board alone.

Function: `stiffness_figure`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.figures.style import (
    GREY,
    PALE,
    empty_figure,
    legend_label,
    looks,
    new_figure,
    settle,
    styled,
)

NOTHING = "No stiffness: it needs sizes, mass and at least one tap of the freely hung board."
DENSITY, MODULUS = "wood.density_kg_m3", "wood.youngs_modulus_gpa"
NAMED = 10  # of 50 points that a line must have in the picture to be named
SPEEDS = np.arange(2000.0, 8000.0, 500.0)  # m/s


@styled
def stiffness_figure(
    wood: pd.DataFrame, study, *, size: tuple[float, float] | None = None
) -> Figure:
    """Young's modulus along the grain against density, one point a board.

    Parameters
    ----------
    wood : `wood.study_wood.wood_table`.
    """
    compared = {s.specimen for s in study.specimens if not s.role}
    rows = wood[wood["specimen"].isin(compared)].set_index(["specimen", "quantity"])
    names = [s.specimen for s in study.specimens if _known(rows, s.specimen)]
    if not names:
        return empty_figure(NOTHING, size)
    style = looks(study.woods)
    figure = new_figure(size, 4.6)
    axes = figure.subplots()
    for species in study.woods:
        own = [name for name in names if study.specimen(name).wood == species]
        if not own:
            continue
        x, y = (rows.loc[[(name, q) for name in own]] for q in (DENSITY, MODULUS))
        axes.errorbar(
            x["value"], y["value"], xerr=x["u"], yerr=y["u"], fmt=style[species].marker,
            color=style[species].colour, markersize=7, elinewidth=1.2, capsize=2,
            label=legend_label(species, 24),
        )  # fmt: skip
        for name, at_x, at_y in zip(own, x["value"], y["value"], strict=True):
            axes.annotate(
                legend_label(name, 12), (at_x, at_y), xytext=(6, 5), textcoords="offset points",
                fontsize=8, color=GREY,
            )  # fmt: skip
    _speeds(axes)
    axes.set_xlabel("density (kg/m³)")
    axes.set_ylabel("Young's modulus along the grain (GPa)")
    axes.legend(loc="lower right")
    return settle(figure)


def _known(rows: pd.DataFrame, name: str) -> bool:
    return all(
        (name, quantity) in rows.index and np.isfinite(rows.loc[(name, quantity), "value"])
        for quantity in (DENSITY, MODULUS)
    )


def _speeds(axes: Axes) -> None:
    """Lines of equal speed of sound c: E = rho c^2."""
    axes.margins(0.12)
    axes.autoscale_view()
    (left, right), (low, high) = axes.get_xlim(), axes.get_ylim()
    density = np.linspace(left, right, 50)
    for speed in SPEEDS:
        modulus = density * speed**2 / 1e9
        if modulus[-1] < low or modulus[0] > high:
            continue
        axes.plot(density, modulus, color=PALE, linewidth=1.0, zorder=0)
        inside = np.flatnonzero((modulus > low) & (modulus < high))
        if len(inside) < NAMED:
            continue  # too short a piece of line to carry its name
        at = inside[-1]
        axes.text(
            density[at], modulus[at], f"{speed:.0f} m/s", fontsize=8, color=GREY, ha="right",
            va="top", zorder=0,
        )  # fmt: skip
    axes.set_xlim(left, right)
    axes.set_ylim(low, high)
