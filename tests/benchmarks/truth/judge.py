"""What the analysis says of simulated studies, by the functions that `compare` calls.

Beside the procedure of the report stand others on the same studies: one pooled spread
(Tukey-Kramer), the F test of the boards' means, the mixed model (Kenward-Roger), and a permutation
of the boards (largest Welch t over the pairs; 199 permutations, the study itself counted).

Functions: `judge`, `count`; `Counts`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats as distributions

from studylib.stats import components, decisions, families, studentized
from studylib.stats import units as unit_steps
from studylib.stats.effects import compared_pairs
from studylib.stats.mixed import fit_features, second_opinion
from studylib.stats.pairs import all_pairs
from studylib.stats.samples import Sample, make_samples
from tests.benchmarks.truth.cells import Cell
from tests.benchmarks.truth.draw import draw

ALPHA, CONFIDENCE = 0.05, 0.95
AT_ONCE = 900  # features in one table: the register knows harmonics up to the 999th
PERMUTATIONS, PERMUTED = 199, 180  # and of how many studies of each table


@dataclass
class Counts:
    """Hits and trials by name; names as in `judge`."""

    hits: dict[str, int] = field(default_factory=dict)
    trials: dict[str, int] = field(default_factory=dict)

    def add(self, name: str, found) -> None:
        found = np.asarray(found)
        self.hits[name] = self.hits.get(name, 0) + int(found.sum())
        self.trials[name] = self.trials.get(name, 0) + int(found.size)

    def rate(self, name: str) -> float:
        return self.hits[name] / self.trials[name] if self.trials.get(name) else float("nan")

    def error(self, name: str, rate: float | None = None) -> float:
        """Monte Carlo standard error at a stated rate, or at the one found."""
        rate = self.rate(name) if rate is None else rate
        return float(np.sqrt(rate * (1 - rate) / self.trials[name]))

    def __add__(self, other: Counts) -> Counts:
        names = {*self.hits, *other.hits}
        return Counts(
            {n: self.hits.get(n, 0) + other.hits.get(n, 0) for n in names},
            {n: self.trials.get(n, 0) + other.trials.get(n, 0) for n in names},
        )


def count(cell: Cell, studies: int, seed: int) -> Counts:
    """Draw and judge so many studies of a cell, some hundred in one table."""
    total = Counts()
    at_once = AT_ONCE // cell.features
    for part, start in enumerate(range(0, studies, at_once)):
        rng = np.random.default_rng([seed, part])
        number = min(at_once, studies - start)
        specimens, rows = draw(cell, number, rng)
        total = total + judge(cell, specimens, rows, number, rng)
    return total


def judge(cell: Cell, specimens: pd.DataFrame, rows: pd.DataFrame, studies: int, rng) -> Counts:
    """Counts of one features table with `studies` studies.

    any : a pair is declared on the first primary feature.  family : on any of them together.
    covered : all simultaneous intervals hold the truth.  same : of the first pair.
    pooled, exact F, mixed model, permutation : the other procedures declare something.
    take, mount, specimen, source : the interval of that component holds its truth.
    """
    tidy = unit_steps.tidy(rows, specimens)
    mounts = unit_steps.mount_means(tidy)
    if cell.taken_out:
        first = rows[rows["feature"] == rows["feature"].iloc[0]]
        places = first.groupby(unit_steps.MOUNT)["place"].mean().reset_index()
        mounts = unit_steps.with_places(mounts, places)
    order = [f"tone.h{k}.rel_db" for k in range(2, studies * cell.features + 2)]
    samples = make_samples(tidy, mounts, order=order, woods=cell.woods, smallest_n=2)
    first = compared_pairs(samples, refused=(), confidence=CONFIDENCE)
    fits = fit_features(samples)
    second = second_opinion(samples, fits, first, confidence=CONFIDENCE)
    out = Counts()
    _report(cell, order, first, studies, out)
    _others(order, samples, second, out)
    _permuted(order[:PERMUTED], samples, rng, out)
    _components(cell, samples, fits, out)
    return out


def _report(cell: Cell, order, first, studies, out: Counts) -> None:
    closed = np.array([[pair.closed for pair in first[name]] for name in order])
    closed = closed.reshape(studies, cell.features, -1)
    out.add("any", closed[:, 0].min(axis=1) <= ALPHA)
    if cell.features > 1:
        out.add("family", families.over_features(closed).min(axis=(1, 2)) <= ALPHA)
    truth = np.full(len(cell.counts), 0.5 * cell.effect)
    truth[0], truth[1] = 0.0, cell.effect
    inside = [
        all(q.low <= truth[q.b] - truth[q.a] <= q.high for q in first[name]) for name in order
    ]
    out.add("covered", inside)
    if cell.effect:
        limit = abs(cell.effect)
        same = np.array([first[name][0].same(limit) for name in order]) <= decisions.SAME_LEVEL
        out.add("same", same & (closed[:, :, 0].ravel() > ALPHA))


def _others(order, samples: dict[str, Sample], second: pd.DataFrame, out: Counts) -> None:
    model = samples[order[0]].design.model
    y = np.array([samples[name].y for name in order])
    spread = np.sqrt(model.pooled_variance(y))[:, np.newaxis]
    pairs = all_pairs(model, y)
    size = [np.linalg.norm(model.contrast(a, b)) for a, b in pairs.woods]
    t = np.abs(pairs.difference) / (spread * size)
    limit = studentized.quantile(CONFIDENCE, model.k, model.df) / np.sqrt(2.0)
    out.add("pooled", t.max(axis=1) >= limit)
    if model.df >= 1:
        square = model.between(y)
        f = square / model.pooled_variance(y)
        out.add("exact F", distributions.f.sf(f, model.k - 1, model.df) <= ALPHA)
    if len(second):
        out.add("mixed model", second.groupby("feature")["p"].min() <= ALPHA)


def _permuted(order, samples: dict[str, Sample], rng, out: Counts) -> None:
    """Boards dealt to the woods anew; only where no batch ties them."""
    model = samples[order[0]].design.model
    if model.blocked or model.timed or model.counts.min() < 2:
        return
    member = np.eye(model.k)[model.group]
    counts = model.counts
    y = np.array([samples[name].y for name in order])
    dealt = [np.arange(y.shape[1]), *(rng.permutation(y.shape[1]) for _ in range(PERMUTATIONS))]
    largest = []
    for places in dealt:
        sums, squares = y[:, places] @ member, y[:, places] ** 2 @ member
        mean = sums / counts
        variance = (squares / counts - mean**2) / (counts - 1)
        t = [
            np.abs(mean[:, b] - mean[:, a]) / np.sqrt(variance[:, a] + variance[:, b])
            for a, b in combinations(range(model.k), 2)
        ]
        largest.append(np.max(t, axis=0))
    p = np.mean(np.array(largest) >= largest[0] * (1 - 1e-9), axis=0)
    out.add("permutation", p <= ALPHA)


def _components(cell: Cell, samples, fits, out: Counts) -> None:
    """Whether the intervals hold the true variances; only where all woods spread alike."""
    if cell.ratio != 1.0 or cell.outlier or cell.drift:
        return
    half = 0.5 * cell.board_sd**2
    truth = {"take": cell.take_sd**2, "mount": cell.mount_sd**2, "specimen": cell.board_sd**2}
    if cell.planks == "named":
        truth |= {"specimen": half, "source": half}
    if cell.planks == "hidden":
        return
    for name, sample in samples.items():
        fitted = fits[name].components if name in fits else None
        for row in components.variance_rows(sample, confidence=CONFIDENCE, fitted=fitted):
            if row["level"] in truth:
                inside = row["low"] <= truth[row["level"]] <= row["high"]
                out.add(row["level"], [inside])
