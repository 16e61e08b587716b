"""Is it the wood, or just its density? What the reader is told about properties held equal.

What it does: puts the table of `stats.covariates` into a short table and a few sentences. Nothing
here is a verdict: the numbers stand beside those of the table of effects.

Functions: `covariates_table`, `covariate_sentences`, `about_covariates`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import pandas as pd

from studylib import register
from studylib.figures.covariates import shown_covariates
from studylib.stats.covariate_notes import FEW_DF, GUESS_DF
from studylib.stats.covariate_values import covariate_quantity
from studylib.stats.covariates import Covariates
from studylib.words import feature as feature_words
from studylib.words.numbers import MINUS, MISSING, between, counted, signed
from studylib.words.text import in_short, listed

ABOUT = (
    "Each pair of woods is compared twice on the same boards: as it stands, and with one property "
    "of the boards held equal (analysis of covariance). These numbers stand beside the verdicts "
    "and change none of them.",
    "Both intervals use one spread for all woods and hold for all pairs together (Tukey-Kramer), "
    "so that they can be compared with each other; the table of effects may give each wood a "
    "spread of its own.",
    "What this cannot say: a property that was measured roughly is held equal only in part; of "
    "several properties tried, one may look telling by chance; and density and stiffness are part "
    "of what makes a species, so a difference that they explain is still a difference between "
    "these woods.",
)
NOTHING = (
    "No property of the boards could be held equal: give sizes and mass in specimens.csv, or "
    "record taps of the freely hung boards."
)
DRIVER = (
    "This is a raw level: how hard the driver works and its own distortion are in it, and no "
    "property of the boards that is held equal can take them out."
)
NOISE = "The noise of the room and the recorder is in it, whatever is held equal."
TABLE_COLUMNS = (
    *("feature", "held equal", "pair", "without", "interval without", "with", "interval with"),
    *("slope within a wood", "overlap", "degrees of freedom", "boards", "remark"),
)


def about_covariates(found: Covariates) -> list[str]:
    """What the comparison with a property held equal is, and what it cannot say."""
    return [NOTHING] if found.table.empty else list(ABOUT)


def covariates_table(found: Covariates, *, covariates: Sequence[str] | None = None) -> pd.DataFrame:
    """Differences without and with a property held equal, one row a feature, property and pair.

    Parameters
    ----------
    covariates : properties to show; density, stiffness and thickness, or the nearest to them,
        when left out. All are in tables/covariates.csv.
    """
    rows = []
    for row in _chosen(found.table, covariates).itertuples():
        rows.append(
            {
                "feature": row.feature,
                "held equal": covariate_quantity(row.covariate).meaning,
                "pair": f"{row.wood_b} minus {row.wood_a}",
                "without": _number(row, "without"),
                "interval without": between(row.low_without, row.high_without, row.unit),
                "with": _number(row, "with"),
                "interval with": between(row.low_with, row.high_with, row.unit),
                "slope within a wood": _slope(row),
                "overlap": f"{100 * row.overlap:.0f} %" if math.isfinite(row.overlap) else MISSING,
                "degrees of freedom": f"{row.df:.0f}" if math.isfinite(row.df) else MISSING,
                "boards": f"{row.n_b} and {row.n_a}",
                "remark": row.note,
            }
        )
    return pd.DataFrame(rows, columns=list(TABLE_COLUMNS))


def covariate_sentences(found: Covariates, *, covariates: Sequence[str] | None = None) -> list[str]:
    """One paragraph a feature and property: with and without, overlap, slope, how far to trust it.

    Parameters
    ----------
    covariates : as for `covariates_table`.
    """
    table = _chosen(found.table, covariates)
    if table.empty:
        return [NOTHING]
    return [_paragraph(rows) for _, rows in table.groupby(["feature", "covariate"], sort=False)]


def _chosen(table: pd.DataFrame, covariates: Sequence[str] | None) -> pd.DataFrame:
    names = list(covariates or shown_covariates(table))
    rows = table[table["covariate"].isin(names)]
    place = {name: i for i, name in enumerate(names)}
    order = {name: i for i, name in enumerate(dict.fromkeys(rows["feature"]))}
    keys = pd.DataFrame({"f": rows["feature"].map(order), "c": rows["covariate"].map(place)})
    return rows.loc[keys.sort_values(["f", "c"], kind="stable").index]


def _paragraph(rows: pd.DataFrame) -> str:
    first = next(rows.itertuples())
    feature = re.sub(r"-(?=\d)", MINUS, in_short(feature_words(first.feature)))
    meaning = covariate_quantity(first.covariate).meaning
    start = f"{feature[0].upper()}{feature[1:]}, with {meaning} held equal: "
    known = rows[rows["difference_with"].notna()]
    if known.empty:
        return start + f"no answer; {first.note}."
    apart = known[known["overlap"] == 0]
    said = start + "; ".join(_both(row) for row in known.itertuples()) + "."
    said += _outcomes(known[known["overlap"] > 0], meaning)
    if not apart.empty:
        said += f" {_confounded(apart, meaning)}"
    missing = rows[rows["difference_with"].isna()]
    said += "".join(f" {_names(row)}: no answer; {row.note}." for row in missing.itertuples())
    said += f" {_within(next(known.itertuples()), meaning)}"
    return f"{said} {_caution(first.feature)}".rstrip()


def _caution(feature: str) -> str:
    """What else than the board is in a feature, whatever is held equal."""
    if register.find(feature).driver or register.find(feature).drive_level:
        return DRIVER
    return NOISE if register.find(feature).noise else ""


def _both(row) -> str:
    """The adjusted difference, and the plain one after it."""
    return (
        f"{row.wood_b} minus {row.wood_a} {_number(row, 'with')} "
        f"({between(row.low_with, row.high_with, row.unit)}) instead of {_number(row, 'without')} "
        f"({between(row.low_without, row.high_without, row.unit)})"
    )


def _outcomes(rows: pd.DataFrame, meaning: str) -> str:
    """What holding the property equal did to the pairs whose ranges overlap."""
    by_outcome: dict[str, list[str]] = {}
    for row in rows.itertuples():
        by_outcome.setdefault(_outcome(row, meaning), []).append(_names(row))
    return "".join(f" {text}: {listed(names)}." for text, names in by_outcome.items())


def _outcome(row, meaning: str) -> str:
    before = _excludes_zero(row.low_without, row.high_without)
    after = _excludes_zero(row.low_with, row.high_with)
    if before is None or after is None:
        return "Without an interval nothing more can be said"
    if before and after:
        if (row.low_without > 0) != (row.low_with > 0):
            return f"The sign turns round with {meaning} held equal"
        return f"A difference stays with {meaning} held equal, so {meaning} alone is not the reason"
    if before:
        return (
            f"No longer shown to differ with {meaning} held equal, which does not prove that "
            f"{meaning} is the reason"
        )
    if after:
        return f"Shown to differ only with {meaning} held equal"
    return "Not told apart either way"


def _names(row) -> str:
    return f"{row.wood_b} against {row.wood_a}"


def _excludes_zero(low: float, high: float) -> bool | None:
    if not (math.isfinite(low) and math.isfinite(high)):
        return None
    return low > 0 or high < 0


def _confounded(apart: pd.DataFrame, meaning: str) -> str:
    pairs = listed(_names(row) for row in apart.itertuples())
    return (
        f"But the woods do not overlap in {meaning} ({pairs}): there wood and {meaning} cannot be "
        "told apart in these boards, whatever the numbers say. Boards of both woods with the same "
        f"{meaning} would settle it."
    )


def _within(row, meaning: str) -> str:
    """The slope within the woods, and how far the few boards carry."""
    said = f"Within a wood it changes by {_slope(row)}"
    if math.isfinite(row.slope_low) and row.slope_low <= 0 <= row.slope_high:
        said += ", which is not told apart from no change"
    said += "."
    if row.p_slopes_differ < 0.05:
        said += (
            f" The woods do not seem to share one slope (p = {row.p_slopes_differ:.2g}), so the "
            f"difference depends on the {meaning} at which it is taken."
        )
    if row.left_out:
        said += f" {counted(row.left_out, 'board')} without {meaning} left out on both sides."
    if row.df < FEW_DF:
        weight = "hardly more than a guess" if row.df < GUESS_DF else "rough"
        said += (
            f" With only {counted(round(row.df), 'degree')} of freedom left, the adjusted "
            f"differences are {weight}: there are too few boards for more."
        )
    return said


def _slope(row) -> str:
    if not math.isfinite(row.slope):
        return MISSING
    unit, _, step = row.slope_unit.partition(" per ")
    return (
        f"{signed(row.slope, row.slope_low, row.slope_high)} {unit} per {step} "
        f"({between(row.slope_low, row.slope_high, unit)})"
    )


def _number(row, which: str) -> str:
    value, low, high = (getattr(row, f"{part}_{which}") for part in ("difference", "low", "high"))
    return f"{signed(value, low, high)} {row.unit}" if math.isfinite(value) else MISSING
