"""Variance components of an unbalanced nested design by REML, fitted with statsmodels.

Wood (and batch where it is a block) is fixed; source, specimen within source, and mount within
specimen are random. The sources are the groups of `MixedLM`, each with a random intercept given
explicitly (`exog_re`): without it a variance-components model silently drops the group's own
variance.

Function: `reml_components`.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping

import numpy as np
import pandas as pd

from studylib.stats.strata import KEYS


def reml_components(
    takes: pd.DataFrame,
    fixed: np.ndarray,
    levels: tuple[str, ...],
    *,
    start: Mapping[str, float],
) -> dict[str, float] | None:
    """REML estimates in the unit of y squared, or None when the fit does not converge.

    Parameters
    ----------
    takes : columns wood, source, specimen, batch, mount, y; one row a take.
    fixed : full-rank fixed-effects design, shape (takes, p).
    levels : those of "take", "mount", "specimen", "source" that can be told apart, the take (or
        the lowest of them) being the residual and the highest the group.
    start : estimates to start from, by level, in the unit of y squared.
    """
    from statsmodels.regression.mixed_linear_model import MixedLM, MixedLMParams, VCSpec

    if len(levels) < 2:
        return None
    residual, *middle, top = levels
    y = takes["y"].to_numpy(float)
    centre, scale = y.mean(), y.std()
    if not scale > 0:
        return None
    group = takes.groupby(KEYS[top], sort=True, dropna=False).ngroup().to_numpy()
    row_order = np.argsort(group, kind="stable")
    inner = {
        level: takes.groupby(KEYS[level], sort=True, dropna=False).ngroup().to_numpy()
        for level in middle
    }
    columns = [[_columns(inner[level], group, g) for g in np.unique(group)] for level in inner]
    spec = VCSpec(
        names=list(inner),
        colnames=[[names for names, _ in level] for level in columns],
        mats=[[matrix for _, matrix in level] for level in columns],
    )
    model = MixedLM(
        ((y - centre) / scale)[row_order],
        fixed[row_order],
        groups=group[row_order],
        exog_re=np.ones((len(y), 1)),
        exog_vc=spec if inner else None,
    )
    # A start at zero would stay there: the library's parameters are square roots.
    ratio = {level: max(start[level] / max(start[residual], 1e-12), 0.05) for level in levels}
    first = MixedLMParams.from_components(
        fe_params=np.zeros(fixed.shape[1]),
        cov_re=np.array([[min(ratio[top], 1e3)]]),
        vcomp=np.array([min(ratio[level], 1e3) for level in inner]),
    )
    fit = _first_converged(model, first)
    if fit is None:
        return None
    found = {residual: float(fit.scale), top: float(np.asarray(fit.cov_re)[0, 0])}
    found.update(zip(inner, np.asarray(fit.vcomp, dtype=float), strict=True))
    return {level: max(found[level], 0.0) * scale**2 for level in levels}


def _first_converged(model, start):
    """The fit of the first optimiser that converges; each fails on some small designs."""
    for method in ("lbfgs", "bfgs", "powell", "cg"):
        with warnings.catch_warnings():
            # Convergence is asked of the result; boundary estimates warn although they are fine.
            warnings.simplefilter("ignore")
            try:
                fit = model.fit(start_params=start, reml=True, method=method)
            except (np.linalg.LinAlgError, ValueError):
                continue
        if fit.converged and np.isfinite(fit.llf):
            return fit
    return None


def _columns(inner: np.ndarray, group: np.ndarray, g: int) -> tuple[list[str], np.ndarray]:
    """Indicator columns of the inner levels that occur in group g."""
    within = inner[group == g]
    labels = np.unique(within)
    return [str(label) for label in labels], (within[:, np.newaxis] == labels).astype(float)
