"""The settings of a study: the question, the bench and the choices of the analysis.

Every key has a default that suits a first study except `title` and `question`. The models
below mirror the file section by section; each field's description is the code of what would be
right there, to which `rows.field_fault` adds the bounds. Frequencies in Hz, times in s, levels in
dB; channel numbers as a person counts them, from 1. `settings_file` reads the file into these
models.

Classes: `Settings` and its sections. Functions: `mains_multiple`.
"""

import math
import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from studylib.codes import note
from studylib.errors import CellError
from studylib.sheets.files import NAME, PATH, TEXT, TITLE

MAINS_HZ = (50.0, 60.0)
MAINS_MARGIN_HZ = 1.0
"""A fundamental this close to a mains multiple is warned about: the two cannot be distinguished
in a take of about a second (common practice, no source)."""

NEAR_BINS = 2.0
"""A line nearer than so many bins of the analysed length to a harmonic cannot be told from it
(the main lobe of a window; definition)."""

LOWEST_RATE_HZ = 8000
"""Below it, there is too little left of a tone's harmonics and the noise."""

RESPONSE_KINDS = ("microphone", "accelerometer", "pickup")
SENSING = ("force", "acceleration")
DRIVE_KINDS = (*SENSING, "voltage")
LISTEN_KINDS = ("tap", "tone")


def _readable(text: str) -> str:
    CellError.refuse(not "".join(text.split()).isprintable(), "cells.unprintable", value=text)
    return text


_Text = Annotated[str, AfterValidator(_readable)]
_LISTED = Field(strict=False)  # TOML has lists, the models hold tuples


class _Section(BaseModel):
    # Strict: text is not taken for a number, nor true for 1.
    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


class StudySection(_Section):
    """What is asked, and which columns of specimens.csv hold the groups.

    `separate_trees` states that each board without a source was cut from a tree of its own.
    """

    title: _Text = Field(min_length=1, max_length=TITLE, description="right.title")
    question: _Text = Field(min_length=1, max_length=TEXT, description="right.question")
    licence: _Text = Field("", max_length=24, description="right.licence")
    compare: str = Field("wood", min_length=1, max_length=NAME, description="right.compare")
    separate_trees: bool = Field(False, description="right.switch")


class Channels(_Section):
    """Which channel hears what, and what its level means."""

    response: int = Field(1, ge=1, description="right.channel")
    response_kind: Literal[RESPONSE_KINDS] = Field(
        "microphone", description=note("right.one_of", options=RESPONSE_KINDS)
    )
    drive: int | None = Field(None, ge=1, description="right.channel")
    drive_kind: Literal[DRIVE_KINDS] | None = Field(
        None, description=note("right.one_of", options=DRIVE_KINDS)
    )
    rate_hz: int | None = Field(None, ge=LOWEST_RATE_HZ, description="right.rate")
    full_scale_db: float | None = Field(None, description="right.decibels")
    calibrator_db: float | None = Field(None, description="right.decibels")

    @property
    def sensed(self) -> bool:
        """The drive channel senses what enters the board: force or acceleration."""
        return self.drive is not None and self.drive_kind in SENSING


class Bench(_Section):
    """Where the driver sits, from the board's end farther from the response, and how surely; where
    the board is heard (None: at its far end) and rests, from the same end; how far its supports
    yield; the driver's mass as far as no sensor stands between it and the board; how well the
    channels are calibrated, as a standard uncertainty of the level or the ratio; and the mains
    frequency."""

    drive_at_mm: float | None = Field(None, ge=0, description="right.millimetres")
    u_drive_at_mm: float = Field(1.0, gt=0, description="right.millimetres")
    heard_at_mm: float | None = Field(None, ge=0, description="right.millimetres")
    driver_g: float | None = Field(None, ge=0, description="right.grams")
    supports_mm: Annotated[tuple[float, ...], _LISTED] = Field((), description="right.places")
    support_n_mm: float = Field(0.0, ge=0, description="right.stiffness")
    mains_hz: float | None = Field(None, gt=10, lt=500, description="right.frequency")
    u_calibration_db: float | None = Field(None, gt=0, description="right.decibels")


class Tone(_Section):
    """The steady tone and the part of a take that is analysed.

    `skip_s` is left out at the start of each take; None looks for where the tone sounds.
    """

    fundamental_hz: float = Field(172.0, gt=0, description="right.frequency")
    harmonics: int = Field(20, ge=1, le=1000, description="right.whole")
    skip_s: float | None = Field(None, ge=0, description="right.seconds")
    length_s: float = Field(0.8, gt=0, description="right.seconds")


class Decide(_Section):
    """What decides, and how sure one must be."""

    primary: Annotated[tuple[str, ...], _LISTED] = Field(
        ("tone.h1.level_db",), min_length=1, description="right.features"
    )
    confidence: float = Field(0.95, gt=0.5, lt=1, description="right.number")
    looks: int = Field(1, ge=1, le=20, description="right.whole")
    smallest_n: int = Field(2, ge=2, description="right.whole")
    take_out_drift: bool = Field(False, description="right.switch")
    limits: dict[str, float] = Field(default_factory=dict, description="right.limit")


class Claim(_Section):
    """A sentence written down before recording: `higher` has more of `feature` than `lower`."""

    text: _Text = Field(min_length=1, max_length=TEXT, description="right.claim")
    feature: str = Field(min_length=1, description="right.feature")
    higher: str = Field(min_length=1, max_length=NAME, description="right.higher")
    lower: str = Field(min_length=1, max_length=NAME, description="right.lower")


class Tap(_Section):
    """Where in a tap's spectrum modes are looked for, and how many at most."""

    lowest_hz: float = Field(40.0, gt=0, description="right.frequency")
    highest_hz: float | None = Field(None, gt=0, description="right.frequency")
    most_modes: int = Field(16, ge=1, le=40, description="right.whole")


class Sweep(_Section):
    """The exponential sweep that was played; without it only ratios of channels can be taken."""

    lowest_hz: float | None = Field(None, gt=0, description="right.frequency")
    highest_hz: float | None = Field(None, gt=0, description="right.frequency")
    length_s: float | None = Field(None, gt=0, description="right.seconds")

    @property
    def known(self) -> bool:
        """All three are given."""
        return None not in (self.lowest_hz, self.highest_hz, self.length_s)


class Curve(_Section):
    """The band of the response over frequency; all that the sweep gives where it is left out."""

    lowest_hz: float | None = Field(None, gt=0, description="right.frequency")
    highest_hz: float | None = Field(None, gt=0, description="right.frequency")


class Wood(_Section):
    """How well boards were measured, and what is assumed of their wood.

    Standard uncertainties of the sizes; `shear_ratio` is Young's modulus along the grain over
    the shear modulus, for boards of which one mode alone was found.
    """

    u_length_mm: float = Field(0.5, gt=0, description="right.millimetres")
    u_width_mm: float = Field(0.05, gt=0, description="right.millimetres")
    u_thickness_mm: float = Field(0.05, gt=0, description="right.millimetres")
    u_mass_g: float = Field(0.1, gt=0, description="right.grams")
    shear_ratio: float = Field(16.0, gt=2, le=60, description="right.ratio")
    u_shear_ratio: float = Field(3.0, gt=0, description="right.ratio")
    attached_g: float = Field(0.0, ge=0, description="right.grams")


Multiple = Annotated[int, Field(ge=2, le=1000)]
Step = Annotated[float, Field(lt=0)]


class Plan(_Section):
    """How the study is to be recorded: what `study plan` reckons with and schedules.

    `boards` counts boards of one wood, `mounts` the mountings of one board in the whole study,
    `takes` the tones at the fundamental in one mounting, `tap_places` the places of a microphone
    at which the taps are recorded (see `Settings.tap_places`). `controls` to `moved_mm` plan the
    takes that test a cause; 0 and False plan none. Without `controls` the silent room alone is left
    of what needs no board. Counts end where nobody goes on recording: no schedule is endless.
    """

    boards: int = Field(4, ge=1, le=1000, description="right.whole")
    mounts: int = Field(3, ge=1, le=50, description="right.whole")
    takes: int = Field(3, ge=1, le=50, description="right.whole")
    batches: int = Field(2, ge=1, le=50, description="right.whole")
    probes: Annotated[tuple[Multiple, ...], _LISTED] = Field((2, 3), description="right.multiples")
    drive_steps_db: Annotated[tuple[Step, ...], _LISTED] = Field(
        (-18.0, -12.0, -6.0), description="right.drive_steps"
    )
    controls: bool = Field(True, description="right.switch")
    idle: int = Field(1, ge=0, le=20, description="right.whole")
    probes_before: bool = Field(True, description="right.switch")
    turned: bool = Field(True, description="right.switch")
    level_steps: bool = Field(False, description="right.switch")
    mic_times: float = Field(0.0, ge=0, le=10, description="right.ratio")
    moved_mm: float = Field(0.0, ge=0, le=100, description="right.millimetres")
    sweeps: int = Field(1, ge=0, le=20, description="right.whole")
    sweep_db: float = Field(-20.0, le=0, description="right.drive")
    taps: int = Field(1, ge=0, le=20, description="right.whole")
    tap_places: int = Field(3, ge=1, le=20, description="right.whole")
    free_taps: int = Field(1, ge=0, le=20, description="right.whole")
    minutes_board: float = Field(15.0, ge=0, description="right.minutes")
    minutes_mount: float = Field(5.0, ge=0, description="right.minutes")
    minutes_take: float = Field(0.8, gt=0, description="right.minutes")
    minutes_day: float = Field(360.0, gt=0, le=1440, description="right.minutes")
    full_drive_dbfs: float = Field(-12.0, le=-0.1, ge=-80, description="right.full_scale")
    play_s: float = Field(10.0, gt=0, le=600, description="right.seconds")
    pilot: str = Field("", max_length=PATH, description="right.pilot")
    seed: int | None = Field(None, ge=0, description="right.whole")


class Listen(_Section):
    """The blind test by ear that `study listen` writes.

    `woods` are the two to be told apart; without them, those of the first claim, else the first
    and the last of specimens.csv. Of each wood the first `boards` with a good take are heard, and
    each pair of boards is asked at least once. `matched` brings all excerpts to one loudness.
    `share` is the share of trials in which a difference must truly be heard for the test to find
    it; how many answers are asked for follows from it, unless `answers` says so. `nulls` counts the
    trials with takes of one board, as a share of the answers. The report calls those who listen
    `who`; `claim` is a sentence that the test decides on.
    """

    kind: Literal[LISTEN_KINDS] = Field(
        "tap", description=note("right.one_of", options=LISTEN_KINDS)
    )
    woods: Annotated[tuple[str, ...], _LISTED] = Field(
        (), max_length=2, description="right.two_woods"
    )
    boards: int = Field(4, ge=2, le=20, description="right.whole")
    length_s: float = Field(0.8, ge=0.4, le=5, description="right.seconds")
    matched: bool = Field(True, description="right.switch")
    share: float = Field(0.5, ge=0.1, lt=1, description="right.number")
    answers: int | None = Field(None, ge=6, le=1000, description="right.whole")
    nulls: float = Field(0.25, ge=0, le=1, description="right.number")
    seed: int = Field(1, ge=0, description="right.whole")
    who: str = Field("listeners", min_length=1, max_length=40, description="right.who")
    claim: str = Field("", max_length=TEXT, description="right.claim")


class Settings(_Section):
    """study.toml, complete with defaults.

    Attributes
    ----------
    study, channels, bench, tone, decide, tap, sweep, wood, plan, listen : the sections, each a
        model of its own.
    claims : in the order of the file.
    quality : a user's own limits by check.  pluck : as it stands in the file.
    """

    study: StudySection
    channels: Channels = Field(default_factory=Channels)
    bench: Bench = Field(default_factory=Bench)
    tone: Tone = Field(default_factory=Tone)
    decide: Decide = Field(default_factory=Decide)
    claims: tuple[Claim, ...] = Field((), alias="claim", strict=False)
    quality: dict[Annotated[str, Field(max_length=NAME)], float] = Field(
        default_factory=dict, description="right.number"
    )
    tap: Tap = Field(default_factory=Tap)
    sweep: Sweep = Field(default_factory=Sweep)
    curve: Curve = Field(default_factory=Curve)
    pluck: dict[str, Any] = Field(default_factory=dict)
    wood: Wood = Field(default_factory=Wood)
    plan: Plan = Field(default_factory=Plan)
    listen: Listen = Field(default_factory=Listen)

    @property
    def tap_places(self) -> int:
        """Places at which taps are to be recorded: one where no air is between board and sensor."""
        return self.plan.tap_places if self.channels.response_kind == "microphone" else 1

    def on_mains(self, mains_hz: float) -> list[int]:
        """The multiples of the tone that the study rests on (its fundamental, probe tones, primary
        features) and that lie within two bins of a multiple of the mains frequency."""
        named = re.findall(r"\.[hk](\d+)\.", " ".join(self.decide.primary))
        tone, used = self.tone, {1, *self.plan.probes, *map(int, named)}
        near = NEAR_BINS / tone.length_s
        return sorted(
            k for k in used if abs(math.remainder(tone.fundamental_hz * k, mains_hz)) < near
        )


def mains_multiple(
    frequency_hz: float, mains_hz: tuple[float, ...] = MAINS_HZ
) -> tuple[float, int] | None:
    """(mains frequency in Hz, multiple) that a frequency sits on within 1 Hz, or None."""
    near = (
        (mains, k)
        for mains in mains_hz
        if (k := round(frequency_hz / mains)) >= 1
        and abs(frequency_hz - k * mains) < MAINS_MARGIN_HZ
    )
    return next(near, None)
