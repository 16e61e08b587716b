"""What a plan says: notes for the command line, tables for its page.

Every probability here is one of the report's own verdict on the pair of woods with the fewest
planks, at least as large as stated (the other primary features are taken to help with nothing).
The range beside it is for the larger and
the smaller spread between boards, which is what a plan knows least.

Functions: `plan_notes`, `design_note`, `looks_notes`, `lock_notes`, `same_notes`, `curve_notes`,
`chances_table`, `smallest_table`, `splits_table`, `never_notes`, `never_by_sheets`,
`spreads_table`, `write_plan`.
"""

import math
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from studylib import sheets, words, writing
from studylib.codes import attribution, note
from studylib.figures import plan as figures
from studylib.figures import style
from studylib.measure import sweep_rows
from studylib.report import plan_study, predicted
from studylib.sheets.between_rows import plank_warnings
from studylib.signal.line_sums import LOWEST_LOSS_FACTOR
from studylib.stats import curves, looks, planning, power, scales
from studylib.words.numbers import chance, number, percent

RULED_OUT_BY, ROLES = ("room", "loopback", "airborne"), {"reference", "changed"}


def plan_notes(plan: plan_study.StudyPlan) -> list[str]:
    """The plan in short: planks, the design, what it finds, the minutes, what it never can."""
    best = plan.splits.iloc[0]
    spent = note(
        "plan.minutes",
        feature=plan.features[0].feature.name,
        spent=plan.spent,
        **{name: int(best[name]) for name in ("boards", "mounts", "takes")},
    )
    found = [said for one in plan.features for said in _feature_notes(one)]
    moved = [note("room.moved", places=plan.tap_places)] if plan.tap_places > 1 else []
    planks = plank_warnings(plan.study.specimens, plan.study.settings)
    beside = [*looks_notes(plan), *lock_notes(plan), *same_notes(plan), *curve_notes(plan)]
    return [*planks, design_note(plan), *moved, *found, *beside, spent, *never_notes(plan)]


def design_note(plan: plan_study.StudyPlan) -> str:
    """Woods, planks, boards, mounts, takes and batches."""
    return note(
        "plan.design",
        planks=plan.planks,
        boards=plan.nest.boards,
        mounts=plan.plan.mounts,
        takes=plan.plan.takes,
        batches=plan.plan.batches,
        primary=plan.decision.primary,
        assumed=plan.assumed,
        places=plan.tap_places,
    )


def _feature_notes(one: plan_study.FeaturePlan) -> list[str]:
    name = one.feature.name
    difference = {"size": _size(one, one.difference), "limited": one.limit is not None}
    needed = note(
        "plan.needed",
        feature=name,
        **({} if one.chances else difference),
        wanted=power.WANTED,
        declare=[found.sources for found in one.declare],
        same=[found.sources for found in one.same or ()],
        most=power.MOST,
    )
    if not one.chances:
        return [needed]
    detected = note(
        "plan.detected",
        feature=name,
        **difference,
        declared=one.chances["planned"].declared,
        low=one.chances["low"].declared,
        high=one.chances["high"].declared,
        unlimited=one.chances["unlimited"].declared,
    )
    return [detected, needed]


def lock_notes(plan: plan_study.StudyPlan) -> list[str]:
    """What a lock with claims buys, and what theory expects, which it would seal."""
    seal = predicted.expected_notes(predicted.expected(plan.study)) if plan.study.specimens else []
    bought = [
        note(
            "plan.locked",
            feature=one.feature.name,
            claims=one.claims,
            locked=one.chances["locked"].declared,
            free=one.chances["planned"].declared,
        )
        for one in plan.features
        if one.chances
    ]
    return [*bought, *seal]


def looks_notes(plan: plan_study.StudyPlan) -> list[str]:
    """What several looks cost in boards, and what they save."""
    decide, planks = plan.study.settings.decide, min(plan.planks.values())
    if decide.looks == 1:
        return []
    most, mean = looks.boards_of(decide.confidence, decide.looks, wanted=power.WANTED)
    level = looks.levels(decide.confidence, decide.looks)
    return [
        note(
            "plan.looks",
            looks=decide.looks,
            level=1 - level.confidence,
            wanted=power.WANTED,
            planks=planks,
            once=planks / most,
            mean=planks * mean / most,
        )
    ]


def same_notes(plan: plan_study.StudyPlan) -> list[str]:
    """How large a limit must be for equal woods to be called the same."""
    planks = min(plan.planks.values())
    return [
        note(
            "plan.same_limit",
            feature=one.feature.name,
            planks=planks,
            spreads=one.same_limit / math.sqrt(plan.nest.variance(one.spreads)),
            size=_size(one, one.same_limit),
            limit=_size(one, one.limit),
        )
        if math.isfinite(one.same_limit)
        else note("plan.same_refused", feature=one.feature.name, planks=planks)
        for one in plan.features
        if one.limit is not None
    ]


def curve_notes(plan: plan_study.StudyPlan) -> list[str]:
    """What the sweeps of such a study could show of woods over frequency."""
    sweep, band = plan.study.settings.sweep, plan.study.settings.curve
    planks, batches, woods = min(plan.planks.values()), plan.plan.batches, len(plan.planks)
    if not (plan.plan.sweeps and sweep.known) or min(planks, woods) < 2:
        return []
    # As evenly over the batches as they go.
    own = np.array([planks // batches + (b < planks % batches) for b in range(batches)])
    octaves = math.log2((band.highest_hz or sweep.highest_hz) / (band.lowest_hz or sweep.lowest_hz))
    design = {"sources": planks, "woods": woods, "batches": batches}
    decide = plan.study.settings.decide
    fine, third = (
        curves.half_width(path * octaves, confidence=decide.confidence, **design)
        for path in (curves.FINE_PATH, curves.THIRD_PATH)
    )
    smallest = curves.smallest_p(np.stack([own, own], axis=1))
    alpha = 1.0 - decide.confidence
    ends = [sweep.lowest_hz, sweep.highest_hz]
    from_hz, least_s = sweep_rows.resolved(*ends, sweep.length_s)
    return [
        note("plan.curves", planks=planks, fine=fine, third=third, smallest=smallest, alpha=alpha),
        note(
            "plan.sweep", seconds=sweep.length_s, from_hz=from_hz, least_s=least_s, ends_hz=ends,
            loss=LOWEST_LOSS_FACTOR,
        ),
    ]  # fmt: skip


def spreads_table(plan: plan_study.StudyPlan) -> pd.DataFrame:
    """What the plan reckons with: the spreads of each primary feature, and where they are from."""
    columns = {
        "planks": "source",
        "plan.h_boards_of_plank": "specimen",
        "mounts": "mount",
        "takes": "take",
        "plan.h_least": "source_low",
        "plan.h_most": "source_high",
    }
    return pd.DataFrame(
        {
            "feature": one.feature.name,
            "unit": one.feature.difference_unit,
            **{name: _in_unit(one, getattr(one.spreads, sd)) for name, sd in columns.items()},
            "origin": one.spreads.origin,
        }
        for one in plan.features
    )


def chances_table(plan: plan_study.StudyPlan) -> pd.DataFrame:
    """Chance of each verdict, in percent, for a difference as large as the limit and for none."""
    return pd.DataFrame(
        {
            "feature": one.feature.name,
            "plan.h_difference": _size(one, difference),
            "declared": chance(found.declared),
            "plan.h_plus_minus": _error(found.declared),
            "plan.h_spread_range": between,
            **{str(verdict): chance(share) for verdict, share in found.of.items()},
        }
        for one in plan.features
        if one.chances
        for ends in [{end: one.chances[end].declared for end in ("low", "high")}]
        for difference, found, between in (
            (one.difference, one.chances["planned"], note("plan.range", **ends)),
            (0.0, one.chances["equal"], ""),
        )
    )


def smallest_table(plan: plan_study.StudyPlan) -> pd.DataFrame:
    """Planks of each wood for four chances in five, with the range of the boards' spread."""
    return pd.DataFrame(
        {
            "feature": one.feature.name,
            "aim": note(aim, size=_size(one, one.difference)),
            "plan.h_planks": _number(middle),
            "plan.h_smaller": _number(low),
            "plan.h_larger": _number(high),
            "plan.h_reached": chance(middle.chance),
            "plan.h_plus_minus": _error(middle.chance),
        }
        for one in plan.features
        for aim, fewest in (("plan.aim_detect", one.declare), ("plan.aim_same", one.same))
        if fewest is not None
        for middle, low, high in [fewest]
    )


def splits_table(plan: plan_study.StudyPlan) -> pd.DataFrame:
    """Designs that cost no more minutes than this one, the best first."""
    one, table = plan.features[0], plan.splits
    counts = {"boards": "plan.h_boards", "mounts": "plan.h_mounts", "takes": "plan.h_takes"}
    sd = [_in_unit(one, value) for value in table["sd"]]
    return (
        table.drop(columns="sd")
        .rename(columns=counts)
        .assign(**{note("plan.h_sd", unit=one.feature.difference_unit): sd})
    )


def never_notes(plan: plan_study.StudyPlan) -> list[str]:
    """What this design can never settle, however well it is recorded."""
    least = max(2, plan.study.settings.decide.smallest_n)
    few = [wood for wood, n in plan.planks.items() if n < least]
    limited = [one for one in plan.features if one.limit is not None][:1]
    return [
        *[note("plan.never_wood", woods=few, least=least)] * bool(few),
        *(
            note(
                "plan.never_beyond",
                feature=one.feature.name,
                share=planning.never_beyond(
                    one.limit, plan.nest.variance(one.spreads), plan.decision
                ),
            )
            for one in limited
        ),
        *never_by_sheets(plan.study),
        *_test_notes(plan),
    ]


def never_by_sheets(study: sheets.Study) -> list[str]:
    """What can never be said for want of a control or a sensor, as the sheets stand."""
    takes = [take for batch in study.all_batches for take in study.scheduled_of(batch)]
    roles = {s.role for s in study.specimens}
    missing = [kind for kind in RULED_OUT_BY if kind not in {take.kind for take in takes}]
    return [
        *["plan.never_same"] * bool(study.specimens and len(roles & ROLES) < len(ROLES)),
        *["plan.never_driver"] * (not study.settings.channels.sensed),
        *[note("plan.never_ruled_out", kinds=missing)] * bool(takes and missing),
        "plan.never_why",
    ]


def _test_notes(plan: plan_study.StudyPlan) -> list[str]:
    """The takes that test a cause: what they rule out, their minutes over the study, their key."""
    own, boards = plan.plan, sum(plan.planks.values()) * plan.nest.boards
    probes, steps = len(own.probes), len(own.drive_steps_db)
    before = own.probes_before and plan.study.settings.channels.sensed
    turned = own.turned and plan.study.with_role("reference")
    needs = "" if own.controls else "controls = true, "  # they are among the controls of a batch
    takes = {
        attribution.Control.IDLE: (
            f"{needs}idle = 1",
            own.controls and own.idle,
            own.batches * max(own.idle, 1),
        ),
        attribution.Control.PROBE_AFTER: (
            "probes_before = true",
            before,
            boards * own.mounts * probes,
        ),
        attribution.Control.TURNED: ("turned = true", turned, own.takes + (1 + before) * probes),
        attribution.Control.LEVELS: (
            f"{needs}level_steps = true",
            own.controls and own.level_steps,
            own.batches * (steps + 1),
        ),
        attribution.Control.FARTHER: ("mic_times = 2", own.mic_times, own.batches),
        attribution.Control.MOVED: ("moved_mm = 2", own.moved_mm, boards * (probes + 1)),
    }
    mount = {
        attribution.Control.TURNED: own.minutes_mount,
        attribution.Control.LEVELS: own.batches * own.minutes_mount,
    }
    return [
        note(
            "plan.never_test", control=control, key=key, planned=bool(planned),
            minutes=count * own.minutes_take + mount.get(control, 0.0),
        )
        for control, (key, planned, count) in takes.items()
        if count  # none before a tone that has no probe tones
    ]  # fmt: skip


def _in_unit(one: plan_study.FeaturePlan, difference: float) -> float:
    return scales.reported_difference(difference, one.feature)


def _size(one: plan_study.FeaturePlan, difference: float) -> str:
    return f"{number(_in_unit(one, difference), digits=3)} {one.feature.difference_unit}"


def _error(p: float) -> str:
    """Two Monte Carlo standard errors."""
    return percent(2 * power.drawing_error(p), 1)


def _number(found: power.Fewest) -> str:
    return power.MORE if found.sources is None else str(found.sources)


def write_plan(plan: plan_study.StudyPlan, output: str) -> str:
    """Write the figures (page and video size) and tables of a plan into the folder `output`, or
    nothing when it is empty; say what was done."""
    if not output:
        return note("plan.not_written")
    writing.fill_folder(Path(output), partial(_fill, plan))
    return note("plan.written")


def _fill(plan: plan_study.StudyPlan, folder: Path) -> None:
    drawings = {
        "power": partial(figures.power_figure, plan),
        "counting": partial(
            figures.counting_figure, plan.miscounted, confidence=plan.decision.confidence
        ),
    }
    tables = {
        "spreads": spreads_table,
        "chances": chances_table,
        "smallest": smallest_table,
        "splits": splits_table,
    }
    for name, draw in drawings.items():
        style.save_sizes(draw, folder, name)
    for name, table in tables.items():
        shown = table(plan).rename(columns=words.in_words)
        texts = shown.select_dtypes(exclude="number").columns
        shown[texts] = shown[texts].map(words.in_words)
        shown.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")
