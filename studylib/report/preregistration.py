"""What was preregistered: the schedule, the lock, and whether the woods were coded.

The notes say what the files of the study say, and no more: a program cannot know what was tried
before a lock, and a code hides a name, not a board's mass.

Functions: `preregistered`, `lock_stands`, `touched`, `looks_of`,
`coded_claims`. Class: `Looks`.
"""

from collections.abc import Container
from dataclasses import dataclass

import pandas as pd

from studylib import codes, sheets
from studylib.codes.comparison import Outcome
from studylib.sheets.lock import lock_of, touches_verdicts
from studylib.sheets.records import read_ledger
from studylib.stats.looks import look_level, rate_of


@dataclass(frozen=True)
class Looks:
    """How often the boards of a comparison were looked at, this time included.

    number : 1 or more; 0 of a study without a lock, where nobody counts.
    rate : chance of a false declaration at any of them, 0 to 1.
    whole, last : of the ledger (`sheets.records`).
    """

    number: int
    rate: float
    whole: bool
    last: str


def looks_of(study: sheets.Study, *, failed: Container[str] = ()) -> Looks:
    """The looks at the boards that are compared.

    Parameters
    ----------
    study : the stages that are compared (`Study.compared`).
    failed : batches that are not in the comparison.
    """
    if study.lock is None:
        return Looks(0, 0.0, True, "")
    ledger, alpha = read_ledger(study.folder), 1 - study.settings.decide.confidence
    sizes = ledger.looks(study.boards_recorded(failed=failed))
    rate = rate_of(look_level(alpha, study.looks), sizes) if sizes else 0.0
    return Looks(len(sizes), rate, ledger.whole, ledger.last)


def preregistered(study: sheets.Study, *, failed: Container[str] = ()) -> list[str]:
    """Locks, keys, looks and schedule of the study, one note each; what counts is that of the
    stages which are compared."""
    seeds = [one.seed for one in study.schedules]
    blind = [
        codes.note(
            "preregistration.blind",
            woods=len(key.woods),
            boards=len(key.boards),
            coded=[_moment(when) for when in key.coded],
            opened=_moment(key.opened),
            after_run=key.after_run,
        )
        for key in study.blinding
    ]
    return [
        *(_locked(study) or ["preregistration.not_locked"]),
        *(blind or ["preregistration.not_blind"]),
        *_looks(study.compared, failed),
        codes.note("preregistration.schedule", seeds=seeds, waiting=len(study.planned))
        if seeds
        else "preregistration.no_schedule",
    ]


def _locked(study: sheets.Study) -> list[str]:
    """The lock that counts, and those beside it."""
    lock = study.compared.lock
    if lock is None:
        return []
    counts = codes.note(
        "preregistration.locked",
        when=_moment(lock.content["locked"]),
        sha256=lock.sha256,
        recorded=lock.content["recorded"],
        changes=len(study.compared.changed_since_lock),
    )
    beside = [
        codes.note(
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


def _looks(study: sheets.Study, failed: Container[str]) -> list[str]:
    seen, planned = looks_of(study, failed=failed), study.looks
    if study.lock is None and planned == 1:
        return []
    return [
        codes.note(
            "preregistration.looks", number=seen.number, rate=seen.rate, whole=seen.whole,
            last=seen.last, planned=planned,
            level=look_level(1 - study.settings.decide.confidence, planned),
        )
    ]  # fmt: skip


def touched(study: sheets.Study) -> list[str]:
    """The same as far as a verdict may rest on it, a sentence before it; for the first part."""
    changes = touches_verdicts(study.changed_since_lock)
    return (
        [codes.note("preregistration.touched", changes=len(changes)), *changes] if changes else []
    )


def lock_stands(study: sheets.Study) -> bool:
    """Whether each stage of it was locked before its first take, and nothing has changed since that
    a verdict rests on."""
    locks = [lock_of(study.locks, stage) for stage in study.stages]
    early = all(lock is not None and not lock.content["recorded"] for lock in locks)
    return early and not touches_verdicts(study.changed_since_lock)


def coded_claims(study: sheets.Study, claims: pd.DataFrame) -> pd.DataFrame:
    """The table of claims; while the woods are coded, each one waits for the key."""
    return (
        claims
        if not study.coded or claims.empty
        else claims.assign(verdict=Outcome.OPEN, caveats="", reason="claims.coded")
    )


def _moment(iso: str) -> str:
    return iso.replace("T", " ")
