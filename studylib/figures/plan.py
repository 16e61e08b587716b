"""What a design can find, as pictures: four figures for the plan's page.

- `power_figure`: the chance that a difference is declared, over the planks of each wood.
- `mix_figure`: what the report will say, over the true difference.
- `minutes_figure`: what boards, mounts and takes leave in the spread of a wood's mean.
- `counting_figure`: how often takes, mounts or boards counted as planks call equal woods different.

All take the plan (`report.plan_study.StudyPlan`) and draw what it worked out.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedFormatter, FixedLocator, NullFormatter, PercentFormatter

from studylib.codes.comparison import Verdict
from studylib.figures.style import (
    BLACK,
    GREY,
    PALE,
    empty_figure,
    new_figure,
    settle,
    styled,
    wrapped,
)
from studylib.stats import scales

LINES = {"one mount": (":", 1.3), "as planned": ("-", 2.2), "endless mounts": ("--", 1.3)}
# Greys and hatches: colours stand for woods.
WORD_LOOKS = {
    Verdict.BEYOND: ("#303030", ""),
    Verdict.DIFFERENT: ("#707070", "//"),
    Verdict.WITHIN: ("#A0A0A0", "xx"),
    Verdict.SAME: ("#C8C8C8", ".."),
    Verdict.OPEN: ("#F2F2F2", ""),
}
PART_LOOKS = {
    "from_boards": ("boards", "#404040", ""),
    "from_mounts": ("mounts", "#909090", "//"),
    "from_takes": ("takes", "#D0D0D0", ".."),
}
MOST_SHOWN = 3
NO_WOODS = "A wood with a single plank: nothing will be said about woods, so there is no chance."
NO_LIMIT = "No primary feature has a limit: set one in study.toml, [decide.limits]."


@styled
def power_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """Chance that a difference is declared, one panel a primary feature (the first three)."""
    shown = plan.features[:MOST_SHOWN]
    figure = new_figure(size, 3.9)
    axes = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
    for ax, one in zip(axes, shown, strict=True):
        curves = plan.curves[one.feature.name]
        for line, (style, width) in LINES.items():
            own = curves[curves["line"] == line]
            ax.plot(own["planks"], own["chance"], style, color=BLACK, linewidth=width, label=line)
            if line == "as planned":
                ax.fill_between(
                    own["planks"], own["low"], own["high"], color=PALE, linewidth=0,
                    label="as planned, smaller and larger spread of boards",
                )  # fmt: skip
        _target(ax)
        planks = min(plan.planks.values())
        if planks >= 2:
            ax.axvline(planks, color=GREY, linewidth=0.8)
            ax.annotate(
                "this design", (planks, 0.86), rotation=90, xytext=(3, 0), fontsize=8,
                textcoords="offset points", color=GREY, va="center",
            )  # fmt: skip
        ax.set_xscale("log")
        ax.xaxis.set_major_locator(FixedLocator([2, 4, 8, 16, 32, 64]))
        ax.xaxis.set_major_formatter(FixedFormatter(["2", "4", "8", "16", "32", "64"]))
        ax.xaxis.set_minor_formatter(NullFormatter())
        ax.set_xlabel("planks of each wood")
        ax.set_title(_title(one), fontsize=10)
    axes[0].set_ylabel("chance that it is declared")
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=2)
    return settle(figure)


def _target(ax: Axes) -> None:
    ax.axhline(0.8, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)))
    ax.set_ylim(0, 1)
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))


def _title(one) -> str:
    return wrapped(f"{one.feature.name}: {_size(one, one.difference)}", 30)


def _size(one, difference: float) -> str:
    return f"{scales.reported_difference(difference, one.feature):.3g} " + (
        one.feature.difference_unit
    )


@styled
def mix_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """What the report will say of the pair, over the true difference; features with a limit."""
    if not plan.mixes:
        none = min(plan.planks.values()) < 2
        return empty_figure(NO_WOODS if none else NO_LIMIT, size)
    shown = [one for one in plan.features if one.feature.name in plan.mixes][:MOST_SHOWN]
    figure = new_figure(size, 3.9)
    axes = figure.subplots(1, len(shown), sharey=True, squeeze=False)[0]
    for ax, one in zip(axes, shown, strict=True):
        mix = plan.mixes[one.feature.name].pivot(
            index="difference", columns="word", values="chance"
        )
        x = np.array([scales.reported_difference(d, one.feature) for d in mix.index])
        stack = ax.stackplot(x, [mix[word] for word in WORD_LOOKS], labels=list(WORD_LOOKS))
        for area, (colour, hatch) in zip(stack, WORD_LOOKS.values(), strict=True):
            area.set(facecolor=colour, hatch=hatch, edgecolor="white", linewidth=0.5)
        limit = scales.reported_difference(one.limit, one.feature)
        ax.axvline(limit, color=BLACK, linewidth=1.0, linestyle="--")
        ax.annotate(
            "limit", (limit, 0.97), xytext=(4, 0), textcoords="offset points", fontsize=9,
            va="top", bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip
        ax.set_xlim(0, x[-1])
        ax.set_ylim(0, 1)
        ax.yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
        ax.set_xlabel(f"true difference ({one.feature.difference_unit})")
        ax.set_title(wrapped(one.feature.name, 30), fontsize=10)
    axes[0].set_ylabel("chance of each verdict")
    handles, labels = axes[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=len(WORD_LOOKS))
    return settle(figure)


@styled
def minutes_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """What boards, mounts and takes leave in a wood's mean, for designs of like minutes."""
    one, parts = plan.features[0], plan.parts
    figure = new_figure(size, 3.4)
    ax = figure.subplots()
    place = np.arange(len(parts))[::-1]
    left = np.zeros(len(parts))
    for column, (name, colour, hatch) in PART_LOOKS.items():
        share = parts[column].to_numpy()
        ax.barh(
            place, share, left=left, color=colour, hatch=hatch, edgecolor="white", height=0.6,
            label=f"left by {name}",
        )  # fmt: skip
        left += share
    for y, row in zip(place, parts.itertuples(), strict=True):
        spread = scales.reported_difference(row.sd, one.feature)
        ax.annotate(
            f"±{spread:.2g} {one.feature.difference_unit}, {row.minutes:.0f} min",
            (left[len(parts) - 1 - y], y), xytext=(5, 0), textcoords="offset points", va="center",
            fontsize=9,
        )  # fmt: skip
    ax.set_yticks(place, [_design(row) for row in parts.itertuples()])
    ax.set_xlim(0, 1.28 * left.max())
    unit = "dB²" if one.feature.scale == "db" else "squares of the logarithm"
    ax.set_xlabel(f"variance of a wood's mean ({unit}), {one.feature.name}")
    figure.legend(loc="outside lower center", ncols=3)
    return settle(figure)


def _design(row) -> str:
    planks = f"{row.planks} planks" + ("" if row.boards == 1 else f" x {row.boards:.2g} boards")
    below = (f"{n:.0f} {one}{'' if n == 1 else 's'}" for n, one in (
        (row.mounts, "mount"), (row.takes, "take"),
    ))  # fmt: skip
    return "\n".join([row.design, ", ".join([planks, *below])])


@styled
def counting_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """How often equal woods are called different, by what is counted as one."""
    table = plan.miscounted
    figure = new_figure(size, 2.9)
    ax = figure.subplots()
    place = np.arange(len(table))[::-1]
    reach = [table["rate"] - table["low"], table["high"] - table["rate"]]
    ax.barh(place, table["rate"], color=[BLACK, GREY, GREY, GREY], height=0.55)
    ax.errorbar(
        table["rate"], place, xerr=reach, fmt="none", ecolor="#A0A0A0", elinewidth=1.6, capsize=4
    )
    promised = 1 - plan.decision.confidence
    ax.axvline(promised, color=BLACK, linestyle="--", linewidth=1.0)
    ax.annotate(
        f"promised: {100 * promised:.3g} %", (promised, place[0] + 0.42), fontsize=9,
        xytext=(5, 0), textcoords="offset points", va="bottom",
    )  # fmt: skip
    for y, row in zip(place, table.itertuples(), strict=True):
        ax.annotate(
            f"{100 * row.rate:.0f} %", (row.high, y), xytext=(6, 0), va="center", fontsize=9,
            textcoords="offset points",
        )  # fmt: skip
    labels = [f"{row.counted} ({row.units} of each wood)" for row in table.itertuples()]
    ax.set_yticks(place, labels)
    ax.set_ylim(-0.6, len(table) - 0.1)
    ax.set_xlim(0, 1)
    ax.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    ax.set_xlabel("studies of equal woods in which some pair is called different")
    ax.set_ylabel("counted as one")
    return settle(figure)
