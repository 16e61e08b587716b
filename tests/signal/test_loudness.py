"""Loudness against what the standards state: filters, sines, gating.

Sources: ITU-R BS.1770-5, annex 1: tables 1 and 2 (the filters at 48 kHz), and the statement that a
sine of 997 Hz at 0 dB full scale in one front channel reads -3.01 LKFS. EBU Tech 3341 (2023),
table 1: signals 1 to 5, each to be read within 0.1 LU.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import sosfreqz

from studylib.signal.loudness import integrated_loudness, k_weighting

# Rate, and what the bilinear transform may bend the shelf by, in dB.
RATES = [(8_000, 0.3), (11_025, 0.2), *((k * 1000, 0.05) for k in (24, 44.1, 48, 96, 192))]


def sine(dbfs: float, seconds: float, *, hz: float = 1000.0, rate: int = 48_000) -> np.ndarray:
    """The levels of both documents are those of the peak."""
    t = np.arange(round(seconds * rate)) / rate
    return 10 ** (dbfs / 20) * np.sin(2 * np.pi * hz * t)


def test_the_filters_at_48_khz_are_those_of_the_recommendation():
    published = [
        (
            1.53512485958697,
            -2.69169618940638,
            1.19839281085285,
            1.0,
            -1.69065929318241,
            0.73248077421585,
        ),
        (1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621),
    ]
    assert k_weighting(48_000) == pytest.approx(np.array(published), abs=1e-8)


@pytest.mark.parametrize(("rate", "bent"), RATES)
def test_a_full_scale_sine_in_one_channel_reads_minus_three(rate, bent):
    assert integrated_loudness(sine(0, 2, hz=997.0, rate=rate), rate_hz=rate) == pytest.approx(
        -3.01, abs=0.7 * bent
    )


@pytest.mark.parametrize(("rate", "bent"), RATES)
def test_the_weighting_is_one_curve_at_every_rate(rate, bent):
    hz = np.geomspace(20, 0.2 * rate, 60)
    (_, own), (_, published) = (
        sosfreqz(k_weighting(each), worN=hz, fs=each) for each in (rate, 192_000)
    )
    assert 20 * np.log10(np.abs(own / published)) == pytest.approx(0.0, abs=bent)


@pytest.mark.parametrize(
    ("parts", "expected"),
    [
        ([(-23, 20)], -23.0),
        ([(-33, 20)], -33.0),
        ([(-36, 10), (-23, 60), (-36, 10)], -23.0),
        ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], -23.0),
        ([(-26, 20), (-20, 20.1), (-26, 20)], -23.0),
    ],
)
def test_the_signals_of_the_minimum_requirements(parts, expected):
    one = np.concatenate([sine(*part) for part in parts])
    assert integrated_loudness(np.stack([one, one]), rate_hz=48_000) == pytest.approx(
        expected, abs=0.1
    )


def test_a_sound_below_one_block_is_one_block_that_ends_in_silence():
    whole, half = (integrated_loudness(sine(-20, s), rate_hz=48_000) for s in (0.4, 0.2))
    assert whole - half == pytest.approx(10 * math.log10(2), abs=0.02)


def test_silence_has_no_loudness():
    assert integrated_loudness(np.zeros(100), rate_hz=48_000) == -math.inf
    assert integrated_loudness(sine(-80, 1), rate_hz=48_000) == -math.inf
