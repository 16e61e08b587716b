"""Codes of the register: where a limit comes from, what a feature carries, what is none."""

from __future__ import annotations

from studylib.codes import Code


class LimitSource(Code):
    """The source of a default listening limit, or why there is none."""

    PLUCK_DECAY = "limits.pluck_decay"
    LEVEL = "limits.level"
    FREQUENCY = "limits.frequency"
    DECAY = "limits.decay"
    CENTROID = "limits.centroid"
    DISTORTION = "limits.distortion"
    INHARMONICITY = "limits.inharmonicity"
    NO_SOUND = "limits.no_sound"
    NOT_COMPARED = "limits.not_compared"
    OWN = "limits.own"


class Caution(Code):
    """What else than the board is in a feature, to be said wherever it is compared."""

    DRIVER = "cautions.driver"
    NOISE = "cautions.noise"
    DRIVE_LEVEL = "cautions.drive_level"


class FeatureFault(Code):
    """A feature's name that cannot be used."""

    UNKNOWN = "features.unknown"
    KNOWN = "features.known"
