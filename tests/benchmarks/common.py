"""Timing in pairs: ours and its floor by turns in one run, so that a slow machine slows both.

What is measured is processor time, with that of programs that were started and have ended: the
clock would count whatever else the machine does meanwhile.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass
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


@dataclass(frozen=True)
class Promise:
    """A stage against its floor: ratio with its extremes, seconds of both, and the most it may
    be."""

    stage: str
    ratio: float
    low: float
    high: float
    ours_s: float
    floor_s: float
    most: float


def report(stage: str, result: dict, most: float) -> Promise:
    """One line a stage, and the same for a table."""
    ends = (result[name] for name in ("ratio", "ratio_low", "ratio_high", "ours_s", "floor_s"))
    found = Promise(stage, *ends, most)
    print(
        f"{stage}: {found.ratio:.3g} x the floor ({found.low:.3g} to {found.high:.3g}; "
        f"{found.ours_s:.3g} s against {found.floor_s:.3g} s); wanted: at most {most:g}",
        flush=True,
    )
    return found
