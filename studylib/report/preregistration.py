"""What was preregistered: the schedule, the lock, and whether the woods were coded.

The notes say what the files of the study say, and no more: a program cannot know what was tried
before a lock, and a code hides a name, not a board's mass.

Functions: `preregistered`, `changed_since_lock`, `coded_claims`.
"""

import pandas as pd

from studylib.codes import note
from studylib.codes.comparison import Outcome
from studylib.sheets import Study
from studylib.sheets.records import changes_since


def preregistered(study: Study) -> list[str]:
    """Lock, blinding and schedule of the study, one note each."""
    lock, blinding = study.lock, study.blinding
    locked, blind = "preregistration.not_locked", "preregistration.not_blind"
    scheduled = "preregistration.no_schedule"
    if lock is not None:
        locked = note(
            "preregistration.locked",
            when=_moment(lock.locked),
            sha256=lock.sha256,
            recorded=lock.recorded,
            changes=len(changed_since_lock(study)),
        )
    if blinding is not None:
        blind = note(
            "preregistration.blind",
            coded=[_moment(when) for when in blinding.coded],
            opened=_moment(blinding.opened or ""),
            after_run=blinding.after_run,
        )
    if study.schedules:
        scheduled = note(
            "preregistration.schedule",
            seeds=[one.seed for one in study.schedules],
            waiting=len(study.planned),
        )
    return [locked, blind, scheduled]


def changed_since_lock(study: Study) -> list[str]:
    """What is not as it was when the study was locked; none without a lock."""
    return (
        changes_since(study.lock, study.settings, study.specimens) if study.lock is not None else []
    )


def coded_claims(study: Study, claims: pd.DataFrame) -> pd.DataFrame:
    """The table of claims; while the woods are coded, each one waits for the key."""
    if study.blinding is None or study.blinding.opened or claims.empty:
        return claims
    return claims.assign(verdict=Outcome.OPEN, caveats="", reason="claims.coded")


def _moment(iso: str) -> str:
    return iso.replace("T", " ")
