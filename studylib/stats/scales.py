"""The scale on which a feature is compared, the way back to what a reader sees, and the limits.

Levels are compared in dB as they stand. Other positive quantities are compared as natural
logarithms; a difference d of logarithms is reported as 100 (exp(d) - 1) percent, and for a
frequency also as 1200 d / ln 2 cents. A limit that is a ratio r becomes ln r on that scale:
it reaches from -100 (1 - 1/r) % to +100 (r - 1) %.

Functions: `analysis_values`, `reported_difference`, `reported_values`, `reported_sd`,
`analysis_limit`, `reported_limit`, `limit_band`, `reported_limit_band`, `limits_table`,
`limits_of`.
"""

import math
from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from studylib import errors, register, tables


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


def reported_difference(difference: float | np.ndarray, feature: register.Feature):
    """A difference on the scale of analysis as dB or percent; an array for an array."""
    shown = np.asarray(difference, dtype=float)
    shown = 100.0 * np.expm1(shown) if feature.scale == "log" else shown
    return shown if shown.ndim else float(shown)


def reported_values(
    values: pd.Series | np.ndarray, feature: register.Feature
) -> pd.Series | np.ndarray:
    """Means on the scale of analysis in the feature's own unit (geometric for "log")."""
    return np.exp(values) if feature.scale == "log" else values


def reported_sd(variance: float, feature: register.Feature) -> float:
    """A variance on the scale of analysis as a standard deviation in dB or percent."""
    return reported_difference(math.sqrt(max(variance, 0.0)), feature)


def analysis_limit(limit: float, feature: register.Feature) -> float:
    """A listening limit on the scale of analysis, above 0.

    Raises
    ------
    InputError : not a finite number above 0 dB, or not a ratio above 1.
    """
    ratio = feature.scale == "log"
    errors.InputError.refuse(
        not (math.isfinite(limit) and limit > (1 if ratio else 0)),
        "comparison.limit_ratio" if ratio else "comparison.limit_db",
        feature=feature.name,
        limit=limit,
    )
    return math.log(limit) if ratio else float(limit)


def reported_limit(limit: float, feature: register.Feature) -> float:
    """A limit as it stands in the study (dB or ratio) in the unit of differences (dB or %)."""
    return 100.0 * (limit - 1.0) if feature.scale == "log" else float(limit)


def limit_band(limit: float, feature: register.Feature) -> tuple[float, float]:
    """A limit as it stands in the study as a band of differences (dB or %)."""
    reach = analysis_limit(limit, feature)
    return reported_difference(-reach, feature), reported_difference(reach, feature)


def reported_limit_band(limit: float, feature: register.Feature) -> tuple[float, float]:
    """A limit in the unit of differences, as the table of effects has it, as a band of them."""
    return limit_band(1 + limit / 100 if feature.scale == "log" else limit, feature)


def limits_table(
    names: Sequence[str],
    limits: Mapping[str, float],
    *,
    own_limits: Collection[str],
    listening: bool,
) -> pd.DataFrame:
    """Limits in use: feature, limit (dB, or the ratio), unit ("dB" or "ratio"), own, source.

    A default of the register is a listening limit and holds only for a microphone
    (`listening`); the study's own limits hold always.

    Raises
    ------
    InputError : a limit that is not above 0 dB, or not a ratio above 1; an unknown feature.
    """
    for name, limit in limits.items():
        analysis_limit(limit, register.find(name))
    rows = [
        (name, float(limit), unit, own, "limits.own" if own else feature.limit_source)
        for name in names
        for feature in [register.find(name)]
        for unit in ["ratio" if feature.scale == "log" else "dB"]
        for limit in [limits.get(name, feature.limit)]
        for own in [name in own_limits or (name in limits and limit != feature.limit)]
        if limit is not None and (own or listening)
    ]
    return tables.typed("limits", rows)


def limits_of(table: pd.DataFrame) -> dict[str, float]:
    """Feature name -> limit in dB or as a ratio."""
    return dict(zip(table["feature"], table["limit"], strict=True))
