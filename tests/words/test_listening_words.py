"""Every sentence about making a blind test by ear, with what it was given; the page's own words are
read in a browser."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

MADE = {
    "test": "0f1e", "kind": "tap", "boards": {"larch": ["L1", "L2"], "robinia": ["R1", "R2"]},
    "trials": [16, 2, 4], "minutes": 5.5,
}  # fmt: skip
LEVEL = {
    "matched": True, "spread_lu": 0.012, "lowest_db": -1.26, "highest_db": 4.0, "uneven": False,
    "lowered_db": 0.0, "highest_dbtp": -1.0,
}  # fmt: skip
ENOUGH = {"answers": 16, "needed": 16, "share": 0.5, "power": 0.8}
FIELDS = {
    "listening.results_there": {"folder": "listening"},
    "listening.two_woods": {
        "file": "study.toml", "section": "[listen]", "key": "woods", "woods": ["larch"],
        "known": ["larch", "robinia"],
    },
    "listening.too_few": {"wood": "larch", "boards": ["L1"], "kind": "tap", "fewest": 2},
    "listening.silent": {"takes": ["L1-m1", "L2-m1"]},
    "listening.not_alike": {"spread_lu": 0.234, "alike_lu": 0.1},
    "listening.made": MADE,
    "listening.enough": ENOUGH,
    "listening.level": LEVEL,
    "listening.failed": {"takes": ["L1-m1", "L2-m1"]},
    "listening.short": {"length_s": 0.8, "lengths_s": {"L1-m1": 0.524, "L2-m1": 0.7}},
    "listening.single": {"boards": ["L1"]},
    "listening.one_mount": {"boards": ["L1", "L2"]},
    "listening.sessions": {"trials": 16},
    "listening.other_ear": {"kind": "pickup"},
    "listening.replaced": {},
    "listening.next": {"page": "rails/listening/test.html", "folder": "rails/listening"},
}  # fmt: skip
CASES = [
    ("results_there", {}, ["rename the folder listening,"]),
    ("two_woods", {}, ["study.toml, [listen] woods:", "(larch and robinia)", '"larch" will not']),
    ("two_woods", {"woods": []}, ["none will not do"]),
    ("too_few", {}, ["1 board of larch (L1) can be heard with two good tap rec", "at least 2"]),
    ("too_few", {"boards": []}, ["no board of larch can be heard"]),
    ("silent", {}, ["L1-m1 and L2-m1, which are next to silent", "record them again"]),
    ("silent", {"takes": ["L1-m1"]}, ["L1-m1, which is next to silent", "record it again"]),
    ("not_alike", {}, ["0.23 LU remain", "at most 0.1 may"]),
    ("made", {}, [
        "Test 0f1e: taps of larch (L1 and L2) and robinia (R1 and R2), about 6 minutes",
        "16 trials with a board of each wood, 2 with two boards of one wood",
        "and 4 with takes of one board,",
    ]),
    ("made", {"kind": "tone", "trials": [16, 2, 0]}, [
        "steady tones of larch", "There are none with takes of one board", "three good takes",
    ]),
    ("enough", {}, ["16 answers between woods are enough", "80 % probability", "50 % of trials."]),
    ("enough", {"answers": 8}, ["8 answers between woods are fewer than the 16", "say little."]),
    ("level", {}, ["equally loud, within 0.01 LU", "from −1.3 to +4.0 dB.", "excerpts.csv."]),
    ("level", {"uneven": True}, ["bring up the noise behind a soft take"]),
    ("level", {"lowered_db": 3.14}, ["lowered by 3.1 dB", "passed −1 dB re full scale."]),
    ("level", {"matched": False, "spread_lu": 4.21}, [
        "as loud as they were recorded", "differ by up to 4.2 LU", "how hard it was hit.",
    ]),
    ("failed", {}, ["L1-m1 and L2-m1."]),
    ("short", {}, ["less than 0.8 s", "L1-m1 (0.52 s), L2-m1 (0.70 s);", "length_s"]),
    ("single", {}, ["one good take alone", "L1."]),
    ("one_mount", {}, ["L1 and L2 are of one mount"]),
    ("sessions", {}, ["In 16 trials the takes are not all of one session"]),
    ("sessions", {"trials": 1}, ["In 1 trial the takes"]),
    ("other_ear", {}, ["the pickup's signal"]),
    ("replaced", {}, ["An earlier test without results was replaced"]),
    ("next", {}, [
        "Give rails/listening/test.html to the listeners and nothing else",
        "into rails/listening/results/,", "volume turned right down.",
    ]),
]  # fmt: skip
NOT_SAID = [
    ("level", {}, ["noise", "lowered"]),
    ("made", {}, ["none"]),
    ("enough", {}, ["fewer"]),
]


def test_every_sentence_is_asked_for():
    page = {"listening.html"}  # a file
    assert asked_for("listening") - page == set(FIELDS)
    assert {f"listening.{name}" for name, _, _ in CASES} == set(FIELDS)


@pytest.mark.parametrize(("name", "change", "expected"), CASES)
def test_a_sentence_says_what_it_was_given(name, change, expected):
    code = f"listening.{name}"
    said = say(note(code, **{**FIELDS[code], **change}))
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", said), said
    for part in expected:
        assert part in said, said


@pytest.mark.parametrize(("name", "change", "unsaid"), NOT_SAID)
def test_what_does_not_hold_is_not_said(name, change, unsaid):
    code = f"listening.{name}"
    said = say(note(code, **{**FIELDS[code], **change}))
    assert not any(part in said for part in unsaid), said
