"""Codes of the comparison of woods: verdicts, methods, what stands out, what a plan compares."""

from enum import StrEnum

from studylib.codes import Code

Verdict = StrEnum(
    "Verdict",
    {
        "BEYOND": "beyond limit",
        "WITHIN": "within limit",
        "DIFFERENT": "different",
        "SAME": "same",
        "OPEN": "open",
        "BOARDS_ONLY": "boards only",
    },
)
"""A pair of woods on one feature (`stats.decisions`)."""


Outcome = StrEnum(
    "Outcome",
    {
        "SUPPORTED": "supported",
        "CONTRADICTED": "contradicted",
        "OPEN": "open",
        "BOARDS_ONLY": "boards only",
    },
)
"""A claim of the study."""


Heard = StrEnum(
    "Heard",
    {
        "WOODS": "woods told apart",
        "BOARDS": "boards told apart",
        "RULED_OUT": "ruled out",
        "OPEN": "open",
        "VOID": "void",
    },
)
"""What a blind test came to (`stats.listening`)."""


Role = StrEnum(
    "Role",
    {
        "PRIMARY": "primary",
        "EXPLORATORY": "exploratory",
    },
)
"""Whether a feature decides."""


Method = Code(
    "Method",
    {
        "WELCH": "methods.welch",
        "LOGARITHMS": "methods.logarithms",
        "BLOCKED": "methods.blocked",
        "TIMED": "methods.timed",
        "CONFOUNDED": "methods.confounded",
        "NO_SPREAD": "methods.no_spread",
        "NOT_EARNED": "methods.not_earned",
        "BY_STEPS": "methods.by_steps",
        "TOO_FEW": "methods.too_few",
        "BELOW_NOISE": "methods.below_noise",  # share, woods: each with wood, below, judged
        "HIDDEN": "methods.hidden",  # share, woods: the same
        "UNSETTLED": "methods.unsettled",  # share, woods: the same
    },
)
"""How a pair of woods was compared, or why it was not: the column `method` of the effects."""


StandsOut = StrEnum(
    "StandsOut",
    {
        "STRAGGLER": "straggler",  # beyond the 5 % point of its test
        "OUTLIER": "outlier",  # beyond the 1 % point
    },
)
"""How far a board, mount or take lies from its like (ISO 5725-2)."""


OutlierTest = StrEnum(
    "OutlierTest",
    {
        "GRUBBS": "Grubbs",
        "COCHRAN": "Cochran",
    },
)
"""By which test."""


Line = Code(
    "Line",
    {
        "ONE_MOUNT": "plan.one_mount",
        "PLANNED": "plan.planned",
        "UNLIMITED": "plan.unlimited_mounts",
    },
)
"""Ways to mount a board, of which a plan shows the power."""
