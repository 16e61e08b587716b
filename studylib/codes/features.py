"""Codes of the register: sources of limits, what a feature carries, terms of its budget."""

from studylib.codes import Code


class LimitSource(Code):
    """The source of a default listening limit, or why there is none."""

    PLUCK_DECAY = "limits.pluck_decay"
    LEVEL = "limits.level"
    FREQUENCY = "limits.frequency"
    DECAY = "limits.decay"
    CENTROID = "limits.centroid"
    DISTORTION = "limits.distortion"
    INHARMONICITY = "limits.inharmonicity"
    NO_SOUND = "limits.no_sound"
    NOT_COMPARED = "limits.not_compared"
    OWN = "limits.own"


class Caution(Code):
    """What else than the board is in a feature, to be said wherever it is compared."""

    DRIVER = "cautions.driver"
    NOISE = "cautions.noise"
    DRIVE_LEVEL = "cautions.drive_level"


class Term(Code):
    """A term of the uncertainty of a feature."""

    REPEAT = "budgets.repeat"
    BACKGROUND = "budgets.background"
    MOUNT = "budgets.mount"
    POSITION = "budgets.position"
    SIZES = "budgets.sizes"
    MOISTURE = "budgets.moisture"
    TEMPERATURE = "budgets.temperature"
    PLACE = "budgets.place"
    CALIBRATION = "budgets.calibration"


class TermBasis(Code):
    """What the size of a term rests on."""

    SPREAD = "budgets.spread"  # df
    ESTIMATED = "budgets.estimated"
    ASSUMED = "budgets.assumed"  # share
    MOVED = "budgets.moved"  # per_mm_db, u_mm, takes
    MODEL = "budgets.model"  # per_mm_db, u_mm
    STATED = "budgets.stated"
    HANDBOOK = "budgets.handbook"  # slope, unit, moisture, u
    CALIBRATOR = "budgets.calibrator"
    UNKNOWN = "budgets.unknown"
