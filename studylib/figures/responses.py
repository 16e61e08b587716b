"""What each mount passes on, from its sweeps: the response over the whole band.

A panel for each wood: thin lines are mounts (H1 of its repeated sweeps), the thick line is their
median in dB. Below, the coherence where sweeps were repeated.

Function: `responses_figure`.
"""

from __future__ import annotations

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.figures.style import (
    GREY,
    Look,
    empty_figure,
    frequency_axis,
    looks,
    new_figure,
    safe,
    settle,
    styled,
)

NOTHING = (
    "No response from sweeps: it needs sweeps, their shape in study.toml under [sweep], and a "
    "drive channel."
)


@styled
def responses_figure(
    responses: pd.DataFrame, study, *, size: tuple[float, float] | None = None
) -> Figure:
    """Response relative to the drive channel, a line a mount, a panel a wood.

    Parameters
    ----------
    responses : `measure.sweep_rows.mount_responses`.
    """
    wood_of = {s.specimen: s.wood for s in study.specimens if not s.role}
    rows = responses[responses["specimen"].isin(list(wood_of))]
    if rows.empty:
        return empty_figure(NOTHING, size)
    rows = rows.assign(wood=rows["specimen"].map(wood_of))
    woods = [wood for wood in study.woods if (rows["wood"] == wood).any()]
    repeated = rows["coherence"].notna().any()
    style, f = looks(study.woods), study.settings.tone.fundamental_hz
    low, high = float(rows["frequency_hz"].min()), float(rows["frequency_hz"].max())
    figure = new_figure(size, 0.9 + 1.7 * (len(woods) + repeated))
    panels = figure.subplots(len(woods) + int(repeated), 1, squeeze=False, sharex=True)[:, 0]
    for axes, wood in zip(panels, woods, strict=False):
        _wood(axes, rows[rows["wood"] == wood], wood, style[wood])
        axes.sharey(panels[0])
    if repeated:
        for wood in woods:
            own = rows[(rows["wood"] == wood) & rows["coherence"].notna()]
            least = own.groupby("frequency_hz")["coherence"].min()
            panels[-1].plot(least.index, least, color=style[wood].colour, label=safe(wood))
        panels[-1].set_ylabel("lowest\ncoherence (1)")
        panels[-1].set_ylim(0, 1.05)
    for axes in panels:
        frequency_axis(axes, low, high, label=axes is panels[-1])
        for k in range(1, min(study.settings.tone.harmonics, int(high / f)) + 1):
            axes.axvline(k * f, color=GREY, linewidth=0.5, linestyle=":", zorder=0)
        axes.grid(axis="y")
    figure.supylabel(f"response over {study.settings.channels.drive_kind} (dB re 1)", fontsize=10)
    return settle(figure)


def _wood(axes: Axes, rows: pd.DataFrame, wood: str, look: Look) -> None:
    for _, own in rows.groupby(["specimen", "mount"], sort=False):
        axes.fill_between(
            own["frequency_hz"], own["h1_db"] - own["u_db"], own["h1_db"] + own["u_db"],
            color=look.colour, alpha=0.15, linewidth=0,
        )  # fmt: skip
        axes.plot(own["frequency_hz"], own["h1_db"], color=look.colour, linewidth=0.6, alpha=0.5)
    median = rows.groupby("frequency_hz")["h1_db"].median()
    axes.plot(median.index, median, color=look.colour, linewidth=1.6)
    mounts = len(rows[["specimen", "mount"]].drop_duplicates())
    boards = rows["specimen"].nunique()
    axes.set_title(safe(f"{wood}: {boards} boards, {mounts} mounts"))
