"""Power: how likely each verdict is, and how many sources of each wood make one likely.

Chances of the verdicts are those of the sentence a reader will find: the very steps of `pairs`,
`families` and `decisions` on drawn studies. Of the primary features only this one is drawn, so the
others hand nothing on and the chance is at least this. Without a block the mean of a wood is normal
and its sample variance chi-square, so those are drawn, not single takes. A block of batches costs
degrees of freedom, shared among the woods (`block_columns`).

`pair_power` is the quick form behind the column `needed`: the probability that a true difference is
declared under given spreads, P(|T| > c) for a noncentral t, with c the critical value at which the
pair by itself passes the first step over all woods (`pairs.critical`).

Every number of sources is found by `fewest_sources`, whichever of the two it asks.

`own_design` simulates a finished study: the boards' means of every wood are drawn from normal
distributions with the spreads that it found, on its own design (numbers, batches as a block), and
go through the same steps. All woods are alike in truth, so each declared difference is a false
alarm; with one wood of a pair moved the same draws give the power, and inside the limit the chance
of `same`. The seed is fixed, so the same study prints the same
numbers; the spreads are estimates from few boards, so the power is one too.

Functions: `verdict_chances`, `limit_for_same`, `pair_power`; `fewest_sources`,
`sources_to_declare`, `sources_for_same`, `needed_range`; `own_design`; `drawing_error`.
Classes: `Chances`, `Decision`, `Fewest`, `OwnDesign`.
"""

import math
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from scipy import special

from studylib import errors
from studylib.codes.comparison import Verdict
from studylib.stats import blocks, decisions, families, pairs

DRAWS, RUNS = 20_000, 1000
WANTED = 0.80
MOST = 1000
MORE = f"more than {MOST}"
VERDICTS = (Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN, Verdict.SAME, Verdict.OPEN)


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
    """By what the report decides: woods, primary features, confidence and level of `same` at one
    look, batches as a block; of a study that will be locked with claims, their number."""

    woods: int
    primary: int = 1
    claims: int = 0
    confidence: float = 0.95
    same_level: float = decisions.SAME_LEVEL
    block_columns: int = 0

    @property
    def free(self) -> "Decision":
        """The same, were no batch to take degrees of freedom."""
        return replace(self, block_columns=0)

    def chances(
        self, difference: float, variance: float, sources: int | Sequence[int], **options
    ) -> Chances:
        """Chances of the verdicts on a pair `difference` apart, the other woods halfway between,
        all of them spreading alike.

        Parameters
        ----------
        sources : of every wood, or of each, the pair's first.
        options : limit, same_possible and draws of `verdict_chances`.
        """
        return verdict_chances(
            [0.0, difference, *[difference / 2] * (self.woods - 2)], [variance] * self.woods,
            [sources] * self.woods if isinstance(sources, int) else list(sources),
            confidence=self.confidence, same_level=self.same_level,
            primary=self.primary, claims=self.claims, block_columns=self.block_columns,
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


# ------------------------------------------------------------------ the one search


def fewest_sources(
    chance: Callable[[int], float], *, wanted: float = WANTED, most: int = MOST
) -> Fewest:
    """The smallest number of sources, from 2 up, whose chance is at least `wanted`.

    Power only rises with the number, so halving the range finds it.
    """
    chance = cache(chance)
    if not max(chance(2), chance(most)) >= wanted:
        return Fewest(None, chance(most))
    # Chances rise with the number: the first that is high enough.
    number = bisect_left(range(most), wanted, lo=2, key=chance)
    return Fewest(number, chance(number))


def sources_to_declare(difference: float, variance: float, decision: Decision) -> Fewest:
    """Sources of each wood at which a true difference is declared in four studies of five.

    Parameters
    ----------
    difference : between the named pair, the other woods halfway between; scale of analysis.
    variance : of the mean of one source, above 0.
    decision : its block is left out: the number of batches at that size is not known.
    """
    return fewest_sources(lambda n: decision.free.chances(difference, variance, n).declared)


def sources_for_same(limit: float, variance: float, decision: Decision) -> Fewest:
    """Sources of each wood at which woods that do not differ are called `same`; `limit` > 0."""
    return fewest_sources(
        lambda n: decision.free.chances(0.0, variance, n, limit=limit).of[Verdict.SAME]
    )


def needed_range(df: float, **pair) -> str:
    """Sources of each wood that would have settled an open pair, as a range, "8 to 22".

    The spreads are known on `df` degrees of freedom only: with the larger number the pair would be
    settled in four of five studies unless the spreads are larger than four studies of five would
    find them (assurance); with the smaller, only if they are as much smaller.

    Parameters
    ----------
    df : of the pair's standard error.
    pair : all but n of `pair_power`.
    """
    ends = [
        MORE if found.sources is None else str(found.sources)
        for share in (1 - WANTED, WANTED)
        for factor in [df / special.chdtri(df, share)]
        for own in [{name: factor * pair[name] for name in ("variance_a", "variance_b")}]
        for found in [fewest_sources(lambda n, own=own: pair_power(n, **{**pair, **own}))]
    ]
    return ends[0] if ends[0] == ends[1] else " to ".join(ends)


# ------------------------------------------------------------------ two powers


def pair_power(
    n: int,
    *,
    difference: float,
    variance_a: float,
    variance_b: float,
    woods: int,
    alpha: float,
    block_columns: int = 0,
) -> float:
    """Probability that n sources of each wood declare a true difference, both tails counted.

    Parameters
    ----------
    variance_a, variance_b : of the sources of the pair's woods.
    woods : that share alpha, so that the pair alone passes the first step of all of them.
    alpha : level of the feature, all its pairs together.
    block_columns : degrees of freedom that batches cost, over all woods.
    """
    both, freedom = variance_a + variance_b, n - 1 - block_columns / woods
    if not (both > 0 and freedom > 0):
        return 0.0
    df = freedom if n < 3 else both**2 * freedom / (variance_a**2 + variance_b**2)
    df = max(df, 1.0)
    limit = float(pairs.critical(1 - alpha, woods, df))
    shift = abs(difference) / math.sqrt(both / n)
    below = special.nctdtr(df, shift, limit)
    # Far out the routine gives up; there the normal approximation is exact enough.
    far_out = special.ndtr((limit - shift) / math.sqrt(1 + limit**2 / (2 * df)))
    opposite = special.nctdtr(df, shift, -limit) if shift < 5 else 0.0
    return float(1.0 - (below if math.isfinite(below) else far_out) + opposite)


def verdict_chances(
    means: Sequence[float],
    variances: Sequence[float],
    sources: Sequence[int],
    *,
    limit: float | None,
    confidence: float = 0.95,
    primary: int = 1,
    claims: int = 0,
    same_possible: bool = True,
    same_level: float = decisions.SAME_LEVEL,
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
    confidence, same_level : of the report (`looks.levels`).
    primary : number of primary features.
    claims : of a locked study, this pair being one of them; 0 where all pairs decide.
    same_possible : the bench can tell the changed specimen from the reference.
    block_columns : degrees of freedom that batches cost, over all woods.
    pair : which two woods.

    Raises
    ------
    InputError : fewer than two sources in a wood, or a spread that is not above 0.
    """
    variance = np.asarray(variances, dtype=float)
    errors.InputError.refuse(min(sources) < 2, "plan.one_source")
    errors.InputError.refuse(not np.all(variance > 0), "plan.zero_spread")
    found = _drawn(np.asarray(means), variance, np.asarray(sources), block_columns, draws, seed)
    if found is None:
        return Chances({word: float(word == Verdict.OPEN) for word in VERDICTS})
    at = found.woods.index(pair)
    level = (1 - confidence) / (claims or primary)
    alone = found.taken(pairs=slice(at, at + 1))
    declared = alone.p[:, 0] <= level
    if not claims:
        # Only these can be declared, and only for them are the other pairs looked at.
        declared[declared] = found.taken(declared).closed[:, at] <= level
    beyond, within, same = np.full((3, draws), np.nan)
    if limit is not None:
        rest = (alone if claims else found).taken(declared)
        tests = claims or primary * len(found.woods)
        place = 0 if claims else at
        beyond[declared] = families.holm(rest.beyond(limit), tests)[:, place]
        within[declared] = families.holm(rest.within(limit), tests)[:, place]
    if limit is not None and same_possible:
        same = alone.same(limit)[:, 0]
    words = decisions.verdicts(
        np.where(declared, 0.0, 1.0),
        *(beyond, within, same),
        confidence=confidence,
        same_level=same_level,
    )
    return Chances({word: float(np.mean(words == word)) for word in VERDICTS})


def limit_for_same(
    sources: int,
    *,
    woods: int,
    confidence: float = 0.95,
    same_level: float = decisions.SAME_LEVEL,
) -> float:
    """How many spreads of boards' means a limit must be for equal woods to be called the same in
    four of five studies; infinite below three sources.

    Parameters
    ----------
    sources : of each wood; woods : of the study, with one primary feature.
    """
    found = _drawn(np.zeros(woods), np.ones(woods), np.full(woods, sources), 0, DRAWS, 172)
    reach = np.abs(found.difference) + special.stdtrit(found.df_same, 1 - same_level) * found.se
    reach = np.where((found.closed <= 1 - confidence) | np.isnan(reach), np.inf, reach)[:, 0]
    return float(np.sort(reach)[math.ceil(WANTED * DRAWS) - 1])


def _drawn(
    means, variance, sources, block_columns: int, draws: int, seed: int
) -> pairs.Pairs | None:
    """The pairs of drawn studies; None where a block leaves no degrees of freedom."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((draws, sources.size)) * np.sqrt(variance / sources)
    freedom = sources - 1 - block_columns / sources.size
    if freedom.min() <= 0:
        return None
    drawn = variance * rng.chisquare(freedom, size=noise.shape) / freedom
    return pairs.pairs_of_means(means + noise, drawn, sources, freedom)


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


def own_design(
    model: blocks.WoodModel,
    y: np.ndarray,
    *,
    limit: float | None,
    confidence: float,
    primary: int,
    same_possible: bool,
    same_level: float = decisions.SAME_LEVEL,
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
    own = np.maximum(np.nan_to_num(model.wood_variances(y), nan=pooled), 1e-6 * pooled)
    level = (1 - confidence) / primary
    found = pairs.all_pairs(model, noise * np.sqrt(own[model.group]))
    # The pair by itself, at the first step; declarations of the wrong sign are left out, which at
    # this power there are hardly any of.
    seen = np.quantile(found.half(1 - level) - found.difference, WANTED, axis=0)
    untold = [math.nan] * len(found.woods)
    at_limit = [
        np.mean(found.with_moved(b, limit).closed[:, j] <= level) if limit else math.nan
        for j, (_, b) in enumerate(found.woods)
    ]
    quiet = found.closed > level
    same = (
        np.mean(quiet & (found.same(limit) <= same_level), axis=0)
        if limit and same_possible
        else untold
    )
    chances = (
        dict(zip(found.woods, map(float, values), strict=True)) for values in (at_limit, same, seen)
    )
    alike = pairs.all_pairs(model, noise * np.sqrt(pooled))
    rates = (float(np.any(each.closed <= 1 - confidence, axis=1).mean()) for each in (alike, found))
    return OwnDesign(*rates, *chances, runs)
