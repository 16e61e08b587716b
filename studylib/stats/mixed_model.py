"""The mixed model of a study's takes: REML components, and the second opinion on woods.

Woods, and batches where they are a block, are fixed; sources, specimens and mounts are random. All
features of one design are fitted together (`reml`). The second opinion on a pair of woods is the
mixed model's difference with Kenward-Roger's standard error and degrees of freedom, referred to the
studentized range over the woods, as the first opinion is; Satterthwaite's stand beside it. It
weighs boards by how well they were measured and pools the spread of the woods, so the two differ
where numbers are unequal or spreads differ. It decides nothing.

Functions: `fit_features`, `fit_design`, `fixed_part`, `fitted_components`, `second_opinion`;
`Fitted`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib.stats import scales, studentized
from studylib.stats.mixed import ContrastTest, contrast_test
from studylib.stats.nested import components
from studylib.stats.pairs import Pair
from studylib.stats.reml import Reml, fit_reml, reml_design
from studylib.stats.samples import Design, Sample

COLUMNS = (
    *("feature", "wood_a", "wood_b", "difference", "unit", "low", "high", "se", "df"),
    *("satterthwaite_df", "p", "first_p", "agrees", "note"),
)
ZERO = (
    "the spread between sources came out at zero, so mounts and takes carry this; the means of "
    "sources are the safer ground"
)


@dataclass(frozen=True)
class Fitted:
    """The fit of one feature: row `at` of the fits of its design.

    levels : the components, lowest first.  woods : the fixed woods, in the order of the columns.
    """

    fit: Reml
    at: int
    levels: tuple[str, ...]
    woods: tuple[str, ...]

    @property
    def components(self) -> dict[str, float]:
        """Estimates by level, never below zero."""
        return dict(zip(self.levels, map(float, self.fit.components[self.at]), strict=True))


def fit_features(samples: Mapping[str, Sample]) -> dict[str, Fitted]:
    """Fits of all features whose design has two random levels or more, and that converged."""
    by_design: dict[int, list[tuple[str, Sample]]] = {}
    for name, sample in samples.items():
        by_design.setdefault(id(sample.design), []).append((name, sample))
    out = {}
    for group in by_design.values():
        design = group[0][1].design
        if len(design.nested.levels) < 2:
            continue
        fit = fit_design(design, [sample for _, sample in group], fixed_part(design))
        for at, (name, _) in enumerate(group):
            if fit.converged[at]:
                out[name] = Fitted(fit, at, design.nested.levels, design.present)
    return {name: out[name] for name in samples if name in out}


def fitted_components(fitted: Fitted | None) -> dict[str, float] | None:
    """The estimates of a fit, None without one."""
    return None if fitted is None else fitted.components


def second_opinion(
    samples: Mapping[str, Sample],
    fits: Mapping[str, Fitted],
    first: Mapping[str, Iterable[Pair]],
    *,
    confidence: float,
) -> pd.DataFrame:
    """One row a feature and pair of woods with enough sources; columns `COLUMNS`.

    Parameters
    ----------
    first : feature -> what the means of sources say on its pairs.
    """
    rows: list[dict] = []
    kept: dict[tuple, _Test] = {}
    for name, fitted in fits.items():
        sample, model = samples[name], samples[name].design.model
        if model is None or model.k < 2 or model.df < 1 or name not in first:
            continue
        for pair in first[name]:
            woods = (sample.design.woods[pair.a], sample.design.woods[pair.b])
            key = (id(fitted.fit), *woods)
            if key not in kept:
                kept[key] = _test(fitted, woods, model.k, confidence)
            rows.append(_row(sample.feature, fitted, kept[key], pair, woods, confidence))
    return pd.DataFrame(rows, columns=list(COLUMNS))


@dataclass(frozen=True)
class _Test:
    """One pair of woods on all features of a design; arrays of shape (features,)."""

    own: ContrastTest
    p: np.ndarray
    half: np.ndarray


def _test(fitted: Fitted, woods: tuple[str, str], k: int, confidence: float) -> _Test:
    contrast = np.zeros(fitted.fit.beta.shape[1])
    contrast[fitted.woods.index(woods[0])] = -1.0
    contrast[fitted.woods.index(woods[1])] = 1.0
    own = contrast_test(fitted.fit, contrast)
    df = np.where(np.isfinite(own.df) & (own.df >= 1) & (own.se > 0), own.df, np.nan)
    p = studentized.sf(np.abs(own.difference) / own.se * np.sqrt(2.0), k, df)
    half = studentized.quantile(confidence, k, df) / np.sqrt(2.0) * own.se
    return _Test(own, p, half)


def _row(feature, fitted: Fitted, test: _Test, pair: Pair, woods, confidence) -> dict:
    at, alpha = fitted.at, round(1.0 - confidence, 12)
    difference, half, p = test.own.difference[at], test.half[at], float(test.p[at])
    return {
        "feature": feature.name,
        "wood_a": woods[0],
        "wood_b": woods[1],
        "difference": scales.reported_difference(difference, feature),
        "unit": feature.difference_unit,
        "low": scales.reported_difference(difference - half, feature),
        "high": scales.reported_difference(difference + half, feature),
        "se": float(test.own.se[at]),
        "df": float(test.own.df[at]),
        "satterthwaite_df": float(test.own.satterthwaite[at]),
        "p": p,
        "first_p": pair.p,
        "agrees": bool((p <= alpha) == (pair.p <= alpha)),
        "note": ZERO if fitted.components[fitted.levels[-1]] == 0.0 else "",
    }


def fit_design(design: Design, samples: Sequence[Sample], fixed: np.ndarray) -> Reml:
    """Fits of samples of one design with this fixed part, shape (mounts, p)."""
    y = np.array([sample.takes["y"].to_numpy(float) for sample in samples])
    nested = design.nested
    means = nested.mount_means(y)
    within = np.sum((y - means[:, nested.mount]) ** 2, axis=1)
    start = [[c.estimate for c in components(nested.strata(row), confidence=0.95)] for row in y]
    rows = reml_design(
        fixed,
        [nested.groups[level] for level in nested.levels[1:]],
        counts=np.bincount(nested.mount),
    )
    return fit_reml(rows, means, within=within, start=np.array(start))


def fixed_part(design: Design) -> np.ndarray:
    """Woods first, then batches where they are a block, then the place in the order where drift is
    taken out; one row a mount, full rank."""
    nested = design.nested
    fixed = np.eye(len(design.present))[nested.wood]
    if design.all_model.blocked:
        for column in nested.batch.T[1:]:
            trial = np.column_stack([fixed, column])
            if np.linalg.matrix_rank(trial) == trial.shape[1]:
                fixed = trial
    if design.all_model.timed:
        fixed = np.column_stack([fixed, nested.place])
    return fixed
