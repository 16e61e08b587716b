"""The scale on which a feature is compared, and the way back to what a reader sees.

Levels are compared in dB as they stand. Other positive quantities are compared as natural
logarithms; a difference d of logarithms is reported as 100 (exp(d) - 1) percent, and for a
frequency also as 1200 d / ln 2 cents. A limit that is a ratio r becomes ln r on that scale:
it reaches from -100 (1 - 1/r) % to +100 (r - 1) %.

Functions: `analysis_values`, `reported_difference`, `reported_values`, `analysis_limit`,
`reported_limit`, `cents_from_percent`.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from studylib.errors import InputError
from studylib.register import Feature


def analysis_values(values: np.ndarray, scale: np.ndarray) -> np.ndarray:
    """Values on the scale of analysis; NaN where a logarithm does not exist.

    Parameters
    ----------
    values : shape (n,), in the feature's unit.
    scale : shape (n,), "db" or "log" for each value.
    """
    values = np.asarray(values, dtype=float)
    is_log = np.asarray(scale) == "log"
    out = np.where(np.isfinite(values), values, np.nan)
    positive = is_log & (out > 0)
    out[positive] = np.log(out[positive])
    out[is_log & ~positive] = np.nan
    return out


def reported_difference(difference: float | np.ndarray, feature: Feature):
    """A difference on the scale of analysis as dB or percent; an array for an array."""
    shown = np.asarray(difference, dtype=float)
    shown = 100.0 * np.expm1(shown) if feature.scale == "log" else shown
    return shown if shown.ndim else float(shown)


def reported_values(values: pd.Series, feature: Feature) -> pd.Series:
    """Means on the scale of analysis in the feature's own unit (geometric for "log")."""
    return np.exp(values) if feature.scale == "log" else values


def analysis_limit(limit: float, feature: Feature) -> float:
    """A listening limit on the scale of analysis, above 0.

    Raises
    ------
    InputError : not a finite number above 0 dB, or not a ratio above 1.
    """
    if feature.scale == "log":
        if not (math.isfinite(limit) and limit > 1):
            raise InputError(
                f"the limit of {feature.name} is {limit:g}; it is a ratio and must be above 1 "
                "(1.05 means 5 %)"
            )
        return math.log(limit)
    if not (math.isfinite(limit) and limit > 0):
        raise InputError(f"the limit of {feature.name} is {limit:g}; it must be above 0 dB")
    return float(limit)


def reported_limit(limit: float, feature: Feature) -> float:
    """A limit as it stands in the study (dB or ratio) in the unit of differences (dB or %)."""
    return 100.0 * (limit - 1.0) if feature.scale == "log" else float(limit)


def cents_from_percent(percent: float) -> float:
    """A frequency difference in percent as cents (100 cents = one equal-tempered semitone)."""
    return 1200.0 * math.log2(1.0 + percent / 100.0) if percent > -100 else -math.inf
