"""What goes wrong when takes are counted as boards: false alarms on woods that do not differ.

Studies in which no wood differs are drawn from normal distributions with given spreads of boards,
mounts and takes, and each is tested by one-way analysis of variance at 5 %: over the means of its
boards, over the means of its mounts, and over its single takes. Only the first keeps its promise,
because takes of one board share that board.

Functions: `false_alarms`.
Source: one-way analysis of variance (any textbook; SciPy's); Wilson's interval of a share.
"""

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.stats import binomtest, f_oneway

LEVEL = 0.05
COUNTED = ("board", "mount", "take")


def false_alarms(
    spreads: Sequence[float],
    *,
    woods: int = 3,
    boards: int = 4,
    mounts: int = 3,
    takes: int = 3,
    studies: int = 2000,
    seed: int = 1,
) -> pd.DataFrame:
    """How often each way of counting calls a difference between woods where there is none.

    Parameters
    ----------
    spreads : standard deviations between boards, mounts and takes, in any one unit, 0 or more.
    woods, boards, mounts, takes : of each study, each within the one before, 2 or more of each of
        the first two.
    studies : how many are drawn.  seed : of the draws.

    Returns
    -------
    One row a way, as `COUNTED`: counted, numbers (what it takes for independent, a wood), rate,
    low, high (95 %).
    """
    rng = np.random.default_rng(seed)
    sizes = (studies, woods, boards, mounts, takes)
    parts = [
        sd * rng.standard_normal(sizes[: place + 3] + (1,) * (2 - place))
        for place, sd in enumerate(spreads)
    ]
    drawn = sum(parts)
    means = (drawn.mean(axis=(3, 4)), drawn.mean(axis=4), drawn)
    rows = []
    for counted, values in zip(COUNTED, means, strict=True):
        flat = values.reshape(studies, woods, -1)
        alarms = int((f_oneway(*flat.swapaxes(0, 1), axis=1).pvalue <= LEVEL).sum())
        ends = binomtest(alarms, studies).proportion_ci(method="wilson")
        rows.append((counted, flat.shape[2], alarms / studies, ends.low, ends.high))
    return pd.DataFrame(rows, columns=["counted", "numbers", "rate", "low", "high"])
