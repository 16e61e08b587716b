"""Each code of taps, modes, sweeps and wood is a sentence with the fields that are sent."""

from __future__ import annotations

import pytest

from studylib.codes import note
from studylib.register import example_names
from studylib.words import say
from tests.words import asked_for

ASKED = {"low_hz": 20.0, "high_hz": 20_000.0, "seconds": 8.0}
FIELDS = {
    "taps.second_knock": {"after_ms": 41.5},
    "taps.ring_changes": {"after_ms": 41.5},
    "taps.later_contact": {"after_ms": 41.5},
    "taps.reflection": {"after_ms": 15.02},
    "taps.dies_faster": {"after_ms": 141.5, "times": 1.84},
    "taps.some_faster": {"frequencies_hz": [203.2, 1101.4], "times": 2.41},
    "taps.left_over": {"frequencies_hz": [1104.2, 1873.9]},
    "taps.starts_at_knock": {"ahead_s": 0.1},
    "taps.faster_than_another": {"times": 2.41},
    "taps.too_long": {"limit_s": 120.0},
    "modes.no_usable_tap": {"taps": 3, "reasons": ["taps.no_modes"]},
    "modes.not_in_board": {"mode": 2, "taps": 6},
    "modes.not_in_take": {"mode": 2},
    "modes.room_hides": {"percent": 34.2, "direct_db": 11.6, "room_decay_s": 0.42},
    "modes.sign": {
        "what": "taps.no_modes", "at_s": 0.1373, "low_hz": 500.2, "high_hz": 900.0,
        "level_db": -23.4,
    },
    "modes.unknown_boards": {"boards": ["L1", "L2"]},
    "sweeps.above_half_rate": {"high_hz": 20_000.0, "half_rate_hz": 12_000.0},
    "sweeps.not_found": {**ASKED, "took_s": 9.34},
    "sweeps.began_before": {"seconds": 0.51},
    "sweeps.cut_off": {"seconds": 0.51, "at_hz": 9120.2, "high_hz": 20_000.0},
    "wood.bar_fitted": {"modes": 6},
    "wood.bar_stated_ratio": {"modes": 1},
    "wood.sizes_missing": {"board": "L1", "missing": ["width", "mass"]},
    "wood.no_free_mode_in_mount": {"mount": 4},
    "wood.two_readings": {"gpa": 13.21, "other_gpa": 9.87},
    "wood.above_theory": {"mode": 9, "slenderness": 5.02},
    "wood.too_wide": {"ratio": 0.351, "widest": 0.2},
    "wood.ratio_at_bound": {"lowest": 2.0, "highest": 60.0},
    "wood.modes_left_out": {"frequencies": [512.3, 812.0]},
    "wood.mass_left_on": {"grams": 8.0},
    "wood.uneven": {"share": 0.003},
    "wood.settles_at": {"temperature_c": 20.6, "humidity_pct": 51.2},
    "wood.some_sizes_missing": {"boards": [{"name": "L1", "missing": ["mass"]}]},
    "wood.odd_density": {"board": "L1", "density": 5681.3},
    "wood.plates": {"boards": ["L1", "C1"], "widest": 0.2},
    "wood.mass_lowers": {
        "grams": 8.0, "board": "C1", "board_g": 265.9, "frequency_share": 0.052,
        "modulus_share": 0.1,
    },
    "wood.moisture_unknown": {"boards": ["L1"]},
    "wood.moisture_differs": {
        "woods": [{"name": "larch", "percent": 9.4}, {"name": "robinia", "percent": 12.5}]
    },
    "wood.reading": {"board": "L1", "notes": ["wood.nothing_fits"]},
}  # fmt: skip
CODES = asked_for("taps", "modes", "sweeps", "wood") - set(example_names())


@pytest.mark.parametrize("code", sorted(CODES))
def test_a_code_and_its_fields_are_one_line(code):
    said = say(note(code, **FIELDS.get(code, {})))
    assert said
    assert "\n" not in said
    assert "  " not in said
    assert "e+0" not in said


def test_numbers_stand_in_the_sentences_as_measured():
    assert "42 ms after the first" in say(note("taps.second_knock", after_ms=41.5))
    assert "took about 9.34 s" in say(note("sweeps.not_found", **ASKED, took_s=9.34))
    assert "about" not in say(note("sweeps.not_found", **ASKED, took_s=None))
    wood = say(note("wood.two_readings", gpa=13.21, other_gpa=9.87))
    assert "13.2 or as 9.9 GPa" in wood
