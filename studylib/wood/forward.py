"""A free board driven at one point: what another point of it does, from the board's own numbers.

The board is a uniform bar (Timoshenko) with a loss of its own at each frequency; the air that moves
along, whatever rests on it at points (supports, the driver's mass) and where it is driven and heard
are in the model, and nothing else: no taper, no knots, no twist, no width of the driver. Nothing is
fitted here.

Where an accelerometer at the driving point is the reference, the far end stands out not at the
board's own modes, which raise both alike, but where the driving point stands still: at the modes of
the same board held at that point, free to turn there. Nothing that is fixed to the driving point
changes that ratio, so the driver's mass does not enter. Between any two neighbouring free modes
lies exactly one held mode, and one below the first: at the driving point, displacement over force
rises all the way from one free mode to the next (Rayleigh's separation theorem), so that each is
one root between two known frequencies. At a node of a free mode the root is that mode itself.

Conventions: x, slenderness and shear ratio as in `beams`. Squares of angular frequency are in units
of EI / (mass per length x length^4), forces over displacements in EI / length^3; with a loss factor
eta, divide either by 1 + 1j eta. The stiffness is then complex, the same in bending and shear.
Method: Timoshenko's equations, exact, as waves. A free end returns what comes to it; on its way to
the driving point the echo turns and fades by the length, and each load adds the waves that its
force sends. Nothing ever grows along the way, so that high frequencies stay finite, and each wave
is measured by what a force sends of it, so that the echo of one by the other is the same both ways.
Source: Timoshenko (1921), solved here anew; waves at ends and points as in Mace, Wave reflection
and transmission in beams (1984, recalled); a slender bar's roots are those of the tables for a bar
pinned at its end and, from the middle, of one clamped there (see the tests).

A mass left on a free board, such as a driver or a sensor, rides where the board swings most if it
sits at an end, so a little does much: to first order the frequency falls by half of (mass /
board's mass) times the square of the mode's swing there, and the square of a free bar's end is 4
(Rayleigh). Young's modulus falls by twice that share. A mass that is not small bends the mode as
well, which the bar driven at its end has in it: the mode lies where end and mass ask for no force.

Functions: `driven`, `held_frequencies`, `modulus_share`. Class: `Driven`.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from studylib.wood import beams

_HALVINGS = 46
_LOSSLESS = 1.0 + 1e-12j  # a hair of loss: at a pole there is no number


class Driven(NamedTuple):
    """For a displacement of 1 at the driving point, complex: `heard`, the displacement where the
    board is heard, and `force`, what the driving point asks for."""

    heard: np.ndarray
    force: np.ndarray


def driven(
    square,
    x,
    *,
    slenderness,
    shear_ratio,
    heard=1.0,
    loads: Sequence[tuple] = (),
) -> Driven:
    """A bar driven at x.

    Parameters
    ----------
    square : squares of angular frequency, with a loss or off the poles; all else is broadcast
        with it.
    x, heard : where the bar is driven and heard, 0 to 1; x not above `heard`.
    loads : (place, stiffness) of what rests on the bar; a mass m has -m times `square`, as a share
        of the bar's mass. Places in rising order.
    """
    others = (x, slenderness, shear_ratio, heard, *(part for load in loads for part in load))
    square = np.array(square, dtype=complex, ndmin=max(map(np.ndim, others)))
    waves = _Waves(square, slenderness, shear_ratio)
    # A place that the draws have on either side of the driver stays on one.
    sides = [(np.mean(place) <= np.mean(x), place, load) for place, load in loads]
    below = [(np.minimum(place, x), load) for first, place, load in sides if first]
    above = [(np.minimum(1.0 - place, 1.0 - x), load) for first, place, load in sides if not first]
    at = sum(bool(np.all(place <= 1.0 - heard)) for place, _ in above)
    above = [*above[::-1][:at], (1.0 - heard, None), *above[::-1][at:]]
    left, crossed, (far, near), _ = waves.echo([*below, (x, 0.0)])
    right, mixed, here, moved = waves.echo([*above, (1.0 - x, 0.0)])
    # Rightwards goes what the driver sends and what the left end returns, of that and of what the
    # right end returned: two equations, solved by their adjugate and determinant.
    per = 1.0 / waves.sent
    left, crossed = left * per, crossed * per
    far_far = waves.sent[0] - left[0] * right[0] - crossed[1] * mixed
    far_near = left[0] * mixed + crossed[1] * right[1]
    near_far = left[1] * mixed + crossed[0] * right[0]
    near_near = waves.sent[1] - left[1] * right[1] - crossed[0] * mixed
    far, near = near_near * far + far_near * near, far_far * near + near_far * far
    per = 1.0 / (here[0] * far + here[1] * near)
    return Driven(
        (moved[0] * far + moved[1] * near) * per,
        waves.unit * (far_far * near_near - far_near * near_far) * per,
    )


class _Waves:
    """A bar's two waves at each frequency: far, which travels, and near, which fades beside a point
    that is held or driven. Arrays of shape (2, ...) have far first.

    sent : displacement by either wave where a force of `unit` drives an endless bar.
    own, mixed : what a free end returns for either as sent: displacement by the same wave, and by
    the other, which is the same for both.
    """

    def __init__(self, square: np.ndarray, slenderness, shear_ratio) -> None:
        radius2, s = 1.0 / (12.0 * slenderness**2), shear_ratio / beams.SHEAR_COEFFICIENT
        half, lag = square * (radius2 * (1.0 + s) / 2.0), square * (radius2 * s)
        root = np.sqrt(half**2 + square * (1.0 - lag * radius2))
        near, far = np.sqrt(root - half), np.sqrt(root + half)
        turn_near, turn_far = near**2 + lag, 1j * (far**2 - lag)
        self.unit = -4.0 * square * root
        self.sent = np.array([1j * far * turn_near, -1j * near * turn_far])
        even, odd = near * turn_near, far * turn_far
        whole = 1.0 / (even + odd)
        back = (even - odd) * whole
        self.own = np.array([back * self.sent[0], -back * self.sent[1]])
        self.mixed = 2.0 * whole * self.sent[0] * self.sent[1]
        self.growth, self.turn = np.array([[far.imag, -near.real], [far.real, near.imag]])

    def _passed(self, length) -> np.ndarray:
        """Either wave after a length, over what it was, (2, ...)."""
        # By the tangent of half the angle: a tenth of a complex exponential's time.
        half = np.tan(self.turn * (length / 2.0))
        square = half**2
        size = np.exp(self.growth * length) / (1.0 + square)
        passed = np.empty(size.shape, complex)
        passed.real, passed.imag = size * (1.0 - square), -2.0 * size * half
        return passed

    def echo(self, points: list[tuple]) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """What comes back at the last of these points, (distance from a free end, load), of waves
        sent towards the end: `own` and `mixed` as of the end, by how much either wave moves the
        last point, and by how much the one whose load is None."""
        own, mixed, moved, at = self.own, self.mixed, np.zeros_like(self.own), 0.0
        for place, load in points:
            if np.any(place > at):
                passed = self._passed(np.maximum(place - at, 0.0))
                own, mixed, moved = own * passed**2, mixed * passed[0] * passed[1], moved * passed
                at = place
            here = self.sent + own + mixed
            if load is None:
                moved = here
            elif np.any(load):
                # The load holds the point with a force that sends waves of its own.
                held = here * (load / (self.unit + load * (here[0] + here[1])))
                own, mixed = own - held * here, mixed - held[0] * here[1]
                moved = moved - held * (moved[0] + moved[1])
        return own, mixed, here, moved


def held_frequencies(x, *, slenderness, shear_ratio, count: int) -> np.ndarray:
    """Frequencies of the modes with the board held at x, over that of the free slender bar's first.

    Shape (count,), or (..., count) for arguments of shape (..., 1); or as many as there are below
    the highest free mode that the theory of the bar allows (see `beams.timoshenko_ratio`), NaN for
    a board that has fewer than others. The bar's turning about the point, at 0, is no mode.
    """
    order = np.arange(1, count + 1)
    slender = beams.eigenvalues(count) ** 2
    free = slender * beams.timoshenko_ratio(order, slenderness, shear_ratio)
    high = free[..., np.isfinite(free.reshape(-1, count)).any(axis=0)]
    low = np.append(0.0 * high[..., :1], high[..., :-1], axis=-1)
    bar = {"slenderness": slenderness, "shear_ratio": shear_ratio}
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        below = driven(middle**2 / _LOSSLESS, x, **bar).force.real < 0.0
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2.0 / slender[0]


def modulus_share(mass_ratio: float, *, slenderness: float, shear_ratio: float) -> float:
    """By how much Young's modulus comes out too low from the first mode of a free board with a mass
    left on one end, as a share of itself.

    mass_ratio : the mass over the board's own, above 0.
    """
    bar = {"slenderness": slenderness, "shear_ratio": shear_ratio}
    slender = float(beams.eigenvalues(1)[0] ** 2)
    # The mode lies above that of the board held at its end, and below the bare board's.
    (held,), bare = held_frequencies(1.0, count=1, **bar), float(beams.timoshenko_ratio(1, **bar))

    def force(ratio: float) -> float:
        square = (ratio * slender) ** 2 / _LOSSLESS
        return float(driven(square, 1.0, loads=[(1.0, -mass_ratio * square)], **bar).force.real)

    return 1.0 - (brentq(force, held * (1.0 + 1e-9), bare) / bare) ** 2
