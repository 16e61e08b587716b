"""Why a number of the wood cannot be given, and how the modes near the tone are known."""

from studylib.codes import Code


class WoodReason(Code):
    """Why a property cannot be given."""

    SIZES_MISSING = "wood.sizes_missing"  # board, missing
    NO_FREE_MODE = "wood.no_free_mode"
    NO_FREE_MODE_IN_MOUNT = "wood.no_free_mode_in_mount"  # mount
    NOT_TAPPED_FREE = "wood.not_tapped_free"
    NO_BENDING_MODE = "wood.no_bending_mode"
    NOTHING_FITS = "wood.nothing_fits"
    TWO_READINGS = "wood.two_readings"  # gpa, other_gpa
    TOO_WIDE = "wood.too_wide"  # ratio, widest
    ABOVE_THEORY = "wood.above_theory"  # mode, slenderness
    NO_FIRST_MODE = "wood.no_first_mode"
    RATIO_AT_BOUND = "wood.ratio_at_bound"  # lowest, highest
    ONE_MODE = "wood.one_mode"
    SHEAR_UNSURE = "wood.shear_unsure"
    NO_MOISTURE = "wood.no_moisture"
    TOO_WET = "wood.too_wet"  # limit_pct
    UNLISTED = "wood.unlisted"  # wood


class ModeBasis(Code):
    """How the modes near the tone, or a mode's loss factor, are known."""

    BENCH = "wood.measured_on_the_bench"
    FREE = "wood.measured_free"
    PREDICTED = "wood.predicted"
    HELD = "wood.held"  # predicted for the board held at the driving point
    OWN_LOSS = "wood.own_loss"
    MEAN_LOSS = "wood.mean_loss"
    ASSUMED_LOSS = "wood.assumed_loss"
