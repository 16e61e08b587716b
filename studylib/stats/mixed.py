"""The mixed model of a study's takes: REML components, tests, and the second opinion on woods.

Woods, and batches where they are a block, are fixed; sources, specimens and mounts are random. All
features of one design are fitted together (`reml`). The second opinion on a pair of woods is the
mixed model's difference with Kenward-Roger's standard error and degrees of freedom, referred to the
studentized range over the woods, as the first opinion is; Satterthwaite's stand beside it. It
weighs boards by how well they were measured and pools the spread of the woods, so the two differ
where numbers are unequal or spreads differ. It decides nothing.

Kenward & Roger (1997): the covariance of the fixed effects is adjusted for the components being
estimated, and a contrast is referred to Student's t with 2 / A degrees of freedom (for one contrast
their A1 and A2 are the same number and their scale is 1). Satterthwaite (1946; Giesbrecht & Burns
1985): from the gradient of a contrast's variance and the observed information.

A component at zero keeps its place in the information, as its uncertainty does not end there; with
it left out, mounts would be counted as boards. The observed information may not be positive at the
boundary; the expected one is then used for both.

Formulas after Kenward & Roger (1997), eq. 1 to 7, written out in Halekoh & Hojsgaard (2014); the
tests hold them to published unbalanced tables.

Functions: `fit_features`, `second_opinion`, `contrast_test`. Classes: `Fitted`, `ContrastTest`.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import tables
from studylib.sheets.files import grouped
from studylib.stats import pairs, reml, scales, studentized
from studylib.stats.components import components
from studylib.stats.samples import Design, Sample

MOST_COLUMNS = 100  # woods, batches and places: the algebra grows with the square of their number
_BOUNDARY = 1e-8  # of the largest component


@dataclass(frozen=True)
class ContrastTest:
    """One contrast on every feature; all arrays of shape (features,).

    se : Kenward-Roger; df : Kenward-Roger; satterthwaite : its df.
    """

    difference: np.ndarray
    se: np.ndarray
    df: np.ndarray
    satterthwaite: np.ndarray


# A test of one pair of k woods on all features of a design, and p and half of the interval for all
# pairs together, arrays of shape (features,).
_PairTest = tuple[ContrastTest, np.ndarray, np.ndarray]


@np.errstate(divide="ignore", invalid="ignore")
def contrast_test(fit: reml.Reml, contrast: np.ndarray) -> ContrastTest:
    """The test of contrast @ beta, contrast of shape (p,)."""
    contrast = np.asarray(contrast, dtype=float)
    # Inverse of the expected information, shape (features, components, components).
    spread = np.linalg.pinv(np.nan_to_num(fit.expected), hermitian=True)
    half = np.einsum("fpq,q->fp", fit.covariance, contrast)
    gradient = np.einsum("fp,fkpq,fq->fk", half, fit.first, half)  # of the variance, by component
    plain = np.einsum("p,fpq,q->f", contrast, fit.covariance, contrast)
    inside = fit.components.min(axis=1) > _BOUNDARY * fit.components.max(axis=1)
    observed = np.linalg.pinv(
        np.nan_to_num(np.where(inside[:, np.newaxis, np.newaxis], fit.observed, fit.expected)),
        hermitian=True,
    )
    a = np.einsum("fk,fkl,fl->f", gradient, spread, gradient) / plain**2
    return ContrastTest(
        difference=fit.beta @ contrast,
        se=np.sqrt(np.einsum("p,fpq,q->f", contrast, _adjusted(fit, spread), contrast)),
        df=2.0 / a,
        satterthwaite=2.0 * plain**2 / np.einsum("fk,fkl,fl->f", gradient, observed, gradient),
    )


def _adjusted(fit: reml.Reml, spread: np.ndarray) -> np.ndarray:
    """Kenward-Roger covariance of the fixed effects, shape (features, p, p)."""
    cov = fit.covariance
    product = np.einsum("fkpq,fqr,flrs->fklps", fit.first, cov, fit.first, optimize=True)
    return cov + 2.0 * cov @ np.einsum("fkl,fklpq->fpq", spread, fit.second - product) @ cov


@dataclass(frozen=True)
class Fitted:
    """The fit of one feature: row `at` of the fits of its design.

    levels : the components, lowest first.  woods : the fixed woods, in the order of the columns.
    """

    fit: reml.Reml
    at: int
    levels: tuple[str, ...]
    woods: tuple[str, ...]

    @property
    def components(self) -> dict[str, float]:
        """Estimates by level, never below zero."""
        return dict(zip(self.levels, map(float, self.fit.components[self.at]), strict=True))


def fit_features(samples: Mapping[str, Sample]) -> dict[str, Fitted]:
    """Fits of all features whose design has two random levels or more and at most `MOST_COLUMNS`
    fixed effects, and that converged."""
    out = {}
    for group in grouped((id(one.design), (name, one)) for name, one in samples.items()).values():
        design = group[0][1].design
        if len(design.nested.levels) > 1 and design.all_model.basis.shape[1] <= MOST_COLUMNS:
            fit = _fit(design, [sample for _, sample in group])
            out |= {
                name: Fitted(fit, at, design.nested.levels, design.present)
                for at, (name, _) in enumerate(group)
                if fit.converged[at]
            }
    return {name: out[name] for name in samples if name in out}


def second_opinion(
    samples: Mapping[str, Sample],
    fits: Mapping[str, Fitted],
    first: Mapping[str, Iterable[pairs.Pair]],
    *,
    confidence: float,
) -> pd.DataFrame:
    """One row a feature and pair of woods with enough sources; the table `second_opinion`.

    Parameters
    ----------
    first : feature -> what the means of sources say on its pairs.
    """
    rows: list[dict] = []
    kept: dict[tuple, _PairTest] = {}
    for name, fitted in fits.items():
        sample, model = samples[name], samples[name].design.model
        if model is None or model.k < 2 or model.df < 1 or name not in first:
            continue
        for pair in first[name]:
            woods = (sample.design.woods[pair.a], sample.design.woods[pair.b])
            key = (id(fitted.fit), *woods)
            if key not in kept:
                contrast = np.zeros(fitted.fit.beta.shape[1])
                contrast[[fitted.woods.index(wood) for wood in woods]] = -1.0, 1.0
                kept[key] = _pair_test(fitted.fit, contrast, model.k, confidence)
            rows.append(_row(sample.feature, fitted, kept[key], pair, woods, confidence))
    return tables.typed("second_opinion", rows)


def _pair_test(fit: reml.Reml, contrast: np.ndarray, k: int, confidence: float) -> _PairTest:
    """NaN without degrees of freedom or error."""
    own = contrast_test(fit, contrast)
    df = np.where(np.isfinite(own.df) & (own.df >= 1) & (own.se > 0), own.df, np.nan)
    p = studentized.sf(np.abs(own.difference) / own.se * np.sqrt(2.0), k, df)
    return own, p, studentized.quantile(confidence, k, df) / np.sqrt(2.0) * own.se


def _row(feature, fitted: Fitted, test: _PairTest, pair: pairs.Pair, woods, confidence) -> dict:
    at, alpha, (own, p, half) = fitted.at, round(1.0 - confidence, 12), test
    difference, half, p = own.difference[at], half[at], float(p[at])
    return {
        "feature": feature.name,
        "wood_a": woods[0],
        "wood_b": woods[1],
        "difference": scales.reported_difference(difference, feature),
        "unit": feature.difference_unit,
        "low": scales.reported_difference(difference - half, feature),
        "high": scales.reported_difference(difference + half, feature),
        "se": float(own.se[at]),
        "df": float(own.df[at]),
        "satterthwaite_df": float(own.satterthwaite[at]),
        "p": p,
        "first_p": pair.closed,
        "agrees": bool((p <= alpha) == (pair.closed <= alpha)),
        "note": "methods.carried_below" if fitted.components[fitted.levels[-1]] == 0.0 else "",
    }


def _fit(design: Design, samples: Sequence[Sample]) -> reml.Reml:
    y = np.array([sample.takes["y"].to_numpy(float) for sample in samples])
    nested = design.nested
    means = nested.mount_means(y)
    within = np.sum((y - means[:, nested.mount]) ** 2, axis=1)
    start = [[c.estimate for c in components(nested.strata(row), confidence=0.95)] for row in y]
    rows = reml.reml_design(
        _fixed_part(design),
        [nested.groups[level] for level in nested.levels[1:]],
        counts=np.bincount(nested.mount),
    )
    return reml.fit_reml(rows, means, within=within, start=np.array(start))


def _fixed_part(design: Design) -> np.ndarray:
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
