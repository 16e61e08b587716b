"""One setting-up of a rail on the bench: where things sit, and what the bench then passes on.

The rail lies on two soft strips; the driver is fixed near one end, the microphone stands just over
the other end. What differs from mount to mount is drawn once for each mount.

Contents: Mount, mount_of, nominal_mount, free_mount, Mounted.
"""

from dataclasses import dataclass, replace

import numpy as np

from .beam import free_free_modes
from .bench import Assembly, Attachment, Board, decay_modes
from .driver import DRIVER
from .streams import stream
from .woods import BENDING_MODES, CHANGED_FROM_FAR_END, LOSS_SLOPE, Specimen

DRIVE_POSITION, DRIVE_POSITION_SD = 0.100, 0.0006  # m from the driver end
MICROPHONE_FROM_FAR_END = 0.015  # m
SUPPORTS, SUPPORT_SD = (0.2, 0.8), 0.003  # shares of the length; m
SUPPORT_STIFFNESS, SUPPORT_DAMPING = 4000.0, 1.5  # N/m, N s/m, each strip
FREE_SUPPORTS = (0.2242, 0.7758)  # nodes of the first mode, published: 0.22416 of the length
FREE_STIFFNESS, FREE_DAMPING = 300.0, 0.2  # soft foam points
GAIN_SD_DB = 0.40  # microphone put back a little nearer or farther
MODE_SHIFT_SD = 0.0015  # of every mode frequency: clamping, moisture of the day
STIFFNESS_PER_KELVIN = -0.002  # Wood Handbook table 5-16: -0.1108 % per degree Fahrenheit
BATCH_GAIN_DB = {"day1": 0.0, "day2": -0.4}  # the bench was rebuilt in between
BUZZ = ("C3", 2)  # specimen and mount with the loose contact
CONTACT_POSITION = 0.93  # share of the length: an end screw that just touches the rail


@dataclass(frozen=True)
class Mount:
    """Deviations of one mount. Positions in m from the driver end, gain in dB, temperature in C."""

    drive_position: float
    supports: tuple[float, float]
    gain_db: float
    mode_shift: float
    temperature_c: float
    buzzes: bool
    free: bool = False


def mount_of(specimen: Specimen, number: int, batch: str, temperature_c: float) -> Mount:
    """The mount ``number`` of a specimen, as it was set up in ``batch``."""
    rng = stream(f"mount {specimen.name} {number}")
    position, gain, shift = rng.standard_normal(3)
    strips = rng.standard_normal(2) * SUPPORT_SD
    length = specimen.beam.length
    return Mount(
        drive_position=DRIVE_POSITION + DRIVE_POSITION_SD * float(position),
        supports=(SUPPORTS[0] * length + float(strips[0]), SUPPORTS[1] * length + float(strips[1])),
        gain_db=BATCH_GAIN_DB[batch] + GAIN_SD_DB * float(gain),
        mode_shift=MODE_SHIFT_SD * float(shift),
        temperature_c=temperature_c,
        buzzes=(specimen.name, number) == BUZZ,
    )


def nominal_mount(specimen: Specimen) -> Mount:
    """The mount without any deviation, at 20 C: what a board's true value refers to."""
    length = specimen.beam.length
    strips = (SUPPORTS[0] * length, SUPPORTS[1] * length)
    return Mount(DRIVE_POSITION, strips, 0.0, 0.0, 20.0, False)


def free_mount(specimen: Specimen, number: int, batch: str, temperature_c: float) -> Mount:
    """Laid on soft points at the nodes of the first mode, driver taken off."""
    own = mount_of(specimen, number, batch, temperature_c)
    length = specimen.beam.length
    points = (FREE_SUPPORTS[0] * length, FREE_SUPPORTS[1] * length)
    return Mount(own.drive_position, points, own.gain_db, 0.0, temperature_c, False, free=True)


class Mounted:
    """A specimen in a mount. Frequencies in Hz in, complex receptances (m/N) out."""

    def __init__(self, specimen: Specimen, mount: Mount):
        self.specimen, self.mount = specimen, mount
        modes = free_free_modes(specimen.beam, count=BENDING_MODES)
        self.free_frequency_hz = modes.frequency_hz[2:]
        rise = (self.free_frequency_hz / self.free_frequency_hz[0]) ** LOSS_SLOPE
        loss = np.concatenate([[0.0, 0.0], specimen.loss_factor * rise])
        warm = np.sqrt(1 + STIFFNESS_PER_KELVIN * (mount.temperature_c - 20.0))
        today = replace(modes, frequency_hz=modes.frequency_hz * warm * (1 + mount.mode_shift))
        self.board = Board(today, loss)
        self.microphone = specimen.beam.length - MICROPHONE_FROM_FAR_END
        self.contact = CONTACT_POSITION * specimen.beam.length

    def attachments(self, *, driver: bool) -> tuple[Attachment, ...]:
        """What touches the rail: spots and added mass, the strips, the silent driver or not."""
        own = [Attachment(x, mass=extra) for x, extra in self.specimen.spots]
        if self.specimen.added_mass:
            x = self.specimen.beam.length - CHANGED_FROM_FAR_END
            own.append(Attachment(x, mass=self.specimen.added_mass))
        spring = (
            (FREE_STIFFNESS, FREE_DAMPING)
            if self.mount.free
            else (SUPPORT_STIFFNESS, SUPPORT_DAMPING)
        )
        own += [Attachment(x, stiffness=spring[0], damping=spring[1]) for x in self.mount.supports]
        if driver:
            own.append(DRIVER.attachment(self.mount.drive_position))
        return tuple(own)

    def assembly(self, frequency_hz: np.ndarray, *, driver: bool) -> Assembly:
        """Receptances at these frequencies, with or without the silent driver fixed on."""
        omega = 2 * np.pi * np.asarray(frequency_hz, dtype=float)
        return Assembly(self.board, self.attachments(driver=driver), omega)

    def transmission(self, frequency_hz: np.ndarray) -> np.ndarray:
        """Acceleration at the microphone's end per acceleration at the driver: the board alone."""
        bench = self.assembly(frequency_hz, driver=False)
        drive = self.mount.drive_position
        return bench.receptance(self.microphone, drive) / bench.receptance(drive, drive)

    def first_ringing_mode(self, *, driver: bool) -> tuple[float, float]:
        """Frequency (Hz) and decay time to -60 dB (s) of the first bending mode, ringing freely."""
        poles = decay_modes(self.board, self.attachments(driver=driver))
        # The first bending mode is the pole nearest to the free board's own first mode.
        pole = poles[np.argmin(np.abs(poles.imag - 2 * np.pi * self.board.modes.frequency_hz[2]))]
        return float(pole.imag / (2 * np.pi)), float(np.log(1000) / -pole.real)
