"""A free board driven at one point: what the far end does, relative to the driving point.

Where an accelerometer at the driving point is the reference, the far end stands out not at the
board's own modes, which raise both alike, but where the driving point stands still: at the modes of
the same board held at that point, free to turn there. Nothing that is fixed to the driving point
changes that ratio, so the driver's mass does not enter.

Between any two neighbouring free modes lies exactly one held mode, and one below the first: at the
driving point, displacement over force rises all the way from one free mode to the next (Rayleigh's
separation theorem), so that each is one root between two known frequencies. At a node of a free
mode the root is that mode itself.

Conventions: x, slenderness and shear ratio as in `beams`; the far end is at 1. Squares of angular
frequency are in units of EI / (mass per length x length^4); with a loss factor eta, divide them by
1 + 1j eta. The stiffness is then complex, the same in bending and shear.
Method: Timoshenko's equations, exact: four waves on either side of the driving point, each counted
from where it is largest so that high modes stay finite, and the eight conditions at the free ends
and at the point.
Source: Timoshenko (1921), solved here anew; a slender bar's roots are those of the tables for a bar
pinned at its end and, from the middle, of one clamped there (see the tests).

Functions: `held_frequencies`, `far_over_drive`.
"""

import numpy as np

from studylib.wood import beams

_HALVINGS = 46


def far_over_drive(square, x: float, *, slenderness: float, shear_ratio: float) -> np.ndarray:
    """Displacement of the far end over that of the driving point, complex, shape as `square`."""
    return _driven(square, x, slenderness, shear_ratio)[0]


def held_frequencies(x: float, *, slenderness: float, shear_ratio: float, count: int) -> np.ndarray:
    """Frequencies of the modes with the board held at x, over that of the free slender bar's first.

    Shape (count,) or as many as there are below the highest free mode that the theory of the bar
    allows (see `beams.timoshenko_ratio`). The bar's turning about the point, at 0, is no mode.
    """
    order = np.arange(1, count + 1)
    slender = beams.eigenvalues(count) ** 2
    free = slender * beams.timoshenko_ratio(order, slenderness, shear_ratio)
    high = free[np.isfinite(free)]
    low = np.concatenate([[0.0], high[:-1]])
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        below = _driven(middle**2, x, slenderness, shear_ratio)[1].real < 0.0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2.0 / slender[0]


def _driven(square, x, slenderness, shear_ratio) -> tuple[np.ndarray, np.ndarray]:
    """The far end's displacement and the force at x, for a displacement of 1 there."""
    square = np.asarray(square, dtype=complex)
    radius2, s = 1.0 / (12.0 * slenderness**2), shear_ratio / beams.SHEAR_COEFFICIENT
    half = square * radius2 * (1.0 + s) / 2.0
    root = np.sqrt(half**2 + square * (1.0 - square * radius2**2 * s))
    near, far = np.sqrt(root - half), 1j * np.sqrt(root + half)
    wave = np.stack([far, -far, near, -near], axis=-1)
    lag = (square * radius2 * s)[..., None]
    bending, shear = wave**2 + lag, -lag / wave
    matrix = np.zeros((*square.shape, 8, 8), dtype=complex)
    force = np.zeros((*square.shape, 8), dtype=complex)
    # Either span is counted from its free end, so the turning has opposite signs at the point.
    for span, length in enumerate((x, 1.0 - x)):
        own = slice(4 * span, 4 * span + 4)
        at_end = np.exp(wave * np.array([0.0, 0.0, -length, 0.0]))
        at_point = np.exp(wave * np.array([length, length, 0.0, length]))
        matrix[..., 2 * span, own] = bending * at_end
        matrix[..., 2 * span + 1, own] = shear * at_end
        matrix[..., 4 + span, own] = at_point
        matrix[..., 6, own] = bending / wave * at_point
        matrix[..., 7, own] = (1 - 2 * span) * bending * at_point
        force[..., own] = shear / lag * at_point
    asked = np.zeros((*square.shape, 8, 1))
    asked[..., 4:6, 0] = 1.0
    share = np.linalg.solve(matrix, asked)[..., 0]
    return np.sum(at_end * share[..., 4:], axis=-1), np.sum(force * share, axis=-1)
