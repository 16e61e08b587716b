"""How often is anything false declared at any of several looks?

Studies of normal boards grow from look to look and are compared at each as `stats.compare` would:
Welch's p closed within the feature, at the level of `stats.looks`. Counted are studies in which a
difference between woods that are alike is declared at any look: at the planned level, and at 5 %
each, as if nobody had planned them. Where two woods lie exactly a limit apart: at any look said to
lie farther apart (beyond), less far apart (within), or to be the same.

Run: python -m tests.benchmarks.looks_truth [studies a design]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from studylib.stats.looks import WIDE, look_level
from studylib.stats.pairs import Pairs, pairs_of_means

FAR = 1e3
STUDIES = 20_000


@dataclass(frozen=True)
class Growth:
    """boards : of each wood by each look.  spreads, means : of the woods.  limit : of two woods."""

    boards: tuple[tuple[int, ...], ...]
    spreads: tuple[float, ...]
    means: tuple[float, ...]
    limit: float | None = None

    @property
    def name(self) -> str:
        """In a line."""
        steps = ", ".join("x".join(map(str, look)) for look in self.boards)
        truth = " ".join("far" if mean else "0" for mean in self.means)
        truth = truth if self.limit is None else f"{self.limit:g} apart"
        return f"{steps}; spreads {' '.join(f'{s:g}' for s in self.spreads)}; {truth}"


def rates(cell: Growth, studies: int = STUDIES, seed: int = 172) -> dict[str, float]:
    """Share of studies with a false sentence at any look."""
    if cell.limit is not None:
        return _at_the_limit(cell, studies, np.random.default_rng(seed))
    rng, k = np.random.default_rng(seed), len(cell.means)
    alike = [cell.means[a] == cell.means[b] for a in range(k) for b in range(a + 1, k)]
    hits = np.zeros((2, studies), dtype=bool)
    for found, level in _looks(cell, studies, rng):
        p = found.closed[:, alike].min(axis=1)
        hits |= np.stack([p <= level, p <= 0.05])
    return {"planned": float(hits[0].mean()), "unplanned": float(hits[1].mean())}


def _at_the_limit(cell: Growth, studies: int, rng: np.random.Generator) -> dict[str, float]:
    hits = np.zeros((3, studies), dtype=bool)
    for found, level in _looks(cell, studies, rng):
        p, beyond, within, same = (
            each[:, 0]
            for each in (
                found.closed,
                found.beyond(cell.limit),
                found.within(cell.limit),
                found.same(cell.limit),
            )
        )
        seen = p <= level
        hits |= np.stack(
            [seen & (beyond <= level), seen & (within <= level), ~seen & (same <= level)]
        )
    return dict(zip(("beyond", "within", "same"), hits.mean(axis=1).tolist(), strict=True))


def _looks(cell: Growth, studies: int, rng: np.random.Generator) -> Iterator[tuple[Pairs, float]]:
    """The pairs at each look, and the level at which they are judged."""
    k, looks = len(cell.means), len(cell.boards)
    total, square = np.zeros((2, studies, k))
    before = np.zeros(k, dtype=int)
    for look in cell.boards:
        n = np.array(look)
        for wood, new in enumerate(n - before):
            y = cell.spreads[wood] * rng.standard_normal((studies, new))
            total[:, wood] += y.sum(axis=1)
            square[:, wood] += (y**2).sum(axis=1)
        before = n
        variance = (square - total**2 / n) / (n - 1)
        found = pairs_of_means(total / n + cell.means, variance, n, n - 1)
        wide = variance.max(axis=1) > WIDE**2 * variance.min(axis=1)
        yield found, np.where(wide, 0.05 / looks, look_level(0.05, looks))


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
    for limit in (1.0, 3.0, 10.0):
        for steps in ((4, 8, 12), (3, 6)):
            for spreads in ((1, 1), (3, 1)):
                yield Growth(tuple((n, n) for n in steps), spreads, (0, limit), limit)


SHORT = (
    Growth(((4, 4), (8, 8), (12, 12)), (1, 1), (0, 0)),
    Growth(((3, 3), (5, 5), (20, 20)), (6, 1), (0, 0)),
    Growth(((4, 4, 4), (8, 8, 8), (12, 12, 12)), (3, 1, 1), (0, 0, FAR)),
    Growth(((3, 3), (6, 6)), (3, 1), (0, 3.0), 3.0),
)


def main() -> None:
    """Print every design, and the worst."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    found = {}
    for cell in grid():
        found[cell.name] = rates(cell, studies)
        both = "  ".join(f"{name} {100 * rate:4.1f}" for name, rate in found[cell.name].items())
        print(f"{both}  {cell.name}", flush=True)
    for kind in ("planned", "beyond", "within", "same"):
        rate, where = max((own[kind], name) for name, own in found.items() if kind in own)
        print(f"worst {kind}: {100 * rate:.1f} % at {where}")


if __name__ == "__main__":
    main()
