"""The air that moves with a board, against a flow solved here and against its size on boards."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from studylib.sheets.settings import Wood
from studylib.wood.beams import air_density, bar_of
from studylib.wood.stiffness import derived_values, fit_stiffness, predict_modes
from tests.wood.bars import demo, modes_of


def test_a_strip_moving_broadside_carries_a_cylinder_of_air():
    """Flow around a flat strip by vortices on it (one at each panel's quarter, the flow met at
    three quarters); the impulse of the sheet is the mass that moves along times the speed."""
    count, width = 400, 2.0
    panel = width / count
    edge = -width / 2 + panel * np.arange(count)
    vortex, met = edge + panel / 4, edge + 3 * panel / 4
    # Velocity across the strip at `met` from a vortex of strength 1: 1 / (2 pi distance). The last
    # row in place of the last point: no circulation, as in a flow from rest.
    matrix = 1.0 / (2 * np.pi * (met[:, None] - vortex[None, :]))
    matrix[-1] = 1.0
    strength = np.linalg.solve(matrix, np.append(np.ones(count - 1), 0.0))
    moved = abs(float(strength @ vortex))
    assert moved == pytest.approx(np.pi / 4 * width**2, rel=0.01)


def test_air_is_as_dense_as_the_standard_atmosphere_says():
    # ISO 2533: 1.225 kg/m3 at 15 degrees Celsius and 1013.25 hPa.
    assert air_density(15.0) == pytest.approx(1.225, abs=0.001)
    assert air_density(35.0) < air_density(5.0)


@pytest.mark.parametrize(
    ("sizes", "density", "percent"),
    # Of a board's mass: pi/4 rho w / (density x thickness).
    [((745.0, 38.0, 18.0), 560.0, 0.355), ((500.0, 95.0, 10.0), 430.0, 2.09)],
)
def test_without_the_air_the_modulus_would_come_out_too_low(sizes, density, percent):
    length, width, thickness = sizes
    specimen = demo().specimen("L1").model_copy(
        update={
            "length_mm": length, "width_mm": width, "thickness_mm": thickness,
            "mass_g": density * length * width * thickness * 1e-6,
        }
    )  # fmt: skip
    bar = bar_of(specimen, Wood())
    assert bar.density == pytest.approx(density)
    # Made by hand: the same board without air, each mode lowered by the root of the mass.
    dry = replace(bar, air=0.0)
    frequency = modes_of(dry, gpa=12.0, shear_ratio=16.0, count=5)
    frequency /= np.sqrt(1 + np.pi / 4 * 1.204 * (width / 1e3) ** 2 * length / 1e3 / bar.mass)
    order, stated = np.arange(1, 6), {"shear_ratio": 16.0, "u_shear_ratio": 3.0}
    right = fit_stiffness(order, frequency, 0 * frequency, bar, **stated)
    low = fit_stiffness(order, frequency, 0 * frequency, dry, **stated)
    assert right.youngs_modulus == pytest.approx(12e9, rel=1e-6)
    assert 100 * (right.youngs_modulus / low.youngs_modulus - 1) == pytest.approx(percent, abs=0.01)
    # What is predicted is what was put in; how much air there is is known to a fifth.
    np.testing.assert_allclose(predict_modes(right, bar, count=5)[0], frequency, rtol=1e-6)
    gpa, sure = (
        derived_values(f, b)["wood.youngs_modulus_gpa"] for f, b in ((right, bar), (low, dry))
    )
    more = (gpa.u / gpa.value) ** 2 - (sure.u / sure.value) ** 2
    assert np.sqrt(more) == pytest.approx(0.2 * percent / 100, rel=0.05)
