"""Read and check study.toml.

All its faults are found together. A key or section that is not known is a warning with the
nearest known name; the sections of parts that bring their own keys ([quality], [pluck]) are
passed on as they stand.

Functions: `read_settings`, `claim_faults`.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from studylib.errors import InputError
from studylib.register import find
from studylib.sheets.field_faults import field_faults
from studylib.sheets.settings import (
    Channels,
    Claim,
    Decide,
    Plan,
    Settings,
    StudySection,
    Sweep,
    Tap,
    Tone,
    Wood,
    mains_multiple,
)
from studylib.sheets.spreadsheet import read_text
from studylib.words.text import listed, nearest, shown

FILE = "study.toml"

LEAST_PERIODS = 10
"""A tone's fit needs 8 periods; a little of a take is lost to a length that transforms fast."""

LEAST_CYCLES = 4.0
"""lowest_hz times the time in which a sweep grows e-fold: below, its own formulas fail."""

_MODELS = {
    "study": StudySection,
    "channels": Channels,
    "tone": Tone,
    "decide": Decide,
    "tap": Tap,
    "sweep": Sweep,
    "wood": Wood,
    "plan": Plan,
}
_FREE = ("quality", "pluck")
_SECTIONS = (*_MODELS, "claim", *_FREE)


@dataclass(frozen=True)
class Reading:
    """What study.toml gave: settings (defaults where it was at fault), faults and warnings."""

    settings: Settings
    faults: tuple[str, ...]
    warnings: tuple[str, ...]


def read_settings(path: Path) -> Reading:
    """Read study.toml. With faults, the settings are only fit for finding further faults."""
    try:
        raw = _parse(read_text(path))
    except InputError as error:
        return Reading(
            Settings.model_construct(study=StudySection.model_construct()), error.faults, ()
        )
    faults: list[str] = []
    warnings = _unknown(f"{FILE}: the section or key", raw, _SECTIONS)
    parts, bad = {}, {}
    for name, model in _MODELS.items():
        parts[name], bad[name] = _section(name, model, raw.get(name, {}), faults, warnings)
    if "primary" in bad["decide"]:
        # An empty list says that what is primary is not known, so that no claim is blamed.
        parts["decide"] = parts["decide"].model_copy(update={"primary": ()})
    claims = _claims(raw.get("claim", []), faults, warnings)
    free = {name: _free(name, raw.get(name, {}), faults) for name in _FREE}
    faults += [
        f"{FILE}, [quality] {name}: {shown(value)} does not fit; give a number"
        for name, value in free["quality"].items()
        if not _is_number(value)
    ]
    free["quality"] = {k: float(v) for k, v in free["quality"].items() if _is_number(v)}
    settings = Settings.model_construct(**parts, **free, claims=claims)
    if not bad["channels"]:
        faults += _channel_faults(settings.channels)
    if not bad["tone"]:
        faults += _length_faults(settings.tone)
    if not bad["tap"]:
        faults += _tap_faults(settings.tap)
    if not bad["sweep"]:
        faults += _sweep_faults(settings.sweep)
    if not bad["plan"]:
        faults += _plan_faults(settings.plan)
    faults += _feature_faults(settings)
    warnings += _bench_warnings(settings)
    return Reading(settings, tuple(faults), tuple(warnings))


def _parse(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error)
        line = re.search(r"at line ([0-9]+)", said)
        place = f"{FILE}, line {line[1]}" if line else f"{FILE}, at its end"
        if re.search("overwrite|twice|redefine|mutate", said):
            raise InputError(f"{place}: a name is given twice; give each name once") from None
        raise InputError(
            f"{place}: this cannot be read; write name = value, with texts in "
            '"quotation marks" (a backslash in them twice), decimals with a point, and sections '
            "in [brackets]"
        ) from None


def _unknown(what: str, raw: dict[str, Any], known: Sequence[str]) -> list[str]:
    return [
        f"{what} {shown(name)} is not known and is not used; "
        f'the nearest known name is "{nearest(name, known)}"'
        for name in raw
        if name not in known
    ]


def _section(
    name: str, model: type[BaseModel], raw: Any, faults: list[str], warnings: list[str]
) -> tuple[Any, set[str]]:
    """One section as its model, and its keys at fault, which the model then lacks or defaults."""
    if not isinstance(raw, dict):
        faults.append(f"{FILE}: {name} is a section; write [{name}] on a line, its keys below")
        return model.model_construct(), set(model.model_fields)
    known = tuple(model.model_fields)
    warnings += _unknown(f"{FILE}, [{name}]: the key", raw, known)
    try:
        return model.model_validate({key: raw[key] for key in raw if key in known}), set()
    except ValidationError as error:
        found = field_faults(error, model)
    faults += [f"{_place(name, where)}: {said}" for where, said in found]
    bad = {where[0] for where, _ in found}
    good = {key: _kept(raw[key]) for key in raw if key in set(known) - bad}
    return model.model_construct(**good), bad


def _kept(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


def _place(section: str, where: tuple) -> str:
    key = where[0]
    if len(where) == 1:
        return f"{FILE}, [{section}] {key}"
    if isinstance(where[1], int):
        return f"{FILE}, [{section}] {key}, item {where[1] + 1}"
    return f"{FILE}, [{section}.{key}] {shown(where[1])}"


def _claims(raw: Any, faults: list[str], warnings: list[str]) -> tuple[Claim, ...]:
    if not isinstance(raw, list) or not all(isinstance(item, dict) for item in raw):
        faults.append(f"{FILE}: a claim is written below a line [[claim]], with two brackets")
        return ()
    claims, known = [], tuple(Claim.model_fields)
    for n, given in enumerate(raw, start=1):
        warnings += _unknown(f"{FILE}, [[claim]] {n}: the key", given, known)
        try:
            claims.append(Claim.model_validate({k: given[k] for k in given if k in known}))
        except ValidationError as error:
            faults += [
                f"{FILE}, [[claim]] {n} {where[0]}: {said}"
                for where, said in field_faults(error, Claim)
            ]
    return tuple(claims)


def _free(name: str, raw: Any, faults: list[str]) -> dict[str, Any]:
    """A section whose keys the part that uses it knows."""
    if isinstance(raw, dict):
        return raw
    faults.append(f"{FILE}: {name} is a section; write [{name}] on a line, its keys below")
    return {}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _channel_faults(channels: Channels) -> list[str]:
    place = f"{FILE}, [channels]"
    faults = []
    if channels.drive is not None and channels.drive == channels.response:
        faults.append(
            f"{place}: response and drive are both channel {channels.drive}; "
            "give each its own, or leave drive out where there is none"
        )
    if channels.drive is not None and channels.drive_kind is None:
        faults.append(
            f"{place}: drive_kind is missing although there is a drive channel; "
            'give "force", "acceleration" or "voltage"'
        )
    if channels.drive is None and channels.drive_kind is not None:
        faults.append(
            f"{place}: drive is missing although drive_kind is given; "
            "give the channel's number, or leave both out"
        )
    if channels.full_scale_db is not None and channels.calibrator_db is not None:
        faults.append(
            f"{place}: full_scale_db and calibrator_db are both given; "
            "levels rest on one of the two, so leave one out"
        )
    return faults


def _length_faults(tone: Tone) -> list[str]:
    periods = tone.length_s * tone.fundamental_hz
    if periods >= LEAST_PERIODS:
        return []
    least = math.ceil(1000 * LEAST_PERIODS / tone.fundamental_hz) / 1000
    return [
        f"{FILE}, [tone] length_s: {tone.length_s:g} s hold only {periods:.1f} periods of "
        f"{tone.fundamental_hz:g} Hz; give at least {least:g}"
    ]


def _tap_faults(tap: Tap) -> list[str]:
    if tap.highest_hz is None or tap.highest_hz > tap.lowest_hz:
        return []
    return [
        f"{FILE}, [tap]: modes from {tap.lowest_hz:g} to {tap.highest_hz:g} Hz cannot be looked "
        "for; highest_hz must be above lowest_hz"
    ]


def _sweep_faults(sweep: Sweep) -> list[str]:
    place, given = f"{FILE}, [sweep]", sweep.model_dump()
    missing = [name for name, value in given.items() if value is None]
    if missing and len(missing) < len(given):
        verb = "is" if len(missing) == 1 else "are"
        return [f"{place}: {listed(missing)} {verb} missing; give all of what was played, or none"]
    if missing:
        return []
    if sweep.highest_hz < 2.0 * sweep.lowest_hz:
        return [f"{place}: highest_hz must be at least an octave (twice) above lowest_hz"]
    octaves = math.log(sweep.highest_hz / sweep.lowest_hz)
    needed = LEAST_CYCLES * octaves / sweep.lowest_hz
    if sweep.length_s < needed:
        return [
            f"{place} length_s: {sweep.length_s:g} s are too fast a sweep from "
            f"{sweep.lowest_hz:g} to {sweep.highest_hz:g} Hz; give at least {needed:.2g}"
        ]
    return []


def _plan_faults(plan: Plan) -> list[str]:
    """The same number twice in a list: the same take would be scheduled twice."""
    return [
        f"{FILE}, [plan] {name}: {value:g} is there twice; name it once"
        for name in ("probes", "drive_steps_db")
        for value in dict.fromkeys(getattr(plan, name))
        if getattr(plan, name).count(value) > 1
    ]


def _feature_faults(settings: Settings) -> list[str]:
    """Features that are not in the register, not comparable, twice there, or not primary."""
    decide, place = settings.decide, f"{FILE}, [decide]"
    faults = []
    for n, name in enumerate(decide.primary, start=1):
        faults += _comparable(f"{place} primary, item {n}", name)
        if name in decide.primary[: n - 1]:
            faults.append(f"{place} primary, item {n}: {shown(name)} is there twice; name it once")
    for name, limit in decide.limits.items():
        faults += _limit_faults(name, limit)
    for n, claim in enumerate(settings.claims, start=1):
        where = f"{FILE}, [[claim]] {n}"
        unfit = _comparable(f"{where} feature", claim.feature)
        faults += unfit
        if not unfit and decide.primary and claim.feature not in decide.primary:
            faults.append(
                f"{where} feature: a claim's feature is primary; "
                f"add {shown(claim.feature)} to primary under [decide]"
            )
        if claim.higher == claim.lower:
            faults.append(
                f"{where}: higher and lower are both {shown(claim.higher)}; name two woods"
            )
    return faults


def _comparable(place: str, name: str) -> list[str]:
    try:
        scale = find(name).scale
    except InputError as error:
        return [f"{place}: {fault}" for fault in error.faults]
    if scale == "none":
        return [f"{place}: {shown(name)} is never compared between woods; name another feature"]
    return []


def _limit_faults(name: str, limit: float) -> list[str]:
    place = f"{FILE}, [decide.limits]"
    unfit = _comparable(place, name)
    if unfit:
        return unfit
    if find(name).scale == "db" and limit <= 0:
        return [f"{place} {shown(name)}: {limit} does not fit; give a number of dB above 0"]
    if find(name).scale == "log" and limit <= 1:
        return [
            f"{place} {shown(name)}: {limit} does not fit; "
            "give a ratio above 1, as in 1.05 for five percent"
        ]
    return []


def claim_faults(settings: Settings, woods: Sequence[str]) -> list[str]:
    """Claims about a wood that no specimen under comparison has.

    Parameters
    ----------
    woods : the groups of specimens.csv that are under comparison.
    """
    return [
        f"{FILE}, [[claim]] {n} {key}: no specimen under comparison is of {shown(wood)}; "
        + (f'the nearest is "{nearest(wood, woods)}"; ' if woods else "")
        + f"give {listed(map(shown, woods), last='or') or 'a wood of specimens.csv'}"
        for n, claim in enumerate(settings.claims, start=1)
        for key, wood in (("higher", claim.higher), ("lower", claim.lower))
        if wood not in woods
    ]


def _bench_warnings(settings: Settings) -> list[str]:
    channels, warnings = settings.channels, []
    hum = mains_multiple(settings.tone.fundamental_hz)
    if hum:
        mains, k = hum
        warnings.append(
            f"{FILE}, [tone] fundamental_hz: {settings.tone.fundamental_hz:g} Hz sits on "
            f"{k} x {mains:g} Hz, where mains hum is; its harmonics cannot be told from the hum, "
            "so choose a frequency between, such as 172 Hz"
        )
    for key in ("full_scale_db", "calibrator_db"):
        if getattr(channels, key) is not None and channels.response_kind != "microphone":
            warnings.append(
                f"{FILE}, [channels] {key}: it is used only for a microphone; the levels of this "
                f"{channels.response_kind} stay relative"
            )
    return warnings
