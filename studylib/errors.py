"""The errors that studylib raises on purpose.

An error carries notes (see `codes`): what is wrong, as codes with their fields. Its text asks
the words room, so that `str(error)` is one clear sentence a fault: which file, which row, what
is wrong, what would be right. One root, `StudyError`, lets a caller catch all of them and nothing
else.
"""

from collections.abc import Sequence
from typing import Any

from studylib.codes import code_of, note
from studylib.words import say


class Refusing(Exception):
    """An error that is raised in one call, with its notes, where something is wrong."""

    @classmethod
    def refuse(cls, wrong: Any, code: str, /, **fields: Any) -> None:
        """Raise this error where something is `wrong`; code and fields are those of its note."""
        if wrong:
            raise cls(note(code, **fields))

    @classmethod
    def refuse_all(cls, faults: Sequence[str]) -> None:
        """Raise this error with all the faults, notes, where there are any."""
        if faults:
            raise cls(*faults)


class StudyError(Refusing):
    """Root of every error that studylib raises on purpose.

    Parameters
    ----------
    notes : one or several, as made by `codes.note`.
    """

    def __init__(self, *notes: str):
        self.notes: tuple[str, ...] = tuple(dict.fromkeys(notes))
        super().__init__(*self.notes)

    @property
    def codes(self) -> tuple[str, ...]:
        """What is wrong, without the details."""
        return tuple(code_of(note) for note in self.notes)

    @property
    def faults(self) -> tuple[str, ...]:
        """One whole sentence a fault."""
        return tuple(say(note) for note in self.notes)

    def __str__(self) -> str:
        return "\n".join(self.faults)


class InputError(StudyError):
    """Something in the study folder is not as it should be, and its owner can put it right."""


class RunError(StudyError):
    """A run could not be brought to its end: a notebook failed or left half a result."""


class CellError(Refusing, ValueError):
    """A cell does not say what its column asks for; its text is a note that has no place yet."""
