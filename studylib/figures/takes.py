"""One take of taps for the eye: what rings, what is used of it, what speaks against it.

The grey line is the level of the recording over time. Each coloured line is one mode, straight
because a mode dies away by so many dB a second. The bar at the foot is the stretch that is used; a
refused tap is hatched instead. The dashed black line is the room's own decay, as far below the
ring as the tap shows it. A number marks the time of whatever else a tap shows; below the picture
it has its sentence with time, band and level, after the reason of a refusal.

Conventions: the look of `figures.style`; levels in dB re a full-scale sine, times in s from the
start of the recording; nothing is computed here that decides.
"""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib import codes, words
from studylib.figures.style import (
    ABOVE_RIGHT,
    BLACK,
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
from studylib.measure.rings import TapView
from studylib.signal import damping
from studylib.signal.tap import Tap

LINES = ((BLUE, "-"), (VERMILION, "--"), (GREEN, "-."), (ORANGE, ":"))
BELOW_DB = 85.0  # of the loudest block that is shown
ABOVE_DB = 12.0  # where the numbers stand
MOST_TOLD = 7
LETTERS_AN_INCH = 15.0
LINE_HEIGHT = 0.19  # inches of a line below the picture
CLOSE = 0.015  # of the picture's width: numbers nearer than this stand below each other


@styled
def tap_figure(view: TapView | None, *, size: tuple[float, float] | None = None) -> Figure:
    """Level against time of one tap take.

    Parameters
    ----------
    view : from `measure.rings.tap_view`; None when there is nothing to show.
    size : width and height in inches; None for the page's.

    Returns
    -------
    An open matplotlib figure; where there is nothing to draw, one that says so.
    """
    if view is None:
        return empty_figure(words.say("figures_modes.no_tap"), size)
    told, more = _told(view.taps)
    figure = new_figure(size, 4.2 + LINE_HEIGHT * 1.5 * len(told))
    width = round(LETTERS_AN_INCH * figure.get_size_inches()[0])
    lines = [
        wrapped(f"{number}: {words.say(why)}", width, lines=2)
        for number, (_, why) in enumerate(told, 1)
    ] + [words.say("figures_modes.more_signs", more=more)] * bool(more)
    foot = LINE_HEIGHT * sum(1 + line.count("\n") for line in lines)
    shares = [max(figure.get_size_inches()[1] - foot, foot), foot] if lines else [1]
    axes, *key = figure.subplots(len(shares), 1, height_ratios=shares, squeeze=False)[:, 0]
    axes.plot(
        view.time_s,
        view.level_db,
        color=GREY,
        linewidth=0.9,
        label=words.say("figures_modes.recording"),
    )
    top, end = float(view.level_db.max()), float(view.time_s[-1])
    axes.set(
        xlim=(0, end), ylim=(top - BELOW_DB, top + ABOVE_DB),
        xlabel=words.say("figures_modes.time_axis"), ylabel=words.say("figures_modes.level_axis"),
        title=safe(words.say("figures_modes.tap_title", take=view.take)),
    )  # fmt: skip
    used = [tap for tap in view.taps if not tap.reason]
    for tap in view.taps:
        if tap.reason:
            axes.axvspan(
                tap.start_s, tap.end_s, facecolor=PALE, hatch="//", edgecolor=GREY, alpha=0.5,
                label=words.say("figures_modes.not_used"),
            )  # fmt: skip
        else:
            axes.axvspan(
                tap.start_s, tap.end_s, ymax=0.025, color=BLACK, linewidth=0,
                label=words.say("figures_modes.used"),
            )  # fmt: skip
            _modes(axes, tap, named=tap is used[0])
    heard = [tap for tap in view.taps if tap.room is not None]
    for tap in heard:
        _room(axes, tap, view, named=tap is heard[0])
    _numbers(axes, [at_s for at_s, _ in told], top, end)
    axes.grid(axis="y")
    named = {label: handle for handle, label in zip(*axes.get_legend_handles_labels(), strict=True)}
    figure.legend(named.values(), named, loc=ABOVE_RIGHT, ncols=4, fontsize=8)
    for below in key:
        below.set_axis_off()
        below.text(0, 1, "\n".join(lines), va="top", fontsize=8, transform=below.transAxes)
    return settle(
        figure,
        codes.note("figures_headlines.tap", take=view.take, used=len(used), of=len(view.taps)),
    )


def _told(taps) -> tuple[list[tuple[float, str]], int]:
    """(time, note) of what the taps show beside their modes, in order of time, and how many more
    there are; reasons of refusals are kept first, then what refused taps show."""
    refused = [
        (0, tap.start_s, codes.note("figures_modes.refused", reason=tap.reason))
        for tap in taps
        if tap.reason
    ]
    signs = [
        (1 if tap.reason else 2, sign.at_s, codes.note("modes.sign", **sign._asdict()))
        for tap in taps
        for sign in tap.signs
    ]
    kept = sorted(refused + signs)[:MOST_TOLD]
    told = [(at_s, why) for at_s, _, why in sorted((at_s, rank, why) for rank, at_s, why in kept)]
    return told, len(refused + signs) - len(kept)


def _modes(axes: Axes, tap: Tap, *, named: bool) -> None:
    """One line for each of the strongest modes; those of the first tap are named."""
    found = tap.decays
    strongest = sorted(np.argsort(-found.amplitude)[: len(LINES)])
    for i, (colour, dash) in zip(strongest, LINES, strict=False):
        frequency, level = found.frequency_hz[i], 20.0 * np.log10(found.amplitude[i])
        seconds = damping.decay_time(frequency, found.loss_factor[i])
        ends = [tap.start_s, tap.end_s]
        heights = [level, level - 60.0 * (tap.end_s - tap.start_s) / seconds]
        label = words.say("figures_modes.mode_line", frequency_hz=frequency, seconds=seconds)
        axes.plot(
            ends, heights, color=colour, linestyle=dash, linewidth=1.8, label=label * named or None
        )


def _room(axes: Axes, tap: Tap, view: TapView, *, named: bool) -> None:
    """The room's decay, from as far below the loudest block of the ring as the tap shows it."""
    inside = (view.time_s >= tap.start_s) & (view.time_s <= tap.end_s)
    begin = float(view.level_db[inside].max()) - tap.room.ratio_db if inside.any() else np.nan
    ends = np.array([tap.start_s, tap.end_s])
    heights = begin - 60.0 * (ends - tap.start_s) / tap.room.decay_time_s
    label = words.say("figures_modes.room", seconds=tap.room.decay_time_s) * named or None
    axes.plot(ends, heights, color=BLACK, linestyle=(0, (5, 3)), linewidth=1.2, label=label)


def _numbers(axes: Axes, times: list[float], top: float, end: float) -> None:
    """A number at the time of each sign; those of nearly one time stand below each other."""
    before, step = -np.inf, 0
    for number, at_s in sorted(enumerate(times, 1), key=lambda pair: pair[1]):
        step = step + 1 if at_s - before < CLOSE * end else 0
        before = at_s
        axes.axvline(at_s, color=VERMILION, linewidth=0.9, linestyle=":")
        axes.text(
            at_s, top + ABOVE_DB - 3.0 - 6.0 * step, str(number), ha="center", va="center",
            fontsize=8, color="white",
            bbox={"boxstyle": "circle,pad=0.2", "facecolor": VERMILION, "edgecolor": "none"},
        )  # fmt: skip
