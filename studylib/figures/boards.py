"""Boards for the eye: as points behind the mean of their wood, and their spectra.

`boards_figure` shows one feature; for each board its mean (marker) and the means of its mounts
(small ticks); for each wood the mean of its sources with the confidence interval that these
sources give. Takes are not drawn: thirty takes of one board are one board.

`spectra_figure` has a panel for each wood; thin lines are boards, the thick line is their median in
dB; dotted lines stand at the fundamental and its harmonics. The highest line in each of 500 steps
of the logarithmic axis is kept, so that no tone is lost between pixels.

`still_figure` is a frame of a film: few words, and the boards as points.

Conventions: the look of `figures.style`; nothing is computed here.

Functions: `boards_figure`, `spectra_figure`, `still_figure`.
"""

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib import codes, sheets, words
from studylib.figures.effects import pairs_apart
from studylib.figures.style import (
    ABOVE_RIGHT,
    BLACK,
    FRAME,
    FRAME_DPI,
    GREY,
    PALE,
    Look,
    dress,
    empty_figure,
    explained,
    frequency_axis,
    harmonics_of,
    legend_label,
    looks,
    new_figure,
    panelled,
    quantity,
    settle,
    starred,
    styled,
    wrapped,
)
from studylib.stats.samples import FeatureMeans
from studylib.words import feature as in_plain_words
from studylib.words import numbers, say, text

# From here on the boards' names would run into each other, and are left out.
MOST_NAMED_BOARDS = 72
GAP = 0.8  # between two woods, in boards
MOST_LINES, ODD_LINES = 24, 3  # spectra of a wood: so many as lines; of more, the odd ones
MOST_WORDS, MOST_SAID = 40, 24  # on a still, and in its headline


@styled
def boards_figure(means: FeatureMeans, *, size: tuple[float, float] | None = None) -> Figure:
    """Every board of every wood for one feature.

    Parameters
    ----------
    means : of the boards, their mounts and the woods.
    size : inches; None takes the page's width.

    Returns
    -------
    The figure; where nothing was measured, one that says so.
    """
    boards, feature = means.boards, means.feature
    if boards.empty:
        return empty_figure(words.say("figures_effects.no_board", name=feature.name), size)
    figure, ((axes,),) = panelled(size, 3.5)
    placed = _draw_boards(axes, means)
    ticks = {name: place for own in placed.values() for name, place in own.items()}
    edge = max(ticks.values()) + 1 + GAP
    for own in [*placed.values()][1:]:
        axes.axvline(min(own.values()) - 0.5 - GAP / 2, color=PALE, linewidth=1)
    _name_boards(axes, [*ticks.values()], [*ticks], edge)
    _name_woods(axes, placed, edge)
    dress(
        axes, grid="y",
        ylabel=quantity(
            starred(text.in_short(in_plain_words(feature.name)), feature.name), feature.unit,
            width=32, lines=3,
        ),
        xlim=(-0.5 - GAP / 2, edge - 0.5 - GAP / 2),
    )  # fmt: skip
    many = bool((boards["wood"].value_counts() > MOST_NAMED_BOARDS).any())
    key = words.say("figures_effects.boards_key", confidence=means.confidence, many=many)
    return explained(figure, pairs_apart(means.effects), key, [feature.name])


def _draw_boards(axes: Axes, means: FeatureMeans) -> dict[str, dict[str, float]]:
    """All boards, wood by wood; returns their places: wood -> board -> place."""
    placed, edge, style = {}, 0.0, looks(means.woods)
    for wood in [w for w in means.woods if w in set(means.boards["wood"])]:
        own, mean = (table[table["wood"] == wood] for table in (means.boards, means.means))
        if len(own) > MOST_NAMED_BOARDS:  # in any other order, marks on marks
            own = own.sort_values("value", kind="stable")
        places = edge + np.arange(len(own), dtype=float)
        _draw_wood(axes, own, means.mounts, mean, places, style[wood])
        placed[wood] = dict(zip(own["specimen"], places, strict=True))
        edge = places[-1] + 1 + GAP
    return placed


def _draw_wood(axes: Axes, boards, mounts, mean, places: np.ndarray, look: Look) -> None:
    own = mounts[mounts["specimen"].isin(boards["specimen"])]
    at = own["specimen"].map(dict(zip(boards["specimen"], places, strict=True)))
    many = len(boards) > MOST_NAMED_BOARDS
    if many:
        axes.margins(y=0.12)  # room for the two names
        for end, side in ((0, "left"), (-1, "right")):
            name, value = boards["specimen"].iloc[end], boards["value"].iloc[end]
            axes.annotate(
                wrapped(name, 16, lines=1), (places[end], value), (0, 9 * (-1) ** (end == 0)),
                textcoords="offset points", ha=side, va="center", fontsize=8, color=GREY,
            )  # fmt: skip
    else:
        axes.hlines(own["value"], at - 0.28, at + 0.28, color=look.colour, linewidth=1, alpha=0.7)
    axes.plot(
        places,
        boards["value"],
        look.marker,
        color=look.colour,
        markersize=2.5 if many else 6.5,
        markeredgecolor=look.colour if many else "white",
        markeredgewidth=0.6,
        zorder=3,
    )
    for row in mean.itertuples():
        left, right = places[0] - 0.45, places[-1] + 0.45
        axes.hlines(row.mean, left, right, color=look.colour, linewidth=2.2, zorder=2)
        if np.isfinite(row.low) and np.isfinite(row.high):
            axes.fill_between(
                [left, right],
                row.low,
                row.high,
                color=look.colour,
                alpha=0.16,
                linewidth=0,
                zorder=1,
            )
            axes.hlines(
                [row.low, row.high],
                left,
                right,
                color=look.colour,
                linewidth=0.7,
                linestyle=(0, (4, 3)),
                zorder=1,
            )


@styled
def still_figure(
    headline: str, lines: list[str], foot: str, *, means: FeatureMeans | None = None
) -> Figure:
    """A still for a film: a headline, few words, and where it helps the boards as points.

    No frame holds more than `MOST_WORDS` words. The headline is cut at 24; numbers and woods at the
    axes, what they measure, and the lines are there as far as they fit, each whole or not at all.

    Parameters
    ----------
    headline, foot : the question or finding, and the source (8 words at most).
    lines : what else is said, the weightiest first.
    means : the boards to draw, and the means of those woods that are to have one.

    Returns
    -------
    The figure, of 1920 x 1080 pixels.
    """
    figure, told = new_figure(FRAME, 0.0, dpi=FRAME_DPI), headline.split()
    said = [" ".join(told[:MOST_SAID]) + "…" * (len(told) > MOST_SAID), foot]

    def fitting(line: str) -> str:
        fits = len(" ".join([*said, line]).split()) <= MOST_WORDS
        said.extend([line] * fits)
        return line * fits

    figure.text(0.06, 0.92, wrapped(said[0], 38, lines=4), fontsize=25, weight="bold", va="top")
    figure.text(0.06, 0.05, wrapped(foot, 90, lines=1), fontsize=11, color=GREY)
    left, top, width, size = (0.06, 0.57, 54, 18) if means is None else (0.67, 0.65, 20, 17)
    if means is not None:
        axes = figure.add_axes((0.15, 0.2, 0.48, 0.46))
        placed = _draw_boards(axes, means)
        axes.locator_params(axis="y", nbins=4)
        axes.set_yticks(axes.get_yticks()[1:-1])  # the outermost lie outside
        said.extend(map(str, axes.get_yticks()))
        names = [wrapped(wood, max(34 // len(placed), 3)) for wood in placed]
        middles = [np.mean([*own.values()]) for own in placed.values()]
        axes.set_xticks(middles, names if fitting(" ".join(names)) else [""] * len(names))
        dress(axes, grid="y", bare="x")
        axes.tick_params(labelsize=14)
        meaning = text.in_short(in_plain_words(means.feature.name))
        axes.set_ylabel(
            fitting(quantity(meaning, means.feature.unit, width=30, lines=3)), fontsize=13
        )
    kept = filter(None, [fitting(wrapped(line, width, lines=7)) for line in lines])
    figure.text(left, top, "\n\n".join(kept), fontsize=size, va="top", linespacing=1.3)
    return figure


def _name_boards(axes: Axes, ticks: list[float], names: list[str], width: float) -> None:
    if len(names) > MOST_NAMED_BOARDS:
        axes.set_xticks([])
        return
    letters = 8.6 * 72 / width  # points on the page for one board
    crowded = max(len(str(n)) for n in names) * 5 > letters
    axes.set_xticks(ticks, [wrapped(n, 16, lines=1) for n in names])
    axes.tick_params(
        axis="x",
        length=0,
        rotation=90 if crowded else 0,
        labelsize=min(8.5, max(5.0, 0.8 * letters)) if crowded else 8.5,
    )


def _name_woods(axes: Axes, placed: dict[str, dict[str, float]], width: float) -> None:
    """The woods' names above their boards, with the number of boards."""
    for wood, own in placed.items():
        room = max(6, int(8.6 / width * (len(own) + GAP) * 72 / 6.4))
        axes.text(
            min(own.values()) + (len(own) - 1) / 2,
            1.02,
            f"{wrapped(wood, room)}\n{numbers.counted(len(own), 'board')}",
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=9.5,
        )


STEPS = 500
SHOWN_RANGE_DB = 130.0
MARKED = ("figures_takes.line_read", "figures_takes.noise_there")
_NAMED_HARMONICS = (1, 2, 3, 4, 6, 8, 16, 32)


@styled
def spectra_figure(
    spectra: pd.DataFrame,
    study: sheets.Study,
    *,
    read: Sequence[float] = (),
    size: tuple[float, float] | None = None,
) -> Figure:
    """Spectra of the steady tone at full drive, one line a board.

    Parameters
    ----------
    spectra : the table `spectra`.
    study : for the woods' order, the roles and the fundamental.
    read : of a line to be marked, Hz; its level and that of the noise there, where they are known.

    Returns
    -------
    The figure.
    """
    compared = spectra["specimen"].isin([s.specimen for s in study.with_role("")])
    spectra = spectra[compared & (spectra["frequency_hz"] > 0)]
    if spectra.empty:
        return empty_figure(words.say("figures_takes.no_steady_tone"), size)
    style = looks(study.woods)
    woods = [w for w in study.woods if w in set(spectra["wood"])]
    fundamental = study.settings.tone.fundamental_hz
    low, high = fundamental / 4, float(spectra["frequency_hz"].max())
    columns = 1 if len(woods) <= 3 else 2
    lines = math.ceil(len(woods) / columns)
    figure, grid = panelled(
        size, 1.1 + 1.6 * max(lines, 2), lines, columns, shown=len(woods), sharey=True
    )
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
        lowest = place >= len(woods) - columns
        axes.tick_params(labelbottom=lowest)
        axes.set_xlabel(words.say("figures_takes.frequency_axis") if lowest else "")
    top = float(spectra["level_db"].max()) + 6
    grid[0, 0].set_ylim(max(float(spectra["level_db"].min()), top - SHOWN_RANGE_DB), top)
    figure.supylabel(level_label(study), fontsize=10)
    octaves = np.log2(spectra["frequency_hz"] / fundamental)
    tone, above = (
        spectra[inside].groupby("specimen")["level_db"].max()
        for inside in (octaves.abs() < 0.1, octaves > 0.5)
    )
    headline = codes.note("figures_headlines.spectra", gap=float((tone - above).min()))
    for level, mark, code in zip(read[1:], "o_", MARKED, strict=False):
        label = say(code, frequency_hz=read[0], level_db=level)
        grid[0, 0].plot(read[0], level, mark, color=BLACK, ms=11, mfc="none", label=label)
    if read:
        grid[0, 0].axvline(read[0], color=BLACK, linewidth=0.8, linestyle="--")
        figure.legend(handles=grid[0, 0].lines[-1 - len(read[1:]) : -1], loc=ABOVE_RIGHT, ncols=2)
        headline = codes.note("figures_headlines.line", take=spectra["take"].iloc[0])
    return settle(figure, headline)


def level_label(study: sheets.Study) -> str:
    """The level's name and what it is relative to, as far as the study is calibrated."""
    channels = study.settings.channels
    calibrated = (channels.full_scale_db, channels.calibrator_db) != (None, None)
    absolute = channels.response_kind == "microphone" and calibrated
    return words.say("figures_takes.level_axis", channel=channels.response_kind, absolute=absolute)


def _wood(axes: Axes, spectra: pd.DataFrame, wood: str, look: Look, ends: tuple) -> None:
    edges = np.geomspace(*ends, STEPS + 1)
    middles = np.sqrt(edges[1:] * edges[:-1])
    steps = pd.cut(spectra["frequency_hz"], edges, right=False, labels=False)
    highest = spectra.groupby(["specimen", steps], sort=False)["level_db"].max().unstack()
    stack = highest.reindex(spectra["specimen"].unique(), columns=range(STEPS)).to_numpy()
    held = np.isfinite(stack).any(axis=0)
    middle, single = np.nanmedian(stack[:, held], axis=0), np.arange(len(stack))
    many = len(stack) > MOST_LINES
    if many:  # lines on lines would be one blot: a band, and the boards farthest from the middle
        ends_of = np.nanpercentile(stack[:, held], [5.0, 95.0], axis=0)
        axes.fill_between(middles[held], *ends_of, color=look.colour, alpha=0.25, linewidth=0)
        single = np.argsort(-np.nanmean(np.abs(stack[:, held] - middle), axis=1))[:ODD_LINES]
    for curve in stack[single]:
        own = np.isfinite(curve)
        axes.plot(middles[own], curve[own], color=look.colour, linewidth=0.6, alpha=0.45)
    axes.plot(middles[held], middle, color=look.colour, linewidth=1.3)
    axes.plot(
        [],
        [],
        look.marker,
        color=look.colour,
        label=legend_label(
            say("figures_takes.wood_legend", wood=wood, boards=len(stack), odd=ODD_LINES * many),
            72 if many else 44,
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
