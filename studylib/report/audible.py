"""Could anyone hear it? A measured difference beside what publications say of listeners.

A just-noticeable difference holds for the sound it was measured on. So a number gets one only where
the published sound is of its kind, with the conditions beside it, and both ends where publications
or conditions differ. Nothing here decides: a verdict rests on a limit that the study chose
(`[decide.limits]`), and whether anyone hears these boards only listeners can say.

Conventions: differences as their higher wood over the lower one, in dB or in percent.

Functions: `published`, `audible`, `conditions`. Class: `Published`.
Source: of each range, its template `audible.range_...`; check values of the formulas in the tests.
"""

from typing import NamedTuple

from studylib import codes, register
from studylib.register import Feature, Kind


class Published(NamedTuple):
    """Just-noticeable differences of one quantity. low, high : both ends, in dB or percent.
    code : of the sentence with the sounds and conditions they were found in, and the source."""

    low: float
    high: float
    code: str


# At 80 and at 5 dB above threshold; from 170 Hz to 4 kHz; of rooms and of plucked strings.
_LEVEL = Published(0.5, 1.5, "audible.range_level")
_FREQUENCY = Published(0.2, 0.4, "audible.range_frequency")
_DECAY = Published(5.0, 40.0, "audible.range_decay")


def published(feature: Feature) -> Published | None:
    """What publications give for sounds of a feature's kind; None where none is known to fit."""
    rings = feature.kind in (Kind.TAP, Kind.PLUCK)
    steady = feature.kind == Kind.PROBE or (feature.kind == Kind.TONE and feature.harmonic == 1)
    found = codes.holding(
        (steady and feature.scale == "db" and not feature.driver, _LEVEL),
        (rings and feature.is_frequency, _FREQUENCY),
        (rings and feature.unit == "s", _DECAY),
    )
    return next(iter(found), None)


def audible(name: str, *, low: float, high: float, microphone: bool) -> str:
    """Where the interval of a difference lies beside the published range, as one note.

    Parameters
    ----------
    name : of the feature.
    low, high : interval of the difference, dB or percent, the higher wood over the lower one.
    microphone : whether the response is a sound at all.
    """
    found = published(register.find(name))
    if not microphone:
        return "audible.no_sound"
    if found is None:
        return codes.note("audible.unknown", name=name)
    (where,) = codes.holding(
        (low > found.high, "audible.above"),
        (max(high, -low) < found.low, "audible.below"),
        (low <= found.high and max(high, -low) >= found.low, "audible.between"),
    )
    ends, unit = [found.low, found.high], register.find(name).difference_unit
    return codes.note(where, ends=ends, unit=unit)


def conditions(names: list[str]) -> list[str]:
    """The published ranges that these features are held against, with their conditions."""
    ranges = [published(register.find(name)) for name in names]
    return list(dict.fromkeys(found.code for found in ranges if found))
