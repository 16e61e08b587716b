"""What each check of a take measures, and the limits it is held against.

One table, `LIMITS`. A check with a `fail` limit sets the take aside beyond it; between `warn`
and `fail` the take is used and the report says so. Values of drift, wander and steadiness are
what exceeds the noise. Limits that rest on habit rather than on a published figure are marked
"common practice, no source".

Functions: overridden (the table with a study's own limits), judge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from studylib.errors import InputError

PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Limit:
    """Bounds on a check's value: worse means larger, or smaller where `low` is True."""

    unit: str
    warn: float | None
    fail: float | None
    source: str
    meaning: str
    low: bool = False


LIMITS: dict[str, Limit] = {
    "readable": Limit("", None, 0, "definition", "the file cannot be opened or read"),
    "truncated": Limit("", None, 0, "definition", "frames that the file announces are missing"),
    "rate": Limit("Hz", None, 0, "definition", "distance from the study's sampling rate"),
    "channels": Limit("", None, 0, "definition", "channels the study names and the file lacks"),
    "length": Limit("s", None, 0, "definition", "seconds missing to skip_s + length_s"),
    "finite": Limit("", None, 0, "definition", "channels that hold NaN or infinite samples"),
    "silence": Limit(
        "dBFS", -80.0, -100.0, PRACTICE, "level of the whole channel", low=True
    ),
    "clipping": Limit("samples", None, 0, "crest of a sine", "longest run at a rail too long by"),
    "peak": Limit("dBFS", -1.0, None, PRACTICE, "largest sample"),
    "dc": Limit("percent", 1.0, 10.0, PRACTICE, "mean of the samples, of full scale"),
    "tone_absent": Limit("dB", None, 0.0, "F test at 1 %", "tone below what noise alone gives"),
    "tone_ppm": Limit(
        "ppm", 200.0, 5000.0, "two crystal clocks of 100 ppm each; " + PRACTICE,
        "distance of the tone from tone_hz",
    ),
    "drift_ppm": Limit(
        "ppm", 50.0, 500.0, PRACTICE, "change of the tone's frequency over the take"
    ),
    "wander": Limit(
        "dB", 0.1, 1.0, PRACTICE, "what the highest harmonic loses to a phase that wanders"
    ),
    "steady": Limit("dB", 0.3, 1.0, PRACTICE, "largest departure of the fundamental's level"),
    "bump": Limit("dB", 1.0, 3.0, PRACTICE, "loudest 10 ms above the median"),
    "dropout": Limit("dB", 1.0, 3.0, PRACTICE, "quietest 10 ms below the median"),
    "click": Limit("", 4.0, None, PRACTICE, "sharpest corner over that of the median 10 ms"),
    "hum": Limit(
        "dB", -40.0, -10.0, PRACTICE, "strongest mains line that is no harmonic, re the tone"
    ),
    "mains": Limit(
        "Hz", 2.0, None, "a hum line and the tone cannot be told apart",
        "distance of tone_hz from a multiple of 50 or 60 Hz", low=True,
    ),
    "noise_over_room": Limit("dB", 3.0, 10.0, PRACTICE, "noise of the take above the room take"),
    "noise_over_room_a": Limit(
        "dB(A)", 3.0, 10.0, PRACTICE, "the same, A-weighted (IEC 61672-1)"
    ),
    "noise_a": Limit("dB(A)", 50.0, None, PRACTICE, "A-weighted noise with the tone taken out"),
    "taps": Limit("", None, 1.0, "definition", "usable taps; one is needed", low=True),
    "taps_refused": Limit("", 0.0, None, "definition", "taps that are not fit for use"),
    "sweep_unlike": Limit(
        "", 0.0, None, "definition", "the sweep of study.toml is not in the recording"
    ),
    "snr_h1": Limit(
        "dB", 30.0, 15.0, PRACTICE, "fundamental over the noise of its own bin", low=True
    ),
}  # fmt: skip


def overridden(own: Mapping[str, float]) -> dict[str, Limit]:
    """The table with the study's own limits: the one that sets a take aside, else the warning.

    Raises
    ------
    InputError : a name that is no check.
    """
    unknown = sorted(set(own) - set(LIMITS))
    if unknown:
        raise InputError(
            f"study.toml, [quality]: there is no check named {', '.join(unknown)}; "
            f"the checks are {', '.join(LIMITS)}."
        )
    table = dict(LIMITS)
    for name, value in own.items():
        old = table[name]
        source = "the study's own (study.toml)"
        if old.fail is None:
            table[name] = replace(old, warn=value, source=source)
        else:
            warn = old.warn
            if warn is not None and ((warn < value) if old.low else (warn > value)):
                warn = None
            table[name] = replace(old, warn=warn, fail=value, source=source)
    return table


def judge(value: float, limit: Limit) -> tuple[str, float]:
    """(verdict, the limit it was held against); verdict is pass, warn or fail."""

    def beyond(bound: float | None) -> bool:
        # `not <=` so that a value that is not a number never passes.
        return bound is not None and not (value >= bound if limit.low else value <= bound)

    if beyond(limit.fail):
        return "fail", limit.fail
    if beyond(limit.warn):
        return "warn", limit.warn
    return "pass", limit.warn if limit.warn is not None else limit.fail
