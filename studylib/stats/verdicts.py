"""The words for a pair of woods.

    beyond limit   declared, and the whole interval lies outside +-limit
    within limit   declared, and the whole interval lies inside +-limit
    different      declared, otherwise, or the feature has no limit
    same           not declared, and the pair's 90 % interval lies inside +-limit
    open           everything else
    boards only    too few sources in a wood: nothing is said about woods

"Declared" means p_adjusted <= 1 - confidence. `same` is two one-sided tests at 5 %
(Schuirmann 1987); its error is per pair. All numbers are on the scale of analysis.

Function: `verdict`.
"""

from __future__ import annotations

import math

BEYOND, WITHIN, DIFFERENT, SAME, OPEN, BOARDS_ONLY = (
    "beyond limit",
    "within limit",
    "different",
    "same",
    "open",
    "boards only",
)
DECLARED = (BEYOND, WITHIN, DIFFERENT)


def verdict(
    *,
    p_adjusted: float,
    confidence: float,
    low: float,
    high: float,
    low90: float,
    high90: float,
    limit: float | None,
) -> str:
    """Verdict on one pair of woods with enough sources; `limit` > 0 or None."""
    if not math.isfinite(p_adjusted):
        return OPEN
    # 1 - 0.95 is a hair above 0.05 in floating point; a tie must still count as declared.
    if p_adjusted <= round(1.0 - confidence, 12):
        if limit is None:
            return DIFFERENT
        if low > limit or high < -limit:
            return BEYOND
        return WITHIN if -limit < low and high < limit else DIFFERENT
    if limit is not None and -limit < low90 and high90 < limit:
        return SAME
    return OPEN
