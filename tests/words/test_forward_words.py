"""Every sentence about what the bar predicts, with what it was given."""

from __future__ import annotations

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

FIELDS = {
    "forward.no_place": {},
    "forward.heard_before": {"drive_mm": 100.0, "heard_mm": 15.0},
    "forward.off_board": {"board": "L1", "place_mm": 800.0, "length_mm": 745.0},
}


def test_every_sentence_is_asked_for():
    assert asked_for("forward") == set(FIELDS)


@pytest.mark.parametrize("code", FIELDS)
def test_a_sentence_says_what_it_was_given(code):
    said = say(note(code, **FIELDS[code]))
    for value in FIELDS[code].values():
        if isinstance(value, float):
            assert f"{value:g}" in said
    assert "{" not in said
