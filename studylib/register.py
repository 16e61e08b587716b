"""The register of features: the one place that says what each number of a take is.

A feature is one number taken from a take and named kind.part.quantity_unit, for instance
`tone.h3.rel_db`. This file gives each its unit, the scale on which woods are compared, what else
than the board it carries, and its default listening limit with the source of that limit. Its
meaning in plain words is a template of the words room (`words.feature`).

Scales
    "db"    levels: compared as they stand; a limit is in dB.
    "log"   positive quantities: compared as natural logarithms and reported in percent;
            a limit is a ratio above 1 (1.05 means 5 %).
    "none"  measured but never compared between woods: phases, and what the bench sets.

What a feature carries is asked of every entry and has no default: whoever adds a feature answers
for it, and the cautions of the report follow from the answers.
    driver       it is made of harmonics of the tone, which the driver's distortion makes as well.
    drive_level  it is a level that rises with what the driver really gives the board.
    noise        it is what remains between the harmonics, the room's and the recorder's noise too.
    room         the room answers along: its reverberation is in what a microphone hears.
    harmonic     its harmonic order of the tone, or None.
    kind         how it is measured (`Kind`).

A default limit stands here only where a published just-noticeable difference was measured
on the same kind of sound. Where none fits, `limit` is None and the code of `limit_source` says why;
a study may then set its own under `[decide.limits]`.

To add a feature: measure it in `signal/`, add one entry to `FAMILIES` and one template to
`words/en/features.j2`.

Functions: `find`, `is_known`, `of_kind`, `example_names`. Classes: `Feature`, `Kind`.
"""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, fields
from enum import StrEnum
from functools import cached_property, lru_cache

from studylib import codes, errors, words
from studylib.codes.features import Caution, Term
from studylib.words.text import nearest

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


Kind = StrEnum(
    "Kind",
    {
        "TONE": "tone",
        "PROBE": "probe",  # a tone at a multiple of the fundamental
        "SWEEP": "sweep",
        "TAP": "tap",  # on the bench
        "FREE": "free",  # a tap of the freely hung board
        "WOOD": "wood",  # from sizes, mass and the modes of the free board
        "PLUCK": "pluck",
    },
)
"""How a feature is measured."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Carried:
    """What a feature has from its family; every entry says all of it."""

    unit: str
    scale: str
    kind: Kind
    driver: bool
    drive_level: bool
    noise: bool
    room: bool
    limit: float | None
    limit_source: str


@dataclass(frozen=True, kw_only=True)
class Feature(Carried):
    """What one number of a take is.

    Attributes
    ----------
    name : as in the tables, e.g. "tone.h3.rel_db".
    number : what tells it from the others of its family, "3" here; "" for one without a number.
    unit : unit of the values in the features table.
    scale : "db", "log" or "none" (see the top of this file).
    kind : how it is measured.
    harmonic : harmonic order of the tone, 1 or more, or None.
    driver, drive_level, noise, room : what else than the board it carries (top of this file).
    limit : default listening limit, dB for "db", ratio above 1 for "log"; None without one.
    limit_source : code of the limit's source, or of why there is none.
    """

    name: str
    number: str
    harmonic: int | None

    @property
    def difference_unit(self) -> str:
        """Unit in which a difference between two woods is reported: "dB" or "%"."""
        return {"db": "dB", "log": "%", "none": self.unit}[self.scale]

    @property
    def phase(self) -> str:
        """The feature with the phase of this response; "" for a feature without one."""
        name = self.name.removesuffix("_db") + "_deg"
        return name if self.scale == "db" and is_known(name) else ""

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """What must be said wherever woods are compared on it, from what it carries."""
        return tuple(
            codes.holding(
                (self.driver, Caution.DRIVER),
                (self.noise, Caution.NOISE),
                (self.drive_level, Caution.DRIVE_LEVEL),
            )
        )

    @property
    def terms(self) -> tuple[Term, ...]:
        """The terms of its uncertainty, from what it carries; none for one never compared."""
        steady = self.scale == "db" and self.kind in (Kind.TONE, Kind.PROBE, Kind.SWEEP)
        carried = codes.holding(
            (self.name != "wood.density_kg_m3", (Term.REPEAT, Term.BACKGROUND, Term.MOUNT)),
            (steady, (Term.POSITION,)),
            (self.kind == Kind.WOOD and not self.room, (Term.SIZES,)),
            (self.kind != Kind.PLUCK, (Term.MOISTURE, Term.TEMPERATURE)),
            (self.room and not self.is_frequency, (Term.PLACE,)),
            (self.name.endswith((".level_db", ".response_db")), (Term.CALIBRATION,)),
        )
        return tuple(term for terms in carried for term in terms)

    @property
    def is_frequency(self) -> bool:
        """True for a compared frequency, which is also told in cents."""
        return self.scale == "log" and self.unit == "Hz"


@dataclass(frozen=True, kw_only=True, eq=False)
class Family(Carried):
    """Feature names that differ only by a number; `{}` stands for it.

    numbers : listed, (lowest, highest), or None for a single name.  harmonic : whether the number
    is a harmonic order.  The rest as in `Feature`; nothing has a default.
    """

    pattern: str
    numbers: tuple[str, ...] | tuple[int, int] | None
    harmonic: bool

    @cached_property
    def _numbers(self) -> Sequence[str | int]:
        """All that may stand for `{}`, in order."""
        given = self.numbers or ("",)
        return given if isinstance(given[0], str) else range(given[0], given[1] + 1)

    @cached_property
    def _number_of(self) -> dict[str, str]:
        """Name -> its number; no number is written in two ways."""
        return {self.pattern.format(number): str(number) for number in self._numbers}

    def match(self, name: str) -> Feature | None:
        """The feature of that name, or None if it is not of this family."""
        if (number := self._number_of.get(name)) is None:
            return None
        return Feature(
            name=name,
            number=number,
            harmonic=int(number) if self.harmonic else None,
            **{field.name: getattr(self, field.name) for field in fields(Carried)},
        )

    def names(self, *, most: int = 40) -> list[str]:
        """The names of the family; long ones are cut at the number `most`."""
        return [
            self.pattern.format(number)
            for number in self._numbers
            if isinstance(number, str) or number <= most
        ]


_FIRST = (1, 1)
_HARMONICS = (1, 999)
_OVERTONES = (2, 999)
_MODES = (1, 99)

FAMILIES = (
    Family(
        pattern="tone.h{}.level_db", numbers=_FIRST,
        unit="dB", scale="db", kind=Kind.TONE, harmonic=True,
        driver=False, drive_level=True, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="tone.h{}.level_db", numbers=_OVERTONES,
        unit="dB", scale="db", kind=Kind.TONE, harmonic=True,
        driver=True, drive_level=True, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="tone.h{}.rel_db", numbers=_OVERTONES,
        unit="dB", scale="db", kind=Kind.TONE, harmonic=True,
        driver=True, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="tone.h{}.response_db", numbers=_HARMONICS,
        unit="dB", scale="db", kind=Kind.TONE, harmonic=True,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="tone.h{}.response_deg", numbers=_HARMONICS,
        unit="deg", scale="none", kind=Kind.TONE, harmonic=True,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.not_compared",
    ),
    Family(
        pattern="tone.thd_percent", numbers=None,
        unit="%", scale="log", kind=Kind.TONE, harmonic=False,
        driver=True, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.distortion",
    ),
    Family(
        pattern="tone.band{}.rel_db", numbers=OCTAVE_BANDS,
        unit="dB", scale="db", kind=Kind.TONE, harmonic=False,
        driver=False, drive_level=False, noise=True, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="tone.centroid_hz", numbers=None,
        unit="Hz", scale="log", kind=Kind.TONE, harmonic=False,
        driver=True, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.centroid",
    ),
    Family(
        pattern="tone.frequency_hz", numbers=None,
        unit="Hz", scale="none", kind=Kind.TONE, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.not_compared",
    ),
    Family(
        pattern="probe.k{}.response_db", numbers=_OVERTONES,
        unit="dB", scale="db", kind=Kind.PROBE, harmonic=True,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="probe.k{}.level_db", numbers=_OVERTONES,
        unit="dB", scale="db", kind=Kind.PROBE, harmonic=True,
        driver=False, drive_level=True, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="probe.k{}.response_deg", numbers=_OVERTONES,
        unit="deg", scale="none", kind=Kind.PROBE, harmonic=True,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.not_compared",
    ),
    Family(
        pattern="tap.m{}.frequency_hz", numbers=_MODES,
        unit="Hz", scale="log", kind=Kind.TAP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.frequency",
    ),
    Family(
        pattern="tap.m{}.loss_factor", numbers=_MODES,
        unit="1", scale="log", kind=Kind.TAP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.decay",
    ),
    Family(
        pattern="tap.m{}.decay_time_s", numbers=_MODES,
        unit="s", scale="log", kind=Kind.TAP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.decay",
    ),
    Family(
        pattern="free.m{}.frequency_hz", numbers=_MODES,
        unit="Hz", scale="log", kind=Kind.FREE, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="free.m{}.loss_factor", numbers=_MODES,
        unit="1", scale="log", kind=Kind.FREE, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="free.m{}.decay_time_s", numbers=_MODES,
        unit="s", scale="log", kind=Kind.FREE, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="sweep.k{}.response_db", numbers=_HARMONICS,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=True,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="sweep.k{}.response_deg", numbers=_HARMONICS,
        unit="deg", scale="none", kind=Kind.SWEEP, harmonic=True,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.not_compared",
    ),
    Family(
        pattern="sweep.band{}.response_db", numbers=THIRD_OCTAVE_BANDS,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="sweep.band{}.level_db", numbers=THIRD_OCTAVE_BANDS,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=False,
        driver=False, drive_level=True, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="curve.response_db", numbers=None,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="curve.level_db", numbers=None,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=False,
        driver=False, drive_level=True, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="curve.slope_db", numbers=None,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="curve.notch_db", numbers=None,
        unit="dB", scale="db", kind=Kind.SWEEP, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="wood.density_kg_m3", numbers=None,
        unit="kg/m3", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="wood.youngs_modulus_gpa", numbers=None,
        unit="GPa", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="wood.sound_speed_m_s", numbers=None,
        unit="m/s", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="wood.radiation_m4_kg_s", numbers=None,
        unit="m4/(kg s)", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="wood.impedance_pa_s_m", numbers=None,
        unit="Pa s/m", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="wood.shear_modulus_gpa", numbers=None,
        unit="GPa", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="wood.loss_factor", numbers=None,
        unit="1", scale="log", kind=Kind.WOOD, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.no_sound",
    ),
    Family(
        pattern="pluck.p{}.level_db", numbers=_MODES,
        unit="dB", scale="db", kind=Kind.PLUCK, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=None, limit_source="limits.level",
    ),
    Family(
        pattern="pluck.p{}.decay_time_s", numbers=_MODES,
        unit="s", scale="log", kind=Kind.PLUCK, harmonic=False,
        driver=False, drive_level=False, noise=False, room=True,
        limit=_PLUCK_DECAY_RATIO, limit_source="limits.pluck_decay",
    ),
    Family(
        pattern="pluck.fundamental_hz", numbers=None,
        unit="Hz", scale="log", kind=Kind.PLUCK, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.frequency",
    ),
    Family(
        pattern="pluck.inharmonicity", numbers=None,
        unit="1", scale="log", kind=Kind.PLUCK, harmonic=False,
        driver=False, drive_level=False, noise=False, room=False,
        limit=None, limit_source="limits.inharmonicity",
    ),
)  # fmt: skip


# What callers added for a while; other threads do not see it.
_added: ContextVar[tuple[Family, ...]] = ContextVar("added", default=())


@contextmanager
def extended(*families: Family) -> Iterator[None]:
    """Know further features for the length of a `with` block; nothing else is changed.

    Parameters
    ----------
    families : features that are not in the register. A page calls them by their names.

    Raises
    ------
    ValueError : a name that the register has already.

    Examples
    --------
    >>> own = Family(
    ...     pattern="tone.even_odd_db", numbers=None, unit="dB", scale="db", kind=Kind.TONE,
    ...     harmonic=False, driver=True, drive_level=False, noise=False, room=True,
    ...     limit=None, limit_source="limits.no_sound")
    >>> with extended(own):
    ...     find("tone.even_odd_db").driver
    True
    >>> is_known("tone.even_odd_db")
    False
    """
    for name in (name for family in families for name in family.names()):
        if is_known(name):
            raise ValueError(words.say("features.known", name=name))
    before = _added.set((*_added.get(), *families))
    try:
        yield
    finally:
        _added.reset(before)


def _known() -> tuple[Family, ...]:
    return (*FAMILIES, *_added.get())


@lru_cache(maxsize=4096)
def _lookup(name: str, families: tuple[Family, ...]) -> Feature | None:
    return next((found for family in families if (found := family.match(name))), None)


def is_known(name: str) -> bool:
    """True when `name` is a feature of the register."""
    return _lookup(str(name), _known()) is not None


def find(name: str) -> Feature:
    """The register's entry for a feature name.

    Parameters
    ----------
    name : such as "tone.h3.rel_db".

    Returns
    -------
    What the feature carries, its unit, scale and default limit.

    Raises
    ------
    InputError : no such feature; the sentence gives the nearest known name.
    """
    feature = _lookup(str(name), _known())
    if feature is None:
        raise errors.InputError(
            codes.note(
                "features.unknown", name=str(name), nearest=nearest(str(name), example_names())
            )
        )
    return feature


def of_kind(kind: Kind) -> tuple[Family, ...]:
    """The families of features that are measured in one way, in the register's order."""
    return tuple(family for family in _known() if family.kind == kind)


def example_names() -> tuple[str, ...]:
    """Known feature names, long families cut at number 40."""
    return tuple(dict.fromkeys(name for family in _known() for name in family.names()))
