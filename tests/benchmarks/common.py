"""Timing in pairs: ours and its floor by turns in one run, so that a slow machine slows both.

What is measured is processor time, with that of programs that were started and have ended: the
clock would count whatever else the machine does meanwhile.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import scipy.fft
import soundfile


def processor_s() -> float:
    """Processor seconds so far: all threads of this process, and its children that have ended."""
    ended = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + ended.ru_utime + ended.ru_stime


def seconds(work: Callable[[], object]) -> float:
    """Processor seconds of one call."""
    start = processor_s()
    work()
    return processor_s() - start


def paired(ours: Callable[[], object], floor: Callable[[], object], *, runs: int) -> dict:
    """Median seconds of both and the median of the ratios pair by pair, after a warm-up."""
    ours(), floor()
    pairs = [(seconds(ours), seconds(floor)) for _ in range(runs)]
    ratios = [a / b for a, b in pairs]
    return {
        "ours_s": statistics.median(a for a, _ in pairs),
        "floor_s": statistics.median(b for _, b in pairs),
        "ratio": statistics.median(ratios),
        "ratio_low": min(ratios),
        "ratio_high": max(ratios),
    }


def against_reading(ours: Callable[[], object], path: Path, *, channels: int, runs: int) -> dict:
    """`paired` with the floor of reading a file and one real FFT a channel, the one of NumPy and
    SciPy that leaves ours the larger ratio."""

    def floor(transform):
        x = soundfile.read(path, dtype="float64", always_2d=True)[0]
        return [transform(x[:, channel]) for channel in range(channels)]

    results = [
        paired(ours, lambda fft=fft: floor(fft), runs=runs) for fft in (np.fft.rfft, scipy.fft.rfft)
    ]
    return max(results, key=lambda result: result["ratio"])


def report(name: str, result: dict, wanted: str) -> None:
    """One line a figure."""
    print(
        f"{name}: {result['ratio']:.2f} x the floor "
        f"({result['ratio_low']:.2f} to {result['ratio_high']:.2f}; "
        f"{1e3 * result['ours_s']:.2f} ms against {1e3 * result['floor_s']:.2f} ms); {wanted}"
    )
