"""Every sentence about what the bar predicts, with what it was given."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import say
from tests.words import asked_for

PARTS = {
    name: [value, value - 1.0, value + 1.0]
    for name, value in {
        "sizes": -0.2, "density": 1.6, "stiffness": -5.1, "loss": 0.0, "material": -3.5,
        "not explained": 0.2, "difference": -3.5,
    }.items()
}  # fmt: skip
FIELDS = {
    "forward.no_place": {},
    "forward.heard_before": {"drive_mm": 100.0, "heard_mm": 15.0},
    "forward.off_board": {"board": "L1", "place_mm": 800.0, "length_mm": 745.0},
    "forward.no_sweeps": {},
    "forward.no_numbers": {"boards": {"L1": note("wood.no_free_mode")}},
    "forward.predicted": {
        "boards": 12, "covered": 0.94, "low_hz": 79.5, "high_hz": 7510.0, "r": 0.89,
        "apart_db": 3.3, "left_db": 1.6, "shared_db": 0.9,
    },
    "forward.covered": {},
    "forward.uncovered": {},
    "forward.one_mount": {},
    "forward.vague": {"half_db": 9.0, "apart_db": 3.0},
    "forward.missing": {"boards": {"L1": note("wood.no_free_mode")}},
    "forward.no_sensor": {"driver_g": None},
    "forward.no_split": {"boards": ["L1", "R2"]},
    "forward.few": {},
    "forward.split_tone": {"a": "larch", "b": "cherry", "tone_hz": 172.0, "parts": PARTS},
    "forward.split_band": {"a": "larch", "b": "cherry", "parts": PARTS, "rest": [1.7, 0.2, 3.1]},
    "forward.rest_within": {"limit_db": 1.0},
    "forward.unexplained": {"pairs": ["robinia / larch"]},
    "forward.hedged": {},
    "forward.species": {},
}  # fmt: skip


def said(code, **more):
    return say(note(code, **(FIELDS[code] | more)))


def test_every_sentence_is_tried():
    assert asked_for("forward") == set(FIELDS)


@pytest.mark.parametrize("code", sorted(FIELDS))
def test_a_code_is_whole_sentences(code):
    sentence = said(code)
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined|\(\s", sentence), sentence
    for value in FIELDS[code].values():
        if isinstance(value, str):
            assert value in sentence.lower() or value in sentence


def test_one_board_has_nothing_to_be_apart_from():
    alone = {"boards": 1, "covered": 0.94, "low_hz": 79.5, "high_hz": 7510.0, "shared_db": 1.0}
    assert "correlate" not in say(note("forward.predicted", **alone))
    assert "correlate with r = 0.89" in said("forward.predicted")


def test_the_parts_of_a_difference_stand_with_their_intervals():
    text = said("forward.split_tone")
    assert "cherry minus larch is \u22123.5 dB (\u22124.5 to \u22122.5)" in text
    assert "+0.2 dB (\u22120.8 to +1.2) is not explained" in text
    over = {"parts": PARTS | {"difference": [3.5, 1.0, 6.0]}}
    assert "is not explained. Frequency by frequency" in said("forward.split_band", **over)
    assert "misses their difference by 1.7 dB beyond chance" in said("forward.split_band")
    assert "no more than chance" in said("forward.split_band")


def test_a_driver_that_is_not_known_is_told():
    assert "driver_g under [bench]" in said("forward.no_sensor")
    assert "on a driver of 60 g" in said("forward.no_sensor", driver_g=60.0)
