"""Analysis of covariance on the sources' means: woods compared with one covariate held equal.

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

Functions: `fit_covariate`, `simultaneous`; `CovariateFit`.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from studylib.stats import studentized
from studylib.stats.blocks import WoodModel

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
