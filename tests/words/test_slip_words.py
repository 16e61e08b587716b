"""Every slip at the bench as a sentence, with its fields."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

TONE = {"wanted": "tone", "tone_hz": 220.0, "mains": False, "rates": False}
NAMED = {"other": "L1-half", "file": ""}
APART = {"take": "L1-c", "others": ["L1-a", "L1-b"], "shift_db": -6.04}

FIELDS = [
    (
        "slips.copy",
        {"other": "L1-a", "file": "recordings/L1-a.wav"},
        "of L1-a (recordings/L1-a.wav)",
    ),
    (
        "slips.other",
        {**TONE, **NAMED, "heard": "tone", "heard_hz": 110.0},
        "this is a steady tone of 110 Hz, where the row says a steady tone of 220 Hz. The schedule "
        "has that as L1-half: was it played by mistake",
    ),
    (
        "slips.other",
        {**TONE, **NAMED, "heard": "tone", "heard_hz": 120.0, "mains": True, "more": 7},
        "120 Hz as well). The schedule has that as L1-half and 7 more: was",
    ),
    (
        "slips.other",
        {**TONE, "heard": "sweep", "heard_hz": 0.0, "other": "", "file": ""},
        "this is a sweep, where the row says a steady tone of 220 Hz. Nothing of the kind",
    ),
    (
        "slips.dead",
        {"number": 2, "name": "drive", "empty": True},
        "channel 2 (drive) is empty, and",
    ),
    ("slips.exchanged", {"others": ["a", "b", "c", "d"]}, "than in a, b and c (and 1 more): were"),
    ("slips.level", {**APART, "step": 6.0, "channel": "both"}, "lie 6.0 dB below L1-a and L1-b"),
    (
        "slips.level",
        {**APART, "step": 0.0, "channel": ""},
        "L1-c lies 6.0 dB below L1-a and L1-b, more",
    ),
    (
        "slips.pair",
        {**APART, "others": ["L1-a"], "step": 6.0, "channel": "drive"},
        "is it the gain of",
    ),
    (
        "slips.rename",
        {"file": "a.WAV", "take": "a", "to": "a.wav", "named": True, "keep": True, "why": ""},
        "a.WAV: the recording of a by its name and its content, but the row says a.wav. Rename",
    ),
    ("slips.warning", {"take": "L1-a", "slip": "a slip"}, "Warning: L1-a: a slip"),
]


@pytest.mark.parametrize(("code", "fields", "said"), FIELDS)
def test_each_slip_is_a_clean_sentence(code, fields, said):
    sentence = say(note(code, **fields))
    assert said in sentence
    assert sentence == re.sub(r"\s+", " ", sentence).strip()
    assert not re.search(r"[{}_]{2}|\s[,;:)]|\(\s|\s\.(?!\d)|None|undefined|nan\b", sentence)


def test_every_slip_is_asked_for():
    assert {code for code, _, _ in FIELDS} == asked_for("slips")
