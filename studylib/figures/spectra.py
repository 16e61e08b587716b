"""The narrow-band spectrum of each board, a panel for each wood.

What it shows: thin lines are boards, the thick line is their median in dB; dotted lines stand
at the fundamental and its harmonics. For drawing, the highest line in each of 500 steps of the
logarithmic axis is kept, so that no tone is lost between pixels.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.figures.style import (
    GREY,
    Look,
    empty_figure,
    frequency_axis,
    legend_label,
    looks,
    new_figure,
    settle,
    styled,
)

STEPS = 500
SHOWN_RANGE_DB = 130.0
_NAMED_HARMONICS = (1, 2, 3, 4, 6, 8, 16, 32)


@styled
def spectra_figure(measurement, study, *, size: tuple[float, float] | None = None) -> Figure:
    """Spectra of the steady tone at full drive, one line a board.

    Parameters
    ----------
    measurement : anything with `spectra` (take, specimen, wood, mount, frequency_hz, level_db).
    study : the study, for the woods' order, the roles and the fundamental.
    """
    spectra = _compared(measurement.spectra, study)
    if spectra.empty:
        return empty_figure("No usable take of the steady tone at full drive.", size)
    style = looks(study.woods)
    woods = [w for w in study.woods if w in set(spectra["wood"])]
    fundamental = study.settings.tone.fundamental_hz
    low, high = fundamental / 4, float(spectra["frequency_hz"].max())
    columns = 1 if len(woods) <= 3 else 2
    lines = math.ceil(len(woods) / columns)
    figure = new_figure(size, 1.1 + 1.6 * max(lines, 2))
    grid = figure.subplots(lines, columns, squeeze=False, sharey=True)
    for axes, wood in zip(grid.ravel(), woods, strict=False):
        _wood(axes, spectra[spectra["wood"] == wood], wood, style[wood], (low, high))
        _mark_harmonics(axes, fundamental, high, study.settings.tone.harmonics)
    for axes in grid.ravel()[len(woods) :]:
        axes.set_visible(False)
    for axes in grid.ravel()[max(0, len(woods) - columns) : len(woods)]:
        axes.set_xlabel("frequency (Hz; notes at A4 = 440 Hz)")
    for axes in grid.ravel()[: max(0, len(woods) - columns)]:
        axes.tick_params(labelbottom=False)
    top = float(spectra["level_db"].max()) + 6
    grid[0, 0].set_ylim(max(float(spectra["level_db"].min()), top - SHOWN_RANGE_DB), top)
    figure.supylabel(level_label(study), fontsize=10)
    return settle(figure)


def level_label(study) -> str:
    """The level's name and what it is relative to, as far as the study is calibrated."""
    channels = study.settings.channels
    if channels.response_kind != "microphone":
        return f"level of the {channels.response_kind} channel (dB re full scale)"
    if channels.full_scale_db is not None or channels.calibrator_db is not None:
        return "sound pressure level (dB re 20 µPa)"
    return "level of the microphone channel (dB re full scale)"


def _compared(spectra: pd.DataFrame, study) -> pd.DataFrame:
    compared = {s.specimen for s in study.specimens if not s.role}
    return spectra[spectra["specimen"].isin(compared) & (spectra["frequency_hz"] > 0)]


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
    boards = f"{len(curves)} board{'s' if len(curves) != 1 else ''}"
    axes.plot([], [], look.marker, color=look.colour, label=legend_label(f"{wood}, {boards}", 44))
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


def _mark_harmonics(axes: Axes, fundamental: float, high: float, count: int) -> None:
    numbers = range(1, min(count, int(high / fundamental)) + 1)
    across = axes.get_xaxis_transform()
    places = [k * fundamental for k in numbers]
    axes.vlines(places, 0, 1, transform=across, color=GREY, linewidth=0.5, linestyle=":", zorder=0)
    for k in sorted(set(numbers) & set(_NAMED_HARMONICS)):
        axes.text(
            k * fundamental,
            1.0,
            "f" if k == 1 else f"{k}f",
            fontsize=8,
            transform=across,
            ha="center",
            va="bottom",
            color=GREY,
        )
