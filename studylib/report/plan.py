"""What a plan says: sentences for the command line, tables for its page.

Every probability here is one of the report's own verdict on the pair of woods with the fewest
planks, at least as large as stated (Holm's first step). The range beside it is for the larger and
the smaller spread between boards, which is what a plan knows least.

Functions: `plan_sentences`, `design_sentence`, `chances_table`, `smallest_table`, `splits_table`,
`optimum_sentence`, `never_sentences`, `spreads_table`, `write_plan`.
"""

from __future__ import annotations

import math
from functools import partial
from pathlib import Path

import pandas as pd

from studylib.figures import plan as figures
from studylib.figures.style import save_sizes
from studylib.report.plan_study import FeaturePlan, StudyPlan, beyond_at_limit
from studylib.stats import scales
from studylib.stats.smallest_design import MOST, WANTED, Smallest
from studylib.stats.verdict_power import Chances
from studylib.words.numbers import number
from studylib.words.text import listed, shown
from studylib.writing import fill_folder

MORE = f"more than {MOST}"


def plan_sentences(plan: StudyPlan) -> list[str]:
    """The plan in some sentences: the design, what it finds, the minutes, what it never can."""
    said = [design_sentence(plan)]
    for one in plan.features:
        said += _feature_sentences(plan, one)
    best = plan.splits.iloc[0]
    said.append(
        f"The minutes of this design ({plan.spent:.0f}, controls left out) are best spent on "
        f"{best['boards']:.0f} boards of each wood, {_counted(best['mounts'], 'mount')} of each "
        f"and {_counted(best['takes'], 'take')} of each mount, for "
        f"{plan.features[0].feature.name}."
    )
    return said + never_sentences(plan)


def design_sentence(plan: StudyPlan) -> str:
    """Woods, planks, boards, mounts, takes and sittings."""
    counts = listed(f"{_counted(n, 'plank')} of {wood}" for wood, n in plan.planks.items())
    below = "" if plan.nest.boards == 1 else f" ({plan.nest.boards:.2g} boards of each)"
    start = "Assumed, as specimens.csv is empty: " if plan.assumed else "The design: "
    return (
        f"{start}{counts}{below}, {_counted(plan.plan.mounts, 'mount')} of each board, "
        f"{_counted(plan.plan.takes, 'take')} of each mount, in "
        f"{_counted(plan.plan.batches, 'batch', 'batches')}; "
        f"{_counted(plan.decision.primary, 'primary feature')}."
    )


def _feature_sentences(plan: StudyPlan, one: FeaturePlan) -> list[str]:
    name, size = one.feature.name, _size(one, one.difference)
    what = "one spread between boards, as no limit is set" if one.limit is None else "the limit"
    said = []
    if one.chances is not None:
        said.append(
            f"{name}: a true difference of {size} ({what}) is declared in "
            f"{_percent(one.chances.declared)} of such studies "
            f"({_percent(one.chances_low.declared)} to {_percent(one.chances_high.declared)} for "
            f"the larger and the smaller spread of boards); with endless mounts and takes in "
            f"{_percent(one.endless.declared)}."
        )
    said.append(
        f"{name}: to declare it in {_percent(WANTED)} of studies takes {_planks(one.declare[0])} "
        f"of each wood ({_range(one.declare)})"
        + (
            "."
            if one.same is None
            else f"; to call two equal woods the same, {_planks(one.same[0])} ({_range(one.same)})."
        )
    )
    return said


def spreads_table(plan: StudyPlan) -> pd.DataFrame:
    """What the plan reckons with: the spreads of each primary feature, and where they are from."""
    rows = []
    for one in plan.features:
        s = one.spreads
        rows.append(
            {
                "feature": one.feature.name,
                "unit": one.feature.difference_unit,
                "planks": _in_unit(one, s.source),
                "boards of a plank": _in_unit(one, s.specimen),
                "mounts": _in_unit(one, s.mount),
                "takes": _in_unit(one, s.take),
                "planks, least": _in_unit(one, s.source_low),
                "planks, most": _in_unit(one, s.source_high),
                "origin": s.origin,
            }
        )
    return pd.DataFrame(rows)


def chances_table(plan: StudyPlan) -> pd.DataFrame:
    """Chance of each verdict, in percent, for a difference as large as the limit and for none."""
    rows = []
    for one in plan.features:
        cases = [(one.difference, one.chances, one.chances_low, one.chances_high)]
        cases.append((0.0, one.equal, None, None))
        for difference, found, low, high in cases:
            if found is not None:
                rows.append(_chances_row(one, difference, found, low, high))
    return pd.DataFrame(rows)


def _chances_row(
    one: FeaturePlan, difference: float, found: Chances, low: Chances | None, high: Chances | None
) -> dict:
    row = {"feature": one.feature.name, "true difference": _size(one, difference)}
    row["declared"] = _percent(found.declared)
    row["give or take"] = f"{200 * found.se(found.declared):.1f} %"
    row["for larger and smaller spread"] = (
        "" if low is None else f"{_percent(low.declared)} to {_percent(high.declared)}"
    )
    return {**row, **{word: _percent(share) for word, share in found.of.items()}}


def smallest_table(plan: StudyPlan) -> pd.DataFrame:
    """Planks of each wood for four chances in five, with the range of the boards' spread."""
    rows = []
    for one in plan.features:
        aims = [(f"to declare {_size(one, one.difference)}", one.declare, str(one.f_test))]
        if one.same is not None:
            within = f"to call equal woods the same within {_size(one, one.limit)}"
            aims.append((within, one.same, ""))
        for aim, (middle, low, high), f_test in aims:
            rows.append(
                {
                    "feature": one.feature.name,
                    "aim": aim,
                    "planks of each wood": _number(middle),
                    "smaller spread": _number(low),
                    "larger spread": _number(high),
                    "chance reached": _percent(middle.chance),
                    "give or take": f"{200 * middle.se:.1f} %",
                    "F test, some difference": f_test,
                }
            )
    return pd.DataFrame(rows)


def optimum_sentence(plan: StudyPlan) -> str:
    """The rule of nested sampling for the first primary feature, as it comes."""
    mounts, takes = plan.optimum
    if math.isnan(mounts):
        return "The rule of nested sampling has no answer here: a spread or a cost is zero."
    return (
        f"By the rule of nested sampling the best is {mounts:.1f} mounts of a board and "
        f"{takes:.1f} takes of a mount, on {plan.features[0].feature.name}; the rest of the "
        "minutes goes to further boards. Below one mount, boards are what is worth the minutes."
    )


def splits_table(plan: StudyPlan) -> pd.DataFrame:
    """Designs that cost no more minutes than this one, the best first."""
    one, table = plan.features[0], plan.splits
    sd = [_in_unit(one, value) for value in table["sd"]]
    renamed = table.drop(columns="sd").rename(
        columns={
            "boards": "boards of each wood",
            "mounts": "mounts of each board",
            "takes": "takes of each mount",
        }
    )
    return renamed.assign(**{f"spread of a wood's mean ({one.feature.difference_unit})": sd})


def never_sentences(plan: StudyPlan) -> list[str]:
    """What this design can never settle, however well it is recorded."""
    said = []
    least = max(2, plan.boards.settings.decide.smallest_n)
    few = [wood for wood, n in plan.planks.items() if n < least]
    if few:
        said.append(
            f"Never: anything about {listed(map(shown, few))} as a wood. There are fewer than "
            f"{least} planks of it, and boards of one plank are one plank, however often they are "
            "recorded."
        )
    if not plan.changed:
        said.append(
            "Never: that two woods are the same. Without a changed specimen beside a reference it "
            "is not known whether this bench would notice a difference."
        )
    with_limit = next((one for one in plan.features if one.limit is not None), None)
    if with_limit is not None:
        share = beyond_at_limit(plan, with_limit)
        said.append(
            "Never, however many boards: a difference of just the limit called beyond it. On "
            f"{with_limit.feature.name} that happens in {_percent(share)} of studies even with "
            "1,000 planks of each wood; to be shown larger than the limit a difference must be so."
        )
    if not plan.senses_drive:
        said.append(
            "Never: that a harmonic comes from beyond the driver. Without a force or acceleration "
            "sensor at the driving point what enters the board is not known."
        )
    said.append(
        "Never: why two woods differ, or that other planks of them would. The design speaks of the "
        "forest only as far as its planks were drawn from it by chance."
    )
    return said


def _size(one: FeaturePlan, difference: float) -> str:
    return f"{number(_in_unit(one, difference), digits=3)} {one.feature.difference_unit}"


def _in_unit(one: FeaturePlan, difference: float) -> float:
    return scales.reported_difference(difference, one.feature)


def _percent(share: float) -> str:
    if share < 0.0005:
        return "0 %"
    return f"{100 * share:.1f} %" if share < 0.0995 else f"{100 * share:.0f} %"


def _number(found: Smallest) -> str:
    return MORE if found.sources is None else str(found.sources)


def _planks(found: Smallest) -> str:
    return f"{_number(found)} planks"


def _range(found: tuple[Smallest, Smallest, Smallest]) -> str:
    _, low, high = found
    return f"{_number(low)} to {_number(high)} for the smaller and the larger spread of boards"


def _counted(n: float, one: str, many: str = "") -> str:
    return f"{n:.0f} {one if math.isclose(n, 1) else many or one + 's'}"


def write_plan(plan: StudyPlan, output: str) -> str:
    """Write the figures (page and video size) and tables of a plan into the folder `output`, or
    nothing when it is empty; say what was done."""
    if not output:
        return "Nothing was written, because no output folder was given."
    fill_folder(Path(output), partial(_fill, plan))
    return "Tables and figures were written beside this page, in plan/."


def _fill(plan: StudyPlan, folder: Path) -> None:
    drawings = {
        "power": figures.power_figure,
        "verdicts": figures.mix_figure,
        "minutes": figures.minutes_figure,
        "counting": figures.counting_figure,
    }
    tables = {
        "spreads": spreads_table,
        "chances": chances_table,
        "smallest": smallest_table,
        "splits": splits_table,
    }
    for name, draw in drawings.items():
        save_sizes(partial(draw, plan), folder, name)
    for name, table in tables.items():
        table(plan).to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
