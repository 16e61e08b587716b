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
from functools import partial
from itertools import chain, starmap
from pathlib import Path
from typing import Any

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from studylib import codes, errors, register
from studylib.sheets import files, rows
from studylib.sheets.settings import (
    MAINS_HZ,
    Channels,
    Claim,
    Curve,
    Plan,
    Settings,
    Sweep,
    Tap,
    Tone,
    mains_multiple,
)
from studylib.words.text import nearest, shown

LEAST_PERIODS = 10
"""A tone's fit needs 8 periods; a little of a take is lost to a length that transforms fast."""

LEAST_CYCLES = 4.0
"""lowest_hz times the time in which a sweep grows e-fold: below, its own formulas fail."""

_KEYS = {
    one.alias or name: getattr(one.annotation, "model_fields", {})
    for name, one in Settings.model_fields.items()
} | {"claim": Claim.model_fields}
"""The keys of each section; none where the names are the user's own, as in [quality]."""

_UNKNOWN = "extra_forbidden"  # as pydantic calls it


def read_settings(path: Path) -> tuple[Settings, list[str], list[str]]:
    """What study.toml gives: settings (defaults where it is at fault), faults and warnings.

    With faults, the settings are only fit for finding further faults.
    """
    try:
        raw = _parse(files.read_text(path))
    except errors.InputError as error:
        return _checked({})[0], [*error.notes], []
    settings, found = _checked({"study": {}, **raw})
    bad = {item["loc"][:2] for item in found if item["type"] != _UNKNOWN}
    faults = [_fault_of(item) for item in found if item["type"] != _UNKNOWN]
    warnings = [
        _unknown(*item["loc"])
        for item in sorted(found, key=lambda item: len(item["loc"]))
        if item["type"] == _UNKNOWN
    ]
    if ("decide", "primary") in bad:
        # An empty list says that what is primary is not known, so that no claim is blamed.
        decide = settings.decide.model_copy(update={"primary": ()})
        settings = settings.model_copy(update={"decide": decide})
    for name, check in (
        ("channels", _channel_faults),
        ("tone", _length_faults),
        ("tap", partial(_range_faults, "settings.tap_range", "[tap]")),
        ("curve", partial(_range_faults, "settings.curve_range", "[curve]")),
        ("sweep", _sweep_faults),
        ("plan", _plan_faults),
    ):
        if name not in {section for section, *_ in bad}:
            faults += check(getattr(settings, name))
    faults += _feature_faults(settings)
    return settings, faults, warnings + _bench_warnings(settings)


def _fault(code: str, section: str, /, **fields: Any) -> str:
    """A note about a section of study.toml; `key` and `item` in it are part of the place."""
    return codes.note(code, file=files.TOML, section=section, **fields)


def _parse(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # too long a number, too deep a list
        line = re.search(r"at line ([0-9]+)", str(error))
        at_end = {"at_end": True} if isinstance(error, tomllib.TOMLDecodeError) else {}
        place = {"line": int(line[1])} if line else at_end
        # Python's own words are all that tells one kind of fault from the other.
        twice = re.search("overwrite|twice|redefine|mutate", str(error))
        raise errors.InputError(
            codes.note(
                "settings.key_twice" if twice else "settings.not_toml", file=files.TOML, **place
            )
        ) from None


def _checked(raw: dict[str, Any]) -> tuple[Settings, list[ErrorDetails]]:
    """The settings without all that does not fit, and what that is."""
    try:
        return Settings.model_validate(raw), []
    except ValidationError as error:
        found = error.errors(include_url=False)
    # Of a key at fault all that it holds, of a claim at fault the whole.
    gone = {item["loc"][: None if item["type"] == _UNKNOWN else 2] for item in found}
    kept = _without(raw, gone)
    kept["study"] = {"title": "?", "question": "?"} | kept.get("study", {})
    return Settings.model_validate(kept), found


def _without(held: Any, gone: set[tuple], *place: Any) -> Any:
    """A section, list or value without what lies at these places."""
    if isinstance(held, dict):
        return {
            name: _without(one, gone, *place, name)
            for name, one in held.items()
            if (*place, name) not in gone
        }
    if isinstance(held, list):
        return [
            _without(one, gone, *place, n) for n, one in enumerate(held) if (*place, n) not in gone
        ]
    return held


def _unknown(*where: Any) -> str:
    *inside, name = where
    place = {"section": _section(*inside)} if inside else {}
    known = tuple(_KEYS[inside[0]] if inside else _KEYS)
    return codes.note(
        "settings.unknown_key", file=files.TOML, **place, name=name, nearest=nearest(name, known)
    )


def _section(name: str, *inside: Any) -> str:
    return f"[[claim]] {inside[0] + 1}" if name == "claim" else f"[{name}]"


def _fault_of(item: ErrorDetails) -> str:
    """What pydantic found, as a note with its place."""
    name, *inside = item["loc"]
    if name == "claim" and len(inside) < 2:
        return codes.note("settings.claim_brackets", file=files.TOML)
    if not inside:
        return codes.note("settings.not_a_section", file=files.TOML, name=name)
    key, *inner = inside[name == "claim" :]
    fault = rows.field_fault(item, _KEYS[name].get(key) or Settings.model_fields[name])
    place = {
        "section": _section(*item["loc"]),
        "key": key if len(key) <= files.NAME else shown(key),
    }
    if inner and isinstance(inner[0], int):
        place["item"] = inner[0] + 1
    elif inner and name != "quality":
        place = {"section": f"[{name}.{key}]", "key": shown(inner[0])}
    return rows.placed(fault, file=files.TOML, **place)


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
    return codes.holding(
        (
            None not in (low, high) and high <= low,
            _fault(code, section, lowest_hz=low, highest_hz=high),
        )
    )


def _sweep_faults(sweep: Sweep) -> list[str]:
    given = sweep.model_dump()
    missing = [name for name, value in given.items() if value is None]
    if missing:
        return codes.holding(
            (
                len(missing) < len(given),
                _fault("settings.sweep_incomplete", "[sweep]", keys=missing),
            )
        )
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
                    codes.note("cells.repeated", file=files.TOML, **place, value=name),
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
            codes.note(
                "settings.no_feature", file=files.TOML, **place, **codes.fields_of(error.notes[0])
            )
        ]
    return (
        [codes.note("settings.not_compared", file=files.TOML, **place, name=name)]
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
