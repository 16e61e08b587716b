"""When each mount was recorded: its place in the order of the takes.

Batches follow each other by their first take's start, or by their first row where no start is
known. Within a batch the takes go by the column order where all have one, else by their starts,
else by their rows. Clocks with and without a zone cannot be compared: what the clock showed
counts.

Function: `run_order`.
"""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from studylib.sheets.rows import Take

COLUMNS = ("specimen", "batch", "mount", "number", "place", "started", "by")


def run_order(takes: Iterable[Take]) -> pd.DataFrame:
    """One row a mount of a specimen, in the order of recording.

    Columns: specimen, batch, mount; number (1, 2, ... over the whole study, of the mount's first
    take); place (0 for the first take of the batch, 1 for its last; the mean over the mount's
    takes); started (of its first take, NaT where unknown); by ("order", "started" or "row").
    """
    given = list(takes)
    batches: dict[str, list[tuple[int, Take]]] = {}
    for row, take in enumerate(given):
        batches.setdefault(take.batch, []).append((row, take))
    rows = []
    for own in sorted(batches.values(), key=lambda own: _opened(own, given)):
        by, ordered = _ordered(own)
        last = max(len(ordered) - 1, 1)
        for rank, take in enumerate(ordered):
            if take.specimen and take.mount is not None:
                started = take.started.replace(tzinfo=None) if take.started else None
                rows.append((take.specimen, take.batch, take.mount, rank / last, started, by))
    table = pd.DataFrame(rows, columns=["specimen", "batch", "mount", "place", "started", "by"])
    mounts = table.groupby(["specimen", "batch", "mount"], sort=False).agg(
        place=("place", "mean"), started=("started", "first"), by=("by", "first")
    )
    mounts = mounts.reset_index()
    mounts["number"] = range(1, len(mounts) + 1)
    return mounts[list(COLUMNS)]


def _opened(own: list[tuple[int, Take]], every: list[Take]):
    if all(take.started for take in every):
        return min(take.started.replace(tzinfo=None) for _, take in own)
    return min(row for row, _ in own)


def _ordered(own: list[tuple[int, Take]]) -> tuple[str, list[Take]]:
    if all(take.order is not None for _, take in own):
        return "order", [t for _, t in sorted(own, key=lambda each: (each[1].order, each[0]))]
    if all(take.started for _, take in own):
        key = [(take.started.replace(tzinfo=None), row, take) for row, take in own]
        return "started", [take for _, _, take in sorted(key, key=lambda each: each[:2])]
    return "row", [take for _, take in own]
