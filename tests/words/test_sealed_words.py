"""Every sentence about what is expected before recording, with what it was given."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

SAID = {
    "sealed.nothing": (
        {"boards": {"R2": note("wood.sizes_missing", board="R2", missing=["mass"])}},
        "nothing is expected of these boards: R2: ",
    ),
    "sealed.by": ({"by_density": ["L1", "L2"]}, "goes by the density (L1 and L2); woods stray"),
    "sealed.row": (
        {"feature": "tone.h1.response_db", "a": "larch", "b": "robinia", "difference": -4.02,
         "low": -5.8, "high": -2.6},
        "robinia minus larch −4.0 dB (−5.8 to −2.6 dB).",
    ),
    "sealed.beyond": (
        {"feature": "curve.response_db", "high_hz": 7547.0, "limit_hz": 1900.0},
        "at 7550 Hz, because above 1900 Hz",
    ),
    "sealed.inside": ({}, "inside"),
    "sealed.outside": ({}, "not as expected"),
    "sealed.open": ({}, "cannot tell"),
    "sealed.not_measured": ({}, "not measured"),
}  # fmt: skip


def test_every_sentence_is_asked_for():
    assert asked_for("sealed") == set(SAID)


@pytest.mark.parametrize("code", SAID)
def test_a_sentence_says_what_it_was_given(code):
    fields, part = SAID[code]
    said = say(note(code, **fields))
    assert part in said
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", said), said


def test_boards_that_were_tapped_need_no_density():
    said = say(note("sealed.by", by_density=[]))
    assert "from sizes, mass and free taps. Brackets" in said
