"""Counts held to what is promised: every limit with three Monte Carlo errors.

Function: `findings`; class `Finding`.
"""

from __future__ import annotations

from dataclasses import dataclass

from tests.benchmarks.truth.cells import F_POWER, Cell
from tests.benchmarks.truth.judge import Counts

ERRORS = 3.0
COMPONENTS = ("take", "mount", "specimen", "source")


@dataclass(frozen=True)
class Finding:
    """One rate of one cell against its limit; `most` tells which side the limit is on."""

    cell: str
    what: str
    rate: float
    limit: float
    most: bool
    holds: bool


def findings(cell: Cell, counts: Counts) -> list[Finding]:
    """Everything that is promised of this cell."""
    out = []

    def hold(what: str, name: str, limit: float, *, most: bool, of: float = 1.0) -> None:
        rate = counts.rate(name) / of
        error = ERRORS * counts.error(name, limit * of) / of
        holds = rate <= limit + error if most else rate >= limit - error
        out.append(Finding(cell.name, what, rate, limit, most, bool(holds)))

    if cell.promise in ("holds", "full"):
        hold("false alarms", "any", 0.06, most=True)
        hold("coverage of all intervals together", "covered", 0.94, most=False)
    if cell.promise == "full":
        hold("false alarms", "any", 0.03, most=False)
    if cell.features > 1:
        hold("false alarms over the primary features", "family", 0.055, most=True)
    if cell.effect:
        hold("`same` with the truth at the limit", "same", 0.05, most=True)
        if cell.promise == "power" and min(cell.counts) >= 4:
            hold("power, as part of the F test's", "any", 0.9, most=False, of=F_POWER)
    if cell.boards == "normal" and cell.promise in ("holds", "full"):
        for level in COMPONENTS:
            if counts.trials.get(level):
                hold(f"interval of the {level} component", level, 0.92, most=False)
    return out
