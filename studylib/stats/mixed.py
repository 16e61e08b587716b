"""Differences between woods in the mixed model: standard errors and degrees of freedom.

Kenward & Roger (1997): the covariance of the fixed effects is adjusted for the components being
estimated, and a contrast is referred to Student's t with 2 / A degrees of freedom (for one contrast
their A1 and A2 are the same number and their scale is 1). For several contrasts together the F test
has their scale and denominator degrees of freedom. Satterthwaite (1946; Giesbrecht & Burns 1985;
Fai & Cornelius 1996): from the gradient of a contrast's variance and the observed information.

A component at zero keeps its place in the information, as its uncertainty does not end there; with
it left out, mounts would be counted as boards. The observed information may not be positive at the
boundary; the expected one is then used for both.

Formulas after Kenward & Roger (1997), eq. 1 to 7, written out in Halekoh & Hojsgaard (2014); the
tests hold them to published unbalanced tables.

Functions: `contrast_test`, `joint_test`; `ContrastTest`, `JointTest`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studylib.stats.reml import Reml

_BOUNDARY = 1e-8  # of the largest component


@dataclass(frozen=True)
class ContrastTest:
    """One contrast on every feature; all arrays of shape (features,).

    se : Kenward-Roger; df : Kenward-Roger; plain_se : unadjusted; satterthwaite : its df.
    """

    difference: np.ndarray
    se: np.ndarray
    df: np.ndarray
    plain_se: np.ndarray
    satterthwaite: np.ndarray


@dataclass(frozen=True)
class JointTest:
    """Several contrasts together: Kenward-Roger F with its scale, and Satterthwaite's."""

    f: np.ndarray
    df: np.ndarray
    satterthwaite_f: np.ndarray
    satterthwaite_df: np.ndarray


def contrast_test(fit: Reml, contrast: np.ndarray) -> ContrastTest:
    """The test of contrast @ beta, contrast of shape (p,)."""
    contrast = np.asarray(contrast, dtype=float)
    spread = _spread_of_components(fit)
    gradient = _gradient(fit, contrast)
    plain = np.einsum("p,fpq,q->f", contrast, fit.covariance, contrast)
    a = np.einsum("fk,fkl,fl->f", gradient, spread, gradient) / plain**2
    adjusted = np.einsum("p,fpq,q->f", contrast, _adjusted(fit, spread), contrast)
    with np.errstate(divide="ignore", invalid="ignore"):
        df = 2.0 / a
    return ContrastTest(
        difference=fit.beta @ contrast,
        se=np.sqrt(adjusted),
        df=df,
        plain_se=np.sqrt(plain),
        satterthwaite=_satterthwaite(fit, gradient, plain),
    )


def joint_test(fit: Reml, contrasts: np.ndarray) -> JointTest:
    """The test that all contrasts @ beta are zero, contrasts of shape (q, p), independent."""
    contrasts = np.asarray(contrasts, dtype=float)
    q, spread = len(contrasts), _spread_of_components(fit)
    found = [_joint(fit, i, contrasts, q, spread[i]) for i in range(len(fit.beta))]
    return JointTest(*(np.array(column) for column in zip(*found, strict=True)))


def _joint(fit: Reml, i: int, contrasts, q: int, spread) -> tuple[float, float, float, float]:
    """Kenward-Roger F and df, Satterthwaite F and df of feature i."""
    cov, first = fit.covariance[i], fit.first[i]
    inner = contrasts @ cov @ contrasts.T
    theta = contrasts.T @ np.linalg.solve(inner, contrasts)
    moves = [theta @ cov @ a @ cov for a in first]
    traces = np.array([np.trace(m) for m in moves])
    a1 = float(traces @ spread @ traces)
    a2 = sum(
        spread[k, m] * float(np.trace(moves[k] @ moves[m]))
        for k in range(len(first))
        for m in range(len(first))
    )
    b = (a1 + 6 * a2) / (2 * q)
    g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
    below = 3 * q + 2 * (1 - g)
    c1, c2, c3 = g / below, (q - g) / below, (q + 2 - g) / below
    mean = 1 / (1 - a2 / q)
    variance = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    rho = variance / (2 * mean**2)
    df = 4 + (q + 2) / (q * rho - 1)
    scale = df / (mean * (df - 2))
    estimate = contrasts @ fit.beta[i]
    adjusted = contrasts @ _adjusted(fit, spread[np.newaxis], i)[0] @ contrasts.T
    f = scale * float(estimate @ np.linalg.solve(adjusted, estimate)) / q
    return f, df, *_fai_cornelius(fit, i, contrasts, inner, estimate)


def _fai_cornelius(fit: Reml, i: int, contrasts, inner, estimate) -> tuple[float, float]:
    """F and its Satterthwaite df from the independent contrasts that `inner` splits into."""
    values, vectors = np.linalg.eigh(inner)
    turned = vectors.T @ contrasts
    one = _only(fit, i)
    each = [
        float(_satterthwaite(one, _gradient(one, row), np.array([value]))[0])
        for row, value in zip(turned, values, strict=True)
    ]
    q = len(contrasts)
    f = float(np.sum((vectors.T @ estimate) ** 2 / values)) / q
    if q == 1:
        return f, each[0]
    expected = sum(v / (v - 2) for v in each if v > 2)
    return f, 2 * expected / (expected - q) if expected > q else float("nan")


def _only(fit: Reml, i: int) -> Reml:
    return Reml(*(getattr(fit, name)[i : i + 1] for name in Reml.__annotations__))


def _gradient(fit: Reml, contrast: np.ndarray) -> np.ndarray:
    """Derivative of the contrast's variance by each component, shape (features, components)."""
    half = np.einsum("fpq,q->fp", fit.covariance, contrast)
    return np.einsum("fp,fkpq,fq->fk", half, fit.first, half)


def _spread_of_components(fit: Reml) -> np.ndarray:
    """Inverse of the expected information, shape (features, components, components)."""
    return np.linalg.pinv(np.nan_to_num(fit.expected), hermitian=True)


def _satterthwaite(fit: Reml, gradient: np.ndarray, variance: np.ndarray) -> np.ndarray:
    inside = fit.components.min(axis=1) > _BOUNDARY * fit.components.max(axis=1)
    information = np.where(inside[:, np.newaxis, np.newaxis], fit.observed, fit.expected)
    spread = np.linalg.pinv(np.nan_to_num(information), hermitian=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        return 2.0 * variance**2 / np.einsum("fk,fkl,fl->f", gradient, spread, gradient)


def _adjusted(fit: Reml, spread: np.ndarray, i: int | None = None) -> np.ndarray:
    """Kenward-Roger covariance of the fixed effects, shape (features, p, p)."""
    one = fit if i is None else _only(fit, i)
    cov, first = one.covariance, one.first
    product = np.einsum("fkpq,fqr,flrs->fklps", first, cov, first, optimize=True)
    middle = np.einsum("fkl,fklpq->fpq", spread, one.second - product)
    return cov + 2.0 * cov @ middle @ cov
