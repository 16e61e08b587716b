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
Method: Timoshenko's equations, exact. From either free end towards the driving point, each stretch
between two points adds its dynamic stiffness (a 2 x 2 matrix of displacement and turning) to that
of what lies beyond it; even and odd waves about a stretch's middle keep high frequencies finite.
Source: Timoshenko (1921), solved here anew; a slender bar's roots are those of the tables for a bar
pinned at its end and, from the middle, of one clamped there (see the tests).

A mass left on a free board, such as a driver or a sensor, rides where the board swings most if it
sits at an end, so a little does much: to first order the frequency falls by half of (mass /
board's mass) times the square of the mode's swing there, and the square of a free bar's end is 4
(Rayleigh). Young's modulus falls by twice that share. A mass that is not small bends the mode as
well, which the bar driven at its end has in it: the mode lies where end and mass ask for no force.

Functions: `driven`, `held_frequencies`, `modulus_share`. Class: `Driven`.
"""

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from studylib.wood import beams

_HALVINGS = 46
_SHORTEST = 1e-6  # of the length: between two points that are one
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
    square = np.asarray(square, dtype=complex)
    bar = _Bar(square, slenderness, shear_ratio)
    # A place that the draws have on either side of the driver stays on one.
    sides = [(np.mean(place) <= np.mean(x), place, load) for place, load in loads]
    below = [(np.minimum(place, x), load) for first, place, load in sides if first]
    above = [(np.minimum(1.0 - place, 1.0 - x), load) for first, place, load in sides if not first]
    before, _ = _towards(bar, [(0.0, 0.0), *below, (x, 0.0)], 0.0)
    after, ratio = _towards(bar, [(0.0, 0.0), *above[::-1], (1.0 - x, 0.0)], 1.0 - heard)
    # Either side turns the other way about the point.
    both = before[0] + after[0], before[1] - after[1], before[2] + after[2]
    turning = -both[1] / both[2]
    return Driven(ratio[0] - turning * ratio[1], both[0] + both[1] * turning)


class _Bar:
    """The waves of a bar at each frequency: wave numbers near and far, and their turning."""

    def __init__(self, square: np.ndarray, slenderness, shear_ratio) -> None:
        radius2, s = 1.0 / (12.0 * slenderness**2), shear_ratio / beams.SHEAR_COEFFICIENT
        half = square * radius2 * (1.0 + s) / 2.0
        root = np.sqrt(half**2 + square * (1.0 - square * radius2**2 * s))
        self.near, self.far = np.sqrt(root - half), np.sqrt(root + half)
        lag = square * radius2 * s
        self.turn_near = (self.near**2 + lag) / self.near
        self.turn_far = (lag - self.far**2) / self.far
        self.shear_far, self.shear_near = square / self.far, square / self.near
        self.bend_far, self.bend_near = self.turn_far * self.far, self.turn_near * self.near

    def stretch(self, length) -> tuple[tuple, tuple]:
        """Stiffness of a stretch at its inner end, and between its ends, each (aa, ab, bb) of
        displacement a and turning b: half the sum and half the difference of even and odd."""
        # Times a half: a complex division costs several times as much, by a plain number too.
        wave, fall = np.exp(0.5j * self.far * length), np.exp(-self.near * length)
        back = 1.0 / wave
        cosine, sine = (wave + back) * 0.5, (wave - back) * -0.5j
        tanh = (1.0 - fall) / (1.0 + fall)
        even = _ratio(
            (cosine, 1.0, self.turn_far * sine, self.turn_near * tanh),
            (
                -self.shear_far * sine, -self.shear_near * tanh,
                self.bend_far * cosine, self.bend_near,
            ),
        )  # fmt: skip
        odd = _ratio(
            (sine, tanh, -self.turn_far * cosine, self.turn_near),
            (
                self.shear_far * cosine, -self.shear_near,
                self.bend_far * sine, self.bend_near * tanh,
            ),
        )  # fmt: skip
        return (
            tuple((a + b) * 0.5 for a, b in zip(even, odd, strict=True)),
            tuple((a - b) * 0.5 for a, b in zip(even, odd, strict=True)),
        )


def _ratio(moves: tuple, forces: tuple) -> tuple:
    """(aa, ab, bb) of the symmetric matrix that turns the moves of two waves into their forces."""
    a, b, c, d = moves
    e, f, g, h = forces
    whole = a * d - b * c
    return (e * d - f * c) / whole, (f * a - e * b) / whole, (h * a - g * b) / whole


def _towards(bar: _Bar, points: list[tuple], heard) -> tuple[tuple, tuple]:
    """From a free end inwards over points (place, load), the last the driving point: the stiffness
    there, and how far the place `heard` moves for a displacement and for a turning of 1 there."""
    at = sum(bool(np.all(place <= heard)) for place, _ in points)
    inside = [*points[:at], (heard, 0.0), *points[at:]]
    own: tuple = (0.0, 0.0, 0.0)
    moved: tuple = (1.0, 0.0, 0.0, 1.0)  # displacement and turning at `heard`, by those here
    for (start, load), (end, _) in pairwise(inside):
        own = own[0] + load, *own[1:]
        if np.all(end == start):
            continue
        same, across = bar.stretch(np.maximum(end - start, _SHORTEST))
        # A stretch's outer end is its inner one in a mirror: turning changes its sign.
        aa, ab, bb = same[0] + own[0], own[1] - same[1], same[2] + own[2]
        whole = aa * bb - ab**2
        # Forces at the outer end for a displacement and a turning of 1 at the inner one.
        one = across[0], -across[1]
        two = across[1], -across[2]
        swing = (
            (ab * one[1] - bb * one[0]) / whole,
            (ab * two[1] - bb * two[0]) / whole,
            (ab * one[0] - aa * one[1]) / whole,
            (ab * two[0] - aa * two[1]) / whole,
        )
        moved = _chained(moved, swing) if np.all(start >= heard) else moved
        own = (
            same[0] + one[0] * swing[0] + one[1] * swing[2],
            same[1] + one[0] * swing[1] + one[1] * swing[3],
            same[2] + two[0] * swing[1] + two[1] * swing[3],
        )
    return own, moved[:2]


def _chained(a: tuple, b: tuple) -> tuple:
    return (
        a[0] * b[0] + a[1] * b[2], a[0] * b[1] + a[1] * b[3],
        a[2] * b[0] + a[3] * b[2], a[2] * b[1] + a[3] * b[3],
    )  # fmt: skip


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
