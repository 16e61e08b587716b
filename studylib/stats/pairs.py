"""All pairs of woods at once, on the means of their sources: Welch's t, at every size.

Each wood has its own spread, each pair its own degrees of freedom (Welch 1938, Satterthwaite
1946), at most twice those of its smaller wood and at most those that two woods of one spread would
have: a small wood whose spread comes out small by chance must not borrow those of a large one. With
two sources in a wood they are those of its spread alone (Mickey and Brown 1966). With a block all
of them are what the block leaves (`WoodModel.leverage`).

The cap keeps the error rate at 6.1 % in the worst of the designs of tests/benchmarks/strong_truth
(2 to 8 woods, 3 to 40 boards, spreads of three to one); without it 3, 3 and 40 boards come to 8 %.

    p          of the pair alone, for no difference
    closed     of the pair among all pairs of its feature (`families`)
    beyond     for a difference not above the limit, in either direction
    within     for a difference not below the limit: two one-sided tests (Schuirmann 1987)
    low, high  hold together for all pairs of a feature: the studentized range up to three woods,
               Bonferroni from four on

`df_same` are those of the test behind `same`, which is made for each pair alone and so stands on
nothing but the two spreads: none below three sources in either wood, the smaller wood's at three.

p of `beyond` adds what lies beyond the limit on both sides, P(T > (|d| - limit) / se) +
P(T > (|d| + limit) / se): with a limit of zero it is p itself.

Functions: `all_pairs` for many features of one design, `pairs_of_means` for drawn means and
spreads, `critical`, `together`. Classes: `Pair`, `Pairs`.
"""

import math
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import combinations

import numpy as np
from scipy import interpolate, special

from studylib.stats import blocks, families, studentized

_SMALLEST_P = 1e-6
SMALLEST_SAME = 3


@dataclass(frozen=True)
class _Judged:
    """What the differences of a `Pair` (numbers) or of `Pairs` (arrays) say of a limit."""

    difference: float | np.ndarray
    se: float | np.ndarray
    df: float | np.ndarray
    df_same: float | np.ndarray

    def beyond(self, limit: float):
        """p for |difference| <= limit."""
        return sum(
            special.stdtr(self.df, (side * limit - np.abs(self.difference)) / self.se)
            for side in (1, -1)
        )

    def within(self, limit: float):
        """p for |difference| >= limit."""
        return special.stdtr(self.df, (np.abs(self.difference) - limit) / self.se)

    def same(self, limit: float):
        """The same by `df_same`; NaN where it is refused."""
        return special.stdtr(self.df_same, (np.abs(self.difference) - limit) / self.se)


@dataclass(frozen=True)
class Pair(_Judged):
    """Wood b minus wood a on the scale of analysis; low and high are simultaneous.

    Where the spread is zero, df, p and the interval are NaN.
    """

    a: int
    b: int
    p: float
    closed: float
    low: float
    high: float


@dataclass(frozen=True)
class Pairs(_Judged):
    """The same as `Pair` for all pairs of many features, arrays of shape (features, pairs).

    woods : the pairs (a, b), in the order of the woods.
    """

    woods: tuple[tuple[int, int], ...]

    @property
    def k(self) -> int:
        """Number of woods."""
        return round((1 + math.sqrt(1 + 8 * len(self.woods))) / 2)

    @cached_property
    def p(self) -> np.ndarray:
        """Of each pair alone."""
        return 2.0 * special.stdtr(self.df, -np.abs(self.difference) / self.se)

    @cached_property
    def closed(self) -> np.ndarray:
        """Of each pair among all of its feature; NaN for a feature with a pair that has none."""
        if self.k < 3:
            return self.p
        if self.k > 3:
            out = families.shaffer(np.nan_to_num(self.p, nan=1.0), self.k)
            return np.where(np.isfinite(self.p), out, np.nan)
        first = np.min(np.nan_to_num(_range_test(self.p, self.df), nan=1.0), axis=1, keepdims=True)
        return np.maximum(self.p, first)

    def taken(self, studies=slice(None), pairs: slice = slice(None)) -> "Pairs":
        """Some studies or pairs; one pair by itself is as if its two woods were all."""
        kept = (
            fields[studies, pairs] for fields in (self.difference, self.se, self.df, self.df_same)
        )
        return Pairs(*kept, self.woods[pairs])

    def with_moved(self, wood: int, by: float) -> "Pairs":
        """The same studies with one wood moved."""
        moved = by * np.array([(b == wood) - (a == wood) for a, b in self.woods])
        return replace(self, difference=self.difference + moved)

    def half(self, confidence: float) -> np.ndarray:
        """Half of each interval, all pairs of a feature together."""
        return critical(confidence, self.k, self.df) * self.se

    def by_feature(self, confidence: float) -> list[list[Pair]]:
        """The pairs of each feature."""
        half = self.half(confidence)
        named = {name: getattr(self, name) for name in ("difference", "se", "df", "df_same", "p")}
        named |= {
            "closed": self.closed,
            "low": self.difference - half,
            "high": self.difference + half,
        }
        return [
            [
                Pair(a=a, b=b, **{name: float(values[i, j]) for name, values in named.items()})
                for j, (a, b) in enumerate(self.woods)
            ]
            for i in range(len(self.difference))
        ]


def critical(confidence: float, k: int, df: np.ndarray) -> np.ndarray:
    """How many standard errors make an interval for all pairs of k woods together, shape of df."""
    return (
        studentized.quantile(confidence, 3, df) / math.sqrt(2.0)
        if k == 3
        else special.stdtrit(df, 1 - (1 - confidence) / max(k * (k - 1), 1))
    )


def together(t: np.ndarray, k: int, df: np.ndarray) -> np.ndarray:
    """p of t among all pairs of k woods, shape of t: below 1 - confidence where |t| is above
    `critical`."""
    return (
        studentized.sf(np.abs(t) * math.sqrt(2.0), 3, df)
        if k == 3
        else np.minimum(1.0, max(k * (k - 1), 1) * special.stdtr(df, -np.abs(t)))
    )


def _range_test(p: np.ndarray, df: np.ndarray) -> np.ndarray:
    """p of the range test over three woods at the t whose own p this is.

    From 1e-4 up within 1e-5 of itself.
    """
    log_p = np.log(np.clip(p, _SMALLEST_P, 1.0))
    return p * _range_factor().ev(log_p, 1.0 / df)


@lru_cache(maxsize=1)
def _range_factor() -> interpolate.RectBivariateSpline:
    """What p is to be multiplied by, from 1 to 3, over its logarithm and 1/df: the distribution
    itself costs too much for the millions of pairs of a simulation."""
    log_p, inverse = np.linspace(np.log(_SMALLEST_P), 0.0, 160), np.linspace(1e-6, 1.0, 60)
    p, df = np.exp(log_p)[:, np.newaxis], 1.0 / inverse
    t = -special.stdtrit(df, p / 2)
    return interpolate.RectBivariateSpline(
        log_p, inverse, studentized.sf(t * math.sqrt(2.0), 3, df) / p
    )


def all_pairs(model: blocks.WoodModel, y: np.ndarray, *, beside: np.ndarray | float = 0.0) -> Pairs:
    """Every pair of woods on every feature of one design.

    Parameters
    ----------
    model : design of the units; y : their means, shape (features, n).
    beside : variance of each difference that does not show in the spread of y, shape (pairs,).
    """
    woods = tuple(combinations(range(model.k), 2))
    weights = np.array([model.contrast(a, b) for a, b in woods]).reshape(len(woods), y.shape[1])
    spreads = model.wood_variances(y)
    of_pairs = [model.variance_of(model.contrast(a, b), spreads) for a, b in woods]
    variance, df = np.array(of_pairs).reshape(len(woods), 2, len(y)).transpose(1, 2, 0)
    # Differences of identical numbers leave rounding behind; that is no spread.
    floor = 1e-12 * np.maximum(1.0, np.max(np.abs(y), axis=1, keepdims=True))
    se = np.where(variance > floor**2, np.sqrt(variance + beside), np.nan)
    return _settled(woods, y @ weights.T, se, df, model.counts, model.leverage)


def pairs_of_means(
    means: np.ndarray, variances: np.ndarray, counts: np.ndarray, freedom: np.ndarray
) -> Pairs:
    """Every pair of woods of drawn studies, whose woods have these means and sample variances.

    Parameters
    ----------
    means, variances : shape (studies, woods), variances above 0.
    counts, freedom : sources, and degrees of freedom of the spread, shape (woods,).
    """
    woods = tuple(combinations(range(len(counts)), 2))
    a, b = np.array(woods).T
    parts = variances / counts
    variance = parts[:, a] + parts[:, b]
    df = variance**2 / (parts[:, a] ** 2 / freedom[a] + parts[:, b] ** 2 / freedom[b])
    return _settled(woods, means[:, b] - means[:, a], np.sqrt(variance), df, counts, freedom)


def _settled(woods: tuple, difference, se, df, counts, freedom) -> Pairs:
    """Pairs with the degrees of freedom that their smaller woods allow."""
    a, b = np.array(woods, dtype=int).reshape(-1, 2).T
    fewest, smaller = np.minimum(counts[a], counts[b]), np.minimum(freedom[a], freedom[b])
    share_a, share_b = 1.0 / counts[a], 1.0 / counts[b]
    with np.errstate(divide="ignore"):
        alike = (share_a + share_b) ** 2 / (share_a**2 / freedom[a] + share_b**2 / freedom[b])
    df = np.where(fewest < 3, smaller, np.minimum(df, np.minimum(2.0 * smaller, alike)))
    df = np.where(np.isfinite(se), np.maximum(df, 1.0), np.nan)
    few = np.where(fewest < SMALLEST_SAME, np.nan, np.maximum(smaller, 1.0))
    df_same = np.where(fewest > SMALLEST_SAME, df, np.where(np.isfinite(se), few, np.nan))
    return Pairs(difference, se, df, df_same, woods)
