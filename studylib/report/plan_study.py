"""What a design can find, worked out for the study that is being planned.

Gathers from the sheets what the plan hangs on (woods, planks, boards, [plan], [decide]), takes the
spreads from a pilot or the common ones, and keeps every number that the plan's page shows.

Functions: `plan_study`. Classes: `StudyPlan`, `FeaturePlan`.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property

import pandas as pd

from studylib import codes, errors, register, sheets
from studylib.sheets.settings import Plan
from studylib.stats import effects, looks, planning, power, scales


@dataclass(frozen=True)
class FeaturePlan:
    """One primary feature under the design; differences and spreads on the scale of analysis.

    difference : that matters: the limit, or one spread between boards where there is no limit.
    limit : or None.
    chances : of the verdicts, empty where a wood has a single plank. At that difference "planned";
    "low", "high" for the larger and the smaller spread of boards; "unlimited" with unlimited mounts
    and takes; "locked" as one of `claims` of a locked study. "equal" for woods that do not differ.
    same_limit : how large a limit must be for equal woods to be called the same in four of five
    studies, infinite where that is refused.  declare, same : smallest numbers of planks, for the
    middle, smaller and larger spread of boards; `same` is None without a limit.
    """

    feature: register.Feature
    spreads: planning.Spreads
    difference: float
    limit: float | None
    chances: dict[str, power.Chances]
    claims: int
    same_limit: float
    declare: tuple[power.Fewest, power.Fewest, power.Fewest]
    same: tuple[power.Fewest, power.Fewest, power.Fewest] | None


@dataclass(frozen=True)
class StudyPlan:
    """The design, and what it can find on each primary feature.

    planks : of each wood, fewest first.  nest : what lies below a plank.
    assumed : there are no boards yet, and [plan] gave their number.
    """

    study: sheets.Study
    planks: dict[str, int]
    nest: planning.Nest
    decision: power.Decision
    assumed: bool
    features: tuple[FeaturePlan, ...]

    @property
    def plan(self) -> Plan:
        """Section [plan] of study.toml."""
        return self.study.settings.plan

    @property
    def changed(self) -> bool:
        """There is a changed specimen beside a reference, without which `same` is never said."""
        return all(self.study.with_role(role) for role in ("reference", "changed")) or self.assumed

    @property
    def tap_places(self) -> int:
        """Places of the microphone for taps; 0 where no taps are planned."""
        tapped = self.plan.taps or self.plan.free_taps
        return self.study.settings.tap_places if tapped else 0

    @property
    def minutes(self) -> planning.Minutes:
        """What a board, a mount with all but its full-drive tones, and a take cost."""
        plan, places = self.plan, self.tap_places
        times = 2 if plan.probes_before and self.study.settings.channels.sensed else 1
        sweeps = plan.sweeps * self.study.settings.sweep.known
        further = len(plan.probes) * times + plan.taps * places + sweeps
        return planning.Minutes(
            plan.minutes_board + plan.free_taps * places * plan.minutes_take,
            plan.minutes_mount + further * plan.minutes_take,
            plan.minutes_take,
        )

    @cached_property
    def spent(self) -> float:
        """Minutes that boards, mounts and takes of the design cost, controls left out."""
        each = self.minutes.of_board(self.nest.mounts, self.nest.takes)
        return sum(self.planks.values()) * self.nest.boards * each

    @cached_property
    def splits(self) -> pd.DataFrame:
        """Designs that cost no more than this one, best first, for the first primary feature."""
        return planning.best_splits(
            self.features[0].spreads, self.minutes, woods=len(self.planks), budget=self.spent
        )

    @cached_property
    def curves(self) -> dict[str, pd.DataFrame]:
        """Feature -> chance over the planks of each wood (`plan_curves.power_curves`)."""
        return {
            one.feature.name: planning.power_curves(
                one.spreads, self.nest, self.decision, difference=one.difference
            )
            for one in self.features
        }

    @cached_property
    def miscounted(self) -> pd.DataFrame:
        """False alarms when takes, mounts or boards of one plank count as boards."""
        first = self.features[0].spreads
        # Two boards of each plank, so that counting them as planks shows as well.
        spreads = replace(
            first, source=first.source * math.sqrt(0.8), specimen=first.source * math.sqrt(0.2)
        )
        return planning.false_alarms(
            spreads,
            woods=len(self.planks),
            planks=max(2, min(self.planks.values())),
            boards=2,
            mounts=max(2, self.plan.mounts),
            takes=max(2, self.plan.takes),
            confidence=self.decision.confidence,
        )


def plan_study(study: sheets.Study) -> StudyPlan:
    """Work out what the design of this study can find.

    Raises
    ------
    InputError : the pilot cannot be read or shows no spread, or the sheets name one wood only.
    """
    settings = study.settings
    study = study.from_stage(study.stages[-1])
    planks, below, assumed = _planks(study)
    dealt = settings.plan.mounts % settings.plan.batches != 0
    decision = power.Decision(
        woods=len(planks),
        primary=len(settings.decide.primary),
        **looks.levels(settings.decide.confidence, settings.decide.looks)._asdict(),
        # Boards in every batch pay nothing for it; boards dealt to batches pay one df each.
        block_columns=settings.plan.batches - 1 if dealt else 0,
    )
    nest = planning.Nest(below, settings.plan.mounts, settings.plan.takes)
    return StudyPlan(
        study,
        planks,
        nest,
        decision,
        assumed,
        tuple(_feature(study, name, planks, nest, decision) for name in settings.decide.primary),
    )


def _planks(study: sheets.Study) -> tuple[dict[str, int], float, bool]:
    """Planks of each wood, fewest first; boards of a plank; whether [plan] had to say."""
    woods = study.boards_by_wood
    if woods:
        counts = {wood: len({s.source for s in own}) for wood, own in woods.items()}
        below = sum(map(len, woods.values())) / sum(counts.values())
    else:
        names = dict.fromkeys(name for c in study.settings.claims for name in (c.lower, c.higher))
        counts = dict.fromkeys(names or ("wood 1", "wood 2"), study.settings.plan.boards)
        below = 1.0
    errors.InputError.refuse(len(counts) < 2, "plan.one_wood")
    return dict(sorted(counts.items(), key=lambda item: item[1])), below, not woods


def _spreads(study: sheets.Study, feature: str) -> planning.Spreads:
    pilot = study.settings.plan.pilot
    if not pilot:
        return planning.common_spreads(feature)
    path = study.folder / pilot
    errors.InputError.refuse(not path.is_file(), "plan.no_pilot", name=path.name)
    try:
        table = pd.read_csv(path)
    except (OSError, ValueError):
        raise errors.InputError(codes.note("plan.pilot_unreadable", name=path.name)) from None
    return planning.pilot_spreads(table, feature, name=path.name)


def _limit(study: sheets.Study, feature: register.Feature) -> float | None:
    decide = study.settings.decide
    chosen = scales.limits_table(
        [feature.name],
        dict(decide.limits),
        own_limits=set(decide.limits),
        listening=study.settings.channels.response_kind == "microphone",
    )
    limit = scales.limits_of(chosen).get(feature.name)
    return None if limit is None else scales.analysis_limit(limit, feature)


def _feature(
    study: sheets.Study,
    name: str,
    planks: dict[str, int],
    nest: planning.Nest,
    decision: power.Decision,
) -> FeaturePlan:
    feature, spreads = register.find(name), _spreads(study, name)
    limit = _limit(study, feature)
    difference = math.hypot(spreads.source, spreads.specimen) if limit is None else limit
    counts = list(planks.values())
    variances = [
        nest.variance(replace(spreads, source=source))
        for source in (spreads.source, spreads.source_low, spreads.source_high)
    ]
    claims = len(effects.claimed_pairs(vars(claim) for claim in study.settings.claims))
    claims = claims or decision.primary  # then one for each primary feature
    cases = {
        "planned": (decision, difference, variances[0]),
        "low": (decision, difference, variances[2]),
        "high": (decision, difference, variances[1]),
        "unlimited": (decision, difference, replace(nest, mounts=math.inf).variance(spreads)),
        "equal": (decision, 0.0, variances[0]),
        "locked": (replace(decision, claims=claims), difference, variances[0]),
    }
    return FeaturePlan(
        feature=feature,
        spreads=spreads,
        difference=difference,
        limit=limit,
        chances={
            name: by.chances(true, variance, counts, limit=limit)
            for name, (by, true, variance) in cases.items()
            if counts[0] > 1
        },
        claims=claims,
        same_limit=math.sqrt(variances[0])
        * power.limit_for_same(
            counts[0],
            woods=len(counts),
            confidence=decision.confidence,
            same_level=decision.same_level,
        )
        if counts[0] > 1
        else math.inf,
        declare=tuple(power.sources_to_declare(difference, one, decision) for one in variances),
        same=None
        if limit is None
        else tuple(power.sources_for_same(limit, one, decision) for one in variances),
    )
