"""What the rows of the rival explanations share: usable takes, boards' harmonics, wording.

A take is usable when it is not excluded, its batch was measured and its checks did not fail.
Boards are the specimens under comparison that have a measured feature (all of them as long as
none has). What was not tested reads "not tested: ..." and names the take or the column.

Conventions: levels in dB; spreads are standard deviations over boards, uncertainties of a
difference of woods are standard uncertainties from them.

Contents: Rival, Ground, ground_of, board_takes, not_tested, record, asked, lacking, no_tone,
takes_said, drive_said, place, with_interval, db, shift_said, gap_of_woods, each_wood.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from studylib.attribution.advice import ask
from studylib.attribution.lines import Lines, mean_lines, read_lines
from studylib.attribution.sorted_takes import MountKey, SortedTakes
from studylib.attribution.verdicts import NOISE
from studylib.measure.features import has_sensed_drive
from studylib.measure.harmonic_rows import tone_multiple
from studylib.sheets import Take
from studylib.words.numbers import MINUS, between, counted, rounded, signed
from studylib.words.text import listed

if TYPE_CHECKING:
    from studylib.report.summary import Summary

NOT_TESTED = "not tested: "
CONTACT = "A buzz in the very contact between driver and board is sensed too and reads as driver."
STAND_INS = ("tone.h1.response_db", "tone.h1.level_db")


class Rival(NamedTuple):
    """One row of the table."""

    rival: str
    looks: str
    tested: str
    says: str


@dataclass(frozen=True)
class Ground:
    """What the rows rest on.

    takes : usable.  boards : name -> wood.  rows : attribution of boards, `heard` those above the
    noise.  sorted : complex amplitudes by what they are for.  tones : mean tone of each board's
    mount at full drive.  features : the primary ones measured, else the tone's own level.
    """

    summary: Summary
    takes: tuple[Take, ...]
    boards: dict[str, str]
    rows: pd.DataFrame
    heard: pd.DataFrame
    sorted: SortedTakes
    tones: dict[MountKey, Lines]
    features: tuple[str, ...]

    @property
    def sensed(self) -> bool:
        """A force or acceleration channel senses what enters the board."""
        return has_sensed_drive(self.summary.study.settings)

    @property
    def tone_hz(self) -> float:
        return self.summary.study.settings.tone.fundamental_hz

    def multiple(self, take: Take) -> int | None:
        """k of a take's tone."""
        return tone_multiple(take.tone_hz, fundamental_hz=self.tone_hz)

    def of_kind(self, kind: str) -> list[Take]:
        return [take for take in self.takes if take.kind == kind]


def ground_of(summary: Summary) -> Ground:
    """Collect what the rows rest on; nothing in it needs to be there."""
    study, gathered = summary.study, summary.gathered
    checks = gathered.quality
    failed = set(checks.loc[(checks["check"] == "take") & (checks["verdict"] == "fail"), "take"])
    measured = [take for take in study.takes if take.batch not in gathered.failed]
    takes = tuple(take for take in measured if not take.exclude and take.take not in failed)
    means = summary.comparison.specimen_means
    known = set(means["specimen"])
    compared = [specimen for specimen in study.specimens if not specimen.role]
    seen = [specimen for specimen in compared if specimen.specimen in known]
    boards = {s.specimen: s.wood for s in seen or compared}
    tone = study.settings.tone
    lines = read_lines(gathered.harmonics, measured, size=tone.harmonics)
    sorted_takes = SortedTakes(
        lines,
        measured,
        fundamental_hz=tone.fundamental_hz,
        sensed=has_sensed_drive(study.settings),
    )
    table = summary.attribution.table
    rows = table[table["specimen"].isin(list(boards))]
    rows = rows[np.isfinite(rows["observed_db"].astype(float))]
    own = set(means.loc[means["specimen"].isin(list(boards)), "feature"])
    stand_in = [feature for feature in STAND_INS if feature in own][:1]
    return Ground(
        summary=summary,
        takes=takes,
        boards=boards,
        rows=rows,
        heard=rows[rows["verdict"] != NOISE],
        sorted=sorted_takes,
        tones={k: mean_lines(v) for k, v in sorted_takes.tones.items() if k[0] in boards},
        features=summary.measured or tuple(stand_in),
    )


def board_takes(ground: Ground) -> list[Take]:
    """Usable takes of boards on the bench."""
    kinds = ("tone", "sweep", "tap", "pluck")
    return [
        take
        for take in ground.takes
        if take.specimen in ground.boards and take.kind in kinds and take.support == "bench"
    ]


def not_tested(what: str, *rest: str) -> str:
    """The words for a gap, and what is known all the same."""
    return " ".join([f"{NOT_TESTED}{what}", *filter(None, rest)])


def record(ground: Ground, *controls: str) -> str:
    """ "not tested: record ..." with the words of the attribution's advice."""
    return not_tested(f"record {asked(ground, *controls)}")


def asked(ground: Ground, *controls: str) -> str:
    """What to record, as it stands in a sentence about the whole study."""
    found = [ask(c, at_hz=2 * ground.tone_hz, tone_hz=ground.tone_hz) for c in controls]
    return listed(found).replace("in this mount", "in each mount").replace("of this", "of each")


def lacking(ground: Ground, kind: str) -> str:
    """A sentence on the batches with boards that have no usable take of a control; or ""."""
    having = {take.batch for take in ground.of_kind(kind)}
    batches = dict.fromkeys(line.take.batch for line in ground.tones.values())
    without = [batch for batch in batches if batch not in having]
    if not without:
        return ""
    word = "batch" if len(without) == 1 else "batches"
    return f"Not tested in {word} {listed(without)}: record {asked(ground, kind)} there."


def no_tone(ground: Ground) -> str:
    """The gap when no board has a usable tone."""
    return not_tested(f"record a usable take of the tone at {ground.tone_hz:g} Hz of each board.")


def drive_said(ground: Ground) -> str:
    """The drive channel that the study has."""
    channels = ground.summary.study.settings.channels
    return f"drive channel ({channels.drive_kind})" if channels.drive else "no drive channel"


def takes_said(ground: Ground, kind: str) -> str:
    """How many usable takes of a control there are, and how many were set aside."""
    found = ground.of_kind(kind)
    there = [take for take in ground.summary.study.takes if take.kind == kind]
    aside = f" ({len(there) - len(found)} more not usable)" if len(there) > len(found) else ""
    return f"{counted(len(found), f'{kind} take')}{aside}" if there else f"{kind} takes: none"


def db(value: float) -> str:
    """A level difference without an interval of its own: "46 dB", "3.2 dB"."""
    if not math.isfinite(value):
        return "an unknown number of dB"
    text = f"{value:.0f}" if abs(value) >= 9.95 else f"{value:.1f}"
    return f"{text.replace('-', MINUS)} dB"


def shift_said(distance: float) -> str:
    """How far a coherent leak `distance` dB below a level can move it."""
    return f"{rounded(20.0 * math.log10(1.0 + 10.0 ** (-distance / 20.0)), digits=2)} dB"


def place(row) -> str:
    """Where a row of the attribution was found."""
    return f"{row.specimen} mount {row.mount}, harmonic {row.harmonic}"


def with_interval(row) -> str:
    """An excess with its interval."""
    return f"{signed(row.excess_db, row.low, row.high)} dB ({between(row.low, row.high, 'dB')})"


def each_wood(ground: Ground, values: Mapping[str, float]) -> dict[str, np.ndarray]:
    """Finite values of boards by wood, in the order of specimens.csv; woods without any left out.

    values : board -> value.
    """
    woods: dict[str, list[float]] = {}
    for board, wood in ground.boards.items():
        value = values.get(board)
        if value is not None and math.isfinite(value):
            woods.setdefault(wood, []).append(float(value))
    return {wood: np.array(found) for wood, found in woods.items()}


def gap_of_woods(
    woods: Mapping[str, Sequence[float]],
) -> tuple[str, str, float, float] | None:
    """(wood a, wood b, mean b minus mean a, its standard uncertainty) of the widest pair.

    The uncertainty is NaN where a wood has one board; None with fewer than two woods.
    """
    if len(woods) < 2:
        return None
    a, b = max(
        combinations(woods, 2),
        key=lambda pair: abs(np.mean(woods[pair[1]]) - np.mean(woods[pair[0]])),
    )
    return a, b, float(np.mean(woods[b]) - np.mean(woods[a])), _uncertainty([woods[a], woods[b]])


def _uncertainty(groups: Iterable[Sequence[float]]) -> float:
    square = [
        float(np.var(group, ddof=1)) / len(group) if len(group) > 1 else math.nan
        for group in groups
    ]
    return math.sqrt(sum(square))
