"""What the microphone and the acceleration sensor pick up in each kind of take.

Conventions: signals re full scale, shape (channels, frames). Steady tones are summed from their
complex amplitudes (the recorder is started once the tone is steady). Sweeps and taps go through
the same receptances on a grid of 0.25 Hz, long enough for every mode to die away.

Contents: Picked (amplitudes of a tone), picked_on_board, picked_on_block, picked_through_air,
render.
"""

from dataclasses import dataclass

import numpy as np

from .contact import buzz
from .driver import DRIVER, HARMONICS, Motion, block_receptance
from .mounting import Mounted
from .plan import PlannedTake
from .recorder import ACCELERATION_FULL_SCALE, PASCAL_FULL_SCALE, RATE_HZ

NEAR_FIELD = 1.2 * 0.025  # Pa per m/s2: air density times an effective 25 mm at the rail's end
NEAR_DELAY, AIR_DELAY = 0.010 / 343, 0.60 / 343  # s: microphone gap; driver to microphone
LEAK = 0.002  # driver's housing heard through the air, relative to NEAR_FIELD, per m/s2
CLOCK_PPM = {"day1": 11.0, "day2": 9.0}  # generator against recorder
CLOCK_SD_PPM, DRIFT_SD_PPM = 0.4, 1.5  # from take to take; over one second
DRIVE_JITTER_DB, MICROPHONE_JITTER_DB = 0.15, 0.12  # from take to take
LOOPBACK = 0.32  # of full scale
SECONDS = {"tap": 2.4}  # every other kind lasts 1 s
SWEEP_HZ, SWEEP_SECONDS, SWEEP_START = (60.0, 8000.0), 0.9, 0.02
TAP_TIMES, TAP_PULSE, TAP_POSITION = (0.10, 0.88, 1.66), 0.0008, 0.40  # s, s, share of the length
TAP_FORCE, TAP_SPREAD = {"bench": 9.0, "free": 6.0}, 0.15  # N, relative
KNOCK = (0.55, 0.003, 10.0)  # s, s, N: somebody bumps the bench
GRID = 4 * RATE_HZ  # points of the sweep and tap spectra


@dataclass(frozen=True)
class Picked:
    """Complex amplitudes of a tone's harmonics re full scale, on both channels, and their parts."""

    response: np.ndarray
    drive: np.ndarray
    leak: np.ndarray  # the part of response that came through the air
    buzz: np.ndarray  # the part of response that came from the loose contact


def microphone(acceleration: np.ndarray, frequency_hz: np.ndarray, gain_db: float) -> np.ndarray:
    """Channel 1 for an acceleration (m/s2) right under the microphone."""
    turn = np.exp(-2j * np.pi * np.asarray(frequency_hz) * NEAR_DELAY)
    return acceleration * NEAR_FIELD / PASCAL_FULL_SCALE * 10 ** (gain_db / 20) * turn


def through_air(housing: np.ndarray, frequency_hz: np.ndarray) -> np.ndarray:
    """Channel 1 for the driver's housing moving (m/s2) at the other end of the bench."""
    turn = np.exp(-2j * np.pi * np.asarray(frequency_hz) * AIR_DELAY)
    return housing * LEAK * NEAR_FIELD / PASCAL_FULL_SCALE * turn


def picked_on_board(mounted: Mounted, tone_hz: float, drive_db: float) -> Picked:
    """Tone on a rail: board, leak and loose contact together."""
    frequency = tone_hz * np.arange(1, HARMONICS + 1)
    drive = mounted.mount.drive_position
    load = mounted.assembly(frequency, driver=False).receptance(drive, drive)
    motion = DRIVER.tone(drive_db, tone_hz, load)
    far, near, _ = buzz(mounted, motion.base, tone_hz)
    gain = mounted.mount.gain_db
    board = microphone(motion.base * mounted.transmission(frequency), frequency, gain)
    rattle, leak = microphone(far, frequency, gain), through_air(motion.mass, frequency)
    sensed = (motion.base + near) / ACCELERATION_FULL_SCALE
    return Picked(board + rattle + leak, sensed, leak, rattle)


def picked_on_block(tone_hz: float, drive_db: float) -> Picked:
    """Tone on the inert block, microphone over the block's far face."""
    frequency = tone_hz * np.arange(1, HARMONICS + 1)
    motion = _on_block(tone_hz, drive_db)
    leak = through_air(motion.mass, frequency)
    near = microphone(motion.base, frequency, 0.0)
    none = np.zeros_like(leak)
    return Picked(near + leak, motion.base / ACCELERATION_FULL_SCALE, leak, none)


def picked_through_air(tone_hz: float, drive_db: float) -> Picked:
    """Driver on the block beside the mounted rail, microphone over the rail's far end."""
    motion = _on_block(tone_hz, drive_db)
    leak = through_air(motion.mass, tone_hz * np.arange(1, HARMONICS + 1))
    return Picked(leak, motion.base / ACCELERATION_FULL_SCALE, leak, np.zeros_like(leak))


def _on_block(tone_hz: float, drive_db: float) -> Motion:
    return DRIVER.tone(drive_db, tone_hz, block_receptance(tone_hz * np.arange(1, HARMONICS + 1)))


def render(take: PlannedTake, mounted: Mounted | None, rng: np.random.Generator) -> np.ndarray:
    """Noise-free signal of one take re full scale; ``mounted`` for kinds that need a rail."""
    frames = round(SECONDS.get(take.kind, 1.0) * RATE_HZ)
    if take.kind == "room":
        return np.zeros((2, frames))
    if take.kind == "tap":
        return _taps(mounted, frames, rng)
    if take.kind == "sweep":
        return _sweep(mounted, take.drive_db, frames, rng)
    drive_db = take.drive_db + DRIVE_JITTER_DB * rng.standard_normal()
    jitter = 10 ** (MICROPHONE_JITTER_DB * rng.standard_normal() / 20)
    if take.kind == "loopback":
        pure = np.zeros(HARMONICS, dtype=complex)
        pure[0] = LOOPBACK * 10 ** (take.drive_db / 20)
        both = np.array([pure, pure])
    else:
        if take.kind == "tone":
            picked = picked_on_board(mounted, take.tone_hz, drive_db)
        elif take.kind == "driver":
            picked = picked_on_block(take.tone_hz, drive_db)
        else:
            picked = picked_through_air(take.tone_hz, drive_db)
        both = np.array([picked.response * jitter, picked.drive])
    signal = _steady(both, take, frames, rng)
    if take.knocked:
        signal += _knock(mounted, frames)
    return signal


def _steady(
    both: np.ndarray, take: PlannedTake, frames: int, rng: np.random.Generator
) -> np.ndarray:
    """Sum of harmonics, with the generator's small offset and drift against the recorder."""
    offset, drift = rng.standard_normal(2) * (CLOCK_SD_PPM, DRIFT_SD_PPM)
    start = rng.uniform(0, 2 * np.pi)
    time = (np.arange(frames) - frames / 2) / RATE_HZ
    true_hz = take.tone_hz * (1 + 1e-6 * (CLOCK_PPM[take.batch] + offset))
    phase = start + 2 * np.pi * true_hz * (time + 0.5e-6 * drift * time**2)
    signal = np.zeros((2, frames))
    for k in range(1, HARMONICS + 1):
        turn = np.exp(1j * k * phase)
        signal += (both[:, k - 1 : k] * turn).real
    return signal


def _grid() -> np.ndarray:
    frequency = np.fft.rfftfreq(GRID, 1 / RATE_HZ)
    frequency[0] = frequency[1]  # 0 Hz has no acceleration; it is set to zero afterwards
    return frequency


def _time_signal(spectrum: np.ndarray, frames: int) -> np.ndarray:
    spectrum[..., 0] = 0.0
    return np.fft.irfft(spectrum, GRID)[..., :frames]


def _sweep(mounted: Mounted, drive_db: float, frames: int, rng: np.random.Generator) -> np.ndarray:
    """Exponential sweep of the coil force, the driver's polynomial at work all along."""
    level = drive_db + DRIVE_JITTER_DB * rng.standard_normal()
    jitter = MICROPHONE_JITTER_DB * rng.standard_normal()
    frequency = _grid()
    drive = mounted.mount.drive_position
    load = mounted.assembly(frequency, driver=False).receptance(drive, drive)
    force = np.fft.rfft(DRIVER.force * 10 ** (level / 20) * sweep_signal(), GRID)
    travel = np.fft.irfft(DRIVER.motion(force, frequency, load).travel, GRID)
    motion = DRIVER.motion(force + np.fft.rfft(DRIVER.nonlinear_force(travel)), frequency, load)
    far = motion.base * mounted.transmission(frequency)
    heard = microphone(far, frequency, mounted.mount.gain_db) + through_air(motion.mass, frequency)
    both = np.array([heard * 10 ** (jitter / 20), motion.base / ACCELERATION_FULL_SCALE])
    return _time_signal(both, frames)


def sweep_signal() -> np.ndarray:
    """Unit exponential sweep of SWEEP_HZ in SWEEP_SECONDS (Farina 2000), faded over 10 ms."""
    time = np.arange(round(SWEEP_SECONDS * RATE_HZ)) / RATE_HZ
    low, high = SWEEP_HZ
    rate = SWEEP_SECONDS / np.log(high / low)
    wave = np.sin(2 * np.pi * low * rate * (np.exp(time / rate) - 1))
    edge = np.minimum(1.0, np.minimum(time, time[::-1]) / 0.010)
    out = np.zeros(RATE_HZ)
    first = round(SWEEP_START * RATE_HZ)
    out[first : first + len(wave)] = wave * (1 - np.cos(np.pi * edge)) / 2
    return out


def _half_sine(seconds: float) -> np.ndarray:
    time = np.arange(round(seconds * RATE_HZ) + 1) / RATE_HZ
    return np.sin(np.pi * time / seconds) * (time <= seconds)


def _taps(mounted: Mounted, frames: int, rng: np.random.Generator) -> np.ndarray:
    """Three taps with a soft hammer, driver silent (bench) or taken off (free: microphone only)."""
    free = mounted.mount.free
    sizes = TAP_FORCE["free" if free else "bench"] * (1 + TAP_SPREAD * rng.uniform(-1, 1, 3))
    place = TAP_POSITION * mounted.specimen.beam.length + 0.003 * rng.standard_normal()
    ring = _ring(mounted, place, TAP_PULSE)
    signal = np.zeros((2, frames))
    for size, when in zip(sizes, TAP_TIMES, strict=True):
        first = round(when * RATE_HZ)
        signal[:, first:] += size * ring[:, : frames - first]
    return signal[:1] if free else signal


def _knock(mounted: Mounted, frames: int) -> np.ndarray:
    when, seconds, force = KNOCK
    first = round(when * RATE_HZ)
    ring = force * _ring(mounted, 0.5 * mounted.specimen.beam.length, seconds)
    return np.pad(ring[:, : frames - first], ((0, 0), (first, 0)))


def _ring(mounted: Mounted, place: float, seconds: float) -> np.ndarray:
    """Both channels after a half-sine push of 1 N at ``place``, shape (2, GRID)."""
    frequency = _grid()
    bench = mounted.assembly(frequency, driver=not mounted.mount.free)
    force = np.fft.rfft(_half_sine(seconds), GRID) * -((2 * np.pi * frequency) ** 2)
    far = bench.receptance(mounted.microphone, place) * force
    near = bench.receptance(mounted.mount.drive_position, place) * force
    heard = microphone(far, frequency, mounted.mount.gain_db)
    return _time_signal(np.array([heard, near / ACCELERATION_FULL_SCALE]), GRID)
