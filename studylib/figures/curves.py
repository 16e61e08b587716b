"""The woods over frequency, for the eye: where they differ, and what else moves a response.

- `curves_figure`: above, the mean response of each wood, its boards as thin lines; below, a panel
  for each pair of woods with their difference and its simultaneous band. Where the band leaves zero
  it is drawn dark. Steps are third octaves, with their own band as bars.
- `predicted_figure`: each board's measured curve over what its own numbers predict.
- `split_figure`: what the differences act through, as bars.

Conventions: the look of `figures.style`; nothing is computed here. A gap in a line is a frequency
that was left out.
"""

from collections import Counter

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib import codes
from studylib.figures.style import (
    ABOVE_RIGHT,
    BLACK,
    BLUE,
    GREY,
    dress,
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
from studylib.sheets.files import grouped
from studylib.words import say

LEVELS = {"wood": "-", "source": (0, (6, 2)), "specimen": "--", "mount": "-.", "take": ":"}
MOST_PAIRS = 6  # of panels: those of four woods, in the order of the sheets
MOST_BOARDS = 24  # of panels
DARK, LIGHT = "#777777", "#DDDDDD"
PART_COLOURS = {"not explained": LIGHT, "difference": DARK}
WIDEST_GAP = 0.02  # relative: a line ends there


@styled
def curves_figure(curves, study, *, size: tuple[float, float] | None = None) -> Figure:
    """The response of each wood, and the differences of all pairs with their bands.

    Parameters
    ----------
    curves : from `report.curves.curves_of`.  study : for its tone.
    size : width and height in inches; None for the page's.

    Returns
    -------
    An open matplotlib figure; where there is nothing to draw, one that says so.
    """
    if curves.reason:
        return empty_figure(say(curves.reason), size)
    pairs = list(curves.differences.groupby(["wood_a", "wood_b"], sort=False))[:MOST_PAIRS]
    lines = 1 + len(pairs)
    figure, panels = panelled(size, 1.2 + 1.9 * lines, lines, sharex=True)
    style, panels = looks(study.woods), panels[:, 0]
    for (wood, _), own in curves.boards.groupby(["wood", "source"], sort=False):
        panels[0].plot(
            *_with_gaps(own, "level_db"), color=style[wood].colour, linewidth=0.5, alpha=0.5
        )
    means = curves.boards.groupby(["wood", "frequency_hz"], sort=False, as_index=False)[
        "level_db"
    ].mean()
    for wood, own in means.groupby("wood", sort=False):
        label = legend_label(wood, 24)
        panels[0].plot(
            *_with_gaps(own, "level_db"), color=style[wood].colour, linewidth=1.8, label=label
        )
    dress(panels[0], grid="y", title=say("figures_curves.response"))
    for axes, ((a, b), own) in zip(panels[1:], pairs, strict=True):
        _difference(axes, own)
        dress(axes, grid="y", title=safe(say("figures_curves.pair", a=a, b=b)))
        axes.sharey(panels[1])
    low, high = curves.boards["frequency_hz"].min(), curves.boards["frequency_hz"].max()
    for axes in panels:
        frequency_axis(axes, low, high, label=axes is panels[-1])
        harmonics_of(axes, study.settings.tone.fundamental_hz, 1, low=low, high=high, width=1.0)
    figure.legend(*panels[0].get_legend_handles_labels(), loc=ABOVE_RIGHT, ncols=4)
    apart = [names for names, own in pairs if (own["clear"] & (own["band"] == "fine")).any()]
    return settle(figure, codes.note("figures_headlines.curves", pairs=apart))


def _difference(axes: Axes, pair: pd.DataFrame) -> None:
    fine, thirds = (pair[pair["band"] == name] for name in ("fine", "third octave"))
    f, low = _with_gaps(fine, "low")
    high, clear = (_with_gaps(fine, name)[1] for name in ("high", "clear"))
    axes.fill_between(f, low, high, color=LIGHT, linewidth=0)
    axes.fill_between(f, low, high, where=clear == 1.0, color=DARK, linewidth=0)
    axes.plot(*_with_gaps(fine, "difference"), color=BLACK, linewidth=0.9)
    axes.errorbar(
        thirds["frequency_hz"], thirds["difference"], yerr=thirds["high"] - thirds["difference"],
        fmt="_", color=GREY, markersize=9, elinewidth=0.8,
    )  # fmt: skip
    axes.axhline(0.0, color=BLACK, linewidth=0.8)
    reach = 1.15 * float(fine["difference"].abs().max())
    axes.set_ylim(-reach - 6.0, reach + 6.0)


def _with_gaps(rows: pd.DataFrame, column: str) -> tuple[np.ndarray, np.ndarray]:
    """Frequencies and values, with a NaN wherever frequencies were left out."""
    f, y = rows["frequency_hz"].to_numpy(float), rows[column].to_numpy(float)
    after = np.flatnonzero(np.diff(np.log(f)) > WIDEST_GAP) + 1
    return np.insert(f, after, f[after]), np.insert(y, after, np.nan)


@styled
def predicted_figure(predicted, study, *, size: tuple[float, float] | None = None) -> Figure:
    """Measured beside predicted: a panel for each board, by wood.

    Parameters
    ----------
    predicted : from `report.predicted.predicted_of`, of a study or a batch.
    study : for the woods' colours.
    size : width and height in inches; None for the page's.

    Returns
    -------
    An open matplotlib figure; where there is nothing to draw, one that says so.
    """
    if predicted.reason:
        return empty_figure(say(predicted.reason), size)
    boards = dict(list(predicted.curves.groupby("specimen", sort=False)))
    of_wood = grouped((s.wood, s.specimen) for s in study.specimens if s.specimen in boards)
    # Of many boards as many of each wood.
    each = max(MOST_BOARDS // len(of_wood), 1) if len(boards) > MOST_BOARDS else MOST_BOARDS
    names = [name for wood in study.woods for name in of_wood.get(wood, ())[:each]]
    shown = [(name, boards[name]) for name in names[:MOST_BOARDS]]
    columns = min(len(shown), 3 if size is None else 6)
    lines = -(-len(shown) // columns)
    figure, panels = panelled(
        size, 1.2 + 1.5 * lines, lines, columns, shown=len(shown), sharex=True, sharey=True
    )
    style = looks(study.woods)
    for axes, (name, own) in zip(panels.flat, shown, strict=False):
        wood = own["wood"].iloc[0]
        f, low = _with_gaps(own, "low_db")
        axes.fill_between(f, low, _with_gaps(own, "high_db")[1], color=LIGHT, linewidth=0)
        axes.plot(
            *_with_gaps(own, "predicted_db"),
            color=BLACK,
            linewidth=0.7,
            label=say("figures_curves.predicted"),
        )
        axes.plot(
            *_with_gaps(own, "measured_db"),
            color=style[wood].colour,
            linewidth=1.2,
            label=say("figures_curves.measured", wood=safe(wood)),
        )
        dress(axes, grid="y", title=safe(study.specimen(name).shown))
    frequency_axis(panels[0, 0], own["frequency_hz"].min(), own["frequency_hz"].max(), label=False)
    some = say("figures_curves.some_boards", shown=len(shown), boards=len(boards))
    below = [say("figures_style.frequency"), *[some] * (len(shown) < len(boards))]
    figure.supxlabel("\n".join(below), fontsize=10)
    figure.supylabel(say("figures_curves.response"), fontsize=10)
    named = {
        label: handle
        for axes in panels.flat
        for handle, label in zip(*axes.get_legend_handles_labels(), strict=True)
    }
    figure.legend(named.values(), named, loc=ABOVE_RIGHT, ncols=5)
    return settle(
        figure,
        codes.note("figures_headlines.predicted", share=predicted.curves["inside"].mean()),
    )


@styled
def split_figure(parts, *, size: tuple[float, float] | None = None) -> Figure:
    """What differences act through: a bar for each part, pair by pair, at the tone and over the
    band.

    Parameters
    ----------
    parts : from `report.predicted.parts_of`.
    size : width and height in inches; None for the page's.

    Returns
    -------
    An open matplotlib figure; where there is nothing to draw, one that says so.
    """
    if parts.reason:
        return empty_figure(say(parts.reason), size)
    rows = parts.table[parts.table["part"] != "material"]
    pairs = list(rows.groupby(["wood_a", "wood_b"], sort=False))[:MOST_PAIRS]
    overs = list(rows["over"].unique())
    figure, panels = panelled(
        size, 0.8 + 1.6 * len(pairs), len(pairs), len(overs), sharey=True, sharex="col"
    )
    for line, ((a, b), own) in zip(panels, pairs, strict=True):
        for axes, over in zip(line, overs, strict=True):
            drawn = own[own["over"] == over].iloc[::-1]
            value = drawn["difference_db"]
            axes.barh(
                drawn["part"], value, height=0.7,
                color=[PART_COLOURS.get(name, BLUE) for name in drawn["part"]],
                xerr=[value - drawn["low_db"], drawn["high_db"] - value],
                error_kw={"elinewidth": 1.0, "ecolor": BLACK},
            )  # fmt: skip
            axes.axvline(0.0, color=BLACK, linewidth=0.8)
            code = "figures_curves.over_tone" if over == "tone" else "figures_curves.over_band"
            dress(axes, grid="x", title=safe(say(code, a=a, b=b)), bare="y")
    for axes in panels[-1]:
        axes.set_xlabel(say("figures_curves.difference"))
    first = rows[(rows["over"] == overs[0]) & (rows["part"] != "difference")]
    most = Counter(
        own.loc[own["difference_db"].abs().idxmax(), "part"]
        for _, own in first.groupby(["wood_a", "wood_b"], sort=False)
    )
    return settle(
        figure, codes.note("figures_headlines.split", over=overs[0], most=dict(most.most_common()))
    )
