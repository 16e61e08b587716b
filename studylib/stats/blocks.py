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

Analysis of covariance compares woods with one covariate held equal:

y_i = mean of wood(i) + batch effects + b * x_i + e_i with one slope b for all woods, by ordinary
least squares. With M = I - H of the model without covariate (stats/blocks.py) and w the weights
of "wood b minus wood a" in it,

    b = x'My / x'Mx                          slope within the woods
    d = w'y - b * w'x                        difference with x held equal
    s^2 = (y'My - b^2 * x'Mx) / (df - 1)     one pooled spread
    var d = s^2 (w'w + (w'x)^2 / x'Mx)

(Cochran 1957, Biometrics 13, 261; Snedecor and Cochran 1967, chapter 14). Intervals of differences
are Tukey-Kramer's, simultaneous over the pairs of woods of the model, with and without the
covariate; with two woods they are Student's. The interval of the slope is Student's.

Whether slopes differ between the woods is the F test of one slope a wood against one slope.

Functions: `has_block`, `wood_model`, `fit_covariate`, `simultaneous`; `WoodModel`, `CovariateFit`.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import special

from studylib.stats import studentized

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
    timed : whether the place in the order of recording is taken out.
    n0 : the number of units a wood that the spread of wood means is divided by.
    between : projection that the wood sum of squares is taken with, shape (n, n).
    """

    group: np.ndarray
    weights: np.ndarray
    residual: np.ndarray
    blocked: bool
    dropped: bool
    timed: bool
    n0: float
    between: np.ndarray

    @property
    def k(self) -> int:
        return self.weights.shape[0]

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

    def contrast_variance(self, a: int, b: int, variances: np.ndarray):
        """Variance of wood b minus wood a and its Satterthwaite degrees of freedom, shapes (...).

        Parameters
        ----------
        variances : from `wood_variances`, shape (..., k).
        """
        parts = np.bincount(self.group, weights=self.contrast(a, b) ** 2, minlength=self.k)
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
    if shares.shape[1] < 2:
        return False
    return all(np.all(shares[group == g].sum(axis=0) > 0) for g in np.unique(group))


def wood_model(
    group: np.ndarray, shares: np.ndarray, *, block: bool, place: np.ndarray | None = None
) -> WoodModel:
    """The model for units in woods `group` with batch shares.

    Parameters
    ----------
    group : shape (n,), 0 .. k-1, every wood present.
    shares : shape (n, batches), rows sum to one.
    block : whether batch enters; columns that wood already explains drop out.
    place : shape (n,), each unit's place in the order of recording, taken out by regression; it
        costs a degree of freedom. Left in where it is None, or where wood and batch explain it.
    """
    group = np.asarray(group, dtype=int)
    k = int(group.max()) + 1
    member = np.eye(k)[group]
    wood_mean = (member / member.sum(axis=0)).T
    batch, dropped, timed = np.empty((group.size, 0)), False, False
    if block:
        overall = shares - shares.mean(axis=0)
        batch = _independent_columns(overall - member @ (wood_mean @ overall), overall)
        explained = np.hstack([np.ones((group.size, 1)), batch])
        left = overall - explained @ np.linalg.lstsq(explained, overall, rcond=None)[0]
        dropped = bool(np.max(np.abs(left)) > 1e-9)
    if place is not None:
        centred = (place - place.mean())[:, np.newaxis]
        known = np.hstack([member, batch])
        beyond = centred - known @ np.linalg.lstsq(known, centred, rcond=None)[0]
        if np.max(np.abs(beyond)) > _COLLINEAR:
            batch, timed = np.hstack([batch, centred]), True
    full = np.hstack([member, batch])
    reduced = np.hstack([np.ones((group.size, 1)), batch])
    inverse = np.linalg.pinv(full)
    hat = full @ inverse
    between = hat - reduced @ np.linalg.pinv(reduced)
    return WoodModel(
        group=group,
        weights=inverse[:k],
        residual=np.eye(group.size) - hat,
        blocked=batch.shape[1] > timed,
        dropped=dropped,
        timed=timed,
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


# A covariate that varies within the woods by less than this part of its own size is constant:
# what is left is rounding.
_CONSTANT = 1e-9
_NAN = float("nan")


@dataclass(frozen=True)
class CovariateFit:
    """One feature and one covariate, on the scale of analysis.

    Attributes
    ----------
    model : wood, and batch where it is a block, without the covariate.
    y, x : means of the sources and their covariate, shape (n,).
    slope : change of y for one unit of x, within the woods.
    slope_se : its standard error; NaN without spread or degrees of freedom.
    variance, df : residual mean square with the covariate, and its degrees of freedom.
    p_slopes_differ : p of the F test for unequal slopes; NaN where there are too few sources.
    """

    model: WoodModel
    y: np.ndarray
    x: np.ndarray
    slope: float
    slope_se: float
    variance: float
    df: float
    p_slopes_differ: float

    def difference(self, a: int, b: int) -> tuple[float, float]:
        """Wood b minus wood a with the covariate held equal, and its standard error."""
        weight = self.model.weights[b] - self.model.weights[a]
        return self._at(weight, float(weight @ self.x))

    def line(self, wood: int, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The wood's mean at covariate values `at`, and its standard error, shape of `at`."""
        weight = self.model.weights[wood]
        ends = [self._at(weight, float(weight @ self.x) - value) for value in np.asarray(at)]
        mean, se = np.array(ends).reshape(-1, 2).T
        return mean, se

    def shown(self) -> np.ndarray:
        """y with the batch effects taken off, shape (n,): what lies around the lines."""
        left = self.y - self.slope * self.x
        of_wood = (self.model.weights @ left)[self.model.group]
        return of_wood + self.slope * self.x + self.model.residual @ left

    def _at(self, weight: np.ndarray, distance: float) -> tuple[float, float]:
        """w'y - slope * distance, and its standard error."""
        spread = weight @ weight + distance**2 / (self.x @ self.model.residual @ self.x)
        return float(weight @ self.y - self.slope * distance), math.sqrt(self.variance * spread)


def fit_covariate(model: WoodModel, y: np.ndarray, x: np.ndarray) -> CovariateFit | None:
    """Fit one slope within the woods.

    Parameters
    ----------
    model : design of the sources; y, x : their means and covariate, shape (n,).

    Returns
    -------
    None where the covariate does not vary within the woods (apart from the batches), or where
    less than one degree of freedom would be left.
    """
    y, x = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
    within = model.residual @ x
    square = float(within @ within)
    size = float(np.max(np.abs(x))) if x.size else 0.0
    df = model.df - 1
    if df < 1 or math.sqrt(square) <= _CONSTANT * size * math.sqrt(x.size):
        return None
    slope = float(within @ y) / square
    residual = model.residual @ (y - slope * x)
    left = float(residual @ residual)
    # Numbers without any spread leave rounding behind; that is no spread.
    floor = y.size * (1e-12 * max(1.0, float(np.max(np.abs(y))))) ** 2
    variance = left / df if left > floor else _NAN
    p = _p_slopes_differ(model, x, residual, left, df) if left > floor else _NAN
    return CovariateFit(model, y, x, slope, math.sqrt(variance / square), variance, df, p)


def _p_slopes_differ(model: WoodModel, x, residual: np.ndarray, left: float, df: float) -> float:
    """p of the F test that each wood has a slope of its own."""
    columns = model.residual @ (np.eye(model.k)[model.group] * (x - x.mean())[:, np.newaxis])
    # The common slope is in the span of these columns, so they add one less than their rank.
    scale = np.linalg.norm(columns, axis=0)
    columns = columns / np.where(scale > 0, scale, 1.0)
    solution, _, rank, _ = np.linalg.lstsq(columns, residual, rcond=1e-9)
    more, df_own = rank - 1, df - (rank - 1)
    if more < 1 or df_own < 1:
        return _NAN
    left_own = float(np.sum((residual - columns @ solution) ** 2))
    if not left_own > 0:
        return 0.0
    return float(special.fdtrc(more, df_own, ((left - left_own) / more) / (left_own / df_own)))


def simultaneous(
    difference: float, se: float, k: int, df: float, *, confidence: float
) -> tuple[float, float]:
    """Tukey-Kramer interval of a difference among k woods; NaN without a standard error."""
    if not (se > 0 and df >= 1):
        return _NAN, _NAN
    half = studentized.quantile(confidence, k, df) / math.sqrt(2.0) * se
    return difference - half, difference + half
