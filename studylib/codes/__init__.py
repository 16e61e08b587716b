"""Facts as codes: what the library found, before anyone has put it into words.

A code is "chapter.name", as in `taps.second_knock`; the file `words/en/<chapter>.j2` has its
sentence as a macro of that name. A *note* is a code with the numbers and names that belong to it,
written as one line of text, so that it lies in a table's cell, travels through a file and comes
back unchanged:

    taps.second_knock {"after_ms":41.5}

A cell holds no note (""), one, or several (one a line). Only `words.say` makes sentences of
them; whoever decides on something asks for the code, never for the words.

Contents: `Code`, `note`, `code_of`, `fields_of`, `several`, `each`, `has`, `holding`. A code is
written out where it is given; sets of codes that are gone through, ordered or mapped stand in the
files of this package, one a part of the house.
"""

import json
from collections.abc import Iterable
from enum import StrEnum
from typing import Any

__all__ = ["Code", "code_of", "each", "fields_of", "has", "holding", "note", "several"]


class Code(StrEnum):
    """Root of all enumerations whose members have a template: their values are "chapter.name"."""


def note(code: str, /, **fields: Any) -> str:
    """A code with its fields, as one line of text.

    Parameters
    ----------
    code : "chapter.name", or a member of a `Code`.
    fields : numbers, texts, other notes, or lists and dicts of them. NumPy's numbers and arrays
        become Python's; a path becomes its text.

    Returns
    -------
    The code, and behind a space its fields as JSON where it has any.

    Raises
    ------
    TypeError : a field that JSON cannot hold.

    Examples
    --------
    >>> note("taps.second_knock", after_ms=41.5)
    'taps.second_knock {"after_ms":41.5}'
    """
    if not fields:
        return str(code)
    held = json.dumps(fields, ensure_ascii=False, separators=(",", ":"), default=_plain)
    return f"{code} {held}"


def code_of(note: str) -> str:
    """The code of a note, as in `code_of(cell) == "taps.second_knock"`.

    Parameters
    ----------
    note : as made by `note`.

    Returns
    -------
    "chapter.name"; "" for no note.
    """
    return note.partition(" ")[0]


def fields_of(note: str) -> dict[str, Any]:
    """The fields of a note.

    Parameters
    ----------
    note : as made by `note`.

    Returns
    -------
    name -> value, as JSON knows it; empty where the note has no fields.
    """
    held = note.partition(" ")[2]
    return json.loads(held) if held else {}


def several(notes: Iterable[str]) -> str:
    """One cell for any number of notes.

    Parameters
    ----------
    notes : as made by `note`; "" counts for none.

    Returns
    -------
    Each note once, in their order, one a line; "" for none.
    """
    return "\n".join(dict.fromkeys(note for note in notes if note))


def each(cell: str) -> list[str]:
    """The notes of a cell.

    Parameters
    ----------
    cell : as made by `note` or `several`.

    Returns
    -------
    The notes in their order; empty for "".
    """
    return cell.split("\n") if cell else []


def has(cell: str, *codes: str) -> bool:
    """Whether a cell holds a note of one of these codes.

    Parameters
    ----------
    cell : as made by `note` or `several`.
    codes : as `note` takes them.

    Returns
    -------
    True when at least one note of the cell has one of the codes.
    """
    return any(code_of(note) in codes for note in each(cell))


def holding(*remarks: tuple[Any, Any]) -> list[Any]:
    """The remarks whose condition holds: a list of what may be said, in the order it is said.

    Parameters
    ----------
    remarks : (condition, remark) each; the condition is taken as true or false.

    Returns
    -------
    The remarks of the true ones. Of rules of which the first that holds counts, that is the first;
    the last rule then holds always.
    """
    return [remark for holds, remark in remarks if holds]


def _plain(value: Any) -> Any:
    if hasattr(value, "tolist"):  # NumPy's numbers and arrays
        return value.tolist()
    if hasattr(value, "__fspath__"):
        return str(value)
    if isinstance(value, set | frozenset):
        return sorted(value)
    raise TypeError(type(value).__name__)
