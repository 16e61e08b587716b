"""Density, speed of sound and what follows from both, with uncertainties carried jointly.

Sizes and mass are in the density and in Young's modulus at once, so what follows from both has an
uncertainty of its own, not the sum of theirs: the speed of sound does not depend on the mass or the
width at all. Every property is a product of powers, so ln of it is a weighted sum of ln E, ln(E/G)
and ln of the four sizes, and its variance follows from one covariance (GUM, JCGM 100, 5.2).

Units: kg/m3, GPa, m/s, m4/(kg s), Pa s/m.

Functions: `density_value`, `derived_values`. Class: `Value`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from studylib.wood.bar import Bar
from studylib.wood.stiffness import Stiffness

_DENSITY = np.array([-1.0, -1.0, -1.0, 1.0])  # powers of length, width, thickness, mass
# Powers of E, of E/G and of the density.
_DERIVED = {
    "wood.youngs_modulus_gpa": (1.0, 0.0, 0.0, 1e-9, "GPa"),
    "wood.shear_modulus_gpa": (1.0, -1.0, 0.0, 1e-9, "GPa"),
    "wood.sound_speed_m_s": (0.5, 0.0, -0.5, 1.0, "m/s"),
    "wood.radiation_m4_kg_s": (0.5, 0.0, -1.5, 1.0, "m4/(kg s)"),
    "wood.impedance_pa_s_m": (0.5, 0.0, 0.5, 1.0, "Pa s/m"),
}


class Value(NamedTuple):
    """A number, its unit and its standard uncertainty."""

    value: float
    unit: str
    u: float


def density_value(bar: Bar) -> Value:
    """Density in kg/m3."""
    return Value(bar.density, "kg/m3", bar.density * float(np.sqrt(_DENSITY**2 @ bar.variances)))


def derived_values(fit: Stiffness, bar: Bar) -> dict[str, Value]:
    """Young's modulus, shear modulus, speed of sound, radiation coefficient and impedance.

    The keys are the register's names.
    """
    found = {}
    for name, (of_e, of_ratio, of_density, scale, unit) in _DERIVED.items():
        value = fit.youngs_modulus**of_e * fit.shear_ratio**of_ratio * bar.density**of_density
        powers = np.array([of_e, of_ratio])
        by_size = powers @ fit.by_size + of_density * _DENSITY
        variance = powers @ fit.covariance @ powers + by_size**2 @ bar.variances
        found[name] = Value(value * scale, unit, value * scale * float(np.sqrt(variance)))
    return found
