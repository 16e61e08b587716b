"""Modes of one decay against their truth and against the least spread that is possible.

Outside reference: the Cramér-Rao bound of all modes together, numerical (`rings.bound`; checked
against its published closed form in test_poles). Monte Carlo with fixed seeds: N runs know a
standard deviation to 1 / sqrt(2 N); three times that is allowed beside each limit, and the limits
themselves are held by the average over the modes. Noise is white unless said otherwise.
"""

from __future__ import annotations

import itertools
from typing import NamedTuple

import numpy as np
import pytest
from scipy.fft import rfft
from scipy.signal import fftconvolve

from studylib.signal.decays import find_decays, told_decays
from tests.draws import draws
from tests.signal.rings import RATE, bound, mode_set, noise_sd, pink, ring, units
from tests.signal.rooms import Room, response

N = RATE  # 1 s
BOARD_HZ = np.array([163.0, 250, 410, 655, 990, 1480, 2150, 3050, 4300, 5800])
BOARD_LOSS = np.linspace(0.0095, 0.013, 10)
ROBUST = 1.4826  # of a median of absolute values, for a normal spread


def decays_of(x, **more):
    facts = {"rate_hz": RATE, "lowest_hz": 40.0, "highest_hz": 8000.0, "most": 16} | more
    return find_decays(rfft(x), n=len(x), **facts)


class Runs(NamedTuple):
    """Errors in units of the bound and of the stated uncertainty, (runs, K, 3) for frequency,
    loss factor and amplitude, NaN where the number of modes was wrong; how many modes were
    found (runs,); whether any was flagged as misfit (runs,)."""

    of_bound: np.ndarray
    of_stated: np.ndarray
    found: np.ndarray
    flagged: np.ndarray

    @property
    def rms(self):
        return np.sqrt(np.nanmean(self.of_bound**2, axis=0))


def simulated(frequencies, losses, *, snr_db, runs, seed, n=N, hum=None) -> Runs:
    """Rings of equal modes with random phases, all at one signal-to-noise ratio."""
    rng = np.random.default_rng(seed)
    sd = noise_sd(snr_db)
    f, loss = np.broadcast_arrays(np.asarray(frequencies, float), losses)
    of = units(mode_set(f, loss, rng), n=n)
    of_bound, of_stated = np.full((2, runs, len(f), 3), np.nan)
    found, flagged = np.zeros(runs, int), np.zeros(runs, bool)
    least = None
    for run in range(runs):
        modes = mode_set(f, loss, rng)
        # The bound of far modes hardly hangs on their phases; that of a pair does.
        if least is None or len(f) == 2:
            least = np.stack(bound(modes, sd=sd, n=n), axis=1)
        x = ring(modes, n=n, of=of) + sd * rng.standard_normal(n)
        decays = decays_of(x if hum is None else x + hum)
        found[run], flagged[run] = len(decays.frequency_hz), decays.misfit.any()
        if found[run] != len(f):
            continue
        off = [decays.frequency_hz - f, decays.loss_factor - loss, decays.amplitude - 1.0]
        stated = [decays.u_frequency_hz, decays.u_loss_factor, decays.u_amplitude]
        of_bound[run] = np.stack(off, axis=1) / least
        of_stated[run] = np.stack(off, axis=1) / np.stack(stated, axis=1)
    return Runs(of_bound, of_stated, found, flagged)


@pytest.fixture(scope="module")
def board():
    return simulated(BOARD_HZ, BOARD_LOSS, snr_db=30.0, runs=200, seed=1)


def test_frequency_and_loss_factor_spread_within_15_percent_of_the_bound(board):
    # 200 runs of 10 modes know the average to 1.6 %, each mode to 5 %.
    average = np.sqrt(np.mean(board.rms**2, axis=0))
    assert np.all(average[:2] < 1.15), average
    assert np.all(board.rms[:, :2] < 1.15 + 0.15), board.rms
    # Below the bound no honest estimate gets, but by chance.
    assert np.all(average > 0.94), average


def test_the_initial_level_spreads_as_the_bound_says(board):
    assert np.sqrt(np.mean(board.rms[:, 2] ** 2)) < 1.15


def test_a_spurious_mode_comes_up_in_at_most_2_percent_of_taps_and_none_is_lost(board):
    assert np.mean(board.found > 10) <= 0.02
    assert np.mean(board.found < 10) <= 0.02


def test_stated_uncertainties_are_the_spread(board):
    stated = np.sqrt(np.nanmean(board.of_stated**2, axis=(0, 1)))
    assert np.all((stated > 0.85) & (stated < 1.1)), stated


def test_nothing_is_biased(board):
    # 200 runs know a mean to 0.07 of the spread, all ten modes together to 0.02.
    mean = np.nanmean(board.of_bound, axis=0)
    assert np.all(np.abs(mean) < 0.25), mean
    assert np.all(np.abs(mean.mean(axis=0)) < 0.08), mean.mean(axis=0)


def test_clean_modes_are_not_flagged(board):
    assert board.flagged.mean() <= 0.02


@pytest.mark.parametrize("frequency_hz", [163.0, 1300.0])
def test_modes_exactly_3_bandwidths_apart(frequency_hz):
    f = frequency_hz * (1 + 3 * 0.012) ** np.arange(3)
    runs = simulated(f, 0.012, snr_db=30.0, runs=100, seed=2)
    assert np.all(runs.found == 3)
    assert np.all(np.sqrt(np.mean(runs.rms[:, :2] ** 2, axis=0)) < 1.15 + 0.12), runs.rms


def drawn(rng, *, crowded):
    """Ten modes at random, 3 or more bandwidths apart: over five octaves, or side by side with
    gaps of 3 to 12 bandwidths."""
    loss = rng.uniform(0.009, 0.013, 10)
    if crowded:
        f = [rng.uniform(100.0, 400.0)]
        for a, b in itertools.pairwise(loss):
            f.append(f[-1] * (1 + 0.5 * (a + b) * rng.uniform(3.0, 12.0)))
        return np.array(f), loss
    while True:
        f = np.sort(np.exp(rng.uniform(np.log(150.0), np.log(6000.0), 10)))
        if np.all(np.diff(f) > 1.5 * ((f * loss)[1:] + (f * loss)[:-1])):
            return f, loss


@pytest.mark.parametrize("crowded", [False, True])
def test_ten_modes_anywhere_3_or_more_bandwidths_apart(crowded):
    rng = np.random.default_rng(17)
    sd, off, found = noise_sd(30.0), [], []
    for _ in range(draws(100, share=40)):
        f, loss = drawn(rng, crowded=crowded)
        modes = mode_set(f, loss, rng)
        of = units(modes, n=N)
        decays = decays_of(ring(modes, n=N, of=of) + sd * rng.standard_normal(N))
        found.append(len(decays.frequency_hz))
        if found[-1] == 10 and len(off) < 40:
            least = bound(modes, sd=sd, n=N)
            off.append(
                [
                    (decays.frequency_hz - f) / least.frequency_hz,
                    (decays.loss_factor - loss) / least.loss,
                ]
            )
    assert np.mean(np.array(found) > 10) <= 0.02
    assert np.mean(np.array(found) < 10) <= 0.02
    # 40 runs of ten modes know a spread to 3.5 %.
    average = np.sqrt(np.mean(np.square(off), axis=(0, 2)))
    assert np.all(average < 1.15 + 0.1), average
    robust = ROBUST * np.median(np.abs(off), axis=(0, 2))
    assert np.all(robust < 1.15 + 0.1), robust


@pytest.mark.parametrize("frequency_hz", [163.0, 440.0, 1300.0, 4400.0])
def test_two_modes_one_bandwidth_apart(frequency_hz):
    loss = 0.011
    f = np.array([frequency_hz, frequency_hz * (1 + loss)])
    runs = simulated(f, loss, snr_db=30.0, runs=100, seed=3)
    off = np.abs(runs.of_bound)
    robust = ROBUST * np.nanmedian(off, axis=(0, 1))
    assert np.all(robust[:2] < 1.5), robust
    # A failure: not two modes, or one of them more than ten spreads off.
    failed = (runs.found != 2) | (np.nan_to_num(off).max(axis=(1, 2)) > 10.0)
    assert failed.mean() <= 0.02
    assert np.all(runs.flagged[failed])


def test_the_noise_floor_bends_no_decay_even_at_15_db():
    # Envelopes in decibels run into the floor and read too slow a decay; this must not.
    runs = simulated(BOARD_HZ[:5], BOARD_LOSS[:5], snr_db=15.0, runs=120, seed=4)
    assert np.mean(runs.found == 5) > 0.97
    mean = np.nanmean(runs.of_bound, axis=(0, 1))
    assert np.all(np.abs(mean) < 0.15), mean  # known to 0.04
    assert np.all(np.sqrt(np.mean(runs.rms**2, axis=0)) < 1.2)


def test_pairs_that_are_one_to_the_eye_are_marked_close():
    rng = np.random.default_rng(5)
    modes = mode_set([440.0, 445.0, 900.0], 0.011, rng)
    decays = decays_of(ring(modes, n=N) + noise_sd(30.0) * rng.standard_normal(N))
    np.testing.assert_array_equal(decays.close, [True, True, False])


def test_something_that_is_no_decay_is_flagged():
    # The frequency glides by four bandwidths while it dies: no sum of few decays.
    rng = np.random.default_rng(6)
    t = np.arange(N) / RATE
    glide = np.exp(-20.0 * t) * np.cos(2 * np.pi * (600.0 * t + 12.0 * np.exp(-t / 0.05) * t))
    decays = decays_of(glide + noise_sd(50.0) * rng.standard_normal(N))
    near = np.abs(decays.frequency_hz - 600.0) < 60.0
    assert decays.misfit[near].any()


def test_pink_noise():
    rng = np.random.default_rng(7)
    of = units(mode_set(BOARD_HZ, BOARD_LOSS, rng), n=N)
    found, ratio, snr = [], [], []
    for _ in range(80):
        x = ring(modes := mode_set(BOARD_HZ, BOARD_LOSS, rng), n=N, of=of)
        decays = decays_of(x + 0.02 * pink(N, rng))
        found.append(len(decays.frequency_hz))
        if found[-1] == len(modes):
            ratio.append((decays.frequency_hz - BOARD_HZ) / decays.u_frequency_hz)
            snr.append(decays.snr_db)
    assert np.mean(np.array(found) > 10) <= 0.025
    assert np.mean(np.array(found) < 10) <= 0.025
    # Each mode has the noise of its own place, 3 dB an octave: from 163 to 5800 Hz 15.5 dB.
    slope = np.polyfit(np.log2(BOARD_HZ), np.mean(snr, axis=0), 1)[0]
    assert slope == pytest.approx(3.01, abs=0.3)
    assert 0.8 < np.sqrt(np.mean(np.square(ratio))) < 1.15


@pytest.mark.parametrize("hum_hz", [50.0, 100.0, 150.0])
def test_hum_is_no_mode_and_bends_no_neighbour(hum_hz):
    hum = 0.05 * np.cos(2 * np.pi * (hum_hz + 0.013) * np.arange(N) / RATE + 1.0)
    f = np.array([163.0, 250.0, 410.0])
    with_hum, without = (
        simulated(f, 0.011, snr_db=30.0, runs=40, seed=8, hum=line) for line in (hum, None)
    )
    assert np.all(with_hum.found == 3)
    assert np.all(without.found == 3)
    # The same noise in both: only what the hum itself does is left.
    moved = np.abs(with_hum.of_bound - without.of_bound)[..., :2]
    assert np.sqrt(np.mean(moved**2)) < 0.5
    assert np.all(np.sqrt(np.mean(with_hum.rms**2, axis=0)) < 1.3)


def test_of_more_modes_than_asked_for_the_strongest_stay():
    rng = np.random.default_rng(9)
    # Energy is the squared amplitude over the decay rate: 990 Hz and 163 Hz lead.
    amplitudes = [0.5, 0.01, 0.05, 0.02, 1.0]
    modes = mode_set(BOARD_HZ[:5], BOARD_LOSS[:5], rng, amplitude=amplitudes)
    x = ring(modes, n=N) + 1e-4 * rng.standard_normal(N)
    decays = decays_of(x, most=2)
    np.testing.assert_allclose(decays.frequency_hz, [163.0, 990.0], rtol=1e-3)
    np.testing.assert_allclose(decays.amplitude, [0.5, 1.0], rtol=0.01)


def test_snr_is_half_the_squared_amplitude_over_the_noise_variance():
    rng = np.random.default_rng(10)
    modes = mode_set(BOARD_HZ, BOARD_LOSS, rng)
    decays = decays_of(ring(modes, n=N) + noise_sd(30.0) * rng.standard_normal(N))
    assert np.mean(decays.snr_db) == pytest.approx(30.0, abs=0.5)


def test_a_pure_tone_is_no_mode():
    rng = np.random.default_rng(11)
    x = 0.1 * np.cos(2 * np.pi * 172.03 * np.arange(N) / RATE) + 1e-3 * rng.standard_normal(N)
    assert len(decays_of(x).frequency_hz) == 0


def test_noise_alone_has_no_modes():
    rng = np.random.default_rng(12)
    found = [len(decays_of(rng.standard_normal(N)).frequency_hz) for _ in range(100)]
    assert np.sum(found) <= 1


@pytest.mark.parametrize("n", [0, 1, 64, 500, 4800])
def test_silence_and_records_too_short_to_tell(n):
    spectrum = np.zeros(n // 2 + 1, complex)
    facts = {"rate_hz": RATE, "lowest_hz": 40.0, "highest_hz": 8000.0, "most": 16}
    decays = find_decays(spectrum, n=max(n, 1), **facts)
    assert decays.frequency_hz.shape == decays.u_loss_factor.shape == (0,)
    assert decays.unexplained == 0.0


def test_a_short_record_still_gives_its_modes():
    # 0.15 s: the lowest mode has not even lost half of its amplitude.
    rng = np.random.default_rng(13)
    n = round(0.15 * RATE)
    runs = simulated([163.0, 410.0, 990.0], 0.011, snr_db=30.0, runs=60, seed=14, n=n)
    assert np.mean(runs.found == 3) > 0.95
    assert np.all(np.sqrt(np.mean(runs.rms[:, :2] ** 2, axis=0)) < 1.3), runs.rms
    x = ring(mode_set([163.0], 0.011, rng), n=n)
    assert len(decays_of(x + 1e-3 * rng.standard_normal(n)).frequency_hz) == 1


def test_silence_after_the_ring_makes_no_estimate_worse():
    # A sweep's response is as long as its take: the mode's peak is then thousands of bins wide.
    runs = simulated([7400.0], 0.012, snr_db=40.0, runs=24, seed=18, n=16 * N)
    assert np.all(runs.found == 1)
    # 24 runs know the spread of two quantities to 10 %.
    assert np.sqrt(np.mean(runs.rms[:, :2] ** 2)) < 1.15 + 0.3, runs.rms


def test_low_modes_and_one_next_to_the_lowest_frequency_looked_at():
    rng = np.random.default_rng(15)
    off = []
    for _ in range(40):
        modes = mode_set([45.0, 61.0, 90.0], 0.012, rng)
        x = ring(modes, n=2 * N) + noise_sd(30.0) * rng.standard_normal(2 * N)
        decays = decays_of(x)
        assert len(decays.frequency_hz) == 3
        least = bound(modes, sd=noise_sd(30.0), n=2 * N)
        off.append((decays.frequency_hz - [45.0, 61.0, 90.0]) / least.frequency_hz)
    # Forty runs know a spread to 11 %. Below the lowest frequency no bins help the first mode.
    assert np.all(np.sqrt(np.mean(np.square(off), axis=0)) < 1.6)


def test_modes_outside_the_limits_are_not_reported():
    rng = np.random.default_rng(16)
    modes = mode_set([163.0, 410.0, 2150.0], 0.011, rng)
    x = ring(modes, n=N) + noise_sd(40.0) * rng.standard_normal(N)
    decays = decays_of(x, lowest_hz=200.0, highest_hz=1500.0)
    np.testing.assert_allclose(decays.frequency_hz, [410.0], rtol=1e-3)


@pytest.mark.parametrize(("ratio_db", "told"), [(20.0, False), (45.0, True)])
def test_a_search_that_may_leave_little_ends_where_a_room_is_heard(ratio_db, told):
    # A hundredth of the energy in a room's tail is far above -38 dB, a thirty-thousandth below.
    rng = np.random.default_rng(7)
    modes = mode_set(BOARD_HZ[2:8], BOARD_LOSS[2:8], rng)
    x = fftconvolve(ring(modes, n=N), response(Room(0.4, ratio_db), rng))[:N]
    x += noise_sd(60.0) * rng.standard_normal(N)
    found = decays_of(x, most_left=10**-3.8)
    assert len(found.frequency_hz) == (len(modes) if told else 0)
    if told:  # nothing else is changed by it
        np.testing.assert_array_equal(found.frequency_hz, decays_of(x).frequency_hz)


def test_the_rooms_part_of_an_uncertainty_is_what_it_has_beyond_that_without_a_room():
    # Two decays, the higher one first; uncertainties per sample as shares of each decay.
    f, loss = np.array([990.0, 163.0]), np.array([0.012, 0.0095])
    s = (-np.pi * f * loss + 2j * np.pi * f) / RATE
    whole, quiet, u_f = [0.05, 0.03], np.array([0.03, 0.03]), [1e-4, 2e-4]
    told = told_decays(
        s, np.array([0.1 + 0j, 0.2]), u_decay=-s.real * whole, u_angle=s.imag * u_f,
        u_amplitude=np.ones(2), noise=np.ones(2), misfit=np.zeros(2), rate_hz=RATE,
        limits_hz=(40.0, 8000.0), most=16, quiet=-s.real * quiet,
    )  # fmt: skip
    assert told.frequency_hz == pytest.approx(f[::-1])
    assert told.u_loss_factor == pytest.approx((loss * np.hypot(whole, u_f))[::-1])
    # 0.05^2 = 0.03^2 + 0.04^2
    assert told.u_place == pytest.approx([0.0, 0.04 * loss[0]], abs=1e-9)
