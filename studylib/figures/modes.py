"""Modes for the eye: over the tone, board by board, and what follows from them.

- `tone_and_modes_figure`: for one board of each wood the spectrum of its tone, with the modes that
  were measured on the bench (filled marks), measured on the freely hung board (open marks) and
  predicted from size and stiffness (upright strokes).
- `stiffness_figure`: Young's modulus against density, a point a board with the standard uncertainty
  of both.

Conventions: the look of `figures.style`; nothing is computed here.
"""

import pandas as pd
from matplotlib import transforms
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.codes.wood import ModeBasis
from studylib.figures.spectra import level_label
from studylib.figures.style import (
    ABOVE_RIGHT,
    BLACK,
    GREY,
    Look,
    empty_figure,
    frequency_axis,
    harmonics_of,
    legend_label,
    looks,
    panelled,
    safe,
    settle,
    styled,
)
from studylib.words import say

BENCH, FREE, PREDICTED = ModeBasis.BENCH, ModeBasis.FREE, ModeBasis.PREDICTED
PLACES = {PREDICTED: 18.0, FREE: 9.0, BENCH: 0.0}  # points above the panel's top edge
NAMED = (1, 2, 3, 4, 5, 6, 8, 12, 16, 20)
DENSITY, MODULUS = "wood.density_kg_m3", "wood.youngs_modulus_gpa"


@styled
def tone_and_modes_figure(
    near: pd.DataFrame,
    boards: pd.DataFrame,
    spectra: pd.DataFrame,
    study,
    *,
    size: tuple[float, float] | None = None,
) -> Figure:
    """The modes of one board of each wood over the spectrum of its tone.

    Parameters
    ----------
    near, boards, spectra : the tables `modes_near_tone`, `board_modes` and `spectra`.
    study : the study, for its boards and its tone.
    size : width and height in inches; None for the page's.

    Returns
    -------
    An open matplotlib figure; where there is nothing to draw, one that says so.
    """
    shown = [board for wood in study.woods if (board := _first_board(wood, boards, study))]
    if not shown:
        return empty_figure(say("figures_modes.no_modes"), size)
    style, f = looks(study.woods), study.settings.tone.fundamental_hz
    known = boards[~boards["missing"]]
    high = min(float(known["frequency_hz"].max()) * 1.15, f * (study.settings.tone.harmonics + 1))
    low = min(f, float(known["frequency_hz"].min())) / 1.6
    figure, panels = panelled(size, 1.2 + 2.2 * len(shown), len(shown), sharex=True)
    panels = panels[:, 0]
    for axes, specimen in zip(panels, shown, strict=True):
        wood = study.specimen(specimen).wood
        rows = spectra[
            (spectra["specimen"] == specimen) & spectra["frequency_hz"].between(low, high)
        ]
        axes.plot(rows["frequency_hz"], rows["level_db"], color=GREY, linewidth=0.7)
        frequency_axis(axes, low, high, label=axes is panels[-1])
        _marks(axes, _modes(specimen, near, known), style[wood])
        _harmonics(axes, f, low, high, study.settings.tone.harmonics)
        axes.grid(axis="y")
        axes.set_title(safe(say("figures_modes.board_title", board=specimen, wood=wood)), pad=26)
    figure.supylabel(level_label(study), fontsize=10)
    ends = figure.axes[0]
    for marker, face, code in (
        ("|", BLACK, "figures_modes.predicted"),
        ("o", "white", "figures_modes.measured_free"),
        ("o", GREY, "figures_modes.measured_on_the_bench"),
    ):
        ends.plot([], [], marker, color=GREY, markerfacecolor=face, label=say(code))
    figure.legend(*ends.get_legend_handles_labels(), loc=ABOVE_RIGHT, ncols=3)
    return settle(figure)


def _first_board(wood: str, boards: pd.DataFrame, study) -> str:
    """The first board of a wood that has modes; "" without one."""
    tapped = set(boards.loc[~boards["missing"], "specimen"])
    own = [s.specimen for s in study.specimens if s.wood == wood and not s.role]
    return next((board for board in own if board in tapped), "")


def _modes(specimen: str, near: pd.DataFrame, known: pd.DataFrame) -> dict[str, pd.Series]:
    own = known[known["specimen"] == specimen]
    predicted = near[(near["specimen"] == specimen) & (near["basis"] == PREDICTED)]
    return {
        BENCH: own.loc[own["support"] == "bench", "frequency_hz"],
        FREE: own.loc[own["support"] == "free", "frequency_hz"],
        PREDICTED: predicted.drop_duplicates("mode")["mode_hz"],
    }


def _marks(axes: Axes, modes: dict[str, pd.Series], look: Look) -> None:
    across = axes.get_xaxis_transform()
    low, high = axes.get_xlim()
    for basis, own in modes.items():
        frequencies = own[own.between(low, high)]
        if frequencies.empty:  # an empty line outside the panel would be given room
            continue
        height = [1.0] * len(frequencies)
        up = transforms.ScaledTranslation(0.0, PLACES[basis] / 72.0, axes.figure.dpi_scale_trans)
        options = {"transform": across + up, "clip_on": False, "color": look.colour}
        options["linestyle"] = ""
        if basis == PREDICTED:
            axes.plot(frequencies, height, "|", markersize=8, markeredgewidth=1.6, **options)
        else:
            axes.plot(
                frequencies, height, look.marker, markersize=6,
                markerfacecolor=look.colour if basis == BENCH else "white", **options,
            )  # fmt: skip
        if basis == BENCH:
            axes.vlines(
                frequencies, 0, 1, transform=across, color=look.colour, linewidth=0.6, alpha=0.6
            )
    axes.set_xlim(low, high)


def _harmonics(axes: Axes, f: float, low: float, high: float, count: int) -> None:
    """Dotted lines at the harmonics, their names at the foot."""
    for k in set(harmonics_of(axes, f, count, low=low, high=high, width=0.7)) & set(NAMED):
        axes.text(
            k * f, 0.02, "f" if k == 1 else f"{k}f", transform=axes.get_xaxis_transform(),
            ha="center", va="bottom", fontsize=8, color=BLACK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        )  # fmt: skip


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
