"""What else decides a verdict: the remarks without which no verdict on two woods is made.

A verdict says how far two woods lie apart; it cannot say why. What would make such a difference
without the wood stands beside it, as codes in the column `caveats` of the effects and the claims:

    cautions     what the feature carries besides the board (the register)
    batch        wood and batch go together, so that sessions are part of the difference
    order        one wood was recorded before the other, or woods lie apart in the order
    clock        the columns order and started contradict each other: the order is not known
    drift        the reference did not stay within its limits, or all boards drift
    not sensed   nothing felt how hard the driver shook the boards
    harder       the drive differs visibly between the two woods, on a feature that follows it
    channel      the drive channel reads visibly more for one wood at every frequency, which a
                 changed gain of that channel would do as well, on a feature that is divided by it
    levels       recorded levels do not follow the drive, or change with a wood
    lock         claims and choices were made or changed after recording had begun
    looks        the boards were looked at more often than was planned

How visible: each board's mean level of the drive is one number; the spread between boards of one
wood is pooled over the woods (Student), at an error of `drift.ERROR` over all pairs and
frequencies, and what is less than LEAST_DB is not worth a remark. A gain that changed moves all
frequencies alike, whereas a board's load does not: the smallest of the differences is what a gain
can account for. It decides a declared difference if it lies in its direction and reaches its
interval, and any verdict that two woods lie within a limit.

Functions: `follows_level`, `relative_to_drive`. Classes: `Made`, `Gap`, `Caveats`.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from studylib import codes, register
from studylib.codes.comparison import Method, Verdict
from studylib.stats import decisions, drift

LEAST_DB = 0.5  # of the drive: less is not worth a remark
DOUBT = 3.0  # standard uncertainties by which a step may be larger than it was found


@dataclass(frozen=True)
class Made:
    """How the takes of a study were made.

    order : from `sheets.study.recording_order`.
    dealt : the order comes from a schedule.
    drive : specimen, batch, mount, harmonic, y: the drive channel at that multiple of the tone, dB
        at the same nominal drive; empty without the channel.
    sensed : the channel senses what enters the board.
    levels : what was found on recorded levels (`attribution.levels.level_findings`).
    at_large : notes that belong to every verdict.
    clock : a batch whose columns order and started contradict each other, or "".
    """

    order: pd.DataFrame
    dealt: bool
    drive: pd.DataFrame
    sensed: bool
    levels: tuple[str, ...] = ()
    at_large: tuple[str, ...] = ()
    clock: str = ""


class Gap(NamedTuple):
    """The drive of wood b minus that of wood a, dB, its standard uncertainty, and if it is seen."""

    size: float
    u: float
    visible: bool


def relative_to_drive(feature: register.Feature) -> bool:
    """A response: the level of the drive cancels in it."""
    return (
        feature.kind in (register.Kind.TONE, register.Kind.PROBE, register.Kind.SWEEP)
        and feature.unit == "dB"
    ) and not follows_level(feature)


def follows_level(feature: register.Feature) -> bool:
    """A level, or what changes with it: distortion, and noise relative to the tone."""
    return feature.drive_level or feature.driver or feature.noise


@dataclass(frozen=True)
class Caveats:
    """What the caveats of one study rest on.

    steadiness : feature -> from `drift.steadiness`.
    order : of the woods; None where no order is known.
    gaps : (wood a, wood b) -> multiple of the tone -> gap.
    made : None where nothing is known of how the takes were made.
    """

    steadiness: Mapping[str, drift.Steadiness]
    order: drift.OrderOfWoods | None
    gaps: Mapping[tuple[str, str], Mapping[int, Gap]]
    made: Made | None

    def of(self, row: Any) -> str:
        """The caveats of a row of the effects that has numbers and its verdict, as one cell."""
        feature = register.find(row.feature)
        moved = feature.name in self.steadiness and self.steadiness[feature.name].moved
        return codes.several(
            [
                *feature.cautions,
                "caveats.batch" if codes.has(row.method, Method.CONFOUNDED) else "",
                "caveats.drift" if moved else "",
                *(self._of_bench(row, feature) if self.made else ()),
            ]
        )

    def _of_bench(self, row: Any, feature: register.Feature) -> list[str]:
        on_bench = feature.kind != register.Kind.WOOD
        sensed = self.made.sensed
        pair = self.order.between(row.wood_a, row.wood_b) if on_bench else None
        gaps = self.gaps.get((row.wood_a, row.wood_b), {})
        own = feature.kind == register.Kind.PROBE and feature.harmonic in gaps
        gap = gaps.get(feature.harmonic if own else 1) if follows_level(feature) else None
        step = self.common_step(row.wood_a, row.wood_b) if sensed else None
        by_gain = step and relative_to_drive(feature) and _decides(step, row)
        in_rows = bool((self.made.order["by"] == "row").any())
        return [
            *self.made.at_large,
            codes.note("caveats.order", first=pair[0], last=pair[1], rows=in_rows) if pair else "",
            codes.note("caveats.clock", batch=self.made.clock)
            if on_bench and self.made.clock
            else "",
            "caveats.not_sensed"
            if not self.made.sensed and (feature.drive_level or feature.driver)
            else "",
            codes.note("caveats.harder", **self._which(row, gap), voltage=not sensed)
            if gap and gap.visible
            else "",
            codes.note("caveats.channel", **self._which(row, step)) if by_gain else "",
            *(
                codes.note("caveats.levels", found=codes.code_of(each))
                for each in self.made.levels
                if _touches(each, row, feature)
            ),
        ]

    def common_step(self, wood_a: str, wood_b: str) -> Gap | None:
        """What a gain of the drive channel that changed with the wood can account for, or None."""
        found = list(self.gaps.get((wood_a, wood_b), {}).values())
        same_way = len({gap.size > 0 for gap in found}) == 1
        return (
            min(found, key=lambda gap: abs(gap.size))
            if same_way and all(gap.visible for gap in found)
            else None
        )

    def _which(self, row: Any, gap: Gap) -> dict[str, Any]:
        higher, lower = (row.wood_b, row.wood_a) if gap.size > 0 else (row.wood_a, row.wood_b)
        return {"higher": higher, "lower": lower, "size_db": abs(gap.size), "u_db": gap.u}


def _touches(finding: str, row: Any, feature: register.Feature) -> bool:
    """Whether a finding on levels bears on these two woods by a channel that the feature rests on.

    A change that lies on both sides of a wood only widens its intervals.
    """
    played = feature.kind in (register.Kind.TONE, register.Kind.PROBE, register.Kind.SWEEP)
    fields, relative = codes.fields_of(finding), relative_to_drive(feature)
    woods = fields["woods"] if "woods" in fields else [fields["wood"]]
    # The response is in every such feature, the drive only in one that is relative to it, where a
    # gain of the recorder acts on both alike.
    rests = played and (relative or fields["channel"] != "drive")
    apart = not (relative and fields["channel"] == "both")
    everywhere = codes.has(finding, "levels.control", "levels.ceiling")
    return rests and (everywhere or (apart and not {*woods}.isdisjoint((row.wood_a, row.wood_b))))


def _decides(step: Gap, row: Any) -> bool:
    """Whether a gain that rose by this much, and lowered the response by it, could have made this
    verdict."""
    if row.verdict in (Verdict.SAME, Verdict.WITHIN):
        return True
    near = min(abs(row.low), abs(row.high)) if row.low * row.high > 0 else 0.0
    reaches = abs(step.size) + DOUBT * step.u >= near
    return row.verdict in decisions.DECLARED and step.size * row.difference < 0 and reaches


def drive_gaps(
    drive: pd.DataFrame, wood_of: Mapping[str, str]
) -> dict[tuple[str, str], dict[int, Gap]]:
    """The drive of each pair of woods at each multiple of the tone that was recorded.

    Parameters
    ----------
    drive : see `Made`.
    wood_of : board -> wood, in the order of the sheet; other specimens are left out.
    """
    mounts = drive[drive["specimen"].isin(list(wood_of))]
    mounts = mounts.groupby(["harmonic", "specimen", "batch", "mount"])["y"].mean()
    boards = mounts.groupby(["harmonic", "specimen"]).mean().reset_index()
    boards["wood"] = boards["specimen"].map(wood_of)
    pairs = list(combinations(dict.fromkeys(wood_of.values()), 2))
    tests = len(pairs) * boards["harmonic"].nunique()
    found: dict[tuple[str, str], dict[int, Gap]] = {pair: {} for pair in pairs}
    for harmonic, own in boards.groupby("harmonic"):
        group = own.groupby("wood")["y"]
        n, mean, df = group.size(), group.mean(), len(own) - group.ngroups
        square = float(((own["y"] - group.transform("mean")) ** 2).sum())
        if df < 1:
            continue
        t = float(special.stdtrit(df, 0.5 + drift.confidence_each(tests) / 2))
        for a, b in (pair for pair in pairs if {*pair} <= {*n.index}):
            size = float(mean[b] - mean[a])
            u = math.sqrt(square / df * (1 / n[a] + 1 / n[b]))
            found[a, b][int(harmonic)] = Gap(
                size, u, visible=bool(np.abs(size) > t * u and np.abs(size) >= LEAST_DB)
            )
    return found
