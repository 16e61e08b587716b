"""Codes of the register: what a feature carries, the terms of its budget, how modes are known."""

from studylib.codes import Code

Caution = Code(
    "Caution",
    {
        "DRIVER": "cautions.driver",
        "NOISE": "cautions.noise",
        "DRIVE_LEVEL": "cautions.drive_level",
    },
)
"""What else than the board is in a feature, to be said wherever it is compared."""


Term = Code(
    "Term",
    {
        "REPEAT": "budgets.repeat",
        "BACKGROUND": "budgets.background",
        "MOUNT": "budgets.mount",
        "POSITION": "budgets.position",
        "SIZES": "budgets.sizes",
        "MOISTURE": "budgets.moisture",
        "TEMPERATURE": "budgets.temperature",
        "PLACE": "budgets.place",
        "CALIBRATION": "budgets.calibration",
    },
)
"""A term of the uncertainty of a feature."""


ModeBasis = Code(
    "ModeBasis",
    {
        "BENCH": "wood.measured_on_the_bench",
        "FREE": "wood.measured_free",
        "PREDICTED": "wood.predicted",
        "HELD": "wood.held",  # predicted for the board held at the driving point
    },
)
"""How the modes near the tone are known."""
