"""Variance components of one feature: wood, source, specimen, mount and take.

Balanced below the woods: exact nested analysis of variance. Not balanced: REML (`reml`), or
unweighted mean squares where it did not converge; the intervals always rest on the mean squares
(`strata`, `intervals`). Wood is fixed: its row is the spread of the wood means
beyond chance, max(0, (MS_wood - MS_unit) / n0), with the interval from the noncentral F.

A component estimated below zero is shown as zero with its interval, and the method says so.
Levels that the design cannot tell apart share one row, and the method names them. Logarithmic
features are in squared units of the natural logarithm.

Functions: `variance_rows`, `components`, `component_weights`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from studylib.stats.blocks import WoodModel
from studylib.stats.intervals import mls_interval, wood_interval
from studylib.stats.samples import Sample
from studylib.stats.strata import Stratum

COLUMNS = ("feature", "level", "variance", "sd", "share", "low", "high", "df", "method")
_WORDS = {"take": "takes", "mount": "mounts"}


@dataclass(frozen=True)
class Component:
    """One variance: estimate (may be negative), interval, degrees of freedom of its stratum."""

    level: str
    estimate: float
    low: float
    high: float
    df: int


def component_weights(strata: tuple[Stratum, ...]) -> np.ndarray:
    """Weights of the mean squares in each component, shape (levels, levels).

    The strata are triangular in the components, so each component follows from its own mean
    square and those below.
    """
    levels = [stratum.level for stratum in strata]
    mixing = [[stratum.expectation.get(level, 0.0) for level in levels] for stratum in strata]
    return np.linalg.inv(np.array(mixing))


def components(strata: tuple[Stratum, ...], *, confidence: float) -> list[Component]:
    """Components from the mean squares with modified large-sample intervals, lowest first."""
    if not strata:
        return []
    squares = np.array([stratum.v for stratum in strata])
    df = np.array([stratum.df for stratum in strata])
    out = []
    for stratum, weights in zip(strata, component_weights(strata), strict=True):
        low, high = mls_interval(weights, squares, df, confidence=confidence)
        out.append(Component(stratum.level, float(weights @ squares), low, high, stratum.df))
    return out


def variance_rows(
    sample: Sample,
    *,
    confidence: float,
    fitted: Mapping[str, float] | None,
) -> list[dict]:
    """Rows of variance.csv for one feature, wood first.

    The wood row is there only where woods may be spoken of (two woods with enough sources).
    `fitted` are the REML estimates by level, used where the design is not balanced.
    """
    feature, design = sample.feature.name, sample.design.nested
    found = components(design.strata(sample.takes["y"].to_numpy(float)), confidence=confidence)
    estimates = {c.level: c.estimate for c in found}
    method = "nested analysis of variance, exact"
    if not design.balanced:
        method = "unweighted mean squares"
        if fitted is not None:
            estimates, method = dict(fitted), "REML, interval from unweighted mean squares"
    rows = [_row(feature, c, estimates[c.level], method, design) for c in reversed(found)]
    wood = _wood_row(feature, sample.y, sample.design.model, confidence)
    rows = ([wood] if wood else []) + rows
    total = sum(row["variance"] for row in rows)
    for row in rows:
        row["share"] = row["variance"] / total if total > 0 else float("nan")
    return [{name: row[name] for name in COLUMNS} for row in rows]


def _row(feature, component: Component, estimate: float, method: str, design) -> dict:
    merged = design.merged[component.level]
    own_source = component.level == "source" and "specimen" in merged
    if own_source:
        method += "; each board its own source"
    others = [_WORDS[level] for level in merged if level != "specimen"]
    if others:
        method += "; not told from " + " and ".join(others)
    if estimate < 0:
        method += f"; estimate {estimate:.3g} shown as zero"
    variance = max(estimate, 0.0)
    return {
        "feature": feature,
        "level": "specimen" if own_source else component.level,
        "variance": variance,
        "sd": float(np.sqrt(variance)),
        "low": min(max(component.low, 0.0), variance),
        "high": max(component.high, variance),
        "df": component.df,
        "method": method,
    }


def _wood_row(
    feature: str, y: np.ndarray, model: WoodModel | None, confidence: float
) -> dict | None:
    if model is None or model.k < 2 or model.df < 1:
        return None
    df = model.k - 1
    unit_square = model.pooled_variance(y)
    wood_square = float(y @ model.between @ y) / df
    variance = max(0.0, (wood_square - unit_square) / model.n0)
    low = high = float("nan")
    if unit_square > 1e-24:
        low, high = wood_interval(
            wood_square / unit_square,
            df,
            int(model.df),
            unit_square=unit_square,
            n0=model.n0,
            confidence=confidence,
        )
    method = "spread of the wood means beyond chance, interval from the noncentral F"
    if wood_square < unit_square:
        method += "; estimate below zero shown as zero"
    return {
        "feature": feature,
        "level": "wood",
        "variance": variance,
        "sd": float(np.sqrt(variance)),
        "low": low,
        "high": high,
        "df": df,
        "method": method,
    }
