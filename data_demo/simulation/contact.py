"""A loose contact: a screw that the rail strikes once a cycle, in one mount only.

The rail at the contact moves as X cos(wt). While it is farther down than the gap, a stiff spot
pushes it back: a one-sided force, periodic, rich in harmonics, silent below the gap. It is a force
on the rail that the driver has no part in, so the harmonics it makes are beyond the driver. Method:
one step of harmonic balance (the force does not act back on the motion that causes it).

Contents: contact_force, buzz.
"""

import numpy as np

from .driver import HARMONICS
from .mounting import Mounted

CONTACT_STIFFNESS = 5000.0  # N/m
GAP = 10e-6  # m; the rail passes it at full drive and 6 dB below, not 12 dB below
STEPS = 4096  # instants a cycle at which the force is evaluated


def contact_force(amplitude: float) -> np.ndarray:
    """Cosine amplitudes (N) at w, 2w, ... of the push for a travel of amplitude cos(wt)."""
    angle = 2 * np.pi * np.arange(STEPS) / STEPS
    push = CONTACT_STIFFNESS * np.maximum(0.0, -amplitude * np.cos(angle) - GAP)
    return 2 * np.fft.rfft(push).real[1 : HARMONICS + 1] / STEPS


def buzz(
    mounted: Mounted, base: np.ndarray, tone_hz: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Acceleration that the contact adds: at the microphone's end and at the driver; and its force.

    ``base``: driven acceleration at the driver, harmonics of ``tone_hz``. Arrays of HARMONICS.
    """
    none = np.zeros(HARMONICS, dtype=complex)
    if not mounted.mount.buzzes:
        return none, none, none
    k = np.arange(1, HARMONICS + 1)
    omega = 2 * np.pi * k * tone_hz
    drive = mounted.mount.drive_position
    alone = mounted.assembly(k[:1] * tone_hz, driver=False)
    carried = alone.receptance(mounted.contact, drive) / alone.receptance(drive, drive)
    travel = carried[0] * base[0] / -(omega[0] ** 2)
    force = contact_force(abs(travel)) * np.exp(1j * k * np.angle(travel))
    loaded = mounted.assembly(k * tone_hz, driver=True)
    far = loaded.receptance(mounted.microphone, mounted.contact)
    near = loaded.receptance(drive, mounted.contact)
    return -(omega**2) * far * force, -(omega**2) * near * force, force
