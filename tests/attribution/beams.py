"""Boards as beams with loss, loaded by the driver that sits on them: receptances at many takes.

A board is a free-free bar: two rigid modes on a soft support and the bending modes of the textbook
bar (cos b cosh b = 1, shapes of end value 2), lowered for shear and rotary inertia by
1 / sqrt(1 + (b r / L)^2 (1 + E/(5/6 G))). Every mode has its loss. On it sits the driver: a base of
its own mass, and above it a moving mass on a spring. What is fixed to a beam at one place changes
the accelerance between two places x, y to A(x, y) - A(x, d) m A(d, y) / (1 + m A(d, d)), exactly.

Conventions: SI; accelerance in 1/kg; arrays over takes or boards first, then multiples or modes.

Contents: Boards, Driver, Loaded, load, mounted_modes.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

BENDING = 14
ROOTS = np.r_[4.730041, 7.853205, 10.995608, 14.137165, 17.278760,
              (np.arange(6, BENDING + 1) + 0.5) * np.pi]  # fmt: skip
RIGID_HZ, RIGID_LOSS = (14.0, 19.0), 0.3


class Boards(NamedTuple):
    """One value a board: sizes in m, density, E in Pa, E/G, loss factor of the first mode."""

    length: np.ndarray
    width: np.ndarray
    thickness: np.ndarray
    density: np.ndarray
    modulus: np.ndarray
    shear: np.ndarray
    loss: np.ndarray

    @property
    def mass(self) -> np.ndarray:
        return self.density * self.length * self.width * self.thickness

    def bending_hz(self) -> np.ndarray:
        """(boards, modes) free bending frequencies."""
        b = ROOTS / self.length[:, None]
        radius = self.thickness / np.sqrt(12.0)
        speed = np.sqrt(self.modulus / self.density)
        soft = (b * radius[:, None]) ** 2 * (1.0 + self.shear[:, None] * 6.0 / 5.0)
        return b**2 * (radius * speed)[:, None] / np.sqrt(1.0 + soft) / (2 * np.pi)


class Driver(NamedTuple):
    """Masses in kg; own resonance in Hz; loss of its suspension."""

    base: float
    moving: float
    own_hz: float
    loss: float

    def mass(self, frequency_hz: np.ndarray) -> np.ndarray:
        """What its base feels like: its own mass and the moving one behind the spring."""
        r = frequency_hz / self.own_hz
        return self.base + self.moving / (1.0 - r**2 / (1.0 + 1j * self.loss * r))


class Loaded(NamedTuple):
    """Accelerances (takes, K) of the board with the driver on it, from a force or a moment.

    near, far : at the driving point and at the far end, from a force at the driving point;
    near_turn, far_turn : from a moment there (per N m);  near_at, far_at : from a force elsewhere;
    bare : at the driving point without the driver.
    """

    near: np.ndarray
    far: np.ndarray
    near_turn: np.ndarray
    far_turn: np.ndarray
    near_at: np.ndarray
    far_at: np.ndarray
    bare: np.ndarray


def _shapes(boards: Boards, x: np.ndarray) -> np.ndarray:
    """(boards, modes) values at x (m from the driver's end), for unit modal mass."""
    return _along(boards, x)[0]


def _along(boards: Boards, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values and slopes at x, rigid modes first."""
    z = (x / boards.length - 0.5)[:, None]
    half = ROOTS / 2.0
    even = (np.arange(BENDING) % 2 == 0)[None, :]
    grow, fall = np.exp(ROOTS * z - half), np.exp(-ROOTS * z - half)
    turn = np.exp(-2.0 * half)
    cosh, sinh = (grow + fall) / (1.0 + turn), (grow - fall) / (1.0 - turn)
    value = np.where(even, np.cos(ROOTS * z) / np.cos(half) + cosh,
                     np.sin(ROOTS * z) / np.sin(half) + sinh)  # fmt: skip
    slope = np.where(even, -np.sin(ROOTS * z) / np.cos(half) + (grow - fall) / (1.0 + turn),
                     np.cos(ROOTS * z) / np.sin(half) + (grow + fall) / (1.0 - turn))  # fmt: skip
    slope = slope * ROOTS / boards.length[:, None]
    tilt = np.sqrt(12.0)
    one = np.ones_like(z)
    value = np.concatenate([one, tilt * z, value], axis=1)
    slope = np.concatenate([0.0 * one, tilt / boards.length[:, None], slope], axis=1)
    scale = np.sqrt(boards.mass)[:, None]
    return value / scale, slope / scale


def _modes(boards: Boards, shift: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(frequency, loss), rigid first; `shift`: relative shift of the bending modes."""
    bending = boards.bending_hz() * (1.0 + shift[:, None])
    n = len(bending)
    frequency = np.concatenate([np.broadcast_to(RIGID_HZ, (n, 2)), bending], axis=1)
    rise = (bending / bending[:, :1]) ** 0.15
    loss = np.concatenate([np.full((n, 2), RIGID_LOSS), boards.loss[:, None] * rise], axis=1)
    return frequency, loss


def load(
    boards: Boards, driver: Driver, frequency_hz: np.ndarray, *, shift: np.ndarray,
    at: np.ndarray, far: np.ndarray, source: np.ndarray,
) -> Loaded:  # fmt: skip
    """Accelerances of the loaded boards, one board a row.

    Parameters
    ----------
    frequency_hz : (K,).
    shift : (boards,) of the modes;  at, far, source : (boards,) places in m: of the driver, of
        the microphone, of a force made on the board.
    """
    modes_hz, loss = _modes(boards, shift)
    f2 = frequency_hz[None, :, None] ** 2
    q = -f2 / (modes_hz[:, None, :] ** 2 * (1 + 1j * loss[:, None, :]) - f2)
    here, slope = _along(boards, at)
    # The microphone hears the far end, and some of what lies before it.
    there = _shapes(boards, far) + 0.15 * _shapes(boards, 0.6 * boards.length)
    made = _shapes(boards, source)

    def between(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return np.einsum("nm,nm,nkm->nk", x, y, q)

    mass = driver.mass(frequency_hz)[None, :]
    bare, path = between(here, here), between(there, here)
    turned, aside = between(here, slope), between(here, made)
    seen = mass / (1.0 + mass * bare)
    return Loaded(
        near=bare - bare * seen * bare,
        far=path - path * seen * bare,
        near_turn=turned - bare * seen * turned,
        far_turn=between(there, slope) - path * seen * turned,
        near_at=aside - bare * seen * aside,
        far_at=between(there, made) - path * seen * aside,
        bare=bare,
    )


def mounted_modes(
    boards: Boards, driver: Driver, *, at: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """(frequency in Hz, bandwidth in Hz) (boards, modes) of the boards with the driver on them.

    The moving mass behind its soft spring is left out: it lies far below the bending modes.
    """
    modes_hz, loss = _modes(boards, np.zeros(len(at)))
    here = _shapes(boards, at)
    mass = np.eye(here.shape[1]) + driver.base * here[:, :, None] * here[:, None, :]
    stiff = modes_hz**2 * (1 + 1j * loss)
    square = np.linalg.eigvals(np.linalg.solve(mass, stiff[:, None, :] * np.eye(here.shape[1])))
    frequency = np.sqrt(square.real)
    return frequency, square.imag / square.real * frequency
