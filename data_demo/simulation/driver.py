"""An inertial driver whose distortion depends on what it is fixed to.

A moving mass hangs on a spring from a small base, the base (with the acceleration sensor on it) is
fixed to the rail. The coil pushes mass and base apart. The push is not quite proportional to the
current: to the linear force comes a polynomial in the travel between mass and base, and travel
depends on the load. Method: the linear travel at the drive frequency first, then the polynomial's
harmonics as forces of their own, each through the same linear system at its own frequency (one
step of harmonic balance; harmonics do not act back).

Contents: Driver, DRIVER, Motion, block_receptance, cosine_powers.
"""

from dataclasses import dataclass
from math import comb

import numpy as np

from .bench import Attachment

BLOCK_MASS = 0.6  # kg, the inert reference block on foam
HARMONICS = 20


@dataclass(frozen=True)
class Motion:
    """Complex amplitudes of one force system: base and mass acceleration (m/s2), travel (m)."""

    base: np.ndarray
    mass: np.ndarray
    travel: np.ndarray


@dataclass(frozen=True)
class Driver:
    """Masses in kg, spring N/m, damper N s/m, force in N at full drive.

    ``polynomial``: force share of (travel / travel_scale)**n for n = 2, 3, ..., relative to
    ``force``; with travel = A cos(wt) the cubic term c gives c A^3/4 at 3w.
    """

    moving_mass: float
    base_mass: float
    stiffness: float
    damping: float
    force: float
    travel_scale: float
    polynomial: tuple[float, ...]

    def attachment(self, position: float) -> Attachment:
        """The silent driver as a load on the rail."""
        return Attachment(position, self.base_mass, self.stiffness, self.damping, self.moving_mass)

    def motion(self, force: np.ndarray, frequency_hz: np.ndarray, load: np.ndarray) -> Motion:
        """Response to an internal force at each frequency; ``load``: receptance of what it is on"""
        omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
        base = 1 / (1 / load - omega**2 * self.base_mass)
        spread = 1 / (omega**2 * self.moving_mass) - base
        push = force / (1 - (self.stiffness + 1j * omega * self.damping) * spread)
        return Motion(-(omega**2) * base * push, -push / self.moving_mass, spread * push)

    def nonlinear_force(self, travel: np.ndarray) -> np.ndarray:
        """Extra force (N) at each instant of a travel signal (m)."""
        share = np.asarray(travel) / self.travel_scale
        return self.force * sum(c * share**n for n, c in enumerate(self.polynomial, start=2))

    def tone(self, drive_db: float, tone_hz: float, load: np.ndarray) -> Motion:
        """Steady tone: harmonics 1 to HARMONICS of the motion, for the load at each of them.

        ``load`` holds the receptance at tone_hz, 2 tone_hz, ...; phases refer to the coil current.
        """
        k = np.arange(1, HARMONICS + 1)
        force = np.zeros(HARMONICS, dtype=complex)
        force[0] = self.force * 10 ** (drive_db / 20)
        linear = self.motion(force[:1], k[:1] * tone_hz, load[:1]).travel[0]
        extra = self.force * cosine_powers(self.polynomial, abs(linear) / self.travel_scale)
        force += extra * np.exp(1j * k * np.angle(linear))
        return self.motion(force, k * tone_hz, load)


def cosine_powers(polynomial: tuple[float, ...], amplitude: float) -> np.ndarray:
    """Cosine amplitudes at w, 2w, ... of sum c_n (A cos wt)^n, n from 2; shape (HARMONICS,)."""
    out = np.zeros(HARMONICS)
    for n, c in enumerate(polynomial, start=2):
        for j in range((n + 1) // 2):
            out[n - 2 * j - 1] += c * amplitude**n * comb(n, j) * 2.0 ** (1 - n)
    return out


def block_receptance(frequency_hz: np.ndarray) -> np.ndarray:
    """The inert block moves as one mass."""
    return -1 / ((2 * np.pi * np.asarray(frequency_hz, dtype=float)) ** 2 * BLOCK_MASS) + 0j


DRIVER = Driver(
    moving_mass=0.060,
    base_mass=0.010,
    stiffness=3800.0,
    damping=3.0,
    force=4.0,
    travel_scale=107e-6,
    polynomial=(0.020, 0.020, 0.003, 0.002, 0.0008),
)
