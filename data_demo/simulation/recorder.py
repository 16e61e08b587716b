"""The recorder: from pressure and acceleration to the 16-bit samples of a take.

Conventions: channel 1 microphone, channel 2 acceleration at the driver; 24,000 samples/s; full
scale is 1.0. A full-scale sine on channel 1 is 112 dB re 20 uPa. All levels here are invented.

Contents: record, write_flac, and the scales of both channels.
"""

from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 24_000
FULL_SCALE_DB = 112.0
PASCAL_FULL_SCALE = np.sqrt(2) * 20e-6 * 10 ** (FULL_SCALE_DB / 20)  # peak pressure at full scale
ACCELERATION_FULL_SCALE = 300.0  # m/s2
SQUARE_TERM, CUBE_TERM = 6e-5, 1e-4  # recorder: y = x + 6e-5 x^2 + 1e-4 x^3
WHITE_DB = (-91.0, -91.0)  # rms re full scale, preamplifier and converter
ROOM_DB = -89.0  # rms re full scale, falling 3 dB an octave above 30 Hz, microphone only
HUM_DB = {50.0: -101.0, 100.0: -104.0, 150.0: -110.0}  # peak re full scale
HUM_ON_DRIVE_DB = -4.0
MARK = "Invented: simulated for a demo, no rail was ever recorded"  # in every file


def record(signal: np.ndarray, rng: np.random.Generator, *, room: bool = True) -> np.ndarray:
    """Noise, hum, the recorder's own curve and 16-bit steps; int16 of the shape of ``signal``.

    ``signal``: (channels, frames) re full scale. ``room`` False: no microphone in the way.
    Raises ValueError when a sample would clip.
    """
    out = np.array(signal, dtype=float)
    frames = out.shape[1]
    time = np.arange(frames) / RATE_HZ
    for channel, row in enumerate(out):
        row += SQUARE_TERM * row**2 + CUBE_TERM * row**3
        row += 10 ** (WHITE_DB[channel] / 20) * rng.standard_normal(frames)
        if channel == 0 and room:
            row += _room_noise(frames, rng)
        extra = HUM_ON_DRIVE_DB if channel else 0.0
        for line, level in HUM_DB.items():
            phase = rng.uniform(0, 2 * np.pi)
            row += 10 ** ((level + extra) / 20) * np.cos(2 * np.pi * line * time + phase)
    steps = np.rint(out * 32768)
    if np.abs(steps).max() >= 32767:
        raise ValueError(f"The take would clip: peak {np.abs(out).max():.3f} of full scale.")
    return steps.astype(np.int16)


def _room_noise(frames: int, rng: np.random.Generator) -> np.ndarray:
    """Pink above 30 Hz, flat below, scaled to ROOM_DB in the long run."""
    frequency = np.fft.rfftfreq(frames, 1 / RATE_HZ)
    shape = 1 / np.sqrt(np.maximum(frequency, 30.0))
    shape[0] = 0.0
    scale = 10 ** (ROOM_DB / 20) / np.sqrt(np.mean(shape**2))
    return scale * np.fft.irfft(np.fft.rfft(rng.standard_normal(frames)) * shape, frames)


def write_flac(path: Path, samples: np.ndarray) -> None:
    """16-bit FLAC from int16 (channels, frames), at the tightest setting of the encoder."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with soundfile.SoundFile(
        path, "w", RATE_HZ, len(samples), "PCM_16", format="FLAC", compression_level=1.0
    ) as file:
        file.comment = MARK
        file.write(samples.T)
