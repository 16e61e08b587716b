"""A board's response from its own numbers: the demo's own simulation, draws, swaps, reasons.

The demo's bench is written apart from the library (data_demo/simulation) and knows the truth of
every board; that it and the library rest on the same theory of a bar says nothing about real
boards (tests/benchmarks/rough_bench has others).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from data_demo.simulation.beam import free_free_modes
from data_demo.simulation.mounting import Mounted, nominal_mount
from data_demo.simulation.woods import BENDING_MODES, LOSS_SLOPE, specimens
from studylib import tables
from studylib.codes import code_of
from studylib.sheets import read_study
from studylib.wood import beams, boards, prediction, stiffness
from tests.demo import DEMO

RNG = np.random.default_rng(5)
NODES = prediction._NODES_HZ[None]
HZ = np.geomspace(80.0, 2000.0, 60)


def board(e=13e9, ratio=15.0, length=0.745, thickness=0.018, mass=0.300, loss=0.01, u=1e-3):
    bar = beams.Bar(length, 0.038, thickness, mass, (u,) * 4)
    density = mass / (length * 0.038 * thickness)
    order = np.arange(1, 5)
    hz = beams.bending_frequencies(
        youngs_modulus=e, shear_ratio=ratio, density=density, length=length,
        thickness=thickness, count=4,
    )  # fmt: skip
    fit = stiffness.fit_stiffness(order, hz, u * hz, bar, shear_ratio=ratio, u_shear_ratio=3.0)
    return boards.Board(bar=bar, fit=fit, loss_of={int(n): (loss, u * loss) for n in order})


def bench(sensed="acceleration", **changes):
    given = {
        "sensed": sensed, "drive_m": np.full(prediction.DRAWS + 1, 0.1), "heard_m": None,
        "driver_kg": 0.0, "supports": ((), 0.0), "air": 0.0,
    }  # fmt: skip
    return prediction.OnBench(**(given | changes))


def best(one, on_bench, hz=HZ):
    numbers = prediction.board_numbers(one, RNG).draw(slice(0, 1))
    return prediction.levels_db(numbers, hz, on_bench.draw(slice(0, 1)))[0]


def test_a_thicker_board_is_the_same_board_at_higher_frequencies():
    # A slender bar's frequencies go with its thickness (textbook); E/G 2 makes this one slender.
    thin, thick = board(ratio=2.6), board(ratio=2.6, thickness=0.0198, mass=0.330)
    low = HZ[HZ < 500.0]
    apart = np.abs(best(thin, bench(), low) - best(thick, bench(), 1.1 * low))
    assert np.median(apart) < 0.03
    assert np.median(np.abs(best(thin, bench(), low) - best(thick, bench(), low))) > 1.0


def test_wood_that_is_uneven_answers_where_its_modes_are_and_not_where_the_even_bars_are():
    # The ratio of two places of one bar hangs on frequency over that of its modes alone.
    numbers = prediction.board_numbers(board(), RNG).draw(slice(0, 1))
    raised = replace(numbers, uneven=np.full_like(numbers.uneven, 0.03))
    one = bench().draw(slice(0, 1))
    here = prediction.levels_db(raised, 1.03 * HZ, one)
    np.testing.assert_allclose(here, prediction.levels_db(numbers, HZ, one), atol=1e-9)
    assert np.ptp(here - prediction.levels_db(numbers, 1.03 * HZ, one)) > 1.0


def test_force_at_low_frequency_moves_the_board_as_one_piece():
    # 1 N on a free board of mass m, far below its modes: the far end's acceleration is
    # (1 + 12 (x - 1/2) (1 - 1/2)) / m (textbook rigid body).
    x = 0.1 / 0.745
    db = best(board(), bench("force"), np.array([0.5]))[0]
    assert db == pytest.approx(20 * np.log10(abs(1 + 6 * (x - 0.5)) / 0.300), abs=0.01)


def test_a_mass_at_the_driver_counts_for_force_and_not_for_acceleration():
    heavy = {"driver_kg": 0.05}
    assert best(board(), bench(**heavy)) == pytest.approx(best(board(), bench()))
    changed = best(board(), bench("force", **heavy)) - best(board(), bench("force"))
    assert np.abs(changed).max() > 3.0


def test_supports_count_and_stiff_ones_most():
    free = best(board(), bench())
    soft, stiff = (best(board(), bench(supports=((0.149, 0.596), k))) - free for k in (4e3, 4e5))
    assert 0.0 < np.abs(soft).mean() < 0.6 < np.abs(stiff).mean()


@pytest.mark.parametrize("name", ["L1", "C2", "R4"])
def test_a_rail_of_the_demo_without_its_spots_answers_as_the_demo_says(name):
    rail = next(one for one in specimens() if one.name == name)
    rail, beam = replace(rail, spots=(), loss_factor=np.full(BENDING_MODES, 0.01)), rail.beam
    sizes = beam.length, beam.width, beam.thickness, beam.density
    one = prediction.Numbers(
        *(np.array([value]) for value in (*sizes, beam.youngs_modulus, beam.shear_ratio)),
        loss=0.01 * (free_free_modes(beam, count=1).frequency_hz[2] / NODES) ** -LOSS_SLOPE,
        uneven=np.zeros_like(NODES),
    )  # fmt: skip
    on_bench = bench(
        drive_m=np.array([0.1]), heard_m=beam.length - 0.015,
        supports=((0.2 * beam.length, 0.8 * beam.length), 4000.0),
    )  # fmt: skip
    truth = np.abs(Mounted(rail, nominal_mount(rail)).transmission(HZ))
    found = prediction.levels_db(one, HZ, on_bench)[0]
    # The demo sums 26 modes, which moves its deepest notches a little.
    assert np.median(np.abs(found - 20 * np.log10(truth))) < 0.1
    assert np.quantile(np.abs(found - 20 * np.log10(truth)), 0.9) < 0.5


def test_draws_spread_as_the_measurements_do():
    sure, unsure = (
        prediction.levels_db(prediction.board_numbers(board(u=u), RNG), HZ, bench())[1:].std(axis=0)
        for u in (1e-5, 1e-2)
    )
    # What is left with sure sizes and modes is the wood's own unevenness.
    assert 0.0 < np.median(sure) < 0.5 * np.median(unsure)


def test_a_board_turned_into_the_other_in_every_group_is_the_other():
    one, other = (prediction.board_numbers(b, RNG) for b in (board(), board(e=10e9, mass=0.4)))
    whole = prediction.swapped(one, other, [prediction.GROUPS])
    assert all(np.array_equal(getattr(whole, k), v) for k, v in vars(other).items())
    part = prediction.swapped(one, other, [["density"]])
    assert part.density[0] == other.density[0]
    assert part.youngs_modulus[0] == one.youngs_modulus[0]


def test_a_board_without_a_loss_factor_gets_the_assumed_one():
    one = board()
    bare = boards.Board(bar=one.bar, fit=one.fit)
    numbers = prediction.board_numbers(bare, RNG)
    assert numbers.loss[0] == pytest.approx(prediction.ASSUMED_LOSS)
    assert numbers.loss[1:].std() > 0.1 * prediction.ASSUMED_LOSS


def test_what_is_missing_is_said(demo):
    def reasons(**changes):
        settings = demo.settings
        on_bench = settings.bench.model_copy(update=changes)
        study = replace(demo, settings=settings.model_copy(update={"bench": on_bench}))
        model = prediction.model_of(study, tables.empty("board_modes"))
        assert not model.boards
        return {name: code_of(why) for name, why in model.reasons.items()}

    assert reasons(drive_at_mm=None) == {"": "forward.no_place"}
    assert reasons(heard_at_mm=20.0) == {"": "forward.heard_before"}
    assert set(reasons().values()) == {"wood.no_free_mode"}


@pytest.fixture(scope="module")
def demo():
    return read_study(DEMO)
