"""Moisture formulas against the Wood Handbook's printed points and examples."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.wood.moisture import (
    at_moisture,
    density_at_12_percent,
    equilibrium_moisture,
    find_species,
    listed_species,
    to_12_percent,
)
from tests.wood.bars import reference


def test_equilibrium_gives_the_printed_table():
    # Wood Handbook Table 4-2, printed to 0.1 %; see the file for what was read and what recalled.
    table = reference("emc_table_points.csv")
    found = equilibrium_moisture(table["T_C"], table["RH_pct"])
    np.testing.assert_allclose(found, table["EMC_table_pct"], atol=0.05)
    np.testing.assert_allclose(found, table["emc_eq45"], atol=6e-5)


def test_dry_air_dries_wood_and_damp_air_wets_it():
    assert equilibrium_moisture(20.0, 0.0) == 0.0
    assert (np.diff(equilibrium_moisture(20.0, np.arange(5.0, 100.0, 5.0))) > 0).all()


def test_white_ash_strength_at_8_percent_as_printed():
    # Wood Handbook p. 5-34: 103,000 and 66,000 kPa, Mp 24, at 8 %: 119,500 kPa.
    found = at_moisture(103_000, moisture_pct=8, dry_over_green=103 / 66, mp=24)
    assert found == pytest.approx(119_500, abs=50)
    assert to_12_percent(found, moisture_pct=8, dry_over_green=103 / 66, mp=24) == pytest.approx(
        103_000, rel=1e-12
    )


@pytest.mark.parametrize(
    ("name", "moisture", "mpa"),
    # Eq 5-3 with Table 5-3a, computed apart from this library.
    [("white ash", 8, 12_794.69), ("sugar maple", 8, 13_249.90), ("sugar maple", 6, 13_587.32)],
)
def test_modulus_of_listed_woods_at_other_moisture(name, moisture, mpa):
    wood = find_species(name)
    found = at_moisture(
        wood.at_12_mpa, moisture_pct=moisture, dry_over_green=wood.dry_over_green, mp=wood.mp
    )
    assert found == pytest.approx(mpa, rel=1e-6)


def test_wet_wood_is_green_wood():
    wood = find_species("Prunus serotina")
    for moisture in (wood.mp, 60.0):
        found = at_moisture(
            wood.at_12_mpa, moisture_pct=moisture, dry_over_green=wood.dry_over_green, mp=wood.mp
        )
        assert found == pytest.approx(wood.green_mpa)


def test_listed_woods_are_those_of_the_reference():
    table = reference("wood_handbook_species.csv").dropna(subset=["MOE_green_MPa"])
    table = table.set_index("latin")
    for wood in listed_species():
        assert table.loc[wood.latin, "MOE_green_MPa"] == wood.green_mpa
        assert table.loc[wood.latin, "MOE_12_MPa"] == wood.at_12_mpa
        assert (table.loc[wood.latin, "status"] == "recalled") == wood.recalled


def test_only_a_full_name_is_taken():
    assert find_species("larch") is None
    assert find_species("Western LARCH").latin == "Larix occidentalis"


def test_density_at_12_percent():
    # Wood Handbook Eq 4-13 and 4-14: basic specific gravity 0.55 gives 0.60271 and 675.03 at 12 %.
    basic = 0.55
    for moisture in (0.0, 6.0, 12.0, 30.0):
        here = basic / (1 - 0.265 * basic * (1 - moisture / 30))
        density = 1000 * here * (1 + moisture / 100)
        assert density_at_12_percent(density, moisture_pct=moisture) == pytest.approx(
            675.03, abs=0.005
        )
