"""What a mass left on a free board, such as a driver or a sensor, does to its first mode.

The mass rides where the board swings most if it sits at an end, so a little does much: to first
order the frequency falls by half of (mass / board's mass) times the square of the mode's swing
there, and the square of a free bar's end is 4 (Rayleigh). Young's modulus falls by twice that
share. A mass that is not small bends the mode as well; so the whole sum over the free bar's modes,
the two rigid ones included, is solved here, which is exact for any mass as the modes grow many.

Conventions: `mass_ratio` is the mass over the board's own; x from 0 (one end) to 1.

Functions: `frequency_factor`, `modulus_share`.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import brentq

from studylib.wood import beams

_MODES = 24


def frequency_factor(
    mass_ratio: float, x: float, *, slenderness: float = np.inf, shear_ratio: float = 0.0
) -> float:
    """First bending frequency with the mass on, over that without; 1 or less.

    Parameters
    ----------
    mass_ratio : 0 or more.
    x : where the mass sits, 0 to 1.
    """
    if mass_ratio <= 0:
        return 1.0
    order = np.arange(1, _MODES + 1)
    omega = beams.eigenvalues(_MODES) ** 2
    if np.isfinite(slenderness):
        omega = omega * beams.timoshenko_ratio(order, slenderness, shear_ratio)
    order, omega = order[np.isfinite(omega)], omega[np.isfinite(omega)]
    swing = np.array(
        [
            float(beams.mode_shape(n, x, slenderness=slenderness, shear_ratio=shear_ratio))
            for n in order
        ]
    )
    square = (omega / omega[0]) ** 2
    rigid = 1.0 + 12.0 * (x - 0.5) ** 2
    if abs(swing[0]) < 1e-6:
        return 1.0  # at a node the mass does not ride along

    def balance(y: float) -> float:
        """The board's give at that point times the mass, minus 1, at y = squared frequency."""
        return mass_ratio * (y * float(np.sum(swing**2 / (square - y))) - rigid) - 1.0

    return float(np.sqrt(brentq(balance, 1e-9, 1.0 - 1e-13)))


def modulus_share(mass_ratio: float, x: float, **bar: float) -> float:
    """By how much Young's modulus comes out too low, as a share of itself, 0 or more."""
    return 1.0 - frequency_factor(mass_ratio, x, **bar) ** 2
