"""Woods compared over frequency, boards as units: a simultaneous band, one test, and the spreads.

A curve is a response in dB on a grid of frequencies; a wood's curve is the mean of its sources'.

- `curve_bands`: a band about the difference of each pair that holds at all frequencies and for all
  pairs together. Each wood has a spread of its own, its rms residual over the band; residuals over
  that spread have one shape over frequency, pooled over the woods. Its degrees of freedom are those
  of the whole design; the more alike all frequencies move, the nearer they come to Welch's for the
  pair. The critical value is that of the expected Euler characteristic of a t field on a line
  (Worsley 1994; Taylor and Worsley 2007), with the roughness of the field as the length of the path
  of its normalised residuals (Telschow and Schwartzman 2022); the error is shared out over the
  pairs (Bonferroni). The promise rests on spreads that have one shape over frequency
  (tests/benchmarks/curves_truth measures it, and what becomes of it where they have not).
- `curve_tests`: do the woods differ anywhere? Labels of sources are permuted within batches, all of
  them where there are few, with the sum over frequency of the squared differences between woods,
  each over its own spread, as the statistic (studentised: Janssen 1997). All woods together first;
  a pair counts at the larger of its own p and that of all, which is a closed test for three woods;
  from four on the pairs share the error. It can also be small because woods spread unequally.
- `curve_spreads`: the variance that wood, source, board, mount and take add at each frequency.

Conventions: arrays (sources, frequencies) in dB; wood b minus wood a.

Functions: `curve_bands`, `half_width`, `curve_tests`, `smallest_p`, `curve_spreads`,
`band_spreads`.
Classes: `CurveBand`, `CurveTest`.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations, islice, product
from math import factorial, prod

import numpy as np
from scipy import optimize, special

from studylib.stats import components, samples
from studylib.stats.blocks import WoodModel

FINE_PATH, THIRD_PATH = 19.0, 3.4
"""Length of the residuals' path for each octave, on the fine grid and on third octaves: those of
the demo's rails, taken for a plan."""

MOST_LABELLINGS = 20_000  # above, so many are drawn
_AT_ONCE = 256


@dataclass(frozen=True)
class CurveBand:
    """Wood b minus wood a: difference and half-width of its band, shape (frequencies,)."""

    a: int
    b: int
    difference: np.ndarray
    half: np.ndarray


@dataclass(frozen=True)
class CurveTest:
    """Do these woods differ anywhere? `smallest` : no p of this design lies below it."""

    woods: tuple[int, ...]
    p: float
    smallest: float
    labellings: int


def curve_bands(model: WoodModel, y: np.ndarray, *, confidence: float) -> list[CurveBand]:
    """The difference of each pair of woods with a band for all frequencies and pairs together.

    Parameters
    ----------
    model : of the sources, with two degrees of freedom or more.
    y : their curves, (sources, frequencies).  confidence : in (0.5, 1).
    """
    residual = model.left(y)
    variances = model.wood_variances(y.T).mean(axis=0)
    scaled = residual / np.sqrt(variances)[model.group][:, None]
    size = np.sqrt(np.sum(scaled**2, axis=0))
    path = float(np.sum(np.sqrt(np.sum(np.diff(scaled / size, axis=1) ** 2, axis=0))))
    share, pairs = _alike(scaled, model.df), list(combinations(range(model.k), 2))
    return [
        CurveBand(a, b, contrast @ y, half=critical * size * np.sqrt(variance / model.df))
        for a, b in pairs
        for contrast in [model.contrast(a, b)]
        for variance, own_df in [model.variance_of(contrast, variances)]
        # What all frequencies share is known from the woods' own spreads alone.
        for df in [1.0 / ((1.0 - share) / model.df + share / own_df)]
        for critical in [_critical(path, df, (1.0 - confidence) / len(pairs))]
    ]


def _alike(scaled: np.ndarray, df: float) -> float:
    """One over the number of independent parts of a field, from its residuals: the sum of squared
    eigenvalues of the covariance over the square of their sum, without bias (Bai and Saranadasa
    1996)."""
    narrow = scaled if len(scaled) <= scaled.shape[1] else scaled.T  # one trace, one sum of squares
    gram = narrow @ narrow.T / scaled.shape[1]
    mean = np.trace(gram) / df
    square = df**2 / ((df + 2.0) * (df - 1.0)) * (np.sum(gram**2) / df**2 - mean**2 / df)
    return float(np.clip(square / mean**2, 0.0, 1.0))


def half_width(path: float, *, sources: int, woods: int, batches: int, confidence: float) -> float:
    """What a plan expects of the band's half-width, in standard deviations between sources.

    path : length of the path of the normalised residuals.  sources : of each wood.
    """
    df = woods * (sources - 1) - (batches - 1)
    return _critical(path, df, 2.0 * (1.0 - confidence) / (woods * (woods - 1))) * np.sqrt(
        2 / sources
    )


def _critical(path: float, df: float, share: float) -> float:
    """Where the largest |t| of a field with `df` degrees of freedom lies with this probability."""

    def excess(log_u: float) -> float:
        u = np.exp(log_u)
        line = path / (2.0 * np.pi) * (1.0 + u**2 / df) ** (-(df - 1.0) / 2.0)
        return 2.0 * (special.stdtr(df, -u) + line) - share

    return float(np.exp(optimize.brentq(excess, -3.0, 40.0)))


def curve_tests(
    model: WoodModel, y: np.ndarray, shares: np.ndarray, *, seed: int = 1
) -> list[CurveTest]:
    """All woods together, then each pair, p adjusted.

    Parameters
    ----------
    shares : (sources, batches), the part of each source's mean that was measured in each batch.
    """
    everything = tuple(range(model.k))
    blocks = np.unique(shares.round(6), axis=0, return_inverse=True)[1].ravel()
    whole = _test(y, model.group, blocks, everything, seed)
    if model.k == 2:
        return [whole]
    pairs = list(combinations(everything, 2))
    times = 1 if model.k == 3 else len(pairs)
    found = [_test(y, model.group, blocks, pair, seed) for pair in pairs]
    return [
        whole,
        *(
            CurveTest(
                t.woods,
                max(min(times * t.p, 1.0), whole.p),
                max(times * t.smallest, whole.smallest),
                t.labellings,
            )
            for t in found
        ),
    ]


def _test(
    y: np.ndarray, group: np.ndarray, blocks: np.ndarray, woods: Sequence[int], seed: int
) -> CurveTest:
    own = np.isin(group, woods)
    y, group, blocks = y[own], np.searchsorted(woods, group[own]), blocks[own]
    counts = np.array(
        [np.bincount(group[blocks == b], minlength=len(woods)) for b in np.unique(blocks)]
    )
    for b in np.unique(blocks):
        y = np.where((blocks == b)[:, None], y - y[blocks == b].mean(axis=0), y)
    # Sums over frequency of products of sources: these columns give the same ones, and are few.
    left, size, _ = np.linalg.svd(y, full_matrices=False)
    y = left * size
    total = _labellings(counts)
    if total == 1:  # no two woods share a batch
        return CurveTest(tuple(woods), 1.0, 1.0, 1)
    drawn = total > MOST_LABELLINGS
    labels = _drawn(group, blocks, seed) if drawn else _all_labels(group, blocks)
    observed = _statistic(y, group[None, :], len(woods))[0]
    as_large, number = int(drawn), int(drawn)
    while part := list(islice(labels, _AT_ONCE)):
        as_large += int(
            np.sum(_statistic(y, np.array(part), len(woods)) >= observed * (1.0 - 1e-9))
        )
        number += len(part)
    return CurveTest(
        tuple(woods), as_large / number, max(smallest_p(counts), drawn / number), number
    )


def smallest_p(counts: np.ndarray) -> float:
    """The smallest p that a design can reach; counts : (batches, woods), sources of each.

    Labels that only exchange the names of woods with equal numbers leave the statistic as it is.
    """
    alike = Counter(map(tuple, counts.T.tolist())).values()
    return prod(map(factorial, alike)) / _labellings(counts)


def _labellings(counts: np.ndarray) -> int:
    return prod(factorial(int(sum(row))) // prod(factorial(int(n)) for n in row) for row in counts)


def _statistic(y: np.ndarray, labels: np.ndarray, k: int) -> np.ndarray:
    """(P,) for labels (P, sources): squared distances of the woods' curves from their mean."""
    member = (labels[:, None, :] == np.arange(k)[:, None]).astype(float)
    n = member.sum(axis=2)
    # The last wood has what the others leave.
    sums = np.tensordot(member[:, :-1], y, 1)  # one product instead of one a labelling
    means = np.append(sums, y.sum(axis=0) - sums.sum(axis=1, keepdims=True), axis=1) / n[:, :, None]
    squares = np.sum(means**2, axis=2)
    inside = member @ np.sum(y**2, axis=1) - n * squares
    weight = n * (n - 1) / np.maximum(inside, np.finfo(float).tiny)
    middle = np.sum((weight[:, None] @ means) ** 2, axis=(1, 2)) / weight.sum(axis=1)
    return np.sum(weight * squares, axis=1) - middle


def _all_labels(group: np.ndarray, blocks: np.ndarray) -> Iterator[np.ndarray]:
    """Every way to give the woods' labels to the sources within their batches."""
    places = [np.flatnonzero(blocks == b) for b in np.unique(blocks)]
    for ways in product(*(list(_orders(sorted(group[own].tolist()))) for own in places)):
        labels = np.empty_like(group)
        labels[np.concatenate(places)] = np.concatenate(ways)
        yield labels


def _orders(labels: list[int]) -> Iterator[list[int]]:
    """The distinct orders of a list."""
    if not labels:
        yield []
    for first in sorted(set(labels)):
        rest = labels.copy()
        rest.remove(first)
        yield from ([first, *order] for order in _orders(rest))


def _drawn(group: np.ndarray, blocks: np.ndarray, seed: int) -> Iterator[np.ndarray]:
    rng = np.random.default_rng(seed)
    order = np.argsort(blocks, kind="stable")
    for _ in range(MOST_LABELLINGS - 1):
        labels = np.empty_like(group)
        labels[order] = group[np.argsort(blocks + rng.random(group.size))]
        yield labels


def curve_spreads(
    nested: samples.NestedDesign, model: WoodModel, takes: np.ndarray, y: np.ndarray
) -> dict[str, np.ndarray]:
    """Variance of each level at each frequency, in dB squared, wood first; a level that cannot be
    told apart is part of the next one up, and where each board is its own source, the boards are
    called "specimen". Estimates may be negative.

    takes : curves of the takes, (takes, frequencies).  y : of the sources.
    """
    squares = np.array(
        [np.sum(own**2, axis=0) / df for own, df in nested.residuals(takes).values()]
    )
    strata = nested.strata(takes[:, 0])
    found = components.component_weights(strata) @ squares
    spreads = {"wood": (model.between(y.T) - model.pooled_variance(y.T)) / model.n0}
    return spreads | {
        _named(nested, stratum.level): own
        for stratum, own in zip(reversed(strata), reversed(found), strict=True)
    }


def _named(nested: samples.NestedDesign, level: str) -> str:
    return "specimen" if level == "source" and "specimen" in nested.merged["source"] else level


def band_spreads(
    nested: samples.NestedDesign,
    model: WoodModel,
    takes: np.ndarray,
    y: np.ndarray,
    *,
    confidence: float,
) -> dict[str, tuple[float, float]]:
    """Interval of each level's variance averaged over the band, wood first; as `curve_spreads`.

    A mean over frequencies that do not all move as one is known better than at one frequency: its
    degrees of freedom are those of one divided by how far they do (Satterthwaite), from the
    residuals of each level, and for the woods from those of their sources.
    """
    levels = zip(nested.strata(takes[:, 0]), nested.residuals(takes).values(), strict=True)
    strata = tuple(
        replace(one, v=float(np.sum(own**2) / own.shape[1]) / df, df=df / alike)
        for one, (own, df) in levels
        for alike in [_alike(own, df) if df > 1 and own.any() else 1.0]
    )
    below = components.components(strata, confidence=confidence)[::-1]
    pooled = float(np.mean(model.pooled_variance(y.T)))
    square = float(np.mean(model.between(y.T)))
    share = _alike(model.left(y), model.df)
    wood = components.wood_interval(
        square / pooled, (model.k - 1) / share, model.df / share,
        unit_square=pooled, n0=model.n0, confidence=confidence,
    )  # fmt: skip
    return {"wood": wood} | {_named(nested, one.level): (one.low, one.high) for one in below}
