"""Codes of the comparison of woods: verdicts, methods, what stands out, what a plan compares."""

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


class StandsOut(StrEnum):
    """How far a board, mount or take lies from its like (ISO 5725-2)."""

    STRAGGLER = "straggler"  # beyond the 5 % point of its test
    OUTLIER = "outlier"  # beyond the 1 % point


class OutlierTest(StrEnum):
    """By which test."""

    GRUBBS = "Grubbs"
    COCHRAN = "Cochran"


class Line(Code):
    """Ways to mount a board, of which a plan shows the power."""

    ONE_MOUNT = "plan.one_mount"
    PLANNED = "plan.planned"
    UNLIMITED = "plan.unlimited_mounts"
