"""Is it the wood, or just its density? Differences between woods without and with a covariate.

For every feature and covariate each pair of woods is compared twice on the same sources: as it
stands, and with the covariate held equal (stats/blocks.py). Both intervals are Tukey-Kramer's with
one pooled spread, simultaneous over the pairs, so that the two can be laid side by side. They
decide nothing: verdicts come from the table of effects.

Conventions: each source is one number, its covariate the mean over its boards, unweighted. A board
without the covariate is left out of both comparisons before anything is averaged, and counted. A
wood takes part from `SMALLEST` sources up. Batch is a block under the same rule as everywhere
(stats/blocks.py). Differences and slopes are in dB or percent; the slope holds for a step of the
covariate that is a power of ten no larger than its spread within the woods, and for one such spread
(`slope_per_sd`). `overlap` is the part of the pair's sources that lie in the range of the covariate
which both woods share.

A covariate is a number of a specimen beside what is compared: a size, the mass or the moisture of
specimens.csv, any further numeric column there, or a specimen's own feature such as its density.

Functions: `analyse_covariates`, `covariate_values`, `covariate_quantity`; `Covariates`, `Quantity`.
"""

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from studylib import register, tables
from studylib.codes import note, several
from studylib.errors import InputError
from studylib.register import Feature
from studylib.stats import design, scales
from studylib.stats.blocks import (
    CovariateFit,
    WoodModel,
    fit_covariate,
    has_block,
    simultaneous,
    wood_model,
)
from studylib.words import say
from studylib.words.numbers import exact
from studylib.words.text import nearest

POINT_COLUMNS = ("feature", "covariate", "wood", "source", "x", "value")
LINE_COLUMNS = ("feature", "covariate", "wood", "x", "value", "low", "high")
SMALLEST = 3
LARGEST = 700.0
"""exp() of more than this is no number any more."""
FEW_DF, GUESS_DF = 10, 5
"""Below the first many degrees of freedom an adjusted difference is rough, below the second a
guess (common practice, no source; Student's factor at 95 % is 2.3 with 9 and 2.8 with 4)."""
LITTLE_OVERLAP = 0.5
_LINE_POINTS = 15
_NAN = float("nan")
_WITHOUT = ("difference_without", "low_without", "high_without")
_WITH = (
    *("difference_with", "low_with", "high_with", "slope", "slope_low", "slope_high"),
    *("slope_per_sd", "slope_per_sd_low", "slope_per_sd_high"),
)

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
    """Every pair of woods without and with each covariate, and what a figure draws.

    Attributes
    ----------
    table : the table "covariates"; one row a feature, covariate and pair of woods.
    points : feature, covariate, wood, source, x (the covariate), value (the feature in its own
        unit, batch effects taken off where there is a line).
    lines : feature, covariate, wood, x, value, low, high: the wood's line with the common slope
        over the range of its own sources, and Student's interval of the line.
    """

    table: pd.DataFrame
    points: pd.DataFrame
    lines: pd.DataFrame


@dataclass(frozen=True)
class Quantity:
    """What a covariate is.

    Attributes
    ----------
    short : a note of a word or two, for sentences: "stiffness".
    exact : a note of what it is exactly, for axes: "Young's modulus along the board".
    unit : "" when none is known.
    """

    short: str
    exact: str
    unit: str


@dataclass(frozen=True)
class _Case:
    """One feature and covariate: its sources, and those of them that are compared."""

    feature: Feature
    covariate: str
    quantity: Quantity
    units: pd.DataFrame  # wood, source, x, y
    compared: tuple[str, ...]
    inside: pd.DataFrame  # units of the woods that are compared
    model: WoodModel | None
    complete: bool
    fit: CovariateFit | None
    left_out: int


def analyse_covariates(
    comparison,
    specimens: pd.DataFrame,
    specimen_features: pd.DataFrame | None = None,
    *,
    woods: Sequence[str],
    features: Sequence[str],
    covariates: Sequence[str] | None = None,
    confidence: float = 0.95,
) -> Covariates:
    """Compare each pair of woods without and with each covariate.

    Parameters
    ----------
    comparison : `stats.compare.Comparison`, of which `mount_means` and `coverage` are read.
    specimens, specimen_features, covariates : see `covariate_values`.
    woods : woods in the order of the tables.
    features : features to compare, as a rule the primary ones. One that was not measured has no
        rows; one whose woods may not be compared has rows with the reason.
    confidence : in (0, 1), for all pairs of a feature and covariate together.

    Raises
    ------
    InputError : an unknown feature or covariate, two values for one specimen.
    """
    values = covariate_values(specimens, specimen_features, covariates=covariates)
    means = comparison.mount_means
    means = means[(means["role"].fillna("") == "") & means["wood"].isin(list(woods))]
    refused = design.not_compared(comparison.coverage)
    rows: list[dict] = []
    points, lines = [], []
    for name in dict.fromkeys(features):
        feature = register.find(name)
        boards = _board_means(means[means["feature"] == name], feature)
        if boards.empty:
            continue
        for covariate in values.columns:
            if covariate == name:
                continue
            case = _case(feature, covariate, boards, values[covariate], woods)
            why = note("covariates.not_compared", reason=refused[name]) if name in refused else ""
            rows += _rows(case, woods, confidence, why)
            if not why:
                points.append(_points(case))
                lines += _lines(case, confidence)
    return Covariates(
        tables.typed("covariates", rows),
        _joined(points, POINT_COLUMNS),
        _joined(lines, LINE_COLUMNS),
    )


def _joined(frames: Iterable[pd.DataFrame], columns: Sequence[str]) -> pd.DataFrame:
    frames = [frame for frame in frames if not frame.empty]
    if not frames:
        return pd.DataFrame(columns=list(columns))
    return pd.concat(frames, ignore_index=True)[list(columns)]


# ------------------------------------------------------------------ values of the covariates


def covariate_quantity(name: str) -> Quantity:
    """What a covariate is, from the register or from the end of its column's name.

    A column "ring_width_mm" is "ring width" in mm; one without a known unit is called by its
    whole name.
    """
    if register.is_known(name):
        exact, unit = note("covariates.quantity", name=name), register.find(name).unit
        unit = "" if unit == "1" else unit
    else:
        ends = (end for end in _UNITS if name.endswith(end) and len(name) > len(end))
        end = next(ends, "")
        plain = name.removesuffix(end).replace("_", " ") if end else name
        unit = _UNITS.get(end, "")
        exact = note(_SHORT[name]) if name in _SHORT else note("covariates.column", name=plain)
    return Quantity(note(_SHORT[name]) if name in _SHORT else exact, exact, unit)


def covariate_values(
    specimens: pd.DataFrame,
    specimen_features: pd.DataFrame | None = None,
    *,
    covariates: Sequence[str] | None = None,
) -> pd.DataFrame:
    """One row a specimen, one column a covariate; what is not known is NaN.

    Parameters
    ----------
    specimens : as from `Study.specimen_table`: every numeric column is a covariate.
    specimen_features : further covariates, rows specimen, covariate, value; at most one row a
        specimen and covariate. Specimens that the sheet does not hold are left out.
    covariates : names to keep, in this order; all that have a value when left out.

    Raises
    ------
    InputError : an unknown name in `covariates`, or two values for one specimen.
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
    values = values.where(np.isfinite(values))
    if covariates is None:
        return values.dropna(axis=1, how="all")
    for name in covariates:
        if name not in values.columns:
            raise InputError(
                note("covariates.unknown", name=name, nearest=nearest(name, tuple(values.columns)))
            )
    return values[list(covariates)]


def _wide(rows: pd.DataFrame, *, taken: Sequence[str]) -> pd.DataFrame:
    twice = rows.duplicated(["specimen", "covariate"]) | rows["covariate"].isin(list(taken))
    if twice.any():
        first = rows[twice].iloc[0]
        told = {name: str(first[name]) for name in ("specimen", "covariate")}
        raise InputError(note("covariates.two_values", **told))
    order = list(dict.fromkeys(rows["covariate"]))
    wide = rows.pivot(index="specimen", columns="covariate", values="value")
    return wide[order].astype("float64")


# ------------------------------------------------------------------ one feature and covariate


def _board_means(mounts: pd.DataFrame, feature: Feature) -> pd.DataFrame:
    """wood, source, specimen, y and one column a batch: the part of the mean measured there."""
    y = scales.analysis_values(mounts["value"].to_numpy(float), np.full(len(mounts), feature.scale))
    batches = pd.get_dummies(mounts["batch"], dtype=float).add_prefix("batch ")
    rows = pd.concat([mounts[["wood", "source", "specimen"]].assign(y=y), batches], axis=1)
    return rows.groupby(["wood", "source", "specimen"], sort=True).mean().reset_index()


def _case(
    feature: Feature, covariate: str, boards: pd.DataFrame, x: pd.Series, woods: Sequence[str]
) -> _Case:
    """Sources, their covariate, and the model of the woods that have enough of them."""
    batches = boards.columns.difference(["wood", "source", "specimen", "y"])
    boards = boards.assign(x=boards["specimen"].map(x))
    known = boards[boards["x"].notna()]
    units = known.drop(columns="specimen").groupby(["wood", "source"], sort=True).mean()
    units = units.reset_index()
    rank = pd.Index(woods).get_indexer(units["wood"])
    units = units.iloc[np.argsort(rank, kind="stable")].reset_index(drop=True)
    counts = units["wood"].value_counts()
    compared = tuple(wood for wood in woods if counts.get(wood, 0) >= SMALLEST)
    inside = units[units["wood"].isin(list(compared))].reset_index(drop=True)
    model, fit, complete = None, None, True
    if len(compared) > 1:
        group = pd.Index(compared).get_indexer(inside["wood"])
        shares = inside[list(batches)].to_numpy(float)
        shares = shares[:, shares.sum(axis=0) > 0]
        block = has_block(group, shares)
        model = wood_model(group, shares, block=block)
        complete = (shares.shape[1] < 2 or block) and not model.dropped
        fit = fit_covariate(model, inside["y"].to_numpy(float), inside["x"].to_numpy(float))
    quantity = covariate_quantity(covariate)
    return _Case(
        *(feature, covariate, quantity, units, compared, inside, model, complete, fit),
        left_out=len(boards) - len(known),
    )


def _within_sd(units: pd.DataFrame) -> float:
    """Spread of the covariate between the sources of one wood, pooled over the woods."""
    grouped = units.groupby("wood")["x"]
    squares = float(((units["x"] - grouped.transform("mean")) ** 2).sum())
    return math.sqrt(squares / (len(units) - grouped.ngroups))


def _overlap(units: pd.DataFrame, wood_a: str, wood_b: str) -> float:
    """Part of the sources of two woods inside the range of x that both share; NaN without any."""
    a, b = (units.loc[units["wood"] == wood, "x"] for wood in (wood_a, wood_b))
    if a.empty or b.empty:
        return _NAN
    low, high = max(a.min(), b.min()), min(a.max(), b.max())
    return float((a.between(low, high).sum() + b.between(low, high).sum()) / (len(a) + len(b)))


def _points(case: _Case) -> pd.DataFrame:
    """feature, covariate, wood, source, x, value: the sources, batch effects taken off."""
    units = case.units.copy()
    if case.fit is not None:
        units.loc[units["wood"].isin(list(case.compared)), "y"] = case.fit.shown()
    return units.assign(
        feature=case.feature.name,
        covariate=case.covariate,
        value=scales.reported_values(units["y"], case.feature),
    )


def _lines(case: _Case, confidence: float) -> list[pd.DataFrame]:
    """One frame a compared wood: its line over the range of its own sources, with interval."""
    if case.fit is None:
        return []
    out = []
    for number, wood in enumerate(case.compared):
        own = case.inside.loc[case.inside["wood"] == wood, "x"]
        x = np.linspace(own.min(), own.max(), _LINE_POINTS)
        mean, se = case.fit.line(number, x)
        half = special.stdtrit(case.fit.df, 0.5 + confidence / 2) * se
        ends = {
            key: scales.reported_values(pd.Series(y).clip(upper=LARGEST), case.feature)
            for key, y in (("value", mean), ("low", mean - half), ("high", mean + half))
        }
        out.append(
            pd.DataFrame({"x": x, **ends}).assign(
                feature=case.feature.name, covariate=case.covariate, wood=wood
            )
        )
    return out


# ------------------------------------------------------------------ rows of the table


def _rows(case: _Case, woods: Sequence[str], confidence: float, refused: str) -> list[dict]:
    rows = []
    for wood_a, wood_b in combinations(woods, 2):
        row: dict = dict.fromkeys(tables.TABLES["covariates"].of_type("number"), _NAN)
        row.update(
            feature=case.feature.name,
            covariate=case.covariate,
            wood_a=wood_a,
            wood_b=wood_b,
            unit=case.feature.difference_unit,
            n_a=int((case.units["wood"] == wood_a).sum()),
            n_b=int((case.units["wood"] == wood_b).sum()),
            overlap=_overlap(case.units, wood_a, wood_b),
            slope_unit="",
            covariate_unit=case.quantity.unit,
            left_out=case.left_out,
        )
        if not refused and {wood_a, wood_b} <= set(case.compared) and case.model is not None:
            row.update(_numbers(case, wood_a, wood_b, confidence))
        why = refused or _why_no_fit(case, min(row["n_a"], row["n_b"]))
        row["note"] = several([why, *_remarks(case, row, why, confidence)])
        rows.append(row)
    return rows


def _numbers(case: _Case, wood_a: str, wood_b: str, confidence: float) -> dict:
    """Both differences, and the slope, as reported."""
    model, k, fit = case.model, case.model.k, case.fit
    a, b = case.compared.index(wood_a), case.compared.index(wood_b)
    y = case.inside["y"].to_numpy(float)
    weights = model.contrast(a, b)
    plain = float(weights @ y)
    se = math.sqrt(max(model.pooled_variance(y), 0.0) * float(weights @ weights))
    se = se if se > 1e-12 * max(1.0, float(np.max(np.abs(y)))) else _NAN
    ends = simultaneous(plain, se, k, model.df, confidence=confidence)
    sd = _within_sd(case.inside)
    out = {"within_sd": sd, **_reported(case.feature, _WITHOUT, (plain, *ends))}
    if fit is None:
        return out
    difference, se = fit.difference(a, b)
    ends = simultaneous(difference, se, k, fit.df, confidence=confidence)
    half = special.stdtrit(fit.df, 0.5 + confidence / 2) * fit.slope_se
    slope = np.array([fit.slope, fit.slope - half, fit.slope + half])
    step = 10.0 ** math.floor(math.log10(sd))
    per = case.quantity.unit or f"of {say(case.quantity.short)}"
    return {
        **out,
        **_reported(case.feature, _WITH, (difference, *ends, *slope * step, *slope * sd)),
        "slope_unit": f"{case.feature.difference_unit} per {exact(step)} {per}",
        "df": fit.df,
        "p_slopes_differ": fit.p_slopes_differ,
    }


def _reported(feature: Feature, names: Iterable[str], numbers: Iterable[float]) -> dict[str, float]:
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
        return note("covariates.few_sources", smallest=SMALLEST, held=held)
    if case.fit is not None or case.model is None:
        return ""
    if case.model.df - 1 < 1:
        return note("covariates.no_freedom")
    rounding = 1e-9 * max(float(x.abs().max()), 1e-300)
    if np.ptp(x) <= rounding:
        return note("covariates.same_for_all", held=held)
    if x.groupby(case.inside["wood"]).agg(np.ptp).max() <= rounding:
        return note("covariates.same_in_wood", held=held)
    return note("covariates.only_between_batches", held=held)


def _remarks(case: _Case, row: dict, why: str, confidence: float) -> Iterator[str]:
    """What to keep in mind with the numbers of a pair."""
    held, fitted = case.quantity.short, math.isfinite(row["difference_with"])
    if row["overlap"] == 0 and not why:
        yield note("covariates.no_overlap", held=held)
    elif row["overlap"] < LITTLE_OVERLAP and not why:
        yield note("covariates.little_overlap", held=held, overlap=row["overlap"])
    if fitted and row["df"] < FEW_DF:
        yield note(
            "covariates.guess" if row["df"] < GUESS_DF else "covariates.few_df", df=row["df"]
        )
    if fitted and not math.isfinite(row["low_with"]):
        yield note("covariates.no_interval")
    if row["p_slopes_differ"] < 1 - confidence:
        yield note("covariates.slopes_differ", held=held)
    if row["left_out"]:
        yield note("covariates.left_out", boards=row["left_out"], held=held)
    if not case.complete and math.isfinite(row["difference_without"]):
        yield note("covariates.confounded")
