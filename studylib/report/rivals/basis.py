"""What the rival explanations rest on: usable takes, boards' harmonics, and how a gap is told.

A take is usable when it is not excluded, its batch was measured and its checks did not fail.
Boards are the specimens under comparison that have a measured feature (all of them as long as
none has). A rival that nothing tests has a first note `rivals.not_tested`, which names the take or
the column.

Conventions: levels in dB; spreads are standard deviations over boards, uncertainties of a
difference of woods are standard uncertainties from them; None where a number is not known.

Contents: Finding, Basis, basis_of, board_takes, mounts_of, untested, record, asked, lacking,
no_tone, takes_note, known, place_of, excess_of_row, leak_shift, reported_spread, Gap, each_wood,
gap_of_woods.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from studylib import codes, register, sheets
from studylib.attribution.lines import Lines, mean_lines, read_lines
from studylib.attribution.sorted_takes import MountKey, SortedTakes
from studylib.attribution.verdicts import ask
from studylib.codes.attribution import Control, Verdict
from studylib.report.summary import Summary
from studylib.report.tables import measured_takes, set_aside_table
from studylib.stats import scales

# Beside a test: something was left out of it.
PARTLY = (
    "rivals.lacking", "rivals.harmonics_not_tested", "rivals.tone_not_tested",
    "rivals.sizes_lacking", "rivals.moisture_lacking", "rivals.some_assumed",
    "doubts.blind_bench_missed",
)  # fmt: skip
STAND_INS = ("tone.h1.response_db", "tone.h1.level_db")


class Finding(NamedTuple):
    """One rival: the note of what tests it, and the notes ("" for none) of what that says."""

    rival: str
    tested_by: str
    says: Sequence[str]

    @property
    def tested(self) -> bool:
        """Whether a take or a column of the study bears on it."""
        return all(codes.code_of(each) != "rivals.not_tested" for each in self.says)

    @property
    def status(self) -> str:
        """The note of how far the study went: not looked at, in part, or looked at."""
        part = any(codes.code_of(each) in PARTLY for each in self.says)
        return codes.holding(
            (not self.tested, "rivals.open"), (part, "rivals.partly"), (True, "rivals.looked_at")
        )[0]


@dataclass(frozen=True)
class Basis:
    """What the rival explanations rest on.

    takes : usable.
    boards : name -> wood.
    rows : attribution of boards, `heard` those above the noise.
    sorted_takes : complex amplitudes by what they are for.
    tones : mean tone of each board's mount at full drive.
    features : the primary ones measured, else the tone's own level.
    """

    summary: Summary
    takes: tuple[sheets.Take, ...]
    boards: dict[str, str]
    rows: pd.DataFrame
    heard: pd.DataFrame
    sorted_takes: SortedTakes
    tones: dict[MountKey, Lines]
    features: tuple[str, ...]

    @property
    def sensed(self) -> bool:
        """A force or acceleration channel senses what enters the board."""
        return self.summary.study.settings.channels.sensed

    @property
    def drive_kind(self) -> str:
        """What the drive channel records; "" without one."""
        return self.summary.study.settings.channels.drive_kind or ""

    @property
    def tone_hz(self) -> float:
        """The study's tone."""
        return self.summary.study.settings.tone.fundamental_hz

    def of_kind(self, kind: str) -> list[sheets.Take]:
        """Usable takes of one kind."""
        return [take for take in self.takes if take.kind == kind]


def basis_of(summary: Summary) -> Basis:
    """Collect what the rivals rest on; nothing in it needs to be there."""
    study, gathered = summary.study, summary.gathered
    measured, aside = measured_takes(summary), set(set_aside_table(summary)["take"])
    takes = tuple(take for take in measured if take.take not in aside)
    means = summary.comparison.specimen_means
    compared = [specimen for specimen in study.specimens if not specimen.role]
    seen = [
        each for known in [set(means["specimen"])] for each in compared if each.specimen in known
    ]
    boards = {each.specimen: each.wood for each in seen or compared}
    tone, sensed = study.settings.tone, study.settings.channels.sensed
    lines = read_lines(gathered.harmonics, measured, size=tone.harmonics)
    sorted_takes = SortedTakes(lines, measured, fundamental_hz=tone.fundamental_hz, sensed=sensed)
    table = summary.attribution.table
    rows = table[table["specimen"].isin(list(boards)) & np.isfinite(table["observed_db"])]
    own = set(means.loc[means["specimen"].isin(list(boards)), "feature"])
    stand_in = [feature for feature in STAND_INS if feature in own][:1]
    return Basis(
        summary=summary,
        takes=takes,
        boards=boards,
        rows=rows,
        heard=rows[rows["verdict"] != Verdict.NOISE],
        sorted_takes=sorted_takes,
        tones={k: mean_lines(v) for k, v in sorted_takes.tones.items() if k[0] in boards},
        features=summary.measured or tuple(stand_in),
    )


def board_takes(basis: Basis) -> list[sheets.Take]:
    """Usable takes of boards on the bench."""
    kinds = ("tone", "sweep", "tap", "pluck")
    return [
        take
        for take in basis.takes
        if take.specimen in basis.boards and take.kind in kinds and take.support == "bench"
    ]


def mounts_of(rows: pd.DataFrame) -> pd.DataFrame:
    """The mounts that rows are of: specimen, mount."""
    return rows[["specimen", "mount"]].drop_duplicates()


# ---------------------------------------------------------------- gaps


def untested(what: str) -> str:
    """The note of a gap: `what` is the note of what would close it."""
    return codes.note("rivals.not_tested", what=what)


def record(basis: Basis, *controls: str) -> str:
    """The gap of takes that were not recorded."""
    return untested(codes.note("rivals.record", asked=asked(basis, *controls)))


def asked(basis: Basis, *controls: str) -> list[str]:
    """What to record, as it stands in a sentence about the whole study."""
    return [
        ask(control, at_hz=2 * basis.tone_hz, tone_hz=basis.tone_hz, every=True)
        for control in controls
    ]


def lacking(basis: Basis, kind: str, control: Control) -> str:
    """A note on the batches with boards that have no usable take of a control; or ""."""
    having = {take.batch for take in basis.of_kind(kind)}
    batches = dict.fromkeys(line.take.batch for line in basis.tones.values())
    without = [batch for batch in batches if batch not in having]
    return (
        codes.note("rivals.lacking", batches=without, asked=asked(basis, control))
        if without
        else ""
    )


def no_tone(basis: Basis) -> str:
    """The gap when no board has a usable tone."""
    return untested(codes.note("rivals.no_tone", tone_hz=basis.tone_hz))


def takes_note(basis: Basis, kind: str) -> str:
    """How many usable takes of a control there are, and how many were set aside."""
    usable = len(basis.of_kind(kind))
    there = sum(take.kind == kind for take in basis.summary.study.takes)
    return codes.note("rivals.by_takes", kind=kind, usable=usable, set_aside=there - usable)


# ---------------------------------------------------------------- numbers


def known(value: float) -> float | None:
    """The number, or None for one that is not finite."""
    return float(value) if math.isfinite(value) else None


def place_of(row) -> dict[str, Any]:
    """Where a row of the attribution was found."""
    return {"specimen": row.specimen, "mount": row.mount, "harmonic": row.harmonic}


def excess_of_row(row) -> dict[str, float]:
    """An excess with its interval."""
    return {"excess_db": row.excess_db, "low": row.low, "high": row.high}


def leak_shift(distance_db: float) -> float:
    """How many dB a coherent leak `distance_db` below a level can move it."""
    return 20.0 * math.log10(1.0 + 10.0 ** (-distance_db / 20.0))


def reported_spread(row, feature: register.Feature) -> dict[str, Any]:
    """A variance of the table with its interval as standard deviation: sd, low, high, unit."""
    sd, low, high = (
        scales.reported_difference(math.sqrt(max(value, 0.0)), feature)
        for value in (row.variance, row.low, row.high)
    )
    return {"sd": sd, "low": low, "high": high, "unit": feature.difference_unit}


class Gap(NamedTuple):
    """The two woods that lie farthest apart: mean of b minus mean of a, standard uncertainty.

    u : NaN where a wood has one board.
    """

    a: str
    b: str
    difference: float
    u: float


def each_wood(basis: Basis, values: Mapping[str, float]) -> dict[str, np.ndarray]:
    """Finite values of boards by wood, in the order of specimens.csv; woods without any left out.

    values : board -> value.
    """
    known = {b: float(values[b]) for b in basis.boards if math.isfinite(values.get(b, math.nan))}
    return {
        wood: np.array([value for board, value in known.items() if basis.boards[board] == wood])
        for wood in dict.fromkeys(basis.boards[board] for board in known)
    }


def gap_of_woods(woods: Mapping[str, np.ndarray]) -> Gap | None:
    """The widest pair of woods; None with fewer than two."""
    if len(woods) < 2:
        return None
    a, b = max(
        combinations(woods, 2), key=lambda pair: abs(woods[pair[1]].mean() - woods[pair[0]].mean())
    )
    square = [
        float(woods[wood].var(ddof=1)) / woods[wood].size if woods[wood].size > 1 else math.nan
        for wood in (a, b)
    ]
    return Gap(a, b, float(woods[b].mean() - woods[a].mean()), math.sqrt(sum(square)))
