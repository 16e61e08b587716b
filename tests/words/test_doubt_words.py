"""Every sentence about the doubts that viewers raise, with what it was given."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import FOLDER, say

FIELDS = {
    "by_grain": {"filled": 3, "boards": 12}, "by_microphone": {"places": 2, "moved": 1},
    "by_chosen": {"named": 12}, "by_expected": {"woods": 3}, "by_hindsight": {"locks": 1},
    "by_one_tone": {"tone_hz": 172.0}, "by_few": {"least": 4}, "by_blind_bench": {"noticed": 2},
    "by_instrument": {"plucks": 0},
}  # fmt: skip
MACROS = re.findall(r"macro ([a-z]\w*)\(", (FOLDER / "doubts.j2").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", MACROS)
def test_a_doubt_is_told_in_whole_words(name):
    for fields in (FIELDS.get(name, {}), dict.fromkeys(FIELDS.get(name, {}), 1)):
        sentence = say(note(f"doubts.{name}", **fields))
        assert sentence
        assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", sentence), sentence
