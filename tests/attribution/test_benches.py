"""Benches on which something is wrong that the rules were not written for, held to their truth.

The long form is `python -m tests.benchmarks.attribution_truth`: at least 300 benches a family, of
which at most 1 % may get any false cause. Here a few of each, seeded: none may.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from tests.attribution.beams import ROOTS, Boards, Driver, load, mounted_modes
from tests.attribution.held_to_truth import bench_of, figures
from tests.attribution.troubles import FAMILIES, VARIANTS

SEED = 2027
EVERYWHERE, IN_ONE_WOOD = (VARIANTS.index(("large", where)) for where in ("all", "wood"))
ONE_WOOD = ("line", "sensor", "rocking", "gain step", "monitor", "warming")
CLEAN = range(4)
# Share of `cannot tell` far from any mode in the rules that did not ask for agreement.
OPEN_AT_FIRST = 0.14


@cache
def bench(family: str, number: int):
    return bench_of(family, number, SEED)


def large(family: str):
    """A large trouble of the whole bench, or while one wood is measured."""
    return bench(family, IN_ONE_WOOD if family in ONE_WOOD else EVERYWHERE)


def clean():
    return [bench("clean", number) for number in CLEAN]


@pytest.mark.parametrize("family", FAMILIES)
def test_no_bench_gets_a_false_cause(family):
    each = large(family)
    false = each.rows[each.rows["false"]]
    told = false[["specimen", "mount", "harmonic", "verdict", "own_db", "made_db"]]
    assert false.empty, f"{family}, bench {each.number} ({each.where}):\n{told}"


def test_what_is_off_zero_is_not_the_drivers_where_a_place_on_the_board_explains_it():
    # Made at one multiple alone: +0.2 to +1.2 dB, within the margin, in two boards.
    assert not bench_of("made at one multiple", 28, 31).rows["false"].any()


@pytest.mark.parametrize(
    ("family", "number", "seed"),
    [
        # A part made at one multiple, which shows in other boards of the wood and not in this one.
        ("made at one multiple", 3, 77),
        ("made at one multiple", 1, 101),
        # A loudspeaker that was left on, in the airborne takes as well.
        ("monitor", 1, 77),
        ("monitor", 26, 101),
        # The drive channel leaks into the other: one share of it, or one that grows with frequency.
        ("leaking channels", 51, 101),
        ("leaking channels", 82, 101),
    ],
)
def test_what_stands_in_other_boards_or_in_no_probe_tone_is_not_named_falsely(family, number, seed):
    assert not bench_of(family, number, seed).rows["false"].any()


def test_an_interval_contains_its_own_estimate():
    rows = pd.concat([large(family).rows for family in FAMILIES])
    assert rows["own_inside"].all()


def test_clean_benches_get_no_false_cause_and_intervals_that_hold():
    found = figures(clean())
    assert found.false == 0
    assert found.covered > 0.95


def test_the_driver_is_named_in_clear_rows_of_clean_benches():
    found = figures(clean())
    assert found.driver_right >= 0.98  # 99 %, of some 400 rows that hang together
    assert found.open_rows <= OPEN_AT_FIRST + 0.05


# ---------------------------------------------------------------- the simulator


@pytest.fixture
def rails():
    one = np.ones(2)
    return Boards(
        0.745 * one, 0.038 * one, 0.018 * one, np.array([570.0, 740.0]), np.array([12e9, 14e9]),
        15.0 * one, 0.01 * one,
    )  # fmt: skip


HZ = 172.0 * np.arange(1, 7)
DRIVER = Driver(0.012, 0.06, 40.0, 0.3)


def test_bending_modes_are_those_of_the_textbook_bar(rails):
    # cos b cosh b = 1; a thin bar: f = b^2 t / (4 pi sqrt(3) L^2) sqrt(E / rho)
    assert np.abs(np.cos(ROOTS) - 1 / np.cosh(ROOTS)).max() < 1e-5
    thin = rails._replace(thickness=0.001 * np.ones(2))
    plain = ROOTS[0] ** 2 * 0.001 / (4 * np.pi * np.sqrt(3) * 0.745**2) * np.sqrt(12e9 / 570)
    assert thin.bending_hz()[0, 0] == pytest.approx(plain, rel=1e-4)


def test_a_loaded_board_is_reciprocal_and_moves_most_at_its_mounted_modes(rails):
    places = {"shift": np.zeros(2), "far": 0.73 * np.ones(2)}
    here, there = 0.06 * np.ones(2), 0.5 * np.ones(2)
    one = load(rails, DRIVER, HZ, at=here, source=there, **places)
    weightless = DRIVER._replace(base=0.0, moving=0.0)
    free = load(rails, weightless, HZ, at=here, source=there, **places)
    back = load(rails, weightless, HZ, at=there, source=here, **places)
    np.testing.assert_allclose(free.near_at, back.near_at, rtol=1e-9)
    np.testing.assert_allclose(one.near, 1 / (1 / free.near + DRIVER.mass(HZ)), rtol=1e-9)
    frequency, width = mounted_modes(rails, DRIVER._replace(moving=0.0), at=here)
    base, quiet = DRIVER._replace(moving=0.0), rails._replace(loss=0.001 * np.ones(2))
    hz = np.linspace(100, 1500, 14001)
    moved = np.abs(load(quiet, base, hz, at=here, source=there, **places).near)
    inner = moved[:, 1:-1]
    peaks = [hz[1:-1][(m > a) & (m > b)] for m, a, b in zip(inner, moved[:, :-2], moved[:, 2:],
                                                            strict=True)]  # fmt: skip
    for row, found in zip(frequency, peaks, strict=True):
        for mode in np.sort(row)[2:6]:
            if mode < 1450:
                assert np.abs(found - mode).min() < 0.5
    assert (width > 0).all()


def test_the_same_seed_gives_the_same_bench():
    pd.testing.assert_frame_equal(bench_of("clean", 0, SEED).rows, bench("clean", 0).rows)
