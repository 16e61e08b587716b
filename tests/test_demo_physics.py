"""The physics behind the invented study, held against outside references.

The demo's truth is only worth something if the model that made it is right. Sources stand beside
each check; "computed" means from the named equation by another method than the demo's.
"""

from __future__ import annotations

import numpy as np
import pytest

from data_demo.simulation import beam, contact, driver, recorder, takes, woods
from data_demo.simulation.bench import Assembly, Attachment, Board, decay_modes

LENGTH, WIDTH, DENSITY, STIFFNESS = 0.72, 0.038, 600.0, 12e9
EIGENVALUES = np.array([4.73004074, 7.85320462, 10.99560784, 14.13716549])
"""Roots of cos x cosh x = 1: the free-free beam of the textbooks."""

HOLDS = (
    Attachment(0.15, stiffness=4000, damping=3),
    Attachment(0.6, mass=0.02),
    Attachment(0.1, stiffness=3800, far_mass=0.06),
)


def bar(*, slenderness: float, shear_ratio: float) -> beam.Beam:
    """A bar of given length over thickness and E/G."""
    return beam.Beam(LENGTH, WIDTH, LENGTH / slenderness, DENSITY, STIFFNESS, shear_ratio)


def euler_bernoulli_hz(slenderness: float) -> np.ndarray:
    """f = (beta L)^2 / (2 pi L^2) sqrt(EI / rho A), first four modes."""
    radius = LENGTH / slenderness / np.sqrt(12)
    speed = np.sqrt(STIFFNESS / DENSITY)
    return EIGENVALUES**2 / (2 * np.pi * LENGTH**2) * speed * radius


def lossless(thick: beam.Beam, *, count: int = 26, loss: float = 0.0) -> Board:
    modes = beam.free_free_modes(thick, count=count)
    return Board(modes, np.where(modes.frequency_hz > 0, loss, 0.0))


def test_slender_beam_has_the_textbook_frequencies():
    modes = beam.free_free_modes(bar(slenderness=2000, shear_ratio=2.6), count=4)
    np.testing.assert_allclose(modes.frequency_hz[2:], euler_bernoulli_hz(2000), rtol=1e-5)


@pytest.mark.parametrize(
    ("slenderness", "shear_ratio", "ratios"),
    [
        # Free-free Timoshenko beam over Euler-Bernoulli, kappa 5/6: computed by transfer matrix.
        (20, 2.6, (0.991009, 0.974905, 0.952843, 0.925990)),
        (20, 16, (0.971701, 0.911074, 0.837277, 0.760956)),
        (40, 10, (0.994915, 0.983257, 0.966233, 0.944519)),
        (40, 16, (0.992656, 0.975173, 0.950020, 0.918741)),
        (10, 20, (0.883702, 0.708781, 0.572124, 0.470111)),
    ],
)
def test_shear_and_rotation_lower_the_modes_as_computed_elsewhere(slenderness, shear_ratio, ratios):
    modes = beam.free_free_modes(bar(slenderness=slenderness, shear_ratio=shear_ratio), count=4)
    np.testing.assert_allclose(
        modes.frequency_hz[2:] / euler_bernoulli_hz(slenderness), ratios, atol=3e-6
    )


def test_first_mode_rests_at_the_published_nodes():
    modes = beam.free_free_modes(bar(slenderness=2000, shear_ratio=2.6), count=2)
    inside = modes.x < LENGTH / 2
    node = np.interp(0.0, -modes.shape[2][inside], modes.x[inside])
    if modes.shape[2][0] < 0:
        node = np.interp(0.0, modes.shape[2][inside], modes.x[inside])
    assert node / LENGTH == pytest.approx(0.2241575, abs=2e-5)


def test_modes_of_a_thick_beam_stay_finite_and_in_order():
    modes = beam.free_free_modes(bar(slenderness=40, shear_ratio=16), count=30)
    assert np.all(np.diff(modes.frequency_hz[1:]) > 0)
    assert np.all(np.isfinite(modes.shape))


def test_a_free_beam_moves_as_one_mass_far_below_its_modes():
    rail = bar(slenderness=40, shear_ratio=16)
    omega = 2 * np.pi * np.array([0.5])
    middle = Assembly(lossless(rail), (), omega).receptance(LENGTH / 2, LENGTH / 2)
    # Newton: displacement = -force / (mass w^2).
    assert middle[0] * omega[0] ** 2 * rail.mass == pytest.approx(-1, rel=1e-4)


def test_receptances_are_reciprocal():
    # Maxwell and Betti: driver and microphone may change places.
    rail = bar(slenderness=40, shear_ratio=16)
    bench = Assembly(lossless(rail, loss=0.01), HOLDS, 2 * np.pi * np.array([90.0, 172, 516]))
    there, back = bench.receptance(0.1, 0.7), bench.receptance(0.7, 0.1)
    np.testing.assert_allclose(there, back, rtol=1e-9)


def test_attachments_join_as_one_system_of_equations():
    # The same rail by another method: the modal equations with the attachments written in.
    rail, holds = bar(slenderness=40, shear_ratio=16), HOLDS
    board, omega = lossless(rail, loss=0.01), 2 * np.pi * np.array([30.0, 172.0, 900.0])
    found = Assembly(board, holds, omega).receptance(0.1, 0.7)
    own = 2 * np.pi * board.modes.frequency_hz
    for w, value in zip(omega, found, strict=True):
        system = np.diag(own**2 - w**2 + 1j * w * own * board.loss_factor)
        spring, mass, carried = (board.modes.at(hold.position) for hold in holds)
        system += (4000 + 3j * w) * np.outer(spring, spring) - 0.02 * w**2 * np.outer(mass, mass)
        # A mass m on a spring k: k m w^2 / (m w^2 - k), the textbook absorber.
        force = 3800 * 0.06 * w**2 / (0.06 * w**2 - 3800)
        system += force * np.outer(carried, carried)
        moved = np.linalg.solve(system, board.modes.at(0.7))
        assert board.modes.at(0.1) @ moved == pytest.approx(value, rel=1e-8)


def test_a_small_mass_lowers_the_first_mode_as_rayleigh_says():
    rail = bar(slenderness=40, shear_ratio=16)
    board, added, place = lossless(rail), 0.0005, 0.70
    poles = decay_modes(board, (Attachment(place, mass=added),))
    # Rayleigh's quotient with the old shape: f'/f = (1 + m phi^2)^-1/2 for unit modal mass.
    expected = (1 + added * board.modes.at(place)[2] ** 2) ** -0.5
    found = poles.imag.min() / (2 * np.pi * board.modes.frequency_hz[2])
    assert found == pytest.approx(expected, rel=3e-5)
    assert found < 0.998


def test_ringing_decays_as_the_loss_factor_says():
    # Q = 1/eta = pi f T60 / ln 1000 (definitions).
    board = lossless(bar(slenderness=40, shear_ratio=16), loss=0.01)
    pole = decay_modes(board, ())[0]
    t60 = np.log(1000) / -pole.real
    assert np.pi * (abs(pole) / (2 * np.pi)) * t60 / 6.907755 == pytest.approx(100, rel=1e-6)


def test_two_bodies_on_a_spring_ring_at_their_reduced_mass():
    # A rigid far mass on a spring: two bodies, w^2 = k (1/m + 1/M), textbook.
    rail = beam.Beam(0.1, 0.05, 0.01, 7800.0, 200e9, 2.6)
    spring = Attachment(0.05, stiffness=2000.0, far_mass=0.06)
    pole = decay_modes(lossless(rail, count=2), (spring,))[0]
    assert pole.imag == pytest.approx(np.sqrt(2000 * (1 / 0.06 + 1 / rail.mass)), rel=1e-4)


def test_driver_on_an_immovable_block_is_one_mass_on_a_spring():
    unit = driver.DRIVER
    hz = np.array([172.0, 344.0])
    still = np.full(2, 1e-18 + 0j)
    moved = unit.motion(np.array([1.0, 1.0]), hz, still)
    omega = 2 * np.pi * hz
    link = unit.stiffness + 1j * omega * unit.damping
    # Textbook single degree of freedom: x = F / (k - m w^2 + j w r), mass pushed by -F.
    expected = -1 / (link - unit.moving_mass * omega**2)
    np.testing.assert_allclose(moved.travel, expected, rtol=1e-6)


def test_driver_and_what_it_is_fixed_to_share_one_momentum():
    unit, hz = driver.DRIVER, np.array([172.0])
    moved = unit.motion(np.array([1.0]), hz, driver.block_receptance(hz))
    # No outside force: (block + base) a_base + mass a_mass = 0.
    total = (driver.BLOCK_MASS + unit.base_mass) * moved.base + unit.moving_mass * moved.mass
    assert abs(total[0]) < 1e-9 * abs(unit.moving_mass * moved.mass[0])


@pytest.mark.parametrize(
    ("power", "harmonics"),
    [
        # cos^n in multiple angles (trigonometric identities).
        (2, {2: 1 / 2}),
        (3, {1: 3 / 4, 3: 1 / 4}),
        (4, {2: 1 / 2, 4: 1 / 8}),
        (5, {1: 5 / 8, 3: 5 / 16, 5: 1 / 16}),
        (6, {2: 15 / 32, 4: 3 / 16, 6: 1 / 32}),
    ],
)
def test_powers_of_a_cosine_make_the_known_harmonics(power, harmonics):
    coefficients = tuple(0.3 if n == power else 0.0 for n in range(2, power + 1))
    amplitude = 1.7
    found = driver.cosine_powers(coefficients, amplitude)
    expected = np.zeros(driver.HARMONICS)
    for k, share in harmonics.items():
        expected[k - 1] = 0.3 * amplitude**power * share
    np.testing.assert_allclose(found, expected, atol=1e-12)


def test_driver_harmonics_grow_by_two_and_three_db_a_db():
    hz = 172.0 * np.arange(1, driver.HARMONICS + 1)
    load = driver.block_receptance(hz)
    low, high = (abs(driver.DRIVER.tone(db, 172.0, load).base) for db in (-21.0, -20.0))
    growth = 20 * np.log10(high[:3] / low[:3])
    np.testing.assert_allclose(growth, [1, 2, 3], atol=0.02)


def test_driver_distortion_depends_on_its_load():
    hz = 172.0 * np.arange(1, driver.HARMONICS + 1)
    heavy = driver.DRIVER.tone(0.0, 172.0, driver.block_receptance(hz)).base
    light = driver.DRIVER.tone(0.0, 172.0, driver.block_receptance(hz) * 4).base
    assert abs(light[2] / light[0]) > 1.05 * abs(heavy[2] / heavy[0])


def test_loose_contact_without_gap_is_a_half_wave(monkeypatch):
    monkeypatch.setattr(contact, "GAP", 0.0)
    force = contact.contact_force(1e-5) / (contact.CONTACT_STIFFNESS * 1e-5)
    # Fourier series of a half-wave rectified cosine: 1/2, 2/(3 pi), 0, -2/(15 pi); here the
    # rail strikes on its way down, which turns the odd harmonics over.
    np.testing.assert_allclose(
        force[:4], [-1 / 2, 2 / (3 * np.pi), 0, -2 / (15 * np.pi)], atol=1e-6
    )


def test_loose_contact_is_silent_below_its_gap():
    assert not np.any(contact.contact_force(0.999 * contact.GAP))
    assert np.any(contact.contact_force(1.05 * contact.GAP))


def test_recorder_bends_a_tone_as_its_curve_says(monkeypatch):
    for name, value in (("WHITE_DB", (-200.0, -200.0)), ("ROOM_DB", -200.0), ("HUM_DB", {})):
        monkeypatch.setattr(recorder, name, value)
    monkeypatch.setattr(recorder, "CUBE_TERM", 0.4)
    monkeypatch.setattr(recorder, "SQUARE_TERM", 0.2)
    time = np.arange(24_000) / recorder.RATE_HZ
    tone = 0.5 * np.cos(2 * np.pi * 172 * time)
    out = recorder.record(np.array([tone, tone]), np.random.default_rng(0))[0] / 32768
    lines = 2 * np.abs(np.fft.rfft(out)) / time.size
    # b A^2/2 at 2f and c A^3/4 at 3f.
    assert lines[344] == pytest.approx(0.2 * 0.5**2 / 2, abs=2e-6)
    assert lines[516] == pytest.approx(0.4 * 0.5**3 / 4, abs=2e-6)


def test_recorder_refuses_to_clip():
    with pytest.raises(ValueError, match="would clip"):
        recorder.record(np.full((2, 100), 1.1), np.random.default_rng(0))


def test_sweep_reaches_each_frequency_when_farina_says():
    # Farina (2000): f(t) = f1 exp(t/L), L = T / ln(f2/f1); 2f is passed L ln 2 later.
    low, high = takes.SWEEP_HZ
    rate = takes.SWEEP_SECONDS / np.log(high / low)
    sweep = takes.sweep_signal()
    rises = np.flatnonzero((sweep[:-1] < 0) & (sweep[1:] >= 0)) / recorder.RATE_HZ
    middle = (rises[1:] + rises[:-1]) / 2 - takes.SWEEP_START
    early = (middle > 0.05) & (middle < 0.35)
    expected = low * np.exp(middle[early] / rate)
    np.testing.assert_allclose(1 / np.diff(rises)[early], expected, rtol=0.03)


@pytest.mark.parametrize(
    ("wood", "gravity", "bending_mpa"),
    [
        # USDA Wood Handbook FPL-GTR-282, table 5-3, 12 % moisture (read in a copy).
        ("larch", 0.52, 12_900),  # western larch
        ("cherry", 0.50, 10_300),  # black cherry
        ("robinia", 0.69, 14_134),  # black locust, converted from 2.05e6 psi
    ],
)
def test_woods_are_those_of_the_handbook(wood, gravity, bending_mpa):
    found = woods.WOODS[wood]
    # Equation 4-14: density = 1000 G (1 + M/100); 10 % more stiffness without shear deflection.
    assert found.density == pytest.approx(1000 * gravity * 1.12)
    assert found.youngs_modulus == pytest.approx(1.10e6 * bending_mpa)
    # Softwoods 0.008 to 0.010 (Vigran 2008, table 3.1); hardwoods: common range, no source.
    low, high = (0.008, 0.010) if wood == "larch" else (0.004, 0.015)
    assert low <= found.loss_factor <= high
