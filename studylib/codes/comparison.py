"""Codes of the comparison of woods: verdicts, methods, and what has to be said beside a number."""

from enum import StrEnum

from studylib.codes import Code


class Verdict(StrEnum):
    """A pair of woods on one feature (`stats.decisions`)."""

    BEYOND = "beyond limit"
    WITHIN = "within limit"
    DIFFERENT = "different"
    SAME = "same"
    OPEN = "open"
    BOARDS_ONLY = "boards only"


class Outcome(StrEnum):
    """A claim of the study."""

    SUPPORTED = "supported"
    CONTRADICTED = "contradicted"
    OPEN = "open"
    BOARDS_ONLY = "boards only"


class Heard(StrEnum):
    """What a blind test came to (`stats.listening`)."""

    WOODS = "woods told apart"
    BOARDS = "boards told apart"
    RULED_OUT = "ruled out"
    OPEN = "open"
    VOID = "void"


class Role(StrEnum):
    """Whether a feature decides."""

    PRIMARY = "primary"
    EXPLORATORY = "exploratory"


class Method(Code):
    """How a pair of woods was compared, or why it was not: the column `method` of the effects."""

    WELCH = "methods.welch"
    LOGARITHMS = "methods.logarithms"
    BLOCKED = "methods.blocked"
    TIMED = "methods.timed"
    CONFOUNDED = "methods.confounded"
    NO_SPREAD = "methods.no_spread"
    NOT_EARNED = "methods.not_earned"
    BY_STEPS = "methods.by_steps"
    TOO_FEW = "methods.too_few"
    BELOW_NOISE = "methods.below_noise"  # share, woods: each with wood, below, judged
    HIDDEN = "methods.hidden"  # share, woods: the same
    UNSETTLED = "methods.unsettled"  # share, woods: the same
