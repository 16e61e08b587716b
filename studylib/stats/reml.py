"""Variance components of nested designs by restricted maximum likelihood (REML), many at once.

y = X beta + takes + mounts + specimens + sources, all random parts normal and independent, any
numbers at each level (Patterson & Thompson 1971; Searle, Casella & McCulloch, Variance Components,
1992). The highest random level cuts V into independent blocks, so all algebra is done on small
matrices: for V^-1 of every block and feature together, and with the fixed effects that a block has
any part in; of many batches that is one or two. Takes enter through the means of their
mounts and the squares within, which holds the whole likelihood, because X is constant in a mount.

The likelihood is climbed by Fisher scoring and, close to the top, by Newton's steps, with the
components kept at or above zero: one that lies at zero and whose score points below stays there
exactly (the boundary), and every step is halved until the likelihood rises. Both informations and
everything that degrees of freedom need (`mixed`) come from the same matrices.

Conventions: components lowest first, the first being the residual; variances in the unit of y
squared; arrays over features first.

Functions: `reml_design`, `fit_reml`, `deviance`; `RemlDesign`, `Reml`.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse

MOST_STEPS = 200
_SMALL = 1e-9  # of the largest component: below, a component counts as lying at zero
_AT_ONCE = 4_000_000  # numbers in one array of block matrices


@dataclass(frozen=True)
class RemlDesign:
    """The fixed part and the nesting of one set of rows, cut into blocks of the highest level.

    Attributes
    ----------
    rows : row number of each place of a block, -1 where there is none, shape (blocks, size).
    effects : number of fixed effects.
    columns : which of them a block has a part in, and some more where others have more, shape
        (blocks, own).
    x : fixed part in those, zero where there is no row, shape (blocks, size, own).
    parts : what a unit of each component adds to V, shape (components, blocks, size, size).
    empty : 1 on the diagonal where there is no row, shape (blocks, size, size).
    counts : takes behind each row, shape (rows,).
    within_df : degrees of freedom of the takes within rows; 0 where every row is one take.
    """

    rows: np.ndarray
    effects: int
    columns: np.ndarray
    x: np.ndarray
    parts: np.ndarray
    empty: np.ndarray
    counts: np.ndarray
    within_df: int

    @property
    def size(self) -> int:
        """Number of rows."""
        return self.counts.size

    def placed(self, y: np.ndarray) -> np.ndarray:
        """Values of shape (features, rows) by block, zero where there is no row."""
        return np.where(self.rows >= 0, y[:, self.rows], 0.0)

    @cached_property
    def _sums(self) -> list[sparse.csr_array]:
        pairs = self.columns[:, :, np.newaxis] * self.effects + self.columns[:, np.newaxis]
        return [
            sparse.csr_array(
                (np.ones(at.size), (at.ravel(), np.arange(at.size))),
                shape=(self.effects**power, at.size),
            )
            for power, at in ((1, self.columns), (2, pairs))
        ]

    def whole(self, own: np.ndarray, power: int = 2) -> np.ndarray:
        """Sums over the blocks of what each adds, shape (..., blocks, own) or, to the power of 2,
        (..., blocks, own, own): over all fixed effects."""
        first = own.shape[: -1 - power]
        found = self._sums[power - 1] @ own.reshape(int(np.prod(first)), -1).T
        return found.T.reshape(*first, *(self.effects,) * power)


@dataclass(frozen=True)
class Reml:
    """Fits of all features of one design.

    Attributes
    ----------
    components : shape (features, components), never below zero.
    beta : fixed effects, shape (features, p); covariance : of beta, shape (features, p, p).
    deviance : -2 log restricted likelihood, shape (features,).
    expected, observed : information on the components, shape (features, components, components).
    first : A_k = X'W G_k W X with W = V^-1, shape (features, components, p, p).
    second : Q_kl = X'W G_k W G_l W X, shape (features, components, components, p, p).
    converged : shape (features,).
    """

    components: np.ndarray
    beta: np.ndarray
    covariance: np.ndarray
    deviance: np.ndarray
    expected: np.ndarray
    observed: np.ndarray
    first: np.ndarray
    second: np.ndarray
    converged: np.ndarray


def reml_design(
    x: np.ndarray,
    levels: Sequence[np.ndarray],
    *,
    counts: np.ndarray | None = None,
) -> RemlDesign:
    """Cut a design into blocks.

    Parameters
    ----------
    x : fixed part, shape (rows, p), full rank.
    levels : for each random level above the residual, lowest first, the group of every row;
        groups of a level lie within those of the next. At least one.
    counts : takes that each row is the mean of; 1 each when left out.
    """
    x = np.asarray(x, dtype=float)
    counts = np.ones(len(x)) if counts is None else np.asarray(counts, dtype=float)
    top = np.unique(levels[-1], return_inverse=True)[1]
    order = np.argsort(top, kind="stable")
    sizes = np.bincount(top)
    rows = np.full((sizes.size, sizes.max()), -1)
    place = np.arange(len(x)) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    rows[top[order], place] = order
    there = rows >= 0
    fixed = np.where(there[:, :, np.newaxis], x[rows], 0.0)
    used = fixed.any(axis=1)
    columns = np.argsort(~used, axis=1, kind="stable")[:, : used.sum(axis=1).max()]
    both = there[:, :, np.newaxis] & there[:, np.newaxis, :]
    eye = np.eye(rows.shape[1])
    parts = [eye * np.where(there, 1.0 / counts[rows], 0.0)[:, np.newaxis, :]]
    parts += [
        (label[:, :, np.newaxis] == label[:, np.newaxis, :]) * both * 1.0
        for level in levels
        for label in [np.unique(level, return_inverse=True)[1][rows]]
    ]
    return RemlDesign(
        rows=rows,
        effects=x.shape[1],
        columns=columns,
        x=np.take_along_axis(fixed, columns[:, np.newaxis], axis=2),
        parts=np.array(parts),
        empty=eye * ~there[:, np.newaxis, :] * 1.0,
        counts=counts,
        within_df=round(float(counts.sum())) - len(x),
    )


def fit_reml(
    design: RemlDesign,
    y: np.ndarray,
    *,
    within: np.ndarray | None = None,
    start: np.ndarray | None = None,
) -> Reml:
    """Fit every feature.

    Parameters
    ----------
    design : from `reml_design`.
    y : means of the rows, shape (features, rows).
    within : sums of squares of the takes about those means, shape (features,); zero when left out.
    start : components to start from, shape (features, components); equal parts when left out.

    Features without any spread, or without any between the takes of a mount, come back with NaN.
    """
    y = np.atleast_2d(np.asarray(y, dtype=float))
    within = np.zeros(len(y)) if within is None else np.asarray(within, dtype=float)
    step = max(1, _AT_ONCE // design.parts.size)
    parts = [slice(i, i + step) for i in range(0, len(y), step)]
    chunks = [
        _fit(design, y[part], within[part], None if start is None else start[part])
        for part in parts
    ]
    return Reml(*(np.concatenate([getattr(c, n) for c in chunks]) for n in Reml.__annotations__))


def deviance(
    design: RemlDesign, y: np.ndarray, components: np.ndarray, *, within: np.ndarray | None = None
) -> np.ndarray:
    """-2 log restricted likelihood at given components, shape (features,)."""
    y = np.atleast_2d(np.asarray(y, dtype=float))
    within = np.zeros(len(y)) if within is None else np.asarray(within, dtype=float)
    return _State(design, design.placed(y), within, np.atleast_2d(components)).deviance


def _fit(design: RemlDesign, y, within, start) -> Reml:
    count = len(design.parts)
    centre = y.mean(axis=1, keepdims=True)
    scale = np.sqrt(np.mean((y - centre) ** 2, axis=1) + within / max(design.counts.sum(), 1))
    known = scale > 1e-12 * np.maximum(1.0, np.abs(centre[:, 0]))
    if design.within_df:
        # Takes that are all alike within their mounts have a likelihood without a top.
        known &= within > 1e-20 * scale**2
    scale = np.where(known, scale, 1.0)
    placed = design.placed(y / scale[:, np.newaxis])
    within = within / scale**2
    if start is None:
        phi = np.full((len(y), count), 1.0 / count)
    else:
        phi = np.maximum(start / scale[:, np.newaxis] ** 2, 0.0)
        largest = phi.max(axis=1, keepdims=True)
        phi = np.where(phi > 0, phi, 0.01 * np.where(largest > 0, largest, 1.0))
    phi[~known] = 1.0 / count
    left, converged = known.copy(), np.zeros(len(y), dtype=bool)
    for _ in range(MOST_STEPS):
        if not left.any():
            break
        at = np.flatnonzero(left)
        before = phi[at]
        phi[at], done = _improved(design, placed[at], within[at], before)
        converged[at[done]] = True
        # Where rounding hides what is left to gain, the next step would be this one again.
        left[at[done | (phi[at] == before).all(axis=1)]] = False
    return _unscaled(design, _State(design, placed, within, phi), scale, known, converged)


def _improved(design, y, within, phi) -> tuple[np.ndarray, np.ndarray]:
    """One step for each feature, and whether that was the last one."""
    state = _State(design, y, within, phi)
    score, expected, observed, *_ = state.derived
    fixed = (phi <= _SMALL * phi.max(axis=1, keepdims=True)) & (score <= 0)
    fixed[:, 0] = False
    phi = np.where(fixed, 0.0, phi)
    step = _solved(observed, score, fixed)
    # Where the curvature is not that of a top, the expected information still leads upwards.
    uphill = np.linalg.eigvalsh(_reduced(observed, fixed))[:, 0] > 0
    step = np.where(uphill[:, np.newaxis], step, _solved(expected, score, fixed))
    done = np.abs(np.sum(step * np.where(fixed, 0.0, score), axis=1)) < 1e-10
    best, length = phi.copy(), np.ones(len(phi))
    waiting = np.ones(len(phi), dtype=bool)
    for _ in range(40):
        at = np.flatnonzero(waiting)
        trial = phi[at] + length[at, np.newaxis] * step[at]
        trial[:, 1:] = np.maximum(trial[:, 1:], 0.0)
        trial[:, 0] = np.maximum(trial[:, 0], 0.05 * phi[at, 0])
        # At the end, what is left to gain lies below the rounding of the likelihood.
        lower = done[at] | (
            _State(design, y[at], within[at], trial).deviance <= state.deviance[at] + 1e-12
        )
        best[at[lower]] = trial[lower]
        waiting[at[lower]] = False
        length[at] /= 2.0
        if not waiting.any():
            break
    return best, done | waiting


def _reduced(information: np.ndarray, fixed: np.ndarray) -> np.ndarray:
    """The information with fixed components cut out (one on their diagonal, zero beside it)."""
    either = fixed[:, :, np.newaxis] | fixed[:, np.newaxis, :]
    return np.where(either, 0.0, information) + fixed[:, :, np.newaxis] * np.eye(fixed.shape[1])


def _solved(information: np.ndarray, score: np.ndarray, fixed: np.ndarray) -> np.ndarray:
    return np.einsum(
        "fkl,fl->fk",
        np.linalg.pinv(_reduced(information, fixed), hermitian=True),
        np.where(fixed, 0.0, score),
    )


class _State:
    """The likelihood of many features at given components, and its derivatives when asked for."""

    def __init__(self, design: RemlDesign, y: np.ndarray, within: np.ndarray, phi: np.ndarray):
        self._design, self._within, self.phi = design, within, phi
        v = np.einsum("fk,ksij->fsij", phi, design.parts) + design.empty
        try:
            root = np.linalg.cholesky(v)
        except np.linalg.LinAlgError:
            # One feature without any variance in a block stops all of them: lift it by a trace.
            lift = 1e-12 * np.maximum(phi.max(axis=1), 1e-300)
            root = np.linalg.cholesky(v + lift[:, None, None, None] * np.eye(v.shape[-1]))
        log_v = 2.0 * np.log(np.diagonal(root, axis1=2, axis2=3)).sum(axis=(1, 2))
        half = np.linalg.inv(root)
        self._w = np.swapaxes(half, 2, 3) @ half
        self._wx = self._w @ design.x
        wy = np.einsum("fsij,fsj->fsi", self._w, y)
        information = design.whole(np.einsum("sip,fsiq->fspq", design.x, self._wx))
        self.covariance = np.linalg.inv(information)
        xwy = design.whole(np.einsum("sip,fsi->fsp", design.x, wy), 1)
        self.beta = np.einsum("fpq,fp->fq", self.covariance, xwy)
        self._py = wy - np.einsum("fsip,fsp->fsi", self._wx, self.beta[:, design.columns])
        square = np.einsum("fsi,fsi->f", y, self._py)
        rows, p = design.size, design.effects
        self.deviance = (
            log_v
            + np.linalg.slogdet(information)[1]
            + square
            + (rows + design.within_df - p) * np.log(2 * np.pi)
            + np.log(design.counts).sum()
        )
        if design.within_df:
            self.deviance = (
                self.deviance + design.within_df * np.log(phi[:, 0]) + within / phi[:, 0]
            )

    @cached_property
    def derived(self) -> tuple[np.ndarray, ...]:
        """Score, expected and observed information, first and second: as in `Reml`."""
        design, w, wx, py = self._design, self._w, self._wx, self._py
        parts, count, cov = design.parts, len(design.parts), self.covariance
        gwx = np.stack([part @ wx for part in parts], axis=1)
        u = np.stack([np.einsum("sij,fsj->fsi", part, py) for part in parts], axis=1)
        wg = [w @ part for part in parts]
        first = design.whole(np.einsum("fsip,fksiq->fkspq", wx, gwx))
        wgwx = np.stack([w @ gwx[:, k] for k in range(count)], axis=1)
        second = design.whole(np.einsum("fksip,flsiq->fklspq", gwx, wgwx))
        trace = np.stack([np.einsum("fsii->f", each) for each in wg], axis=1)
        score = -0.5 * (
            trace - np.einsum("fpq,fkqp->fk", cov, first) - np.einsum("fsi,fksi->fk", py, u)
        )
        both = np.empty((len(w), count, count))
        for k in range(count):
            for m in range(k, count):
                both[:, k, m] = both[:, m, k] = np.einsum("fsij,fsji->f", wg[k], wg[m])
        c_first = np.einsum("fpq,fkqr->fkpr", cov, first)
        expected = 0.5 * (
            both
            - 2.0 * np.einsum("fpq,fklqp->fkl", cov, second)
            + np.einsum("fkpr,flrp->fkl", c_first, c_first)
        )
        wu = np.stack([np.einsum("fsij,fsj->fsi", w, u[:, k]) for k in range(count)], axis=1)
        xwu = design.whole(np.einsum("sip,fksi->fksp", design.x, wu), 1)
        average = np.einsum("fksi,flsi->fkl", u, wu) - np.einsum(
            "fkp,fpq,flq->fkl", xwu, cov, xwu, optimize=True
        )
        observed = average - expected
        if design.within_df:
            df, phi0 = design.within_df, self.phi[:, 0]
            score[:, 0] -= 0.5 * (df / phi0 - self._within / phi0**2)
            expected[:, 0, 0] += 0.5 * df / phi0**2
            observed[:, 0, 0] += self._within / phi0**3 - 0.5 * df / phi0**2
        return score, expected, observed, first, second


def _unscaled(design, state: _State, scale, known, converged) -> Reml:
    """The fit in the unit of y; NaN for features without spread."""

    def shown(values: np.ndarray, power: int) -> np.ndarray:
        shape = (-1,) + (1,) * (values.ndim - 1)
        return values * np.where(known, scale.astype(float) ** power, np.nan).reshape(shape)

    takes = design.size + design.within_df - design.effects
    _, expected, observed, first, second = state.derived
    return Reml(
        components=shown(state.phi, 2),
        beta=shown(state.beta, 1),
        covariance=shown(state.covariance, 2),
        deviance=np.where(known, state.deviance + 2.0 * takes * np.log(scale), np.nan),
        expected=shown(expected, -4),
        observed=shown(observed, -4),
        first=shown(first, -4),
        second=shown(second, -6),
        converged=converged & known,
    )
