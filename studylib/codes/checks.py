"""What the checks of a take say.

Each check has a code of its own, "checks.<name>"; it stands in its entry of `signal.quality`, and
beside it that of the source of its limit.
"""

from enum import StrEnum

Verdict = StrEnum(
    "Verdict",
    {
        "PASS": "pass",
        "WARN": "warn",
        "FAIL": "fail",
    },
)
"""What a check says of a take."""
