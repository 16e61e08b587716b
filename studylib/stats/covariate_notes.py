"""What a row of the table of covariates cannot say, in words.

Functions: `why_no_fit` (no adjusted difference), `pair_note` (what to keep in mind with one).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from studylib.codes.comparison import Method
from studylib.stats.ancova import CovariateFit
from studylib.stats.blocks import WoodModel
from studylib.words import say

FEW_DF, GUESS_DF = 10, 5
"""Below the first many degrees of freedom an adjusted difference is rough, below the second a
guess (common practice, no source; Student's factor at 95 % is 2.3 with 9 and 2.8 with 4)."""
LITTLE_OVERLAP = 0.5


def why_no_fit(
    meaning: str,
    units: pd.DataFrame,
    model: WoodModel | None,
    fit: CovariateFit | None,
    counts: tuple[int, int],
    smallest: int,
) -> str:
    """Why there is no adjusted difference for a pair of woods; "" when there is one.

    Parameters
    ----------
    meaning : the covariate in plain words.
    units : wood and x of the sources that are compared.
    counts : sources of the pair's woods that have the covariate.
    """
    if min(counts) < smallest:
        return (
            f"fewer than {smallest} sources of a wood have a value of both, so {meaning} cannot "
            "be held equal"
        )
    if fit is not None or model is None:
        return ""
    if model.df - 1 < 1:
        return "too few sources: no degree of freedom is left to hold anything equal"
    spread = units.groupby("wood")["x"].agg(np.ptp)
    size = max(float(units["x"].abs().max()), 1e-300)
    if np.ptp(units["x"]) <= 1e-9 * size:
        return f"{meaning} is the same for all boards, so there is nothing to hold equal"
    if spread.max() <= 1e-9 * size:
        return f"{meaning} does not vary within a wood, so it cannot be told apart from the wood"
    return f"within the woods {meaning} varies only between the batches"


def pair_note(row: Mapping, meaning: str, *, why: str, complete: bool, confidence: float) -> str:
    """Remarks on one row, joined by semicolons; `why` first where there is no fit."""
    words = [why] if why else []
    fitted = math.isfinite(row["difference_with"])
    if math.isfinite(row["overlap"]) and not why:
        words += _overlap_words(row["overlap"], meaning)
    if fitted and row["df"] < FEW_DF:
        words.append(_few_words(row["df"]))
    if fitted and not math.isfinite(row["low_with"]):
        words.append("no spread is left between sources, so there is no interval")
    if row["p_slopes_differ"] < 1 - confidence:
        words.append(
            "the slopes differ between the woods, so the adjusted difference is not the same at "
            f"every {meaning}"
        )
    if row["left_out"]:
        count = row["left_out"]
        boards = "1 board" if count == 1 else f"{count} boards"
        words.append(f"{boards} without {meaning} left out, without and with the covariate")
    if not complete and math.isfinite(row["difference_without"]):
        words.append(say(Method.CONFOUNDED))
    return "; ".join(words)


def _overlap_words(overlap: float, meaning: str) -> list[str]:
    if overlap == 0:
        return [
            f"no overlap in {meaning}: wood and {meaning} cannot be told apart, the adjusted "
            "difference rests on extending the slope to where there are no boards"
        ]
    if overlap < LITTLE_OVERLAP:
        return [
            f"little overlap in {meaning}: only {100 * overlap:.0f} % of the sources lie in the "
            "range that both woods share"
        ]
    return []


def _few_words(df: float) -> str:
    left = f"{df:.0f} degree{'s' if df != 1 else ''} of freedom left"
    if df < GUESS_DF:
        return f"with {left} the adjusted difference is hardly more than a guess"
    return f"with {left} the adjusted difference is rough"
