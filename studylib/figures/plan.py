"""What a design can find, as pictures: three figures for the plan's page.

- `power_figure`: the chance that a difference is declared, over the planks of each wood.
- `mix_figure`: what the report will say, over the true difference.
- `counting_figure`: how often takes, mounts or boards counted as planks call equal woods different.

All take the plan (`report.plan_study.StudyPlan`) and draw what it worked out.
"""

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from studylib import codes
from studylib.codes import comparison, planning
from studylib.figures.style import (
    BELOW,
    BLACK,
    GREY,
    PALE,
    dress,
    empty_figure,
    panelled,
    settle,
    styled,
    wrapped,
)
from studylib.stats import scales
from studylib.words import numbers, say

LINES = {
    planning.Line.ONE_MOUNT: (":", 1.3),
    planning.Line.PLANNED: ("-", 2.2),
    planning.Line.UNLIMITED: ("--", 1.3),
}
# Greys and hatches: colours stand for woods.
WORD_LOOKS = {
    comparison.Verdict.BEYOND: ("#303030", ""),
    comparison.Verdict.DIFFERENT: ("#707070", "//"),
    comparison.Verdict.WITHIN: ("#A0A0A0", "xx"),
    comparison.Verdict.SAME: ("#C8C8C8", ".."),
    comparison.Verdict.OPEN: ("#F2F2F2", ""),
}
MOST_SHOWN = 3
PLANKS = (2, 4, 8, 16, 32, 64)


@styled
def power_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """Chance that a difference is declared, one panel a primary feature (the first three)."""
    figure, axes, shown = _panels(plan.features, size)
    for ax, one in zip(axes, shown, strict=True):
        curves = plan.curves[one.feature.name]
        for line, (style, width) in LINES.items():
            own = curves[curves["line"] == line]
            ax.plot(own["planks"], own["chance"], style, color=BLACK, linewidth=width,
                    label=say(line))  # fmt: skip
            if line == planning.Line.PLANNED:
                ax.fill_between(
                    own["planks"], own["low"], own["high"], color=PALE, linewidth=0,
                    label=say("plan.planned_band"),
                )  # fmt: skip
        ax.axhline(0.8, color=GREY, linewidth=0.8, linestyle=(0, (1, 2)))
        planks = min(plan.planks.values())
        if planks >= 2:
            ax.axvline(planks, color=GREY, linewidth=0.8)
            ax.annotate(
                say("plan.this_design"), (planks, 0.86), rotation=90, xytext=(3, 0), fontsize=8,
                textcoords="offset points", color=GREY, va="center",
            )  # fmt: skip
        reported = numbers.rounded(scales.reported_difference(one.difference, one.feature))
        title = wrapped(f"{one.feature.name}: {reported} {one.feature.difference_unit}", 30)
        dress(ax, title=title, fontsize=10, xscale="log", xlabel=say("plan.h_planks"))
        ax.set_xticks(PLANKS, list(map(str, PLANKS)))
        ax.minorticks_off()
    axes[0].set_ylabel(say("plan.chance_detected"))
    figure.legend(*axes[0].get_legend_handles_labels(), loc=BELOW, ncols=2)
    about = {"chances": [one.chances.declared for one in shown if one.chances], "planks": planks}
    return settle(figure, codes.note("figures_headlines.power", **about))


def _panels(features, size) -> tuple[Figure, np.ndarray, list]:
    """A figure with a panel for each of the first features, chances upwards."""
    shown = list(features)[:MOST_SHOWN]
    figure, (axes,) = panelled(size, 3.9, 1, len(shown), sharey=True)
    axes[0].set_ylim(0, 1)
    axes[0].yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    return figure, axes, shown


@styled
def mix_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """What the report will say of the pair, over the true difference; features with a limit."""
    if not plan.mixes:
        return empty_figure(
            say("plan.one_plank" if min(plan.planks.values()) < 2 else "plan.no_limit"), size
        )
    figure, axes, shown = _panels(
        (one for one in plan.features if one.feature.name in plan.mixes), size
    )
    for ax, one in zip(axes, shown, strict=True):
        mix = plan.mixes[one.feature.name].pivot(
            index="difference", columns="verdict", values="chance"
        )
        x = np.array([scales.reported_difference(d, one.feature) for d in mix.index])
        stack = ax.stackplot(x, [mix[word] for word in WORD_LOOKS], labels=list(WORD_LOOKS))
        for area, (colour, hatch) in zip(stack, WORD_LOOKS.values(), strict=True):
            area.set(facecolor=colour, hatch=hatch, edgecolor="white", linewidth=0.5)
        limit = scales.reported_difference(one.limit, one.feature)
        ax.axvline(limit, color=BLACK, linewidth=1.0, linestyle="--")
        ax.annotate(
            say("plan.limit"), (limit, 0.97), xytext=(4, 0), textcoords="offset points", fontsize=9,
            va="top", bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip
        dress(
            ax, title=wrapped(one.feature.name, 30), fontsize=10, xlim=(0, x[-1]),
            xlabel=say("plan.true_difference", unit=one.feature.difference_unit),
        )  # fmt: skip
    axes[0].set_ylabel(say("plan.chance_verdict"))
    figure.legend(*axes[0].get_legend_handles_labels(), loc=BELOW, ncols=len(WORD_LOOKS))
    opens = [one.chances.of[comparison.Verdict.OPEN] for one in shown]
    return settle(figure, codes.note("figures_headlines.mix", opens=opens))


@styled
def counting_figure(
    table, *, confidence: float = 0.95, size: tuple[float, float] | None = None
) -> Figure:
    """How often equal woods are called different, by what is counted as one.

    Parameters
    ----------
    table : from `stats.planning.false_alarms`, what is right to count first.
    confidence : what is promised.
    size : width and height in inches; None for the page's.
    """
    figure, ((ax,),) = panelled(size, 2.9)
    place = np.arange(len(table))[::-1]
    reach = [table["rate"] - table["low"], table["high"] - table["rate"]]
    ax.barh(place, table["rate"], color=[BLACK, *[GREY] * (len(table) - 1)], height=0.55)
    ax.errorbar(
        table["rate"], place, xerr=reach, fmt="none", ecolor="#A0A0A0", elinewidth=1.6, capsize=4
    )
    promised = 1 - confidence
    ax.axvline(promised, color=BLACK, linestyle="--", linewidth=1.0)
    ax.annotate(
        say("plan.promised", rate=100 * promised), (promised, place[0] + 0.42), fontsize=9,
        xytext=(5, 0), textcoords="offset points", va="bottom",
    )  # fmt: skip
    for y, row in zip(place, table.itertuples(), strict=True):
        ax.annotate(
            numbers.percent(row.rate), (row.high, y), xytext=(6, 0), va="center", fontsize=9,
            textcoords="offset points",
        )  # fmt: skip
    ax.set_yticks(
        place,
        [say("plan.counted", what=row.counted, units=row.units) for row in table.itertuples()],
    )
    ax.set(
        ylim=(-0.6, len(table) - 0.1), ylabel=say("plan.counted_axis"),
        xlim=(0, 1), xlabel=say("plan.alarms_axis"),
    )  # fmt: skip
    ax.xaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    return settle(
        figure,
        codes.note(
            "figures_headlines.counting", rates=table.set_index("counted")["rate"].to_dict()
        ),
    )
