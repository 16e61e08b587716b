"""Drive steps: does a harmonic grow as the one that was sensed at the driving point?

A linear board passes the k-th harmonic on by the same factor at every drive, so its growth between
a lower drive and full drive equals the growth of the sensed k-th harmonic, however the driver
distorts. A contact that opens and closes does not. No probe tone is needed for this. Without a
sensed drive the growth stands beside that of the same step on the block and beside k dB a dB,
which is what a driver's own distortion of order k does when it is weak; the verdict is then
`cannot tell`.

Conventions: growth from the lower drive to full drive in dB; interval at 99 %, corrected as in
uncertainty.py.

Contents: step_rows, steps_table, STEP_COLUMNS.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from studylib.attribution.excess import MARGIN_DB
from studylib.attribution.lines import Lines, mean_lines
from studylib.attribution.spreads import Spread
from studylib.attribution.uncertainty import DB, Term, coverage, side

STEP_COLUMNS = [
    "specimen", "mount", "harmonic", "drive_db", "growth_db", "sensed_growth_db",
    "block_growth_db", "own_growth_db", "difference_db", "low", "high", "verdict",
]  # fmt: skip
WITH, NOT_WITH, CANNOT_TELL = "with the driver", "not with the driver", "cannot tell"


@np.errstate(divide="ignore", invalid="ignore")
def step_rows(
    key: tuple[str, int],
    full: Lines,
    steps: dict[float, list[Lines]],
    block: dict[float, list[Lines]],
    *,
    spread: Spread,
    sensed: bool,
    rows: int,
) -> Iterator[tuple]:
    """Rows (STEP_COLUMNS) of one mount, for the harmonics that stand out at full drive.

    Parameters
    ----------
    full, steps : the tone at full drive, and its takes at each lower drive (dB).
    block : the driver's takes on the block at each drive, 0 for full.
    rows : how many rows of the specimen share the error (Bonferroni).
    """
    on_block = _levels(block.get(0.0))
    for drive_db in sorted(steps, reverse=True):
        low = mean_lines(steps[drive_db])
        growth = _db(full.response) - _db(low.response)
        sensed_growth = _db(full.drive) - _db(low.drive) if sensed else np.full(growth.size, np.nan)
        block_growth = on_block - _levels(block.get(drive_db))
        difference, ends = _difference(full, low, spread=spread, sensed=sensed, rows=rows)
        loud = np.abs(full.response) > full.presence(full.u_response)
        for i in range(1, growth.size):
            if not loud[i]:
                continue
            k = i + 1
            heard = abs(low.response[i]) > low.presence(low.u_response)[i]
            yield (
                *key, k, drive_db, growth[i] if heard else np.nan, sensed_growth[i],
                block_growth[i] if block_growth.size > i else np.nan, -drive_db * k,
                difference[i], ends[0][i], ends[1][i], _verdict(ends[0][i], ends[1][i]),
            )  # fmt: skip


def steps_table(rows: Sequence[tuple]) -> pd.DataFrame:
    """The rows of all mounts as one table."""
    return pd.DataFrame(rows, columns=STEP_COLUMNS)


def _verdict(low: float, high: float) -> str:
    if not (np.isfinite(low) or np.isfinite(high)):
        return CANNOT_TELL
    if low > MARGIN_DB or high < -MARGIN_DB:
        return NOT_WITH
    return WITH if low >= -MARGIN_DB and high <= MARGIN_DB else CANNOT_TELL


def _difference(
    full: Lines, low: Lines, *, spread: Spread, sensed: bool, rows: int
) -> tuple[np.ndarray, tuple[np.ndarray, np.ndarray]]:
    """Growth of the response over that of the sensed harmonic, dB, and its ends."""
    size = full.response.size
    if not (sensed and spread.df):
        nothing = np.full(size, np.nan)
        return nothing, (nothing, nothing)
    ratio = (full.response / full.drive) / (low.response / low.drive)
    takes = np.full(size, np.sqrt(spread.level * (1.0 / full.n + 1.0 / low.n)))

    def of(u: np.ndarray, value: np.ndarray, df: int, acts: str) -> Term:
        return Term("noise", u / np.abs(value), np.full(size, float(max(df, 1))), acts)

    terms = [
        of(full.u_response, full.response, full.dof, "top"),
        of(low.u_drive, low.drive, low.dof, "top"),
        of(full.u_drive, full.drive, full.dof, "bottom"),
        of(low.u_response, low.response, low.dof, "bottom"),
        Term("takes", takes, np.full(size, float(spread.df)), "spread"),
    ]
    q, _ = coverage(terms, rows=rows)
    middle = np.log(np.abs(ratio))
    ends = (middle - side(terms, q, up=False), middle + side(terms, q, up=True))
    return DB * middle, (DB * ends[0], DB * ends[1])


def _levels(takes: list[Lines] | None) -> np.ndarray:
    return _db(mean_lines(takes).response) if takes else np.array([np.nan])


def _db(amplitude: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.abs(amplitude))
