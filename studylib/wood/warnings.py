"""What a person should look at before trusting the wood's numbers.

Functions: `wood_warnings`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from studylib.sheets import Study
from studylib.wood import attached
from studylib.wood.bar import bar_of, missing_sizes
from studylib.words.text import listed

DENSITIES = (100.0, 1400.0)
"""kg/m3 beyond which a size or the mass was probably mistyped: balsa to the heaviest woods (common
practice, no source)."""

MOISTURE_APART_PCT = 1.0
"""Percent points between woods' mean moisture that are worth a warning (a stated choice)."""

_MODULUS = "wood.youngs_modulus_gpa"


def wood_warnings(study: Study, wood: pd.DataFrame) -> list[str]:
    """Sentences about sizes, odd densities, moisture and a mass left on the boards.

    Parameters
    ----------
    wood : as `study_wood.wood_table` gives it.
    """
    return [
        *_sizes(study),
        *_densities(wood),
        *_attached(study, wood),
        *_moisture(study),
        *_readings(wood),
    ]


def _sizes(study: Study) -> Iterator[str]:
    lacking = {s.specimen: missing_sizes(s) for s in study.specimens if missing_sizes(s)}
    if lacking and len(lacking) == len(study.specimens):
        yield (
            "specimens.csv gives no board a full set of length, width, thickness and mass, so "
            "neither density nor stiffness can be told."
        )
    elif lacking:
        boards = listed(f"{name} (no {listed(sizes)})" for name, sizes in lacking.items())
        yield f"Density and stiffness cannot be told for {boards}: see specimens.csv."


def _densities(wood: pd.DataFrame) -> Iterator[str]:
    density = wood[wood["quantity"] == "wood.density_kg_m3"].dropna(subset=["value"])
    low, high = DENSITIES
    for row in density[(density["value"] < low) | (density["value"] > high)].itertuples():
        yield (
            f"{row.specimen} has a density of {row.value:.0f} kg/m3, which no wood has; look at "
            "its sizes and mass in specimens.csv."
        )


def _attached(study: Study, wood: pd.DataFrame) -> Iterator[str]:
    grams = study.settings.wood.attached_g
    stiff = wood[wood["quantity"] == _MODULUS].dropna(subset=["value"])
    if not grams or stiff.empty:
        return
    lightest = min(stiff["specimen"], key=lambda name: study.specimen(name).mass_g)
    specimen = study.specimen(lightest)
    bar = bar_of(specimen, study.settings.wood)
    ratio = study.settings.wood.shear_ratio
    share = attached.modulus_share(
        grams / specimen.mass_g, 1.0, slenderness=bar.slenderness, shear_ratio=ratio
    )
    yield (
        f"{grams:g} g were left on the boards while they were tapped free. At a board's end this "
        f"lowers the first mode of {lightest} ({specimen.mass_g:g} g, the lightest) by "
        f"{100 * (1 - np.sqrt(1 - share)):.1f} % and Young's modulus by {100 * share:.0f} %, less "
        "elsewhere on the board. It was not taken off again: tap the boards bare."
    )


def _moisture(study: Study) -> Iterator[str]:
    given: dict[str, list[float]] = {}
    without = []
    for specimen in study.specimens:
        if specimen.role == "" and specimen.moisture_pct is not None:
            given.setdefault(specimen.wood, []).append(specimen.moisture_pct)
        elif specimen.role == "":
            without.append(specimen.specimen)
    mean = {wood: float(np.mean(values)) for wood, values in given.items()}
    if given and without:
        yield f"specimens.csv gives no moisture content for {listed(without)}."
    if len(mean) > 1 and max(mean.values()) - min(mean.values()) > MOISTURE_APART_PCT:
        said = listed(f"{wood} {value:.1f} %" for wood, value in mean.items())
        yield (
            f"The woods differ in moisture: {said}. Dry wood is lighter, stiffer and less lossy, "
            "so part of a difference between them may be the drying and not the wood."
        )


def _readings(wood: pd.DataFrame) -> Iterator[str]:
    stiff = wood[(wood["quantity"] == _MODULUS) & wood["value"].isna()]
    for row in stiff[stiff["note"].str.contains("read in two ways|in any wood")].itertuples():
        yield f"{row.specimen}: {row.note}."
