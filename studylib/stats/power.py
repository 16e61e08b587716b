"""Power: how likely each verdict is, and how many sources of each wood make one likely.

Chances of the verdicts are those of the sentence a reader will find: a difference declared for all
pairs of woods together and at the first step of Holm over the primary features (so: at least this),
then held against the limit by the intervals that the report prints. Without a block the mean of a
wood is normal and its sample variance chi-square, so those are drawn, not single takes, and every
further step is that of `pairs` and of the verdicts: each wood its own spread (shrunken from three
woods up) from four sources in every wood, one pooled spread below. A block of batches costs degrees
of freedom, shared among the woods (`block_columns`).

`pair_power` is the quick form behind the column `needed`: the probability that a true difference is
declared under the estimated spreads, P(|T| > c) for a noncentral t, with c the studentized-range
critical value over all woods divided by sqrt(2).

`f_test_power` is that of the one-way F test, exact by the noncentral F distribution: k woods with n
sources each, effect size f = SD of the true wood means / SD within a wood, k - 1 and k (n - 1)
degrees of freedom, noncentrality f^2 k n (Cohen, Statistical Power Analysis for the Behavioral
Sciences, 2nd ed. 1988, chapter 8). It says whether some difference is found, not which.

Every number of sources is found by `fewest_sources`, whichever of the three it asks.

`own_design` simulates a finished study: the boards' means of every wood are drawn from normal
distributions with the spreads that it found, on its own design (numbers, batches as a block), and
go through the same steps (`pairs`, first step of Holm). All woods are alike in truth, so each
declared difference is a false alarm; shifted by a true difference the same draws give the power,
and inside the limit the chance of `same`. The seed is fixed, so the same study prints the same
numbers; the spreads are estimates from few boards, so the power is one too.

Functions: `verdict_chances`, `pair_power`, `f_test_power`; `fewest_sources`, `sources_to_declare`,
`sources_for_same`, `sources_for_f_test`, `sources_needed`; `own_design`; `pair_apart`,
`drawing_error`. Classes: `Chances`, `Decision`, `Fewest`, `OwnDesign`.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import special
from scipy.interpolate import CubicSpline

from studylib.codes import note
from studylib.codes.comparison import Method, Verdict
from studylib.errors import InputError
from studylib.stats import decisions, studentized
from studylib.stats.blocks import WoodModel, shrinkage
from studylib.stats.pairs import SMALLEST_GAMES_HOWELL, Pairs, all_pairs, method_for

DRAWS, RUNS = 20_000, 1000
WANTED = 0.80
MOST, MOST_F_TEST = 1000, 100_000
MORE = f"more than {MOST}"
VERDICTS = (Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN, Verdict.SAME, Verdict.OPEN)
_LARGEST_DF = 1e6


@dataclass(frozen=True)
class Chances:
    """Probability of each of `VERDICTS`, found by drawing studies."""

    of: dict[str, float]

    @property
    def declared(self) -> float:
        """Probability that a difference is declared, whatever the limit says."""
        return sum(self.of[verdict] for verdict in decisions.DECLARED)


@dataclass(frozen=True)
class Decision:
    """By what the report decides: woods, primary features, confidence, batches as a block."""

    woods: int
    primary: int = 1
    confidence: float = 0.95
    block_columns: int = 0

    def chances(
        self, difference: float, variance: float, sources: int | Sequence[int], **options
    ) -> Chances:
        """Chances of the verdicts on a pair `difference` apart, all woods spreading alike.

        Parameters
        ----------
        sources : of every wood, or of each, the pair's first.
        options : limit, same_possible and draws of `verdict_chances`.
        """
        return verdict_chances(
            pair_apart(difference, self.woods), [variance] * self.woods,
            [sources] * self.woods if isinstance(sources, int) else list(sources),
            confidence=self.confidence, primary=self.primary, block_columns=self.block_columns,
            **{"limit": None, **options},
        )  # fmt: skip


@dataclass(frozen=True)
class Fewest:
    """The smallest number of sources of each wood; None where even the most would not do.

    chance : what is reached with it, or with the most.
    """

    sources: int | None
    chance: float


def drawing_error(p: float, draws: int = DRAWS) -> float:
    """Monte Carlo standard error of a probability found by so many draws."""
    return math.sqrt(max(p * (1 - p), 1.0 / draws) / draws)


def pair_apart(difference: float, woods: int) -> list[float]:
    """Means of the woods: the named pair `difference` apart, the others halfway between."""
    return [0.0, difference, *[difference / 2] * (woods - 2)]


# ------------------------------------------------------------------ the one search


def fewest_sources(
    chance: Callable[[int], float], *, wanted: float = WANTED, most: int = MOST
) -> Fewest:
    """The smallest number of sources, from 2 up, whose chance is at least `wanted`.

    The change of method at four sources can make power step down once, so the small numbers are
    tried one by one; from four up power only rises with the number, and halving the range finds it.
    """
    for n in range(2, SMALLEST_GAMES_HOWELL + 1):
        reached = chance(n)
        if reached >= wanted:
            return Fewest(n, reached)
    best = chance(most)
    if not best >= wanted:
        return Fewest(None, best)
    low, high = SMALLEST_GAMES_HOWELL, most
    while high - low > 1:
        middle = (low + high) // 2
        reached = chance(middle)
        if reached >= wanted:
            high, best = middle, reached
        else:
            low = middle
    return Fewest(high, best)


def sources_to_declare(difference: float, variance: float, decision: Decision) -> Fewest:
    """Sources of each wood at which a true difference is declared in four studies of five.

    Parameters
    ----------
    difference : between the named pair, the other woods halfway between; scale of analysis.
    variance : of the mean of one source, above 0.
    decision : its block is left out: the number of batches at that size is not known.
    """
    free = replace(decision, block_columns=0)
    return fewest_sources(lambda n: free.chances(difference, variance, n).declared)


def sources_for_same(limit: float, variance: float, decision: Decision) -> Fewest:
    """Sources of each wood at which woods that do not differ are called `same`; `limit` > 0."""
    free = replace(decision, block_columns=0)
    return fewest_sources(lambda n: free.chances(0.0, variance, n, limit=limit).of[Verdict.SAME])


def sources_for_f_test(*, woods: int, effect_f: float, alpha: float = 0.05) -> int:
    """Sources of each wood at which the F test finds a difference in four studies of five.

    Raises
    ------
    InputError : no effect, or one so small that more than `MOST_F_TEST` would be needed.
    """
    found = fewest_sources(
        lambda n: f_test_power(n, woods=woods, effect_f=effect_f, alpha=alpha), most=MOST_F_TEST
    )
    if found.sources is None:
        raise InputError(note("plan.small_effect", effect_f=effect_f, most=MOST_F_TEST))
    return found.sources


def sources_needed(**pair) -> int | str:
    """Sources of each wood that would have settled an open pair, or "more than 1000".

    Parameters
    ----------
    pair : all but n of `pair_power`. For a primary feature alpha is that of Holm's first step.
    """
    found = fewest_sources(lambda n: pair_power(n, **pair))
    return MORE if found.sources is None else found.sources


# ------------------------------------------------------------------ three powers


def f_test_power(n: int, *, woods: int, effect_f: float, alpha: float = 0.05) -> float:
    """Probability that the one-way F test finds a difference.

    Parameters
    ----------
    n : sources of each wood, 2 or more.  woods : 2 or more.
    effect_f : SD of the wood means over the SD within a wood, 0 or more.
    alpha : level of the test, in (0, 1).
    """
    if n < 2 or woods < 2 or effect_f < 0 or not 0 < alpha < 1:
        raise InputError(note("plan.f_test_impossible", n=n, woods=woods))
    between, within = woods - 1.0, woods * (n - 1.0)
    critical = special.fdtri(between, within, 1.0 - alpha)
    shift = effect_f**2 * woods * n
    below = float(special.ncfdtr(between, within, shift, critical))
    if not math.isfinite(below):
        # Far out the routine gives up; the chi-square above the line is about normal there.
        far = (between + shift - between * critical) / math.sqrt(2 * (between + 2 * shift))
        below = float(special.ndtr(-far))
    return 1.0 - below


def pair_power(
    n: int,
    *,
    difference: float,
    variance_a: float,
    variance_b: float,
    pooled: float,
    woods: int,
    alpha: float,
    block_columns: int = 0,
) -> float:
    """Probability that n sources of each wood declare a true difference, both tails counted.

    Parameters
    ----------
    variance_a, variance_b, pooled : of the sources of the pair's woods, and of all.
    alpha : level of the feature, all its pairs together.
    block_columns : degrees of freedom that batches cost, over all woods.
    """
    if n >= SMALLEST_GAMES_HOWELL:
        both, df = _own_spreads(
            n - 1 - block_columns / woods, np.array([variance_a, variance_b]), pooled, woods
        )
    else:
        both, df = 2 * pooled, woods * (n - 1) - block_columns
    if not (both > 0 and df >= 1):
        return 0.0
    critical = studentized.quantile(1 - alpha, woods, df) / np.sqrt(2.0)
    shift = abs(difference) / math.sqrt(both / n)
    below = special.nctdtr(df, shift, critical)
    if not math.isfinite(below):
        # Far out the routine gives up; there the normal approximation is exact enough.
        below = special.ndtr((critical - shift) / math.sqrt(1 + critical**2 / (2 * df)))
    opposite = special.nctdtr(df, shift, -critical) if shift < 5 else 0.0
    return float(1.0 - below + opposite)


def _own_spreads(freedom: float, pair: np.ndarray, pooled: float, woods: int):
    """Sum of the two variances and its degrees of freedom, as `pairs` takes them.

    The woods outside the pair are taken to spread as all do.
    """
    if freedom <= 0:
        return 0.0, float("nan")
    own = np.array([*pair, *[pooled] * (woods - 2)])
    mixture = shrinkage(np.full(woods, freedom))
    taken, parts = mixture @ own, mixture[:2].sum(axis=0)
    both = float(taken[:2].sum())
    square = float(np.sum((parts * taken) ** 2)) / freedom
    return both, float(parts @ taken) ** 2 / square if square > 0 else float("nan")


def verdict_chances(
    means: Sequence[float],
    variances: Sequence[float],
    sources: Sequence[int],
    *,
    limit: float | None,
    confidence: float = 0.95,
    primary: int = 1,
    same_possible: bool = True,
    block_columns: int = 0,
    pair: tuple[int, int] = (0, 1),
    draws: int = DRAWS,
    seed: int = 172,
) -> Chances:
    """Probabilities of the verdicts on one pair of woods.

    Parameters
    ----------
    means, variances : of the sources of each wood, shape (woods,), on the scale of analysis.
    sources : number of sources in each wood, 2 or more.
    limit : the difference that matters, on the scale of analysis, above 0; or None.
    confidence : of the report, in (0.5, 1).
    primary : number of primary features.
    same_possible : the bench can tell the changed specimen from the reference.
    block_columns : degrees of freedom that batches cost, over all woods.
    pair : which two woods.

    Raises
    ------
    InputError : fewer than two sources in a wood, or a spread that is not above 0.
    """
    n, variance = np.asarray(sources), np.asarray(variances, dtype=float)
    if n.min() < 2:
        raise InputError(note("plan.one_source"))
    if not np.all(variance > 0):
        raise InputError(note("plan.zero_spread"))
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((draws, n.size)) * np.sqrt(variance / n)
    mean = np.asarray(means, dtype=float) + noise
    df_own = n - 1 - block_columns / n.size
    if df_own.min() <= 0:
        return Chances({word: float(word == Verdict.OPEN) for word in VERDICTS})
    drawn = variance * rng.chisquare(df_own, size=(draws, n.size)) / df_own
    difference = mean[:, pair[1]] - mean[:, pair[0]]
    se, df = _standard_error(drawn, n, df_own, pair, shrinkage(df_own))
    critical = _critical(1 - (1 - confidence) / primary, n.size, df)
    half = _critical(confidence, n.size, df) * se
    se90, df90 = _standard_error(drawn, n, df_own, pair, np.eye(n.size))
    half90 = special.stdtrit(df90, 0.95) * se90
    return Chances(
        _counted(difference, np.abs(difference) > critical * se, half, half90, limit, same_possible)
    )


def _standard_error(drawn, n, df_own, pair, mixture) -> tuple[np.ndarray, np.ndarray]:
    """Of the difference, and its degrees of freedom, each of shape (draws,)."""
    a, b = pair
    if n.min() >= SMALLEST_GAMES_HOWELL:
        parts = mixture[a] / n[a] + mixture[b] / n[b]
        taken = drawn @ mixture.T
        square = np.sum((parts * taken) ** 2 / df_own, axis=1)
        return np.sqrt(drawn @ parts), np.maximum((taken @ parts) ** 2 / square, 1.0)
    pooled = drawn @ df_own / df_own.sum()
    return np.sqrt(pooled * (1 / n[a] + 1 / n[b])), np.full(pooled.size, max(df_own.sum(), 1.0))


def _counted(difference, declared, half, half90, limit, same_possible) -> dict[str, float]:
    """The rules of the verdicts, for all draws at once."""
    found = dict.fromkeys(VERDICTS, np.zeros_like(declared))
    if limit is None:
        found[Verdict.DIFFERENT] = declared
    else:
        low, high = difference - half, difference + half
        beyond = declared & ((low > limit) | (high < -limit))
        within = declared & (-limit < low) & (high < limit)
        found[Verdict.BEYOND], found[Verdict.WITHIN] = beyond, within
        found[Verdict.DIFFERENT] = declared & ~beyond & ~within
        if same_possible:
            found[Verdict.SAME] = ~declared & (np.abs(difference) + half90 < limit)
    found[Verdict.OPEN] = ~declared & ~found[Verdict.SAME]
    return {word: float(draws.mean()) for word, draws in found.items()}


def _critical(confidence: float, k: int, df: np.ndarray) -> np.ndarray:
    """Studentized-range quantile over sqrt(2) for every df, shape as df."""
    if k == 2:
        return special.stdtrit(df, 0.5 * (1 + confidence))
    if np.ptp(df) == 0:
        return np.full(df.shape, studentized.quantile(confidence, k, float(df[0])) / math.sqrt(2))
    return np.exp(_log_critical(confidence, k)(1.0 / np.minimum(df, _LARGEST_DF)))


@lru_cache(maxsize=64)
def _log_critical(confidence: float, k: int) -> CubicSpline:
    """Logarithm of the critical value over 1/df; relative error below 1e-6 for df >= 1."""
    df = 1.0 / np.concatenate([[1 / _LARGEST_DF], np.linspace(0.004, 1.0, 120)])
    return CubicSpline(
        1.0 / df,
        np.log([studentized.quantile(confidence, k, float(one)) / math.sqrt(2) for one in df]),
    )


# ------------------------------------------------------------------ this very design


@dataclass(frozen=True)
class OwnDesign:
    """Probabilities of one feature; NaN where the question does not arise.

    alike : any pair is declared, woods alike, all spreading as the pooled spread says.
    own_spreads : the same, each wood with its own spread.
    at_limit : each pair: a true difference as large as the limit is declared (own spreads).
    same : each pair: `same` is said of woods that are alike (own spreads).
    seen : each pair: the smallest true difference that is declared in 80 % of studies, on the scale
        of analysis.
    runs : simulated studies.
    """

    alike: float
    own_spreads: float
    at_limit: dict[tuple[int, int], float]
    same: dict[tuple[int, int], float]
    seen: dict[tuple[int, int], float]
    runs: int

    def error(self, rate: float) -> float:
        """Monte Carlo standard error of a rate found here."""
        return drawing_error(rate, self.runs)


def own_design(
    model: WoodModel,
    y: np.ndarray,
    *,
    limit: float | None,
    confidence: float,
    primary: int,
    same_possible: bool,
    runs: int = RUNS,
) -> OwnDesign | None:
    """Simulate the design of one feature; None where no pair can be compared.

    Parameters
    ----------
    model : design of the units; y : their means, shape (units,).
    limit : on the scale of analysis, or None.
    primary : number of primary features that are compared.
    same_possible : the bench told the changed specimen from the reference.
    """
    if model.k < 2 or model.df < 1 or not model.pooled_variance(y) > 0:
        return None
    noise = np.random.default_rng(172).standard_normal((runs, model.group.size))
    pooled = float(model.pooled_variance(y))
    own = np.full(model.k, pooled)
    if method_for(model) != Method.TUKEY_KRAMER:
        own = np.maximum(model.wood_variances(y), 1e-6 * pooled)
    alpha = 1 - confidence
    drawn = noise * np.sqrt(own[model.group])
    alike = all_pairs(model, noise * np.sqrt(pooled), confidence=1 - alpha)
    found = all_pairs(model, drawn, confidence=1 - alpha)
    strict = found if primary < 2 else all_pairs(model, drawn, confidence=1 - alpha / primary)
    half = strict.high - strict.difference
    # Declarations of the wrong sign are left out of `seen`; at this power there are hardly any.
    seen = np.quantile(half - strict.difference, WANTED, axis=0)
    at_limit = same = np.full(len(strict.woods), np.nan)
    if limit:
        at_limit = np.mean(np.abs(strict.difference + limit) > half, axis=0)
    if limit and same_possible:
        quiet, half90 = np.abs(strict.difference) <= half, strict.high90 - strict.difference
        same = np.mean(quiet & (np.abs(strict.difference) + half90 < limit), axis=0)
    chances = (
        dict(zip(strict.woods, map(float, values), strict=True))
        for values in (at_limit, same, seen)
    )
    return OwnDesign(_any_declared(alike), _any_declared(found), *chances, runs)


def _any_declared(found: Pairs) -> float:
    """Share of the drawn studies in which any pair is declared."""
    return float(np.any(np.abs(found.difference) > found.high - found.difference, axis=1).mean())
