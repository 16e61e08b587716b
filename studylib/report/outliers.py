"""What stands out, in words and tables; nothing is removed.

Functions: `outlier_sentences`, `outliers_table`, `without_table`.
"""

from __future__ import annotations

import pandas as pd

from studylib.report.summary import Summary
from studylib.stats.outliers import OUTLIER
from studylib.words.numbers import between, counted, rounded, signed

_LEVELS = {
    "source": "board or plank within its wood",
    "specimen": "board within its plank",
    "mount": "mount within its board",
    "take": "take within its mount",
}


def outlier_sentences(summary: Summary) -> list[str]:
    """How many looks were taken, what stands out, and what that asks for."""
    checks = summary.checks
    if not checks.looks:
        return ["There are too few boards, mounts and takes to hold any of them against the rest."]
    found, number = checks.outliers, len(checks.outliers)
    said = [
        f"{counted(checks.looks, 'test')} on the primary features (ISO 5725-2: Grubbs within each "
        "wood, Cochran for mounts and takes). By chance about one in twenty points at something: "
        f"here {rounded(0.05 * checks.looks, digits=2)} to be expected, {number} found."
    ]
    if not number:
        return [*said, "Nothing stands out."]
    strong = int((found["verdict"] == OUTLIER).sum())
    said.append(
        f"{counted(number, 'item')} {'stands' if number == 1 else 'stand'} out, {strong} of them "
        "beyond the 1 % point. Nothing was removed. Look for a cause in the notes and the "
        "recordings: a board is a real board until a fault is found, and its number alone is no "
        "fault. With a fault found, exclude the takes in takes.csv and say why."
    )
    changed = checks.without[checks.without["changes"]]
    if changed.empty:
        return [*said, "No verdict on a primary feature changes without any one of them."]
    for (feature, item), own in changed.groupby(["feature", "without"], sort=False):
        pairs = "; ".join(
            f"{r.wood_b} against {r.wood_a}: {r.verdict}, without it {r.verdict_without}"
            for r in own.itertuples()
        )
        said.append(f"{feature} hangs on {item}: {pairs}. Say so when you tell the result.")
    return said


def outliers_table(summary: Summary) -> pd.DataFrame:
    """What stands out: level, item, test, statistic against its 5 % and 1 % points."""
    rows = [
        {
            "feature": row.feature,
            "what": row.item,
            "wood": row.wood,
            "level": _LEVELS[row.level],
            "test": row.test,
            "statistic": rounded(row.statistic),
            "5 % point": rounded(row.critical),
            "1 % point": rounded(row.critical_1),
            "verdict": row.verdict,
        }
        for row in summary.checks.outliers.itertuples()
    ]
    columns = ["feature", "what", "wood", "level", "test", "statistic", "5 % point", "1 % point"]
    return pd.DataFrame(rows, columns=[*columns, "verdict"])


def without_table(summary: Summary) -> pd.DataFrame:
    """Effects with and without each item that stands out, side by side."""
    rows = [
        {
            "feature": row.feature,
            "pair": f"{row.wood_b} minus {row.wood_a}",
            "with all": _said(row.difference, row.low, row.high, row.unit),
            "verdict": row.verdict,
            "left out": row.without,
            "without it": _said(
                row.difference_without, row.low_without, row.high_without, row.unit
            ),
            "verdict without it": row.verdict_without,
        }
        for row in summary.checks.without.itertuples()
    ]
    columns = ["feature", "pair", "with all", "verdict", "left out", "without it"]
    return pd.DataFrame(rows, columns=[*columns, "verdict without it"])


def _said(difference: float, low: float, high: float, unit: str) -> str:
    return f"{signed(difference, low, high)} {unit} ({between(low, high, unit)})"
