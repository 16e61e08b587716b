"""Many features at once: Holm for the primary ones, false discovery rate for the others.

Holm (1979) runs over the primary features, each represented by the smallest p of its pairs; a
pair's adjusted p is the larger of its own p and its feature's Holm p. Exploratory pairs carry
q by Benjamini & Hochberg (1995) over all exploratory pairs, and their adjusted p is
max(p, q). statsmodels does both corrections.

Functions: `holm_over_features`, `false_discovery_rate`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests


def holm_over_features(p: pd.Series, feature: pd.Series) -> pd.Series:
    """Adjusted p of each pair, index of `p`; NaN where p is NaN."""
    smallest = p.groupby(feature, sort=False).min().dropna()
    if smallest.empty:
        return pd.Series(np.nan, index=p.index)
    holm = pd.Series(multipletests(smallest.to_numpy(), method="holm")[1], index=smallest.index)
    return np.maximum(p, feature.map(holm))


def false_discovery_rate(p: pd.Series) -> pd.Series:
    """q of each p, index of `p`; NaN where p is NaN."""
    q = pd.Series(np.nan, index=p.index)
    known = p.notna()
    if known.any():
        q[known] = multipletests(p[known].to_numpy(), method="fdr_bh")[1]
    return q
