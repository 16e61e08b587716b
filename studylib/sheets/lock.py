"""The lock: what decides, written down row by row before the first recording.

`study lock` adds an entry to lock.json: the settings that the analysis depends on, the claims,
every board with its wood, plank, role and sizes as specimens.csv has them, every take with its
board and whether it is left out, the keys of a blind study, the library's version, when, how many
takes were recorded by then, and what theory expects of the boards. Its SHA-256 is short enough to
be sent to somebody or read out in a video, after which nobody can change the lock unseen
(`verified` tells a third person).

Nothing is forbidden afterwards: what changed is listed, before and after. An amended lock is added
below the old one, which stays; it counts from then on only if nothing was recorded by then. Each
stage of a study has its own lock, which holds its own boards and takes.

Functions: `read_locks`, `add_lock`, `lock_of`, `changes_since`, `touches_verdicts`, `verified`.
Class: `Lock`.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib import metadata
from pathlib import Path
from typing import Any

from studylib import codes, errors, writing
from studylib.sheets import blinding, files, records, rows
from studylib.sheets.settings import Settings

LOCK = "lock.json"
SECTIONS = (
    *("study", "channels", "tone", "tap", "sweep", "curve", "wood", "decide", "quality"),
    "listen",
)
OF_TAKES = ("batch", "kind", "specimen", "mount", "tone_hz", "support", "exclude")
LISTEN = "[listen]"  # decides on what is heard, and on nothing else
ASKED = ("title", "question", "licence", "text", "note", "grain")  # what no number depends on


@dataclass(frozen=True)
class Lock:
    """One entry of lock.json.

    content : all of it but its SHA-256, as plain data: locked (when, ISO 8601), stage, recorded
        (takes by then), amends (SHA-256 of the lock before it, or ""), library, settings by
        section, claims, specimens and takes by id, keys (file -> SHA-256); since there is one also
        expected (`report.predicted.expected`).
    """

    sha256: str
    content: Mapping[str, Any]

    @property
    def whole(self) -> bool:
        """The content is the one that the SHA-256 was taken of."""
        return _digest(self.content) == self.sha256


def read_locks(folder: Path) -> tuple[Lock, ...]:
    """The locks of a study, oldest first; none where it was never locked.

    Raises
    ------
    InputError : the file is there but cannot be read.
    """
    return records.read_record(
        folder, LOCK, "lock", lambda record: tuple(map(_entry, record["locks"]))
    )


def _entry(found: dict[str, Any]) -> Lock:
    content = {name: value for name, value in found.items() if name != "sha256"}
    if not all(isinstance(content[name], kind) for name, kind in _KINDS.items()):
        raise TypeError
    return Lock(str(found["sha256"]), content)


_KINDS = {
    "locked": str, "stage": int, "recorded": int, "amends": str, "library": str,
    "settings": dict, "claims": list, "specimens": dict, "takes": dict, "keys": dict,
}  # fmt: skip


def lock_of(locks: Iterable[Lock], stage: int) -> Lock | None:
    """The lock that counts for a stage: its last one from before the first recording, or its
    first."""
    own = [lock for lock in locks if lock.content["stage"] == stage]
    early = [lock for lock in own if not lock.content["recorded"]]
    return (early or own or [None])[-1 if early else 0]


def decided(
    settings: Settings,
    specimens: Iterable[rows.Specimen],
    takes: Iterable[rows.Take],
    keys: Iterable[blinding.Blinding],
) -> dict[str, Any]:
    """What a lock holds of a study as it stands, as plain data.

    specimens : as specimens.csv has them, coded or not.  takes : recorded or not.
    """
    apart = {"specimen", "source_assumed", "covariates", "own_name", "row"}
    content = json.dumps(
        {
            "settings": settings.model_dump(mode="json", include={*SECTIONS}),
            "claims": [claim.model_dump(mode="json") for claim in settings.claims],
            "specimens": {
                s.specimen: {**s.model_dump(exclude=apart), **s.covariates} for s in specimens
            },
            "takes": {t.take: {name: getattr(t, name) for name in OF_TAKES} for t in takes},
            "keys": {key.key: key.sha256 for key in keys},
        }
    )
    return json.loads(content)


def add_lock(
    folder: Path,
    content: Mapping[str, Any],
    *,
    stage: int,
    recorded: int,
    when: datetime,
    amend: bool = False,
) -> Lock:
    """Lock a stage as it stands, or amend its lock.

    Parameters
    ----------
    content : from `decided`, with whatever else is to be sealed.
    recorded : takes of the stage that are recorded already.

    Raises
    ------
    InputError : it is locked already, and is not to be amended.
    """
    locks = read_locks(folder)
    own = [lock for lock in locks if lock.content["stage"] == stage]
    if own and not amend:
        raise errors.InputError(
            codes.note(
                "records.locked_already", locked=own[0].content["locked"], sha256=own[0].sha256
            )
        )
    whole = {
        **content,
        "locked": records.minute(when),
        "stage": stage,
        "recorded": recorded,
        "amends": own[-1].sha256 if own else "",
        "library": version_of(),
    }
    made = Lock(_digest(whole), whole)
    writing.write_together(
        folder,
        {
            LOCK: writing.json_text(
                {"locks": [{**lock.content, "sha256": lock.sha256} for lock in (*locks, made)]}
            )
        },
    )
    return made


def version_of(name: str = "studylib") -> str:
    """The version of a distribution, or "" where it is not installed."""
    try:
        return metadata.version(name)
    except metadata.PackageNotFoundError:
        return ""


def changes_since(lock: Lock, now: Mapping[str, Any]) -> list[str]:
    """What is not as it was locked, one note each; none where all is.  now : from `decided`."""
    then = lock.content
    changes = [] if lock.whole else [codes.note("records.lock_changed", file=LOCK)]
    for section, keys in now["settings"].items():
        # The section with the defaults of keys that came into being after it was locked.
        old = then["settings"].get(section, {})
        fields = getattr(Settings.model_fields[section].annotation, "model_fields", {})
        later = {
            name: json.loads(json.dumps(field.get_default(call_default_factory=True)))
            for name, field in fields.items()
            if name not in old and not field.is_required()
        }
        # Keys that are no more count where they said something.
        before = {name: said for name, said in old.items() if said or name in keys} | later
        changes += [
            codes.note(
                "records.setting_changed",
                **{"file": files.TOML, "section": f"[{section}]", "key": key},
                before=before.get(key),
                now=keys.get(key),
            )
            for key in dict.fromkeys([*before, *keys])
            if before.get(key) != keys.get(key)
        ]
    version = version_of()
    return [
        *changes,
        *(
            codes.note(code, claim=claim["text"])
            for code, ours, theirs in (
                ("records.claim_removed", then, now),
                ("records.claim_added", now, then),
            )
            for claim in ours["claims"]
            if claim not in theirs["claims"]
        ),
        *_rows_changed(files.SPECIMENS, then["specimens"], now["specimens"]),
        *_rows_changed(files.TAKES, then["takes"], now["takes"]),
        *(
            codes.note("records.key_changed", file=blinding.BLINDING, key=key)
            for key, sha in then["keys"].items()
            if now["keys"].get(key) != sha
        ),
        *codes.holding(
            (
                then["library"] != version,
                codes.note("records.library_changed", before=then["library"], now=version),
            )
        ),
    ]


def _rows_changed(file: str, before: Mapping, now: Mapping) -> list[str]:
    """Rows that have gone or come, and the cells of a column that are not as they were."""
    gone, come = ([n for n in a if n not in b] for a, b in ((before, now), (now, before)))
    changes = [
        codes.note(code, file=file, names=names)
        for code, names in (("records.rows_removed", gone), ("records.rows_added", come))
        if names
    ]
    kept = [(name, before[name], now[name]) for name in before if name in now]
    # A column that came into being after the lock, or went, was empty where it is not.
    cells = files.grouped(
        (column, {"name": name, "before": old.get(column), "now": new.get(column)})
        for name, old, new in kept
        for column in dict.fromkeys([*old, *new])
        if old.get(column) != new.get(column)
        and (column in old.keys() & new.keys() or old.get(column) or new.get(column))
    )
    return changes + [
        codes.note("records.cells_changed", file=file, column=column, cells=found)
        for column, found in cells.items()
    ]


def touches_verdicts(changes: Iterable[str]) -> list[str]:
    """The changes on which a measured number or its verdict may depend: all but the wording of
    title, question and remarks, the library's version, and the blind test by ear."""
    return [
        change
        for change in changes
        if codes.code_of(change) != "records.library_changed"
        and codes.fields_of(change).get("section") != LISTEN
        and not {codes.fields_of(change).get("key"), codes.fields_of(change).get("column")}
        & set(ASKED)
    ]


def verified(locks: Sequence[Lock], sha256: str) -> Lock:
    """The lock that somebody else holds the SHA-256 of.

    Raises
    ------
    InputError : there is none, or its content is no longer the one that the SHA-256 was taken of.
    """
    found = [lock for lock in locks if lock.sha256 == sha256.strip().lower()]
    errors.InputError.refuse(
        not found,
        "records.other_lock",
        file=LOCK,
        sha256=sha256,
        known=[lock.sha256 for lock in locks],
    )
    errors.InputError.refuse(not found[0].whole, "records.lock_edited", file=LOCK)
    return found[0]


def _digest(content: Mapping[str, Any]) -> str:
    return hashlib.sha256(
        json.dumps(content, sort_keys=True, ensure_ascii=True).encode("ascii")
    ).hexdigest()
