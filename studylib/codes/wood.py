"""How the modes near the tone are known."""

from studylib.codes import Code


class ModeBasis(Code):
    """How the modes near the tone, or a mode's loss factor, are known."""

    BENCH = "wood.measured_on_the_bench"
    FREE = "wood.measured_free"
    PREDICTED = "wood.predicted"
    HELD = "wood.held"  # predicted for the board held at the driving point
    OWN_LOSS = "wood.own_loss"
    MEAN_LOSS = "wood.mean_loss"
    ASSUMED_LOSS = "wood.assumed_loss"
