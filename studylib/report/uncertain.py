"""A value with its standard uncertainty, as it is written: 13.83 ± 0.13.

Function: with_uncertainty.
Source: JCGM 100, 7.2.6: two digits of the uncertainty; here never more than four of the value, or
as many as the uncertainty's first digit asks for.
"""

from __future__ import annotations

import math

from studylib.figures.words import MISSING


def with_uncertainty(value: float, u: float) -> str:
    """The value and, behind ±, its standard uncertainty; the value alone where u says nothing."""
    if not math.isfinite(value):
        return MISSING
    if not math.isfinite(u) or u <= 0 or value == 0:
        return f"{value:.4g}"
    first = -math.floor(math.log10(u))  # decimal place of the uncertainty's first digit
    places = max(0, min(first + 1, max(first, 3 - math.floor(math.log10(abs(value))))))
    return f"{value:.{places}f} ± {u:.{places}f}"
