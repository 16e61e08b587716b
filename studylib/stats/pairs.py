"""All pairs of woods at once, on the means of their sources.

All methods refer |difference| / se to the studentized range over all woods of the feature, so p
and interval hold for all pairs together.

    Tukey-Kramer (1956)    one pooled spread; below four sources in some wood
    Games-Howell (1976)    each wood its own spread, each pair its own degrees of freedom; two woods
                           (then it is Welch's t) from four sources
    shrunken variances     the same with each spread drawn towards the mean of all by one degree of
                           freedom (`blocks.shrinkage`); three woods and more from four sources

With four boards of each of three or four woods Games-Howell finds only 82 to 88 % of what the F
test of the boards' means finds where both may be used; with shrunken variances it finds 92 to
94 %, and the error rate with one wood three times as wide stays below 6 % (tests/benchmarks/truth
has both side by side).

low90 and high90 are of the pair alone, by Welch's t from four sources, so that `same` never rests
on the spread of a third wood.

With fewer than four sources a wood the spreads are pooled; `tukey_kramer_rate` is what becomes of
the error rate when they are in truth unequal. It is found by simulation for the very design, block
included: each wood in turn has three times the standard deviation of the others, and the worst case
is returned. The seed is fixed, so that the same study prints the same number.

Functions: `all_pairs` for many features of one design, `compare_pairs` for one, `method_for`,
`tukey_kramer_rate`. Classes: `Pair`, `Pairs`.
"""

from dataclasses import dataclass, fields
from itertools import combinations

import numpy as np
from scipy import special

from studylib.codes.comparison import Method
from studylib.stats import studentized
from studylib.stats.blocks import WoodModel, shrinkage

SMALLEST_GAMES_HOWELL = 4
RUNS, RATIO = 20_000, 3.0
"""Simulated studies, and how much wider one wood spreads, for Tukey-Kramer's error rate."""


@dataclass(frozen=True)
class Pair:
    """Wood b minus wood a on the scale of analysis; low and high are simultaneous.

    low90 and high90 are the 90 % interval of this pair alone (for two one-sided tests at 5 %).
    Where the spread is zero, df, p and the intervals are NaN.
    """

    a: int
    b: int
    method: Method
    difference: float
    se: float
    df: float
    weight: float
    p: float
    low: float
    high: float
    low90: float
    high90: float


@dataclass(frozen=True)
class Pairs:
    """The same as `Pair` for all pairs of many features, arrays of shape (features, pairs).

    woods : the pairs (a, b), in the order of the woods.
    weight : shape (pairs,), sum of squares of the contrast: 1/n_a + 1/n_b without a block.
    """

    woods: tuple[tuple[int, int], ...]
    method: Method
    difference: np.ndarray
    se: np.ndarray
    df: np.ndarray
    weight: np.ndarray
    p: np.ndarray
    low: np.ndarray
    high: np.ndarray
    low90: np.ndarray
    high90: np.ndarray

    def of(self, feature: int) -> list[Pair]:
        """The pairs of one feature."""
        single = ("woods", "method", "weight")
        names = [f.name for f in fields(self) if f.name not in single]
        return [
            Pair(
                a=a,
                b=b,
                method=self.method,
                weight=float(self.weight[j]),
                **{name: float(getattr(self, name)[feature, j]) for name in names},
            )
            for j, (a, b) in enumerate(self.woods)
        ]


def method_for(model: WoodModel) -> Method:
    """Which method the numbers of woods and sources ask for."""
    enough = model.counts.min() >= SMALLEST_GAMES_HOWELL and model.leverage.min() > 0.5
    if not enough:
        return Method.TUKEY_KRAMER
    return Method.GAMES_HOWELL if model.k < 3 else Method.SHRUNKEN


def compare_pairs(
    model: WoodModel, y: np.ndarray, *, confidence: float, method: Method | None = None
) -> list[Pair]:
    """Every pair of woods on one feature, y of shape (n,); see `all_pairs`."""
    return all_pairs(model, np.asarray(y)[np.newaxis], confidence=confidence, method=method).of(0)


def all_pairs(
    model: WoodModel, y: np.ndarray, *, confidence: float, method: Method | None = None
) -> Pairs:
    """Every pair of woods on every feature of one design.

    Parameters
    ----------
    model : design of the units; y : their means, shape (features, n).
    confidence : in (0, 1), simultaneous over the pairs of a feature.
    method : one of the first three of `Method`; by `method_for` when left out.
    """
    method = method or method_for(model)
    woods = tuple(combinations(range(model.k), 2))
    weights = np.array([model.contrast(a, b) for a, b in woods]).reshape(len(woods), y.shape[1])
    difference, weight = y @ weights.T, np.sum(weights**2, axis=1)
    if method != Method.TUKEY_KRAMER and woods:
        spreads = model.wood_variances(y)
        mixture = shrinkage(model.leverage) if method == Method.SHRUNKEN else None
        variance, df = _stacked(model.contrast_variance(a, b, spreads, mixture) for a, b in woods)
        variance90, df90 = _stacked(model.contrast_variance(a, b, spreads) for a, b in woods)
    else:
        variance = variance90 = model.pooled_variance(y)[:, np.newaxis] * weight
        df = df90 = np.full(difference.shape, model.df)
    se = np.sqrt(variance)
    # Differences of identical numbers leave rounding behind; that is no spread.
    floor = 1e-12 * np.maximum(1.0, np.max(np.abs(y), axis=1, keepdims=True))
    known = (se > floor) & (df >= 1)
    se, df = np.where(known, se, np.nan), np.where(known, df, np.nan)
    p = studentized.sf(np.abs(difference) / se * np.sqrt(2.0), model.k, df)
    half = studentized.quantile(confidence, model.k, df) / np.sqrt(2.0) * se
    half90 = special.stdtrit(df90, 0.95) * np.where(known, np.sqrt(variance90), np.nan)
    return Pairs(
        woods,
        method,
        difference,
        se,
        df,
        weight,
        p,
        low=difference - half,
        high=difference + half,
        low90=difference - half90,
        high90=difference + half90,
    )


def _stacked(found) -> tuple[np.ndarray, np.ndarray]:
    """Variances and degrees of freedom of the pairs side by side, shape (features, pairs)."""
    variances, df = zip(*found, strict=True)
    return np.stack(variances, axis=-1), np.stack(df, axis=-1)


def tukey_kramer_rate(model: WoodModel, confidence: float, ratio: float = RATIO) -> float:
    """Probability of any false declaration, worst over which wood spreads `ratio` times as much.

    Standard error of the simulation: below 0.004.

    Parameters
    ----------
    model : two woods or more, and at least one degree of freedom.
    """
    units = np.random.default_rng(20_000).standard_normal((RUNS, model.group.size))
    critical = studentized.quantile(confidence, model.k, model.df) / np.sqrt(2.0)
    rates = []
    for wide in range(model.k):
        y = units * np.where(model.group == wide, ratio, 1.0)
        variance = np.einsum("ri,ri->r", y @ model.residual, y) / model.df
        declared = np.zeros(RUNS, dtype=bool)
        for a, b in combinations(range(model.k), 2):
            weight = model.weights[b] - model.weights[a]
            declared |= np.abs(y @ weight) > critical * np.sqrt(variance * (weight @ weight))
        rates.append(float(declared.mean()))
    return max(rates)
