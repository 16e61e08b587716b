"""Read and check study.toml.

All its faults are found together. A key or section that is not known is a warning with the
nearest known name; the sections of parts that bring their own keys ([quality], [pluck]) are
passed on as they stand.

Functions: `read_settings`, `claim_faults`.
"""

import math
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import chain, starmap
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from studylib import codes, errors, register
from studylib.sheets import files, rows
from studylib.sheets.settings import (
    MAINS_HZ,
    Channels,
    Claim,
    Curve,
    Plan,
    Settings,
    StudySection,
    Sweep,
    Tap,
    Tone,
    mains_multiple,
)
from studylib.words.text import nearest, shown

FILE = "study.toml"

LEAST_PERIODS = 10
"""A tone's fit needs 8 periods; a little of a take is lost to a length that transforms fast."""

LEAST_CYCLES = 4.0
"""lowest_hz times the time in which a sweep grows e-fold: below, its own formulas fail."""

_FREE = ("quality", "pluck")
_MODELS = {
    name: field.annotation
    for name, field in Settings.model_fields.items()
    if name not in ("claims", *_FREE)
}
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
        raw = _parse(files.read_text(path))
    except errors.InputError as error:
        return Reading(
            Settings.model_construct(study=StudySection.model_construct()), error.notes, ()
        )
    faults: list[str] = []
    warnings = _unknown(raw, _SECTIONS)
    parts, bad = {}, {}
    for name, model in _MODELS.items():
        parts[name], bad[name] = _section(name, model, raw.get(name, {}), faults, warnings)
    if "primary" in bad["decide"]:
        # An empty list says that what is primary is not known, so that no claim is blamed.
        parts["decide"] = parts["decide"].model_copy(update={"primary": ()})
    claims = _claims(raw.get("claim", []), faults, warnings)
    free = {name: _free(name, raw.get(name, {}), faults) for name in _FREE}
    faults += [
        _fault(
            "cells.unfit", "[quality]", key=name, value=rows.quotable(value), right="right.number"
        )
        for name, value in free["quality"].items()
        if not _is_number(value)
    ]
    faults += [
        _fault("cells.too_long", "[quality]", key=shown(name), letters=len(name), most=files.NAME)
        for name in free["quality"]
        if len(name) > files.NAME
    ]
    free["quality"] = {k: float(v) for k, v in free["quality"].items() if _is_number(v)}
    settings = Settings.model_construct(**parts, **free, claims=claims)
    for name, check in (
        ("channels", _channel_faults),
        ("tone", _length_faults),
        ("tap", partial(_range_faults, "settings.tap_range", "[tap]")),
        ("curve", partial(_range_faults, "settings.curve_range", "[curve]")),
        ("sweep", _sweep_faults),
        ("plan", _plan_faults),
    ):
        if not bad[name]:
            faults += check(parts[name])
    faults += _feature_faults(settings)
    warnings += _bench_warnings(settings)
    return Reading(settings, tuple(faults), tuple(warnings))


def _fault(code: str, section: str, /, **fields: Any) -> str:
    """A note about a section of study.toml; `key` and `item` in it are part of the place."""
    return codes.note(code, file=FILE, section=section, **fields)


def _parse(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # too long a number, too deep a list
        line = re.search(r"at line ([0-9]+)", str(error))
        place = {"line": int(line[1])} if line else {}
        if isinstance(error, tomllib.TOMLDecodeError) and not line:
            place = {"at_end": True}
        # Python's own words are all that tells one kind of fault from the other.
        if re.search("overwrite|twice|redefine|mutate", str(error)):
            raise errors.InputError(codes.note("settings.key_twice", file=FILE, **place)) from None
        raise errors.InputError(codes.note("settings.not_toml", file=FILE, **place)) from None


def _unknown(raw: dict[str, Any], known: Sequence[str], **place: str) -> list[str]:
    return [
        codes.note("settings.unknown_key", file=FILE, **place, name=name, nearest=near)
        for name in raw
        if name not in known and (near := nearest(name, known))
    ]


def _section(
    name: str, model: type[BaseModel], raw: Any, faults: list[str], warnings: list[str]
) -> tuple[Any, set[str]]:
    """One section as its model, and its keys at fault, which the model then lacks or defaults."""
    if not isinstance(raw, dict):
        faults.append(codes.note("settings.not_a_section", file=FILE, name=name))
        return model.model_construct(), set(model.model_fields)
    made, found = _checked(model, raw, f"[{name}]", warnings)
    faults += [rows.placed(fault, file=FILE, **_place(name, where)) for where, fault in found]
    bad = {where[0] for where, _ in found}
    return made or model.model_construct(
        **{
            key: tuple(value) if isinstance(value, list) else value
            for key, value in raw.items()
            if key in model.model_fields and key not in bad
        }
    ), bad


def _checked(
    model: type[BaseModel], raw: dict[str, Any], section: str, warnings: list[str]
) -> tuple[Any, list[tuple[tuple, str]]]:
    """The model, or None and what does not fit; keys that are not known become warnings."""
    known = tuple(model.model_fields)
    warnings += _unknown(raw, known, section=section)
    try:
        return model.model_validate({key: raw[key] for key in raw if key in known}), []
    except ValidationError as error:
        return None, rows.field_faults(error, model)


def _place(section: str, where: tuple) -> dict[str, Any]:
    key, *inside = where
    if not inside:
        return {"section": f"[{section}]", "key": key}
    return (
        {"section": f"[{section}]", "key": key, "item": inside[0] + 1}
        if isinstance(inside[0], int)
        else {"section": f"[{section}.{key}]", "key": shown(inside[0])}
    )


def _claims(raw: Any, faults: list[str], warnings: list[str]) -> tuple[Claim, ...]:
    if not isinstance(raw, list) or not all(isinstance(item, dict) for item in raw):
        faults.append(codes.note("settings.claim_brackets", file=FILE))
        return ()
    claims = []
    for n, given in enumerate(raw, start=1):
        section = f"[[claim]] {n}"
        claim, found = _checked(Claim, given, section, warnings)
        claims += [claim] if claim is not None else []
        faults += [rows.placed(f, file=FILE, section=section, key=where[0]) for where, f in found]
    return tuple(claims)


def _free(name: str, raw: Any, faults: list[str]) -> dict[str, Any]:
    """A section whose keys the part that uses it knows."""
    if isinstance(raw, dict):
        return raw
    faults.append(codes.note("settings.not_a_section", file=FILE, name=name))
    return {}


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _channel_faults(channels: Channels) -> list[str]:
    drive, kind = channels.drive, channels.drive_kind
    levels = (channels.full_scale_db, channels.calibrator_db)
    here = "[channels]"
    return codes.holding(
        (
            drive is not None and drive == channels.response,
            _fault("settings.same_channel", here, channel=drive),
        ),
        (drive is not None and kind is None, _fault("settings.no_drive_kind", here)),
        (drive is None and kind is not None, _fault("settings.no_drive", here)),
        (None not in levels, _fault("settings.two_levels", here)),
    )


def _length_faults(tone: Tone) -> list[str]:
    periods = tone.length_s * tone.fundamental_hz
    few = _fault(
        "settings.few_periods",
        "[tone]",
        key="length_s",
        length_s=tone.length_s,
        fundamental_hz=tone.fundamental_hz,
        periods=periods,
        least_s=math.ceil(1000 * LEAST_PERIODS / tone.fundamental_hz) / 1000,
    )
    return codes.holding((periods < LEAST_PERIODS, few))


def _range_faults(code: str, section: str, found: Tap | Curve) -> list[str]:
    low, high = found.lowest_hz, found.highest_hz
    fault = _fault(code, section, lowest_hz=low, highest_hz=high)
    return codes.holding((None not in (low, high) and high <= low, fault))


def _sweep_faults(sweep: Sweep) -> list[str]:
    given = sweep.model_dump()
    missing = [name for name, value in given.items() if value is None]
    if missing:
        incomplete = _fault("settings.sweep_incomplete", "[sweep]", keys=missing)
        return codes.holding((len(missing) < len(given), incomplete))
    narrow = sweep.highest_hz < 2.0 * sweep.lowest_hz
    least = LEAST_CYCLES * math.log(sweep.highest_hz / sweep.lowest_hz) / sweep.lowest_hz
    fast = _fault("settings.sweep_fast", "[sweep]", key="length_s", **given, least_s=least)
    return codes.holding(
        (narrow, _fault("settings.sweep_narrow", "[sweep]")),
        (not narrow and sweep.length_s < least, fast),
    )


def _plan_faults(plan: Plan) -> list[str]:
    """The same number twice in a list: the same take would be scheduled twice."""
    return [
        _fault("cells.repeated", "[plan]", key=name, value=value)
        for name in ("probes", "drive_steps_db")
        for value in dict.fromkeys(getattr(plan, name))
        if getattr(plan, name).count(value) > 1
    ]


def _feature_faults(settings: Settings) -> list[str]:
    """Features that are not in the register, not comparable, twice there, or not primary."""
    primary = settings.decide.primary
    faults = []
    for n, name in enumerate(primary, start=1):
        place = {"section": "[decide]", "key": "primary", "item": n}
        faults += [
            *_comparable(name, **place),
            *codes.holding(
                (
                    name in primary[: n - 1],
                    codes.note("cells.repeated", file=FILE, **place, value=name),
                )
            ),
        ]
    faults += chain.from_iterable(starmap(_limit_faults, settings.decide.limits.items()))
    for n, claim in enumerate(settings.claims, start=1):
        section, name = f"[[claim]] {n}", claim.feature
        beside = _fault("settings.claim_not_primary", section, key="feature", name=name)
        one_wood = _fault("settings.claim_one_wood", section, wood=claim.higher)
        faults += [
            *(
                _comparable(name, section=section, key="feature")
                or codes.holding((primary and name not in primary, beside))
            ),
            *codes.holding((claim.higher == claim.lower, one_wood)),
        ]
    return faults


def _comparable(name: str, **place: Any) -> list[str]:
    try:
        scale = register.find(name).scale
    except errors.InputError as error:
        return [
            codes.note("settings.no_feature", file=FILE, **place, **codes.fields_of(error.notes[0]))
        ]
    return (
        [codes.note("settings.not_compared", file=FILE, **place, name=name)]
        if scale == "none"
        else []
    )


def _limit_faults(name: str, limit: float) -> list[str]:
    if unfit := _comparable(name, section="[decide.limits]"):
        return unfit
    least, right = {"db": (0, "right.limit_db"), "log": (1, "right.limit_ratio")}[
        register.find(name).scale
    ]
    return (
        []
        if limit > least
        else [_fault("cells.unfit", "[decide.limits]", key=shown(name), value=limit, right=right)]
    )


def claim_faults(settings: Settings, woods: Sequence[str]) -> list[str]:
    """Claims about a wood that no specimen under comparison has.

    Parameters
    ----------
    woods : the groups of specimens.csv that are under comparison.
    """
    return [
        _fault(
            "settings.claim_unknown_wood",
            f"[[claim]] {n}",
            key=key,
            value=wood,
            nearest=nearest(wood, woods),
            woods=list(woods),
        )
        for n, claim in enumerate(settings.claims, start=1)
        for key, wood in (("higher", claim.higher), ("lower", claim.lower))
        if wood not in woods
    ]


def _bench_warnings(settings: Settings) -> list[str]:
    channels, fundamental_hz = settings.channels, settings.tone.fundamental_hz
    at_tone = {"key": "fundamental_hz", "fundamental_hz": fundamental_hz}
    given = settings.bench.mains_hz
    mains = (given,) if given else MAINS_HZ
    above = [k for k in settings.on_mains(given) if k > 1] if given else []
    return [
        *(
            _fault("settings.on_the_mains", "[tone]", **at_tone, mains_hz=hz, multiple=k)
            for hz, k in filter(None, [mains_multiple(fundamental_hz, mains)])
        ),
        *(
            _fault(
                "settings.harmonic_on_mains",
                "[tone]",
                **at_tone,
                mains_hz=given,
                multiples=above,
            )
            for _ in above[:1]
        ),
        *(
            _fault("settings.level_unused", "[channels]", key=key, kind=channels.response_kind)
            for key in ("full_scale_db", "calibrator_db")
            if channels.response_kind != "microphone" and getattr(channels, key) is not None
        ),
    ]
