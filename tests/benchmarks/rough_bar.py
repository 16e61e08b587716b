"""A bar that is not the theory's: finite elements of a board that tapers, has knots, twists and
lies on soft strips, shaken by a driver that rocks and is no point.

It is the second opinion on everything that the library predicts from a uniform bar, and shares no
line with the library or with the demo's simulator. Each roughness is a number that may be zero;
with all of them zero the bar is Timoshenko's, uniform, and the driver a point.

Conventions: SI units. x runs along the board from the driver's end, y across it from the centre
line, s = x / length - 1/2. Time runs as exp(+j omega t). Every node carries deflection, turning of
the slice (psi, the slope of the deflection where nothing shears) and twist (theta), so a point at y
moves by w + y theta. What is sensed and heard are displacements for a force of 1 N; ratios of
accelerations are the same ratios.

Method: Timoshenko's beam and Saint-Venant's torsion without warping, in elements of five nodes in
which deflection, turning and twist are polynomials of order four of their own; integrated at six
Gauss points, so that sections and wood vary inside an element. Nothing of a uniform bar's solution
is in it. Stiffness is complex, its loss a power of the frequency. At each frequency one banded
system is solved: nothing is left out of a sum over modes.
Slope of grain turns the compliances of a strip in its plane and couples bending with twist (plane
stress; compliance across the grain ten times that along it, Poisson's ratio 0.4, common range).
Air that moves along weighs pi/4 of its density times the width squared for each length.
Source: Timoshenko's beam (1921); Saint-Venant's constant of a rectangle after Roark (recalled);
turned compliances after Jones, Mechanics of Composite Materials (recalled).

Classes: `Wood`, `Knot`, `Roughness`, `Support`, `Driver`, `Ear`, `Motion`, `FreeModes`.
Functions: `motion`, `free_modes`, `mass`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.linalg import eigh
from scipy.linalg.lapack import zgbsv

SHEAR_COEFFICIENT = 5.0 / 6.0
AIR = 1.204
"""kg/m3 at 20 degrees Celsius."""
SPEED_OF_SOUND = 343.0
LOSS_AT_HZ = 200.0
"""Where `Wood.loss` is meant, if it depends on the frequency."""
ACROSS = (10.0, 0.4)
"""Modulus along over that across the grain, and Poisson's ratio, for slope of grain alone."""

_ORDER = 4
_NUMBERS = 3  # of a node: deflection, turning, twist
_OWN = _NUMBERS * (_ORDER + 1)  # of an element
_BAND = _OWN - 1
_ROWS = 3 * _BAND + 1  # as LAPACK wants a banded matrix that it may pivot
_GAUSS, _WEIGHT = np.polynomial.legendre.leggauss(6)
_XI, _WEIGHT = (_GAUSS + 1.0) / 2.0, _WEIGHT / 2.0
_PLACES = np.linspace(0.0, 1.0, _ORDER + 1)
_POWERS = np.linalg.inv(np.vander(_PLACES))  # of the polynomials that are 1 at one place each
_VALUE = np.vander(_XI, _ORDER + 1) @ _POWERS
_SLOPE = np.array([np.polyval(np.polyder(column), _XI) for column in _POWERS.T]).T


@dataclass(frozen=True)
class Wood:
    """A board's sizes in m and its wood, as means along it; moduli in Pa, density in kg/m3."""

    length: float
    width: float
    thickness: float
    density: float
    youngs_modulus: float
    shear_modulus: float
    loss: float


@dataclass(frozen=True)
class Knot:
    """A spot at x with a Gaussian profile of standard deviation `reach`; shares of the plain wood's
    stiffness, density and loss that come on top at its middle (-0.5: half as stiff)."""

    at: float
    reach: float
    stiffness: float = 0.0
    density: float = 0.0
    loss: float = 0.0


@dataclass(frozen=True)
class Roughness:
    """What makes a board no uniform bar; all zero by default.

    Attributes
    ----------
    thickness, width, density, stiffness : change from end to end, as a share of the mean; stiffness
        is that of E and G alike.
    knots : spots.
    loss_power : the loss grows as the frequency to this power.
    shear_loss : loss of the shear modulus over that of Young's modulus, minus 1.
    grain : slope of the grain in the board's plane, radians.
    """

    thickness: float = 0.0
    width: float = 0.0
    density: float = 0.0
    stiffness: float = 0.0
    knots: tuple[Knot, ...] = ()
    loss_power: float = 0.0
    shear_loss: float = 0.0
    grain: float = 0.0


@dataclass(frozen=True)
class Support:
    """A point of foam or felt under the board: N/m, with its loss factor."""

    at: float
    stiffness: float
    loss: float = 0.0
    across: float = 0.0


@dataclass(frozen=True)
class Driver:
    """What shakes the board.

    Attributes
    ----------
    at, across : where its foot stands.
    mass, turning : kg and kg m2 that are fixed to the foot.
    lever : where its mass is centred and its force acts, m along the board beside the foot.
    foot_length : of its foot, m; 0 is a point. The foot is stiff, on a bed as wide as itself.
    bed, bed_loss : N/m2, stiffness of the bed for each length, and its loss factor.
    sensor : where the drive channel is fixed, m along the board beside the foot; on the foot itself
        where that is no point.
    """

    at: float
    across: float = 0.0
    mass: float = 0.0
    turning: float = 0.0
    lever: float = 0.0
    foot_length: float = 0.0
    bed: float = 2e7
    bed_loss: float = 0.3
    sensor: float = 0.0


@dataclass(frozen=True)
class Ear:
    """The microphone: over the point x (None: the far end) and y.

    Where its height is not 0 it hears the whole board as a line of simple sources, each weaker and
    later with its distance. That is more than a narrow strip radiates, on purpose.
    """

    at: float | None = None
    across: float = 0.0
    height: float = 0.0


@dataclass(frozen=True)
class Motion:
    """Displacement for 1 N, complex, shape (F,): of what is heard, of what is sensed."""

    heard: np.ndarray
    sensed: np.ndarray

    @property
    def ratio(self) -> np.ndarray:
        """Heard over sensed, as a drive channel of acceleration has it."""
        return self.heard / self.sensed


@dataclass(frozen=True)
class FreeModes:
    """Modes above 0 Hz, ascending: Hz, loss factor, and the share of motion that is twist."""

    frequency_hz: np.ndarray
    loss: np.ndarray
    twist: np.ndarray


@dataclass(frozen=True)
class _Mesh:
    """Nodes, and for each element (E, 15, 15): stiffness, stiffness times its loss over the
    wood's, mass."""

    x: np.ndarray
    stiff: np.ndarray
    lossy: np.ndarray
    mass: np.ndarray

    def row(self, at: float, *, w=1.0, psi=0.0, theta=0.0) -> np.ndarray:
        """A vector over all numbers that asks for these at the node at x."""
        node = int(np.argmin(np.abs(self.x - at)))
        row = np.zeros(_NUMBERS * self.x.size)
        row[_NUMBERS * node : _NUMBERS * (node + 1)] = w, psi, theta
        return row


def motion(
    wood: Wood,
    frequency_hz,
    driver: Driver,
    *,
    rough: Roughness | None = None,
    supports: Sequence[Support] = (),
    ear: Ear | None = None,
    elements: int = 24,
    air: float = AIR,
) -> Motion:
    """What is heard and sensed of a shaken board at each frequency, Hz, shape (F,)."""
    rough, ear = rough or Roughness(), ear or Ear()
    heard_at = wood.length if ear.at is None else ear.at
    foot = driver.at + driver.foot_length / 2.0 * np.array([-1.0, 0.0, 1.0])
    points = [heard_at, driver.at + driver.sensor, *foot, *(s.at for s in supports)]
    mesh = _mesh(wood, rough, points, elements, air)
    omega = 2.0 * np.pi * np.asarray(frequency_hz, dtype=float)
    still = _still(mesh, supports)
    if driver.foot_length > 0.0:
        moved, sensed = _shaken_by_foot(wood, rough, mesh, driver, still, omega)
    else:
        moved, sensed = _shaken_at_point(wood, rough, mesh, driver, still, omega)
    if ear.height == 0.0:
        heard = moved @ mesh.row(heard_at, theta=ear.across)
    else:
        heard = _heard_all(mesh, moved, heard_at, ear, omega)
    return Motion(heard=heard, sensed=sensed)


def free_modes(
    wood: Wood,
    count: int,
    *,
    rough: Roughness | None = None,
    supports: Sequence[Support] = (),
    elements: int = 24,
    air: float = AIR,
) -> FreeModes:
    """The first `count` modes in which the board bends or twists by itself.

    Lift, tilt and roll as a whole, on foam or not, are left out. The loss is the share of the
    strain's energy that is lost, at the mode's own frequency: right as long as losses are small.
    """
    rough = rough or Roughness()
    mesh = _mesh(wood, rough, [s.at for s in supports], elements, air)
    size = _NUMBERS * mesh.x.size
    stiff, lossy, mass = (_dense(x, mesh.x.size) for x in (mesh.stiff, mesh.lossy, mesh.mass))
    foam = np.zeros((size, size))
    for s in supports:
        row = mesh.row(s.at, theta=s.across)
        stiff += s.stiffness * np.outer(row, row)
        foam += s.stiffness * s.loss * np.outer(row, row)
    square, shape = eigh(stiff, mass, subset_by_index=(0, count + 2))
    # Three rigid motions come first: lift, tilt and roll.
    square, shape = square[3:], shape[:, 3:]
    frequency = np.sqrt(square) / (2.0 * np.pi)
    own = np.einsum("im,ij,jm->m", shape, lossy, shape) * _loss(wood, rough, frequency)
    loss = (own + np.einsum("im,ij,jm->m", shape, foam, shape)) / square
    rolled = shape.copy()
    rolled[0::_NUMBERS], rolled[1::_NUMBERS] = 0.0, 0.0
    twist = np.einsum("im,ij,jm->m", rolled, mass, rolled)
    return FreeModes(frequency_hz=frequency, loss=loss, twist=twist)


def mass(wood: Wood, rough: Roughness | None = None) -> float:
    """What the board weighs, kg."""
    edges = np.linspace(0.0, wood.length, 201)
    at = edges[:-1, None] + wood.length / 200 * _XI
    width, thickness, density, _, _ = _along(wood, rough or Roughness(), at)
    return float(np.sum(width * thickness * density * _WEIGHT) * wood.length / 200)


def _loss(wood: Wood, rough: Roughness, frequency_hz) -> np.ndarray:
    return wood.loss * (np.asarray(frequency_hz) / LOSS_AT_HZ) ** rough.loss_power


# The board.


def _mesh(wood: Wood, rough: Roughness, points, elements: int, air: float) -> _Mesh:
    """Nodes stand at every point that something is fixed to, and close enough between them."""
    edges = np.unique(np.round(np.clip([0.0, *points, wood.length], 0.0, wood.length), 9))
    spans = [
        np.linspace(a, b, 1 + max(1, round(elements * (b - a) / wood.length)))
        for a, b in pairwise(edges)
    ]
    edges = np.unique(np.concatenate(spans))
    h = np.diff(edges)[:, None]
    x = np.append((edges[:-1, None] + h * _PLACES[:-1]).ravel(), edges[-1])
    width, thickness, density, share, lossier = _along(wood, rough, edges[:-1, None] + h * _XI)
    area, second = width * thickness, width * thickness**3 / 12.0
    shear = SHEAR_COEFFICIENT * wood.shear_modulus * share * area
    bend, twist, both = _section(wood, rough, second, _torsion(width, thickness))
    bend, twist, both = bend * share, twist * share, both * share
    (w, psi, theta), (slope, bent, twisted) = _shapes(h)
    weight = _WEIGHT * h

    def total(amount, left, right):
        return np.einsum("eg,egi,egj->eij", amount * weight, left, right)

    bending, sheared = total(bend, bent, bent), total(shear, slope - psi, slope - psi)
    twisting = total(twist, twisted, twisted)
    coupled = total(both, bent, twisted)
    coupled = coupled + coupled.transpose(0, 2, 1)
    slack = 1.0 + rough.shear_loss
    moving = density * area + np.pi / 4.0 * air * width**2
    mass = total(moving, w, w) + total(density * second, psi, psi)
    mass += total(density * area * (width**2 + thickness**2) / 12.0, theta, theta)
    lossy = total(bend * lossier, bent, bent)
    lossy += slack * total(shear * lossier, slope - psi, slope - psi)
    lossy += slack * total(twist * lossier, twisted, twisted)
    mixed = (1.0 + slack) / 2.0 * total(both * lossier, bent, twisted)
    lossy += mixed + mixed.transpose(0, 2, 1)
    return _Mesh(x=x, stiff=bending + sheared + twisting + coupled, lossy=lossy, mass=mass)


def _along(wood: Wood, rough: Roughness, x):
    """Width, thickness, density, and shares of stiffness and of loss at x."""
    s = x / wood.length - 0.5
    density, share = 1.0 + rough.density * s, 1.0 + rough.stiffness * s
    lossier = np.ones_like(x)
    for knot in rough.knots:
        spot = np.exp(-0.5 * ((x - knot.at) / knot.reach) ** 2)
        density, share = (
            density * (1.0 + knot.density * spot),
            share * (1.0 + knot.stiffness * spot),
        )
        lossier = lossier * (1.0 + knot.loss * spot)
    return (
        wood.width * (1.0 + rough.width * s),
        wood.thickness * (1.0 + rough.thickness * s),
        wood.density * density,
        share,
        lossier,
    )


def _torsion(width, thickness):
    """Saint-Venant's constant of a rectangle; Roark's formula, right to 4 % (recalled)."""
    a, b = np.maximum(width, thickness), np.minimum(width, thickness)
    return a * b**3 * (1.0 / 3.0 - 0.21 * b / a * (1.0 - b**4 / (12.0 * a**4)))


def _section(wood: Wood, rough: Roughness, second, torsion):
    """Stiffness of a slice against bending, against twist, and what couples the two."""
    c, s = np.cos(rough.grain), np.sin(rough.grain)
    along, shear = 1.0 / wood.youngs_modulus, 1.0 / wood.shear_modulus
    across, poisson = ACROSS[0] * along, -ACROSS[1] * along
    s11 = along * c**4 + (2.0 * poisson + shear) * s**2 * c**2 + across * s**4
    s16 = (2 * along - 2 * poisson - shear) * s * c**3 - (
        2 * across - 2 * poisson - shear
    ) * s**3 * c
    give, give_twist, give_both = s11 / second, shear / torsion, s16 / (2.0 * second)
    rest = give * give_twist - give_both**2
    return give_twist / rest, give / rest, -give_both / rest


def _shapes(h):
    """Deflection, turning and twist at the Gauss points, and their slopes, each (E, 6, 15)."""
    values, slopes = [], []
    for number in range(_NUMBERS):
        value = np.zeros((len(h), _XI.size, _OWN))
        slope = np.zeros_like(value)
        value[:, :, number::_NUMBERS] = _VALUE
        slope[:, :, number::_NUMBERS] = _SLOPE / h[:, :, None]
        values.append(value)
        slopes.append(slope)
    return values, slopes


# The bench.


def _still(mesh: _Mesh, supports: Sequence[Support]) -> np.ndarray:
    """What the supports add to the stiffness, banded."""
    band = np.zeros((_ROWS, _NUMBERS * mesh.x.size), dtype=complex)
    for s in supports:
        _add(band, mesh, s.at, np.array([1.0, 0.0, s.across]), s.stiffness * (1 + 1j * s.loss))
    return band


def _add(band, mesh: _Mesh, at: float, row: np.ndarray, amount) -> None:
    """Put amount x row row' onto the three numbers of the node at x."""
    start = _NUMBERS * int(np.argmin(np.abs(mesh.x - at)))
    for i in range(_NUMBERS):
        for j in range(_NUMBERS):
            band[2 * _BAND + i - j, start + j] += amount * row[i] * row[j]


def _shaken_at_point(wood, rough, mesh, driver: Driver, still, omega):
    push = np.array([1.0, driver.lever, driver.across])
    riding = np.zeros_like(still)
    _add(riding, mesh, driver.at, push, driver.mass)
    for turned in (np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0])):
        _add(riding, mesh, driver.at, turned, driver.turning)
    force = mesh.row(driver.at, psi=driver.lever, theta=driver.across)
    moved = _solve(wood, rough, mesh, still, riding, force[:, None], omega)[:, :, 0]
    return moved, moved @ mesh.row(driver.at + driver.sensor, theta=driver.across)


def _shaken_by_foot(wood, rough, mesh, driver: Driver, still, omega):
    """The foot is a body of its own: lift, tilt and roll about its middle."""
    bed, still = driver.bed * (1.0 + 1j * driver.bed_loss), still.copy()
    start, end = driver.at - driver.foot_length / 2.0, driver.at + driver.foot_length / 2.0
    edges = mesh.x[::_ORDER]
    touched = (edges[:-1] >= start - 1e-9) & (edges[1:] <= end + 1e-9)
    h = np.diff(edges)[touched][:, None]
    (w, _, theta), _ = _shapes(h)
    x = edges[:-1][touched][:, None] + h * _XI - driver.at
    gap = np.stack([np.ones_like(x), x, np.full_like(x, driver.across)], axis=-1)
    # A bed as wide as it is long also holds against roll.
    roll = np.stack([0 * x, 0 * x, np.full_like(x, driver.foot_length / np.sqrt(12.0))], axis=-1)
    board = w + driver.across * theta
    rolled = driver.foot_length / np.sqrt(12.0) * theta
    weight = _WEIGHT * h
    own = np.einsum("eg,egi,egj->eij", weight, board, board)
    own += np.einsum("eg,egi,egj->eij", weight, rolled, rolled)
    cross = np.einsum("eg,egi,egj->eij", weight, board, gap)
    cross += np.einsum("eg,egi,egj->eij", weight, rolled, roll)
    body = np.einsum("eg,egi,egj->ij", weight, gap, gap)
    body += np.einsum("eg,egi,egj->ij", weight, roll, roll)
    coupling = np.zeros((_NUMBERS * mesh.x.size, 3), dtype=complex)
    for one, number in enumerate(np.flatnonzero(touched)):
        begin = _NUMBERS * _ORDER * number
        coupling[begin : begin + _OWN] -= bed * cross[one]
        _spread(still, bed * own[one], begin)
    reach = np.array([1.0, driver.lever, driver.across])
    inertia = driver.mass * np.outer(reach, reach) + driver.turning * np.diag([0.0, 1.0, 1.0])
    given = _solve(wood, rough, mesh, still, np.zeros_like(still), coupling, omega)
    stiff = bed * body - omega[:, None, None] ** 2 * inertia
    stiff = stiff - np.einsum("ni,fnj->fij", coupling, given)
    foot = np.linalg.solve(stiff, np.broadcast_to(reach[:, None], (omega.size, 3, 1)))[..., 0]
    moved = -np.einsum("fnj,fj->fn", given, foot)
    return moved, foot @ np.array([1.0, driver.sensor, driver.across])


def _solve(wood, rough, mesh, still, riding, right, omega) -> np.ndarray:
    """Board's numbers, shape (F, numbers, right sides), for these forces at each frequency."""
    stiff, lossy, mass = (_banded(x, mesh.x.size) for x in (mesh.stiff, mesh.lossy, mesh.mass))
    fixed, heavy = stiff + still, mass + riding
    loss = _loss(wood, rough, omega / (2.0 * np.pi))
    found = np.empty((omega.size, *right.shape), dtype=complex)
    for at, (one, eta) in enumerate(zip(omega, loss, strict=True)):
        band = fixed + 1j * eta * lossy - one**2 * heavy
        found[at] = zgbsv(_BAND, _BAND, band, right, overwrite_ab=True)[2]
    return found


def _heard_all(mesh, moved, at: float, ear: Ear, omega) -> np.ndarray:
    share = np.gradient(mesh.x)
    share[[0, -1]] /= 2.0
    away = np.hypot(mesh.x - at, ear.height)
    late = np.exp(-1j * omega[:, None] / SPEED_OF_SOUND * (away - ear.height))
    deflection = moved[:, 0::_NUMBERS] + ear.across * moved[:, 2::_NUMBERS]
    return np.sum(deflection * late * share / away, axis=1) / np.sum(share / away)


def _banded(elements: np.ndarray, nodes: int) -> np.ndarray:
    band = np.zeros((_ROWS, _NUMBERS * nodes))
    for at, element in enumerate(elements):
        _spread(band, element, _NUMBERS * _ORDER * at)
    return band


def _spread(band: np.ndarray, element: np.ndarray, start: int) -> None:
    """Add one element's matrix to a banded one."""
    i, j = np.indices(element.shape)
    band[2 * _BAND + i - j, start + j] += element


def _dense(elements: np.ndarray, nodes: int) -> np.ndarray:
    whole = np.zeros((_NUMBERS * nodes,) * 2)
    for at, element in enumerate(elements):
        own = slice(_NUMBERS * _ORDER * at, _NUMBERS * _ORDER * at + _OWN)
        whole[own, own] += element
    return whole
