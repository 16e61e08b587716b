"""A board on the bench: receptances between points, with supports, driver and fixed masses on.

Conventions: receptance = displacement / force (m/N), arrays run over frequency first. Damping is
viscous per mode (loss factor eta_n at the mode's own frequency), so every response is causal and
every free decay is exactly exponential.
Method: modal sum of the free board, then receptance coupling: each attachment is a point
impedance (dynamic stiffness, N/m) joined to the sum. Source: standard substructure coupling.

Contents: Board, Attachment, Assembly, decay_modes.
"""

from dataclasses import dataclass

import numpy as np
from scipy.linalg import eig

from .beam import Modes


@dataclass(frozen=True)
class Board:
    """Free board: its modes and one loss factor a mode (rigid modes carry 0)."""

    modes: Modes
    loss_factor: np.ndarray


@dataclass(frozen=True)
class Attachment:
    """Point mass (kg), or spring (N/m) with damper (N s/m) to ground, or to its own mass.

    ``mass`` alone rides on the board. ``stiffness`` and ``damping`` lead to ground when
    ``far_mass`` is 0, otherwise to a mass of that size which nothing else holds.
    """

    position: float
    mass: float = 0.0
    stiffness: float = 0.0
    damping: float = 0.0
    far_mass: float = 0.0

    def dynamic_stiffness(self, omega: np.ndarray) -> np.ndarray:
        """Force per displacement (N/m) that the attachment takes from the board."""
        link = self.stiffness + 1j * omega * self.damping
        if self.far_mass:
            inertia = self.far_mass * omega**2
            link = link * inertia / (inertia - link)
        return link - omega**2 * self.mass


class Assembly:
    """A board with attachments; gives receptances between any two points."""

    def __init__(self, board: Board, attachments: tuple[Attachment, ...], omega: np.ndarray):
        self.board = board
        self.omega = np.asarray(omega, dtype=float)
        own = 2 * np.pi * board.modes.frequency_hz
        self._gain = 1 / (
            own**2 - self.omega[:, None] ** 2 + 1j * self.omega[:, None] * own * board.loss_factor
        )
        self._points = [board.modes.at(a.position) for a in attachments]
        self._stiffness = [a.dynamic_stiffness(self.omega) for a in attachments]

    def receptance(self, at: float, force_at: float) -> np.ndarray:
        """Displacement at ``at`` per force at ``force_at`` (m/N), shape (frequencies,)."""
        out, into = self.board.modes.at(at), self.board.modes.at(force_at)
        direct = self._gain @ (out * into)
        if not self._points:
            return direct
        points = np.array(self._points)
        between = np.einsum("fm,im,jm->fij", self._gain, points, points)
        left = self._gain @ (out * points).T
        right = self._gain @ (points * into).T
        stiffness = np.stack(self._stiffness, axis=-1)
        # Displacement at the points: (I + R Z) u = R f. The attachments then push with -Z u.
        coupled = np.eye(len(points)) + between * stiffness[:, None, :]
        reaction = np.linalg.solve(coupled, right[..., None])[..., 0]
        return direct - np.sum(left * stiffness * reaction, axis=-1)


def decay_modes(board: Board, attachments: tuple[Attachment, ...]) -> np.ndarray:
    """Complex poles (rad/s, positive frequency, ascending) of the assembly ringing freely.

    A pole s means exp(s t): frequency Im(s)/2 pi, decay time to -60 dB ln(1000)/-Re(s).
    """
    own = 2 * np.pi * board.modes.frequency_hz
    far = [a for a in attachments if a.far_mass]
    size = len(own) + len(far)
    mass, damping, stiffness = np.eye(size), np.zeros((size, size)), np.zeros((size, size))
    index = np.arange(len(own))
    damping[index, index] = own * board.loss_factor
    stiffness[index, index] = own**2
    for attachment in attachments:
        shape = np.zeros(size)
        shape[: len(own)] = board.modes.at(attachment.position)
        mass += attachment.mass * np.outer(shape, shape)
        if attachment.far_mass:
            place = len(own) + far.index(attachment)
            mass[place, place] = attachment.far_mass
            shape[place] = -1.0
        damping += attachment.damping * np.outer(shape, shape)
        stiffness += attachment.stiffness * np.outer(shape, shape)
    zero, one = np.zeros((size, size)), np.eye(size)
    system = np.block([[zero, one], [-stiffness, -damping]])
    scale = np.block([[one, zero], [zero, mass]])
    poles = eig(system, scale, right=False)
    poles = poles[(poles.imag > 1.0)]
    return poles[np.argsort(poles.imag)]
