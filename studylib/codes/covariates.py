"""Codes of the properties that are held equal while woods are compared."""

from studylib.codes import Code


class Property(Code):
    """A property of the boards, in a word or two."""

    LENGTH = "covariates.length"
    WIDTH = "covariates.width"
    THICKNESS = "covariates.thickness"
    MASS = "covariates.mass"
    MOISTURE = "covariates.moisture"
    STIFFNESS = "covariates.stiffness"
    SOUND_SPEED = "covariates.sound_speed"
    IMPEDANCE = "covariates.impedance"
    SHEAR = "covariates.shear"
    FEATURE = "covariates.quantity"  # name, of the register
    COLUMN = "covariates.column"  # name, of a column without its unit


class CovariateFault(Code):
    """A covariate that cannot be used."""

    UNKNOWN = "covariates.unknown"  # name, nearest
    TWO_VALUES = "covariates.two_values"  # specimen, covariate


class CovariateNote(Code):
    """The column `note`; all but the last few have the field `held`, the property as a note."""

    FEW_SOURCES = "covariates.few_sources"  # smallest
    SAME_FOR_ALL = "covariates.same_for_all"
    SAME_IN_WOOD = "covariates.same_in_wood"
    ONLY_BETWEEN_BATCHES = "covariates.only_between_batches"
    NO_OVERLAP = "covariates.no_overlap"
    LITTLE_OVERLAP = "covariates.little_overlap"  # overlap
    SLOPES_DIFFER = "covariates.slopes_differ"
    LEFT_OUT = "covariates.left_out"  # boards
    NOT_COMPARED = "covariates.not_compared"  # reason, a note
    NO_FREEDOM = "covariates.no_freedom"
    FEW_DF = "covariates.few_df"  # df
    GUESS = "covariates.guess"  # df
    NO_INTERVAL = "covariates.no_interval"
    CONFOUNDED = "covariates.confounded"
