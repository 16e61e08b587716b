"""The narrow-band spectrum of each board.

A panel for each wood; thin lines are boards, the thick line is their median in dB; dotted
lines stand at the fundamental and its harmonics. For drawing, the highest line in each of 500 steps
of the logarithmic axis is kept, so that no tone is lost between pixels.
"""

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib import sheets, words
from studylib.figures.style import (
    GREY,
    Look,
    empty_figure,
    frequency_axis,
    harmonics_of,
    legend_label,
    looks,
    panelled,
    settle,
    styled,
)

STEPS = 500
SHOWN_RANGE_DB = 130.0
_NAMED_HARMONICS = (1, 2, 3, 4, 6, 8, 16, 32)


@styled
def spectra_figure(
    spectra: pd.DataFrame, study: sheets.Study, *, size: tuple[float, float] | None = None
) -> Figure:
    """Spectra of the steady tone at full drive, one line a board.

    Parameters
    ----------
    spectra : the table `spectra`.
    study : for the woods' order, the roles and the fundamental.

    Returns
    -------
    The figure.
    """
    spectra = _compared(spectra, study)
    spectra = spectra[spectra["frequency_hz"] > 0]
    if spectra.empty:
        return empty_figure(words.say("figures_takes.no_steady_tone"), size)
    style = looks(study.woods)
    woods = [w for w in study.woods if w in set(spectra["wood"])]
    fundamental = study.settings.tone.fundamental_hz
    low, high = fundamental / 4, float(spectra["frequency_hz"].max())
    columns = 1 if len(woods) <= 3 else 2
    lines = math.ceil(len(woods) / columns)
    figure, grid = panelled(size, 1.1 + 1.6 * max(lines, 2), lines, columns, sharey=True)
    for axes, wood in zip(grid.ravel(), woods, strict=False):
        _wood(axes, spectra[spectra["wood"] == wood], wood, style[wood], (low, high))
        numbers = harmonics_of(
            axes, fundamental, study.settings.tone.harmonics, low=0.0, high=high, width=0.5
        )
        for k in sorted(set(numbers) & set(_NAMED_HARMONICS)):
            axes.text(
                k * fundamental, 1.0, "f" if k == 1 else f"{k}f", fontsize=8, color=GREY,
                transform=axes.get_xaxis_transform(), ha="center", va="bottom",
            )  # fmt: skip
    for place, axes in enumerate(grid.ravel()):
        axes.set_visible(place < len(woods))
        lowest = place >= len(woods) - columns
        axes.tick_params(labelbottom=lowest)
        axes.set_xlabel(words.say("figures_takes.frequency_axis") if lowest else "")
    top = float(spectra["level_db"].max()) + 6
    grid[0, 0].set_ylim(max(float(spectra["level_db"].min()), top - SHOWN_RANGE_DB), top)
    figure.supylabel(level_label(study), fontsize=10)
    return settle(figure)


def level_label(study: sheets.Study) -> str:
    """The level's name and what it is relative to, as far as the study is calibrated."""
    channels = study.settings.channels
    calibrated = (channels.full_scale_db, channels.calibrator_db) != (None, None)
    absolute = channels.response_kind == "microphone" and calibrated
    return words.say("figures_takes.level_axis", channel=channels.response_kind, absolute=absolute)


def _compared(rows: pd.DataFrame, study: sheets.Study) -> pd.DataFrame:
    """The rows of the boards under comparison."""
    return rows[rows["specimen"].isin({s.specimen for s in study.specimens if not s.role})]


def _wood(axes: Axes, spectra: pd.DataFrame, wood: str, look: Look, ends: tuple) -> None:
    edges = np.geomspace(*ends, STEPS + 1)
    middles = np.sqrt(edges[1:] * edges[:-1])
    curves = [_highest(rows, edges) for _, rows in spectra.groupby("specimen", sort=False)]
    for curve in curves:
        held = np.isfinite(curve)
        axes.plot(middles[held], curve[held], color=look.colour, linewidth=0.6, alpha=0.45)
    stack = np.array(curves)
    held = np.isfinite(stack).any(axis=0)
    axes.plot(middles[held], np.nanmedian(stack[:, held], axis=0), color=look.colour, linewidth=1.3)
    axes.plot(
        [],
        [],
        look.marker,
        color=look.colour,
        label=legend_label(
            words.say("figures_takes.wood_legend", wood=wood, boards=len(curves)), 44
        ),
    )
    axes.legend(
        loc="lower left",
        bbox_to_anchor=(0, 1),
        fontsize=9.5,
        handletextpad=0.2,
        borderaxespad=1.1,  # above the harmonics' names, however low the panel
        borderpad=0.2,
    )
    frequency_axis(axes, *ends, label=False)
    axes.grid(axis="y")


def _highest(rows: pd.DataFrame, edges: np.ndarray) -> np.ndarray:
    """The highest level in each step; NaN where a step holds no line."""
    steps = np.digitize(rows["frequency_hz"].to_numpy(), edges) - 1
    inside = (steps >= 0) & (steps < len(edges) - 1)
    curve = np.full(len(edges) - 1, -np.inf)
    np.maximum.at(curve, steps[inside], rows["level_db"].to_numpy()[inside])
    return np.where(np.isinf(curve), np.nan, curve)
