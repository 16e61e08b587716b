"""Touches: the arithmetic on the bands of several modes at once, rows of unequal length.

Outside references: NumPy's median and least squares on each row by itself. What a touch is taken
for is held in `test_tap.py`, on whole recordings.
"""

from __future__ import annotations

import numpy as np
import pytest

from studylib.signal import touches
from studylib.signal.decays import find_decays
from studylib.signal.poles import terms
from studylib.signal.touches import LAST_STEPS, _bends, _contact, _median, _risen, _Tracks
from tests.signal.rings import Mode, ring

LENGTHS = np.array([9, 4, 30, 17, 1])


def there(lengths, size):
    return np.arange(size) < np.reshape(lengths, (-1, 1))


def test_a_median_is_that_of_what_is_there():
    values = np.random.default_rng(1).standard_normal((5, 30))
    found = _median(values, there(LENGTHS, 30))
    wanted = [[np.median(row[:n])] for row, n in zip(values, LENGTHS, strict=True)]
    np.testing.assert_allclose(found, wanted, rtol=1e-15)


def test_bands_of_one_width_are_brought_into_time_at_once_as_each_by_itself():
    n, rate = 8192, 16_000
    modes = [Mode(400.0, 0.01, 1.0, 0.3), Mode(700.0, 0.012, 0.5, 2.0), Mode(1100.0, 0.01, 0.8)]
    noise = 1e-3 * np.random.default_rng(4).standard_normal(n)
    spectrum = np.fft.rfft(ring(modes, n=n, rate_hz=rate) + noise)
    decays = find_decays(spectrum, n=n, rate_hz=rate, lowest_hz=40.0, highest_hz=7000.0, most=16)
    assert len(decays.poles) == 3
    low, count, own = np.array([190, 340, 530]), np.array([31, 40, 31]), np.eye(3, dtype=bool)
    found = touches._in_time(spectrum, n, decays, low, count, own, own)
    each = decays.amplitudes[:, None] * terms(
        decays.poles, n=n, turns=np.exp(-2j * np.pi / n * np.arange(len(spectrum)))
    )
    for i, (begin, bins) in enumerate(zip(low, count, strict=True)):
        here, window = slice(begin, begin + bins), np.hanning(bins + 2)[1:-1]
        heard = spectrum[here] - np.delete(each, i, axis=0)[:, here].sum(axis=0)
        for part, wanted in zip(found[:, i], (heard, each[i, here]), strict=True):
            power = np.abs(np.fft.ifft(wanted * window)[1::2]) ** 2
            np.testing.assert_allclose(part[: len(power)], power, rtol=1e-9, atol=0.0)
            assert not part[len(power) :].any()


@pytest.mark.parametrize("at", [LAST_STEPS, 12, 25])
def test_a_band_has_risen_where_it_first_stands_above_all_that_is_expected(at):
    moments = np.array([40, 30, 40, 40])[:, None]
    time = np.arange(45) * np.array([[0.01], [0.02], [0.01], [0.01]])
    expected = np.exp(-0.2 * np.arange(45)) * np.ones((4, 1))
    heard = np.where(there(moments, 45), expected, 0.0)
    heard[:2, at] *= 20.0  # the third rises by too little, the last where the record ends
    heard[2, at] *= 8.0
    heard[3, 38] *= 1e4
    found = _risen(heard, expected, time, moments)
    # A rise is told at the last moment before it.
    np.testing.assert_allclose(found, [0.01 * (at - 1), 0.02 * (at - 1), np.nan, np.nan])


def test_a_bend_is_half_the_difference_of_the_slopes_beyond_chance():
    rng, lengths = np.random.default_rng(2), np.array([20, 3, 9])
    steps = rng.standard_normal((3, 25)) + np.where(np.arange(25) < 8, 0.0, 9.0)
    spread = rng.uniform(0.5, 2.0, (3, 25))
    inside = there(lengths, 25)
    none = np.zeros(3)
    tracks = _Tracks(
        np.arange(3), np.arange(3), none, none, np.array([0.01, 0.01, 0.02]), none, lengths,
        np.zeros((3, 25)), np.where(inside, steps, 0.0), np.where(inside, spread, np.inf), steps,
    )  # fmt: skip
    wanted = []
    for step, variance, n, gap in zip(steps, spread, lengths, tracks.gap_s, strict=True):
        if n < 2 * touches.EACH_SIDE:
            wanted.append(0.0)  # too short to tell
            continue
        weight = 1.0 / variance[:n]
        half = int(np.searchsorted(np.cumsum(weight), 0.5 * weight.sum()))
        half = min(max(half, touches.EACH_SIDE), n - touches.EACH_SIDE)
        parts = [(slice(0, half)), (slice(half, n))]
        slopes = [np.average(step[:n][part], weights=weight[part]) for part in parts]
        chance = sum(1.0 / weight[part].sum() for part in parts)
        wanted.append(0.5 * np.sqrt(max((slopes[1] - slopes[0]) ** 2 - chance, 0.0)) / gap)
    assert min(wanted[0], wanted[2]) > 0.0
    np.testing.assert_allclose(_bends(tracks), wanted, rtol=1e-12)


@pytest.mark.parametrize("moments", [(25, 5), (55, 11), (135, 27), (235, 47)])
def test_the_last_moment_of_a_ring_has_its_place_however_it_is_rounded(moments):
    # The last moment of one mode falls on one of another's, but for rounding.
    count, last = moments
    gap = 0.9 / np.array([[10.0], [count]])
    time, one = gap * np.arange(5, last + 1, 2), np.ones(2)
    time[0] = 0.0
    calm, steps = np.zeros(time.shape), np.array([1, time.shape[1]])
    tracks = _Tracks(
        steps, steps, one, one, 2.0 * gap[:, 0], one, steps, time, calm, calm + 1.0, calm
    )
    assert _contact(tracks) is None
