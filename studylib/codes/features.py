"""Codes of the register: where a listening limit comes from, and what is no feature."""

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


class FeatureFault(Code):
    """A feature's name that cannot be used."""

    UNKNOWN = "features.unknown"
