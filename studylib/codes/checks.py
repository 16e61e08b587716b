"""Codes of the checks of a take: what they say, and the sources of their limits.

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
