"""Linear model of the sources' means on wood, with batch as block.

y_i = mean of wood(i) + sum over batches of share_ib * effect_b + e_i, fitted by ordinary least
squares; share_ib is the part of unit i that was measured in batch b. Batch enters only where
every wood occurs in every batch and there are at least two. Without it the model is the wood
means and every formula below is the textbook one.

Pooled: s^2 = e'e / df with df = units - rank. One variance a wood: s_g^2 = q_g / m_g with q_g the
sum of e_i^2 and m_g the sum of M_ii over wood g, M = I - H. It is the sample variance where there
is no block, never negative, and unbiased with a block when all woods spread alike; with spreads
three to one the block lets a little of the others' variance in, and the error rates hold (measured
in tests/benchmarks/truth). The variance of a contrast is then a quadratic form y'Qy, and its
degrees of freedom are those of Satterthwaite (1946), (tr Q S)^2 / tr(Q S Q S) with S = diag(s^2):
Welch's when there is no block.

All methods take the means of many features at once: y of shape (..., units).

A number of each unit beside its wood, such as its place in the order of recording or a covariate,
is one more column: least squares then compare the woods at one value of it (Cochran 1957,
Biometrics 13, 261), and each wood keeps its own spread by the same formulas.

Functions: `has_block`, `wood_model`; `WoodModel`.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

_COLLINEAR = 1e-9


@dataclass(frozen=True)
class WoodModel:
    """The design of one feature or of many; methods take y of shape (..., units).

    Attributes
    ----------
    group : wood of each unit as 0 .. k-1, shape (n,).
    weights : rows that give each wood's adjusted mean, shape (k, n).
    residual : M = I - H, shape (n, n).
    blocked : whether batch columns are in the model.
    dropped : whether batch differences remain that the model could not separate from wood.
    slopes : weights that give the change of y for one unit of each number that is taken out, shape
        (numbers, n).
    n0 : the number of units a wood that the spread of wood means is divided by.
    between : projection that the wood sum of squares is taken with, shape (n, n).
    """

    group: np.ndarray
    weights: np.ndarray
    residual: np.ndarray
    blocked: bool
    dropped: bool
    slopes: np.ndarray
    n0: float
    between: np.ndarray

    @property
    def k(self) -> int:
        return self.weights.shape[0]

    @property
    def timed(self) -> bool:
        """Whether a number, as a rule the place in the order of recording, is taken out."""
        return len(self.slopes) > 0

    @property
    def counts(self) -> np.ndarray:
        return np.bincount(self.group, minlength=self.k)

    @property
    def df(self) -> float:
        return float(np.round(np.trace(self.residual)))

    def pooled_variance(self, y: np.ndarray):
        """Residual mean square of the units' means, shape (...); NaN without degrees of freedom."""
        square = np.sum((y @ self.residual) * y, axis=-1)
        return square / self.df if self.df >= 1 else np.full_like(square, np.nan)[()]

    def wood_variances(self, y: np.ndarray) -> np.ndarray:
        """One variance a wood, shape (..., k), zero only without residuals; NaN if unknown."""
        squares = (y @ self.residual) ** 2 @ np.eye(self.k)[self.group]
        leverage = self.leverage
        known = leverage > _COLLINEAR
        return np.where(known, squares, np.nan) / np.where(known, leverage, 1.0)

    def contrast(self, a: int, b: int) -> np.ndarray:
        """Weights of wood b minus wood a, shape (units,)."""
        return self.weights[b] - self.weights[a]

    def variance_of(self, weights: np.ndarray, variances: np.ndarray):
        """Variance of a weighted sum of y and its Satterthwaite degrees of freedom, shapes (...).

        Parameters
        ----------
        weights : as from `contrast`, shape (n,); variances : from `wood_variances`, (..., k).
        """
        parts = np.bincount(self.group, weights=weights**2, minlength=self.k)
        known = self.leverage > _COLLINEAR
        # A wood whose spread the block leaves unknown adds nothing to pairs without it.
        lost = np.nan if np.any(parts[~known] > _COLLINEAR) else 0.0
        variances = np.where(known, variances, lost)
        form = parts / np.where(known, self.leverage, 1.0)
        traces = np.einsum("g,f,gfhi->hi", form, form, self._traces)
        square = np.einsum("...h,...i,hi->...", variances, variances, traces)
        expected = variances @ (self.mixing.T @ form)
        with np.errstate(invalid="ignore", divide="ignore"):
            df = np.where(square > 0, expected**2 / square, np.nan)
        return variances @ parts, np.maximum(df, 1.0)

    @cached_property
    def leverage(self) -> np.ndarray:
        """Sum of M_ii over each wood: the degrees of freedom of its spread, shape (k,)."""
        return np.bincount(self.group, weights=np.diag(self.residual), minlength=self.k)

    @cached_property
    def mixing(self) -> np.ndarray:
        """A, shape (k, k): what each wood's variance adds to each residual form."""
        member = np.eye(self.k)[self.group]
        return member.T @ self.residual**2 @ member

    @cached_property
    def _traces(self) -> np.ndarray:
        """tr(N_g D_h N_f D_i) with N_g = M D_g M, shape (k, k, k, k) for g, f, h, i.

        Known once for all features of a design, so that no product of large matrices is left
        for each pair.
        """
        member = np.eye(self.k)[self.group]
        forms = [(self.residual * member[:, g]) @ self.residual for g in range(self.k)]
        return np.array(
            [[member.T @ (one * other.T) @ member for other in forms] for one in forms]
        ).transpose(0, 1, 3, 2)


def has_block(group: np.ndarray, shares: np.ndarray) -> bool:
    """True where there are two batches or more and every wood occurs in every one of them."""
    return shares.shape[1] > 1 and all(
        np.all(shares[group == g].sum(axis=0) > 0) for g in np.unique(group)
    )


def wood_model(
    group: np.ndarray, shares: np.ndarray, *, block: bool, place: np.ndarray | None = None
) -> WoodModel:
    """The model for units in woods `group` with batch shares.

    Parameters
    ----------
    group : shape (n,), 0 .. k-1, every wood present.
    shares : shape (n, batches), rows sum to one.
    block : whether batch enters; columns that wood already explains drop out.
    place : shape (n,) or (n, numbers), each unit's place in the order of recording or another
        number of about one in size, taken out by regression; each costs a degree of freedom. Left
        in where it is None, or where wood and batch explain it.
    """
    group = np.asarray(group, dtype=int)
    k = int(group.max()) + 1
    member = np.eye(k)[group]
    wood_mean = (member / member.sum(axis=0)).T
    batch, numbers, dropped = np.empty((group.size, 0)), np.empty((group.size, 0)), False
    if block:
        overall = shares - shares.mean(axis=0)
        batch = _independent_columns(overall - member @ (wood_mean @ overall), overall)
        explained = np.hstack([np.ones((group.size, 1)), batch])
        left = overall - explained @ np.linalg.lstsq(explained, overall, rcond=None)[0]
        dropped = bool(np.max(np.abs(left)) > 1e-9)
    if place is not None:
        centred = (place - place.mean(axis=0)).reshape(group.size, -1)
        known = np.hstack([member, batch])
        beyond = centred - known @ np.linalg.lstsq(known, centred, rcond=None)[0]
        numbers = _independent_columns(beyond, centred)
    full = np.hstack([member, batch, numbers])
    reduced = np.hstack([np.ones((group.size, 1)), batch, numbers])
    inverse = np.linalg.pinv(full)
    hat = full @ inverse
    between = hat - reduced @ np.linalg.pinv(reduced)
    return WoodModel(
        group=group,
        weights=inverse[:k],
        residual=np.eye(group.size) - hat,
        blocked=batch.shape[1] > 0,
        dropped=dropped,
        slopes=inverse[full.shape[1] - numbers.shape[1] :],
        n0=float(np.trace(member.T @ between @ member) / (k - 1)) if k > 1 else float("nan"),
        between=between,
    )


def _independent_columns(within: np.ndarray, columns: np.ndarray) -> np.ndarray:
    """Those of `columns` whose parts within the woods are linearly independent."""
    kept: list[int] = []
    for j in range(within.shape[1]):
        trial = within[:, [*kept, j]]
        if np.linalg.matrix_rank(trial, tol=_COLLINEAR * np.sqrt(trial.size)) > len(kept):
            kept.append(j)
    return columns[:, kept]
