"""The settings of a study: the question, the bench and the choices of the analysis.

Every key has a default that suits a first study except `title` and `question`. The models
below mirror the file section by section; each field's description says what would be right
there. Frequencies in Hz, times in s, levels in dB; channel numbers as a person counts them,
from 1. `settings_file` reads the file into these models.

Classes: `Settings` and its sections. Functions: `mains_multiple`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

MAINS_HZ = (50.0, 60.0)
MAINS_MARGIN_HZ = 1.0
"""A fundamental this close to a mains multiple is warned about: the two cannot be told apart
in a take of about a second (common practice, no source)."""

_LISTED = Field(strict=False)  # TOML has lists, the models hold tuples


class _Section(BaseModel):
    # Strict: text is not taken for a number, nor true for 1.
    model_config = ConfigDict(frozen=True, strict=True, extra="forbid", allow_inf_nan=False)


class StudySection(_Section):
    """What is asked, and which columns of specimens.csv hold the groups.

    `beside` is held equal while woods are compared, where the design allows it, and shown beside
    the comparison that decides.
    """

    title: str = Field(min_length=1, description="the title of the study, in quotation marks")
    question: str = Field(min_length=1, description="the question it asks, in quotation marks")
    compare: str = Field(
        "wood", min_length=1, description='the name of the column under comparison, as in "wood"'
    )
    beside: str = Field(
        "", description='the name of a second column of groups, as in "finish", or ""'
    )


class Channels(_Section):
    """Which channel hears what, and what its level means."""

    response: int = Field(1, ge=1, description="a channel number from 1 up")
    response_kind: Literal["microphone", "accelerometer", "pickup"] = Field(
        "microphone", description='"microphone", "accelerometer" or "pickup"'
    )
    drive: int | None = Field(None, ge=1, description="a channel number from 1 up")
    drive_kind: Literal["force", "acceleration", "voltage"] | None = Field(
        None, description='"force", "acceleration" or "voltage"'
    )
    rate_hz: int | None = Field(None, ge=1, description="a whole number of Hz, as in 48000")
    full_scale_db: float | None = Field(
        None, description="the level of a full-scale sine in dB, as in 112.0"
    )
    calibrator_db: float | None = Field(
        None, description="the level of the calibrator in dB, as in 94.0"
    )


class Tone(_Section):
    """The steady tone and the part of a take that is analysed."""

    fundamental_hz: float = Field(172.0, gt=0, description="a frequency in Hz above 0")
    harmonics: int = Field(20, ge=1, description="a whole number from 1 up")
    skip_s: float = Field(0.1, ge=0, description="a time in seconds, 0 or more")
    length_s: float = Field(0.8, gt=0, description="a time in seconds above 0")


class Decide(_Section):
    """What decides, and how sure one must be."""

    primary: Annotated[tuple[str, ...], _LISTED] = Field(
        ("tone.h1.level_db",), min_length=1, description='a list such as ["tone.h3.rel_db"]'
    )
    confidence: float = Field(
        0.95, gt=0.5, lt=1, description="a number between 0.5 and 1, as in 0.95"
    )
    smallest_n: int = Field(2, ge=2, description="a whole number from 2 up")
    take_out_drift: bool = Field(False, description="true or false")
    limits: dict[str, float] = Field(
        default_factory=dict, description="a number above 0 for each feature"
    )


class Claim(_Section):
    """A sentence written down before recording: `higher` has more of `feature` than `lower`."""

    text: str = Field(min_length=1, description="the claim as a sentence, in quotation marks")
    feature: str = Field(min_length=1, description='a feature\'s name, as in "tone.h3.rel_db"')
    higher: str = Field(min_length=1, description="the wood said to have the higher value")
    lower: str = Field(min_length=1, description="the wood said to have the lower value")


class Tap(_Section):
    """Where in a tap's spectrum modes are looked for, and how many at most."""

    lowest_hz: float = Field(40.0, gt=0, description="a frequency in Hz above 0")
    highest_hz: float | None = Field(None, gt=0, description="a frequency in Hz above 0")
    most_modes: int = Field(16, ge=1, le=40, description="a whole number from 1 to 40")


class Sweep(_Section):
    """The exponential sweep that was played; without it only ratios of channels can be taken."""

    lowest_hz: float | None = Field(None, gt=0, description="where it starts, in Hz")
    highest_hz: float | None = Field(None, gt=0, description="where it ends, in Hz")
    length_s: float | None = Field(None, gt=0, description="how long it sounds, in seconds")

    @property
    def known(self) -> bool:
        """All three are given."""
        return None not in (self.lowest_hz, self.highest_hz, self.length_s)


class Wood(_Section):
    """How well boards were measured, and what is assumed of their wood.

    Standard uncertainties of the sizes; `shear_ratio` is Young's modulus along the grain over
    the shear modulus, for boards of which one mode alone was found.
    """

    u_length_mm: float = Field(0.5, gt=0, description="a length in mm above 0")
    u_width_mm: float = Field(0.05, gt=0, description="a length in mm above 0")
    u_thickness_mm: float = Field(0.05, gt=0, description="a length in mm above 0")
    u_mass_g: float = Field(0.1, gt=0, description="a mass in g above 0")
    shear_ratio: float = Field(16.0, gt=2, le=60, description="a ratio from 2 to 60, as in 16.0")
    u_shear_ratio: float = Field(3.0, gt=0, description="a ratio above 0")
    attached_g: float = Field(0.0, ge=0, description="a mass in g, 0 or more")
    to_12_percent: bool = Field(False, description="true or false")


Multiple = Annotated[int, Field(ge=2)]
Step = Annotated[float, Field(lt=0)]


class Plan(_Section):
    """How the study is to be recorded: what `study plan` reckons with and schedules.

    `boards` counts boards of one wood, `mounts` the mountings of one board in the whole study,
    `takes` the tones at the fundamental in one mounting.
    """

    boards: int = Field(4, ge=1, description="a whole number from 1 up")
    mounts: int = Field(3, ge=1, description="a whole number from 1 up")
    takes: int = Field(3, ge=1, description="a whole number from 1 up")
    batches: int = Field(2, ge=1, description="a whole number from 1 up")
    probes: Annotated[tuple[Multiple, ...], _LISTED] = Field(
        (2, 3), description="whole multiples of the tone from 2 up, as in [2, 3]"
    )
    drive_steps_db: Annotated[tuple[Step, ...], _LISTED] = Field(
        (-18.0, -12.0, -6.0), description="negative numbers of dB, as in [-18, -12, -6]"
    )
    sweeps: int = Field(1, ge=0, description="a whole number, 0 or more")
    sweep_db: float = Field(-20.0, le=0, description="0 or a negative number of dB")
    taps: int = Field(1, ge=0, description="a whole number, 0 or more")
    free_taps: int = Field(1, ge=0, description="a whole number, 0 or more")
    minutes_board: float = Field(15.0, ge=0, description="a number of minutes, 0 or more")
    minutes_mount: float = Field(5.0, ge=0, description="a number of minutes, 0 or more")
    minutes_take: float = Field(0.8, gt=0, description="a number of minutes above 0")
    minutes_day: float = Field(360.0, gt=0, description="a number of minutes above 0")
    full_drive_dbfs: float = Field(
        -12.0, le=-0.1, ge=-80, description="dB re full scale, from -80 to -0.1"
    )
    play_s: float = Field(10.0, gt=0, le=600, description="a time from 0 to 600 s")
    pilot: str = Field("", description="the path of a variance.csv, in quotation marks")
    seed: int | None = Field(None, ge=0, description="a whole number, 0 or more")


class Settings(_Section):
    """study.toml, complete with defaults."""

    study: StudySection
    channels: Channels = Field(default_factory=Channels)
    tone: Tone = Field(default_factory=Tone)
    decide: Decide = Field(default_factory=Decide)
    claims: Annotated[tuple[Claim, ...], _LISTED] = ()
    quality: dict[str, float] = Field(default_factory=dict)
    tap: Tap = Field(default_factory=Tap)
    sweep: Sweep = Field(default_factory=Sweep)
    pluck: dict[str, Any] = Field(default_factory=dict)
    wood: Wood = Field(default_factory=Wood)
    plan: Plan = Field(default_factory=Plan)


def mains_multiple(frequency_hz: float) -> tuple[float, int] | None:
    """(mains frequency in Hz, multiple) that a frequency sits on within 1 Hz, or None."""
    for mains in MAINS_HZ:
        k = round(frequency_hz / mains)
        if k >= 1 and abs(frequency_hz - k * mains) < MAINS_MARGIN_HZ:
            return mains, k
    return None
