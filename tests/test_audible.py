"""Could anyone hear it? The published ranges are their formulas' own, and never more is said.

Outside: level, Jesteadt, Wier & Green (1977), dI/I = 0.463 (I/I0)^-0.072; frequency, Wier, Jesteadt
& Green (1977), log10 DLF = 0.026 sqrt(f) - 0.533 at 40 dB above threshold (both from memory; the
values they give are computed here); decay, ISO 3382-1 table A.1 (5 %, quoted) and Tolonen &
Järveläinen (75 to 140 % of a plucked string's time constant, signs recalled).
"""

from __future__ import annotations

import math
import re

import pytest

from studylib import register
from studylib.codes import code_of, note
from studylib.report.audible import audible, conditions, published
from studylib.words import say
from tests.words import asked_for

TONE, MODE, DECAY = "tone.h1.response_db", "tap.m1.frequency_hz", "tap.m1.decay_time_s"
FIELDS = {
    **{
        f"audible.{way}": {"ends": [0.5, 1.5], "unit": "dB"}
        for way in ("above", "between", "below")
    },
    "audible.unknown": {"name": "tone.thd_percent"},
    "audible.no_sound": {},
    "audible.label": {},
    **{f"audible.range_{what}": {} for what in ("level", "frequency", "decay")},
}


def level_db(above_threshold_db: float) -> float:
    return 10 * math.log10(1 + 0.463 * 10 ** (-0.072 * above_threshold_db / 10))


def frequency_percent(hz: float) -> float:
    return 100 * 10 ** (0.026 * math.sqrt(hz) - 0.533) / hz


def test_the_ranges_are_what_the_published_formulas_give():
    level = published(register.find(TONE))
    assert (level.low, level.high) == pytest.approx((level_db(80.0), level_db(5.0)), abs=0.05)
    frequency = published(register.find(MODE))
    between = [frequency_percent(hz) for hz in range(170, 4001, 10)]
    assert (frequency.low, frequency.high) == pytest.approx((min(between), max(between)), abs=0.05)
    decay = published(register.find(DECAY))
    assert decay.low == 5.0
    assert decay.high == pytest.approx(100 * (1.4 - 1.0))


@pytest.mark.parametrize(
    ("low", "high", "where"),
    [(2.4, 5.4, "above"), (1.4, 5.4, "between"), (0.1, 0.4, "below"), (-0.6, 0.4, "between")],
)
def test_the_whole_interval_decides(low, high, where):
    assert code_of(audible(TONE, low=low, high=high, microphone=True)) == f"audible.{where}"


def test_what_is_no_sound_or_has_no_published_range_gets_none():
    assert audible(TONE, low=3.0, high=4.0, microphone=False) == "audible.no_sound"
    for name in ("tone.h3.rel_db", "tone.thd_percent", "wood.density_kg_m3", "tone.centroid_hz"):
        assert published(register.find(name)) is None
        told = audible(name, low=3.0, high=4.0, microphone=True)
        assert code_of(told) == "audible.unknown"
    assert conditions([TONE, "probe.k3.response_db", "tone.h3.rel_db", DECAY]) == [
        "audible.range_level", "audible.range_decay",
    ]  # fmt: skip


@pytest.mark.parametrize("code", sorted(FIELDS))
def test_a_code_is_said_in_whole_words(code):
    sentence = say(note(code, **FIELDS[code]))
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", sentence), sentence
    assert asked_for("audible") <= set(FIELDS)
