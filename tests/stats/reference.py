"""Published data sets as tables; each file names its source in its first lines."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import numpy as np
import pandas as pd

FOLDER = Path(__file__).resolve().parents[1] / "reference"


def table(name: str) -> pd.DataFrame:
    """A reference CSV without its comment lines."""
    return pd.read_csv(FOLDER / name, comment="#")


def nist_anova(name: str) -> tuple[np.ndarray, np.ndarray, dict[str, float]]:
    """Treatments 0 .. k-1, responses, and certified values of a NIST StRD ANOVA file."""
    path = FOLDER / "nist_anova" / f"{name}.dat"
    if path.is_file():
        lines = path.read_text(encoding="ascii").splitlines()
    else:  # the large ones are kept packed
        with gzip.open(f"{path}.gz", "rt", encoding="ascii") as file:
            lines = file.read().splitlines()
    # An earlier line that starts with "Data:" describes the data set in words.
    start = max(i for i, line in enumerate(lines) if line.startswith("Data:"))
    data = np.array([line.split() for line in lines[start + 1 :] if line.strip()], dtype=float)
    head = lines[:start]
    between = next(line for line in head if line.startswith("Between"))
    numbers = [float(x) for x in re.findall(r"-?\d+\.\d+E[+-]\d+", between)]
    spread = next(line for line in head if re.match(r"\s+Standard Deviation", line))
    certified = {"ss": numbers[0], "f": numbers[2], "sd": float(spread.split()[-1])}
    return data[:, 0].astype(int) - 1, data[:, 1], certified


def as_features(data: pd.DataFrame, *, feature: str = "tone.h3.rel_db") -> pd.DataFrame:
    """Nested data as rows of the features table.

    `data` has specimen and value, and optionally mount and batch; each row becomes a take.
    """
    rows = data.reset_index(drop=True)
    return pd.DataFrame(
        {
            "id": [f"row {i}" for i in rows.index],
            "take": [f"take {i}" for i in rows.index],
            "batch": rows.get("batch", "one"),
            "specimen": rows["specimen"].astype(str),
            "mount": rows.get("mount", 1),
            "feature": feature,
            "value": rows["value"].astype(float),
            "usable": True,
            "reason": "",
        }
    )


def as_specimens(data: pd.DataFrame) -> pd.DataFrame:
    """One row a specimen: wood ("wood" without one), source (its own without one)."""
    first = data.drop_duplicates("specimen")
    names = first["specimen"].astype(str)
    source = first["source"].astype(str) if "source" in first else names
    wood = first["wood"].astype(str) if "wood" in first else "wood"
    return pd.DataFrame(
        {"specimen": names, "wood": wood, "source": source, "source_assumed": False, "role": ""}
    ).reset_index(drop=True)
