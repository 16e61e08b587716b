"""What a design can find, worked out for the study that is being planned.

Gathers from the sheets what the plan hangs on (woods, planks, boards, [plan], [decide]), takes the
spreads from a pilot or the common ones, and keeps every number that the plan's page shows.

Functions: `plan_study`. Classes: `StudyPlan`, `FeaturePlan`.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import pandas as pd

from studylib import register
from studylib.errors import InputError
from studylib.measure.features import has_sensed_drive
from studylib.register import Feature
from studylib.sheets import Study
from studylib.sheets.settings import Plan
from studylib.stats import scales
from studylib.stats.allocation import Minutes, best_splits, optimum
from studylib.stats.f_test_power import boards_for_f_test
from studylib.stats.miscounting import false_alarms
from studylib.stats.plan_curves import (
    Decision,
    Nest,
    never_beyond,
    power_curves,
    spread_parts,
    verdict_mix,
)
from studylib.stats.scales import limits_table
from studylib.stats.smallest_design import Smallest, sources_for_same, sources_to_declare
from studylib.stats.spreads import Spreads, common_spreads, pilot_spreads
from studylib.stats.verdict_power import Chances, pair_apart, verdict_chances


@dataclass(frozen=True)
class FeaturePlan:
    """One primary feature under the design; differences and spreads on the scale of analysis.

    difference : that matters: the limit, or one spread between boards where there is no limit.
    limit : or None.  own : the study's own choice, or the register's source.
    chances : of the verdicts at that difference; chances_low, chances_high : for the larger and the
    smaller spread of boards.  endless : with endless mounts and takes.  equal : of the verdicts for
    woods that do not differ.  declare, same : smallest numbers of planks, for the middle, smaller
    and larger spread of boards; `same` is None without a limit.  f_test : planks of each wood for
    four chances in five that the one-way F test finds some difference (exact, equal spreads).
    """

    feature: Feature
    spreads: Spreads
    difference: float
    limit: float | None
    chances: Chances | None
    chances_low: Chances | None
    chances_high: Chances | None
    endless: Chances | None
    equal: Chances | None
    declare: tuple[Smallest, Smallest, Smallest]
    same: tuple[Smallest, Smallest, Smallest] | None
    f_test: int


@dataclass(frozen=True)
class StudyPlan:
    """The design, and what it can find on each primary feature.

    planks : of each wood, fewest first.  nest : what lies below a plank.
    assumed : there are no boards yet, and [plan] gave their number.
    """

    boards: Study
    planks: dict[str, int]
    nest: Nest
    decision: Decision
    assumed: bool
    features: tuple[FeaturePlan, ...]

    @property
    def plan(self) -> Plan:
        """Section [plan] of study.toml."""
        return self.boards.settings.plan

    @property
    def changed(self) -> bool:
        """There is a changed specimen beside a reference, without which `same` is never said."""
        roles = all(self.boards.with_role(role) for role in ("reference", "changed"))
        return roles or self.assumed

    @property
    def senses_drive(self) -> bool:
        """A sensor feels what enters the board."""
        return has_sensed_drive(self.boards.settings)

    @property
    def minutes(self) -> Minutes:
        """What a board, a mount with all but its full-drive tones, and a take cost."""
        plan = self.plan
        further = len(plan.probes) + plan.taps + plan.sweeps * self.boards.settings.sweep.known
        return Minutes(
            plan.minutes_board + plan.free_taps * plan.minutes_take,
            plan.minutes_mount + further * plan.minutes_take,
            plan.minutes_take,
        )

    @cached_property
    def spent(self) -> float:
        """Minutes that boards, mounts and takes of the design cost, controls left out."""
        one, nest = self.minutes, self.nest
        each = one.board + nest.mounts * (one.mount + nest.takes * one.take)
        return sum(self.planks.values()) * nest.boards * each

    @cached_property
    def splits(self) -> pd.DataFrame:
        """Designs that cost no more than this one, best first, for the first primary feature."""
        return best_splits(
            self.features[0].spreads, self.minutes, woods=len(self.planks), budget=self.spent
        )

    @cached_property
    def optimum(self) -> tuple[float, float]:
        """Best mounts of a board and takes of a mount for the first primary feature, as real
        numbers; NaN where a spread or a cost is zero."""
        try:
            return optimum(self.features[0].spreads, self.minutes)
        except InputError:
            return math.nan, math.nan

    @cached_property
    def curves(self) -> dict[str, pd.DataFrame]:
        """Feature -> chance over the planks of each wood (`plan_curves.power_curves`)."""
        return {
            one.feature.name: power_curves(
                one.spreads, self.nest, self.decision, difference=one.difference
            )
            for one in self.features
        }

    @cached_property
    def mixes(self) -> dict[str, pd.DataFrame]:
        """Feature with a limit -> chance of each verdict over the true difference."""
        if min(self.planks.values()) < 2:
            return {}
        return {
            one.feature.name: verdict_mix(
                one.spreads, self.nest, self.decision,
                planks=self.planks.values(), limit=one.limit, same_possible=self.changed,
            )
            for one in self.features
            if one.limit is not None
        }  # fmt: skip

    @cached_property
    def parts(self) -> pd.DataFrame:
        """Designs of the same minutes: takes only, mounts only, as planned, and the best."""
        one, woods = self.minutes, len(self.planks)
        planks = min(self.planks.values())
        own = self.nest
        each = one.mount + own.takes * one.take
        room = own.mounts * each
        takes = max(1, int((room - one.mount) // one.take))
        mounts = max(1, int(room // (one.mount + one.take)))
        best = self.splits.iloc[0]
        designs = [
            ("further takes only", planks, replace(own, mounts=1, takes=takes)),
            ("as planned", planks, own),
            ("further mounts only", planks, replace(own, mounts=mounts, takes=1)),
            ("best for these minutes", int(best["boards"]),
             Nest(1, int(best["mounts"]), int(best["takes"]))),
        ]  # fmt: skip
        table = spread_parts(self.features[0].spreads, designs)
        cost = (
            table["planks"]
            * table["boards"]
            * (one.board + table["mounts"] * (one.mount + table["takes"] * one.take))
        )
        return table.assign(minutes=woods * cost)

    @cached_property
    def miscounted(self) -> pd.DataFrame:
        """False alarms when takes, mounts or boards of one plank count as boards."""
        first = self.features[0].spreads
        # Two boards of each plank, so that counting them as planks shows as well.
        spreads = replace(
            first, source=first.source * math.sqrt(0.8), specimen=first.source * math.sqrt(0.2)
        )
        return false_alarms(
            spreads,
            woods=len(self.planks),
            planks=max(2, min(self.planks.values())),
            boards=2,
            mounts=max(2, self.plan.mounts),
            takes=max(2, self.plan.takes),
            confidence=self.decision.confidence,
        )


def plan_study(boards: Study) -> StudyPlan:
    """Work out what the design of this study can find.

    Raises
    ------
    InputError : the pilot cannot be read or shows no spread, or the sheets name one wood only.
    """
    settings = boards.settings
    planks, below, assumed = _planks(boards)
    dealt = settings.plan.mounts % settings.plan.batches != 0
    decision = Decision(
        woods=len(planks),
        primary=len(settings.decide.primary),
        confidence=settings.decide.confidence,
        # Boards in every batch pay nothing for it; boards dealt to batches pay one df each.
        block_columns=settings.plan.batches - 1 if dealt else 0,
    )
    nest = Nest(below, settings.plan.mounts, settings.plan.takes)
    features = tuple(
        _feature(boards, name, planks, nest, decision) for name in settings.decide.primary
    )
    return StudyPlan(boards, planks, nest, decision, assumed, features)


def _planks(boards: Study) -> tuple[dict[str, int], float, bool]:
    """Planks of each wood, fewest first; boards of a plank; whether [plan] had to say."""
    woods = boards.boards_by_wood
    if woods:
        counts = {wood: len({s.source for s in own}) for wood, own in woods.items()}
        below = sum(map(len, woods.values())) / sum(counts.values())
    else:
        claims = boards.settings.claims
        names = dict.fromkeys(name for c in claims for name in (c.lower, c.higher))
        counts = dict.fromkeys(names or ("wood 1", "wood 2"), boards.settings.plan.boards)
        below = 1.0
    if len(counts) < 2:
        raise InputError(
            "specimens.csv holds one wood only, so there is nothing to compare; add boards of "
            "another wood before planning"
        )
    return dict(sorted(counts.items(), key=lambda item: item[1])), below, not woods


def _spreads(boards: Study, feature: str) -> Spreads:
    pilot = boards.settings.plan.pilot
    if not pilot:
        return common_spreads(feature)
    path = boards.folder / pilot
    if not path.is_file():
        raise InputError(
            f"study.toml, [plan] pilot: there is no file {Path(pilot).name} there; give the path "
            "of a variance.csv from the study folder, or leave pilot out"
        )
    try:
        table = pd.read_csv(path)
    except (OSError, ValueError):
        raise InputError(
            f"study.toml, [plan] pilot: {Path(pilot).name} cannot be read as a table; give the "
            "variance.csv that a run writes to tables/"
        ) from None
    return pilot_spreads(table, feature, name=Path(pilot).name)


def _limit(boards: Study, feature: Feature) -> float | None:
    decide = boards.settings.decide
    chosen = limits_table(
        [feature.name],
        dict(decide.limits),
        own_limits=set(decide.limits),
        listening=boards.settings.channels.response_kind == "microphone",
    )
    rows = chosen[chosen["feature"] == feature.name]
    if rows.empty:
        return None
    return scales.analysis_limit(float(rows["limit"].iloc[0]), feature)


def _feature(
    boards: Study, name: str, planks: dict[str, int], nest: Nest, decision: Decision
) -> FeaturePlan:
    feature, spreads = register.find(name), _spreads(boards, name)
    limit = _limit(boards, feature)
    difference = math.hypot(spreads.source, spreads.specimen) if limit is None else limit
    counts = list(planks.values())
    middle, low, high = (
        spreads, spreads.with_source(spreads.source_low), spreads.with_source(spreads.source_high)
    )  # fmt: skip

    def chances(own: Spreads, true: float, way: Nest = nest) -> Chances | None:
        if counts[0] < 2:
            return None
        means = pair_apart(true, len(counts))
        return verdict_chances(
            means, [way.variance(own)] * len(counts), counts, limit=limit,
            confidence=decision.confidence, primary=decision.primary,
            block_columns=decision.block_columns,
        )  # fmt: skip

    ways = {"woods": decision.woods, "confidence": decision.confidence, "primary": decision.primary}
    spread = math.sqrt(nest.variance(spreads))
    means = pair_apart(difference, len(counts))
    return FeaturePlan(
        f_test=boards_for_f_test(
            woods=len(counts),
            effect_f=statistics.pstdev(means) / spread,
            alpha=(1 - decision.confidence) / decision.primary,
        ),
        feature=feature,
        spreads=spreads,
        difference=difference,
        limit=limit,
        chances=chances(middle, difference),
        chances_low=chances(high, difference),
        chances_high=chances(low, difference),
        endless=chances(middle, difference, replace(nest, mounts=math.inf)),
        equal=chances(middle, 0.0),
        declare=tuple(
            sources_to_declare(difference, nest.variance(one), **ways)
            for one in (middle, low, high)
        ),
        same=None
        if limit is None
        else tuple(
            sources_for_same(limit, nest.variance(one), **ways) for one in (middle, low, high)
        ),
    )


def beyond_at_limit(plan: StudyPlan, one: FeaturePlan) -> float:
    """Chance of `beyond limit` for a true difference of just the limit, however many boards."""
    return never_beyond(one.limit, plan.nest.variance(one.spreads), plan.decision)
