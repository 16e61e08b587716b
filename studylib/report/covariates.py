"""Is it the wood, or just its density? What the reader is told about properties held equal.

The table of `stats.covariates` as a short table and one paragraph a feature and property. Nothing
here is a verdict: the numbers stand beside those of the table of effects.

Intervals hold for the pairs of woods of one feature and property. A sentence on what remains or how
slopes differ is one of many, and is said at the study's confidence over all that are shown
(`families.over_features`); "shown to differ as they are", over the features. Nothing is called no
reason where the errors of the property are not known.

Functions: `about_covariates`, `covariates_table`, `covariate_notes`, `shown_covariates`.
"""

import math
from collections.abc import Sequence

import numpy as np
import pandas as pd

from studylib import codes, register
from studylib.stats.covariates import Covariates, covariate_quantity
from studylib.stats.families import over_features
from studylib.words.numbers import between, fixed, percent, with_sign

TABLE_COLUMNS = (
    *("feature", "held equal", "pair", "without", "interval without", "with", "interval with"),
    *("covariates.h_slope", "overlap", "covariates.h_df", "boards", "remark"),
)
FIRST, MOST_SHOWN = ("wood.density_kg_m3", "wood.youngs_modulus_gpa", "thickness_mm", "mass_g"), 3
_ENDS = tuple(
    f"{part}_{which}" for which in ("with", "without") for part in ("difference", "low", "high")
)


def about_covariates(found: Covariates) -> list[str]:
    """What the comparison with a property held equal is, and what it cannot say."""
    if found.table.empty:
        return [codes.note("covariates.nothing")]
    told = int(_chosen(found.table, None)["p_with"].count())
    return [
        "covariates.about",
        "covariates.intervals",
        codes.note("covariates.family", comparisons=told, confidence=found.confidence),
        "covariates.cannot_say",
    ]


def covariates_table(found: Covariates, *, covariates: Sequence[str] | None = None) -> pd.DataFrame:
    """Differences without and with a property held equal, one row a feature, property and pair.

    Parameters
    ----------
    covariates : properties to show; density, stiffness and thickness, or the nearest to them,
        when left out. All are in tables/covariates.csv.
    """
    rows = [
        (
            row.feature,
            covariate_quantity(row.covariate).short,
            f"{row.wood_b} minus {row.wood_a}",
            *with_sign(row.difference_without, row.low_without, row.high_without, row.unit),
            *with_sign(row.difference_with, row.low_with, row.high_with, row.unit),
            _slope(row),
            percent(row.overlap),
            fixed(row.df),
            f"{row.n_b} and {row.n_a}",
            row.note,
        )
        for row in _chosen(found.table, covariates).itertuples()
    ]
    return pd.DataFrame(rows, columns=list(TABLE_COLUMNS))


def covariate_notes(found: Covariates, *, covariates: Sequence[str] | None = None) -> list[str]:
    """One paragraph a feature and property: with and without, overlap, slope, how far to trust it.

    Parameters
    ----------
    covariates : as for `covariates_table`.
    """
    table = _chosen(found.table, covariates)
    if table.empty:
        return [codes.note("covariates.nothing")]
    cases = _over_all(table).groupby(["feature", "covariate"], sort=False)
    return [_paragraph(rows, 1 - found.confidence) for _, rows in cases]


def shown_covariates(table: pd.DataFrame) -> tuple[str, ...]:
    """The properties that tell most, at most `MOST_SHOWN`: density, stiffness, thickness and
    mass first.

    Properties that could be held equal for no pair of woods come last.
    """
    fitted = set(table.loc[table["difference_with"].notna(), "covariate"])
    rank = {name: i for i, name in enumerate(FIRST)}
    names = sorted(
        dict.fromkeys(table["covariate"]),
        key=lambda name: (name not in fitted, rank.get(name, len(FIRST))),
    )
    return tuple(names[:MOST_SHOWN])


def _chosen(table: pd.DataFrame, covariates: Sequence[str] | None) -> pd.DataFrame:
    names = list(covariates or shown_covariates(table))
    rows = table[table["covariate"].isin(names)]
    keys = [pd.Index(names).get_indexer(rows["covariate"]), pd.factorize(rows["feature"])[0]]
    return rows.iloc[np.lexsort(keys)]


def _over_all(table: pd.DataFrame) -> pd.DataFrame:
    """The rows that are shown, with each p as one of its family."""
    table, pairs = table.copy(), table.groupby(["wood_a", "wood_b"]).ngroups
    # Without a property every property has the same test, but for boards that are left out.
    alike = [own for _, own in table.groupby("covariate")]
    for column, families in (
        ("p_with", [table]), ("p_slopes_differ", [table]), ("p_without", alike)
    ):  # fmt: skip
        for own in families:
            p = own[column].to_numpy(float, copy=True).reshape(-1, pairs)
            known = np.isfinite(p).any(axis=1)
            p[known] = over_features(p[known])
            table.loc[own.index, column] = p.ravel()
    return table


def _paragraph(rows: pd.DataFrame, alpha: float) -> str:
    feature, covariate = rows.iloc[0][["feature", "covariate"]]
    held = covariate_quantity(covariate).short
    known = rows[rows["difference_with"].notna()]
    if known.empty:
        parts = [codes.note("covariates.no_answer", pair=None, why=rows["note"].iloc[0])]
    else:
        parts = _parts(known, rows[rows["difference_with"].isna()], held, alpha)
        parts += [
            codes.note("covariates.caution", caution=caution)
            for caution in register.find(feature).cautions
        ]
    return codes.note("covariates.paragraph", name=feature, held=held, parts=parts)


def _parts(known: pd.DataFrame, missing: pd.DataFrame, held: str, alpha: float) -> list[str]:
    """Both differences of each pair, what holding equal did to them, and the slope."""
    pairs = known[["wood_a", "wood_b", *_ENDS]].to_dict("records")
    near = [(_outcome(row, alpha), _pair(row)) for row in known[known["overlap"] > 0].itertuples()]
    apart = [_pair(row) for row in known[known["overlap"] == 0].itertuples()]
    return [
        codes.note("covariates.pairs", pairs=pairs, unit=known["unit"].iloc[0]),
        *(
            codes.note(
                "covariates.outcome",
                outcome=outcome,
                held=held,
                pairs=[pair for one, pair in near if one == outcome],
            )
            for outcome in dict.fromkeys(outcome for outcome, _ in near)
        ),
        *[codes.note("covariates.apart", held=held, pairs=apart)] * bool(apart),
        *(
            codes.note("covariates.no_answer", pair=_pair(row), why=row.note)
            for row in missing.itertuples()
        ),
        _slope_note(next(known.itertuples()), held, alpha),
    ]


def _pair(row) -> dict[str, str]:
    return {"wood_a": row.wood_a, "wood_b": row.wood_b}


def _outcome(row, alpha: float) -> str:
    before, after = row.p_without <= alpha, row.p_with <= alpha
    same = row.difference_without * row.difference_with > 0
    return codes.holding(
        (not np.isfinite([row.p_without, row.p_with]).all(), "covariates.without_interval"),
        (before and not after, "covariates.gone"),
        (not after, "covariates.neither"),
        (math.isnan(row.reliability), "covariates.errors_unknown"),
        (not before, "covariates.appears"),
        (same, "covariates.stays"),
        (True, "covariates.turned"),
    )[0]


def _slope_note(row, held: str, alpha: float) -> str:
    """The slope within the woods, and what is known of errors in the property."""
    return codes.note(
        "covariates.slope",
        held=held,
        slope=row.slope if math.isfinite(row.slope) else None,
        low=row.slope_low,
        high=row.slope_high,
        unit=row.unit,
        slope_unit=row.slope_unit,
        flat=row.slope_low <= 0 <= row.slope_high,
        p=row.p_slopes_differ if row.p_slopes_differ <= alpha else None,
        left_out=row.left_out,
        reliability=row.reliability if math.isfinite(row.reliability) else None,
    )


def _slope(row) -> str:
    slope, _ = with_sign(row.slope, row.slope_low, row.slope_high, row.slope_unit)
    return (
        f"{slope} ({between(row.slope_low, row.slope_high, row.unit)})"
        if math.isfinite(row.slope)
        else slope
    )
