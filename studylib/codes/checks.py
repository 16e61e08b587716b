"""Codes of the checks of a take: sources of their limits, and what the bench is told.

Each check has a code of its own, "checks.<name>"; it stands in its entry of `signal.quality`.
"""

from enum import StrEnum

from studylib.codes import Code


class Verdict(StrEnum):
    """What a check says of a take."""

    PASS = "pass"
    WARN = "warn"
    FAIL = "fail"


class CheckSource(Code):
    """Where the limit of a check comes from."""

    PRACTICE = "checks.practice"
    DEFINITION = "checks.definition"
    CREST = "checks.crest"
    F_TEST = "checks.f_test"
    CLOCKS = "checks.clocks"
    HUM_LINE = "checks.hum_line"
    FILTERS = "checks.filters"
    OWN = "checks.own"
    HIDDEN = "checks.hidden"  # the value is no more than an upper limit


class CheckFault(Code):
    """A check that study.toml names and nobody knows."""

    UNKNOWN = "checks.unknown"


class Bench(Code):
    """What `study check` says of the takes of a study, and the page of those of a batch."""

    WARNING = "checks.warning"
    BATCH_WARNING = "checks.batch_warning"
    NOT_FIT = "checks.not_fit"
    TAKE = "checks.take"
    TO_DO = "checks.to_do"
    TOTAL = "checks.total"
    BATCH_TOTAL = "checks.batch_total"
