"""The stiffness of a board that nobody has tapped: published woods, and what is left open."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studylib import tables
from studylib.codes import code_of
from studylib.sheets import Specimen
from studylib.sheets.settings import Wood
from studylib.wood import boards, prediction
from tests.wood.bars import demo

# Specific gravity and modulus of elasticity (GPa) at 12 % moisture: Wood Handbook, table of
# strength properties of commercially important woods (recalled).
PUBLISHED = {
    "western larch": (0.52, 12.9), "Sitka spruce": (0.40, 10.8), "Douglas-fir, coast": (0.48, 13.4),
    "black cherry": (0.50, 10.3), "black locust": (0.69, 14.1), "sugar maple": (0.63, 12.6),
    "yellow-poplar": (0.42, 10.9), "white oak": (0.68, 12.3),
}  # fmt: skip


def specimen(gravity: float, moisture: float | None = 12.0, **own) -> Specimen:
    sizes = {"length_mm": 745.0, "width_mm": 38.0, "thickness_mm": 18.0} | own
    litres = np.prod(list(sizes.values())) / 1e6
    grams = 1000.0 * litres * gravity * (1.0 + (12.0 if moisture is None else moisture) / 100.0)
    return Specimen(
        specimen="L1", wood="larch", row=2, mass_g=f"{grams:.6f}",
        moisture_pct="" if moisture is None else str(moisture),
        **{name: str(mm) for name, mm in sizes.items()},
    )  # fmt: skip


def untapped(one: Specimen) -> boards.Board:
    board = boards.assess(one, pd.DataFrame(), Wood())
    return boards.untapped(board, Wood(), moisture_pct=one.moisture_pct)


@pytest.mark.parametrize("wood", PUBLISHED)
def test_published_woods_lie_within_what_is_left_open(wood):
    gravity, gpa = PUBLISHED[wood]
    fit = untapped(specimen(gravity)).fit
    assert abs(np.log(fit.youngs_modulus / 1e9 / gpa)) < 1.5 * boards.SCATTER
    assert fit.covariance[0, 0] == pytest.approx(0.22**2)


def test_the_two_published_lines_are_met_half_way():
    fit = untapped(specimen(0.5)).fit
    by_hand = np.sqrt(20.5 * 0.5**0.84 * 16.5 * 0.5**0.70)
    assert fit.youngs_modulus == pytest.approx(1e9 * by_hand, rel=1e-6)


def test_the_mass_is_counted_oven_dry():
    dry, damp, unknown = (untapped(specimen(0.5, moisture)) for moisture in (6.0, 18.0, None))
    assert dry.density.value < damp.density.value
    assert dry.fit.youngs_modulus == pytest.approx(damp.fit.youngs_modulus, rel=1e-6)
    assert unknown.fit.youngs_modulus == pytest.approx(dry.fit.youngs_modulus, rel=1e-6)


def test_a_plate_and_a_board_without_mass_have_no_stiffness():
    nothing = tables.empty("board_modes")
    one, two, *_ = demo().specimens
    wide = one.model_copy(update={"width_mm": 300.0})
    bare = two.model_copy(update={"mass_g": None})
    model = prediction.model_of(replace(demo(), specimens=(wide, bare)), nothing, by_density=True)
    assert not model.boards
    codes = {name: code_of(why) for name, why in model.reasons.items()}
    assert codes == {"L1": "wood.too_wide", "L2": "wood.sizes_missing"}


def test_in_the_model_a_board_has_its_density_only_where_it_is_asked_for():
    nothing = tables.empty("board_modes")
    assert not prediction.model_of(demo(), nothing).boards
    model = prediction.model_of(demo(), nothing, by_density=True)
    assert not model.reasons
    log_e = np.log(model.numbers("L1").youngs_modulus[1:])
    assert np.std(log_e) == pytest.approx(boards.SCATTER, rel=0.15)
    log_loss = np.log(model.numbers("L1").loss[:, 0])
    assert log_loss[0] == pytest.approx(np.log(0.01))
    assert np.std(log_loss) == pytest.approx(0.4, rel=0.15)
