"""What does the page make of boards that no uniform bar describes: is anything explained away?

Studies on the rough bench (`rough_bench`) are put before the report's own functions: the prediction
of each board, how near it comes, and what the woods' differences are said to act through. Each
roughness comes alone and all together, at several strengths, in three kinds of study:

- `woods`: three woods, every board rough. How much is left over, how much of what was measured do
  the 95 % intervals hold, and does the page say that the bar lacks something?
- `alike`: all boards are of one wood under three names, every board rough. Whatever part is said to
  be of the woods, with an interval that leaves zero out, is false.
- `one`: the same, but only the boards called robinia are rough. Sizes and material are alike, so
  what sets robinia apart is not explained by them; a part that leaves zero out explains it away.
  Where the roughness itself changes what taps find (knots, stiffness, grain, loss), the material is
  no longer alike, and the count is only told.

Counted over boards or pairs of woods, with the standard error of a share p of n as
sqrt(p (1 - p) / n).

Run: python -m tests.benchmarks.forward_truth [studies a cell] [kind] [roughness ...]
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from studylib.codes import code_of
from studylib.report import predicted as report
from studylib.report.curves import Curves, curves_of
from studylib.sheets import Study
from studylib.sheets.rows import Specimen, Take
from studylib.sheets.settings import Settings
from studylib.stats.compare import Comparison, compare
from studylib.wood import prediction
from tests.benchmarks import rough_bench
from tests.benchmarks.rough_bench import KNOBS, RoughStudy, rough_study

STUDIES, SEED = 10, 172
STRENGTHS = (1.0, 2.0, 3.0)
TONE_HZ = 172.0
BAND_HZ = (80.0, 2500.0)
EVERY = 2
"""Of the frequencies of a curve: 48 an octave are as good here and cost half."""

SAME_MATERIAL = ("taper", "density", "torsion", "supports", "rocking", "patch", "hearing")
"""Roughnesses that leave density, stiffness and loss of a board, as means, what they are."""
KINDS: dict[str, dict] = {
    "woods": {},
    "alike": {"alike": True},
    "one": {"alike": True, "only": ("robinia",)},
}


@dataclass(frozen=True)
class Page:
    """What the report makes of a study."""

    study: Study
    predicted: report.Predicted
    parts: report.Parts
    curves: Curves
    comparison: Comparison
    notes: tuple[str, ...]

    @property
    def codes(self) -> list[str]:
        """Of the notes."""
        return [code_of(one) for one in self.notes]


def page_of(rough: RoughStudy, *, limit_db: float | None = None, **bench) -> Page:
    """The rough study as sheets and tables, and the report's own functions on them.

    limit_db : of the curve's level.  bench : other keys of study.toml under [bench].
    """
    study = _study(rough, limit_db, bench)
    takes = [take.take for take in study.takes]
    curves = pd.DataFrame(
        {
            "take": np.repeat(takes, rough.frequency_hz.size),
            "frequency_hz": np.tile(rough.frequency_hz, len(takes)),
            "level_db": rough.level_db.ravel(),
            "u_db": rough.u_db.ravel(),
            "usable": True,
            "reason": "",
        }
    )
    at = int(np.argmin(np.abs(np.log(rough.frequency_hz / TONE_HZ))))
    values = {
        "curve.response_db": rough.level_db.mean(axis=1),
        "tone.h1.response_db": rough.level_db[:, at],
    }
    rows = [
        (f"{t.take}-{name}", t.take, t.batch, t.specimen, t.mount, name, v, "dB", True, "")
        for name, own in values.items()
        for t, v in zip(study.takes, own, strict=True)
    ]
    columns = [
        "id", "take", "batch", "specimen", "mount",
        "feature", "value", "unit", "usable", "reason",
    ]  # fmt: skip
    comparison = compare(
        pd.DataFrame(rows, columns=columns),
        study.specimen_table(),
        woods=list(rough_bench.WOODS),
        primary=["curve.response_db"],
    )
    found = curves_of(study, curves, comparison)
    bars = report.predicted_of(study, prediction.model_of(study, _modes(rough)), found.levels)
    parts = report.parts_of(study, bars, found, comparison)
    notes = (
        *report.predicted_notes(bars, study),
        *report.parts_notes(parts, bars, study),
    )
    return Page(study, bars, parts, found, comparison, notes)


def _study(rough: RoughStudy, limit_db: float | None, bench: Mapping) -> Study:
    low, high = rough.frequency_hz[0], rough.frequency_hz[-1]
    at = float(rough.frequency_hz[np.argmin(np.abs(np.log(rough.frequency_hz / TONE_HZ)))])
    settings = Settings.model_validate(
        {
            "study": {"title": "Rough boards", "question": "What is explained?"},
            "channels": {"response": 1, "drive": 2, "drive_kind": "acceleration"},
            "bench": {
                "drive_at_mm": rough.drive_at_mm,
                "u_drive_at_mm": rough.u_drive_at_mm,
                **bench,
            },
            "tone": {"fundamental_hz": at},
            "curve": {
                "lowest_hz": max(BAND_HZ[0], 0.999 * low),
                "highest_hz": min(BAND_HZ[1], 1.001 * high),
            },
            "decide": {"limits": {} if limit_db is None else {"curve.response_db": limit_db}},
        }
    )
    specimens = tuple(
        Specimen(
            specimen=s.name, wood=s.wood, source=f"{s.name} plank", row=row,
            **{key: f"{value:.2f}" for key, value in s.sheet.items()},
        )
        for row, s in enumerate(rough.specimens, start=2)
    )  # fmt: skip
    takes = tuple(
        Take(
            take=f"{m.specimen}-{m.number}", batch="day1", kind="sweep", specimen=m.specimen,
            mount=str(m.number), repeat="1", file=f"recordings/{m.specimen}-{m.number}.wav",
            row=row,
        )
        for row, m in enumerate(rough.mounts, start=2)
    )  # fmt: skip
    return Study(Path("rough"), "rough", settings, specimens, takes)


def _modes(rough: RoughStudy) -> pd.DataFrame:
    """The mean free modes of every board, as the table of the boards' modes has them."""
    rows = [
        (s.name, s.wood, "", "free", n, *numbers, "")
        for s in rough.specimens
        for n, numbers in enumerate(zip(*s.modes.values(), strict=True), start=1)
    ]
    columns = [
        "specimen", "wood", "role", "support", "mode",
        "frequency_hz", "frequency_u", "loss_factor", "loss_factor_u", "reason",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=columns)


@dataclass(frozen=True)
class Counts:
    """Of one cell, as means over studies or shares.

    Attributes
    ----------
    predicted : share of boards with a prediction.
    left_db : root mean square of measured less predicted, mount by mount.
    r, inside : of mounts; share of the boards' curves inside their intervals; worst, of the wood
        with the least.
    lacks : share of studies in which the page says that the bar lacks something.
    contradicts : share of pairs with robinia on pages that say that a uniform bar describes the
        boards, whose difference over the band has a part that is not explained and leaves zero out.
    rest_db, difference_db : of robinia and larch over the band, root mean square.
    parts : share of the pairs with robinia whose part leaves zero out, at the tone and over the
        band, by part.
    within : share of pairs said to leave over nothing that matters at 3 dB.
    """

    predicted: float
    left_db: float
    r: float
    inside: float
    worst: float
    lacks: float
    contradicts: float
    rest_db: float
    difference_db: float
    parts: Mapping[tuple[str, str], float]
    within: float


def cell(strengths: Mapping[str, float], kind: str, studies: int, **keys) -> Counts:
    """Studies of one kind, counted."""
    frequency = rough_bench.grid(*BAND_HZ)[::EVERY]
    kept = {"boards": 4, "mounts": 3, "frequency_hz": frequency, **KINDS[kind], **keys}
    pages = [
        page_of(rough_study(np.random.default_rng(SEED + i), strengths, **kept), limit_db=3.0)
        for i in range(studies)
    ]
    said = [page for page in pages if not page.predicted.reason]
    mounts = pd.concat([page.predicted.mounts for page in said]) if said else None
    split = [page for page in said if not page.parts.reason]
    pair = ("larch", "robinia")
    away: dict[tuple[str, str], list[bool]] = {}
    band, contradicts = [], []
    for page in split:
        parts, describes = page.parts, "forward.covered" in page.codes
        with_robinia = parts.table[parts.table["wood_b"] == "robinia"]
        for row in with_robinia.itertuples():
            leaves = row.low_db > 0.0 or row.high_db < 0.0
            away.setdefault((row.over, row.part), []).append(leaves)
            if (row.over, row.part) == (report.BAND, "not explained"):
                contradicts.append(describes and leaves)
        own = parts.table.set_index(["wood_a", "wood_b", "over", "part"])["difference_db"]
        band.append(own[(*pair, report.BAND, "difference")])
    within = [page.codes.count("forward.rest_within") / 3.0 for page in said]
    boards = sum(len(page.study.specimens) for page in pages)
    return Counts(
        predicted=sum(len(page.predicted.best) for page in said) / boards,
        left_db=_mean([] if mounts is None else np.sqrt(np.mean(mounts["left_over_db"] ** 2))),
        r=_mean([] if mounts is None else mounts["r"]),
        inside=_mean([page.predicted.covered for page in said]),
        worst=_mean(
            [page.predicted.curves.groupby("wood")["inside"].mean().min() for page in said]
        ),
        lacks=_mean(["forward.uncovered" in page.codes for page in said]),
        contradicts=_mean(contradicts),
        rest_db=_mean([page.parts.rests[pair][0] for page in split]),
        difference_db=_mean(band),
        parts={key: float(np.mean(found)) for key, found in away.items()},
        within=_mean(within),
    )


def _mean(values: Sequence | np.ndarray) -> float:
    return float(np.mean(values)) if np.size(values) else float("nan")


def line(name: str, found: Counts) -> str:
    """One line a cell."""
    parts = ", ".join(
        f"{over} " + " ".join(
            f"{part} {found.parts.get((over, part), np.nan):.2f}"
            for part in ("sizes", "material", "not explained", "difference")
        )
        for over in (report.TONE, report.BAND)
    )  # fmt: skip
    return (
        f"{name:24s} predicted {found.predicted:.2f}, left {found.left_db:.2f} dB, "
        f"r {found.r:.3f}, inside {found.inside:.3f} (worst wood {found.worst:.3f}), "
        f"lacks {found.lacks:.2f}, contradicts {found.contradicts:.2f}; robinia and larch "
        f"{found.difference_db:.2f} dB, rest {found.rest_db:.2f}, within 3 dB {found.within:.2f}; "
        f"leave zero out: {parts}"
    )


def main() -> None:
    """Print a line a cell."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    kinds = [sys.argv[2]] if len(sys.argv) > 2 else list(KINDS)
    named = sys.argv[3:] or ["none", *KNOBS, "all"]
    for kind in kinds:
        for name in named:
            for strength in (0.0,) if name == "none" else STRENGTHS:
                # All together, each at less: their squares add up.
                share = strength / np.sqrt(len(KNOBS))
                strengths = dict.fromkeys(KNOBS, share) if name == "all" else {name: strength}
                strengths = {} if name == "none" else strengths
                found = cell(strengths, kind, studies)
                print(line(f"{kind} {name} {strength:g}", found), flush=True)


if __name__ == "__main__":
    main()
