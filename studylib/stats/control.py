"""The positive control: does the bench tell the changed specimen from the reference?

`changed` is the reference with a known small mass fixed to it. A bench that cannot tell the two
apart has no right to call two woods the same, so `same` is earned feature by feature here. The
difference is changed minus reference on mounts within the batches they share (so that a change
of the bench between batches cancels), with the mount spread pooled over all boards; they are
told apart when the interval for that feature excludes zero.

Functions: `control_rows`, `features_detected`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy import special

from studylib.register import Feature
from studylib.stats import scales
from studylib.stats.boards import MountCells, paired_difference

COLUMNS = (
    "feature",
    "changed",
    "reference",
    "difference",
    "unit",
    "low",
    "high",
    "detected",
    "reason",
)
NO_REFERENCE = (
    'no reference was measured: give one specimen the role "reference" and measure it in every '
    "batch, mounted at least twice"
)
NO_CHANGED = (
    "no changed specimen was measured: fix a known small mass to the reference, enter it as a "
    'specimen of its own with the role "changed", and measure it in every batch, mounted at '
    "least twice"
)
NO_SHARED_BATCH = "changed and reference share no batch: measure both in the same batch"
NO_MOUNTS = "no specimen was mounted twice in a batch: mount changed and reference at least twice"
BELOW_NOISE = "below the noise in more than 5 % of their takes"
NOT_MEASURED = "not measured on both specimens"


def control_rows(
    feature: Feature,
    cells: MountCells | None,
    *,
    changed: Sequence[str],
    reference: Sequence[str],
    confidence: float,
    below_noise: bool = False,
) -> list[dict]:
    """One row for each changed specimen with each reference, or one that says what is missing.

    Parameters
    ----------
    cells : mounts of this feature (all boards), None when nothing was measured.
    changed, reference : specimens of these roles, in the order of the sheet.
    below_noise : more than 5 % of their takes of this feature lie below the noise.
    """
    if not reference or not changed:
        return [_row(feature, reason=NO_CHANGED if reference else NO_REFERENCE)]
    pairs = [(name, other) for name in changed for other in reference]
    if below_noise:
        return [
            _row(feature, changed=name, reference=other, reason=BELOW_NOISE)
            for name, other in pairs
        ]
    return [_pair(feature, cells, name, other, confidence) for name, other in pairs]


def _pair(feature, cells, changed, reference, confidence) -> dict:
    names = {"changed": changed, "reference": reference}
    if cells is None or changed not in cells.batches or reference not in cells.batches:
        return _row(feature, **names, reason=NOT_MEASURED)
    difference, se, shared = paired_difference(cells, reference, changed)
    if not shared:
        return _row(feature, **names, reason=NO_SHARED_BATCH)
    if cells.df < 1:
        shown = scales.reported_difference(difference, feature)
        return _row(feature, **names, difference=shown, reason=NO_MOUNTS)
    half = special.stdtrit(cells.df, 0.5 * (1 + confidence)) * se
    told = abs(difference) > half and abs(difference) > 1e-12
    return _row(
        feature,
        **names,
        difference=scales.reported_difference(difference, feature),
        low=scales.reported_difference(difference - half, feature),
        high=scales.reported_difference(difference + half, feature),
        detected=bool(told),
        reason="" if told else "the interval includes zero: the bench did not tell them apart",
    )


def _row(
    feature: Feature,
    *,
    changed: str = "",
    reference: str = "",
    difference: float = math.nan,
    low: float = math.nan,
    high: float = math.nan,
    detected: bool = False,
    reason: str,
) -> dict:
    values = (feature.name, changed, reference, difference, feature.difference_unit)
    return dict(zip(COLUMNS, (*values, low, high, detected, reason), strict=True))


def features_detected(control: pd.DataFrame) -> frozenset[str]:
    """Features on which every changed specimen was told from every reference."""
    if control.empty:
        return frozenset()
    told = control.groupby("feature")["detected"].agg(lambda values: bool(np.all(values)))
    return frozenset(told.index[told])
