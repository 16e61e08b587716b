"""What became of each claim of the study.

    supported      the pair is declared, in the claimed direction
    contradicted   the pair is declared, in the other direction
    open           not declared, not compared, or not measured yet
    boards only    too few sources in a wood

Function: `claims_table`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from studylib import register
from studylib.stats import verdicts

COLUMNS = ("claim", "feature", "verdict", "reason")
NOT_MEASURED = "not measured yet"
RAW = (
    "this is a raw level with the driver's own distortion in it, which by itself says nothing "
    "about the woods"
)


def claims_table(
    claims: Sequence[Mapping[str, str]],
    effects: pd.DataFrame,
    *,
    refused: Mapping[str, str],
    confidence: float,
) -> pd.DataFrame:
    """One row a claim, in the order given.

    Parameters
    ----------
    claims : each with text, feature, higher, lower.
    effects : rows of effects.csv.
    refused : features not compared, with the reason (stats.coverage.not_compared).
    """
    rows = []
    for claim in claims:
        verdict, reason = _judge(claim, effects, refused, confidence)
        rows.append((claim["text"], claim["feature"], verdict, reason))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _judge(claim, effects, refused, confidence) -> tuple[str, str]:
    higher, lower = claim["higher"], claim["lower"]
    if claim["feature"] in refused:
        return verdicts.OPEN, refused[claim["feature"]]
    of_feature = effects[effects["feature"] == claim["feature"]]
    if of_feature.empty:
        return verdicts.OPEN, NOT_MEASURED
    forward = of_feature[(of_feature["wood_a"] == lower) & (of_feature["wood_b"] == higher)]
    backward = of_feature[(of_feature["wood_a"] == higher) & (of_feature["wood_b"] == lower)]
    if forward.empty and backward.empty:
        return verdicts.OPEN, f"{higher} and {lower} are not both woods of this comparison"
    row, sign = (forward.iloc[0], 1) if backward.empty else (backward.iloc[0], -1)
    if row["verdict"] == verdicts.BOARDS_ONLY:
        n_higher, n_lower = (row["n_b"], row["n_a"])[::sign]
        return verdicts.BOARDS_ONLY, (
            f"sources with a usable take: {n_higher} of {higher} and {n_lower} of {lower}, too few "
            "to speak of woods"
        )
    reason = _numbers(row, higher, lower, sign, confidence)
    if register.find(claim["feature"]).driver:
        reason += f"; {RAW}"
    if row["verdict"] not in verdicts.DECLARED:
        return verdicts.OPEN, f"{reason}; {_why_open(row)}"
    if row["verdict"] == verdicts.WITHIN:
        reason += "; the whole interval lies inside the limit"
    in_direction = sign * row["difference"] > 0
    return ("supported" if in_direction else "contradicted"), reason


def _numbers(row, higher, lower, sign, confidence) -> str:
    if row[["difference", "low", "high"]].isna().any():
        return f"no interval for {higher} and {lower}"
    first, second = (lower, higher) if sign > 0 else (higher, lower)
    against = "relative to" if row["unit"] == "%" else "minus"
    return (
        f"{second} {against} {first}: {row['difference']:.3g} {row['unit']} "
        f"({100 * confidence:g} % interval {row['low']:.3g} to {row['high']:.3g}, "
        f"adjusted p {row['p_adjusted']:.2g}, {row['n_a']} sources of {first} and "
        f"{row['n_b']} of {second})"
    )


def _why_open(row) -> str:
    if row["verdict"] == verdicts.SAME:
        return "the two woods are the same within the limit"
    if row["needed"]:
        aim = "the one observed" if pd.isna(row["limit"]) else "the limit"
        return (
            f"not declared; a true difference as large as {aim} would be declared four times out "
            f"of five with {row['needed']} sources a wood"
        )
    return "not declared"
