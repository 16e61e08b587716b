"""Tone analysis and quality of one take against reading it and one real FFT a channel.

The take: 2 s, 48 kHz, 2 channels, 24-bit WAV (96,000 frames), warm cache. Ours: header,
reading, tone fit with 20 harmonics on both channels, every check, noise broadband, weighted
and in octaves, hum; arrays out, no tables. Floor: the same reading plus one real FFT of each
channel, the faster of NumPy and SciPy.

Run: python -m tests.benchmarks.take
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile

from studylib.measure.take import Expectation, hum_of, measure_take
from studylib.recordings import probe
from studylib.signal.quality import CHECKS
from tests.benchmarks.common import Promise, against_reading, report

RATE, FRAMES = 48_000, 96_000


def write_take(path: Path, *, f_hz: float = 172.03) -> None:
    """A tone with three overtones on two channels, 24 bit, noise at -90 dB."""
    rng = np.random.default_rng(1)
    phi = 2 * np.pi * f_hz * np.arange(FRAMES) / RATE
    shape = sum(10.0**-k * np.sin((k + 1) * phi + k) for k in range(4))
    x = np.stack([0.3 * shape, 0.2 * shape], axis=1) + 3e-5 * rng.standard_normal((FRAMES, 2))
    soundfile.write(path, x, RATE, subtype="PCM_24")


def main() -> list[Promise]:
    """Print the ratio."""
    wanted = Expectation(
        rate_hz=RATE,
        channels={"response": 0, "drive": 1},
        tone_hz=172.0,
        tone_on=("response", "drive"),
        harmonics=20,
        skip_s=0.0,
        length_s=FRAMES / RATE,
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        write_take(path)

        def ours():
            measured = measure_take(path, probe(path), wanted, CHECKS)
            return (
                (measured.noise.power(), measured.noise.weighted_power()),
                measured.noise.bands(),
                hum_of(measured),
            )

        result = against_reading(ours, path, channels=2, runs=100)
    return [report("one take", result, 3)]


if __name__ == "__main__":
    main()
