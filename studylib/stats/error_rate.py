"""What Tukey-Kramer's error rate becomes when the spreads of the woods differ threefold.

With fewer than four sources a wood the spreads are pooled. If they are in truth unequal, the
chance that any pair is declared although no wood differs is no longer the stated one. It is
found by simulation for these numbers of sources: each wood in turn has three times the standard
deviation of the others, and the worst case is returned. The seed is fixed, so that the same
study prints the same number.

Function: `tukey_kramer_rate`.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations

import numpy as np

from studylib.stats import studentized

RUNS = 20_000
RATIO = 3.0


@lru_cache(maxsize=256)
def tukey_kramer_rate(counts: tuple[int, ...], confidence: float, ratio: float = RATIO) -> float:
    """Probability of any false declaration, worst over which wood spreads `ratio` times as much.

    Standard error of the simulation: below 0.004.

    Parameters
    ----------
    counts : sources of each wood, at least two woods and one degree of freedom in all.
    """
    generator = np.random.default_rng(20_000 + sum(counts))
    k, df = len(counts), sum(counts) - len(counts)
    critical = studentized.quantile(confidence, k, float(df)) / np.sqrt(2.0)
    means = np.stack([generator.standard_normal(RUNS) / np.sqrt(n) for n in counts])
    squares = np.stack(
        [generator.chisquare(n - 1, RUNS) if n > 1 else np.zeros(RUNS) for n in counts]
    )
    return max(_rate(means, squares, counts, critical, df, wide, ratio) for wide in range(k))


def _rate(means, squares, counts, critical, df, wide, ratio) -> float:
    scale = np.where(np.arange(len(counts)) == wide, ratio, 1.0)[:, np.newaxis]
    shifted, pooled = means * scale, (squares * scale**2).sum(axis=0) / df
    declared = np.zeros(RUNS, dtype=bool)
    for a, b in combinations(range(len(counts)), 2):
        se = np.sqrt(pooled * (1 / counts[a] + 1 / counts[b]))
        declared |= np.abs(shifted[a] - shifted[b]) > critical * se
    return float(declared.mean())
