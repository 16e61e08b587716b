"""The wood itself: what size, mass and the modes of a freely hung board say of its wood.

    beams        bending modes of a bar that nothing touches
    bar          one board's sizes and mass with their uncertainties
    orders       which found frequency is which bending mode
    stiffness    Young's modulus and shear modulus from those modes
    properties   density, speed of sound and what follows from both, uncertainties carried jointly
    attached     what a mass left on the board does to all that
    moisture     equilibrium moisture, and properties brought to 12 %
    handbook     the published values that this needs
    boards       a board of the study with its free modes: the steps above in a row
    study_wood   the study's table of its woods
    wood_rows    the same as rows of the features table
    warnings     what a person should look at
    near_tone    which mode lies next to each harmonic of the tone

Nothing here knows sound: frequencies, sizes and masses come in, properties go out.
"""
