"""What is said beside the players and in the film kit: whole sentences, whatever the numbers."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say

HEARD = [
    {"wood": "larch", "take": "L2-m1-tone", "mean": 0.675},
    {"wood": "robinia", "take": "R2-m1-tone", "mean": -3.15},
    {"wood": "larch", "take": "L3-m1-tap", "mean": 0.7},
]
CHOSEN = {"name": "tone.h1.level_db", "unit": "dB", "heard": HEARD, "seconds": 1.5}
TURN = {"boards": ["L2", "R2"], "louder": "R2", "quieter": "L2", "down_db": 0.04}
SENTENCES = [
    *(note("aloud.no_take", kind=kind, wood="larch") for kind in ("tone", "tap")),
    *(note("aloud.silent", kind=kind, boards=["L2", "R2"]) for kind in ("tone", "tap")),
    *(note("aloud.chosen", channel=each, **CHOSEN) for each in ("microphone", "accelerometer")),
    *(note(f"aloud.{which}", kind="tap", **TURN) for which in ("recorded", "equal")),
    *(note("film.tested", rivals=12, left=[], part=part) for part in (0, 3)),
    note("film.tested", rivals=12, left=["rivals.moisture"], part=1),
    *(note("film.foot", licence=licence) for licence in ("", "CC BY 4.0")),
    *(note("film.lock", sha256=sha, stands=sha == "a") for sha in ("", "a", "b")),
    note("film.boards", woods=["larch"], boards=1),
    note("film.key", confidence=0.95),
]  # fmt: skip


@pytest.mark.parametrize("code", SENTENCES, ids=lambda code: code[:40])
def test_each_is_one_whole_sentence_or_more(code):
    said = say(code)
    assert said.endswith(".")
    assert said[0].isupper() or said[0].isdigit()
    assert not re.search(r"[{}\[\]]|\s[,.;:)]|\s\s|None|undefined|\bnan\b", said), said


def test_a_sensor_is_no_ear_and_a_board_of_each_kind_is_named():
    said = say(note("aloud.chosen", channel="accelerometer", **CHOSEN))
    assert "is not what an ear in the room would hear" in said
    assert "larch: L2-m1-tone and L3-m1-tap, board at 0.675 and 0.7" in said
    assert "ear in the room" not in say(note("aloud.chosen", channel="microphone", **CHOSEN))
