"""The modes of a whole study: which is which, each board's own, and the features they give.

A mode keeps one number for all batches, so numbers can only be given when the batches are together.

    alignment   lists of modes against ladders of expected places
    numbers     a mode keeps its number across taps, takes, mounts and boards
    means       over taps, takes, places of the microphone and mounts, and the room's part in them;
                each board's own frequency and loss factor of each mode
    gathered    all batches of a study in one place, with the taps' rows of the features table
"""

from studylib.modes.gathered import gather
from studylib.modes.means import board_modes
from studylib.modes.numbers import number_modes

__all__ = ["board_modes", "gather", "number_modes"]
