"""Every sentence about cutting one board to answer like another, with what it was given."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

MM = {"now_mm": 744.5, "to_mm": 712.94, "off_mm": 31.56}
CUT = {
    "name": "length", **MM, "keeps_low_mm": 700.0, "keeps_high_mm": 727.8, "best_low_mm": 711.1,
    "best_high_mm": 716.7, "before_db": 7.3, "before_low_db": 6.6, "before_high_db": 8.1,
    "after_db": 4.7, "after_low_db": 4.3, "after_high_db": 5.1, "gain_db": 2.6, "gain_low_db": 2.0,
    "gain_high_db": 3.5, "helps": True, "at_end": False, "idle": False,
}  # fmt: skip
PAIR = {"board": "R2", "like": "L1"}
FIELDS = {
    "match.same_board": {"board": "R2"},
    "match.changed": {},
    "match.no_numbers": {"board": "R2", "reason": note("wood.no_free_mode")},
    "match.no_stock": {"size": "width", "least_mm": 39.0, "now_mm": 38.2},
    "match.band_and_tone": {},
    "match.no_band": {},
    "match.beyond": {"low_hz": 500.0, "high_hz": 100.0, "limit_hz": 2060.0},
    "match.now": {**PAIR, "span_hz": [60.0, 2060.0], "apart": [7.3, 6.6, 8.1]},
    "match.cut": CUT,
    "match.no_cut": {**PAIR, "near_db": 2.9},
    "match.best": {**PAIR, "name": "length", **MM, "after_db": 4.7},
    "match.care": {},
    "match.written": {"path": "out/R2-like-L1"},
}
SAID = {
    "match.no_stock": ["width", "39 mm", "38.2 mm"],
    "match.beyond": ["500 to 100 Hz", "2060 Hz"],
    "match.now": ["R2 and L1 from 60.0 to 2060 Hz", "7.3 dB (6.6 to 8.1 dB) apart"],
    "match.cut": [
        "Length from 744.5 to 712.9 mm (31.6 mm off): 4.7 dB (4.3 to 5.1 dB) apart",
        "nearer by 2.6 dB (2.0 to 3.5 dB)", "left from 700.0 to 727.8 mm",
        "between 711.1 and 716.7 mm.",
    ],
    "match.no_cut": ["R2 nearer to L1; the best would leave them some 2.9 dB apart"],
    "match.best": ["To make R2 answer like L1: length from 744.5 to 712.9 mm", "The 4.7 dB"],
}  # fmt: skip


def test_every_sentence_is_asked_for():
    assert asked_for("match") == set(FIELDS)


@pytest.mark.parametrize("code", FIELDS)
def test_a_sentence_says_what_it_was_given(code):
    said = say(note(code, **FIELDS[code]))
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", said), said
    for part in SAID.get(code, [v for v in FIELDS[code].values() if v in ("R2", "L1")]):
        assert part in said


def test_what_a_size_cannot_do_is_said_in_its_place():
    idle = say(note("match.cut", **CUT | {"idle": True, "helps": False}))
    assert idle == "Length: next to nothing changes, whatever is taken off."
    assert "not sure" in say(note("match.cut", **CUT | {"helps": False}))
    end = say(note("match.cut", **CUT | {"at_end": True}))
    assert "all that may come off" in end
    assert "711.1" not in end
    tone = say(note("match.now", **PAIR, span_hz=[172.0, 172.0], apart=[4.7, 4.2, 5.3]))
    assert tone.startswith("R2 and L1 at 172 Hz: as they are")
    assert "look at the band as well." in tone
    thin = {"name": "thickness", "now_mm": 18.1, "to_mm": 16.5, "off_mm": 1.6, "after_db": 0.3}
    assert "thickness from 18.10 to 16.50 mm (1.60 mm off)" in say(
        note("match.best", **PAIR, **thin)
    )
