"""A study begins: a folder that is ready for its first recording, and what is added to it later.

A new folder is a simple study: one microphone, one tone and taps, every board set up twice. The
answers to a few questions make study.toml and the rows of specimens.csv; the rest is the texts of
`new_study/` beside this file: a README that goes through the first hour and explains every column,
`every_key.toml` with every key of study.toml and its default, and what a folder that is published
by itself needs (a licence to choose, how to cite it, what git leaves out, the report made again).
Rows of takes.csv are a schedule and come from `bench.schedule`.

The same bench on new wood begins with the study.toml of another study: its bench, its plan and the
choices of its analysis, limits among them, in its own lines. Title and question are new, and what
was about its woods and boards stays behind: claims, a pilot, schedule, lock and keys. Of its boards
the reference and the changed one come along, because they belong to the bench.

What is added later changes keys of study.toml, line by line, so that all else that stands there
stays. A change counts only when the file then holds these keys with these values, and everything
else as before; a key that its owner has set to something else is left alone and told.

Functions: `woods_of`, `boards_of`, `trees_of`, `kind_of`, `tone_of`, `free_place`,
`write_new`, `add_to`, `with_keys`.
"""

import json
import re
import tomllib
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from importlib import metadata, resources
from itertools import count, islice
from pathlib import Path
from string import Template, ascii_uppercase
from typing import Any

from studylib import codes, errors, writing
from studylib.sheets import settings, settings_file
from studylib.sheets.files import (
    SPECIMENS,
    TAKES,
    TOML,
    number,
    read_table,
    read_text,
    reason_of,
    table_text,
    whole,
)
from studylib.sheets.rows import SPECIMEN_COLUMNS, TAKE_COLUMNS
from studylib.sheets.study import Study
from studylib.words import say

SIMPLE = {
    "mounts": 2,
    "takes": 1,
    "batches": 1,
    "controls": False,
    "probes": [],
    "drive_steps_db": [-12.0],
    "tap_places": 1,
    "free_taps": 0,
}
"""[plan] of a simple study; what is added later gives these keys their defaults."""

PINNED = (
    *("numpy", "scipy", "pandas", "matplotlib", "soundfile", "pydantic", "jinja2"),
    *("papermill", "nbconvert", "ipykernel"),
)
"""What a report's numbers and pages are made with: a new study keeps their versions."""

LATER = {
    "controls": ("controls", "probes", "drive_steps_db"),
    "schedule": ("mounts", "takes", "batches", "tap_places", "free_taps"),
}


CLAIM = r"(?ms)^[ \t]*\[\[[ \t]*claim[ \t]*\]\].*?(?=^(?:[ \t]*(?:#[^\n]*|\r?)\n)*[ \t]*\[|\Z)"
"""A claim in study.toml, up to the remarks above the next header."""

_TEXT = r'"(?:\\.|[^"\\\r\n])*"|' + r"'[^'\r\n]*'"


def woods_of(text: str) -> tuple[str, ...]:
    """The names of two to eight woods, with commas between.

    One session of six hours holds twelve boards of eight woods.

    Raises
    ------
    InputError : fewer or more, one name twice, or a character that no sheet can hold.
    """
    woods = tuple(filter(None, (" ".join(name.split()) for name in re.split("[,;]", text))))
    return _fit(
        "woods",
        text,
        woods,
        text.isprintable() and 2 <= len({wood.casefold() for wood in woods}) == len(woods) <= 8,
    )


def boards_of(text: str) -> int:
    """How many boards of each wood."""
    return _answer("boards", text, whole, lambda boards: 1 <= boards <= 12)


def trees_of(text: str) -> bool:
    """Whether each board is from a tree of its own: y or n."""
    return _fit(
        "trees", word := text.strip().casefold(), word[:1] == "y", word in ("y", "yes", "n", "no")
    )


def kind_of(text: str) -> str:
    """What the drive channel senses."""
    return _fit("kind", text, text, text in settings.DRIVE_KINDS)


def tone_of(text: str) -> float:
    """The frequency of the tone in Hz."""
    return _answer(
        "tone", text, number, lambda hz: 20 <= hz <= 5000 and not settings.mains_multiple(hz)
    )


def _answer(name: str, text: str, read: Callable[..., Any], fits: Callable[[Any], bool]) -> Any:
    value = None
    with suppress(ValueError):
        value = read(text.strip(), comma=True)
    return _fit(name, text, value, value is not None and fits(value))


def _fit(name: str, text: str, value: Any, fits: bool) -> Any:
    errors.InputError.refuse(not fits, "new.unfit", name=name, value=text)
    return value


def write_new(
    folder: Path,
    *,
    woods: Sequence[str],
    boards: int,
    separate_trees: bool,
    tone_hz: float | None,
    bench: Path | None = None,
) -> None:
    """Write a study into a new or empty folder; takes.csv still without rows.

    Parameters
    ----------
    folder : made with its parents where it is not there.
    woods, boards, separate_trees, tone_hz : as the functions that read the answers give them.
    bench : the folder of a study whose bench it is to have, with its tone where `tone_hz` is None;
        None for a simple study.

    Raises
    ------
    InputError : the folder holds something already, is a file, or cannot be written to; the other
        study has faults, or lines that cannot be changed so that nothing else changes.
    """
    answers = SIMPLE | {
        "title": say("new.title", woods=woods),
        "question": say("new.question", woods=woods),
        "separate_trees": separate_trees,
        "boards": boards,
        "tone_hz": tone_hz,
    }
    pins = [f"{name}=={metadata.version(name)}" for name in PINNED]
    files = {
        **{
            path.name.replace("dot-", "."): path.read_text(encoding="utf-8")
            for path in (resources.files("studylib.sheets") / "new_study").iterdir()
        },
        SPECIMENS: table_text(SPECIMEN_COLUMNS, _rows(woods, boards), semicolons=False),
        TAKES: table_text(TAKE_COLUMNS, [], semicolons=False),
        "requirements.txt": "\n".join(
            [say("new.pins", version=metadata.version("studylib")), *pins, ""]
        ),
    }
    for name in (TOML, "CITATION.cff"):
        files[name] = Template(files[name]).substitute(
            {name: _toml(value) for name, value in answers.items()}
        )
    files |= _of_bench(bench, woods, answers) if bench else {}
    free_place(folder)
    try:
        (folder / "recordings" / "day1").mkdir(parents=True)
        writing.write_together(folder, files)
    except OSError as error:
        raise errors.InputError(
            codes.note("sheets.new_unwritable", folder=folder, reason=reason_of(error))
        ) from None


def free_place(folder: Path) -> None:
    """See that a new study can stand there.

    Raises
    ------
    InputError : the folder holds something already, or is a file.
    """
    errors.InputError.refuse(
        folder.exists() and not folder.is_dir(), "sheets.new_is_file", folder=folder
    )
    errors.InputError.refuse(
        folder.is_dir() and any(folder.iterdir()), "sheets.new_not_empty", folder=folder
    )


def _letters(woods: Sequence[str]) -> list[str]:
    """What the boards of each wood are called: the first letters of its name, or of its last word,
    where they tell the woods apart."""
    names = (woods, [wood.split()[-1] for wood in woods])
    cut = [[writing.slug(w)[:n].capitalize() for w in words] for words in names for n in (1, 2, 3)]
    apart = [c for c in cut if len(set(c)) == len(woods) and all(map(str.isalpha, c))]
    return [*apart, list(ascii_uppercase[: len(woods)])][0]


def _rows(
    woods: Sequence[str], boards: int, *, compare: str = "wood", taken: Collection[str] = ()
) -> list[dict[str, str]]:
    """Rows of specimens.csv: so many boards of each wood, under ids that are not taken."""
    return [
        {"specimen": name, compare: wood}
        for wood, letters in zip(woods, _letters(woods), strict=True)
        for name in islice(
            (i for i in map(f"{letters}{{}}".format, count(1)) if i not in taken), boards
        )
    ]


def _of_bench(bench: Path, woods: Sequence[str], answers: Mapping[str, Any]) -> dict[str, str]:
    """The three sheets for new wood on the bench of another study."""
    its_settings, faults, _ = settings_file.read_settings(bench / TOML)
    errors.InputError.refuse_all(faults)
    text, sheet = read_text(bench / TOML), read_table(bench / SPECIMENS)
    before = tomllib.loads(text)
    keys = {
        "study": {name: answers[name] for name in ("title", "question", "separate_trees")},
        "plan": {"boards": answers["boards"]}
        | ({"pilot": ""} if "pilot" in before.get("plan", {}) else {}),
    }
    keys |= {"tone": {"fundamental_hz": answers["tone_hz"]}} if answers["tone_hz"] else {}
    before.pop("claim", None)
    after = _edited(re.sub(CLAIM, "", text), before, keys)
    errors.InputError.refuse(not after, "new.other_lines", file=TOML)
    kept = [row.cells for row in sheet.rows if row.cells.get("role")]
    taken = {row.cells.get("specimen") for row in sheet.rows}
    new = _rows(woods, answers["boards"], compare=its_settings.study.compare, taken=taken)
    return {
        TOML: after,
        SPECIMENS: table_text(sheet.columns, [*kept, *new], semicolons=sheet.semicolons),
        TAKES: table_text(TAKE_COLUMNS, [], semicolons=sheet.semicolons),
    }


def _toml(value: Any) -> str:
    """A value as TOML has it: what JSON writes of texts, numbers, switches and lists is TOML."""
    return json.dumps(value, ensure_ascii=False)


def add_to(study: Study, what: str, drive: Mapping[str, Any]) -> list[str]:
    """Add to study.toml what a simple study goes without.

    Parameters
    ----------
    study : what its study.toml now holds decides what may be changed.
    what : "drive", or one of `LATER`.
    drive : its keys of [channels]; empty unless it is what is added.

    Returns
    -------
    the keys that were changed.

    Raises
    ------
    InputError : it is there already, a key of it is set to something else, or the lines of
        study.toml cannot be changed so that nothing else changes.
    """
    section, full = "channels" if drive else "plan", settings.Plan().model_dump(mode="json")
    now = getattr(study.settings, section).model_dump(mode="json")
    wanted = drive or {name: full[name] for name in LATER[what]}
    changed = {name: value for name, value in wanted.items() if now[name] != value}
    place = {"file": TOML, "section": f"[{section}]"}
    errors.InputError.refuse(not changed, "new.added_already", **place, what=what)
    errors.InputError.refuse(
        wanted.get("drive") == study.settings.channels.response,
        "settings.same_channel",
        **place,
        channel=wanted.get("drive"),
    )
    for name, value in changed.items():
        errors.InputError.refuse(
            now[name] != SIMPLE.get(name),
            "new.set_already",
            **place,
            what=what,
            key=name,
            now=_toml(now[name]),
            wanted=_toml(value),
        )
    text = read_text(study.folder / TOML)
    after = _edited(text, tomllib.loads(text), {section: changed})
    errors.InputError.refuse(
        not after,
        "new.by_hand",
        **place,
        what=what,
        lines=[f"{name} = {_toml(value)}" for name, value in changed.items()],
    )
    writing.write_whole(study.folder / TOML, after)
    return list(changed)


def _edited(text: str, before: Mapping[str, Any], keys: Mapping[str, Mapping[str, Any]]) -> str:
    """The text with keys of sections set; "" where it would not hold `before` with them alone."""
    for section, values in keys.items():
        before = {**before, section: before.get(section, {}) | values}
        text = with_keys(text, section, values)
    with suppress(tomllib.TOMLDecodeError):
        return text if tomllib.loads(text) == before else ""
    return ""


def with_keys(text: str, section: str, values: Mapping[str, Any]) -> str:
    """The text with keys of one section set, remarks behind them kept; the section is put at the
    end where there is none. Only lines that hold a key and its value whole are understood."""
    head = rf"(?m)^[ \t]*\[[ \t]*{section}[ \t]*\][^\n]*\n"
    text = text if re.search(head, text) else f"{text.rstrip()}\n\n[{section}]\n"
    found = re.search(head, text)
    body, *further = re.split(r"(?m)^(?=[ \t]*\[)", text[found.end() :], maxsplit=1)
    for name, value in values.items():
        line = rf"(?m)^([ \t]*{name}[ \t]*=[ \t]*)(?:{_TEXT}|[^#\r\n])*?([ \t]*(#[^\r\n]*)?\r?)$"
        body, count = re.subn(line, lambda m, v=value: f"{m[1]}{_toml(v)}{m[2]}", body)
        body = body if count else f"{name} = {_toml(value)}\n{body}"
    return text[: found.end()] + body + "".join(further)
