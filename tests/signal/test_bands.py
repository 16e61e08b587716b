"""Octave bands and A-weighting against the printed tables of the standards.

Source of the values: IEC 61672-1:2013 Table 3 (A-weighting at the exact mid frequencies, to
0.1 dB, as two independent public copies of it agree) and IEC 61260-1:2014 (formulae;
examples computed from them).
"""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from studylib.signal.bands import a_weighting, octave_bands

# fmt: off
# Third-octave places x (exact mid 1000 * 10^(x / 10)) -20 .. 13 and the table's A-weighting.
TABLE_3_A_DB = [
    -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
    -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1,
    -1.1, -2.5, -4.3, -6.6, -9.3,
]
# fmt: on


def test_a_weighting_reproduces_table_3_at_the_exact_mid_frequencies():
    exact_hz = 1000 * 10 ** (np.arange(-20, 14) / 10)
    found = 20 * np.log10(a_weighting(exact_hz))
    np.testing.assert_array_equal(np.round(found, 1) + 0.0, TABLE_3_A_DB)


def test_a_weighting_takes_zero_hertz():
    assert a_weighting(np.array([0.0]))[0] == 0.0


def test_octave_edges_follow_the_standard():
    bands = {float(band.nominal): band for band in octave_bands(48_000)}
    # 1 kHz octave: edges 1000 * 10^(-+0.15).
    assert bands[1000.0].low_hz == pytest.approx(707.9458, abs=1e-4)
    assert bands[1000.0].high_hz == pytest.approx(1412.5375, abs=1e-4)
    # Exact mid of the nominal 250 Hz octave: 251.1886 Hz.
    mid = np.sqrt(bands[250.0].low_hz * bands[250.0].high_hz)
    assert mid == pytest.approx(251.1886, abs=1e-4)


def test_bands_touch_and_stop_below_half_the_rate():
    bands = octave_bands(24_000)
    for lower, upper in itertools.pairwise(bands):
        assert lower.high_hz == pytest.approx(upper.low_hz, rel=1e-12)
    assert bands[-1].nominal == "8000"
    assert bands[-1].high_hz < 12_000
