"""Codes of the register: what a feature carries, the terms of its budget."""

from studylib.codes import Code


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
