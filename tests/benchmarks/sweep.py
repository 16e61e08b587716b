"""One sweep take against reading it and one real FFT a channel.

The take: a sweep of 20 s from 20 Hz to 20 kHz, 1 s of silence around it, 48 kHz, 2 channels,
24-bit WAV, warm cache. Ours: reading, deconvolution, start, the response in both channels with
noise, its curve and all features. Floor: the same reading plus one real FFT of each channel, the
faster of NumPy and SciPy.

Run: python -m tests.benchmarks.sweep
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile

from studylib.measure.sweep_rows import (
    curve_feature_values,
    curve_rows,
    measure_sweep,
    sweep_feature_values,
)
from studylib.recordings import probe, read_window
from studylib.signal.sweep import SweepShape, sweep_signal
from tests.benchmarks.common import Promise, against_reading, report

RATE = 48_000
SHAPE = SweepShape(20.0, 20_000.0, 20.0)


def write_take(path: Path) -> None:
    """The sweep with some second and third harmonic, noise at -90 dB."""
    rng = np.random.default_rng(1)
    wave = 0.3 * sweep_signal(SHAPE, rate_hz=RATE, fade_s=0.05)
    wave = np.pad(wave + 0.01 * wave**2 + 0.01 * wave**3, (RATE // 50, RATE - RATE // 50))
    x = np.stack([wave, 0.7 * wave], axis=1)
    x += 3e-5 * rng.standard_normal(x.shape)
    soundfile.write(path, x, RATE, subtype="PCM_24")


def main() -> list[Promise]:
    """Print the ratio."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        write_take(path)
        frames = probe(path).frames

        def ours():
            measured = measure_sweep(
                read_window(path, start=0, frames=frames),
                rate_hz=RATE,
                shape=SHAPE,
                names=("response", "drive"),
                fundamental_hz=172.0,
                harmonics=20,
            )
            curve = curve_rows("take", measured, sensed=True, offset_db=0.0)
            over_band = curve_feature_values(curve, low_hz=50.0, high_hz=5000.0, sensed=True)
            return [*sweep_feature_values(measured), *over_band]

        result = against_reading(ours, path, channels=2, runs=15)
    return [report("one sweep", result, 4)]


if __name__ == "__main__":
    main()
