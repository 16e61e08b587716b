"""A tap as it rings: the level of a take over time, and the modes that make it up.

The grey line is the recording; each coloured line is one mode, straight because a mode dies away
by so many dB a second. A refused tap is hatched, with its reason.

Function: `tap_figure`.
"""

from __future__ import annotations

from itertools import cycle

from matplotlib.figure import Figure

from studylib.figures.style import (
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PALE,
    VERMILION,
    empty_figure,
    new_figure,
    safe,
    settle,
    styled,
    wrapped,
)

LINES = ((BLUE, "-"), (VERMILION, "--"), (GREEN, "-."), (ORANGE, ":"))
BELOW_DB = 85.0  # of the loudest block that is shown


@styled
def tap_figure(view, *, size: tuple[float, float] | None = None) -> Figure:
    """Level against time of one tap take (`measure.tap_view.TapView`; None: nothing to show)."""
    if view is None:
        return empty_figure("No tap take that can be read.", size)
    figure = new_figure(size, 4.2)
    axes = figure.subplots()
    axes.plot(view.time_s, view.level_db, color=GREY, linewidth=0.9, label="the recording")
    top = float(view.level_db.max())
    named = False
    for tap in view.taps:
        if tap.reason:
            axes.axvspan(
                tap.start_s, tap.end_s, facecolor=PALE, hatch="//", edgecolor=GREY, alpha=0.5
            )
            axes.text(
                tap.start_s,
                top,
                wrapped(f"refused: {tap.reason}", 30, lines=4),
                va="top",
                fontsize=8,
            )
            continue
        for (frequency, level, seconds), (colour, dash) in zip(
            tap.modes, cycle(LINES), strict=False
        ):
            ends = [tap.start_s, tap.end_s]
            label = None if named else safe(f"{frequency:.0f} Hz, {seconds:.2f} s to −60 dB")
            heights = [level, level - 60.0 * (tap.end_s - tap.start_s) / seconds]
            axes.plot(ends, heights, color=colour, linestyle=dash, linewidth=1.8, label=label)
        named = named or bool(tap.modes)
    axes.set_ylim(top - BELOW_DB, top + 4)
    axes.set_xlim(0, float(view.time_s[-1]))
    axes.set_xlabel("time (s)")
    axes.set_ylabel("level (dB re a full-scale sine)")
    axes.set_title(safe(f"{view.take}: the strongest modes of each tap"))
    axes.grid(axis="y")
    axes.legend(loc="upper right", fontsize=8)
    return settle(figure)
