"""Which frequency is which bending mode: modes missing, modes of other kinds mixed in."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.wood.stiffness import find_orders
from tests.wood.bars import modes_of, rail, sideways

BAR = rail()
LADDER = modes_of(BAR, gpa=13.0, shear_ratio=16.0)


def test_all_modes_in_any_order():
    rng = np.random.default_rng(3)
    shuffled = rng.permutation(6)
    found = find_orders(LADDER[shuffled], BAR)
    np.testing.assert_array_equal(found.order, shuffled + 1)
    assert np.isnan(found.rival_gpa)


@pytest.mark.parametrize("kept", [(1,), (1, 2), (2, 3, 4), (1, 3), (1, 4, 6), (2, 4, 5)])
def test_missing_modes_keep_the_others_numbers(kept):
    found = find_orders(LADDER[np.array(kept) - 1], BAR)
    np.testing.assert_array_equal(found.order, kept)


def test_sideways_bending_and_twist_are_left_over():
    others = np.append(sideways(BAR, gpa=13.0, shear_ratio=18.0), 512.0)
    found = find_orders(np.concatenate([others, LADDER]), BAR)
    np.testing.assert_array_equal(found.order, [0, 0, 0, 0, 1, 2, 3, 4, 5, 6])


def test_of_two_frequencies_at_one_step_the_nearer_is_taken():
    found = find_orders(np.append(LADDER, LADDER[3] * 1.011), BAR)
    np.testing.assert_array_equal(found.order, [1, 2, 3, 4, 5, 6, 0])


def test_frequencies_of_no_wood_fit_nothing():
    # A speed of sound of 900 m/s or 20,000 m/s along the board is no wood's.
    for factor in (900 / 4776, 20_000 / 4776):
        assert not find_orders(LADDER[:1] * factor, BAR).found.any()


def test_nothing_found_gives_nothing():
    found = find_orders([], BAR)
    assert found.order.size == 0
    assert not found.found.any()


def test_an_evenly_spaced_ladder_is_not_taken_for_bending():
    # Twist of a bar: multiples of one frequency. A lone step may meet it, a ladder must not.
    twist = 260.0 * np.arange(1, 7)
    assert find_orders(twist, BAR).found.sum() <= 2


def test_high_modes_alone_tell_nothing():
    assert not find_orders(LADDER[3:], BAR).found.any()


def test_modes_that_fit_two_ladders_are_called_ambiguous():
    stiff = modes_of(BAR, gpa=BAR.density * 6500**2 / 1e9, shear_ratio=16.0)[:2]
    soft = modes_of(BAR, gpa=BAR.density * 2250**2 / 1e9, shear_ratio=16.0)[1:3]
    found = find_orders(np.concatenate([stiff, soft]), BAR)
    # 24.1 GPa with two modes left over, or near 2.9 GPa with one missing and one below.
    assert 2.0 < found.rival_gpa < 5.0


def test_a_nearly_square_board_is_read_across_its_thickness():
    bar = rail(thickness=0.018, width=0.021)
    ladder = modes_of(bar, gpa=13.0, shear_ratio=16.0)
    other = sideways(bar, gpa=13.0, shear_ratio=16.0, count=5)
    found = find_orders(np.concatenate([other, ladder]), bar)
    np.testing.assert_array_equal(found.order[5:], np.arange(1, 7))


def test_random_boards_come_out_right_or_say_that_they_are_ambiguous():
    rng = np.random.default_rng(11)
    wrong = 0
    for _ in range(150):
        thickness = rng.uniform(0.008, 0.022)
        bar = rail(
            rng.uniform(350, 850),
            length=rng.uniform(0.4, 0.9),
            thickness=thickness,
            width=thickness * rng.uniform(1.3, 5.0),
        )
        gpa = bar.density * rng.uniform(3500, 5300) ** 2 / 1e9
        ladder = modes_of(bar, gpa=gpa, shear_ratio=rng.uniform(8, 25))
        ladder *= np.exp(0.003 * rng.standard_normal(6))
        other = sideways(bar, gpa=gpa, shear_ratio=rng.uniform(8, 25))
        heard, beside = rng.random(6) < 0.85, (rng.random(3) < 0.4) & (other < ladder[-1])
        if heard.sum() < 2:
            continue
        found = find_orders(np.concatenate([ladder[heard], other[beside]]), bar)
        truth = np.arange(1, 7)[heard]
        mine = found.order[: truth.size]
        if np.isnan(found.rival_gpa) and (mine[mine > 0] != truth[mine > 0]).any():
            wrong += 1
    assert wrong <= 2
