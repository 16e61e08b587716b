"""Third-octave bands against IEC 61260-1."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from studylib.register import THIRD_OCTAVE_BANDS
from studylib.signal.bands import third_octave_bands

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
