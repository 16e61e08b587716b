"""Where the harmonics come from: all mounts, and one specimen harmonic by harmonic.

- `excess_figure`: harmonic by harmonic the excess of every mount with its interval (small marks in
  the woods' looks, beside each other), the band in which the driver explains it, and below it the
  number of mounts with each verdict. Open marks: cannot tell. Of hundreds of mounts, each wood's
  median with the middle nine tenths, and the first mounts that are beyond the driver.
- `story_figure`: a panel a mount with the recorded level of every harmonic, what the driver alone
  would give (with the interval of the excess), the noise of the harmonic's own bin, the air, the
  recorder and mains lines; above it a mark for each verdict.

Conventions: rows as in the table `attribution`, drawn as they are. An open triangle that points
down is an upper limit; an interval that goes on beyond the axis ends in an arrow at its edge. Each
verdict has a colour, a marker and a hatch, so that none hangs on colour.
"""

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd
from matplotlib import patches, ticker
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from studylib import codes, sheets
from studylib.attribution import excess, verdicts
from studylib.codes.attribution import Verdict
from studylib.figures.style import (
    BLACK,
    BLUE,
    GREEN,
    GREY,
    ORANGE,
    PALE,
    PURPLE,
    Look,
    dress,
    empty_figure,
    legend_label,
    looks,
    panelled,
    settle,
    styled,
    wrapped,
)
from studylib.words import say

VERDICT_LOOKS = {
    # Greys and black, because colours stand for woods.
    Verdict.DRIVER: ("#6E6E6E", "o", ""),
    Verdict.BEYOND: (BLACK, "^", "xx"),
    Verdict.CANNOT_TELL: ("#A8A8A8", "$?$", ".."),
    Verdict.BENCH: ("#3C3C3C", "p", "++"),
    Verdict.AIR: (GREEN, "D", "//"),
    Verdict.RECORDER: (ORANGE, "s", "\\\\"),
    Verdict.NOISE: ("#D8D8D8", "_", ""),
}
OTHERS = Look(GREY, "P")  # reference and changed
RING = {"marker": "o", "ms": 11, "mfc": "none", "mec": BLACK, "mew": 1.3, "ls": "none"}
WIDEST_DB = 40.0
MOST_NAMES = 6
MOST_SINGLE = 200  # mounts; more are a blot
MOST_MOUNTS = 12
DEEPEST_DB = 25.0  # drawn below the lowest noise at most


# ---------------------------------------------------------------- every mount


@styled
def excess_figure(
    table: pd.DataFrame, study: sheets.Study, *, size: tuple[float, float] | None = None
) -> Figure:
    """The excess of every mount at every harmonic that is worth showing.

    Parameters
    ----------
    table : the table `attribution`.
    study : for the woods' order and the specimens' roles.
    size : width and height in inches; None for the page's.

    Returns
    -------
    Figure : with a sentence in it where no harmonic stands out of the noise.
    """
    if not ((table["verdict"] != Verdict.NOISE) & table["observed_db"].notna()).any():
        return empty_figure(say("figures_attribution.below_noise"), size)
    highest = verdicts.highest_shown(table)
    rows, above = table[table["harmonic"] <= highest], table[table["harmonic"] > highest]
    figure, ((upper,), (lower,)) = panelled(size, 6.4, 2, sharex=True, height_ratios=(3, 1.3))
    # Half the height of the axis: all intervals that settle something, within reason.
    settled = rows["verdict"].isin([Verdict.DRIVER, Verdict.BENCH, Verdict.BEYOND])
    ends = rows.loc[settled, ["low", "high"]].to_numpy(float)
    farthest = np.abs(ends[np.isfinite(ends)]).max(initial=3.0)
    _excesses(upper, rows, study, float(np.ceil(min(farthest, WIDEST_DB) + 2.0)))
    _counts(lower, rows)
    about = {"quiet": int((above["verdict"] == Verdict.NOISE).sum()), "above": len(above)}
    lower.set(
        xticks=range(2, highest + 1), xlim=(1.5, highest + 0.5), ylabel="mounts",
        xlabel=say("figures_attribution.harmonic_axis", highest=highest, **about),
    )  # fmt: skip
    return settle(figure, _headline(table))


def _excesses(axes: Axes, rows: pd.DataFrame, study: sheets.Study, reach: float) -> None:
    look, woods = looks(study.woods), {s.specimen: s.wood for s in study.specimens if not s.role}
    axes.axhspan(-excess.MARGIN_DB, excess.MARGIN_DB, color=PALE, zorder=0)
    axes.axhline(0, color="#999999", linewidth=0.8, zorder=1)
    known = rows[np.isfinite(rows["excess_db"])]
    place = known.groupby(["specimen", "mount"], sort=False).ngroup()
    known = known.assign(x=known["harmonic"] + 0.84 * ((place + 0.5) / place.nunique() - 0.5))
    beyond = known[known["verdict"] == Verdict.BEYOND].drop_duplicates(["specimen", "mount"])
    many, everyone = place.nunique() > MOST_SINGLE, set(known["specimen"])
    if many:
        known = pd.concat([_middles(known, woods), beyond.head(MOST_NAMES)])
    for (wood, pale), own in known.groupby(
        [known["specimen"].map(woods).fillna(""), known["verdict"] == Verdict.CANNOT_TELL],
        sort=False,
    ):
        _marks(axes, own, look[wood] if wood else OTHERS, pale=pale, reach=reach)
    for number, r in enumerate(beyond.head(MOST_NAMES).itertuples()):
        told = {"specimen": study.specimen(r.specimen).shown, "mount": r.mount}
        axes.annotate(
            wrapped(say("figures_attribution.panel", **told), 24, lines=1),
            (r.x, min(r.excess_db, 0.9 * reach)), xytext=(0, 9 + 10 * (number % 3)),
            textcoords="offset points", fontsize=8.5,
        )  # fmt: skip
    if len(beyond) > MOST_NAMES:
        axes.text(
            0.01,
            0.98,
            say("figures_attribution.more_beyond", mounts=len(beyond) - MOST_NAMES),
            transform=axes.transAxes,
            va="top",
            fontsize=8.5,
        )
    dress(axes, grid="y", ylabel=say("figures_attribution.excess_axis"), ylim=(-reach, reach))
    others = _mark(say("figures_attribution.others"), OTHERS.marker, OTHERS.colour)
    band = say("figures_attribution.driver_band", margin_db=excess.MARGIN_DB)
    _legend(
        axes.figure,
        [
            *(_mark(legend_label(w, 24), look[w].marker, look[w].colour) for w in study.woods),
            *codes.holding((everyone - {*woods}, others)),
            _mark(say("figures_attribution.middles"), "|", BLACK)
            if many
            else _mark(Verdict.CANNOT_TELL, "o", GREY, mfc="white"),
            _mark(Verdict.BEYOND, "o", BLACK, mfc="none", ms=9),
            patches.Patch(color=PALE, label=band),
        ],
    )


def _middles(known: pd.DataFrame, woods: dict[str, str]) -> pd.DataFrame:
    """Rows of each wood's mounts together, beside each other at each harmonic: the median, and as
    its ends where the middle nine tenths of them end."""
    wood = known["specimen"].map(woods).fillna("")
    groups = known.assign(wood=wood).groupby(["wood", "harmonic"], sort=False)
    rows = groups.agg(specimen=("specimen", "first"), excess_db=("excess_db", "median"))
    low, high = (groups["excess_db"].quantile(share) for share in (0.05, 0.95))
    names = [*dict.fromkeys(woods.values()), ""]
    rows = rows.assign(low=low, high=high, verdict="").reset_index()
    place = [names.index(name) + 0.5 for name in rows["wood"]]
    return rows.assign(x=rows["harmonic"] + 0.6 * (np.array(place) / len(names) - 0.5))


def _marks(axes: Axes, rows: pd.DataFrame, look: Look, *, pale: bool, reach: float) -> None:
    """Intervals and excesses of the mounts of one wood, those that settle nothing pale."""
    x, value, low, high = rows[["x", "excess_db", "low", "high"]].to_numpy(float).T
    bar = {"color": look.colour, "alpha": 0.3 if pale else 0.6}
    axes.vlines(x, *np.clip([low, high], -reach, reach), linewidth=1.1, **bar)
    for end, arrow, out in ((-reach, "v", low < -reach), (reach, "^", high > reach)):
        axes.plot(x[out], np.full(out.sum(), 0.975 * end), arrow, ms=3.5, ls="none", mew=0, **bar)
    at = np.clip(value, -0.95 * reach, 0.95 * reach)
    # A pale one out of sight is not drawn: the bar's arrow says where it goes on.
    seen, ringed = (at == value) | (not pale), rows["verdict"].to_numpy() == Verdict.BEYOND
    axes.plot(
        x[seen], at[seen], look.marker, color=look.colour, ms=4.5, alpha=0.5 if pale else 1,
        mfc="white" if pale else look.colour, zorder=3,
    )  # fmt: skip
    axes.plot(x[ringed], at[ringed], zorder=4, **RING)


def _counts(axes: Axes, rows: pd.DataFrame) -> None:
    """Mounts with each verdict, stacked."""
    drawn = [verdict for verdict in VERDICT_LOOKS if verdict in set(rows["verdict"])]
    counts = pd.crosstab(rows["harmonic"], rows["verdict"])[drawn]
    for verdict, below in (counts.cumsum(axis=1) - counts).items():
        colour, _, hatch = VERDICT_LOOKS[verdict]
        axes.bar(
            counts.index, counts[verdict], 0.8, bottom=below, color=colour, hatch=hatch,
            edgecolor="white", linewidth=0.5, label=str(verdict),
        )  # fmt: skip
    axes.yaxis.set_major_locator(ticker.MaxNLocator(nbins=5, integer=True))
    axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), fontsize=8)


# ---------------------------------------------------------------- one specimen


@styled
def story_figure(
    table: pd.DataFrame, specimen: str, *, size: tuple[float, float] | None = None
) -> Figure:
    """Every harmonic of one specimen, one panel a mount (the first 12).

    Parameters
    ----------
    table : the table `attribution`.
    specimen : its name in the table.
    size : width and height in inches; None for the page's.

    Returns
    -------
    Figure : with a sentence in it where the specimen has no usable take of the tone.
    """
    own = table[table["specimen"] == specimen]
    rows = own[own["observed_db"].notna()]
    if rows.empty:
        return empty_figure(say("figures_attribution.no_usable_tone", specimen=specimen), size)
    mounts = list(dict.fromkeys(own["mount"]))
    shown, last = mounts[:MOST_MOUNTS], int(rows["harmonic"].max())
    # The highest harmonic above the noise, and one more to show where it ends.
    heard = rows.loc[rows["verdict"] != Verdict.NOISE, "harmonic"]
    drawn = min(last, max(int(heard.max()) + 1 if len(heard) else 4, 4))
    rows = rows[rows["mount"].isin(shown) & (rows["harmonic"] <= drawn)]
    columns = min(len(shown), 4)
    lines = -(-len(shown) // columns)
    figure, grid = panelled(
        size, 1.7 + 3.1 * lines, lines, columns, shown=len(shown), sharex=True, sharey=True
    )
    bottom, top = _span(rows)
    highest = int(rows["harmonic"].max())
    # As many harmonic numbers as fit, the second one always among them.
    step = max(1, -(-highest * columns // 40))
    for axes, mount in zip(grid.flat, shown, strict=False):
        _story(axes, rows[rows["mount"] == mount], bottom, top)
        title = say("figures_attribution.panel", specimen=specimen, mount=mount)
        axes.set_title(wrapped(title, 90 // columns, lines=1), fontsize=10)
        axes.set(xticks=range(2, highest + 1, step), xlim=(1.3, highest + 0.7))
    # Axis labels on the lowest panel of each column and the first of each row.
    for axes in list(grid.flat)[max(0, len(shown) - columns) : len(shown)]:
        axes.set_xlabel(say("figures_attribution.harmonic_number"))
        axes.tick_params(labelbottom=True)
    for axes in grid[:, 0]:
        axes.set_ylabel(say("figures_attribution.level_axis", unit=rows["unit"].iloc[0] or "dB"))
    about = {"shown": MOST_MOUNTS * (len(mounts) > len(shown)), "last": last * (last > highest)}
    title = say("figures_attribution.left_out", mounts=len(mounts), **about) or None
    _legend(figure, _story_legend(rows), handletextpad=0.6, columnspacing=1.4, title=title)
    return settle(figure, _headline(own, specimen=specimen))


def _span(rows: pd.DataFrame) -> tuple[float, float]:
    """Lowest and highest level drawn: all levels, but not deep below the lowest noise."""
    levels = rows[["observed_db", "air_db", "recorder_db", "hum_db"]].assign(
        predicted_db=rows["observed_db"] - rows["excess_db"]
    )
    low, high = (levels.replace([-np.inf, np.inf], np.nan).agg(of).agg(of) for of in ("min", "max"))
    floor = rows["noise_db"].min()
    return np.fmax(np.fmin(low, floor), floor - DEEPEST_DB) - 4.0, high + 6.0


def _story(axes: Axes, rows: pd.DataFrame, bottom: float, top: float) -> None:
    room = 0.16 * (top - bottom)
    dress(axes, grid="y", ylim=(bottom, top + room))
    if rows.empty:
        axes.text(
            0.5,
            0.5,
            say("figures_attribution.unusable_panel"),
            transform=axes.transAxes,
            ha="center",
            color=GREY,
        )
        return
    k = rows["harmonic"].to_numpy(float)
    noise = np.nan_to_num(np.maximum(rows["noise_db"].to_numpy(float) - bottom, 0.0))
    axes.bar(k, noise, 0.9, bottom=bottom, color=PALE, zorder=0)
    span = (bottom, top)
    _source(axes, k - 0.22, rows["air_db"], rows["air_is_limit"], "D", GREEN, span)
    _source(axes, k + 0.22, rows["recorder_db"], rows["recorder_is_limit"], "s", ORANGE, span)
    hum = rows["hum_db"].to_numpy(float)
    axes.plot(k, np.where(hum > bottom, hum, np.nan), "P", color=PURPLE, ms=5, ls="none")
    _predicted(axes, rows, bottom, top)
    heard = (rows["verdict"] != Verdict.NOISE).to_numpy()
    observed = rows["observed_db"].to_numpy(float)
    axes.plot(k[heard], observed[heard], "o", color=BLACK, ms=5.5, ls="none", zorder=4)
    axes.plot(k[~heard], observed[~heard], "v", color=BLACK, ms=5, ls="none", mfc="none", zorder=4)
    for verdict, (colour, marker, _) in VERDICT_LOOKS.items():
        own = k[(rows["verdict"] == verdict).to_numpy()]
        axes.plot(
            own, np.full(own.size, top + 0.5 * room), marker=marker, color=colour, ms=7, ls="none"
        )
    axes.axhline(top, color="#BBBBBB", linewidth=0.8)
    axes.set_yticks([tick for tick in axes.get_yticks() if bottom <= tick <= top])


def _source(
    axes: Axes, x: np.ndarray, level: pd.Series, limit: pd.Series, marker: str, colour: str,
    span: tuple[float, float],
) -> None:  # fmt: skip
    """A control's levels: a mark where it was found, an open triangle where only bounded."""
    level, bounded = level.to_numpy(float), limit.to_numpy(bool)
    inside = np.isfinite(level) & (level > span[0]) & (level < span[1])
    found, most = inside & ~bounded, inside & bounded
    axes.plot(x[found], level[found], marker, color=colour, ms=4.5, ls="none")
    axes.plot(x[most], level[most], "v", color=colour, ms=4.5, ls="none", mfc="none")


def _predicted(axes: Axes, rows: pd.DataFrame, bottom: float, top: float) -> None:
    """What the driver alone gives: the observed level less the excess, with its interval."""
    known = rows[np.isfinite(rows["excess_db"])]
    k, observed = known["harmonic"].to_numpy(float), known["observed_db"].to_numpy(float)
    low = np.clip(observed - known["high"].to_numpy(float), bottom, top)
    high = np.clip(observed - known["low"].to_numpy(float), bottom, top)
    axes.vlines(k, low, high, color=BLUE, linewidth=5, alpha=0.35, zorder=2)
    middle = observed - known["excess_db"].to_numpy(float)
    middle = np.where((bottom <= middle) & (middle <= top), middle, np.nan)
    axes.plot(k, middle, "_", color=BLUE, ms=13, mew=2, ls="none", zorder=3)


def _story_legend(rows: pd.DataFrame) -> list:
    hum = _mark(say("figures_attribution.mains_line"), "P", PURPLE, ms=5)
    return [
        _mark(say("figures_attribution.recorded"), "o", BLACK, ms=5.5),
        _mark(say("figures_attribution.driver_alone"), "_", BLUE, ms=13, mew=2),
        patches.Patch(facecolor=PALE, label=say("figures_attribution.bin_noise")),
        _mark(say("figures_attribution.air"), "D", GREEN, ms=4.5),
        _mark(say("figures_attribution.recorder"), "s", ORANGE, ms=4.5),
        _mark(say("figures_attribution.upper_limit"), "v", GREY, ms=5, mfc="none"),
        *codes.holding((np.isfinite(rows["hum_db"]).any(), hum)),
        *(
            _mark(say("figures_attribution.verdict", verdict=verdict), marker, colour, ms=7)
            for verdict, (colour, marker, _) in VERDICT_LOOKS.items()
            if verdict in set(rows["verdict"])
        ),
    ]


# ---------------------------------------------------------------- parts of both


def _headline(table: pd.DataFrame, *, specimen: str = "") -> str:
    """How many harmonics above the noise the driver explains, and how many need another cause."""
    count = Counter(table.loc[table["observed_db"].notna(), "verdict"])
    return codes.note(
        "figures_headlines.harmonics",
        specimen=specimen, of=count.total() - count[Verdict.NOISE], driver=count[Verdict.DRIVER],
        beyond=count[Verdict.BEYOND], undecided=count[Verdict.CANNOT_TELL],
    )  # fmt: skip


def _mark(label: str, marker: str, colour: str, **more: Any) -> Line2D:
    return Line2D([], [], marker=marker, color=colour, ls="none", label=str(label), **more)


def _legend(figure: Figure, handles: list, **more: Any) -> None:
    figure.legend(
        handles=handles,
        fontsize=8.5,
        loc="outside upper center",
        ncols=4,
        title_fontsize=8.5,
        **more,
    )
