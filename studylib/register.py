"""The register of features: the one place that says what each number of a take is.

A feature is one number taken from a take and named kind.part.quantity_unit, for instance
`tone.h3.rel_db`. This file gives each its meaning, unit, the scale on which woods are
compared, and its default listening limit with the source of that limit.

Scales
    "db"    levels: compared as they stand; a limit is in dB.
    "log"   positive quantities: compared as natural logarithms and reported in percent;
            a limit is a ratio above 1 (1.05 means 5 %).
    "none"  measured but never compared between woods: phases, and what the bench sets.

A default limit stands here only where a published just-noticeable difference was measured
on the same kind of sound. Where none fits, `limit` is None and `limit_source` says why; a
study may then set its own under `[decide.limits]`.

To add a feature: measure it in `signal/`, add one line to `_FAMILIES`, test it in
`tests/test_register.py`.

Functions: `find`, `is_known`, `example_names`; `holds_driver`, `harmonic_number`, `holds_noise`,
`follows_drive` say what else than the board is in a feature.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import lru_cache

from studylib.errors import InputError

OCTAVE_BANDS = ("31.5", "63", "125", "250", "500", "1000", "2000", "4000", "8000", "16000")
"""Nominal mid frequencies of the octave bands, Hz (IEC 61260-1)."""

THIRD_OCTAVE_BANDS = (
    "20", "25", "31.5", "40", "50", "63", "80", "100", "125", "160", "200", "250", "315", "400",
    "500", "630", "800", "1000", "1250", "1600", "2000", "2500", "3150", "4000", "5000", "6300",
    "8000", "10000", "12500", "16000", "20000",
)  # fmt: skip
"""Nominal mid frequencies of the third-octave bands, Hz (IEC 61260-1)."""

# The decay limits of Tolonen & Järveläinen: a decay time between 75 % and 140 % of the
# reference could not be told from it. The stricter side, 1/0.75, holds in both directions.
_PLUCK_DECAY_RATIO = 4.0 / 3.0
_PLUCK_DECAY_SOURCE = (
    "Tolonen & Järveläinen, Perceptual Study of Decay Parameters in Plucked String Synthesis "
    "(AES): time constants from -25 % to +40 % not heard; figures read, their signs recalled; "
    "the stricter side taken both ways"
)

_NO_LEVEL = (
    "no default: published level limits are for whole sounds or single tones at a known level "
    "above threshold; set your own"
)
_NO_FREQUENCY = (
    "no default: what is heard depends on the frequency itself (Wier, Jesteadt & Green 1977) "
    "and on the sound; set your own"
)
_NO_DECAY = (
    "no default: the limits published are for rooms (ISO 3382-1) and plucked strings, not for a "
    "tapped board; set your own"
)
_NO_CENTROID = "no default: no limit that we could check fits a steady complex tone; set your own"
_NO_DISTORTION = "no default: audibility depends on which harmonics they are; set your own"
_NO_SOUND = "no default: a property of the board, not a sound"
_NOT_COMPARED = "never compared between woods"


@dataclass(frozen=True)
class Feature:
    """What one number of a take is.

    Attributes
    ----------
    name : as in the tables, e.g. "tone.h3.rel_db".
    meaning : a few plain words.
    unit : unit of the values in the features table.
    scale : "db", "log" or "none" (see the top of this file).
    limit : default listening limit, dB for "db", ratio above 1 for "log"; None without one.
    limit_source : source of the limit, or why there is none.
    origin : the kind of measurement: "tone", "probe", "sweep", "tap" (on the bench), "free" (a
        tap of the freely hung board), "wood", "pluck".
    """

    name: str
    meaning: str
    unit: str
    scale: str
    limit: float | None
    limit_source: str
    origin: str

    @property
    def difference_unit(self) -> str:
        """Unit in which a difference between two woods is reported: "dB" or "%"."""
        return {"db": "dB", "log": "%", "none": self.unit}[self.scale]

    @property
    def is_frequency(self) -> bool:
        """True for a compared frequency, which is also told in cents."""
        return self.scale == "log" and self.unit == "Hz"


@dataclass(frozen=True)
class _Family:
    """Feature names that differ only by a number; `{}` stands for it."""

    pattern: str
    numbers: tuple[str, ...] | tuple[int, int] | None  # listed, (lowest, highest), or none
    meaning: str
    unit: str
    scale: str
    limit_source: str
    limit: float | None = None

    def match(self, name: str) -> Feature | None:
        head, _, tail = self.pattern.partition("{}")
        if self.numbers is None:
            return self._feature(name, "") if name == self.pattern else None
        found = re.fullmatch(re.escape(head) + r"([0-9]+(?:\.[0-9]+)?)" + re.escape(tail), name)
        if found is None or not self._allows(found[1]):
            return None
        return self._feature(name, found[1])

    def _allows(self, number: str) -> bool:
        if isinstance(self.numbers[0], str):
            return number in self.numbers
        lowest, highest = self.numbers
        # "03" would be a second name for the same feature.
        return number.isdigit() and str(int(number)) == number and lowest <= int(number) <= highest

    def _feature(self, name: str, number: str) -> Feature:
        return Feature(
            name=name,
            meaning=self.meaning.format(number),
            unit=self.unit,
            scale=self.scale,
            limit=self.limit,
            limit_source=self.limit_source,
            origin=name.partition(".")[0],
        )

    def examples(self) -> list[str]:
        if self.numbers is None:
            return [self.pattern]
        if isinstance(self.numbers[0], str):
            return [self.pattern.format(number) for number in self.numbers]
        lowest, highest = self.numbers
        return [self.pattern.format(k) for k in range(lowest, min(highest, 40) + 1)]


_HARMONICS = (1, 999)
_OVERTONES = (2, 999)
_MODES = (1, 99)

_FAMILIES = (
    _Family("tone.h{}.level_db", _HARMONICS, "level of harmonic {}", "dB", "db", _NO_LEVEL),
    _Family("tone.h{}.rel_db", _OVERTONES,
            "level of harmonic {} relative to the fundamental", "dB", "db", _NO_LEVEL),
    _Family("tone.h{}.response_db", _HARMONICS,
            "response at harmonic {} relative to the drive channel", "dB", "db", _NO_LEVEL),
    _Family("tone.h{}.response_deg", _HARMONICS,
            "phase of the response at harmonic {} relative to the drive channel", "deg", "none",
            _NOT_COMPARED),
    _Family("tone.thd_percent", None,
            "total harmonic distortion: harmonics over the total, noise taken off", "%", "log",
            _NO_DISTORTION),
    _Family("tone.band{}.rel_db", OCTAVE_BANDS,
            "level of the {} Hz octave band without the harmonics, relative to the fundamental",
            "dB", "db", _NO_LEVEL),
    _Family("tone.centroid_hz", None,
            "power-weighted centre of the present harmonics", "Hz", "log", _NO_CENTROID),
    _Family("tone.frequency_hz", None,
            "frequency of the fundamental, which the driver sets", "Hz", "none", _NOT_COMPARED),
    _Family("probe.k{}.response_db", _OVERTONES,
            "response to a probe tone at {} times the fundamental, relative to the drive channel",
            "dB", "db", _NO_LEVEL),
    _Family("probe.k{}.level_db", _OVERTONES,
            "level of a probe tone at {} times the fundamental, at the stated drive level",
            "dB", "db", _NO_LEVEL),
    _Family("probe.k{}.response_deg", _OVERTONES,
            "phase of the response to a probe tone at {} times the fundamental", "deg", "none",
            _NOT_COMPARED),
    _Family("tap.m{}.frequency_hz", _MODES, "frequency of mode {} after a tap", "Hz", "log",
            _NO_FREQUENCY),
    _Family("tap.m{}.loss_factor", _MODES, "loss factor of mode {}", "1", "log", _NO_DECAY),
    _Family("tap.m{}.decay_time_s", _MODES, "decay time of mode {} to -60 dB", "s", "log",
            _NO_DECAY),
    _Family("free.m{}.frequency_hz", _MODES, "frequency of mode {} of the freely hung board", "Hz",
            "log", _NO_SOUND),
    _Family("free.m{}.loss_factor", _MODES, "loss factor of mode {} of the freely hung board", "1",
            "log", _NO_SOUND),
    _Family("free.m{}.decay_time_s", _MODES,
            "decay time of mode {} of the freely hung board to -60 dB", "s", "log", _NO_SOUND),
    _Family("sweep.k{}.response_db", _HARMONICS,
            "response to a sweep as it passes {} times the fundamental, relative to the drive "
            "channel", "dB", "db", _NO_LEVEL),
    _Family("sweep.k{}.response_deg", _HARMONICS,
            "phase of the response to a sweep as it passes {} times the fundamental", "deg",
            "none", _NOT_COMPARED),
    _Family("sweep.band{}.response_db", THIRD_OCTAVE_BANDS,
            "response to a sweep in the third-octave band at {} Hz, relative to the drive channel",
            "dB", "db", _NO_LEVEL),
    _Family("sweep.band{}.level_db", THIRD_OCTAVE_BANDS,
            "level of a sweep in the third-octave band at {} Hz", "dB", "db", _NO_LEVEL),
    _Family("wood.density_kg_m3", None, "density", "kg/m3", "log", _NO_SOUND),
    _Family("wood.youngs_modulus_gpa", None, "Young's modulus along the board", "GPa", "log",
            _NO_SOUND),
    _Family("wood.sound_speed_m_s", None, "speed of sound along the board", "m/s", "log",
            _NO_SOUND),
    _Family("wood.radiation_m4_kg_s", None, "speed of sound over density", "m4/(kg s)", "log",
            _NO_SOUND),
    _Family("wood.impedance_pa_s_m", None, "characteristic impedance along the board", "Pa s/m",
            "log", _NO_SOUND),
    _Family("wood.shear_modulus_gpa", None, "shear modulus in the plane of bending", "GPa", "log",
            _NO_SOUND),
    _Family("wood.loss_factor", None, "internal loss: loss factor of the freely hung board's "
            "first mode", "1", "log", _NO_SOUND),
    _Family("pluck.p{}.level_db", _MODES, "level of partial {} of the plucked string", "dB", "db",
            _NO_LEVEL),
    _Family("pluck.p{}.decay_time_s", _MODES,
            "decay time of partial {} of the plucked string to -60 dB", "s", "log",
            _PLUCK_DECAY_SOURCE, _PLUCK_DECAY_RATIO),
    _Family("pluck.fundamental_hz", None, "fundamental of the plucked string", "Hz", "log",
            _NO_FREQUENCY),
    _Family("pluck.inharmonicity", None, "inharmonicity of the plucked string", "1", "log",
            "no default: set your own"),
)  # fmt: skip


@lru_cache(maxsize=4096)
def _lookup(name: str) -> Feature | None:
    for family in _FAMILIES:
        feature = family.match(name)
        if feature is not None:
            return feature
    return None


def is_known(name: str) -> bool:
    """True when `name` is a feature of the register."""
    return _lookup(str(name)) is not None


def find(name: str) -> Feature:
    """The register's entry for a feature name.

    Raises
    ------
    InputError : no such feature; the sentence gives the nearest known name.
    """
    feature = _lookup(str(name))
    if feature is not None:
        return feature
    near = difflib.get_close_matches(str(name), example_names(), n=1, cutoff=0.0)[0]
    raise InputError(f'there is no feature called "{name}"; the nearest known name is "{near}"')


@lru_cache(maxsize=1)
def example_names() -> tuple[str, ...]:
    """Known feature names, long families cut at number 40."""
    return tuple(name for family in _FAMILIES for name in family.examples())


_OVERTONE = re.compile(r"tone\.h([2-9]|[1-9]\d+)\.(?:rel|level)_db")
_LEVEL = re.compile(r"(?:tone\.h|probe\.k|sweep\.band)[\d.]+\.level_db")


def holds_driver(feature: str) -> bool:
    """Whether a feature is made of harmonics of the tone, which the driver makes as well."""
    return bool(_OVERTONE.fullmatch(feature)) or feature in {
        "tone.thd_percent",
        "tone.centroid_hz",
    }


def harmonic_number(feature: str) -> int | None:
    """k of a feature that is one harmonic's level; None for every other."""
    found = _OVERTONE.fullmatch(feature)
    return int(found[1]) if found else None


def holds_noise(feature: str) -> bool:
    """Whether a feature is what is left between the harmonics of the tone."""
    return feature.startswith("tone.band")


def follows_drive(feature: str) -> bool:
    """Whether a feature is a level that rises with what the driver really gives the board."""
    return bool(_LEVEL.fullmatch(feature))
