"""Rivals that leak into a recording: sound through the air, the recorder's own distortion.

Leaks are coherent: one at L dB below a level moves it by at most 20 lg(1 + 10^(-L/20)). What was
not heard is given as its bound.

Functions: air, recorder.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from studylib.attribution.controls import EXPANDED, tone_number
from studylib.attribution.verdicts import AIR, RECORDER
from studylib.report.rivals.parts import (
    Ground,
    Rival,
    asked,
    db,
    lacking,
    no_tone,
    place,
    record,
    shift_said,
    takes_said,
)
from studylib.words.numbers import counted


def air(ground: Ground) -> Rival:
    """Sound that reaches the microphone without passing the board."""
    looks = "the same sound whatever board is mounted, changing with where the microphone stands"
    tested = takes_said(ground, "airborne")
    return Rival("sound through the air", looks, tested, _air_says(ground))


def _air_says(ground: Ground) -> str:
    if not ground.of_kind("airborne"):
        return f"{record(ground, 'airborne')}."
    if ground.rows.empty:
        return no_tone(ground)
    said = [_leak(ground.heard, "air", AIR), _tone_leak(ground)]
    if not any(said):
        return f"{record(ground, 'airborne', 'probe')}."
    if not said[0] and not ground.heard.empty:
        said[0] = f"On harmonics not tested: record {asked(ground, 'airborne', 'probe')}."
    if not said[1]:
        said[1] = f"On the tone itself not tested: record one at {ground.tone_hz:g} Hz too."
    return " ".join(filter(None, [*said, lacking(ground, "airborne")]))


def recorder(ground: Ground) -> Rival:
    """The recorder's own distortion."""
    looks = "the same harmonics whatever is recorded, growing with the level at the recorder"
    tested = takes_said(ground, "loopback")
    return Rival("recorder", looks, tested, _recorder_says(ground))


def _recorder_says(ground: Ground) -> str:
    own = _own_distortion(ground)
    if not ground.of_kind("loopback") or not own:
        return f"{record(ground, 'loopback')}."
    if ground.rows.empty:
        return f"{no_tone(ground)} {own}"
    said = [_leak(ground.heard, "recorder", RECORDER), own, lacking(ground, "loopback")]
    return " ".join(filter(None, said))


def _leak(heard: pd.DataFrame, name: str, verdict: str) -> str:
    """The strongest leak into the harmonics, against what was recorded there; or ""."""
    below = heard["observed_db"].astype(float) - heard[f"{name}_db"].astype(float)
    below = below[np.isfinite(below)]
    if below.empty:
        return ""
    worst, distance = heard.loc[below.idxmin()], float(below.min())
    only_bound = bool(worst[f"{name}_is_limit"])
    said = (
        f"On {len(below)} of {counted(len(heard), 'harmonic')} above the noise it was held against "
        f"what was recorded. The strongest lies {'at least ' if only_bound else ''}{db(distance)} "
        f"below ({'only bounded; ' if only_bound else ''}{place(worst)}) and could move that "
        f"harmonic by up to {shift_said(distance)}."
    )
    found = below[~heard.loc[below.index, f"{name}_is_limit"].astype(bool)]
    if only_bound and not found.empty:
        where = place(heard.loc[found.idxmin()])
        said += f" The strongest that was found lies {db(float(found.min()))} below ({where})."
    named = int((heard["verdict"] == verdict).sum())
    return f"{said} It may explain {counted(named, 'harmonic')} by itself." if named else said


def _tone_leak(ground: Ground) -> str:
    """The driver in the air at the tone itself, against the weakest tone of the same batch."""
    found = []
    for take in (line for lines in ground.sorted.airborne.values() for line in lines):
        if tone_number(take) != 1:
            continue
        size, u = abs(take.response[0]), float(take.u_response[0])
        limit = float(take.presence(take.u_response)[0])
        most = (size + (EXPANDED * u if size > limit else limit)) / take.drive_factor
        same = [
            abs(tone.response[0])
            for tone in ground.tones.values()
            if tone.take.batch == take.take.batch
        ]
        if same and most > 0 and min(same) > 0:
            found.append((20.0 * math.log10(min(same) / most), size <= limit))
    if not found:
        return ""
    distance, only_bound = min(found)
    heard = "not heard, so at least" if only_bound else "heard"
    return (
        f"At the tone itself the driver in the air is {heard} {db(distance)} below the weakest "
        f"mounted tone of its batch, which it could move by up to {shift_said(distance)}."
    )


def _own_distortion(ground: Ground) -> str:
    """The strongest harmonic of the loopback takes, relative to their tone; or ""."""
    found, bound = [], []
    for take in (line for lines in ground.sorted.loopbacks.values() for line in lines):
        base, size = abs(take.response[0]), np.abs(take.response[1:])
        limit = take.presence(take.u_response)[1:]
        if base > 0:
            found += list(size[size > limit] / base)
            bound += list((size + limit)[np.isfinite(size)] / base)
    if found:
        return f"In loopback its strongest harmonic lies {db(-_db(max(found)))} below the tone."
    if bound and max(bound) > 0:
        return f"In loopback no harmonic of it is found; all lie {db(-_db(max(bound)))} below."
    return ""


def _db(ratio: float) -> float:
    return 20.0 * math.log10(ratio)
