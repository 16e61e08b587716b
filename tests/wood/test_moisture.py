"""Moisture formulas against the Wood Handbook's printed points and examples."""

from __future__ import annotations

import numpy as np

from studylib.wood.study_wood import equilibrium_moisture
from tests.wood.bars import reference


def test_equilibrium_gives_the_printed_table():
    # Wood Handbook Table 4-2, printed to 0.1 %; see the file for what was read and what recalled.
    table = reference("emc_table_points.csv")
    found = equilibrium_moisture(table["T_C"], table["RH_pct"])
    np.testing.assert_allclose(found, table["EMC_table_pct"], atol=0.05)
    np.testing.assert_allclose(found, table["emc_eq45"], atol=6e-5)


def test_dry_air_dries_wood_and_damp_air_wets_it():
    assert equilibrium_moisture(20.0, 0.0) == 0.0
    assert (np.diff(equilibrium_moisture(20.0, np.arange(5.0, 100.0, 5.0))) > 0).all()
