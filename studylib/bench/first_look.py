"""A first look at one recording, while the board is still mounted: keep, or redo and why.

The take is measured as a run will measure it, against the room and the calibrator of its batch as
far as they are recorded. No woods, no comparison: whether it is fit for use, and nothing else.

Functions: `first_look`, `next_words`. Class: `Look`.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from studylib.bench.instructions import groups, level_words, what_to_do
from studylib.measure.batch import QUALITY_COLUMNS
from studylib.measure.sitting import header_of, measured_at, sitting_of
from studylib.report.at_the_bench import failed_checks
from studylib.sheets import Study, Take
from studylib.signal import quality

KEEP, REDO = "keep", "redo"
SITTING = ("room", "calibrator")


@dataclass(frozen=True)
class Look:
    """Keep or redo, and what was found: why it must be redone, or what to mind."""

    verdict: str
    said: str


def first_look(study: Study, take: Take) -> Look:
    """Measure one take and say whether it is fit for use.

    Parameters
    ----------
    study : its `takes` are those recorded so far; `take` is one of them.

    Raises
    ------
    InputError : an unknown check in [quality], or no recording of the study can be opened.
    """
    held = [t for t in study.takes if t.batch == take.batch and t.kind in SITTING]
    takes = tuple(dict.fromkeys([*(t.take for t in held), take.take]))
    by_name = {t.take: t for t in (*held, take)}
    infos = {name: header_of(study, by_name[name]) for name in takes}
    if not infos[take.take].frames:
        return Look(REDO, infos[take.take].remark)
    sitting = sitting_of(study, tuple(by_name[name] for name in takes), infos)
    measured, _ = measured_at(study, take, infos[take.take], sitting)
    verdict, reason = quality.take_verdict(measured.checks)
    rows = pd.DataFrame([(take.take, *row) for row in measured.checks], columns=QUALITY_COLUMNS)
    if verdict == "fail":
        said, advice = failed_checks(rows[rows["verdict"] == "fail"])
        return Look(REDO, " ".join([f"{'; '.join(said).rstrip('.')}.", *advice]))
    return Look(KEEP, f"mind: {reason}" if verdict == "warn" else "")


def next_words(study: Study, batch: str, waiting: frozenset[str]) -> str:
    """What is to be recorded next in a batch, and how far it is.

    Parameters
    ----------
    waiting : ids of the takes that are to be recorded yet, those to be redone included.
    """
    total = len(study.scheduled_of(batch))
    found = groups(study, batch)
    left = sum(take.take in waiting for group in found for take in group.takes)
    far = f"{batch}: {total - left} of {total}"
    for group in found:
        for take in group.takes:
            if take.take in waiting:
                begun = any(t.take not in waiting for t in group.takes)
                setup = "" if begun else f"{group.heading}. "
                level = f" ({level_words(take)})" if level_words(take) else ""
                return f"{far}; next: {setup}{what_to_do(take)}{level} -> {take.file}"
    return f"{far}; the batch is complete"
