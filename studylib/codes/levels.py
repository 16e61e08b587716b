"""Codes of the law for levels: what keeps recorded levels from saying what they should."""

from studylib.codes import Code


class LevelFinding(Code):
    """What was found on recorded levels; channel: "response", "drive" or "both"."""

    # channel, share (dB recorded for each dB of drive), low, high, noise (its rise for each dB that
    # the drive falls); cases, of (mounts or the block at one multiple), woods (these alone)
    CONTROL = "levels.control"
    # channel, short_db (worst, at the highest drive), low; cases, of, woods
    CEILING = "levels.ceiling"
    # channel, take (the first), batch, wood (on the bench then), step_db, u_db, extent ("take",
    # "mount", "rest"), gain_db (change of that column there), woods (with all takes on one side)
    KNOB = "levels.knob"
    LOOSE = "levels.loose"  # as KNOB; the drive channel alone falls
    # channel, wood, step_db, low, high (over the multiples), multiples, beyond_db (what the boards'
    # mass does not explain)
    WITH_WOOD = "levels.with_wood"
