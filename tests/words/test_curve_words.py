"""Every sentence about the woods over frequency, with what it was given."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

STRETCH = {
    "louder": "larch", "span_hz": [756.0, 837.0], "at_hz": 762.0, "difference_db": 18.0,
    "ends_db": [5.5, 30.4],
}  # fmt: skip
SPREADS = {
    level: [value, value - 0.1, value + 0.1]
    for level, value in {
        "wood": 4.5, "source": 3.0, "specimen": 2.8, "mount": 1.4, "take": 0.2
    }.items()
}  # fmt: skip
FIELDS = {
    "curves.no_sweeps": {},
    "curves.one_wood": {},
    "curves.confounded": {},
    "curves.band": {"low_hz": 80.0, "high_hz": 7500.0, "left_out": 54, "half_db": 4.3},
    "curves.test": {
        "woods": ["larch", "cherry"], "p": 0.056, "smallest": 0.056, "alpha": 0.05, "pairs": [],
    },
    "curves.stretches": {"a": "cherry", "b": "larch", "stretches": [STRETCH], "confidence": 0.95},
    "curves.no_stretch": {"confidence": 0.95},
    "curves.signs": {"changes": [{"a": "larch", "b": "cherry", "count": 14}]},
    "curves.rms": {"spreads": SPREADS},
    "curves.read": {},
    "curves.luck": {
        "a": "larch", "b": "robinia", "tone_hz": 172.0, "at_db": -3.8, "span_db": [-5.1, 2.7],
        "span_hz": [164.0, 189.0], "missing": 0.22,
    },
    "curves.luck_unknown": {"tone_hz": 172.0},
}  # fmt: skip


def said(code, **more):
    return say(note(code, **(FIELDS[code] | more)))


@pytest.mark.parametrize("code", sorted(asked_for("curves")))
def test_a_code_is_one_whole_sentence(code):
    sentence = said(code)
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", sentence), sentence
    for value in FIELDS[code].values():
        if isinstance(value, str):
            assert value in sentence.lower()


def test_a_test_says_what_its_design_allows():
    assert "No result could have shown it" in said("curves.test")
    shown = said("curves.test", p=0.01, smallest=0.001)
    assert "They do, or their boards spread unequally" in shown
    assert "neither is that they do not" in said("curves.test", p=0.4, smallest=0.001)
    pair = {"woods": ["larch", "cherry"], "p": 0.056, "smallest": 0.056}
    assert "(never below 0.056 with these boards)" in said("curves.test", pairs=[pair])


def test_a_stretch_names_its_notes():
    assert "from 756 to 837 Hz (F#5 to G#5), by 18 dB (6 to 30 dB) at 762 Hz" in said(
        "curves.stretches"
    )
    one = STRETCH | {"span_hz": [440.0, 440.0]}
    assert "larch passes more at 440 Hz (A4)" in said("curves.stretches", stretches=[one])


def test_luck_says_when_the_sign_changes_and_what_is_missing():
    assert "Which wood passes more depends on the choice of the tone" in said("curves.luck")
    assert "22 %" in said("curves.luck")
    same = said("curves.luck", span_db=[-5.1, -2.7], missing=0.0)
    assert "depends" not in same
    assert "as far as is known" not in same
