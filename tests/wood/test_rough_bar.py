"""The rough bar of the benches: published roots where it is smooth, and the right way where it is
not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import argrelmin

from studylib.wood import beams, forward
from tests.benchmarks import rough_bar, rough_bench
from tests.benchmarks.rough_bar import Driver, Ear, Knot, Roughness, Support, Wood
from tests.wood.bars import reference

RAIL = Wood(0.745, 0.038, 0.018, 570.0, 13e9, 13e9 / 16.0, 0.010)
SLENDER = Wood(1.0, 0.002, 0.001, 570.0, 13e9, 13e9 / 2.6, 0.0)
GRID = rough_bench.grid()


def _unit(wood: Wood) -> float:
    """Hz for which (frequency / it) is the square of a slender bar's root."""
    radius = wood.thickness / np.sqrt(12.0)
    return np.sqrt(wood.youngs_modulus / wood.density) * radius / (2.0 * np.pi * wood.length**2)


def _bending(wood: Wood, count: int, **keys) -> np.ndarray:
    found = rough_bar.free_modes(wood, 2 * count + 4, air=0.0, **keys)
    return found.frequency_hz[found.twist < 0.5][:count]


def _roots(wood: Wood, driver: Driver, what: str, *, below: float, **keys) -> np.ndarray:
    """Roots up to `below` at which what is sensed is 0 (the board held there) or without end (its
    own modes, the driver on it), found on the lossless board."""

    def sensed(root):
        at = np.array([root**2 * _unit(wood)])
        moved = rough_bar.motion(wood, at, driver, air=0.0, **keys)
        return float(1.0 / moved.sensed.real[0] if what == "loaded" else moved.sensed.real[0])

    grid = np.linspace(0.9, below, 400)
    moved = rough_bar.motion(wood, grid**2 * _unit(wood), driver, air=0.0, **keys).sensed.real
    moved = 1.0 / moved if what == "loaded" else moved
    # A sign that changes where the value is large is a pole, not a root.
    low = np.flatnonzero((moved[:-1] < 0) != (moved[1:] < 0))
    found = [brentq(sensed, grid[i], grid[i + 1], xtol=1e-10) for i in low]
    return np.array([r for r, i in zip(found, low, strict=True) if abs(sensed(r)) < abs(moved[i])])


def test_smooth_bars_have_timoshenkos_frequencies():
    # tests/reference: free bars, ratio to the slender bar's.
    table = reference("timoshenko_freefree.csv")
    for row in table[table["L_over_t"].isin([10, 20, 40])].itertuples():
        wood = replace(RAIL, length=row.L_over_t * RAIL.thickness)
        wood = replace(wood, shear_modulus=wood.youngs_modulus / row.E_over_G)
        slender = reference("freefree_beam_eigenvalues.csv")["betaL"].to_numpy()[:4] ** 2
        ratio = _bending(wood, 4) / (slender * _unit(wood))
        np.testing.assert_allclose(ratio, [row.r1, row.r2, row.r3, row.r4], atol=1.5e-6)


def test_a_slender_free_bar_has_the_published_roots():
    published = reference("freefree_beam_eigenvalues.csv")["betaL"].to_numpy()[:5]
    np.testing.assert_allclose(np.sqrt(_bending(SLENDER, 5) / _unit(SLENDER)), published, rtol=3e-5)


def test_held_at_its_end_it_is_pinned_or_with_a_driver_that_cannot_turn_clamped():
    # Pinned and free: tan x = tanh x; clamped and free: cos x cosh x = -1 (handbook tables of
    # uniform beams, recalled).
    pinned = _roots(SLENDER, Driver(0.0), "held", below=11.0)
    np.testing.assert_allclose(pinned, [3.92660, 7.06858, 10.21018], rtol=2e-5)
    clamped = _roots(SLENDER, Driver(0.0, turning=1e3), "held", below=8.5)
    np.testing.assert_allclose(clamped, [1.87510, 4.69409, 7.85476], rtol=2e-5)


@pytest.mark.parametrize("share", [0.1, 1.0])
def test_a_mass_on_its_end_gives_the_roots_of_the_published_equation(share):
    # Free bar, mass of m times its own on one end: 1 - cos x cosh x + m x (sin x cosh x - cos x
    # sinh x) = 0 (handbooks of vibration, recalled; worked out again here: for m without end it is
    # that of the pinned bar).
    def miss(x):
        return (
            1 - np.cos(x) * np.cosh(x)
            + share * x * (np.sin(x) * np.cosh(x) - np.cos(x) * np.sinh(x))
        )  # fmt: skip

    grid = np.linspace(1.0, 11.0, 500)
    change = np.flatnonzero(np.sign(miss(grid[:-1])) != np.sign(miss(grid[1:])))
    published = [brentq(miss, grid[i], grid[i + 1]) for i in change]
    loaded = Driver(0.0, mass=share * rough_bar.mass(SLENDER))
    np.testing.assert_allclose(_roots(SLENDER, loaded, "loaded", below=11.0), published, rtol=2e-5)


def test_a_wedge_has_kirchhoffs_frequency():
    # Clamped at its thick end, pointed at the other: 5.315 sqrt(E I / rho A) / L^2 with the thick
    # end's section (Kirchhoff 1879; in handbooks of vibration, recalled).
    wedge = Driver(SLENDER.length, turning=1e3)
    root = _roots(
        SLENDER, wedge, "held", below=4.0, rough=Roughness(thickness=2.0), ear=Ear(at=0.0)
    )
    # The thick end is twice as thick as the mean.
    assert root[0] ** 2 / 2.0 == pytest.approx(5.315, rel=2e-4)


def test_a_square_bar_twists_as_saint_venant_has_it():
    # Torsion constant of a square, 0.1406 a^4 (Timoshenko and Goodier, recalled).
    square = replace(RAIL, width=0.018)
    found = rough_bar.free_modes(square, 12, air=0.0)
    twisting = found.frequency_hz[found.twist > 0.5][:2]
    speed = np.sqrt(square.shear_modulus * 0.1406 / (square.density / 6.0))
    np.testing.assert_allclose(twisting, speed / (2 * square.length) * np.array([1, 2]), rtol=3e-3)


def test_a_stiff_board_bounces_on_its_foam():
    stiff = replace(RAIL, youngs_modulus=1e13, shear_modulus=1e13)
    foam = tuple(Support(x * stiff.length, 2000.0) for x in (0.2, 0.8))
    bounce = np.sqrt(4000.0 / rough_bar.mass(stiff)) / (2 * np.pi)
    middle = Driver(stiff.length / 2)
    below, above = (
        rough_bar.motion(stiff, [x * bounce], middle, supports=foam, air=0.0).sensed.real[0]
        for x in (0.999, 1.001)
    )
    assert below > 0 > above


@pytest.mark.parametrize("at", [0.0, 0.1, 0.3725])
def test_smooth_bars_answer_as_the_librarys_closed_form(at):
    square = (GRID / _unit(RAIL)) ** 2 / (1.0 + 1j * RAIL.loss)
    slenderness = RAIL.length / RAIL.thickness
    closed = forward.driven(square, at / RAIL.length, slenderness=slenderness, shear_ratio=16.0)
    ratio = rough_bar.motion(RAIL, GRID, Driver(at), air=0.0).ratio
    assert np.abs(20 * np.log10(np.abs(ratio / closed.heard))).max() < 1e-3
    assert np.abs(np.angle(ratio / closed.heard)).max() < 1e-4


ROUGH = Roughness(
    thickness=0.05, width=-0.03, density=0.1, stiffness=-0.2, loss_power=0.3, shear_loss=1.0,
    grain=0.06, knots=(Knot(0.2, 0.012, -0.4, 0.3, 1.0), Knot(0.6, 0.02, -0.2, 0.1)),
)  # fmt: skip
FOAM = (Support(0.15, 2e4, 0.3, across=0.01), Support(0.6, 1e4, 0.2, across=-0.004))


def test_who_shakes_and_who_hears_may_change_places():
    # Reciprocity (Rayleigh), however rough the board.
    there, back = (
        rough_bar.motion(
            RAIL, GRID[::20], Driver(a, across=y), rough=ROUGH, supports=FOAM, ear=Ear(b, across=z)
        ).heard
        for a, y, b, z in ((0.1, 0.006, 0.7, -0.01), (0.7, -0.01, 0.1, 0.006))
    )
    np.testing.assert_allclose(there, back, rtol=1e-8)


@pytest.mark.parametrize(
    "driver",
    [
        Driver(0.1, across=0.006, mass=0.03, turning=1e-5),
        Driver(0.1, across=0.006, mass=0.03, turning=1e-5, foot_length=0.03),
    ],
)
def test_a_rough_board_takes_power_and_gives_none(driver):
    moved = rough_bar.motion(RAIL, GRID[::5], driver, rough=ROUGH, supports=FOAM)
    assert np.all(moved.sensed.imag < 0)


def test_a_short_stiff_foot_is_a_point():
    # Without a moment: two forces close together shear what is between them, a slice does not.
    driver = Driver(0.1, across=0.006, mass=0.05, bed=1e14)
    point, foot = (
        rough_bar.motion(RAIL, GRID[::5], replace(driver, foot_length=x), ear=Ear(across=-0.01))
        for x in (0.0, 0.0003)
    )
    for what in ("heard", "sensed"):
        away = 20 * np.log10(np.abs(getattr(foot, what) / getattr(point, what)))
        assert np.sqrt(np.mean(away**2)) < 0.03


def test_a_drivers_mass_at_its_point_changes_nothing_that_is_heard_over_it():
    bare, heavy = (rough_bar.motion(RAIL, GRID[::9], Driver(0.1, mass=m)).ratio for m in (0, 0.1))
    np.testing.assert_allclose(heavy, bare, rtol=1e-6)


def test_the_boards_roughness_moves_its_modes_the_right_way():
    plain = _bending(RAIL, 4)

    def changed(**rough):
        return _bending(RAIL, 4, rough=Roughness(**rough)) / plain - 1.0

    middle = RAIL.length / 2
    # Heavy or soft in the middle, where odd modes swing and even ones stand still (and bend not).
    heavy = changed(knots=(Knot(middle, 0.01, density=0.5),))
    assert np.all(heavy[::2] < 10 * heavy[1::2])
    assert np.all(heavy < 0)
    soft = changed(knots=(Knot(middle, 0.01, stiffness=-0.3),))
    assert np.all(soft < 0)
    assert np.all(soft[::2] < soft[1::2])
    # A gradient moves modes in the second order only: either sign alike.
    np.testing.assert_allclose(changed(density=0.1), changed(density=-0.1), atol=1e-9)
    assert np.all(np.abs(changed(density=0.1)) < 1e-3)
    # 1 / E_x of wood at a slope; Hankinson's and this formula both fall.
    assert np.all(changed(grain=0.1) < -0.02)
    np.testing.assert_allclose(changed(grain=0.1), changed(grain=-0.1), atol=1e-9)


def test_losses_go_where_they_are_put():
    def loss(**rough):
        found = rough_bar.free_modes(RAIL, 12, rough=Roughness(**rough), air=0.0)
        return found.loss[found.twist < 0.5], found.frequency_hz[found.twist < 0.5]

    np.testing.assert_allclose(loss()[0], RAIL.loss, rtol=1e-6)
    power, hz = loss(loss_power=0.3)
    np.testing.assert_allclose(power, RAIL.loss * (hz / rough_bar.LOSS_AT_HZ) ** 0.3, rtol=1e-6)
    # What shears more loses more: the higher modes.
    sheared, _ = loss(shear_loss=1.0)
    assert np.all(np.diff(sheared) > 0)
    assert RAIL.loss < sheared[0] < 1.1 * RAIL.loss
    spot, _ = loss(knots=(Knot(RAIL.length / 2, 0.02, loss=2.0),))
    assert np.all(spot[:4:2] > spot[1:4:2])


def test_twist_is_heard_only_off_the_centre_line():
    twisting = rough_bar.free_modes(RAIL, 6, air=0.0)
    first = twisting.frequency_hz[twisting.twist > 0.5][0]
    near = np.linspace(0.97, 1.03, 121) * first

    def change(across, ear):
        both = [
            rough_bar.motion(RAIL, near, Driver(0.1, across=a), ear=Ear(across=e), air=0.0).ratio
            for a, e in ((across, ear), (0.0, 0.0))
        ]
        return np.abs(20 * np.log10(np.abs(both[0] / both[1]))).max()

    assert change(0.0, 0.01) < 1e-9
    assert change(0.004, 0.0) > 0.2
    assert change(0.004, 0.01) > 1.0


def test_a_slope_of_grain_makes_a_bent_board_twist():
    straight, sloped = (
        rough_bar.motion(RAIL, GRID[::9], Driver(0.1), rough=Roughness(grain=g), ear=Ear(across=y))
        for g, y in ((0.0, 0.01), (0.1, 0.01))
    )
    middle = rough_bar.motion(RAIL, GRID[::9], Driver(0.1), rough=Roughness(grain=0.1))
    assert np.abs(sloped.heard / middle.heard - 1.0).max() > 0.1
    bare = rough_bar.motion(RAIL, GRID[::9], Driver(0.1))
    np.testing.assert_allclose(straight.heard, bare.heard, rtol=1e-9)


def test_supports_and_drivers_that_rock_move_the_notches_up():
    # What holds or turns with the point stiffens the board that is held there.
    def first_peak(**keys):
        fine = np.linspace(60, 300, 961)
        driver = keys.pop("driver", Driver(0.1))
        return fine[np.argmax(np.abs(rough_bar.motion(RAIL, fine, driver, **keys).ratio))]

    strips = tuple(Support(x * RAIL.length, 2e4, 0.1) for x in (0.2, 0.8))
    assert first_peak(supports=strips) > first_peak() + 1
    assert first_peak(driver=Driver(0.1, turning=1e3)) > first_peak() + 1
    assert first_peak(driver=Driver(0.1, mass=0.03, turning=3e-5)) < first_peak()


def test_a_microphone_far_away_fills_the_notches():
    near, far = (
        np.abs(rough_bar.motion(RAIL, GRID, Driver(0.4), ear=Ear(height=x)).ratio)
        for x in (0.001, 0.3)
    )
    assert argrelmin(near)[0].size > 0
    assert np.ptp(np.log(near)) > np.ptp(np.log(far))


def test_a_study_is_the_same_from_the_same_seed_and_rough_only_where_asked():
    def study(**keys):
        return rough_bench.rough_study(
            np.random.default_rng(7), boards=1, mounts=2, frequency_hz=GRID[::40], **keys
        )

    plain, again = study(), study()
    np.testing.assert_array_equal(plain.response, again.response)
    assert plain.response.shape == (6, GRID[::40].size)
    assert [s.wood for s in plain.specimens] == ["larch", "cherry", "robinia"]
    for knob in rough_bench.KNOBS:
        rough = study(strengths={knob: 1.0}, only=("robinia",))
        np.testing.assert_array_equal(rough.true_response[:4], plain.true_response[:4])
        away = np.abs(20 * np.log10(np.abs(rough.true_response[4:] / plain.true_response[4:])))
        assert 0.05 < np.sqrt(np.mean(away**2)) < 12.0, knob
        np.testing.assert_array_equal(study(strengths={knob: 0.0}).response, plain.response)


def test_what_the_workshop_reads_is_near_the_truth():
    study = rough_bench.rough_study(np.random.default_rng(3), mounts=0, frequency_hz=GRID[:1])
    assert study.response.shape == (0, 1)
    for s in study.specimens:
        assert s.sheet["mass_g"] == pytest.approx(1e3 * rough_bar.mass(s.true), abs=0.3)
        assert s.sheet["length_mm"] == pytest.approx(1e3 * s.true.length, abs=1.5)
        exact = beams.bending_frequencies(
            youngs_modulus=s.true.youngs_modulus,
            shear_ratio=s.true.youngs_modulus / s.true.shear_modulus,
            density=s.true.density, length=s.true.length, thickness=s.true.thickness, count=6,
        )  # fmt: skip
        # Air and foam take and give a little.
        np.testing.assert_allclose(s.modes["frequency_hz"], exact, rtol=5e-3)
        np.testing.assert_allclose(s.modes["loss_factor"], s.true.loss, rtol=0.15)
