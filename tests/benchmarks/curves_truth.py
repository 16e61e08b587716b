"""How often does the band about the woods' curves hold everywhere, and how often is a test wrong?

Boards of three woods are drawn as curves around known means: stationary and smooth; with a level of
each board's own on top; as third octaves; and as peaked responses whose modes move from board to
board, by the same amounts in every wood or by three times as much in one. The last breaks what the
band assumes: spreads of one shape over frequency. Counted are studies in which the band misses the
truth of any pair at any frequency, and those in which the permutation test finds a difference
between woods that are alike.

Run: python -m tests.benchmarks.curves_truth [studies a cell]
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import partial

import numpy as np

from studylib.stats.blocks import wood_model
from studylib.stats.curves import curve_bands, curve_tests

STUDIES, POOL, SEED = 2000, 6000, 172
MODES_HZ = 140.0 * np.array([1.0, 2.76, 5.40, 8.93, 13.3])  # a slender free bar's
FREQUENCY = np.geomspace(80.0, 2500.0, 480)

Draw = Callable[[np.random.Generator, np.ndarray], np.ndarray]


def smooth(rng, group, *, spreads, own, width, length):
    """Stationary curves of unit variance with a level of each board's own, `own` times as large."""
    weight = np.exp(-0.5 * (np.arange(-4 * width, 4 * width + 1) / width) ** 2)
    white = rng.standard_normal((group.size, length + 8 * width))
    y = np.array([np.convolve(row, weight, "valid")[:length] for row in white])
    y = y / np.sqrt(np.sum(weight**2)) + own * rng.standard_normal((group.size, 1))
    return y * np.array(spreads)[group][:, None]


def peaked_pools(shifts):
    """Many boards of each wood about their mean: resonances that move by these relative amounts."""
    rng, pools = np.random.default_rng(SEED), []
    for shift in shifts:
        common = shift * rng.standard_normal((POOL, 1))
        modes = MODES_HZ * np.exp(common + 0.3 * shift * rng.standard_normal((POOL, MODES_HZ.size)))
        loss = 0.012 * np.exp(0.2 * rng.standard_normal(modes.shape))
        sums = np.zeros((POOL, FREQUENCY.size), complex)
        for mode, eta in zip(modes.T[:, :, None], loss.T[:, :, None], strict=True):
            sums += mode**2 / (mode**2 * (1 + 1j * eta) - FREQUENCY**2)
        level = 20 * np.log10(np.abs(sums) + 0.02) + 0.5 * rng.standard_normal((POOL, 1))
        pools.append(level - level.mean(axis=0))
    return pools


def from_pools(rng, group, *, pools):
    """Boards drawn from the pools."""
    return np.array([pools[wood][rng.integers(POOL)] for wood in group])


def cells() -> dict[str, Draw]:
    """What is drawn."""
    found = {}
    for spreads in ((1, 1, 1), (3, 1, 1)):
        for name, shape in {
            "smooth": {"own": 0.0, "width": 8, "length": 400},
            "smooth, own levels": {"own": 4.0, "width": 8, "length": 400},
            "third octaves": {"own": 0.0, "width": 1, "length": 14},
            "third octaves, own levels": {"own": 4.0, "width": 3, "length": 14},
        }.items():
            found[f"{name}, spreads {spreads}"] = partial(smooth, spreads=spreads, **shape)
    for shifts in ((0.02, 0.02, 0.02), (0.04, 0.013, 0.013)):
        found[f"peaked, modes move by {shifts}"] = partial(from_pools, pools=peaked_pools(shifts))
    return found


def coverage(draw: Draw, boards: int, studies: int, seed: int = SEED) -> float:
    """Share of studies whose band holds for all pairs at all frequencies; woods are alike."""
    rng, group = np.random.default_rng(seed), np.repeat(np.arange(3), boards)
    model = wood_model(group, np.ones((group.size, 1)), block=False)
    held = [
        all(np.all(np.abs(b.difference) <= b.half) for b in curve_bands(model, y, confidence=0.95))
        for y in (draw(rng, group) for _ in range(studies))
    ]
    return float(np.mean(held))


def false_alarms(draw: Draw, studies: int, seed: int = SEED) -> tuple[float, float]:
    """Shares with p at most 0.05: of all woods, of any pair; two batches of three boards a wood."""
    rng, group = np.random.default_rng(seed), np.tile(np.repeat(np.arange(3), 3), 2)
    shares = np.eye(2)[np.repeat([0, 1], 9)]
    model = wood_model(group, shares, block=True)
    found = [
        [t.p <= 0.05 for t in curve_tests(model, draw(rng, group), shares)] for _ in range(studies)
    ]
    return float(np.mean([t[0] for t in found])), float(np.mean([any(t[1:]) for t in found]))


def main() -> None:
    """Print a line a cell."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    for name, draw in cells().items():
        held = ", ".join(f"{n} boards {coverage(draw, n, studies):.3f}" for n in (4, 6, 12))
        whole, pair = false_alarms(draw, max(studies // 10, 10))
        print(f"{name}: band holds, {held}; test {whole:.3f}, of pairs {pair:.3f}", flush=True)


if __name__ == "__main__":
    main()
