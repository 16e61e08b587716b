"""A board cut to answer like another: closed forms, boards known exactly and within measurement."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.wood import prediction as match
from studylib.wood.forward import driven
from studylib.wood.prediction import levels_db
from tests.wood.rails import bench, rail

BAND = np.geomspace(80.0, 2000.0, 120)
TONE = np.array([172.0])
AIR = 1.204


def best(board, like, name, least_mm, *, frequency=BAND, **where):
    draws = len(board.length)
    return match.best_cut(
        board, like, bench(draws, **where), frequency, name=name, least_mm=least_mm
    )


@pytest.mark.parametrize("frequency", [BAND, TONE], ids=["band", "tone"])
@pytest.mark.parametrize("sensed", ["acceleration", "force", "voltage"])
def test_of_two_boards_that_differ_in_thickness_the_thicker_becomes_the_other(sensed, frequency):
    found = best(
        rail(thickness=0.020), rail(), "thickness", 16.0, frequency=frequency, sensed=sensed,
        air=AIR, supports=((0.15, 0.6), 4000.0), driver_kg=0.02,
    )  # fmt: skip
    assert found["to_mm"] == pytest.approx(18.0)
    assert found["off_mm"] == pytest.approx(2.0)
    assert found["after_db"] == pytest.approx(0.0, abs=1e-6)
    assert (found["helps"], found["at_end"], found["idle"]) == (True, False, False)


def test_of_two_boards_that_differ_in_length_the_longer_becomes_the_other():
    where = {"supports": ((0.15, 0.6), 4000.0), "air": AIR}
    found = best(rail(length=0.780), rail(length=0.740), "length", 700.0, **where)
    assert found["to_mm"] == pytest.approx(740.0)
    assert found["after_db"] == pytest.approx(0.0, abs=1e-6)


def test_the_place_where_a_board_is_heard_keeps_its_distance_from_the_far_end():
    lower, placed = match.cut(rail(), bench(heard_m=0.730), "length", 45.0)
    assert lower.length[0] == pytest.approx(0.700)
    assert placed.heard_m == pytest.approx(0.685)
    assert placed.drive_m[0] == bench().drive_m[0]
    _, placed = match.cut(rail(), bench(heard_m=0.730), "thickness", 1.0)
    assert placed.heard_m == 0.730


def test_a_stiffer_slender_board_is_thinned_by_the_root_of_the_stiffness():
    # A slender bar's frequencies go as thickness / length^2 times the root of E / density, and over
    # acceleration nothing else counts (Euler and Bernoulli).
    slender = {"length": 3.0, "shear_ratio": 2.5, "thickness": 0.010}
    stiff, light = rail(**slender, youngs_modulus=13.9e9 * 1.21), rail(**slender, density=470.0)
    low = np.geomspace(5.0, 100.0, 200)
    found = best(stiff, rail(**slender), "thickness", 8.0, frequency=low)
    assert found["to_mm"] == pytest.approx(10.0 / 1.1, abs=0.026)
    found = best(light, rail(**slender), "thickness", 8.0, frequency=low)
    assert found["to_mm"] == pytest.approx(10.0 * np.sqrt(470.0 / 570.0), abs=0.026)


def test_a_slender_board_is_shortened_by_the_fourth_root_where_the_driver_sits_at_its_end():
    # A driver at 0 and the far end keep their shares of the length.
    slender = {"length": 3.0, "shear_ratio": 2.5, "thickness": 0.010}
    low = np.geomspace(5.0, 100.0, 200)
    soft = rail(**slender, youngs_modulus=13.9e9 * 0.9**4)
    found = best(soft, rail(**slender), "length", 2400.0, frequency=low, drive_m=0.0)
    assert found["to_mm"] == pytest.approx(2700.0, abs=4.0)


def test_over_acceleration_width_does_nothing_and_over_force_it_counts():
    wide, narrow = rail(width=0.044), rail()
    assert best(wide, narrow, "width", 32.0)["idle"]
    found = best(wide, narrow, "width", 32.0, sensed="force")
    assert found["to_mm"] == pytest.approx(38.0)
    assert not found["idle"]


def test_where_the_board_would_have_to_grow_nothing_helps():
    found = best(rail(thickness=0.016), rail(), "thickness", 13.0)
    assert found["to_mm"] == found["now_mm"] == pytest.approx(16.0)
    assert (found["gain_db"], found["helps"], found["at_end"]) == (0.0, False, False)


def test_where_the_stock_ends_before_the_best_it_is_said():
    found = best(rail(thickness=0.020), rail(), "thickness", 19.0)
    assert found["to_mm"] == pytest.approx(19.0)
    assert (found["helps"], found["at_end"]) == (True, True)


def test_a_difference_in_loss_is_not_cut_away():
    found = best(rail(loss=0.005), rail(loss=0.02), "thickness", 15.0)
    assert not found["helps"]
    assert found["after_db"] == pytest.approx(found["before_db"])


def test_boards_known_within_measurement_are_never_nothing_apart():
    rng = np.random.default_rng(172)

    def known(thickness, u=5e-5):
        return rail(200, thickness=thickness + u * rng.standard_normal(200))

    found = best(known(0.020), known(0.018), "thickness", 16.0, frequency=BAND[::4])
    assert found["to_mm"] == pytest.approx(18.0, abs=0.11)
    assert 0.0 < found["after_low_db"] < found["after_db"] < found["after_high_db"]
    # Independent errors of 0.05 mm in both.
    wide = found["best_high_mm"] - found["best_low_mm"]
    assert wide == pytest.approx(2 * 1.96 * 0.05 * np.sqrt(2.0), rel=0.35)
    assert found["gain_low_db"] > 0.0


def test_a_gain_that_nobody_would_hear_is_none():
    # The air that moves along is all that width does over acceleration.
    found = best(rail(width=0.044), rail(), "width", 34.0, air=AIR)
    assert 0.0 < found["gain_db"] < match.NOTHING_DB
    assert not found["helps"]


def test_half_of_the_gain_is_left_where_it_is_said_to_be():
    board, like = rail(thickness=0.020), rail()
    found = best(board, like, "thickness", 16.0)
    assert found["keeps_low_mm"] < found["to_mm"] < found["keeps_high_mm"]
    for end, beyond in (("keeps_low_mm", -0.11), ("keeps_high_mm", 0.11)):
        for mm, kept in ((found[end], True), (found[end] + beyond, False)):
            lower, placed = match.cut(board, bench(), "thickness", 20.0 - mm)
            off = levels_db(lower, BAND, placed) - levels_db(like, BAND, placed)
            gained = found["before_db"] - np.sqrt(np.mean(off**2))
            assert (gained >= found["gain_db"] / 2) == kept


def test_a_board_is_a_bar_up_to_waves_of_six_and_a_half_widths():
    slender = rail(shear_ratio=1e-9, thickness=0.001)
    # Euler and Bernoulli: omega = k^2 thickness sqrt(E / 12 density).
    k = 2 * np.pi / (6.6 * 0.038)
    by_hand = k**2 * 0.001 * np.sqrt(13.9e9 / 12 / 570.0) / (2 * np.pi)
    assert match.highest_hz(slender, 0.0) == pytest.approx(by_hand, rel=1e-3)
    assert match.highest_hz(slender, AIR) < by_hand
    # Far from the ends of a long thick board, held at its middle, the wave that travels has this
    # length: the far end turns once as the board grows by it.
    limit, wave = match.highest_hz(rail(), 0.0), 6.6 * 0.038
    ends = []
    for length in (20.0, 20.0 + wave):
        board = rail(length=length)
        line = 570.0 * 0.038 * 0.018
        bending = 13.9e9 * (1 + 0.02j) * 0.038 * 0.018**3 / 12
        square = (2 * np.pi * limit) ** 2 * line * length**4 / bending
        found = driven(
            square, 10.0 / length, slenderness=length / 0.018, shear_ratio=board.shear_ratio[0]
        )
        ends.append(np.angle(found.heard))
    assert abs(np.angle(np.exp(1j * (ends[1] - ends[0])))) < 0.1
