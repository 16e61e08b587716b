"""Which tap take is shown as an example: the first of a board that can be read.

Function: first_tap.
"""

from __future__ import annotations

from studylib.errors import InputError
from studylib.measure.tap_view import TapView, tap_view
from studylib.sheets import Study


def first_tap(study: Study, batch: str) -> TapView | None:
    """The batch's first tap take of a board on the bench that can be read; None without one."""
    taps = [t for t in study.takes_of(batch) if t.kind == "tap" and not t.exclude]
    for take in sorted(taps, key=lambda t: t.support != "bench"):
        try:
            return tap_view(study, take)
        except InputError:
            continue  # the quality table says why
    return None
