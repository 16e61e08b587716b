"""How often is anything false declared at any of several looks?

Studies of normal boards grow from look to look and are compared at each as `stats.compare` would:
Welch's p closed within the feature, at the level of `stats.looks`. Counted are studies in which a
difference between woods that are alike is declared at any look: at the planned level, and at 5 %
each, as if nobody had planned them.

Run: python -m tests.benchmarks.looks_truth [studies a design]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from studylib.stats.looks import WIDE, look_level
from studylib.stats.pairs import pairs_of_means

FAR = 1e3
STUDIES = 20_000


@dataclass(frozen=True)
class Growth:
    """boards : of each wood by each look.  spreads, means : of the woods."""

    boards: tuple[tuple[int, ...], ...]
    spreads: tuple[float, ...]
    means: tuple[float, ...]

    @property
    def name(self) -> str:
        """In a line."""
        steps = ", ".join("x".join(map(str, look)) for look in self.boards)
        truth = " ".join("far" if mean else "0" for mean in self.means)
        return f"{steps}; spreads {' '.join(f'{s:g}' for s in self.spreads)}; {truth}"


def rates(cell: Growth, studies: int = STUDIES, seed: int = 172) -> dict[str, float]:
    """Share of studies with a false declaration at any look: planned, and at 5 % each."""
    rng, k, looks = np.random.default_rng(seed), len(cell.means), len(cell.boards)
    alike = [cell.means[a] == cell.means[b] for a in range(k) for b in range(a + 1, k)]
    total, square = np.zeros((2, studies, k))
    before, hits = np.zeros(k, dtype=int), np.zeros((2, studies), dtype=bool)
    for look in cell.boards:
        n = np.array(look)
        for wood, new in enumerate(n - before):
            y = cell.spreads[wood] * rng.standard_normal((studies, new))
            total[:, wood] += y.sum(axis=1)
            square[:, wood] += (y**2).sum(axis=1)
        before = n
        variance = (square - total**2 / n) / (n - 1)
        found = pairs_of_means(total / n + cell.means, variance, n, n - 1)
        p = found.closed[:, alike].min(axis=1)
        wide = variance.max(axis=1) > WIDE**2 * variance.min(axis=1)
        hits |= np.stack([p <= np.where(wide, 0.05 / looks, look_level(0.05, looks)), p <= 0.05])
    return {"planned": float(hits[0].mean()), "unplanned": float(hits[1].mean())}


def grid() -> Iterator[Growth]:
    """Every design that is run: even and uneven steps, one wood or the others spread wide."""
    two = ((4, 8, 12), (2, 4, 6), (3, 6), (3, 12), (3, 5, 20), (2, 3, 4, 5, 6), (4, 8, 12, 16, 20))
    for steps in two:
        for spreads in ((1, 1), (3, 1), (6, 1), (10, 1)):
            yield Growth(tuple((n, n) for n in steps), spreads, (0, 0))
    for spreads in ((1, 1), (3, 1), (1, 3)):
        yield Growth(((4, 4), (4, 8), (4, 12)), spreads, (0, 0))
    for k in (3, 4, 5, 8):
        for steps in ((4, 8, 12), (3, 6, 9), (3, 6)):
            for spreads in ((1,) * k, (3,) + (1,) * (k - 1), (10,) + (1,) * (k - 1)):
                boards = tuple((n,) * k for n in steps)
                yield Growth(boards, spreads, (0,) * k)
                yield Growth(boards, spreads, (0, 0) + (FAR,) * (k - 2))
    yield Growth(((3, 3, 3), (3, 3, 12), (3, 12, 12)), (3, 1, 1), (0, 0, 0))


SHORT = (
    Growth(((4, 4), (8, 8), (12, 12)), (1, 1), (0, 0)),
    Growth(((3, 3), (5, 5), (20, 20)), (6, 1), (0, 0)),
    Growth(((4, 4, 4), (8, 8, 8), (12, 12, 12)), (3, 1, 1), (0, 0, FAR)),
)


def main() -> None:
    """Print every design, and the worst."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    found = {}
    for cell in grid():
        found[cell.name] = rates(cell, studies)
        both = "  ".join(f"{name} {100 * rate:4.1f}" for name, rate in found[cell.name].items())
        print(f"{both}  {cell.name}", flush=True)
    worst = max(found, key=lambda name: found[name]["planned"])
    print(f"worst planned: {100 * found[worst]['planned']:.1f} % at {worst}")


if __name__ == "__main__":
    main()
