"""What was preregistered: the schedule, the lock, and whether the woods were coded.

The notes say what the files of the study say, and no more: a program cannot know what was tried
before a lock, and a code hides a name, not a board's mass.

Functions: `preregistered`, `changed_since_lock`, `lock_stands`, `touched`, `coded_claims`.
"""

import pandas as pd

from studylib.codes import note
from studylib.codes.comparison import Outcome
from studylib.sheets import Study
from studylib.sheets.lock import touches_verdicts


def preregistered(study: Study) -> list[str]:
    """Locks, keys and schedule of the study, one note each; what counts is that of the last stage
    which is recorded."""
    scheduled = "preregistration.no_schedule"
    if study.schedules:
        scheduled = note(
            "preregistration.schedule",
            seeds=[one.seed for one in study.schedules],
            waiting=len(study.planned),
        )
    return [
        *(_locked(study) or ["preregistration.not_locked"]),
        *(_blind(study) or ["preregistration.not_blind"]),
        scheduled,
    ]


def _locked(study: Study) -> list[str]:
    """The lock that counts, and those beside it."""
    lock = _recorded(study).lock
    if lock is None:
        return []
    counts = note(
        "preregistration.locked",
        when=_moment(lock.content["locked"]),
        sha256=lock.sha256,
        recorded=lock.content["recorded"],
        changes=len(changed_since_lock(study)),
    )
    beside = [
        note(
            "preregistration.other_lock",
            when=_moment(other.content["locked"]),
            sha256=other.sha256,
            recorded=other.content["recorded"],
            stage=other.content["stage"],
            amends=bool(other.content["amends"]),
        )
        for other in study.locks
        if other is not lock
    ]
    return [counts, *beside]


def _blind(study: Study) -> list[str]:
    return [
        note(
            "preregistration.blind",
            woods=len(key.woods),
            boards=len(key.boards),
            coded=[_moment(when) for when in key.coded],
            opened=_moment(key.opened),
            after_run=key.after_run,
        )
        for key in study.blinding
    ]


def changed_since_lock(study: Study) -> list[str]:
    """What is not as it was when the last recorded stage was locked; none without a lock."""
    return _recorded(study).changed_since_lock


def _recorded(study: Study) -> Study:
    one = len(study.stages) == 1
    return study if one else study.of_stages(study.recorded_stages[-1])


def touched(study: Study) -> list[str]:
    """The same as far as a verdict may rest on it, a sentence before it; for the first part."""
    changes = touches_verdicts(study.changed_since_lock)
    return [note("preregistration.touched", changes=len(changes)), *changes] if changes else []


def lock_stands(study: Study) -> bool:
    """Whether the study was locked before its first take, and nothing has changed since that a
    verdict rests on."""
    early = study.lock is not None and not study.lock.content["recorded"]
    return early and not touches_verdicts(study.changed_since_lock)


def coded_claims(study: Study, claims: pd.DataFrame) -> pd.DataFrame:
    """The table of claims; while the woods are coded, each one waits for the key."""
    if not study.coded or claims.empty:
        return claims
    return claims.assign(verdict=Outcome.OPEN, caveats="", reason="claims.coded")


def _moment(iso: str) -> str:
    return iso.replace("T", " ")
