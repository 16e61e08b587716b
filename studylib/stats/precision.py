"""Repeatability and intermediate precision in the sense of ISO 5725.

Repeatability is the spread between takes of one mount; intermediate precision squared is mount
plus take: the spread over takes and mounts of one specimen. A negative mount component counts as
zero, as ISO 5725-2 does, and never makes the second smaller than the first. Standard deviations
are in dB, or in percent (100 (exp(sd) - 1)) for logarithmic features.

Function: `precision_row`.
"""

from __future__ import annotations

import numpy as np

from studylib.register import Feature
from studylib.stats import scales
from studylib.stats.intervals import mls_interval
from studylib.stats.nested import component_weights
from studylib.stats.strata import Stratum

COLUMNS = (
    "feature",
    "unit",
    "repeatability_sd",
    "repeatability_low",
    "repeatability_high",
    "intermediate_sd",
    "intermediate_low",
    "intermediate_high",
    "reason",
)


def precision_row(feature: Feature, strata: tuple[Stratum, ...], *, confidence: float) -> dict:
    """One row; NaN with a reason where the design cannot tell (one take, or one mount)."""
    levels = [stratum.level for stratum in strata]
    row = dict.fromkeys(COLUMNS, float("nan"))
    row.update(feature=feature.name, unit=feature.difference_unit)
    reasons = []
    if "take" in levels:
        _fill(row, "repeatability", feature, strata, ["take"], confidence)
    else:
        reasons.append("no mount has two takes: repeatability not measured")
    if "mount" in levels:
        both = [level for level in ("take", "mount") if level in levels]
        _fill(row, "intermediate", feature, strata, both, confidence)
        for end in ("sd", "low", "high"):
            lower, upper = row[f"repeatability_{end}"], row[f"intermediate_{end}"]
            row[f"intermediate_{end}"] = float(np.fmax(lower, upper))
    else:
        reasons.append("no specimen has two mounts: intermediate precision not measured")
    row["reason"] = "; ".join(reasons)
    return row


def _fill(row, name, feature, strata, wanted, confidence) -> None:
    levels = [stratum.level for stratum in strata]
    weights = component_weights(strata)[[levels.index(level) for level in wanted]].sum(axis=0)
    squares = np.array([stratum.v for stratum in strata])
    df = np.array([stratum.df for stratum in strata])
    low, high = mls_interval(weights, squares, df, confidence=confidence)
    for end, value in (("sd", float(weights @ squares)), ("low", low), ("high", high)):
        sd = float(np.sqrt(max(value, 0.0)))
        row[f"{name}_{end}"] = scales.reported_difference(sd, feature)
