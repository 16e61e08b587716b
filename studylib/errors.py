"""The errors that studylib raises on purpose.

Everything a user can put right is an `InputError`; its `faults` are whole sentences that
name the file, the row and what would be right. One root, `StudyError`, lets a caller catch
all of them and nothing else.
"""

from __future__ import annotations

from collections.abc import Iterable


class StudyError(Exception):
    """Root of every error that studylib raises on purpose."""


class InputError(StudyError):
    """Something in the study folder is not as it should be.

    Parameters
    ----------
    faults : one sentence or several, each complete in itself.
    """

    def __init__(self, faults: str | Iterable[str]):
        self.faults: tuple[str, ...] = (faults,) if isinstance(faults, str) else tuple(faults)
        super().__init__("\n".join(self.faults))


class RunError(StudyError):
    """A run could not be brought to its end: a notebook failed or left half a result."""
