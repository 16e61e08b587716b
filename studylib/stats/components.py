"""Variance components of one feature: wood, source, specimen, mount and take; and ISO 5725.

Balanced below the woods: exact nested analysis of variance. Not balanced: REML (`reml`), or
unweighted mean squares where it did not converge; the intervals always rest on the mean squares
(`samples`). Wood is fixed: its row is the spread of the wood means beyond chance,
max(0, (MS_wood - MS_unit) / n0), with the interval from the noncentral F. A component estimated
below zero is shown as zero with its interval, and the method says so. Levels that the design
cannot separate share one row, and the method names them. Logarithmic features are in squared units
of the natural logarithm.

Repeatability is the spread between takes of one mount; intermediate precision squared is mount
plus take: the spread over takes and mounts of one specimen. A negative mount component counts as
zero, as ISO 5725-2 does, and never makes the second smaller than the first. Standard deviations
are in dB, or in percent (100 (exp(sd) - 1)) for logarithmic features.

Intervals of sums and differences of mean squares are modified large-sample intervals: for
gamma = sum c_q v_q with independent v_q ~ (expectation) chi2 / df, positive coefficients after
Graybill & Wang (1980), negative ones after Ting, Burdick, Graybill, Jeyaratnam & Lu (1990), both as
in Burdick & Graybill, Confidence Intervals on Variance Components (1992). Exact for a single mean
square; the lower end reaches 0 exactly where the F test does. Formulas written from memory of the
book; the tests check these two exact cases and the coverage.

Woods at random: the same woods as if drawn from many with normally distributed true means. Their
spread is the variance of the k wood means less what their boards contribute, the mean of
variance / boards over the woods; for its interval the first is taken as chi-squared on k - 1
degrees of freedom even where numbers of boards differ (the unweighted mean square of Thomas &
Hultquist 1978), the second by Satterthwaite, since each wood has a spread of its own. The mean of a
new wood over as many boards lies within t(k-1) sqrt(s^2 (1 + 1/k)) of theirs. Its true mean has the
boards' share taken off that variance; no t fits the difference of two mean squares (with the usual
one, of Higgins, Thompson & Spiegelhalter 2009, 86 % were covered where 95 % were promised, ten
woods that spread by a third of their boards), so the generalized variables of Weerahandi (1993)
carry the uncertainty of both, which is the t above where boards contribute nothing. Sources from
memory; tests measure the coverage. Woods with heavy tails or in groups are not normal: the interval
of the spread then covers less (84 % for six woods of Student's t on three degrees of freedom) or
more.

Functions: `variance_rows`, `wood_at_random`, `board_spreads`, `precision_row`, `components`,
`component_weights`, `mls_interval`, `wood_interval`; `Component`.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import optimize, special

from studylib import codes, register, tables
from studylib.stats import blocks, samples, scales


@dataclass(frozen=True)
class Component:
    """One variance: estimate (may be negative), interval, degrees of freedom of its stratum."""

    level: str
    estimate: float
    low: float
    high: float
    df: int


def component_weights(strata: tuple[samples.Stratum, ...]) -> np.ndarray:
    """Weights of the mean squares in each component, shape (levels, levels).

    The strata are triangular in the components, so each component follows from its own mean
    square and those below.
    """
    levels = [stratum.level for stratum in strata]
    return np.linalg.inv(
        np.array([[stratum.expectation.get(level, 0.0) for level in levels] for stratum in strata])
    )


def components(strata: tuple[samples.Stratum, ...], *, confidence: float) -> list[Component]:
    """Components from the mean squares with modified large-sample intervals, lowest first."""
    if not strata:
        return []
    squares = np.array([stratum.v for stratum in strata])
    df = np.array([stratum.df for stratum in strata])
    return [
        Component(
            stratum.level,
            float(weights @ squares),
            *mls_interval(weights, squares, df, confidence=confidence),
            stratum.df,
        )
        for stratum, weights in zip(strata, component_weights(strata), strict=True)
    ]


def variance_rows(
    sample: samples.Sample,
    *,
    confidence: float,
    fitted: Mapping[str, float] | None,
) -> list[dict]:
    """Rows of variance.csv for one feature, wood first.

    The wood row is there only where woods may be spoken of (two woods with enough sources).
    `fitted` are the REML estimates by level, used where the design is not balanced.
    """
    feature, design = sample.feature.name, sample.design.nested
    found = components(design.strata(sample.takes["y"].to_numpy(float)), confidence=confidence)
    estimates = {c.level: c.estimate for c in found}
    methods = ["methods.exact"]
    if not design.balanced:
        methods = ["methods.mean_squares"]
        if fitted is not None:
            estimates, methods = dict(fitted), ["methods.reml"]
    rows = [_row(feature, c, estimates[c.level], methods, design) for c in reversed(found)]
    wood = _wood_row(feature, sample.y, sample.design.model, confidence)
    rows = ([wood] if wood else []) + rows
    total = sum(row["variance"] for row in rows)
    for row in rows:
        row["share"] = row["variance"] / total if total > 0 else float("nan")
    return rows


def _row(feature, component: Component, estimate: float, methods: list[str], design) -> dict:
    merged = design.merged[component.level]
    own_source = component.level == "source" and "specimen" in merged
    others = [level for level in merged if level != "specimen"]
    variance = max(estimate, 0.0)
    return {
        "feature": feature,
        "level": "specimen" if own_source else component.level,
        "variance": variance,
        "sd": float(np.sqrt(variance)),
        "low": min(max(component.low, 0.0), variance),
        "high": max(component.high, variance),
        "df": component.df,
        "method": codes.several(
            [
                *methods,
                "methods.own_source" if own_source else "",
                codes.note("methods.merged", levels=others) if others else "",
                codes.note("methods.zero", estimate=estimate) if estimate < 0 else "",
            ]
        ),
    }


def _wood_row(
    feature: str, y: np.ndarray, model: blocks.WoodModel | None, confidence: float
) -> dict | None:
    if model is None or model.k < 2 or model.df < 1:
        return None
    df = model.k - 1
    unit_square = model.pooled_variance(y)
    wood_square = float(model.between(y))
    variance = max(0.0, (wood_square - unit_square) / model.n0)
    low = high = float("nan")
    if unit_square > 1e-24:
        low, high = wood_interval(
            wood_square / unit_square,
            df,
            int(model.df),
            unit_square=unit_square,
            n0=model.n0,
            confidence=confidence,
        )
    return {
        "feature": feature,
        "level": "wood",
        "variance": variance,
        "sd": float(np.sqrt(variance)),
        "low": low,
        "high": high,
        "df": df,
        "method": codes.several(
            [
                "methods.wood_means",
                codes.note("methods.zero", estimate=None) if wood_square < unit_square else "",
            ]
        ),
    }


def wood_at_random(sample: samples.Sample, *, confidence: float) -> list[tuple]:
    """The row of `woods_at_random` of one feature; none with fewer than two woods that may be
    spoken of, or where nothing spreads."""
    model, known = sample.design.model, sample.feature
    if model is None or model.k < 2:
        return []
    k, means = model.k, model.weights @ sample.y
    apart = np.sum((model.weights - model.weights.mean(axis=0)) ** 2, axis=0) / (k - 1)
    parts = np.bincount(model.group, weights=apart) * model.wood_variances(sample.y)
    squares = np.array([means.var(ddof=1), parts.sum()])
    if not np.all(squares > 1e-24):
        return []
    df = np.array([k - 1, squares[1] ** 2 / np.sum(parts**2 / model.leverage)])
    low, high = mls_interval(np.array([1.0, -1.0]), squares, df, confidence=confidence)
    half = special.stdtrit(k - 1, 0.5 + confidence / 2) * np.sqrt(squares[0] * (1 + 1 / k))
    true_half = _true_half(squares, df, confidence=confidence)
    ends = means.mean() + np.array([0.0, -half, half, -true_half, true_half])
    variance = max(squares[0] - squares[1], 0.0)
    spreads = (variance, min(low, variance), max(high, variance))
    return [
        (
            *(known.name, k, 1 / np.mean(1 / model.counts)),
            *(scales.reported_sd(spread, known) for spread in spreads),
            *(known.difference_unit, *scales.reported_values(ends, known), known.unit),
        )
    ]


def _true_half(squares: np.ndarray, df: np.ndarray, *, confidence: float) -> float:
    """How far the true mean of a new wood may lie from the mean of these.

    squares, df : variance of the wood means, and the boards' share of it.
    """
    # Both over the whole of their chance, at the middles of equal shares of it; a variance of few
    # wood means has the heavier tail.
    many, few = ((np.arange(n) + 0.5) / n for n in (200, 30))
    total = squares[0] * df[0] / special.chdtri(df[0], many)[:, np.newaxis]
    share = squares[1] * df[1] / special.chdtri(df[1], few)
    sd = np.sqrt(np.maximum(total - share, 0.0) + total / (df[0] + 1))
    return optimize.brentq(
        lambda half: np.mean(special.erf(half / sd / np.sqrt(2.0))) - confidence, 0.0, 9 * sd.max()
    )


def board_spreads(variance: pd.DataFrame) -> dict[str, float]:
    """Feature -> standard deviation of boards of different planks, where it is above zero.

    Parameters
    ----------
    variance : the table `variance`, on the scale of analysis.
    """
    total = (
        variance[variance["level"].isin(["source", "specimen"])]
        .groupby("feature")["variance"]
        .sum()
    )
    return np.sqrt(total[total > 0]).to_dict()


def precision_row(
    feature: register.Feature, strata: tuple[samples.Stratum, ...], *, confidence: float
) -> dict:
    """One row; NaN with a reason where the design cannot tell (one take, or one mount)."""
    levels = [stratum.level for stratum in strata]
    squares, df = (np.array([getattr(stratum, of) for stratum in strata]) for of in ("v", "df"))
    lacking = codes.holding(
        ("take" not in levels, "comparison.no_repeatability"),
        ("mount" not in levels, "comparison.no_intermediate"),
    )
    row = dict.fromkeys(tables.TABLES["precision"].names, float("nan"))
    row |= {"feature": feature.name, "unit": feature.difference_unit}
    row |= {"reason": codes.several(lacking)}
    ends = np.full(3, np.nan)
    for name, top in (("repeatability", "take"), ("intermediate", "mount")):
        if top in levels:
            weights = component_weights(strata)[: levels.index(top) + 1].sum(axis=0)
            reach = mls_interval(weights, squares, df, confidence=confidence)
            own = [scales.reported_sd(square, feature) for square in (weights @ squares, *reach)]
            ends = np.fmax(ends, own)  # the second is never smaller than the first
            row |= zip((f"{name}_{end}" for end in ("sd", "low", "high")), ends, strict=True)
    return row


def mls_interval(
    coefficients: np.ndarray, squares: np.ndarray, df: np.ndarray, *, confidence: float
) -> tuple[float, float]:
    """Two-sided interval of sum(coefficients * squares); its ends may be negative."""
    coefficients, squares, df = (
        np.asarray(values, dtype=float) for values in (coefficients, squares, df)
    )
    keep = np.abs(coefficients) > 1e-14
    terms = (coefficients * squares)[keep]
    df, positive = df[keep], (coefficients > 0)[keep]
    plus, minus = (terms[positive], df[positive]), (-terms[~positive], df[~positive])
    alpha = (1.0 - confidence) / 2.0
    centre = float(terms.sum())
    below, above = (_spread(plus, minus, alpha, below=side) for side in (True, False))
    return centre - np.sqrt(max(below, 0.0)), centre + np.sqrt(max(above, 0.0))


def _g(df, alpha):
    return 1.0 - 1.0 / (special.chdtri(df, alpha) / df)


def _h(df, alpha):
    return 1.0 / (special.chdtri(df, 1.0 - alpha) / df) - 1.0


def _spread(plus, minus, alpha, *, below: bool) -> float:
    """The square of an interval's reach below or above the estimate.

    The upper end of P - N is not minus the lower end of N - P: the cross term is built so that the
    bound is exact where the ratio equals the other F point.
    """
    (p, n), (m, r) = plus, minus
    own, other = (_g(n, alpha), _h(r, alpha)) if below else (_h(n, alpha), _g(r, alpha))
    f = special.fdtri(n[:, None], r, 1.0 - alpha if below else alpha)
    cross = p[:, None] * m * ((f - 1) ** 2 - (own[:, None] * f) ** 2 - other**2) / f
    total = np.sum((own * p) ** 2) + np.sum((other * m) ** 2) + np.sum(cross)
    return (
        float(total + _same_sign(p, n, own, alpha) * (m.size > 0))
        if below
        else float(total + _same_sign(m, r, other, alpha) * (p.size > 0))
    )


def _same_sign(terms, df, g, alpha) -> float:
    """Cross terms between mean squares of one sign."""
    both, ratio, times = df[:, None] + df, df[:, None] / df, terms[:, None] * terms
    squares = g[:, None] ** 2 * ratio + g**2 / ratio
    star = _g(both, alpha) ** 2 * both**2 / (df[:, None] * df) - squares
    return np.sum(np.triu(star * times, 1)) / max(terms.size - 1, 1)


def wood_interval(
    f: float, df_wood: int, df_unit: int, *, unit_square: float, n0: float, confidence: float
) -> tuple[float, float]:
    """Interval of the spread of the wood means, as a variance, from the noncentral F.

    f is MS_wood / MS_unit; the noncentrality is inverted and scaled with MS_unit / (df n0).
    """
    alpha = (1.0 - confidence) / 2.0
    scale = unit_square / (df_wood * n0)
    return (
        _noncentrality(df_wood, df_unit, 1.0 - alpha, f) * scale,
        _noncentrality(df_wood, df_unit, alpha, f) * scale,
    )


def _noncentrality(df_wood: int, df_unit: int, probability: float, f: float) -> float:
    """The noncentrality at which P(F <= f) is `probability`; 0 where none is that small."""
    return (
        0.0
        if special.fdtr(df_wood, df_unit, f) <= probability
        else float(special.ncfdtrinc(df_wood, df_unit, probability, f))
    )
