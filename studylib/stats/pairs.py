"""All pairs of woods at once: Games-Howell (1976) and Tukey-Kramer (1956) on one model.

Both refer |difference| / se to the studentized range over all woods of the feature, so p and
interval hold for all pairs together. Games-Howell gives each wood its own spread and each pair
its own degrees of freedom, and is used from four sources a wood up; below that its degrees of
freedom are too few and Tukey-Kramer with one pooled spread is used.

Function: `compare_pairs`; `Pair`.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy import special

from studylib.stats import studentized
from studylib.stats.blocks import WoodModel

SMALLEST_GAMES_HOWELL = 4
GAMES_HOWELL = "Games-Howell"
TUKEY_KRAMER = "Tukey-Kramer"


@dataclass(frozen=True)
class Pair:
    """Wood b minus wood a on the scale of analysis; low and high are simultaneous.

    low90 and high90 are the 90 % interval of this pair alone (for two one-sided tests at 5 %).
    Where the spread is zero, df, p and the intervals are NaN.
    """

    a: int
    b: int
    method: str
    difference: float
    se: float
    df: float
    weight: float
    p: float
    low: float
    high: float
    low90: float
    high90: float


def method_for(model: WoodModel) -> str:
    """Which of the two methods the numbers of sources ask for."""
    enough = model.counts.min() >= SMALLEST_GAMES_HOWELL
    return GAMES_HOWELL if enough else TUKEY_KRAMER


def compare_pairs(
    model: WoodModel, y: np.ndarray, *, confidence: float, method: str | None = None
) -> list[Pair]:
    """Every pair of woods, in the order of the woods.

    Parameters
    ----------
    model : design of the units; y : their means, shape (n,).
    confidence : in (0, 1), simultaneous over the pairs.
    method : GAMES_HOWELL or TUKEY_KRAMER; by the number of sources when left out.
    """
    method = method or method_for(model)
    variances = model.wood_variances(y) if method == GAMES_HOWELL else None
    if variances is not None and not np.all(np.isfinite(variances)):
        method, variances = TUKEY_KRAMER, None
    # Differences of identical numbers leave rounding behind; that is no spread.
    floor = 1e-12 * max(1.0, float(np.max(np.abs(y))))
    pairs = []
    for a, b in combinations(range(model.k), 2):
        if variances is None:
            contrast = model.pooled_contrast(a, b, y)
        else:
            contrast = model.welch_contrast(a, b, y, variances)
        pairs.append(_pair(a, b, method, contrast, model.k, confidence, floor))
    return pairs


def _pair(a, b, method, contrast, k, confidence, floor) -> Pair:
    d, se, df = contrast.difference, contrast.se, contrast.df
    if not (se > floor and df >= 1):
        nan = float("nan")
        return Pair(a, b, method, d, nan, nan, contrast.weight, nan, nan, nan, nan, nan)
    p = studentized.sf(abs(d) / se * np.sqrt(2.0), k, df)
    half = studentized.quantile(confidence, k, df) / np.sqrt(2.0) * se
    half90 = float(special.stdtrit(df, 0.95)) * se
    return Pair(
        a, b, method, d, se, df, contrast.weight, p, d - half, d + half, d - half90, d + half90
    )
