"""Timing in pairs: ours and its floor by turns in one run, so that a slow machine slows both."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable


def seconds(work: Callable[[], object]) -> float:
    """Wall time of one call."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


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


def report(name: str, result: dict, wanted: str) -> None:
    """One line a figure."""
    print(
        f"{name}: {result['ratio']:.2f} x the floor "
        f"({result['ratio_low']:.2f} to {result['ratio_high']:.2f}; "
        f"{1e3 * result['ours_s']:.2f} ms against {1e3 * result['floor_s']:.2f} ms); {wanted}"
    )
