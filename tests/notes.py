"""What a note holds, as tests ask it."""

from __future__ import annotations

from studylib.codes import code_of, fields_of


def holds(note: str, code: str, /, **fields) -> bool:
    """Assert that a note is of this code and carries these fields, among others."""
    found = fields_of(note)
    assert (code_of(note), {name: found.get(name) for name in fields}) == (code, fields), note
    return True
