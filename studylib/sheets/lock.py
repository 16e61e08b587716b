"""The lock: claims and choices of the analysis as they were before the first recording.

`study lock` writes `lock.json`: the settings that the analysis hangs on, the boards, when, how many
takes were recorded by then, and a SHA-256 over settings and boards, short enough to be sent to
somebody or read out in a video, after which nobody can change the lock unseen. Nothing is forbidden
afterwards: what changed is listed, and the report shows the list.

Functions: `read_lock`, `write_lock`, `changes_since`. Class: `Lock`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from studylib.errors import InputError
from studylib.sheets.rows import Specimen
from studylib.sheets.settings import Settings
from studylib.words.text import listed, shown
from studylib.writing import read_json, write_json

LOCK = "lock.json"
SECTIONS = ("study", "channels", "tone", "tap", "sweep", "wood", "decide", "quality", "claims")


@dataclass(frozen=True)
class Lock:
    """What was locked.

    locked : when, ISO 8601.  sha256 : of `content`.  recorded : takes recorded by then.
    content : settings by section, and the ids of the boards, as plain data.
    """

    locked: str
    sha256: str
    recorded: int
    content: dict[str, Any]

    @property
    def whole(self) -> bool:
        """The content is the one that the SHA-256 was taken of."""
        return _digest(self.content) == self.sha256


def read_lock(folder: Path) -> Lock | None:
    """The lock of a study; None where it was never locked.

    Raises
    ------
    InputError : the file is there but cannot be read.
    """
    if not (folder / LOCK).exists():
        return None
    found = read_json(folder / LOCK)
    try:
        return Lock(
            str(found["locked"]),
            str(found["sha256"]),
            int(found["recorded"]),
            {"settings": dict(found["settings"]), "specimens": list(found["specimens"])},
        )
    except (KeyError, TypeError, ValueError):
        raise InputError(
            f"{LOCK} cannot be read as what `study lock` wrote; put the file back as it was"
        ) from None


def write_lock(
    folder: Path,
    settings: Settings,
    specimens: Sequence[Specimen],
    *,
    recorded: int,
    when: datetime,
) -> Lock:
    """Lock the study as it stands.

    Raises
    ------
    InputError : it is locked already.
    """
    before = read_lock(folder)
    if before is not None:
        raise InputError(
            f"the study was locked on {before.locked} (SHA-256 {before.sha256}); a lock is not "
            "made twice, and what changes after it is listed in the report"
        )
    content = _content(settings, specimens)
    lock = Lock(when.isoformat(timespec="minutes"), _digest(content), recorded, content)
    write_json(
        folder / LOCK,
        {"locked": lock.locked, "sha256": lock.sha256, "recorded": recorded, **content},
    )
    return lock


def changes_since(lock: Lock, settings: Settings, specimens: Sequence[Specimen]) -> list[str]:
    """What is not as it was locked, one sentence each; none where all is."""
    then, now = lock.content, _content(settings, specimens)
    said = []
    if not lock.whole:
        said.append(f"{LOCK} itself was changed: its content no longer has its SHA-256.")
    for section in SECTIONS:
        old, new = then["settings"].get(section), now["settings"][section]
        if section == "claims":
            said += _claims(old or [], new)
        elif old != new:
            said += _keys(section, _as_it_stood(section, old or {}), new)
    gone = [name for name in then["specimens"] if name not in now["specimens"]]
    added = [name for name in now["specimens"] if name not in then["specimens"]]
    if gone:
        said.append(f"specimens.csv: {listed(map(shown, gone))} taken out.")
    if added:
        said.append(f"specimens.csv: {listed(map(shown, added))} added.")
    return said


def _content(settings: Settings, specimens: Iterable[Specimen]) -> dict[str, Any]:
    sections = settings.model_dump(mode="json", include=set(SECTIONS))
    plain = json.loads(json.dumps(sections))
    return {"settings": plain, "specimens": [s.specimen for s in specimens]}


def _digest(content: Mapping[str, Any]) -> str:
    text = json.dumps(content, sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _as_it_stood(section: str, old: Mapping[str, Any]) -> dict[str, Any]:
    """The section with the defaults of keys that came into being after it was locked."""
    fields = getattr(Settings.model_fields[section].annotation, "model_fields", {})
    later = {
        name: json.loads(json.dumps(field.get_default(call_default_factory=True)))
        for name, field in fields.items()
        if name not in old and not field.is_required()
    }
    return {**old, **later}


def _keys(section: str, old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    names = dict.fromkeys([*old, *new])
    return [
        f"study.toml, [{section}] {name}: {_value(old, name)} when locked, {_value(new, name)} now."
        for name in names
        if old.get(name) != new.get(name)
    ]


def _value(section: Mapping[str, Any], name: str) -> str:
    value = section.get(name)
    if value is None:
        return "not set"
    return shown(value) if isinstance(value, str) else json.dumps(value, ensure_ascii=False)


def _claims(old: Sequence[Mapping[str, str]], new: Sequence[Mapping[str, str]]) -> list[str]:
    said = [f"Claim taken out: {shown(one['text'])}." for one in old if one not in new]
    return said + [f"Claim added: {shown(one['text'])}." for one in new if one not in old]
