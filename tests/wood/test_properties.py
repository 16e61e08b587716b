"""Speed of sound, radiation coefficient and impedance against listed values."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.wood.stiffness import derived_values, fit_stiffness
from tests.wood.bars import modes_of, rail, reference


def _values(density, gpa):
    bar = rail(density)
    frequency = modes_of(bar, gpa=gpa, shear_ratio=16.0)
    fit = fit_stiffness(
        np.arange(1, 7), frequency, 1e-4 * frequency, bar, shear_ratio=16.0, u_shear_ratio=3.0
    )
    return derived_values(fit, bar)


def test_the_textbook_row():
    # Norton & Karczub App. 4A (read in a copy): wood (hard), 650 kg/m3, 12 GPa, c 4300 m/s.
    row = reference("wood_and_board_loss_factors.csv").set_index("material").loc["wood (hard)"]
    found = _values(float(row["rho_kg_m3"]), float(row["E_GPa"]))
    assert found["wood.sound_speed_m_s"].value == pytest.approx(float(row["c_m_s"]), rel=1e-3)
    assert found["wood.sound_speed_m_s"].value == pytest.approx(4296.7, abs=0.1)


@pytest.mark.parametrize("index", range(19))
def test_what_follows_from_listed_density_and_modulus(index):
    # tests/reference/wood_handbook_species.csv: c, c/rho and rho c computed from the listed values.
    row = reference("wood_handbook_species.csv").iloc[index]
    found = _values(row["rho12_kg_m3"], row["MOE_12_MPa"] / 1000)
    assert found["wood.sound_speed_m_s"].value == pytest.approx(row["c_m_s"], rel=2e-5)
    assert found["wood.radiation_m4_kg_s"].value == pytest.approx(row["R_c_over_rho"], rel=2e-5)
    impedance = found["wood.impedance_pa_s_m"].value / 1e6
    assert impedance == pytest.approx(row["z_MPa_s_m"], rel=5e-5)
