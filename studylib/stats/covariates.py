"""Is it the wood, or just its density? Differences between woods without and with a covariate.

For every feature and covariate each pair of woods is compared twice on the same sources: as it
stands, and with the covariate held equal whatever its errors within their stated uncertainty
(stats/adjusted.py). Both intervals are those of the table of effects, simultaneous over the pairs,
each wood with its own spread. They decide nothing: verdicts come from the table of effects.

Conventions: each source is one number, its covariate the mean over its boards, unweighted. A board
without the covariate is left out of both comparisons before anything is averaged, and counted. A
wood takes part from `SMALLEST` sources up. Batch is a block under the same rule as everywhere
(stats/blocks.py). Differences and slopes are in dB or percent; the slope holds for a step of the
covariate that is a power of ten no larger than its spread within the woods. `overlap` is the part
of the pair's sources that lie in the range of the covariate which both woods share.

The errors of the boards of a source average out. A feature of the wood itself is reckoned from the
sizes, the mass and the stiffness that would be held equal: their errors are not independent of it,
and count as not known.

A covariate is a number of a specimen beside what is compared: a size, the mass or the moisture of
specimens.csv, any further numeric column there, or a specimen's own feature such as its density.

Functions: `analyse_covariates`, `covariate_values`, `covariate_quantity`; `Covariates`, `Quantity`.
"""

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations, product

import numpy as np
import pandas as pd

from studylib import codes, register, tables, words
from studylib.errors import InputError
from studylib.stats import adjusted, blocks, design, samples, scales
from studylib.stats.pairs import all_pairs
from studylib.words.numbers import exact

SMALLEST = 3
LARGEST = 700.0
"""exp() of more than this is no number any more."""
LITTLE_OVERLAP = 0.5
_NAN = float("nan")
_ENDS = ("difference", "low", "high")
_SLOPE = ("slope", "slope_low", "slope_high")

_SHORT = {
    "length_mm": "covariates.length",
    "width_mm": "covariates.width",
    "thickness_mm": "covariates.thickness",
    "mass_g": "covariates.mass",
    "moisture_pct": "covariates.moisture",
    "wood.youngs_modulus_gpa": "covariates.stiffness",
    "wood.sound_speed_m_s": "covariates.sound_speed",
    "wood.impedance_pa_s_m": "covariates.impedance",
    "wood.shear_modulus_gpa": "covariates.shear",
}
# Ends of column names that say a unit, the longer ones first.
_UNITS = {
    "_kg_m3": "kg/m3", "_gpa": "GPa", "_mpa": "MPa", "_m_s": "m/s", "_pct": "%", "_percent": "%",
    "_deg": "deg", "_mm": "mm", "_cm": "cm", "_hz": "Hz", "_kg": "kg", "_g": "g", "_s": "s",
}  # fmt: skip
_WORDS = ("specimen", "wood", "source", "source_assumed", "role", "note", "grain")


@dataclass(frozen=True)
class Covariates:
    """Every pair of woods without and with each covariate.

    Attributes
    ----------
    table : the table "covariates"; one row a feature, covariate and pair of woods.
    confidence : of each interval.
    """

    table: pd.DataFrame
    confidence: float


@dataclass(frozen=True)
class Quantity:
    """What a covariate is.

    Attributes
    ----------
    short : a note of a word or two, for sentences: "stiffness".
    unit : "" when none is known.
    """

    short: str
    unit: str


@dataclass(frozen=True)
class _Case:
    """One feature and covariate: its sources, and those of them that are compared."""

    feature: register.Feature
    covariate: str
    quantity: Quantity
    units: pd.DataFrame  # wood, source, x, y, error (the variance of that of x)
    compared: tuple[str, ...]
    inside: pd.DataFrame  # units of the woods that are compared
    model: blocks.WoodModel | None
    complete: bool
    fit: adjusted.Adjusted | None  # one that holds nothing equal as well
    left_out: int

    @property
    def held(self) -> adjusted.Adjusted | None:
        """The fit, where it can hold the covariate equal or the covariate's errors are unknown."""
        return None if self.fit is None or self.fit.reliability <= 0 else self.fit


def analyse_covariates(
    comparison,
    specimens: pd.DataFrame,
    specimen_features: pd.DataFrame | None = None,
    *,
    woods: Sequence[str],
    features: Sequence[str],
    uncertainties: Mapping[str, float] | None = None,
    confidence: float = 0.95,
) -> Covariates:
    """Compare each pair of woods without and with each covariate.

    Parameters
    ----------
    comparison : `stats.compare.Comparison`, of which `mount_means` and `coverage` are read.
    specimens, specimen_features : see `covariate_values`; `specimen_features` may have a column u,
        the standard uncertainty of the value.
    uncertainties : standard uncertainty of a column of `specimens` for each board, in its unit.
        Errors of a column that is not there are not known, and not allowed for.
    woods : woods in the order of the tables.
    features : features to compare, as a rule the primary ones. One that was not measured has no
        rows; one whose woods may not be compared has rows with the reason.
    confidence : in (0, 1), for all pairs of a feature and covariate together.

    Raises
    ------
    InputError : an unknown feature, two values for one specimen.
    """
    values = covariate_values(specimens, specimen_features)
    errors = _errors(values, specimen_features, uncertainties or {})
    means = comparison.mount_means
    means = means[(means["role"].fillna("") == "") & means["wood"].isin(list(woods))]
    refused = design.not_compared(comparison.coverage)
    boards = {
        name: _board_means(means[means["feature"] == name], register.find(name))
        for name in dict.fromkeys(features)
    }
    why_not = {n: codes.note("covariates.not_compared", reason=why) for n, why in refused.items()}
    rows = [
        row
        for name, covariate in product((n for n in boards if not boards[n].empty), values.columns)
        if covariate != name
        for error in [errors[covariate] * (_NAN if name.startswith("wood.") else 1.0)]
        for own in [boards[name]["specimen"]]
        for known in [boards[name].assign(x=own.map(values[covariate]), error=own.map(error))]
        for case in [_case(register.find(name), covariate, known, woods, confidence)]
        for row in _rows(case, woods, confidence, why_not.get(name, ""))
    ]
    return Covariates(tables.typed("covariates", rows), confidence)


# ------------------------------------------------------------------ values of the covariates


def covariate_quantity(name: str) -> Quantity:
    """What a covariate is, from the register or from the end of its column's name.

    A column "ring_width_mm" is "ring width" in mm; one without a known unit is called by its
    whole name.
    """
    if register.is_known(name):
        short = codes.note("covariates.quantity", name=name)
        unit = register.find(name).unit.removeprefix("1")
    else:
        end = next((e for e in _UNITS if name.endswith(e) and len(name) > len(e)), "")
        plain = name.removesuffix(end).replace("_", " ") if end else name
        short, unit = codes.note("covariates.column", name=plain), _UNITS.get(end, "")
    return Quantity(codes.note(_SHORT[name]) if name in _SHORT else short, unit)


def covariate_values(
    specimens: pd.DataFrame,
    specimen_features: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """One row a specimen, one column a covariate; what is not known is NaN.

    Parameters
    ----------
    specimens : as from `Study.specimen_table`: every numeric column is a covariate.
    specimen_features : further covariates, rows specimen, covariate, value; at most one row a
        specimen and covariate. Specimens that the sheet does not hold are left out.

    Raises
    ------
    InputError : two values for one specimen.
    """
    table = specimens.set_index("specimen")
    numeric = [
        name
        for name in table.columns
        if name not in _WORDS and pd.api.types.is_numeric_dtype(table[name])
    ]
    values = table[numeric].astype("float64")
    if specimen_features is not None and not specimen_features.empty:
        values = values.join(_wide(specimen_features, taken=numeric))
    return values.where(np.isfinite(values)).dropna(axis=1, how="all")


def _errors(
    values: pd.DataFrame, rows: pd.DataFrame | None, stated: Mapping[str, float]
) -> pd.DataFrame:
    """Variance of the error of each value, shape of `values`; NaN where it is not known."""
    u = pd.DataFrame(dict(stated), index=values.index)
    if rows is not None and "u" in rows:
        u = u.join(rows.pivot(index="specimen", columns="covariate", values="u"))
    return u.reindex(columns=values.columns).astype("float64") ** 2


def _wide(rows: pd.DataFrame, *, taken: Sequence[str]) -> pd.DataFrame:
    twice = rows.duplicated(["specimen", "covariate"]) | rows["covariate"].isin(list(taken))
    InputError.refuse_all(
        [
            codes.note("covariates.two_values", specimen=str(specimen), covariate=str(covariate))
            for specimen, covariate in rows.loc[twice, ["specimen", "covariate"]].values[:1]
        ]
    )
    wide = rows.pivot(index="specimen", columns="covariate", values="value")
    return wide[rows["covariate"].unique()].astype("float64")


# ------------------------------------------------------------------ one feature and covariate


def _board_means(mounts: pd.DataFrame, feature: register.Feature) -> pd.DataFrame:
    """wood, source, specimen, y and one column a batch: the part of the mean measured there."""
    y = scales.analysis_values(mounts["value"].to_numpy(float), np.full(len(mounts), feature.scale))
    rows = pd.concat(
        [
            mounts[["wood", "source", "specimen"]].assign(y=y),
            pd.get_dummies(mounts["batch"], dtype=float).add_prefix("batch "),
        ],
        axis=1,
    )
    return rows.groupby(["wood", "source", "specimen"], sort=True).mean().reset_index()


def _case(
    feature: register.Feature,
    covariate: str,
    boards: pd.DataFrame,
    woods: Sequence[str],
    confidence: float,
) -> _Case:
    """Sources, their covariate, and the model of the woods that have enough of them."""
    batches = boards.columns.difference(["wood", "source", "specimen", "y", "x", "error"])
    known = boards[boards["x"].notna()].drop(columns="specimen")
    grouped = known.groupby(["wood", "source"], sort=True)
    units = grouped.mean()
    units["error"] = grouped["error"].mean() / grouped.size()
    units = samples.of_woods(units.reset_index(), woods).reset_index(drop=True)
    compared = tuple(wood for wood in woods if (units["wood"] == wood).sum() >= SMALLEST)
    inside = units[units["wood"].isin(list(compared))].reset_index(drop=True)
    model, fit, complete = None, None, True
    if len(compared) > 1:
        shares = inside[list(batches)].to_numpy(float)
        design = partial(samples.linear_model, inside["wood"], compared, shares)
        model, complete = design()
        complete = complete and not model.dropped
        y, x, error = inside[["y", "x", "error"]].to_numpy(float).T
        fit = adjusted.adjust(
            lambda **own: design(**own)[0], y, x, error=error, confidence=confidence
        )
    return _Case(
        *(feature, covariate, covariate_quantity(covariate), units, compared),
        *(inside, model, complete, fit),
        left_out=len(boards) - len(known),
    )


def _overlap(units: pd.DataFrame, wood_a: str, wood_b: str) -> float:
    """Part of the sources of two woods inside the range of x that both share; NaN without any."""
    x, wood = units["x"].to_numpy(), units["wood"].to_numpy()
    a, b = x[wood == wood_a], x[wood == wood_b]
    if not a.size or not b.size:
        return _NAN
    both, low, high = np.append(a, b), max(a.min(), b.min()), min(a.max(), b.max())
    return float(np.mean((low <= both) & (both <= high)))


# ------------------------------------------------------------------ rows of the table


def _rows(case: _Case, woods: Sequence[str], confidence: float, refused: str) -> Iterator[dict]:
    found = {} if refused or case.model is None else _numbers(case, confidence)
    sources, blank = Counter(case.units["wood"]), tables.TABLES["covariates"].of_type("number")
    for wood_a, wood_b in combinations(woods, 2):
        row = dict.fromkeys(blank, _NAN) | {
            "slope_unit": "",
            "feature": case.feature.name,
            "covariate": case.covariate,
            "wood_a": wood_a,
            "wood_b": wood_b,
            "unit": case.feature.difference_unit,
            "n_a": sources[wood_a],
            "n_b": sources[wood_b],
            "overlap": _overlap(case.units, wood_a, wood_b),
            "covariate_unit": case.quantity.unit,
            "left_out": case.left_out,
            **found.get((wood_a, wood_b), {}),
        }
        why = refused or _why_no_fit(case, min(row["n_a"], row["n_b"]))
        yield row | {"note": codes.several([why, *_remarks(case, row, why)])}


def _numbers(case: _Case, confidence: float) -> dict[tuple[str, str], dict]:
    """Both differences of each pair that is compared, and the slope, as reported."""
    y, x = case.inside[["y", "x"]].to_numpy(float).T
    found = {"without": adjusted.spans([all_pairs(case.model, y[np.newaxis])], confidence)}
    sd = math.sqrt(max(case.model.pooled_variance(x), 0.0))
    common: dict = {
        "within_sd": sd,
        "reliability": max(case.fit.reliability, 0.0) if case.fit is not None else _NAN,
    }
    if case.held is not None:
        found["with"] = case.held.spans(confidence)
        step = 10.0 ** math.floor(math.log10(sd))
        slope = [number * step for number in case.held.slope(confidence)]
        per = case.quantity.unit or f"of {words.say(case.quantity.short)}"
        common |= _reported(case.feature, _SLOPE, slope)
        common["slope_unit"] = f"{case.feature.difference_unit} per {exact(step)} {per}"
        common["p_slopes_differ"] = case.held.p_slopes_differ()
    out = {}
    for i, pair in enumerate(combinations(case.compared, 2)):
        own = out[pair] = dict(common)
        for which, pairs in found.items():
            *ends, own["df"], own[f"p_{which}"] = pairs.to_numpy()[i]
            own |= _reported(case.feature, [f"{end}_{which}" for end in _ENDS], ends)
    return out


def _reported(
    feature: register.Feature, names: Iterable[str], numbers: Iterable[float]
) -> dict[str, float]:
    """Numbers of the scale of analysis as reported, by name."""
    return {
        name: scales.reported_difference(min(float(number), LARGEST), feature)
        if math.isfinite(number)
        else _NAN
        for name, number in zip(names, numbers, strict=True)
    }


def _why_no_fit(case: _Case, fewest: int) -> str:
    """Why there is no adjusted difference for a pair of woods; "" when there is one."""
    held, x = case.quantity.short, case.inside["x"]
    if fewest < SMALLEST:
        return codes.note("covariates.few_sources", smallest=SMALLEST, held=held)
    if case.held is not None or case.model is None:
        return ""
    rounding = 1e-9 * max(float(x.abs().max()), 1e-300)
    in_wood = x.groupby(case.inside["wood"]).agg(np.ptp).max() <= rounding
    return codes.holding(
        (case.fit is not None, codes.note("covariates.unreliable", held=held)),
        (case.model.df - 1 < 1, "covariates.no_freedom"),
        (np.ptp(x) <= rounding, codes.note("covariates.same_for_all", held=held)),
        (in_wood, codes.note("covariates.same_in_wood", held=held)),
        (True, codes.note("covariates.only_between_batches", held=held)),
    )[0]


def _remarks(case: _Case, row: dict, why: str) -> list[str]:
    """What to keep in mind with the numbers of a pair."""
    held, fitted = case.quantity.short, math.isfinite(row["difference_with"])
    overlap, left_out = row["overlap"], row["left_out"]
    return codes.holding(
        (
            fitted and math.isnan(row["reliability"]),
            codes.note("covariates.no_uncertainty", held=held),
        ),
        (overlap == 0 and not why, codes.note("covariates.no_overlap", held=held)),
        (
            0 < overlap < LITTLE_OVERLAP and not why,
            codes.note("covariates.little_overlap", held=held, overlap=overlap),
        ),
        (fitted and not math.isfinite(row["low_with"]), "covariates.no_interval"),
        (left_out, codes.note("covariates.left_out", boards=left_out, held=held)),
        (
            not case.complete and math.isfinite(row["difference_without"]),
            "covariates.confounded",
        ),
    )
