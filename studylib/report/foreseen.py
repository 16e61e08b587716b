"""What was laid down before recording: the schedule, the lock, and whether the woods were coded.

Sentences for the report. They say what the files of the study say, and no more: a program cannot
know what was tried before a lock, and a code hides a name, not a board's mass.

Functions: `laid_down`, `changed_since_lock`, `coded_claims`.
"""

from __future__ import annotations

import pandas as pd

from studylib.sheets import Study
from studylib.sheets.records import changes_since
from studylib.stats.verdicts import OPEN
from studylib.words.text import listed

CODED = "the woods are coded, and this claim is judged when the key is opened"


def laid_down(study: Study) -> list[str]:
    """Lock, blinding and schedule of the study, one or two sentences each."""
    return [_locked(study), _blind(study), _scheduled(study)]


def changed_since_lock(study: Study) -> list[str]:
    """What is not as it was when the study was locked; none without a lock."""
    if study.lock is None:
        return []
    return changes_since(study.lock, study.settings, study.specimens)


def coded_claims(study: Study, claims: pd.DataFrame) -> pd.DataFrame:
    """The table of claims; while the woods are coded, each one waits for the key."""
    if study.blinding is None or study.blinding.opened or claims.empty:
        return claims
    return claims.assign(verdict=OPEN, reason=CODED)


def _locked(study: Study) -> str:
    lock = study.lock
    if lock is None:
        return (
            "Lock: none. When claims and choices of the analysis were made cannot be told; "
            '"study lock", before the first recording, settles it.'
        )
    late = ""
    if lock.recorded:
        late = (
            f" {lock.recorded} takes were recorded by then, so the choices may have been made in "
            "knowledge of them."
        )
    changes = len(changed_since_lock(study))
    since = {0: "Nothing has changed since.", 1: "One thing has changed since; it is listed below."}
    return (
        f"Lock: claims and choices of the analysis were locked on {_day(lock.locked)} (SHA-256 "
        f"{lock.sha256})." + late + " "
        + since.get(changes, f"{changes} things have changed since; they are listed below.")
    )  # fmt: skip


def _blind(study: Study) -> str:
    blinding = study.blinding
    if blinding is None:
        return (
            "Blind: no. Whoever recorded and whoever analysed could see which board was which wood."
        )
    seen = (
        "The bench was not blind, since woods differ to the eye, and mass and sizes in the tables "
        "can give a wood away."
    )
    coded = f"the woods were coded on {listed(_day(when) for when in blinding.coded)}"
    if not blinding.opened:
        return f"Blind: {coded} and the key is not opened; the names here are codes. {seen}"
    before = "after a report of the coded study was made"
    if not blinding.after_run:
        before = "before any report of the coded study was made, so the analysis was not blind"
    return f"Blind: {coded}; the key was opened on {_day(blinding.opened)}, {before}. {seen}"


def _scheduled(study: Study) -> str:
    if not study.schedules:
        return "Schedule: none by this program; the order of recording was the maker's own."
    seeds = listed(str(one.seed) for one in study.schedules)
    word = "seed" if len(study.schedules) == 1 else "seeds"
    waiting = len(study.planned)
    missing = "Every scheduled take has its recording."
    if waiting:
        missing = f"{waiting} scheduled takes have no recording."
    return (
        f"Schedule: boards were put in random order within blocks of woods ({word} {seeds}). "
        + (missing)
    )


def _day(moment: str) -> str:
    return moment.replace("T", " ")
