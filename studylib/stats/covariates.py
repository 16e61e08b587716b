"""Is it the wood, or just its density? Differences between woods without and with a covariate.

For every feature and covariate each pair of woods is compared twice on the same sources: as it
stands, and with the covariate held equal (stats/ancova.py). Both intervals are Tukey-Kramer's with
one pooled spread, simultaneous over the pairs, so that the two can be laid side by side. They
decide nothing: verdicts come from the table of effects.

Conventions: each source is one number, its covariate the mean over its boards; a board without
the covariate is left out of both comparisons and counted. A wood takes part from `SMALLEST`
sources up. Batch is a block under the same rule as everywhere (stats/blocks.py). Differences and
slopes are in dB or percent; the slope holds for a step of the covariate that is a power of ten no
larger than its spread within the woods, and for one such spread (`slope_per_sd`). `overlap` is the
part of the pair's sources that lie in the range of the covariate which both woods share.

Functions: `analyse_covariates`, `covariate_table`; `Covariates`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from studylib import register
from studylib.register import Feature
from studylib.stats import design, scales
from studylib.stats.ancova import simultaneous
from studylib.stats.covariate_cases import (
    LARGEST,
    SMALLEST,
    Case,
    board_means,
    build_case,
    case_lines,
    case_points,
    overlap,
    within_sd,
)
from studylib.stats.covariate_notes import pair_note, why_no_fit
from studylib.stats.covariate_values import Quantity, covariate_quantity, covariate_values

COLUMNS = (
    *("feature", "covariate", "wood_a", "wood_b", "unit"),
    *("difference_without", "low_without", "high_without"),
    *("difference_with", "low_with", "high_with"),
    *("slope", "slope_low", "slope_high", "slope_unit", "df", "overlap", "p_slopes_differ"),
    *("n_a", "n_b", "note"),
    *("slope_per_sd", "slope_per_sd_low", "slope_per_sd_high", "within_sd", "covariate_unit"),
    "left_out",
)
POINT_COLUMNS = ("feature", "covariate", "wood", "source", "x", "value")
LINE_COLUMNS = ("feature", "covariate", "wood", "x", "value", "low", "high")
_TEXTS = {"feature", "covariate", "wood_a", "wood_b", "unit", "slope_unit", "note"}
_TEXTS |= {"covariate_unit"}
_COUNTS = {"n_a", "n_b", "left_out"}


@dataclass(frozen=True)
class Covariates:
    """Every pair of woods without and with each covariate, and what a figure draws.

    Attributes
    ----------
    table : columns `COLUMNS`; one row a feature, covariate and pair of woods.
    points : feature, covariate, wood, source, x (the covariate), value (the feature in its own
        unit, batch effects taken off where there is a line).
    lines : feature, covariate, wood, x, value, low, high: the wood's line with the common slope
        over the range of its own sources, and Student's interval of the line.
    """

    table: pd.DataFrame
    points: pd.DataFrame
    lines: pd.DataFrame


def covariate_table(
    comparison,
    specimens: pd.DataFrame,
    specimen_features: pd.DataFrame | None = None,
    *,
    woods: Sequence[str],
    features: Sequence[str],
    covariates: Sequence[str] | None = None,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """The `table` of `analyse_covariates`, which see."""
    return analyse_covariates(
        comparison,
        specimens,
        specimen_features,
        woods=woods,
        features=features,
        covariates=covariates,
        confidence=confidence,
    ).table


def analyse_covariates(
    comparison,
    specimens: pd.DataFrame,
    specimen_features: pd.DataFrame | None = None,
    *,
    woods: Sequence[str],
    features: Sequence[str],
    covariates: Sequence[str] | None = None,
    confidence: float = 0.95,
) -> Covariates:
    """Compare each pair of woods without and with each covariate.

    Parameters
    ----------
    comparison : `stats.compare.Comparison`, of which `mount_means` and `coverage` are read.
    specimens, specimen_features, covariates : see `covariate_values`.
    woods : woods in the order of the tables.
    features : features to compare, as a rule the primary ones. One that was not measured has no
        rows; one whose woods may not be compared has rows with the reason.
    confidence : in (0, 1), for all pairs of a feature and covariate together.

    Raises
    ------
    InputError : an unknown feature or covariate, two values for one specimen.
    """
    values = covariate_values(specimens, specimen_features, covariates=covariates)
    means = comparison.mount_means
    means = means[(means["role"].fillna("") == "") & means["wood"].isin(list(woods))]
    refused = design.not_compared(comparison.coverage)
    rows: list[dict] = []
    points, lines = [], []
    for name in dict.fromkeys(features):
        feature = register.find(name)
        boards = board_means(means[means["feature"] == name], feature)
        if boards.empty:
            continue
        for covariate in values.columns:
            if covariate == name:
                continue
            case = build_case(feature, covariate, boards, values[covariate], woods)
            reason = f"not compared: {refused[name]}" if name in refused else ""
            rows += _rows(case, woods, confidence, reason)
            if not reason:
                points.append(case_points(case))
                lines += case_lines(case, confidence)
    kinds = dict.fromkeys(set(COLUMNS) - _TEXTS - _COUNTS, "float64")
    kinds |= dict.fromkeys(_COUNTS, "int64") | dict.fromkeys(_TEXTS, "str")
    return Covariates(
        pd.DataFrame(rows, columns=list(COLUMNS)).astype(kinds),
        _joined(points, POINT_COLUMNS),
        _joined(lines, LINE_COLUMNS),
    )


def _joined(frames: Iterable[pd.DataFrame], columns: Sequence[str]) -> pd.DataFrame:
    frames = [frame for frame in frames if not frame.empty]
    if not frames:
        return pd.DataFrame(columns=list(columns))
    return pd.concat(frames, ignore_index=True)[list(columns)]


def _rows(case: Case, woods, confidence: float, reason: str) -> list[dict]:
    quantity = covariate_quantity(case.covariate)
    rows = []
    for wood_a, wood_b in combinations(woods, 2):
        row: dict = dict.fromkeys(COLUMNS, float("nan"))
        row.update(
            feature=case.feature.name,
            covariate=case.covariate,
            wood_a=wood_a,
            wood_b=wood_b,
            unit=case.feature.difference_unit,
            n_a=int((case.units["wood"] == wood_a).sum()),
            n_b=int((case.units["wood"] == wood_b).sum()),
            overlap=overlap(case.units, wood_a, wood_b),
            slope_unit="",
            covariate_unit=quantity.unit,
            left_out=case.left_out,
        )
        why = reason or why_no_fit(
            quantity.meaning, case.inside, case.model, case.fit, (row["n_a"], row["n_b"]), SMALLEST
        )
        if not reason and {wood_a, wood_b} <= set(case.compared) and case.model is not None:
            row.update(_numbers(case, wood_a, wood_b, quantity, confidence))
        row["note"] = pair_note(
            row, quantity.meaning, why=why, complete=case.complete, confidence=confidence
        )
        rows.append(row)
    return rows


def _numbers(case: Case, wood_a: str, wood_b: str, quantity: Quantity, confidence: float) -> dict:
    """Both differences, and the slope, as reported."""
    model, k = case.model, case.model.k
    a, b = case.compared.index(wood_a), case.compared.index(wood_b)
    y = case.inside["y"].to_numpy(float)
    weights = model.contrast(a, b)
    plain = float(weights @ y)
    se = math.sqrt(max(model.pooled_variance(y), 0.0) * float(weights @ weights))
    se = se if se > 1e-12 * max(1.0, float(np.max(np.abs(y)))) else float("nan")
    ends = simultaneous(plain, se, k, model.df, confidence=confidence)
    out = _three("difference_without", "low_without", "high_without")(case.feature, plain, *ends)
    out["within_sd"] = within_sd(case.inside)
    fit = case.fit
    if fit is None:
        return out
    difference, se = fit.difference(a, b)
    ends = simultaneous(difference, se, k, fit.df, confidence=confidence)
    half = special.stdtrit(fit.df, 0.5 + confidence / 2) * fit.slope_se
    slope = np.array([fit.slope, fit.slope - half, fit.slope + half])
    step = 10.0 ** math.floor(math.log10(out["within_sd"]))
    out |= _three("difference_with", "low_with", "high_with")(case.feature, difference, *ends)
    out |= _three("slope", "slope_low", "slope_high")(case.feature, *(slope * step))
    out |= _three("slope_per_sd", "slope_per_sd_low", "slope_per_sd_high")(
        case.feature, *(slope * out["within_sd"])
    )
    per = quantity.unit or f"of {quantity.meaning}"
    out["slope_unit"] = f"{case.feature.difference_unit} per {step:g} {per}"
    return out | {"df": fit.df, "p_slopes_differ": fit.p_slopes_differ}


def _three(*names: str):
    """A function that puts three numbers of the scale of analysis as reported under `names`."""

    def reported(feature: Feature, *numbers: float) -> dict[str, float]:
        return {
            name: scales.reported_difference(min(float(number), LARGEST), feature)
            if math.isfinite(number)
            else float("nan")
            for name, number in zip(names, numbers, strict=True)
        }

    return reported
