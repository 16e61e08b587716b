"""Where a tone sounds in a take: levels over time against closed forms, stretches against truth."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.signal import tone_window
from studylib.signal.tone_window import block_frames, block_levels, stretch_of

RATE, TONE_HZ, NEEDED_S = 24_000, 172.0, 0.9
AT = {"rate_hz": RATE, "tone_hz": TONE_HZ}
BLOCK = block_frames(**AT)


def blocks_of(x):
    return x[: x.size // BLOCK * BLOCK].reshape(-1, BLOCK)


def found_in(x):
    """(start, end) of the stretch in seconds, or None."""
    levels = block_levels(blocks_of(x), **AT)
    stretch = stretch_of(levels, needed=int(np.ceil(NEEDED_S * RATE / BLOCK)))
    return stretch and tuple(place * BLOCK / RATE for place in stretch)


def tone(rng, seconds, *spans, amplitude=0.1, hz=TONE_HZ, noise=1e-4):
    """A tone that sounds within each span (start, end, level in dB), in white noise."""
    t = np.arange(round(seconds * RATE)) / RATE
    level = np.zeros(t.size)
    for start, end, level_db in spans:
        level[(t >= start) & (t < end)] = 10 ** (level_db / 20)
    return amplitude * level * np.sin(2 * np.pi * hz * t + 0.4) + noise * rng.standard_normal(
        t.size
    )


class TestLevels:
    @pytest.mark.parametrize("tone_hz", [20.0, 172.0, 516.0, 3440.0])
    def test_a_block_holds_whole_periods_and_about_20_ms(self, tone_hz):
        frames = block_frames(rate_hz=RATE, tone_hz=tone_hz)
        periods = frames * tone_hz / RATE
        assert periods >= 4 - tone_hz / RATE
        assert frames / RATE == pytest.approx(max(0.02, 4 / tone_hz), rel=1e-2)

    def test_a_sine_has_its_own_level_and_its_harmonics_and_an_offset_none(self):
        t = np.arange(10 * BLOCK) / RATE
        sine = 0.01 * np.sin(2 * np.pi * TONE_HZ * t)
        assert block_levels(blocks_of(sine), **AT) == pytest.approx(-40.0, abs=0.01)
        other = 0.1 + 0.1 * np.sin(2 * np.pi * 2 * TONE_HZ * t)
        assert np.all(block_levels(blocks_of(other), **AT) < -70)

    def test_noise_alone_steps_by_six_decibels_from_block_to_block(self, rng):
        # The logarithms of two exponential variables differ by a logistic one: 20 lg 2 on average.
        levels = block_levels(rng.standard_normal((20_000, BLOCK)), **AT)
        assert np.mean(np.abs(np.diff(levels))) == pytest.approx(20 * np.log10(2), abs=0.15)

    def test_what_is_no_number_is_no_sound(self):
        assert block_levels(np.full((2, BLOCK), np.nan), **AT) == pytest.approx(-200)
        assert block_levels(np.full((2, BLOCK), np.inf), **AT) == pytest.approx(-200)
        assert block_levels(np.full((2, BLOCK), 1e308), **AT) == pytest.approx(-200)


# What sounds, (start, end, level in dB) each, in a take of so many seconds; where the tone is.
TRUTH = {
    "recorder started 1 s early": (5, [(1, 5, 0)], (1, 5)),
    "recorder stopped 1 s late": (5, [(0, 4, 0)], (0, 4)),
    "both": (6, [(1, 5, 0)], (1, 5)),
    "from before the start to the end": (5, [(0, 5, 0)], (0, 5)),
    "two tones, the second longer": (6, [(1, 2, 0), (3, 5.5, 0)], (3, 5.5)),
    "two tones, the longer one softer": (6, [(1, 2, 0), (3, 5.5, -4)], (3, 5.5)),
    "a gap in the middle": (6, [(1, 2.5, 0), (3, 6, 0)], (3, 6)),
    "6 dB less from the middle on": (6, [(1, 3, 0), (3, 6, -6)], (3, 6)),
    "6 dB more from the middle on": (6, [(0, 2, -6), (2, 6, 0)], (2, 6)),
    "only for a moment": (5, [(1.2, 1.6, 0)], (1.2, 1.6)),
    "a soft tone of the same pitch before": (6, [(0, 3, -40), (3, 5, 0)], (3, 5)),
}


@pytest.mark.parametrize("name", TRUTH)
def test_a_tone_is_found_where_it_is(name, rng):
    seconds, spans, (start, end) = TRUTH[name]
    found = found_in(tone(rng, seconds, *spans))
    assert found == pytest.approx((start, end), abs=1.01 * BLOCK / RATE)


@pytest.mark.parametrize("hz", [160.0, 171.9, 180.0])
def test_a_tone_a_few_percent_off_is_found_as_well(hz, rng):
    assert found_in(tone(rng, 5, (1, 4, 0), hz=hz)) == pytest.approx((1, 4), abs=BLOCK / RATE)


def test_a_tone_that_fades_in_is_found_from_where_it_has_come_up(rng):
    t = np.arange(6 * RATE) / RATE
    start, end = found_in(np.clip((t - 1) / 2, 0, 1) * tone(rng, 6, (0, 6, 0)))
    # 1 dB below its level at 89 % of the way up.
    assert start == pytest.approx(1 + 2 * 10 ** (-1 / 20), abs=2 * BLOCK / RATE)
    assert end == pytest.approx(6, abs=BLOCK / RATE)


def test_a_tone_that_starts_with_the_take_is_taken_from_there_although_it_still_rises(rng):
    assert found_in(tone(rng, 5, (0, 0.5, -2), (0.5, 5, 0)))[0] == 0.0


def test_a_slow_swing_of_the_level_is_followed_from_its_start_and_not_cut_to_its_crest(rng):
    """A second source close by, 10 dB below, beats once in 5 s: its checks are to see that."""
    t = np.arange(10 * RATE) / RATE
    swing = 1 + 10 ** (-10 / 20) * np.cos(2 * np.pi * 0.2 * t)
    assert found_in(swing * tone(rng, 10, (0, 10, 0)))[0] == 0.0


@pytest.mark.parametrize("snr_db", [12, 20, 40])
def test_a_faint_tone_is_found_down_to_12_db_over_the_noise_of_a_block(snr_db, rng):
    # A Hann window of n frames passes 1.5 / n of white noise's power, twice for both sides.
    noise = 0.1 * np.sqrt(BLOCK / 6.0) * 10 ** (-snr_db / 20)
    for _ in range(20):
        start, end = found_in(tone(rng, 6, (1, 5, 0), noise=noise))
        assert start > 1 - 3 * BLOCK / RATE
        assert end < 5 + 3 * BLOCK / RATE
        assert end - start > NEEDED_S


def test_noise_alone_is_no_short_tone_and_seldom_a_stretch(rng):
    found = [found_in(0.01 * rng.standard_normal(5 * RATE)) for _ in range(100)]
    assert sum(stretch is not None for stretch in found) <= 10
    # Whatever is taken for a stretch is long: noise is never called a tone that is too short.
    assert all(end - start > NEEDED_S for start, end in filter(None, found))


def test_digital_silence_holds_none():
    assert found_in(np.zeros(3 * RATE)) is None


def test_silence_around_a_short_tone_is_not_preferred_to_it(rng):
    assert found_in(tone(rng, 5, (1, 1.5, 0), noise=0)) == pytest.approx((1, 1.5), abs=BLOCK / RATE)


def test_a_take_shorter_than_what_is_called_steady_says_nothing(rng):
    few = tone_window.SHORTEST_BLOCKS - 1
    assert stretch_of(np.zeros(few), needed=few) is None


def hum(t):
    """Mains of 50 Hz with harmonics, that near the tone 14 dB below it."""
    return sum(a * np.sin(2 * np.pi * 50 * k * t + k) for k, a in ((1, 0.03), (2, 0.01), (3, 0.02)))


def test_hum_ahead_of_the_tone_is_not_the_tone(rng):
    t = np.arange(7 * RATE) / RATE
    start, end = found_in(hum(t) + tone(rng, 7, (4, 6, 0)))
    assert (start, end) == pytest.approx((4, 6), abs=2 * BLOCK / RATE)


def test_hum_that_is_longer_than_a_tone_too_short_is_not_the_tone(rng):
    t = np.arange(7 * RATE) / RATE
    start, end = found_in(0.2 * hum(t) + tone(rng, 7, (4, 4.5, 0)))
    assert (start, end) == pytest.approx((4, 4.5), abs=2 * BLOCK / RATE)


def test_a_knock_before_the_tone_and_one_without_any(rng):
    t = np.arange(6 * RATE) / RATE
    since = np.clip(t - 0.2, 0, None)
    knock = (t >= 0.2) * np.exp(-since / 0.02) * rng.standard_normal(t.size)
    soft = tone(rng, 6, (1, 6, 0), amplitude=0.02)
    assert found_in(soft + 0.8 * knock) == pytest.approx((1, 6), abs=2 * BLOCK / RATE)
    # A knock on a board that rings near the tone (loss factor 0.01, so 60 dB in 1.3 s) is no tone.
    ring = (t >= 0.2) * np.sin(2 * np.pi * 165 * since) * np.exp(-np.pi * 165 * 0.01 * since)
    assert found_in(tone(rng, 6) + 0.3 * knock + 0.3 * ring) is None


@pytest.mark.parametrize("depth", [0.5, 0.97])
def test_a_tone_whose_level_swings_is_found_and_left_to_its_checks(depth, rng):
    t = np.arange(6 * RATE) / RATE
    x = (1 + depth * np.sin(2 * np.pi * 2 * t)) * tone(rng, 6, (1, 6, 0))
    start, _ = found_in(x)
    assert start == pytest.approx(1, abs=0.15)


def test_wow_and_a_slow_automatic_gain_leave_it_where_it_is(rng):
    t = np.arange(6 * RATE) / RATE
    wow = 0.1 * np.sin(2 * np.pi * TONE_HZ * t + 5 * np.sin(2 * np.pi * 0.8 * t)) * (t >= 1)
    assert found_in(wow + 1e-4 * rng.standard_normal(t.size))[0] == pytest.approx(1, abs=0.03)
    gain = 10 ** (-12 * t / 6 / 20)
    start, end = found_in(gain * tone(rng, 6, (1, 6, 0)))
    assert end == pytest.approx(6, abs=BLOCK / RATE)
    assert start >= 1 - BLOCK / RATE
