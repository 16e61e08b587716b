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


class Role(StrEnum):
    """Whether a feature decides."""

    PRIMARY = "primary"
    EXPLORATORY = "exploratory"


class Method(Code):
    """How a pair of woods was compared, or why it was not: the column `method` of the effects."""

    TUKEY_KRAMER = "methods.tukey_kramer"
    GAMES_HOWELL = "methods.games_howell"
    SHRUNKEN = "methods.shrunken"
    LOGARITHMS = "methods.logarithms"
    BLOCKED = "methods.blocked"
    TIMED = "methods.timed"
    CONFOUNDED = "methods.confounded"
    NO_SPREAD = "methods.no_spread"
    NOT_EARNED = "methods.not_earned"
    TOO_FEW = "methods.too_few"
    BELOW_NOISE = "methods.below_noise"  # share, woods: each with wood, below, judged
    HIDDEN = "methods.hidden"  # share, woods: the same
    UNSETTLED = "methods.unsettled"  # share, woods: the same


class Estimate(Code):
    """How a variance component was estimated: the column `method` of the variances."""

    EXACT = "methods.exact"
    MEAN_SQUARES = "methods.mean_squares"
    REML = "methods.reml"
    WOOD = "methods.wood_means"
    OWN_SOURCE = "methods.own_source"
    MERGED = "methods.merged"  # levels
    ZERO = "methods.zero"  # estimate, or None
    CARRIED_BELOW = "methods.carried_below"  # the note of a second opinion


class ClaimReason(Code):
    """Why a claim was judged as it was."""

    NUMBERS = "claims.numbers"
    NO_INTERVAL = "claims.no_interval"
    WITHIN = "claims.within"
    SAME = "claims.same"
    NEEDED = "claims.needed"
    NOT_DECLARED = "claims.not_declared"
    NOT_MEASURED = "claims.not_measured"
    OTHER_WOODS = "claims.other_woods"
    TOO_FEW = "claims.too_few"
    CODED = "claims.coded"


class Caveat(Code):
    """What else decides a verdict: the column `caveats` beside it, after the register's cautions.

    size_db, u_db : what the drive channel reads more for `higher` than for `lower`, and its
    standard uncertainty.
    """

    BATCH = "caveats.batch"
    ORDER = "caveats.order"  # first, last; rows: as the rows stand, nothing else is known
    CLOCK = "caveats.clock"  # batch
    DRIFT = "caveats.drift"
    NOT_SENSED = "caveats.not_sensed"
    HARDER = "caveats.harder"  # higher, lower, size_db, u_db, voltage
    CHANNEL = "caveats.channel"  # higher, lower, size_db, u_db
    LEVELS = "caveats.levels"  # found: code of a LevelFinding
    LOCK = "caveats.lock"  # recorded, changes


class ControlReason(Code):
    """Why the positive control did not succeed on a feature."""

    NO_REFERENCE = "control.no_reference"
    NO_CHANGED = "control.no_changed"
    NO_SHARED_BATCH = "control.no_shared_batch"
    NO_MOUNTS = "control.no_mounts"
    BELOW_NOISE = "control.below_noise"
    HIDDEN = "control.hidden"
    UNSETTLED = "control.unsettled"
    NOT_MEASURED = "control.not_measured"
    NOT_DETECTED = "control.not_detected"
    TOO_LARGE = "control.too_large"  # limit, unit: detected, but larger than the limit
    NOT_STEADY = "control.not_steady"  # detected, but the reference itself moved
    NOT_WATCHED = "control.not_watched"  # detected, but nothing tells whether it moved


class Untested(Code):
    """A precision that the design does not show."""

    REPEATABILITY = "comparison.no_repeatability"
    INTERMEDIATE = "comparison.no_intermediate"


class Remark(Code):
    """What a comparison cannot say, or how its numbers are to be read."""

    CONFOUNDED = "comparison.confounded"  # missing: each with wood, batches
    NOT_MEASURED = "comparison.not_measured"
    NO_TAKE = "comparison.no_take"
    REFUSED = "comparison.refused"  # refused: feature -> note
    POOLED = "comparison.pooled"
    CONFOUNDED_ON = "comparison.confounded_on"
    PARTLY_CONFOUNDED = "comparison.partly_confounded"
    SAME = "comparison.same"
    NOT_EARNED = "comparison.not_earned"
    NEEDED = "comparison.needed"
    EXPLORATORY = "comparison.exploratory"
    UNBALANCED = "comparison.unbalanced"
    THESE_BOARDS = "comparison.these_boards"
    PLANK_ASSUMED = "comparison.plank_assumed"
    SHARED_PLANKS = "comparison.shared_planks"  # woods: each with wood, boards, planks
    FEW_SOURCES = "comparison.few_sources"
    ONE_BATCH = "comparison.one_batch"
    NOT_PAIRED = "comparison.not_paired"
    MOUNTED_ONCE = "comparison.mounted_once"
    ONE_TAKE = "comparison.one_take"
    NOT_HEARD = "comparison.not_heard"


class ComparisonFault(Code):
    """Input that no comparison can be made of."""

    LIMIT_RATIO = "comparison.limit_ratio"
    LIMIT_DB = "comparison.limit_db"
    NO_PLACE = "comparison.no_place"
