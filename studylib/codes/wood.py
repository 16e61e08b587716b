"""How the modes near the tone are known."""

from studylib.codes import Code


class ModeBasis(Code):
    """How the modes near the tone are known."""

    BENCH = "wood.measured_on_the_bench"
    FREE = "wood.measured_free"
    PREDICTED = "wood.predicted"
    HELD = "wood.held"  # predicted for the board held at the driving point
