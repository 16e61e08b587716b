"""The wood itself: what size, mass and the modes of a freely hung board say of its wood.

    beams        a board as a bar: its sizes and mass, its bending modes, a mass left on it
    orders       which found frequency is which bending mode
    stiffness    Young's modulus and shear modulus from those modes, and what follows from them
    moisture     equilibrium moisture
    boards       a board of the study with its free modes: the steps above in a row
    study_wood   the study's table of its woods, the same as features, what to look at first
    held         a board held or driven at one point
    near_tone    which mode lies next to each harmonic of the tone

Nothing here knows sound: frequencies, sizes and masses come in, properties go out.
"""

from studylib.wood.near_tone import modes_near_tone
from studylib.wood.study_wood import wood_features, wood_table, wood_warnings

__all__ = ["modes_near_tone", "wood_features", "wood_table", "wood_warnings"]
