"""The second column beside the wood, in words and tables.

Functions: `beside_sentences`, `cells_table`, `beside_table`.
"""

from __future__ import annotations

import math

import pandas as pd

from studylib.report.summary import Summary
from studylib.words.numbers import between, signed

NONE = (
    "study.toml names no second column. To hold one equal (finish, thickness class, maker), write "
    "it into specimens.csv and its name under [study] beside."
)


def beside_sentences(summary: Summary) -> list[str]:
    """What was held equal, or why it could not be."""
    found = summary.checks.beside
    if found is None:
        return [NONE]
    if found.confounded:
        return [found.confounded]
    said = []
    if found.table["difference"].notna().any():
        said.append(
            f"Woods with {found.name} held equal, and {found.name} with the wood held equal, in "
            "the mixed model of the takes. It decides nothing: the verdicts are those of the woods "
            "alone."
        )
    notes = found.table[found.table["note"] != ""]
    for note, own in notes.groupby("note", sort=False):
        said.append(f"{', '.join(dict.fromkeys(own['feature']))}: {note}.")
    return said


def cells_table(summary: Summary) -> pd.DataFrame:
    """Boards of each wood in each group of the second column."""
    found = summary.checks.beside
    if found is None:
        return pd.DataFrame()
    return found.cells.rename_axis(index="wood", columns=None).reset_index()


def beside_table(summary: Summary) -> pd.DataFrame:
    """Differences with the other column held equal; for woods the plain one beside."""
    found = summary.checks.beside
    rows = []
    for row in (found.table if found is not None else pd.DataFrame()).itertuples():
        if not math.isfinite(row.difference):
            continue
        plain = row.difference_without
        rows.append(
            {
                "feature": row.feature,
                "column": row.column,
                "pair": f"{row.b} minus {row.a}",
                "held equal": f"{signed(row.difference, row.low, row.high)} {row.unit}",
                "interval": between(row.low, row.high, row.unit),
                "p": "below 0.001" if row.p < 0.001 else f"{row.p:.3f}",
                "df": f"{row.df:.1f}",
                "not held equal": f"{signed(plain, row.low, row.high)} {row.unit}"
                if math.isfinite(plain)
                else "",
            }
        )
    columns = ["feature", "column", "pair", "held equal", "interval", "p", "df", "not held equal"]
    return pd.DataFrame(rows, columns=columns)
