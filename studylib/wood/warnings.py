"""What a person should look at before trusting the wood's numbers.

Functions: `wood_warnings`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from studylib.codes import each, has, note
from studylib.codes.wood import WoodReason, WoodWarning
from studylib.sheets import Study
from studylib.wood import beams
from studylib.wood.bar import bar_of, missing_sizes

DENSITIES = (100.0, 1400.0)
"""kg/m3 beyond which a size or the mass was probably mistyped: balsa to the heaviest woods (common
practice, no source)."""

MOISTURE_APART_PCT = 1.0
"""Percent points between woods' mean moisture that are worth a warning (a stated choice)."""

_MODULUS = "wood.youngs_modulus_gpa"


def wood_warnings(study: Study, wood: pd.DataFrame) -> list[str]:
    """Notes of missing sizes, odd densities, moisture, a mass left on, and stiffness left open.

    Parameters
    ----------
    wood : as `study_wood.wood_table` gives it.

    Returns
    -------
    list of notes, see `codes.wood.WoodWarning`.
    """
    return [
        *_sizes(study),
        *_densities(wood),
        *_attached(study, wood),
        *_moisture(study),
        *_readings(wood),
    ]


def _sizes(study: Study) -> Iterator[str]:
    missing = {s.specimen: missing_sizes(s) for s in study.specimens}
    lacking = [{"name": name, "missing": sizes} for name, sizes in missing.items() if sizes]
    if lacking and len(lacking) == len(study.specimens):
        yield WoodWarning.NO_SIZES_AT_ALL
    elif lacking:
        yield note(WoodWarning.SOME_SIZES_MISSING, boards=lacking)


def _densities(wood: pd.DataFrame) -> Iterator[str]:
    density = wood[wood["quantity"] == "wood.density_kg_m3"].dropna(subset=["value"])
    low, high = DENSITIES
    for row in density[(density["value"] < low) | (density["value"] > high)].itertuples():
        yield note(WoodWarning.ODD_DENSITY, board=row.specimen, density=row.value)


def _attached(study: Study, wood: pd.DataFrame) -> Iterator[str]:
    grams = study.settings.wood.attached_g
    stiff = wood[(wood["quantity"] == _MODULUS) & wood["value"].notna()]
    if not grams or stiff.empty:
        return
    specimen = min(map(study.specimen, stiff["specimen"]), key=lambda one: one.mass_g)
    bar = bar_of(specimen, study.settings.wood)
    share = beams.modulus_share(
        grams / specimen.mass_g, 1.0, slenderness=bar.slenderness,
        shear_ratio=study.settings.wood.shear_ratio,
    )  # fmt: skip
    yield note(
        WoodWarning.MASS_LOWERS, grams=grams, board=specimen.specimen, board_g=specimen.mass_g,
        frequency_share=1.0 - np.sqrt(1.0 - share), modulus_share=share,
    )  # fmt: skip


def _moisture(study: Study) -> Iterator[str]:
    plain = [specimen for specimen in study.specimens if specimen.role == ""]
    given: dict[str, list[float]] = {}
    for specimen in plain:
        if specimen.moisture_pct is not None:
            given.setdefault(specimen.wood, []).append(specimen.moisture_pct)
    without = [specimen.specimen for specimen in plain if specimen.moisture_pct is None]
    if given and without:
        yield note(WoodWarning.MOISTURE_UNKNOWN, boards=without)
    mean = {wood: float(np.mean(values)) for wood, values in given.items()}
    if len(mean) > 1 and max(mean.values()) - min(mean.values()) > MOISTURE_APART_PCT:
        woods = [{"name": wood, "percent": value} for wood, value in mean.items()]
        yield note(WoodWarning.MOISTURE_DIFFERS, woods=woods)


def _readings(wood: pd.DataFrame) -> Iterator[str]:
    for row in wood[(wood["quantity"] == _MODULUS) & wood["value"].isna()].itertuples():
        if has(row.note, WoodReason.TWO_READINGS, WoodReason.NOTHING_FITS):
            yield note(WoodWarning.READING, board=row.specimen, notes=each(row.note))
