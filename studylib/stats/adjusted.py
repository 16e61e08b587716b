"""Differences between woods with a covariate held equal, errors in the covariate carried.

y_i = mean of wood(i) + batch effects + b * x_i + e_i with one slope b for all woods and a spread of
each wood's own, by ordinary least squares (stats/blocks.py); pairs of woods by stats/pairs.py, with
and without the covariate, so that both intervals can be laid side by side. What is held equal is
held equal along a straight line.

A covariate read with error, x = true x + error, gives a slope that is too flat, and so takes too
little off a difference (Fuller 1987, Measurement Error Models, chapter 1; Carroll et al. 2006,
Measurement Error in Nonlinear Models, chapter 3; both from memory). With the reliability

    r = 1 - u^2 / (variance of x within the woods)

the slope is b / r, and with w the weights of "wood b minus wood a" without the covariate

    d(r) = w'y - (b / r) * w'x
    var d(r) = that of these weights by the residuals, plus (b / r - b)^2 var(w'x)

the last part because the woods' mean x are not known either. r is at most 1 (no error). At least it
is what the largest uncertainty and the smallest variance allow that agree with the boards: u is the
stated one, whole, and the variance the lower limit of its interval by chi-squared. What holds for
every r between is the union of the intervals; it lies between those at both ends, because their
lower ends are concave in 1 / r and their upper ones convex.

Errors are those of single boards. What all boards share (a calliper's offset) moves every x alike
and flattens nothing; a u that holds such a part as well makes the interval wider than it need be.
They must not depend on y: a feature that is reckoned from the covariate's own readings is none for
this.

Functions: `adjust`, `spans`. Class: `Adjusted`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from studylib.stats import blocks, pairs

_NO_RELIABILITY = 1e-6  # a slope may be anything of its sign


@dataclass(frozen=True)
class Adjusted:
    """One feature and one covariate, on the scale of analysis.

    Attributes
    ----------
    plain, held : the models without and with the covariate.
    apart : the model in which each wood has a slope of its own.
    y, x : means of the sources and their covariate, shape (n,).
    weights : those of y that give the slope, shape (n,).
    reliability : the least that the stated uncertainty allows, at most 1; NaN where none is stated.
        At zero or below nothing can be held equal.
    of_woods : the same by the variance within each wood alone, shape (k,).
    """

    plain: blocks.WoodModel
    held: blocks.WoodModel
    apart: blocks.WoodModel
    y: np.ndarray
    x: np.ndarray
    weights: np.ndarray
    reliability: float
    of_woods: np.ndarray

    def spans(self, confidence: float) -> pd.DataFrame:
        """Each pair of woods, from no error to the largest; see the function `spans`."""
        return spans([self._pairs(times) for times in (1.0, self._steepest)], confidence)

    @property
    def _steepest(self) -> float:
        """How many times the slope may be what it seems to be."""
        return 1.0 / self.reliability if self.reliability > 0 else 1.0

    def _pairs(self, times: float) -> pairs.Pairs:
        """All pairs with the slope so many times what it seems to be."""
        plain, moved = self.plain, times * (self.held.weights - self.plain.weights)
        spread, hidden = plain.wood_variances(self.x), (times - 1.0) * self.y @ self.weights
        unseen = [
            hidden**2 * plain.variance_of(plain.contrast(a, b), spread)[0]
            for a, b in combinations(range(plain.k), 2)
        ]
        return pairs.all_pairs(
            replace(self.held, weights=plain.weights + moved),
            self.y[np.newaxis],
            beside=np.array(unseen),
        )

    def slope(self, confidence: float) -> tuple[float, float, float]:
        """Change of y for one unit of x as it reads, and its interval for every reliability."""
        variance, df = self.held.variance_of(self.weights, self.held.wood_variances(self.y))
        half = special.stdtrit(min(df, self.held.df), 0.5 + confidence / 2) * math.sqrt(variance)
        slope = self.weights @ self.y
        low, high = slope - half, slope + half
        return slope, min(low, self._steepest * low), max(high, self._steepest * high)

    def p_slopes_differ(self) -> float:
        """p that the woods share one slope, each with its own spread and any reliability of its
        own; NaN where there are too few sources."""
        apart, y = self.apart, self.y[np.newaxis]
        if len(apart.slopes) < self.plain.k or apart.df < 1:
            return float("nan")
        # Where one wood varies less than another, the same error flattens its slope more. The
        # corners are enough, as above.
        most = 1.0 / np.maximum(np.nan_to_num(self.of_woods, nan=1.0), _NO_RELIABILITY)
        # One of nine is told by the far tail, where Welch's degrees of freedom are too many.
        fewest = [
            max(1.0, apart.leverage[list(pair)].min()) for pair in combinations(range(most.size), 2)
        ]
        found = (
            pairs.all_pairs(replace(apart, weights=apart.slopes * times[:, np.newaxis]), y)
            for times in (most**0, most, *np.where(np.eye(most.size) > 0, most, 1.0))
        )
        few = [replace(one, df=np.minimum(one.df, fewest)) for one in found]
        return float(spans(few, 0.5)["p"].min())


def spans(found: Sequence[pairs.Pairs], confidence: float) -> pd.DataFrame:
    """What holds for each of `found`, one row a pair of woods of one feature: difference (of the
    first), low and high (for all pairs of woods together), df, and the p that goes with them."""
    difference, se, df = (
        np.array([getattr(one, name)[0] for one in found]) for name in ("difference", "se", "df")
    )
    df, k, t = df.min(axis=0), found[0].k, difference / se
    half = pairs.critical(confidence, k, df) * se
    least = np.where(np.ptp(np.sign(t), axis=0) == 0, np.abs(t).min(axis=0), 0.0)
    return pd.DataFrame(
        {
            "difference": difference[0],
            "low": (difference - half).min(axis=0),
            "high": (difference + half).max(axis=0),
            "df": df,
            "p": pairs.together(least, k, df),
        }
    )


def adjust(
    model: Callable[..., blocks.WoodModel],
    y: np.ndarray,
    x: np.ndarray,
    *,
    error: np.ndarray,
    confidence: float,
) -> Adjusted | None:
    """Fit one slope within the woods.

    Parameters
    ----------
    model : gives the design of the sources, `place` (see `wood_model`) taken out.
    y, x : means of the sources and their covariate, shape (n,).
    error : variance of the error of each x, shape (n,); NaN where it is not known.
    confidence : in (0, 1), of the least reliability.

    Returns
    -------
    None where the covariate does not vary within the woods (apart from the batches), or where
    less than one degree of freedom would be left.
    """
    plain, unit = model(), max(float(np.max(np.abs(x))), 1e-300)
    centred = (x - x.mean()) / unit
    held = model(place=centred)
    if not held.timed or held.df < 1:
        return None
    apart = model(place=np.eye(plain.k)[plain.group] * centred[:, np.newaxis])
    # The woods one by one, then all together.
    own = np.bincount(plain.group, weights=plain.diagonal * error, minlength=plain.k)
    squares = np.append(plain.leverage * plain.wood_variances(x), x @ plain.left(x))
    df = np.append(plain.leverage, plain.df)
    with np.errstate(divide="ignore", invalid="ignore"):
        errors = np.append(own, own.sum()) / df
        least = 1.0 - errors * special.chdtri(df, 1 - confidence) / squares
    return Adjusted(plain, held, apart, y, x, held.slopes[0] / unit, float(least[-1]), least[:-1])
