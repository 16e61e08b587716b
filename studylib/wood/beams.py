"""A board as a straight bar that nothing touches: its sizes, and its bending modes.

The modes are those of Euler-Bernoulli and of Timoshenko. A thin bar's frequencies depend on its
stiffness alone. A real one also shears and its slices turn, which lowers them, the higher modes
more: that is Timoshenko's bar, and for wood, whose shear modulus along the grain is small, it
matters even for slender boards.

Conventions: `order` counts bending modes from 1; `slenderness` is length over the size in the
direction of bending; `shear_ratio` is Young's modulus over shear modulus; x runs from 0 to 1 along
the bar. Rectangular section, shear coefficient 5/6. All arguments broadcast.
Method: the end conditions split into modes that are even and odd about the middle. Each mode is one
equation in the phase of the travelling wave at the bar's end, on a branch of its own, so that all
modes are found at once; tanh in place of cosh and sinh keeps high modes finite.
Source: Timoshenko's equations of the beam (1921), solved here anew; without shear and turning they
give the roots of cos(x) cosh(x) = 1.

The air in front of and behind a board moves along with it: for a strip far narrower than the waves
on it, as much as a cylinder of air as wide as the strip, pi/4 times the density of air times the
width squared for each length (Lamb, Hydrodynamics, chapter on motion in two dimensions; recalled).
The frequencies fall with it as with any mass, so without it Young's modulus comes out too low:
by 0.35 % for a rail, by some 2 % for a wide light board. It counts nothing towards the density.

A `Bar` is in SI units (m, kg) with relative standard uncertainties, because every property of a
board is a product of powers of its sizes and mass. `SIZES` fixes their order wherever they stand
in a row.

Class: `Bar`. Functions: `bar_of`, `air_density`, `missing_sizes`, `eigenvalues`,
`timoshenko_ratio`, `bending_frequencies`.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from studylib import errors, sheets
from studylib.sheets.settings import Wood

SIZES = ("length", "width", "thickness", "mass")
_COLUMNS = {
    "length": "length_mm",
    "width": "width_mm",
    "thickness": "thickness_mm",
    "mass": "mass_g",
}
SHEAR_COEFFICIENT = 5.0 / 6.0
_STEPS = 7  # of the secant, which then has the last digit, up to the cut-off
AIR_C = 20.0
"""The air's temperature in degrees Celsius where none was noted."""


@dataclass(frozen=True)
class Bar:
    """Sizes in m, mass in kg; `u` holds their relative standard uncertainties as in `SIZES`.

    `thickness` is the size in the direction in which the board bends; `air` the mass of the air
    that moves along.
    """

    length: float
    width: float
    thickness: float
    mass: float
    u: tuple[float, float, float, float]
    air: float = 0.0

    @property
    def density(self) -> float:
        """kg/m3."""
        return self.mass / (self.length * self.width * self.thickness)

    @property
    def slenderness(self) -> float:
        """Length over thickness."""
        return self.length / self.thickness

    @property
    def variances(self) -> np.ndarray:
        """Squares of the relative uncertainties, shape (4,)."""
        return np.square(self.u)


def missing_sizes(specimen: sheets.Specimen) -> tuple[str, ...]:
    """Which of length, width, thickness and mass specimens.csv does not give."""
    return tuple(name for name in SIZES if getattr(specimen, _COLUMNS[name]) is None)


def air_density(temperature_c: float) -> float:
    """kg/m3 of dry air at 1013 hPa: an ideal gas, 1.204 at 20 degrees Celsius."""
    return 1.204 * 293.15 / (273.15 + temperature_c)


def bar_of(specimen: sheets.Specimen, wood: Wood, *, air_c: float = AIR_C) -> Bar:
    """The specimen as a bar, measured as well as study.toml says under [wood], in air.

    air_c : degrees Celsius.

    Raises
    ------
    InputError : a size or the mass is missing.
    """
    missing = missing_sizes(specimen)
    errors.InputError.refuse(
        missing, "wood.sizes_missing", board=specimen.specimen, missing=missing
    )
    sizes = [getattr(specimen, _COLUMNS[name]) / 1000.0 for name in SIZES]
    u = [wood.u_length_mm, wood.u_width_mm, wood.u_thickness_mm, wood.u_mass_g]
    shares = tuple(part / 1000.0 / size for part, size in zip(u, sizes, strict=True))
    length, width, _, _ = sizes
    return Bar(*sizes, u=shares, air=np.pi / 4.0 * air_density(air_c) * width**2 * length)


@lru_cache
def eigenvalues(count: int) -> np.ndarray:
    """Roots of cos(x) cosh(x) = 1 above 0, shape (count,), read-only: those of the slender free
    bar."""
    roots = _wave_number(np.arange(1, count + 1, dtype=float), 0.0, 0.0)
    return np.frombuffer(roots.tobytes())


@np.errstate(invalid="ignore")
def timoshenko_ratio(order, slenderness, shear_ratio) -> np.ndarray:
    """Frequency of a bending mode over that of the slender bar of the same stiffness, below 1.

    NaN where the mode lies above the cut-off of the bar, from which on a second kind of mode mixes
    in and beam theory is of no use.
    """
    given = (np.asarray(each, dtype=float) for each in (order, slenderness, shear_ratio))
    order, slenderness, shear_ratio = np.broadcast_arrays(*given)
    radius2, s = 1.0 / (12.0 * slenderness**2), shear_ratio / SHEAR_COEFFICIENT
    omega2 = _omega2(_wave_number(order, radius2, s), radius2, s)
    slender = eigenvalues(int(order.max()))[order.astype(int) - 1] ** 2
    ratio = np.sqrt(omega2) / slender
    return np.where(omega2 * radius2**2 * s < 1.0, ratio, np.nan)


def bending_frequencies(
    *, youngs_modulus, shear_ratio, density, length, thickness, count: int
) -> np.ndarray:
    """The first `count` bending frequencies of one bar in Hz, shape (count,).

    Parameters
    ----------
    youngs_modulus : along the bar, Pa.
    shear_ratio : Young's modulus over shear modulus.
    density : kg/m3.
    length, thickness : m; thickness is the size in the direction of bending.

    Modes above the bar's cut-off are NaN (see `timoshenko_ratio`).
    """
    order = np.arange(1, count + 1)
    slender = (
        eigenvalues(count) ** 2
        / (2 * np.pi * length**2)
        * np.sqrt(youngs_modulus / density)
        * (thickness / np.sqrt(12.0))
    )
    return slender * timoshenko_ratio(order, length / thickness, shear_ratio)


def _omega2(q, radius2, s):
    """Square of the frequency (in units of the slender bar's EI/(rho A L^4)) of wave number q."""
    middle = 1.0 + q**2 * radius2 * (1.0 + s)
    return 2.0 * q**4 / (middle + np.sqrt(middle**2 - 4.0 * s * radius2**2 * q**4))


def _missed(q, order, radius2, s):
    """By how much the phase q/2 misses what the free end asks for, given the near field that goes
    with q: its p, and its moment per deflection over the travelling wave's."""
    omega2 = _omega2(q, radius2, s)
    a = omega2 * radius2 * (1.0 - s) / 2.0
    moment = (np.sqrt(a**2 + omega2) - a) ** 2 / omega2
    # Above the cut-off p^2 is negative; held just above 0, the steps stay finite on their way.
    p = np.sqrt(np.maximum(omega2 * (1.0 - omega2 * radius2**2 * s) / q**2, 1e-12))
    end = np.tanh(p / 2.0)
    even = (order % 2) == 1
    lag = np.where(even, -np.arctan(q * end / (p * moment)), np.arctan(p * moment * end / q))
    return q / 2.0 - np.pi * np.ceil(order / 2.0) - lag


def _wave_number(order, radius2, s):
    """q of each mode: the phase at the end is what the end asks for.

    The end's own part of the phase is less than a quarter turn, below in the even modes, above in
    the odd ones, so that each q has half a turn of its own.
    """
    low = np.pi * (2.0 * np.ceil(order / 2.0) - order % 2)
    last = low + np.pi / 2.0 + 0.0 * radius2
    before = _missed(last, order, radius2, s)
    q = last - 2.0 * before
    for _ in range(_STEPS):
        missed = _missed(q, order, radius2, s)
        change = missed - before
        step = np.divide(missed * (q - last), change, np.zeros_like(q), where=change != 0.0)
        last, before, q = q, missed, np.clip(q - step, low, low + np.pi)
    return q
