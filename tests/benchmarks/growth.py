"""Processor time and memory as studies grow: 1,000 takes against 250, and one 30-minute take.

Time should grow with the number of takes and memory hardly at all; a 30-minute, 96 kHz,
2-channel take is to be analysed within 400 MB. Each measurement runs in a process of its own,
so that its peak memory is its own; the floor of memory is the same process with one take.

Run: python -m tests.benchmarks.growth
"""

from __future__ import annotations

import multiprocessing
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile

from tests.small_study import TONE_HZ, Plan, write_small_study


def _study(folder: Path) -> tuple[float, float]:
    from studylib.measure import measure_batch
    from studylib.sheets import read_study

    start = time.process_time()
    study = read_study(folder)
    for batch in study.batches:
        measure_batch(study, batch)
    return time.process_time() - start, _peak_mb()


def _long(path: Path) -> tuple[float, float]:
    from studylib.measure.take import Expectation, measure_take
    from studylib.recordings import probe
    from studylib.signal.quality import CHECKS

    info = probe(path)
    wanted = Expectation(
        rate_hz=info.rate_hz,
        channels={"response": 0, "drive": 1},
        tone_hz=TONE_HZ,
        tone_on=("response", "drive"),
        harmonics=20,
        skip_s=0.0,
        length_s=info.frames / info.rate_hz,
    )
    start = time.process_time()
    measured = measure_take(path, info, wanted, CHECKS)
    print(f"  fitted in {measured.fit.segments} pieces")
    return time.process_time() - start, _peak_mb()


def _peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def _alone(work, argument) -> tuple[float, float]:
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(work, (argument,))


def _write_long(path: Path, *, minutes: float, rate: int = 96_000) -> None:
    rng = np.random.default_rng(1)
    block = 10 * rate
    with soundfile.SoundFile(path, "w", rate, 2, subtype="PCM_24") as file:
        for place in range(int(minutes * 6)):
            t = (place * block + np.arange(block)) / rate
            x = np.sin(2 * np.pi * TONE_HZ * t)[:, None] * [0.2, 0.1]
            file.write(x + 1e-4 * rng.standard_normal((block, 2)))


def main() -> None:
    """Print the ratios."""
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        sizes = {}
        for boards in (1, 7, 28):
            plan = Plan(boards=boards, mounts=4, takes=3, controls=False)
            folder = write_small_study(root / f"boards{boards}", plan)
            sizes[36 * boards] = _alone(_study, folder)
        for takes, (elapsed, peak) in sizes.items():
            print(f"{takes} takes: {1e3 * elapsed / takes:.2f} ms a take, peak {peak:.0f} MB")
        _write_long(root / "long.wav", minutes=30)
        elapsed, peak = _alone(_long, root / "long.wav")
        print(f"30 minutes, 96 kHz, 2 channels: {elapsed:.1f} s, peak {peak:.0f} MB; wanted: 400")


if __name__ == "__main__":
    main()
