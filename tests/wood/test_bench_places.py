"""Places of the bench at a board's end or at the driver, where they lie beyond it in some draws."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.wood.prediction import levels_db
from tests.wood.rails import bench, rail

FREQUENCY = np.geomspace(60.0, 2000.0, 50)
MOVED = np.linspace(-0.0005, 0.0005, 5)  # an odd number: one draw has the two in one place


def test_heard_at_its_end_a_board_of_uncertain_length_is_heard_at_its_end():
    board = rail(5, length=0.745 + MOVED)
    at_end = levels_db(board, FREQUENCY, bench(5))
    named = levels_db(board, FREQUENCY, bench(5, heard_m=0.745))
    # In the longer draws 0.5 mm away from it.
    np.testing.assert_allclose(named, at_end, atol=0.3)


def test_heard_at_a_driver_of_uncertain_place_nothing_is_between():
    where = bench(5, drive_m=0.1 + MOVED, heard_m=0.1)
    np.testing.assert_allclose(levels_db(rail(5), FREQUENCY[:8], where), 0.0, atol=0.3)


@pytest.mark.parametrize("sensed", ["acceleration", "force"])
def test_a_support_at_the_end_of_a_board_of_uncertain_length_is_at_its_end(sensed):
    board = rail(5, length=0.745 + MOVED)
    found = [
        levels_db(board, FREQUENCY, bench(5, sensed=sensed, supports=((place,), 4000.0)))
        for place in (0.745, 0.744)
    ]
    np.testing.assert_allclose(*found, atol=0.6)
