"""Bending modes of a free-free beam of rectangular section, after Timoshenko.

Conventions: x runs from 0 (driver end) to ``length`` in metres; shapes are scaled to unit modal
mass, so that the mobility-type sums of :mod:`simulation.bench` need no further mass. Two rigid
modes (lift and tilt, 0 Hz) come first. Shear coefficient 5/6 (rectangular section).
Source: Timoshenko's beam equations; the frequency equations are split here into symmetric and
antisymmetric modes and divided by cosh, which keeps high modes finite. Their limit without shear
and rotary inertia is cos(b) cosh(b) = 1, the textbook free-free beam.

Contents: Beam, Modes, free_free_modes.
"""

from dataclasses import dataclass

import numpy as np
from scipy.integrate import simpson
from scipy.optimize import brentq

SHEAR_COEFFICIENT = 5.0 / 6.0
QUADRATURE_POINTS = 4001


@dataclass(frozen=True)
class Beam:
    """A straight rectangular bar: sizes in m, density in kg/m3, stiffness in Pa."""

    length: float
    width: float
    thickness: float
    density: float
    youngs_modulus: float
    shear_ratio: float  # E/G along the grain, about 10 to 20 for wood

    @property
    def mass(self) -> float:
        """Mass in kg."""
        return self.density * self.length * self.width * self.thickness


@dataclass(frozen=True)
class Modes:
    """Mode frequencies in Hz (rigid modes first, as 0) and their shapes on a grid of x."""

    frequency_hz: np.ndarray  # shape (modes,)
    x: np.ndarray  # shape (points,)
    shape: np.ndarray  # shape (modes, points), scaled to unit modal mass

    def at(self, position: float) -> np.ndarray:
        """Shape of every mode at one position (m), shape (modes,)."""
        return np.array([np.interp(position, self.x, row) for row in self.shape])


def free_free_modes(beam: Beam, *, count: int) -> Modes:
    """Two rigid and the first ``count`` bending modes of a beam that nothing touches."""
    found = sorted(
        [(f, True) for f in _roots(beam, symmetric=True, count=(count + 1) // 2)]
        + [(f, False) for f in _roots(beam, symmetric=False, count=count // 2)]
    )
    x = np.linspace(0.0, beam.length, QUADRATURE_POINTS)
    centred = x - beam.length / 2
    bending = [_shape(beam, f, symmetric, centred) for f, symmetric in found]
    tilt = np.sqrt(beam.mass * (beam.length**2 + beam.thickness**2) / 12)
    rigid = [np.full_like(x, 1 / np.sqrt(beam.mass)), centred / tilt]
    frequency = np.array([0.0, 0.0] + [f for f, _ in found])
    return Modes(frequency_hz=frequency, x=x, shape=np.array(rigid + bending))


def _wave_numbers(beam: Beam, frequency_hz: float) -> tuple[float, float, float]:
    """Evanescent p and propagating q (1/m), and the shear term lam = rho w2 / (kappa G)."""
    rho_w2 = beam.density * (2 * np.pi * frequency_hz) ** 2
    lam = rho_w2 * beam.shear_ratio / (SHEAR_COEFFICIENT * beam.youngs_modulus)
    axial = rho_w2 / beam.youngs_modulus
    stiff = rho_w2 * 12 / (beam.youngs_modulus * beam.thickness**2)
    half = (axial + lam) / 2
    root = np.sqrt(half**2 - axial * lam + stiff)
    return float(np.sqrt(root - half)), float(np.sqrt(root + half)), float(lam)


def _residual(frequency_hz: float, beam: Beam, symmetric: bool) -> float:
    """What the moment- and shear-free end leaves over; zero at a mode."""
    p, q, lam = _wave_numbers(beam, frequency_hz)
    h = beam.length / 2
    sine, cosine, ratio = np.sin(q * h), np.cos(q * h), np.tanh(p * h)
    if symmetric:
        return float((p * p + lam) * p * sine + (q * q - lam) * q * cosine * ratio)
    return float((p * p + lam) * p * cosine * ratio - (q * q - lam) * q * sine)


def _roots(beam: Beam, *, symmetric: bool, count: int) -> list[float]:
    """The first ``count`` mode frequencies (Hz) of one symmetry, found between sign changes."""
    radius = beam.thickness / np.sqrt(12)
    speed = np.sqrt(beam.youngs_modulus / beam.density)
    step = 0.05 * 22.373 / (2 * np.pi * beam.length**2) * speed * radius
    roots: list[float] = []
    low, value = 2 * step, _residual(2 * step, beam, symmetric)
    while len(roots) < count:
        high = low + step * max(1.0, len(roots))
        new = _residual(high, beam, symmetric)
        if value * new < 0:
            args = (beam, symmetric)
            roots.append(float(brentq(_residual, low, high, args=args, xtol=1e-10, rtol=1e-14)))
        low, value = high, new
    return roots


def _shape(beam: Beam, frequency_hz: float, symmetric: bool, x: np.ndarray) -> np.ndarray:
    """Deflection of one mode along ``x`` (from the middle), scaled to unit modal mass."""
    p, q, lam = _wave_numbers(beam, frequency_hz)
    h = beam.length / 2
    # exp(-p h) is taken out of cosh and sinh, so that high modes do not overflow.
    growing, falling = np.exp(p * (x - h)), np.exp(-p * (x + h))
    even, odd = (growing + falling) / 2, (growing - falling) / 2
    end = np.exp(-2 * p * h)
    if symmetric:
        share = -(p / q) * np.sin(q * h) / ((1 - end) / 2)
        deflection = share * even + np.cos(q * x)
        rotation = share * (p * p + lam) / p * odd + (lam - q * q) / q * np.sin(q * x)
    else:
        share = (p / q) * np.cos(q * h) / ((1 + end) / 2)
        deflection = share * odd + np.sin(q * x)
        rotation = share * (p * p + lam) / p * even - (lam - q * q) / q * np.cos(q * x)
    line_mass = beam.density * beam.width * beam.thickness
    turning = line_mass * beam.thickness**2 / 12
    modal_mass = simpson(line_mass * deflection**2 + turning * rotation**2, x=x)
    return deflection / np.sqrt(modal_mass)
