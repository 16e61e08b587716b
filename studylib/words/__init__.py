"""The one room that knows sentences.

The rest of the library passes codes and numbers; here each code has its template, a Jinja2 macro
in `en/<chapter>.j2` whose arguments are the fields of the note. A template chooses words and never
computes. A second language is a second folder beside `en`.

In a template stand, beside Jinja2's own means,
- as filters, the formatters of `numbers` and `text` (`{{ level|signed }}`, `{{ names|listed }}`);
- `say(note)`, the sentence of another note; as a filter too (`{{ notes|map("say")|listed }}`);
- `feature(name)`, a feature in plain words, a filter too; the filter `features` for several,
  those of one kind together; `term(name)`, a term of the glossary, explained.

White space in a template file is folded: a line break is a space.

Functions: `say`, `said`, `in_words`, `is_note`, `feature`, `features`, `term`, `table`, `column`,
`glossary`, `chapters`.
"""

import re
import tomllib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import lru_cache
from pathlib import Path
from typing import Any

from jinja2 import (
    Environment,
    FileSystemBytecodeCache,
    FunctionLoader,
    StrictUndefined,
    TemplateNotFound,
)

from studylib.codes import code_of, each, fields_of
from studylib.words import numbers, text

__all__ = ["feature", "in_words", "said", "say", "term"]

FOLDER = Path(__file__).parent / "en"
_CODE = re.compile(r"[a-z_]+\.[a-z0-9_]+(?: \{.*)?")
# A feature: what stands before its number, the number, and the rest.
_NUMBERED = re.compile(r"(?:(.*?[a-z])(\d+(?:\.\d+)?)(?=\.))?(.*)")


def say(note: str, /, **fields: Any) -> str:
    """The sentence of a note, or of a code with its fields.

    Parameters
    ----------
    note : as made by `codes.note`; or a code, with its fields as keywords. The notes of
        a cell are said one behind the other, as `said` does. Text that is no note stands as it is,
        such as what another program said of its own failure.

    Returns
    -------
    One or more sentences, or the few words that a heading or label needs.

    Raises
    ------
    LookupError : no template of that chapter or name.
    TypeError : a field that the template does not know.
    jinja2.UndefinedError : a field that the template needs and did not get.

    Examples
    --------
    >>> say("features.tone_h_rel_db", number=3)
    'level of harmonic 3 relative to the fundamental'
    """
    return _sentence(str(note)) if not fields else _rendered(str(note), fields)


def said(cell: str, *, between: str = "; ") -> str:
    """The sentences of all notes in a cell, one behind the other.

    Parameters
    ----------
    cell : no note, one, or several (`codes.several`).
    between : what stands between two that do not end with a full stop.

    Returns
    -------
    The sentences; "" for no note.
    """
    told = ""
    for sentence in map(say, each(cell)):
        told += f" {sentence}" if told.endswith(".") else between * bool(told) + sentence
    return told


def is_note(text: str) -> bool:
    """Whether a text is a note that this room has words for, or several, one a line."""
    return bool(text) and all(_has_template(line) for line in text.split("\n"))


def in_words(cell: object) -> str:
    """A cell as it is shown: notes as their sentences, any other text as it stands.

    Parameters
    ----------
    cell : notes, a name, a number.

    Returns
    -------
    The text to show.
    """
    text = str(cell)
    return said(text) if is_note(text) else text


def feature(name: str) -> str:
    """A feature in plain words, as in "level of harmonic 3 relative to the fundamental".

    Parameters
    ----------
    name : a feature, such as "tone.h3.rel_db".

    Returns
    -------
    Its meaning, without a unit; the name itself for a feature that a caller added.
    """
    return features([name])[0]


def features(names: Iterable[str]) -> list[str]:
    """Features in plain words, those that differ in their number alone as one: "level of harmonic 2
    and 6 to 20"."""
    kinds: dict[str, list[str]] = {}
    for name in names:
        kind, number, rest = _NUMBERED.fullmatch(name).groups("")
        code = f"features.{kind}{rest}".replace(".", "_").replace("_", ".", 1)
        kinds.setdefault(code if _has_template(code) else name, []).append(number)
    return [
        code
        if not _has_template(code)
        else say(code, number=text.runs(own))
        if own[0]
        else say(code)
        for code, own in kinds.items()
    ]


def term(name: str) -> str:
    """A term of the glossary with its explanation: "degrees of freedom (df: ...)".

    Parameters
    ----------
    name : the term's key in `en/glossary.toml`.

    Returns
    -------
    The term and, in brackets, what it means.

    Raises
    ------
    LookupError : the glossary has no such term.
    """
    found = glossary().get(name)
    if found is None:
        raise LookupError(f"no term {name!r} in the glossary")
    return f"{found['name']} ({found['meaning']})"


def table(name: str) -> str:
    """What a table of `tables.TABLES` is about, in one sentence."""
    return _columns()["tables"][name]


def column(table: str, name: str) -> str:
    """What a column means: in this table, or wherever it stands."""
    own, everywhere = _columns().get(table, {}), _columns()["any"]
    return own[name] if name in own else everywhere[name]


@lru_cache(maxsize=1)
def glossary() -> Mapping[str, Mapping[str, str]]:
    """All terms: key -> name, meaning."""
    return tomllib.loads((FOLDER / "glossary.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=1)
def chapters() -> dict[str, frozenset[str]]:
    """Every chapter with the names of its templates."""
    return {
        path.stem: frozenset(re.findall(r"{%-?\s*macro\s+(\w+)", path.read_text(encoding="utf-8")))
        for path in sorted(FOLDER.glob("*.j2"))
    }


def _chapter(template: str) -> str | None:
    """A template file with its white space folded; None where there is none."""
    path = FOLDER / f"{template}.j2"
    return re.sub(r"[ \t\n]+", " ", path.read_text(encoding="utf-8")) if path.is_file() else None


@lru_cache(maxsize=1)
def _environment() -> Environment:
    kept = None
    with suppress(RuntimeError, OSError):  # somebody else's folder stands in its place: do without
        # What one run has compiled the next ones read.
        kept = FileSystemBytecodeCache()
    made = Environment(
        loader=FunctionLoader(_chapter),
        undefined=StrictUndefined,
        auto_reload=False,
        bytecode_cache=kept,
    )
    for room in (numbers, text):
        made.filters.update({name: getattr(room, name) for name in room.FILTERS})
    made.filters.update(say=say, feature=feature, features=features)
    made.globals.update(say=say, said=said, feature=feature, term=term)
    return made


@lru_cache(maxsize=1)
def _columns() -> dict[str, dict[str, str]]:
    return tomllib.loads((FOLDER / "columns.toml").read_text(encoding="utf-8"))


@lru_cache(maxsize=8192)
def _has_template(note: str) -> bool:
    chapter, _, name = code_of(note).partition(".")
    return bool(_CODE.fullmatch(note)) and name in chapters().get(chapter, ())


@lru_cache(maxsize=8192)
def _sentence(note: str) -> str:
    if "\n" in note and is_note(note):
        return said(note)
    return _rendered(code_of(note), fields_of(note)) if _CODE.fullmatch(note) else note


def _rendered(code: str, fields: Mapping[str, Any]) -> str:
    chapter, _, name = code.partition(".")
    try:
        macro = getattr(_environment().get_template(chapter).module, name)
    except (TemplateNotFound, AttributeError):
        raise LookupError(f"no template {name!r} in the chapter {chapter!r}") from None
    # A macro that calls another leaves spaces around it.
    return re.sub(r" +(?= |[,;.:)](?: |$))", "", str(macro(**fields))).strip()
