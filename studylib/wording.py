"""Words for faults and warnings: how a value, a place or a near miss is put to the user.

Every fault of a study folder is one sentence: where it is, what is wrong, what would be
right. The models of `settings` and `rows` carry what would be right in the description of
each field, so that pydantic finds the fault and this file says it in our own words.

Functions: `shown`, `listed`, `nearest`, `gaps`, `slug`, `field_faults`.
"""

from __future__ import annotations

import difflib
import hashlib
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

LONGEST_SHOWN = 60
"""A value longer than this many characters is cut when it is quoted in a sentence."""


def shown(value: object) -> str:
    """A value as a sentence quotes it: text in quotes, control characters spelled out."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a section"
    if isinstance(value, list | tuple):
        return "a list"
    text = "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in str(value)
    )
    if len(text) > LONGEST_SHOWN:
        text = text[:LONGEST_SHOWN] + "..."
    return f'"{text}"' if isinstance(value, str) else text


def listed(items: Iterable[object], *, last: str = "and") -> str:
    """Items as a person lists them: "a, b and c"."""
    words = [str(item) for item in items]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"


def nearest(name: str, known: Sequence[str]) -> str:
    """The known name most like `name`; "" when nothing is known."""
    folded = {item.casefold(): item for item in reversed(known)}
    near = difflib.get_close_matches(name.casefold(), list(folded), n=1, cutoff=0.0)
    return folded[near[0]] if near else ""


def gaps(numbers: Iterable[int]) -> list[tuple[int, int, int]]:
    """Runs of whole numbers skipped when counting 1, 2, ... up to the largest.

    Returns
    -------
    list of (first skipped, last skipped, the number that follows), in order.
    """
    found, expected = [], 1
    for number in sorted(set(numbers)):
        if number > expected:
            found.append((expected, number - 1, number))
        expected = number + 1
    return found


def slug(text: str) -> str:
    """A name fit for a file on any system: letters, digits, "_", "." and "-" of ASCII.

    Letters lose their accents. Where a letter or digit has no ASCII form, six digits of the
    text's SHA-256 are added, so that two names in another script stay two names.
    """
    plain = unicodedata.normalize("NFKD", text)
    kept = "".join(c for c in plain if not unicodedata.combining(c))
    lost = any(c.isalnum() and not c.isascii() for c in kept)
    name = re.sub(r"[^A-Za-z0-9_.-]+", "_", kept).strip("_.-")[:80]
    # Windows keeps these names for devices, with or without an ending.
    reserved = re.fullmatch(r"(?i)(con|prn|aux|nul|com[0-9]|lpt[0-9])(\..*)?", name)
    if lost or reserved or not name:
        mark = hashlib.sha256(_bytes(text)).hexdigest()[:6]
        name = f"{name}-{mark}" if name and not reserved else f"x{name}-{mark}"
    return name


def _bytes(text: str) -> bytes:
    # A folder's name need not be UTF-8: what Python could not read of it stands as surrogates.
    return unicodedata.normalize("NFC", text).encode("utf-8", "surrogateescape")


def field_faults(
    error: ValidationError, model: type[BaseModel], *, cells: Mapping[str, str] | None = None
) -> list[tuple[tuple, str]]:
    """What pydantic found, in our own words.

    Parameters
    ----------
    error : as raised by `model.model_validate`.
    model : its fields' descriptions say what would be right, as in "a whole number from 1 up".
    cells : for a row of a table, the cells as written, which are then quoted.

    Returns
    -------
    list of (location inside the model, rest of the sentence); the caller puts the place before.
    """
    found = []
    for item in error.errors(include_url=False):
        location = tuple(part for part in item["loc"] if part != "[key]")
        right = _right(model, location)
        if item["type"] == "missing":
            said = f"is missing; give {right}"
        elif item["type"] == "value_error":
            said = str(item["ctx"]["error"])
        else:
            value = (cells or {}).get(location[0], item["input"])
            said = f"{shown(value)} does not fit; give {right}"
        found.append((location, said))
    return found


def _right(model: type[BaseModel], location: tuple) -> str:
    """The description of the innermost field that the location passes through."""
    right, inner = "a value that fits", model
    for part in location:
        fields = inner.model_fields if inner is not None else {}
        field = fields.get(part)
        if field is not None:
            right = field.description or right
            inner = _model_inside(field.annotation)
    return right


def _model_inside(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((m for m in map(_model_inside, get_args(annotation)) if m is not None), None)
