"""Third-octave bands against IEC 61260-1, and means over bands against integrals known by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from studylib.register import THIRD_OCTAVE_BANDS
from studylib.signal.bands import band_means, third_octave_bands

REFERENCE = Path(__file__).parents[1] / "reference" / "iec61260_thirdoctave.csv"


def test_bands_are_those_of_the_standard():
    table = pd.read_csv(REFERENCE, comment="#", dtype={"nominal_Hz": str})
    bands = third_octave_bands(8.0, 30_000.0)
    assert [band.nominal for band in bands] == list(table["nominal_Hz"])
    for ours, column in (("mid_hz", "exact_mid_Hz"), ("low_hz", "lower_edge_Hz"),
                         ("high_hz", "upper_edge_Hz")):  # fmt: skip
        found = [getattr(band, ours) for band in bands]
        assert np.allclose(found, table[column], rtol=0, atol=6e-5)


def test_names_are_those_of_the_register():
    names = [band.nominal for band in third_octave_bands(17.0, 23_000.0)]
    assert tuple(names) == THIRD_OCTAVE_BANDS


def test_only_bands_that_lie_wholly_inside_are_given():
    # 1000 Hz: 891.2509 to 1122.0185 Hz (IEC 61260-1).
    assert [b.nominal for b in third_octave_bands(891.25, 1122.02)] == ["1000"]
    assert third_octave_bands(891.26, 1122.02) == ()
    assert third_octave_bands(891.25, 1122.01) == ()


def test_a_mean_over_a_band_is_the_integral():
    # The mean of f^2 from a to b is (a^2 + ab + b^2) / 3, of a constant the constant.
    f, bands = np.arange(50.0, 2000.0, 0.5), third_octave_bands(60.0, 1900.0)
    exact = [(b.low_hz**2 + b.low_hz * b.high_hz + b.high_hz**2) / 3 for b in bands]
    assert np.allclose(band_means(f, f**2, bands), exact, rtol=1e-5)
    assert np.allclose(band_means(f, np.full(f.size, 3.0), bands), 3.0, rtol=1e-12)


def test_a_resonance_narrower_than_the_step_of_24_an_octave_is_not_missed():
    # 1 / (1 + ((f - f0)/w)^2) over a band integrates to w (atan(..) - atan(..)).
    band = third_octave_bands(891.0, 1123.0)
    f0, w, f = 1003.0, 2.0, np.arange(850.0, 1200.0, 0.2)
    exact = w * (np.arctan((band[0].high_hz - f0) / w) - np.arctan((band[0].low_hz - f0) / w))
    found = band_means(f, 1 / (1 + ((f - f0) / w) ** 2), band)
    assert found[0] == pytest.approx(exact / (band[0].high_hz - band[0].low_hz), rel=2e-3)


def test_bands_beyond_the_frequencies_are_refused():
    with pytest.raises(ValueError, match="beyond"):
        band_means(np.arange(100.0, 900.0), np.ones(800), third_octave_bands(400.0, 1200.0))
