"""The excess of every mount over what the driver alone gives, and the verdicts counted.

What it shows: harmonic by harmonic the excess of each mount with its interval (small marks in the
woods' looks, beside each other), the band in which the driver explains it, and below it the number
of mounts with each verdict. Open marks: cannot tell. Harmonics above the last one worth showing are
counted in the label of the axis.

Conventions: rows as in attribution.ATTRIBUTION_COLUMNS; intervals that go on beyond the axis end
in an arrow at its edge.

Functions: excess_figure, worth_showing.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from studylib.attribution.excess import MARGIN_DB
from studylib.attribution.verdicts import BEYOND, CANNOT_TELL, DRIVER, NOISE
from studylib.figures.style import (
    BLACK,
    GREY,
    PALE,
    Look,
    empty_figure,
    legend_label,
    looks,
    new_figure,
    settle,
    styled,
    wrapped,
)
from studylib.figures.verdict_looks import VERDICT_LOOKS, interval_bars

OTHERS = Look(GREY, "P")  # reference and changed
WIDEST_DB = 40.0
MOST_NAMES = 6


@styled
def excess_figure(table: pd.DataFrame, study, *, size: tuple[float, float] | None = None) -> Figure:
    """The excess of every mount at every harmonic that is worth showing.

    Parameters
    ----------
    table : an attribution's table.
    study : for the woods' order and the specimens' roles.
    """
    heard = table.loc[(table["verdict"] != NOISE) & table["observed_db"].notna(), "harmonic"]
    if heard.empty:
        return empty_figure("No harmonic stands out of the noise.", size)
    highest = worth_showing(table)
    rows = table[table["harmonic"] <= highest]
    figure = new_figure(size, 6.4)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1.3))
    reach = _reach(rows)
    _excesses(upper, rows, study, reach)
    _counts(lower, rows)
    upper.set_ylabel("excess over the driver alone (dB)")
    upper.set_ylim(-reach, reach)
    lower.set_xticks(range(2, highest + 1))
    lower.set_xlim(1.5, highest + 0.5)
    lower.set_xlabel(f"harmonic number (1 is the tone){_beyond_it(table, highest)}")
    lower.set_ylabel("mounts")
    return settle(figure)


def worth_showing(table: pd.DataFrame) -> int:
    """The highest harmonic that is settled anywhere, or heard in a tenth of the mounts."""
    mounts = len(table[["specimen", "mount"]].drop_duplicates())
    heard = table.loc[table["verdict"] != NOISE, "harmonic"].value_counts()
    settled = table.loc[table["verdict"].isin([DRIVER, BEYOND]), "harmonic"]
    most = int(table["harmonic"].max())
    return min(most, int(max([3, *settled, *heard[heard >= 0.1 * mounts].index])))


def _beyond_it(table: pd.DataFrame, highest: int) -> str:
    rows = table[table["harmonic"] > highest]
    if rows.empty:
        return ""
    quiet = int((rows["verdict"] == NOISE).sum())
    return f"; above {highest}: {quiet} of {len(rows)} readings below the noise, none settled"


def _reach(rows: pd.DataFrame) -> float:
    """Half the height of the axis: all intervals that settle something, within reason."""
    settled = rows.loc[rows["verdict"].isin([DRIVER, BEYOND]), ["low", "high"]].to_numpy(float)
    most = np.abs(settled[np.isfinite(settled)]).max(initial=3.0)
    return float(np.ceil(min(most, WIDEST_DB) + 2.0))


def _excesses(axes: Axes, rows: pd.DataFrame, study, reach: float) -> None:
    look, woods = looks(study.woods), {s.specimen: s.wood for s in study.specimens if not s.role}
    axes.axhspan(-MARGIN_DB, MARGIN_DB, color=PALE, zorder=0)
    axes.axhline(0, color="#999999", linewidth=0.8, zorder=1)
    told = rows[np.isfinite(rows["excess_db"])]
    mounts = list(dict.fromkeys(zip(told["specimen"], told["mount"], strict=True)))
    place = {key: (i + 0.5) / len(mounts) - 0.5 for i, key in enumerate(mounts)}
    named: set[tuple[str, int]] = set()
    for r in told.itertuples():
        own = look[woods[r.specimen]] if r.specimen in woods else OTHERS
        x = r.harmonic + 0.84 * place[r.specimen, r.mount]
        _one(axes, r, x, own, reach)
        if r.verdict == BEYOND and (r.specimen, r.mount) not in named:
            named.add((r.specimen, r.mount))
            label = wrapped(f"{r.specimen}, mount {r.mount}", 24, lines=1)
            at = min(r.excess_db, 0.9 * reach)
            if len(named) <= MOST_NAMES:
                axes.annotate(
                    label, (x, at), xytext=(0, 9 + 10 * ((len(named) - 1) % 3)),
                    textcoords="offset points", fontsize=8.5,
                )  # fmt: skip
    if len(named) > MOST_NAMES:
        axes.text(
            0.01, 0.98, f"and {len(named) - MOST_NAMES} more mounts beyond the driver",
            transform=axes.transAxes, va="top", fontsize=8.5,
        )  # fmt: skip
    axes.grid(axis="y")
    _legend(axes, study, look, others=any(name not in woods for name in told["specimen"]))


def _one(axes: Axes, r, x: float, look: Look, reach: float) -> None:
    pale = r.verdict == CANNOT_TELL
    interval_bars(
        axes, x, r.low, r.high, reach=reach, colour=look.colour, alpha=0.3 if pale else 0.6
    )
    at = float(np.clip(r.excess_db, -0.95 * reach, 0.95 * reach))
    if pale and at != r.excess_db:
        return  # the bar's arrow says where it goes on
    axes.plot(
        x, at, look.marker, color=look.colour, ms=4.5, alpha=0.5 if pale else 1,
        mfc="white" if pale else look.colour, zorder=3,
    )  # fmt: skip
    if r.verdict == BEYOND:
        axes.plot(x, at, "o", ms=11, mfc="none", mec=BLACK, mew=1.3, zorder=4)


def _legend(axes: Axes, study, look: dict[str, Look], *, others: bool) -> None:
    def mark(label: str, marker: str, colour: str, **more) -> Line2D:
        return Line2D([], [], marker=marker, color=colour, ls="none", label=label, **more)

    handles = [mark(legend_label(w, 24), look[w].marker, look[w].colour) for w in study.woods]
    if others:
        handles.append(mark("reference, changed", OTHERS.marker, OTHERS.colour))
    handles += [
        mark(CANNOT_TELL, "o", GREY, mfc="white"),
        mark(BEYOND, "o", BLACK, mfc="none", ms=9),
    ]
    band = axes.axhspan(0, 0, color=PALE, label=f"the driver explains it (±{MARGIN_DB:g} dB)")
    axes.figure.legend(handles=[*handles, band], loc="outside upper center", ncols=4, fontsize=8.5)


def _counts(axes: Axes, rows: pd.DataFrame) -> None:
    """Mounts with each verdict, stacked."""
    counts = pd.crosstab(rows["harmonic"], rows["verdict"])
    bottom = np.zeros(len(counts))
    for verdict, (colour, _, hatch) in VERDICT_LOOKS.items():
        if verdict not in counts:
            continue
        height = counts[verdict].to_numpy()
        axes.bar(
            counts.index, height, 0.8, bottom=bottom, color=colour, hatch=hatch,
            edgecolor="white", linewidth=0.5, label=verdict,
        )  # fmt: skip
        bottom += height
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, integer=True))
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8)
