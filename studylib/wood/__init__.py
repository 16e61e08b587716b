"""The wood itself: what size, mass and the modes of a freely hung board say of its wood.

    beams        a board as a bar: its sizes and mass, its bending modes
    stiffness    which found frequency is which bending mode, and the moduli that these give
    boards       a board of the study with its free modes: the steps above in a row
    study_wood   the study's table of its woods, the same as features, what to look at first
    forward      a board held or driven at one point, and one with a mass left on it
    prediction   what it should do on the bench; which mode lies next to each harmonic of the tone;
                 one board cut to answer like another

Nothing here knows sound: frequencies, sizes and masses come in, properties go out.
"""

from studylib.wood.prediction import modes_near_tone
from studylib.wood.study_wood import boards_of, wood_features, wood_table, wood_warnings

__all__ = ["boards_of", "modes_near_tone", "wood_features", "wood_table", "wood_warnings"]
