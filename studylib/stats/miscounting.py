"""What becomes of the error rate when takes, mounts or boards of one plank are counted as boards.

Studies in which no wood differs are drawn with the given spreads and compared by the same pairs as
the report's (Games-Howell or Tukey-Kramer), once for each way of counting. A way is wrong when it
calls some pair different in more than one study of twenty.

Function: `false_alarms`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studylib.stats.blocks import wood_model
from studylib.stats.pairs import compare_pairs
from studylib.stats.spreads import Spreads

COUNTED = ("planks", "boards", "mounts", "takes")
RUNS = 400


def false_alarms(
    spreads: Spreads,
    *,
    woods: int,
    planks: int,
    boards: int,
    mounts: int,
    takes: int,
    confidence: float = 0.95,
    runs: int = RUNS,
    seed: int = 172,
) -> pd.DataFrame:
    """How often some pair is declared although no wood differs.

    Parameters
    ----------
    planks : of each wood, 2 or more.  boards : of each plank.  mounts : of each board.
    takes : of each mount.
    runs : drawn studies.

    Returns
    -------
    counted, units (a wood), rate, low, high (the rate give or take two standard errors).
    """
    shape = (woods, planks, boards, mounts, takes)
    models = {
        counted: _model(woods, int(np.prod(shape[1 : 2 + level])))
        for level, counted in enumerate(COUNTED)
    }
    rng = np.random.default_rng(seed)
    alarms = dict.fromkeys(COUNTED, 0)
    for _ in range(runs):
        values = _drawn(spreads, shape, rng)
        for level, counted in enumerate(COUNTED):
            units = values.mean(axis=tuple(range(2 + level, 5))).reshape(-1)
            pairs = compare_pairs(models[counted], units, confidence=confidence)
            alarms[counted] += any(pair.p <= 1 - confidence for pair in pairs)
    rows = []
    for counted in COUNTED:
        rate = alarms[counted] / runs
        se = np.sqrt(max(rate * (1 - rate), 1 / runs) / runs)
        units = models[counted].group.size // woods
        rows.append((counted, units, rate, max(rate - 2 * se, 0.0), min(rate + 2 * se, 1.0)))
    return pd.DataFrame(rows, columns=["counted", "units", "rate", "low", "high"])


def _model(woods: int, units: int):
    group = np.repeat(np.arange(woods), units)
    return wood_model(group, np.ones((group.size, 1)), block=False)


def _drawn(spreads: Spreads, shape: tuple[int, ...], rng: np.random.Generator) -> np.ndarray:
    values = np.zeros(shape)
    levels = (spreads.source, spreads.specimen, spreads.mount, spreads.take)
    for level, sd in enumerate(levels):
        own = shape[: 2 + level] + (1,) * (3 - level)
        values = values + sd * rng.standard_normal(own)
    return values
