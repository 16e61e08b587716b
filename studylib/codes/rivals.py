"""Codes of the twelve rival explanations."""

from studylib.codes import Code


class Rival(Code):
    """What else than the wood could make a difference; looks: what it would look like."""

    DRIVER = "rivals.driver"
    AIR = "rivals.air"
    RECORDER = "rivals.recorder"
    ROOM = "rivals.room"
    BUZZ = "rivals.buzz"
    MOUNTING = "rivals.mounting"
    DRIFT = "rivals.drift"
    DIMENSIONS = "rivals.dimensions"
    MOISTURE = "rivals.moisture"
    LEVEL = "rivals.level"
    PLANKS = "rivals.planks"
    MIX_UP = "rivals.mix_up"
