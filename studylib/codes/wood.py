"""What the wood's numbers rest on, and why one cannot be given."""

from studylib.codes import Code


class WoodMethod(Code):
    """How a property was found."""

    MASS_OVER_VOLUME = "wood.mass_over_volume"
    BAR_FITTED = "wood.bar_fitted"  # modes: so many at once
    BAR_STATED_RATIO = "wood.bar_stated_ratio"  # modes; E/G as study.toml states it
    FIRST_MODE_LOSS = "wood.first_mode_loss"
    LARGEST_MISFIT = "wood.largest_misfit"
    ISOTROPIC = "wood.isotropic"
    EQUILIBRIUM = "wood.equilibrium"
    AS_STATED = "wood.as_stated"
    DENSITY_TO_12 = "wood.density_to_12"
    MODULUS_TO_12 = "wood.modulus_to_12"


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


class WoodNote(Code):
    """What must be known beside a value."""

    ROLE_CHANGED = "wood.role_changed"
    MODES_LEFT_OUT = "wood.modes_left_out"  # frequencies
    MASS_LEFT_ON = "wood.mass_left_on"  # grams
    RATIO_STATED = "wood.ratio_stated"
    UNEVEN = "wood.uneven"  # share
    TOO_LOW = "wood.too_low"
    SETTLES_AT = "wood.settles_at"  # temperature_c, humidity_pct
    FROM_MOISTURE = "wood.from_moisture"  # moisture_pct
    FROM_HANDBOOK = "wood.from_handbook"  # moisture_pct, species, recalled


class ModeBasis(Code):
    """How the modes near the tone, or a mode's loss factor, are known."""

    BENCH = "wood.measured_on_the_bench"
    FREE = "wood.measured_free"
    PREDICTED = "wood.predicted"
    HELD = "wood.held"  # predicted for the board held at the driving point
    OWN_LOSS = "wood.own_loss"
    MEAN_LOSS = "wood.mean_loss"
    ASSUMED_LOSS = "wood.assumed_loss"
