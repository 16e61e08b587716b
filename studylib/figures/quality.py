"""Was each take fit for use? Takes across, checks down.

What it shows: one mark for each take and check; a pass is a small dot, a warning a triangle, a
fail a cross, so that the picture can be read without colour. The takes that failed are named.
"""

import re

import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from studylib.codes.checks import Verdict
from studylib.figures.style import (
    ABOVE,
    GREEN,
    GREY,
    ORANGE,
    VERMILION,
    empty_figure,
    new_figure,
    safe,
    settle,
    styled,
    wrapped,
)
from studylib.signal.quality import CHECKS
from studylib.words import say

MOST_NAMED_TAKES = 40
# More marks than this are a picture inside the SVG: it would otherwise weigh megabytes.
MOST_DRAWN_MARKS = 2000
WHOLE = "take"  # the check that stands for the take as a whole
_OVERTONE = re.compile(r"^(.*)_h(?:[2-9]|[1-9]\d+)$")
_MARKS = {  # from good to bad
    Verdict.PASS: (".", GREEN, 4.5),
    Verdict.WARN: ("^", ORANGE, 6.5),
    Verdict.FAIL: ("X", VERMILION, 7.5),
}
_RANK = {verdict: rank for rank, verdict in enumerate(_MARKS)}


@styled
def quality_figure(quality: pd.DataFrame, *, size: tuple[float, float] | None = None) -> Figure:
    """Every check of every take of a batch, or of the whole study; the worst of its channels.

    Parameters
    ----------
    quality : the table `quality`.
    size : inches; None takes the page's width and the height that the checks need.

    Returns
    -------
    The figure.
    """
    if quality.empty:
        return empty_figure(say("figures_takes.no_take_checked"), size)
    # Checks of single overtones share one row; the other checks keep their names.
    quality = quality.assign(check=[_OVERTONE.sub(r"\1_overtones", c) for c in quality["check"]])
    takes = list(dict.fromkeys(quality["take"]))
    checks = [c for c in dict.fromkeys(quality["check"]) if c != WHOLE]
    checks.append(WHOLE)
    worst = _worst(quality)
    figure = new_figure(size, 1.5 + 0.24 * len(checks))
    axes = figure.subplots()
    for verdict, (marker, colour, area) in _MARKS.items():
        rows = worst[worst["verdict"] == verdict]
        axes.plot(
            rows["take"].map(takes.index),
            rows["check"].map(checks.index),
            marker,
            color=colour,
            markersize=area,
            linestyle="none",
            markeredgewidth=0,
            label=f"{verdict} ({len(rows)})",
            rasterized=len(rows) > MOST_DRAWN_MARKS,
        )
    axes.axhline(len(checks) - 1.5, color=GREY, linewidth=0.8)
    axes.set_yticks(
        range(len(checks)),
        [*[safe(_label(check)) for check in checks[:-1]], say("figures_takes.whole_take")],
    )
    axes.set_ylim(len(checks) - 0.4, -0.6)
    axes.tick_params(axis="y", length=0)
    _take_axis(axes, takes, worst)
    figure.legend(loc=ABOVE, ncols=3)
    return settle(figure)


def _label(check: str) -> str:
    if check == "snr_overtones":
        return say("checks.snr_overtones")
    return say(CHECKS[check].code, form="label") if check in CHECKS else check.replace("_", " ")


def _worst(quality: pd.DataFrame) -> pd.DataFrame:
    """The worst verdict over the channels of a take, one row a take and check."""
    ranked = quality.assign(rank=quality["verdict"].map(_RANK)).dropna(subset=["rank"])
    names = {rank: name for name, rank in _RANK.items()}
    worst = ranked.groupby(["take", "check"], sort=False)["rank"].max().reset_index()
    return worst.assign(verdict=worst["rank"].map(names))


def _take_axis(axes: Axes, takes: list[str], worst: pd.DataFrame) -> None:
    """All takes by name when they fit; otherwise only those that failed, while they fit."""
    axes.set_xlim(-1, len(takes))
    failed = list(worst.loc[worst["verdict"] == Verdict.FAIL, "take"].unique())
    named = takes if len(takes) <= MOST_NAMED_TAKES else _spaced(failed, takes)
    axes.set_xticks(
        [takes.index(t) for t in named],
        [wrapped(t, 22, lines=1) for t in named],
        rotation=90,
        fontsize=7,
    )
    some = bool(failed) and len(takes) > MOST_NAMED_TAKES
    about = {"failed_named": some, "failed_more": len(failed) - len(named) if some else 0}
    axes.set_xlabel(say("figures_takes.takes_axis", takes=len(takes), **about))


def _spaced(names: list[str], takes: list[str]) -> list[str]:
    """Those names whose places are far enough apart to be read."""
    room, kept, last = len(takes) / 60, [], float("-inf")
    for name in names:
        if takes.index(name) - last >= room:
            kept.append(name)
            last = takes.index(name)
    return kept
