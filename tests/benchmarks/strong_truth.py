"""How often is anything false declared, whichever woods truly differ? And what does a lock buy?

Studies are drawn as means and sample variances of their woods (normal boards, no block), 20,000 a
design, and go through `pairs`, `families` and `decisions` as a comparison does. Every design stands
in several truths: no wood differs; some are alike and others far away (a partial null); each pair
exactly the limit apart. Counted are studies with

    declared   a difference declared between woods that are alike
    beyond     a difference not above the limit called larger
    within     a difference not below the limit called smaller
    same       (of each pair alone) a difference as large as the limit called the same
    covered    all intervals of a feature hold their truth

Run: python -m tests.benchmarks.strong_truth [studies a design]
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from studylib.stats import decisions, families
from studylib.stats.pairs import Pairs, pairs_of_means
from studylib.stats.power import verdict_chances

FAR = 1e3
STUDIES, LEVEL = 20_000, 0.05
MOST = {"declared": 0.06, "beyond": 0.06, "within": 0.06, "same": 0.06}
"""What is promised: 5 %, and 6.0 % within three Monte Carlo errors where spreads are unequal."""


@dataclass(frozen=True)
class Cell:
    """counts, spreads, means : of the woods.  features : primary ones, drawn independently.
    limit : of all of them, or None.  claims : pairs (feature, a, b) of a locked study."""

    counts: tuple[int, ...]
    spreads: tuple[float, ...]
    means: tuple[float, ...]
    features: int = 1
    limit: float | None = None
    claims: tuple[tuple[int, int, int], ...] = ()

    @property
    def name(self) -> str:
        """In a line."""
        truth = " ".join(f"{m / FAR:g} far" if abs(m) >= FAR else f"{m:g}" for m in self.means)
        parts = ["x".join(map(str, self.counts)), "spreads " + _numbers(self.spreads), truth]
        parts += [f"{self.features} features"] * (self.features > 1)
        parts += [f"{len(self.claims)} claims"] * bool(self.claims)
        if self.limit is not None:
            parts.append(f"limit {self.limit:g}")
        return ", ".join(parts)


def _numbers(values: tuple[float, ...]) -> str:
    return " ".join(f"{v:g}" for v in values)


def drawn(cell: Cell, studies: int, rng: np.random.Generator) -> Pairs:
    """The pairs of one feature of so many studies."""
    counts, spreads = np.array(cell.counts), np.array(cell.spreads, dtype=float)
    shape = (studies, counts.size)
    means = cell.means + rng.standard_normal(shape) * spreads / np.sqrt(counts)
    variances = spreads**2 * rng.chisquare(counts - 1, shape) / (counts - 1)
    return pairs_of_means(means, variances, counts, counts - 1)


def count(cell: Cell, studies: int = STUDIES, seed: int = 172) -> dict[str, float]:
    """Rates of one design; only those that it can have."""
    rng = np.random.default_rng(seed)
    found = [drawn(cell, studies, rng) for _ in range(cell.features)]
    woods, means = found[0].woods, np.array(cell.means)
    truth = np.array([means[b] - means[a] for a, b in woods])
    decide = _claimed if cell.claims else _all_pairs
    limit = np.nan if cell.limit is None else cell.limit
    adjusted, beyond, within = decide(cell, found, limit)
    at_limit = np.isclose(np.abs(truth), limit)
    alike, below = truth == 0, (np.abs(truth) < limit) | at_limit
    out = {}
    for name, p, false in (
        ("declared", adjusted, alike),
        ("beyond", np.maximum(beyond, adjusted), below),
        ("within", np.maximum(within, adjusted), (np.abs(truth) > limit) | at_limit),
    ):
        hits = (p <= LEVEL) & false
        if false.any() and (name == "declared" or cell.limit is not None):
            out[name] = float(hits.any(axis=(1, 2)).mean())
    first = found[0]
    out["covered"] = float(
        np.all(np.abs(first.difference - truth) <= first.half(1 - LEVEL), axis=1).mean()
    )
    if at_limit.any():
        same = (first.same(limit) <= decisions.SAME_LEVEL) & (adjusted[:, 0] > LEVEL)
        out["same"] = float(same[:, at_limit].mean(axis=0).max())
    return out


def _all_pairs(cell: Cell, found: list[Pairs], limit: float) -> tuple[np.ndarray, ...]:
    """Adjusted p for no difference, at most and at least the limit: (studies, features, pairs)."""
    adjusted = families.over_features(np.stack([each.closed for each in found], axis=1))
    others = [np.stack([each.beyond(limit) for each in found], axis=1)]
    others += [np.stack([each.within(limit) for each in found], axis=1)]
    flat = (families.holm(p.reshape(len(p), -1)).reshape(p.shape) for p in others)
    return adjusted, *flat


def _claimed(cell: Cell, found: list[Pairs], limit: float) -> tuple[np.ndarray, ...]:
    """The same where only the claims decide; 1 for every other pair."""
    woods, out = found[0].woods, []
    ways = (lambda one: one.p, lambda one: one.beyond(limit), lambda one: one.within(limit))
    for way in ways:
        p = np.stack([way(found[f])[:, woods.index((a, b))] for f, a, b in cell.claims], axis=1)
        whole = np.ones((len(p), cell.features, len(woods)))
        for column, (f, a, b) in zip(families.holm(p).T, cell.claims, strict=True):
            whole[:, f, woods.index((a, b))] = column
        out.append(whole)
    return tuple(out)


def grid() -> Iterator[Cell]:
    """Every design that is run."""
    yield from _two()
    yield from _three()
    yield from _many()
    yield from _several_features()
    yield from _limits()
    yield from _locked()


def _two() -> Iterator[Cell]:
    for counts in ((2, 2), (2, 3), (2, 20), (2, 40), (3, 3), (3, 4), (3, 10), (3, 40), (4, 4),
                   (4, 10), (4, 40), (6, 6), (10, 10), (40, 40)):  # fmt: skip
        for spreads in ((1.0, 1.0), (1.0, 3.0), (3.0, 1.0)):
            yield Cell(counts, spreads, (0.0, 0.0))


def _three() -> Iterator[Cell]:
    for counts in ((2, 2, 2), (2, 2, 40), (2, 3, 6), (3, 3, 3), (3, 3, 20), (3, 3, 40),
                   (3, 10, 40), (3, 40, 40), (4, 4, 4), (4, 4, 40), (4, 6, 10), (6, 6, 6),
                   (40, 40, 40)):  # fmt: skip
        for spreads in ((1.0, 1.0, 1.0), (3.0, 1.0, 1.0), (1.0, 1.0, 3.0), (1.0, 3.0, 3.0)):
            for means in ((0.0, 0.0, 0.0), (0.0, 0.0, FAR), (FAR, 0.0, 0.0)):
                yield Cell(counts, spreads, means)


def _many() -> Iterator[Cell]:
    for k in (4, 5, 6, 8):
        one_large = [(few,) * (k - 1) + (40,) for few in (3, 4)]
        uneven = [*one_large, (3,) + (40,) * (k - 1), (2, 2) + (12,) * (k - 2)]
        for counts in [(3,) * k, (4,) * k, (6,) * k, *uneven]:
            for spreads in ((1.0,) * k, (3.0,) + (1.0,) * (k - 1), (3.0,) * (k - 1) + (1.0,)):
                yield Cell(counts, spreads, (0.0,) * k)
                yield Cell(counts, spreads, (0.0, 0.0) + (FAR,) * (k - 2))
                apart = tuple(FAR * (i + 1) for i in range(k - 2))
                yield Cell(counts, spreads, (0.0, 0.0, *apart))


def _several_features() -> Iterator[Cell]:
    for counts, features in (((6, 6, 6), 3), ((6, 6, 6, 6), 3), ((6,) * 4, 6), ((6,) * 5, 10),
                             ((4, 4), 3), ((4, 4, 4), 3), ((2, 2, 2), 3)):  # fmt: skip
        k = len(counts)
        for spreads in ((1.0,) * k, (3.0,) + (1.0,) * (k - 1)):
            yield Cell(counts, spreads, (0.0,) * k, features)
            if k > 2:
                yield Cell(counts, spreads, (0.0,) * (k - 1) + (FAR,), features)


def _limits() -> Iterator[Cell]:
    """Differences exactly at the limit, from far below one standard error to far above."""
    for limit in (0.1, 1.0, 3.0, 10.0, 100.0):
        for counts in ((2, 2), (2, 20), (3, 3), (3, 20), (4, 4), (4, 40), (10, 10)):
            for spreads in ((1.0, 1.0), (3.0, 1.0), (1.0, 3.0)):
                yield Cell(counts, spreads, (0.0, limit), limit=limit)
        for counts in ((3, 3, 3), (4, 4, 4), (3, 3, 20), (10, 10, 10)):
            for spreads in ((1.0, 1.0, 1.0), (3.0, 1.0, 1.0), (1.0, 1.0, 3.0)):
                for means in ((0.0, 0.0, limit), (0.0, limit, 2 * limit)):
                    yield Cell(counts, spreads, means, 2, limit)


def _locked() -> Iterator[Cell]:
    three = tuple((f, 0, 1) for f in range(3))
    spread = ((0, 0, 1), (0, 0, 2), (1, 1, 2))
    for counts in ((2, 2, 2), (3, 3, 3), (4, 4, 4), (6, 6, 6), (3, 3, 20)):
        for spreads in ((1.0, 1.0, 1.0), (3.0, 1.0, 1.0)):
            yield Cell(counts, spreads, (0.0, 0.0, 0.0), 3, claims=three)
            yield Cell(counts, spreads, (0.0, 0.0, FAR), 3, claims=spread)
            yield Cell(counts, spreads, (0.0, 0.0, 3.0), 3, limit=3.0, claims=spread)


def lock_buys() -> Iterator[tuple[str, float, float]]:
    """Chance of a declared difference, all pairs and features against three claims."""
    for name, spreads in (("alike", (1.0, 1.0, 1.0)), ("three to one", (1.0, 3.0, 1.0))):
        for distance in (2.0, 3.0, 4.0):
            ask = ([0.0, distance, 0.0], np.square(spreads), [4, 4, 4])
            chances = [
                verdict_chances(*ask, limit=None, primary=3, claims=claims).declared
                for claims in (0, 3)
            ]
            yield f"3 woods x 4, 3 features, {distance:g} spreads apart, spreads {name}", *chances


def holds(name: str, rate: float, studies: int) -> bool:
    """A rate against its promise, with three Monte Carlo errors."""
    limit = MOST.get(name, 0.06)
    error = 3 * np.sqrt(limit * (1 - limit) / studies)
    return rate >= 1 - limit - error if name == "covered" else rate <= limit + error


def main() -> None:
    """Print every rate above its promise, the worst of each kind, and what a lock buys."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    worst: dict[str, tuple[float, str]] = {}
    failed = 0
    for cell in grid():
        for name, rate in count(cell, studies).items():
            bad = 1 - rate if name == "covered" else rate
            worst[name] = max(worst.get(name, (0.0, "")), (bad, cell.name))
            if not holds(name, rate, studies):
                failed += 1
                print(f"does not hold: {name} {100 * rate:.2f} %: {cell.name}", flush=True)
    for name, (rate, where) in worst.items():
        error = 100 * np.sqrt(rate * (1 - rate) / studies)
        missed = "not " if name == "covered" else ""
        print(f"worst, {missed}{name}: {100 * rate:.2f} ({error:.2f}) %: {where}")
    for name, without, locked in lock_buys():
        print(f"{name}: {100 * without:.0f} %, as one of three locked claims {100 * locked:.0f} %")
    print(f"{failed} rates above their promise")


if __name__ == "__main__":
    main()
