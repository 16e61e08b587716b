"""Covariates of the specimens: where their values come from, and what they are called.

A covariate is a number of a specimen beside what is compared: a size, the mass or the moisture of
specimens.csv, any further numeric column there, or a specimen's own feature such as its density.

Functions: `covariate_values`, `covariate_quantity`; `Quantity`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import register
from studylib.errors import InputError
from studylib.words import feature as feature_words
from studylib.words.text import nearest, shown

_MEANINGS = {
    "length_mm": "length",
    "width_mm": "width",
    "thickness_mm": "thickness",
    "mass_g": "mass",
    "moisture_pct": "moisture content",
    "wood.youngs_modulus_gpa": "stiffness",
    "wood.sound_speed_m_s": "speed of sound",
    "wood.impedance_pa_s_m": "impedance",
    "wood.shear_modulus_gpa": "shear stiffness",
}
# Ends of column names that say a unit, the longer ones first.
_UNITS = {
    "_kg_m3": "kg/m3",
    "_gpa": "GPa",
    "_mpa": "MPa",
    "_m_s": "m/s",
    "_pct": "%",
    "_percent": "%",
    "_deg": "deg",
    "_mm": "mm",
    "_cm": "cm",
    "_hz": "Hz",
    "_kg": "kg",
    "_g": "g",
    "_s": "s",
}
_WORDS = ("specimen", "wood", "source", "source_assumed", "role", "note", "grain")


@dataclass(frozen=True)
class Quantity:
    """What a covariate is.

    Attributes
    ----------
    meaning : a word or a few, for sentences: "stiffness".
    exact : what it is exactly, for axes: "Young's modulus along the board".
    unit : "" when none is known.
    """

    meaning: str
    exact: str
    unit: str


def covariate_quantity(name: str) -> Quantity:
    """Meaning and unit of a covariate, from the register or from the end of its column's name.

    A column "ring_width_mm" is "ring width" in mm; one without a known unit is called by its
    whole name.
    """
    if register.is_known(name):
        known = register.find(name)
        unit = "" if known.unit == "1" else known.unit
        exact = feature_words(known.name).partition(":")[0]
        return Quantity(_MEANINGS.get(name, exact), exact, unit)
    for end, unit in _UNITS.items():
        if name.endswith(end) and len(name) > len(end):
            meaning = _MEANINGS.get(name, name.removesuffix(end).replace("_", " "))
            return Quantity(meaning, meaning, unit)
    return Quantity(name, name, "")


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
            near = nearest(name, tuple(values.columns))
            hint = f"; the nearest is {shown(near)}" if near else ""
            raise InputError(f"there is no covariate {shown(name)}{hint}")
    return values[list(covariates)]


def _wide(rows: pd.DataFrame, *, taken: Sequence[str]) -> pd.DataFrame:
    twice = rows.duplicated(["specimen", "covariate"]) | rows["covariate"].isin(list(taken))
    if twice.any():
        first = rows[twice].iloc[0]
        raise InputError(
            f"specimen {shown(str(first['specimen']))} has two values of the covariate "
            f"{shown(str(first['covariate']))}; give one"
        )
    order = list(dict.fromkeys(rows["covariate"]))
    wide = rows.pivot(index="specimen", columns="covariate", values="value")
    return wide[order].astype("float64")
