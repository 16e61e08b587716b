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

M is held as the orthonormal columns Q of the model, M = I - QQ', so that nothing is as large as
units times units. Sums over pairs of units fall apart by wood: with Q_g = U_g R_g the rows of Q in
wood g, M acts on the columns of all U_g alone, which are few; beside them it changes nothing.

All methods take the means of many features at once: y of shape (..., units).

A number of each unit beside its wood, such as its place in the order of recording or a covariate,
is one more column: least squares then compare the woods at one value of it (Cochran 1957,
Biometrics 13, 261), and each wood keeps its own spread by the same formulas.

Functions: `has_block`, `wood_model`, `independent`; `WoodModel`.
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
    basis : Q, shape (n, r).
    blocked : whether batch columns are in the model.
    dropped : whether batch differences remain that the model could not separate from wood.
    slopes : weights that give the change of y for one unit of each number that is taken out, shape
        (numbers, n).
    n0 : the number of units a wood that the spread of wood means is divided by.
    apart : orthonormal columns of what the woods add to all else, shape (n, k - 1).
    """

    group: np.ndarray
    weights: np.ndarray
    basis: np.ndarray
    blocked: bool
    dropped: bool
    slopes: np.ndarray
    n0: float
    apart: np.ndarray

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
        return float(self.group.size - self.basis.shape[1])

    @property
    def diagonal(self) -> np.ndarray:
        """M_ii, shape (n,)."""
        return 1.0 - np.sum(self.basis**2, axis=1)

    def left(self, y: np.ndarray) -> np.ndarray:
        """My, for y of shape (n,) or (n, values)."""
        return y - self.basis @ (self.basis.T @ y)

    def pooled_variance(self, y: np.ndarray):
        """Residual mean square of the units' means, shape (...); NaN without degrees of freedom."""
        square = np.sum((y - (y @ self.basis) @ self.basis.T) ** 2, axis=-1)
        return square / self.df if self.df >= 1 else np.full_like(square, np.nan)[()]

    def between(self, y: np.ndarray):
        """Mean square of the woods' means, batch and other numbers apart, shape (...)."""
        return np.sum((y @ self.apart) ** 2, axis=-1) / (self.k - 1)

    def wood_variances(self, y: np.ndarray) -> np.ndarray:
        """One variance a wood, shape (..., k), zero only without residuals; NaN if unknown."""
        squares = (y - (y @ self.basis) @ self.basis.T) ** 2 @ np.eye(self.k)[self.group]
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
        return np.bincount(self.group, weights=self.diagonal, minlength=self.k)

    @cached_property
    def mixing(self) -> np.ndarray:
        """A, shape (k, k): what each wood's variance adds to each residual form."""
        residual, member, beside = self._compact
        return member.T @ residual**2 @ member + np.diag(beside)

    @cached_property
    def _compact(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """M on the columns of all U_g, their woods as (columns, k), and how many dimensions of each
        wood lie beside them."""
        roots = [np.linalg.qr(self.basis[self.group == g], mode="r") for g in range(self.k)]
        sizes, rows = [*map(len, roots)], np.concatenate(roots)
        member = np.repeat(np.eye(self.k), sizes, axis=0)
        return np.eye(len(rows)) - rows @ rows.T, member, self.counts - sizes

    @cached_property
    def _traces(self) -> np.ndarray:
        """tr(N_g D_h N_f D_i) with N_g = M D_g M, shape (k, k, k, k) for g, f, h, i.

        Known once for all features of a design, so that no product of large matrices is left
        for each pair.
        """
        residual, member, beside = self._compact
        forms = [residual[:, own] @ residual[own] for own in member.T > 0]
        traces = np.array(
            [[member.T @ (one * other.T) @ member for other in forms] for one in forms]
        ).transpose(0, 1, 3, 2)
        traces[(np.arange(self.k),) * 4] += beside
        return traces


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
        batch = overall[:, independent(overall - member @ (wood_mean @ overall))]
        dropped = len(independent(overall)) > batch.shape[1]
    if place is not None:
        centred = (place - place.mean(axis=0)).reshape(group.size, -1)
        known = np.linalg.qr(np.hstack([member, batch]))[0]
        numbers = centred[:, independent(centred - known @ (known.T @ centred))]
    # All else comes before the woods, whose columns are then what they add to it.
    full = np.hstack([np.ones((group.size, 1)), batch, numbers, member[:, 1:]])
    basis, root = np.linalg.qr(full)
    others = full.shape[1] - (k - 1)
    coefficients = np.linalg.solve(root, basis.T)[1:others]
    apart = basis[:, others:]
    return WoodModel(
        group=group,
        weights=wood_mean - (wood_mean @ full[:, 1:others]) @ coefficients,
        basis=basis,
        blocked=batch.shape[1] > 0,
        dropped=dropped,
        slopes=coefficients[batch.shape[1] :],
        n0=float(np.sum((member.T @ apart) ** 2) / (k - 1)) if k > 1 else float("nan"),
        apart=apart,
    )


def independent(columns: np.ndarray) -> list[int]:
    """Which columns (n, m) are no sum of those before them."""
    root, kept = np.linalg.qr(columns, mode="r"), list(range(columns.shape[1]))
    # Behind the first one that is a sum, the diagonal says nothing.
    while (
        short := np.abs(np.diag(np.linalg.qr(root[:, kept], mode="r")))
        <= _COLLINEAR * np.sqrt(columns.size)
    ).any():
        del kept[int(short.argmax())]
    return kept[: len(root)]
