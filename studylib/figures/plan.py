"""What a design can find, as pictures: two figures for the plan's page.

- `power_figure`: the chance that a difference is declared, over the planks of each wood.
- `counting_figure`: how often takes, mounts or boards counted as planks call equal woods different.

Both draw what the plan (`report.plan_study.StudyPlan`) worked out.
"""

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import PercentFormatter

from studylib import codes
from studylib.codes import comparison
from studylib.figures.style import (
    BELOW,
    BLACK,
    GREY,
    PALE,
    dress,
    panelled,
    settle,
    styled,
    wrapped,
)
from studylib.stats import scales
from studylib.words import numbers, say

LINES = {
    comparison.Line.ONE_MOUNT: (":", 1.3),
    comparison.Line.PLANNED: ("-", 2.2),
    comparison.Line.UNLIMITED: ("--", 1.3),
}
MOST_SHOWN = 3
PLANKS = (2, 4, 8, 16, 32, 64)


@styled
def power_figure(plan, *, size: tuple[float, float] | None = None) -> Figure:
    """Chance that a difference is declared, one panel a primary feature (the first three)."""
    shown = plan.features[:MOST_SHOWN]
    figure, (axes,) = panelled(size, 3.9, 1, len(shown), sharey=True)
    axes[0].set(ylim=(0, 1), ylabel=say("plan.chance_detected"))
    axes[0].yaxis.set_major_formatter(PercentFormatter(1.0, decimals=0))
    for ax, one in zip(axes, shown, strict=True):
        curves = plan.curves[one.feature.name]
        for line, (style, width) in LINES.items():
            own = curves[curves["line"] == line]
            ax.plot(own["planks"], own["chance"], style, color=BLACK, linewidth=width,
                    label=say(line))  # fmt: skip
            if line == comparison.Line.PLANNED:
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
    figure.legend(*axes[0].get_legend_handles_labels(), loc=BELOW, ncols=2)
    return settle(
        figure,
        codes.note(
            "figures_headlines.power", planks=planks,
            chances=[one.chances["planned"].declared for one in shown if one.chances],
        ),
    )  # fmt: skip


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
    ax.barh(place, table["rate"], color=[BLACK, *[GREY] * (len(table) - 1)], height=0.55)
    ax.errorbar(
        table["rate"], place, fmt="none", ecolor="#A0A0A0", elinewidth=1.6, capsize=4,
        xerr=[table["rate"] - table["low"], table["high"] - table["rate"]],
    )  # fmt: skip
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
