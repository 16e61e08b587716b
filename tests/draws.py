"""How often a simulated truth is drawn: a share in each run of pytest, all of it by hand.

A test that counts or averages draws takes its bounds from their number, so that a smaller number
has the wider bound that it can carry. `python -m tests.benchmarks.every_draw` runs these tests with
the whole number.
"""

from __future__ import annotations

import os

EVERY = "STUDY_EVERY_DRAW"


def draws(every: int, *, share: int) -> int:
    """The share, or every one where that is asked for."""
    return every if os.environ.get(EVERY) else share
