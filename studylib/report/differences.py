"""A row of the effects table as a difference in words.

Function: `difference`.
"""

from __future__ import annotations

import math

from studylib import register
from studylib.words.numbers import cents_from_percent, signed


def difference(row) -> str:
    """The difference in a row of a table, with its unit; that of a frequency also in cents."""
    said = f"{signed(row.difference, row.low, row.high)} {row.unit}"
    if not (register.find(row.feature).is_frequency and math.isfinite(row.difference)):
        return said
    cents = (cents_from_percent(end) for end in (row.difference, row.low, row.high))
    return f"{said} ({signed(*cents)} cents)"


def unit_word(summary) -> str:
    """What one number of a wood's sample is: "boards" when each is its own source."""
    compared = [s for s in summary.study.specimens if not s.role]
    own = len({(s.wood, s.source) for s in compared}) == len(compared)
    return "boards" if own else "sources"


def whose_limit(summary, feature: str) -> str:
    """Whose limit it is: "study's own" or "published"."""
    return "study's own" if feature in summary.study.settings.decide.limits else "published"
