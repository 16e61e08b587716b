"""What follows from the modes of the freely hung board, for the eye.

`stiffness_figure`: Young's modulus against density, a point a board with the standard uncertainty
of both.

Conventions: the look of `figures.style`; nothing is computed here.
"""

import pandas as pd
from matplotlib.figure import Figure

from studylib.figures.style import (
    GREY,
    empty_figure,
    legend_label,
    looks,
    panelled,
    settle,
    styled,
)
from studylib.words import say

DENSITY, MODULUS = "wood.density_kg_m3", "wood.youngs_modulus_gpa"


@styled
def stiffness_figure(
    wood: pd.DataFrame, study, *, size: tuple[float, float] | None = None
) -> Figure:
    """Young's modulus along the grain against density, one point a board.

    Parameters
    ----------
    wood : the table `wood`.  study : the study, for its boards.
    size : width and height in inches; None for the page's.

    Returns
    -------
    An open matplotlib figure; where there is nothing to draw, one that says so.
    """
    compared = {s.specimen for s in study.specimens if not s.role}
    rows = wood[wood["specimen"].isin(compared)].set_index(["specimen", "quantity"])
    known = rows["value"].unstack().reindex(columns=[DENSITY, MODULUS]).dropna().index
    names = [s.specimen for s in study.specimens if s.specimen in known]
    if not names:
        return empty_figure(say("figures_modes.no_stiffness"), size)
    style = looks(study.woods)
    figure, ((axes,),) = panelled(size, 4.6)
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
    axes.margins(0.12)
    axes.set(xlabel=say("figures_modes.density_axis"), ylabel=say("figures_modes.modulus_axis"))
    axes.legend(loc="lower right")
    return settle(figure)
