"""Where the boards' modes lie: over the tone's spectrum, and board by board with their damping.

- `tone_and_modes_figure`: for one board of each wood the spectrum of its tone, with the modes that
  were measured on the bench (filled marks), measured on the freely hung board (open marks) and
  predicted from size and stiffness (upright strokes).
- `ladder_figure`: every numbered mode of every board, frequency against loss factor, on the bench
  and freely hung, with the standard uncertainty of each and the harmonics of the tone.

Conventions: the look of `figures.style`; nothing is computed here.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, NullFormatter
from matplotlib.transforms import ScaledTranslation

from studylib.figures.spectra import level_label
from studylib.figures.style import (
    BLACK,
    GREY,
    Look,
    empty_figure,
    frequency_axis,
    legend_label,
    looks,
    new_figure,
    safe,
    settle,
    styled,
)
from studylib.wood.near_tone import BENCH, FREE, PREDICTED

NOTHING = "No mode was measured: taps are what shows them."
PLACES = {PREDICTED: 18.0, FREE: 9.0, BENCH: 0.0}  # points above the panel's top edge
SUPPORTS = {"bench": "on the bench, driver and sensor on the board", "free": "freely hung"}
NAMED = (1, 2, 3, 4, 5, 6, 8, 12, 16, 20)


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
    near : `wood.near_tone.modes_near_tone`.  boards : `modes.boards.board_modes`.
    spectra : take, specimen, wood, mount, frequency_hz, level_db.
    """
    shown = [board for wood in study.woods if (board := _first_board(wood, boards, study))]
    if not shown:
        return empty_figure(NOTHING, size)
    style, f = looks(study.woods), study.settings.tone.fundamental_hz
    known = boards[~boards["missing"]]
    high = min(float(known["frequency_hz"].max()) * 1.15, f * (study.settings.tone.harmonics + 1))
    low = min(f, float(known["frequency_hz"].min())) / 1.6
    figure = new_figure(size, 1.2 + 2.2 * len(shown))
    panels = figure.subplots(len(shown), 1, squeeze=False, sharex=True)[:, 0]
    for axes, specimen in zip(panels, shown, strict=True):
        wood = study.specimen(specimen).wood
        rows = spectra[
            (spectra["specimen"] == specimen) & spectra["frequency_hz"].between(low, high)
        ]
        axes.plot(rows["frequency_hz"], rows["level_db"], color=GREY, linewidth=0.7)
        frequency_axis(axes, low, high, label=axes is panels[-1])
        _marks(axes, _modes(specimen, near, known), style[wood])
        _harmonics(axes, f, low, high, study.settings.tone.harmonics)
        axes.set_title(safe(f"{specimen} ({wood})"), pad=26)
        axes.grid(axis="y")
    figure.supylabel(level_label(study), fontsize=10)
    _key(figure)
    return settle(figure)


def _first_board(wood: str, boards: pd.DataFrame, study) -> str:
    """The first board of a wood that has modes; "" without one."""
    tapped = set(boards.loc[~boards["missing"], "specimen"])
    return next(
        (
            s.specimen
            for s in study.specimens
            if s.wood == wood and not s.role and s.specimen in tapped
        ),
        "",
    )


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
        height = [1.0] * len(frequencies)
        up = ScaledTranslation(0.0, PLACES[basis] / 72.0, axes.figure.dpi_scale_trans)
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
    numbers = [k for k in range(1, count + 1) if low <= k * f <= high]
    across = axes.get_xaxis_transform()
    places = [k * f for k in numbers]
    axes.vlines(places, 0, 1, transform=across, color=GREY, linewidth=0.7, linestyle=":", zorder=0)
    for k in set(numbers) & set(NAMED):
        axes.text(
            k * f, 0.02, "f" if k == 1 else f"{k}f", transform=across, ha="center", va="bottom",
            fontsize=8, color=BLACK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6, "alpha": 0.8},
        )  # fmt: skip


def _key(figure: Figure) -> None:
    ends = figure.axes[0]
    for marker, face, label in (
        ("|", BLACK, PREDICTED), ("o", "white", "measured freely hung"), ("o", GREY, BENCH),
    ):  # fmt: skip
        ends.plot([], [], marker, color=GREY, markerfacecolor=face, label=label)
    figure.legend(*ends.get_legend_handles_labels(), loc="outside upper right", ncols=3)


@styled
def ladder_figure(
    boards: pd.DataFrame, study, *, size: tuple[float, float] | None = None
) -> Figure:
    """Frequency and loss factor of every numbered mode, a panel for each support."""
    known = boards[~boards["missing"] & (boards["role"] == "")]
    supports = [support for support in SUPPORTS if (known["support"] == support).any()]
    if not supports:
        return empty_figure(NOTHING, size)
    style, f = looks(study.woods), study.settings.tone.fundamental_hz
    low, high = float(known["frequency_hz"].min()) / 1.3, float(known["frequency_hz"].max()) * 1.2
    figure = new_figure(size, 1.0 + 2.7 * len(supports))
    panels = figure.subplots(len(supports), 1, squeeze=False, sharex=True, sharey=True)[:, 0]
    for axes, support in zip(panels, supports, strict=True):
        rows = known[known["support"] == support]
        for wood in study.woods:
            own = rows[rows["wood"] == wood]
            axes.errorbar(
                own["frequency_hz"], own["loss_factor"], xerr=own["frequency_u"],
                yerr=own["loss_factor_u"], fmt=style[wood].marker, color=style[wood].colour,
                markersize=4.5, alpha=0.8, elinewidth=0.8, label=legend_label(wood, 24),
            )  # fmt: skip
        axes.set_yscale("log")
        axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.yaxis.set_minor_formatter(NullFormatter())
        frequency_axis(axes, low, high, label=axes is panels[-1])
        _harmonics(axes, f, low, high, study.settings.tone.harmonics)
        axes.set_title(SUPPORTS[support])
        axes.set_ylabel("loss factor (1)")
        axes.grid(axis="y", which="both")
    _few_ticks(panels[0], known["loss_factor"])
    figure.legend(*panels[0].get_legend_handles_labels(), loc="outside upper right", ncols=4)
    return settle(figure)


def _few_ticks(axes: Axes, values: pd.Series) -> None:
    low, high = float(values.min()) / 1.15, float(values.max()) * 1.15
    steps = [m * 10.0**e for e in range(-5, 1) for m in (1, 2, 3, 5, 7)]
    axes.set_yticks([step for step in steps if low <= step <= high])
    axes.set_yticks([], minor=True)
    axes.set_ylim(low, high)
