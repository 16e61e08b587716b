"""Many features at once: Holm for the primary ones, false discovery rate for the others.

Holm (1979) runs over the primary features, each represented by the smallest p of its pairs; a
pair's adjusted p is the larger of its own p and its feature's Holm p. Exploratory pairs carry
q by Benjamini & Hochberg (1995) over all exploratory pairs (SciPy), and their adjusted p is
max(p, q).

Functions: `holm`, `holm_over_features`, `false_discovery_rate`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import false_discovery_control


def holm(p: np.ndarray) -> np.ndarray:
    """Adjusted p of shape (n,): the i-th smallest times n - i, never below one before it, at most
    1.

    Written out, because the library's version clears the memory at every call, which costs more
    than the rest of a comparison.
    """
    p = np.asarray(p, dtype=float)
    order = np.argsort(p, kind="stable")
    stepped = np.maximum.accumulate(p[order] * np.arange(p.size, 0, -1))
    out = np.empty(p.size)
    out[order] = np.minimum(stepped, 1.0)
    return out


def holm_over_features(p: pd.Series, feature: pd.Series) -> pd.Series:
    """Adjusted p of each pair, index of `p`; NaN where p is NaN."""
    smallest = p.groupby(feature, sort=False).min().dropna()
    if smallest.empty:
        return pd.Series(np.nan, index=p.index)
    adjusted = pd.Series(holm(smallest.to_numpy()), index=smallest.index)
    return np.maximum(p, feature.map(adjusted))


def false_discovery_rate(p: pd.Series) -> pd.Series:
    """q of each p, index of `p`; NaN where p is NaN."""
    q = pd.Series(np.nan, index=p.index)
    known = p.notna()
    if known.any():
        q[known] = false_discovery_control(p[known].to_numpy(), method="bh")
    return q
