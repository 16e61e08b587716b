"""One tap, found and taken apart, against reading it and one real FFT.

The take: 1 s, 48 kHz, one channel, 24-bit WAV, warm cache; one tap a tenth of a second after its
beginning, ten modes from 163 to 5800 Hz with loss factors from 0.0095 to 0.013, a contact of
0.15 ms, noise at about -90 dB. Ours: reading, finding the tap, its modes with uncertainties, and
all checks on it. Floor: the same reading plus one real FFT, the faster of NumPy and SciPy.

Run: python -m tests.benchmarks.tap
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import soundfile

from studylib.recordings import probe, read_window
from studylib.signal.tap import measure_taps
from tests.benchmarks.common import Promise, against_reading, report
from tests.signal.rings import mode_set, tapped

RATE, FRAMES = 48_000, 48_000
FREQUENCIES = [163.0, 250.0, 410.0, 655.0, 990.0, 1480.0, 2150.0, 3050.0, 4300.0, 5800.0]


def write_take(path: Path) -> None:
    """A knocked board; its ten modes within 20 dB of each other."""
    rng = np.random.default_rng(1)
    amplitudes = 0.1 * 10 ** (-rng.uniform(0.0, 20.0, 10) / 20)
    modes = mode_set(FREQUENCIES, np.linspace(0.0095, 0.013, 10), rng, amplitude=amplitudes)
    x = tapped(modes, n=FRAMES, knocks=((0.1, 1.0),), pulse_s=1.5e-4)
    soundfile.write(path, x + 3e-5 * rng.standard_normal(FRAMES), RATE, subtype="PCM_24")


def main() -> list[Promise]:
    """Print the ratio."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        write_take(path)
        frames = probe(path).frames

        def ours():
            x = read_window(path, start=0, frames=frames)[0]
            return measure_taps(
                x, rate_hz=RATE, lowest_hz=40.0, highest_hz=None, most=16, through_air=False
            )

        (tap,) = ours()
        assert len(tap.decays.frequency_hz) == 10, tap
        result = against_reading(ours, path, channels=1, runs=100)
    return [report("one tap", result, 8)]


if __name__ == "__main__":
    main()
