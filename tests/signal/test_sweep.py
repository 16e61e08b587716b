"""The sweep's analysis against known filters, steady tones and known noise.

Outside references: time advances from Farina's formula computed independently; scipy.signal's
`freqz` for filters.
"""

from __future__ import annotations

from contextlib import contextmanager

import numpy as np
import pytest
from scipy import signal
from scipy.fft import irfft, rfft

from studylib.codes import fields_of
from studylib.errors import InputError
from studylib.signal.sweep import (
    SweepShape,
    deconvolve,
    free_decay,
    mode_band,
    sweep_signal,
    sweep_spectrum,
    transform_length,
    usable_band,
)
from studylib.signal.sweep_response import measure_response, spectrum_at

RATE = 24_000
SHAPE = SweepShape(60.0, 8000.0, 2.0)
FREQUENCIES = np.geomspace(80.0, 7000.0, 60)


@contextmanager
def refused(code):
    """What is done inside raises one fault of this code."""
    with pytest.raises(InputError) as caught:
        yield caught
    assert caught.value.codes == (code,)


def a_take(system=lambda x: x, *, before_s=0.3, after_s=0.5, shape=SHAPE, rate=RATE, fade_s=0.01):
    """The sweep through a system, silence before and after it."""
    wave = sweep_signal(shape, rate_hz=rate, fade_s=fade_s)
    wave = np.pad(wave, (round(before_s * rate), round(after_s * rate)))
    return system(0.5 * wave)


def response_of(x, *, at=FREQUENCIES, shape=SHAPE, rate=RATE, timing=0):
    return measure_response(
        np.atleast_2d(x), shape=shape, rate_hz=rate, frequency_hz=at, timing=timing
    )


def db(ratio):
    return 20 * np.log10(np.abs(ratio))


def resonator(f_hz, loss):
    pole = np.exp((-np.pi * f_hz * loss + 2j * np.pi * f_hz) / RATE)
    return np.array([0.05, 0.02]), np.array([1.0, -2.0 * pole.real, abs(pole) ** 2])


def test_time_advances_of_the_orders():
    # f1 20, f2 20 000 Hz, T 10 s: L 1.4476483 s; L ln k for k = 2..5, computed from the formula.
    shape = SweepShape(20.0, 20_000.0, 10.0)
    assert shape.growth_s == pytest.approx(1.4476483, abs=5e-8)
    known = [1.003433, 1.590404, 2.006867, 2.329900]
    assert [shape.advance_s(k) for k in (2, 3, 4, 5)] == pytest.approx(known, abs=1e-6)


@pytest.mark.parametrize("order", [2, 3, 4, 5])
def test_orders_stand_where_the_advance_says_within_a_sample(order):
    shape, rate = SweepShape(20.0, 20_000.0, 10.0), 48_000
    k = order
    wave = sweep_signal(shape, rate_hz=rate)
    # A Chebyshev polynomial turns a sine into its k-th harmonic alone; low-passed first, so that
    # no harmonic folds back.
    b, a = signal.butter(6, 20_000.0 / k / 1.3, fs=rate)
    pure = np.polynomial.chebyshev.Chebyshev.basis(k)(signal.filtfilt(b, a, wave))
    x = np.pad(pure, (round(4 * rate), rate))[None]
    length = transform_length(x.shape[1], shape, rate_hz=rate)
    spectrum = deconvolve(x, shape=shape, rate_hz=rate)[0]
    f = np.arange(spectrum.size) * rate / length
    ir = irfft(spectrum * ((f > 200 * k) & (f < 8000)), length)
    # Orders stand turned by a constant phase: the envelope has the peak.
    place = np.abs(signal.hilbert(ir)).argmax()
    assert abs(place - (4 - shape.advance_s(k)) * rate) <= 1.0


def test_the_spectrum_is_that_of_the_sweep():
    # Against the plain transform of a slow sweep, away from its edges.
    shape = SweepShape(20.0, 10_000.0, 10.0)
    x = sweep_signal(shape, rate_hz=RATE, fade_s=0.2)
    f = np.fft.rfftfreq(x.size, 1 / RATE)[1:]
    inside = (f > 60) & (f < 8000)
    ratio = rfft(x)[1:][inside] / sweep_spectrum(shape, f[inside], rate_hz=RATE)
    assert np.abs(ratio - 1).max() < 0.01


def test_the_spectrum_at_any_frequency_is_the_fourier_sum(rng):
    x, at = rng.standard_normal(3001), np.array([61.3, 500.02, 7777.7])
    direct = (x * np.exp(-2j * np.pi * at[:, None] * np.arange(3001) / RATE)).sum(axis=1)
    assert np.abs(spectrum_at(x, at, rate_hz=RATE) - direct).max() < 1e-4 * np.abs(direct).max()


@pytest.mark.parametrize("before_s", [0.0, 0.02, 1.7, 0.3 + 0.37 / RATE])
def test_the_start_is_found_within_a_tenth_of_a_sample(before_s):
    whole, part = divmod(before_s * RATE, 1.0)
    x = a_take(before_s=whole / RATE, after_s=0.2)
    # A delay by part of a sample, as a turn of the spectrum.
    turn = np.exp(-2j * np.pi * part * np.arange(x.size // 2 + 1) / x.size)
    found = response_of(irfft(rfft(x) * turn, x.size)).start
    assert found == pytest.approx(before_s * RATE, abs=0.1)


def test_no_silence_after_the_sweep_is_needed():
    b, a = signal.butter(2, 3000.0, fs=RATE)
    x = a_take(lambda v: signal.lfilter(b, a, v), before_s=1.1, after_s=0.0)
    found = response_of(np.stack([x, a_take(before_s=1.1, after_s=0.0)]), timing=1)
    truth = signal.freqz(b, a, worN=FREQUENCIES, fs=RATE)[1]
    assert np.abs(db(found.amplitude[0] / found.amplitude[1] / truth)).max() < 0.1


@pytest.mark.parametrize("fade_s", [0.0, 0.01])
def test_a_filters_response_comes_back(fade_s):
    b, a = signal.butter(2, [150.0, 3000.0], btype="band", fs=RATE)
    x = a_take(lambda v: signal.lfilter(b, a, v), fade_s=fade_s)
    low = usable_band(SHAPE)[0]
    at = FREQUENCIES[(low < FREQUENCIES) & (FREQUENCIES < 6000)]
    truth = 0.5 * signal.freqz(b, a, worN=at, fs=RATE)[1]
    found = response_of(x, at=at)
    # An absolute level depends a little on how the sweep began (0.2 dB); a ratio does not.
    assert np.abs(db(found.amplitude[0] / truth)).max() < 0.2
    both = response_of(np.stack([x, a_take(fade_s=fade_s)]), at=at, timing=1)
    ratio = both.amplitude[0] / both.amplitude[1] * 0.5 / truth
    error = np.abs(20 * np.log10(ratio))  # decibels and, as its imaginary part, phase
    assert error.max() < 0.1
    assert error[at > 200].max() < 0.01


@pytest.mark.parametrize("mode_hz", [172.0, 516.0, 3000.0])
def test_the_top_of_a_resonance_comes_back(mode_hz):
    b, a = resonator(mode_hz, 0.01)
    at = mode_hz * np.array([0.99, 0.998, 1.0, 1.002, 1.01])
    x = a_take(lambda v: signal.lfilter(b, a, v), after_s=1.5)
    found = response_of(np.stack([x, a_take(after_s=1.5)]), at=at, timing=1)
    truth = signal.freqz(b, a, worN=at, fs=RATE)[1]
    assert np.abs(db(found.amplitude[0] / found.amplitude[1] / truth)).max() < 0.05


@pytest.mark.parametrize("before_s", [0.02, 0.5])
def test_the_stated_uncertainty_covers_the_noise(rng, before_s):
    clean = a_take(before_s=before_s, after_s=0.4)
    at = np.geomspace(90.0, 7000.0, 24)
    truth, scaled = response_of(clean, at=at).amplitude, []
    for _ in range(40):
        found = response_of(clean + 0.01 * rng.standard_normal(clean.size), at=at)
        scaled.append((found.amplitude - truth) / found.u)
    z = np.array(scaled)
    # Standard normal in both parts; the noise that comes round in the transform counts. The sweep's
    # own skirts raise the noise that is found by some 8 %, to the safe side.
    assert 0.85 < np.sqrt(np.mean(z.real**2)) < 1.02
    assert 0.85 < np.sqrt(np.mean(z.imag**2)) < 1.02
    assert 0.94 < np.mean(np.abs(z.real) < 1.96) < 0.985


def test_nothing_is_given_above_what_is_recorded():
    shape = SweepShape(60.0, 11_900.0, 2.0)
    found = response_of(a_take(shape=shape), at=np.array([500.0, 11_000.0, 11_500.0]), shape=shape)
    assert np.isfinite(found.amplitude[0]).tolist() == [True, True, False]


def test_noise_alone_is_not_present(rng):
    x = a_take(lambda v: np.zeros(v.size)) + 0.003 * rng.standard_normal(a_take().size)
    found = response_of(np.stack([x, a_take()]), timing=1)
    assert found.present[1].all()
    assert found.present[0].mean() < 0.1  # 1 % each, plus what u itself is uncertain by


def test_what_the_driver_adds_at_its_harmonics_stays_out_of_the_response():
    clean, bent = response_of(a_take()), response_of(a_take(lambda v: v + 0.1 * v**2))
    assert np.abs(db(bent.amplitude[0] / clean.amplitude[0])).max() < 0.05


def test_coloured_noise_is_seen_where_it_is(rng):
    x = a_take()
    b, a = signal.butter(2, 500.0, fs=RATE)
    found = response_of(x + signal.lfilter(b, a, 0.01 * rng.standard_normal(x.size)))
    f, u = FREQUENCIES, found.u[0]
    # |S| falls with 1/sqrt(f): the white part of u rises with sqrt(f), the filter's takes away.
    expected = np.abs(signal.freqz(b, a, worN=f, fs=RATE)[1]) * np.sqrt(f)
    level = db(u / expected)
    # The filter alone spans 31 dB there.
    assert np.ptp(level[f < 3000.0]) < 6.0


@pytest.mark.parametrize(
    "wrong",
    [SweepShape(60.0, 8000.0, 2.5), SweepShape(60.0, 8000.0, 1.6), SweepShape(20.0, 8000.0, 2.0),
     SweepShape(60.0, 4000.0, 2.0), SweepShape(300.0, 11_000.0, 2.0)],
)  # fmt: skip
def test_another_shape_than_was_played_is_refused(wrong):
    b, a = resonator(172.0, 0.01)
    x = a_take(lambda v: v + signal.lfilter(b, a, v), before_s=0.7, after_s=1.0)
    with refused("sweeps.not_found"):
        response_of(x, shape=wrong, at=np.array([500.0]))


def test_the_length_that_was_played_is_named():
    with refused("sweeps.not_found") as caught:
        response_of(a_take(after_s=1.0), shape=SweepShape(60.0, 8000.0, 2.5), at=np.array([500.0]))
    assert fields_of(caught.value.notes[0])["took_s"] == pytest.approx(2.0, abs=0.005)


def test_noise_without_a_sweep_is_refused(rng):
    with refused("sweeps.not_found"):
        response_of(0.1 * rng.standard_normal(3 * RATE))


def test_silence_is_refused():
    with refused("sweeps.not_found"):
        response_of(np.zeros(3 * RATE))


def test_a_sweep_that_is_cut_off_is_refused():
    x = a_take()
    with refused("sweeps.cut_off"):
        response_of(x[: round(1.9 * RATE)])
    with refused("sweeps.began_before"):
        response_of(x[round(0.5 * RATE) :])


def test_a_sweep_beyond_half_the_sampling_rate_is_refused():
    with refused("sweeps.above_half_rate"):
        response_of(a_take(), shape=SweepShape(60.0, 13_000.0, 2.0))


def test_the_decay_holds_the_poles_of_the_filter():
    b, a = resonator(440.0, 0.01)
    x = a_take(lambda v: signal.lfilter(b, a, v), after_s=1.0)[None]
    found = response_of(x)
    decay, skipped = free_decay(
        found.spectrum, shape=SHAPE, rate_hz=RATE, length=found.length,
        start=found.begins, frames=found.held, seconds=0.5,
    )  # fmt: skip
    t = skipped + np.arange(decay.size) / RATE
    # The filter's own impulse response, 0.5 for the sweep's amplitude.
    known = 0.5 * signal.lfilter(b, a, np.eye(1, decay.size + 200)[0])
    rate = np.pi * 440.0 * 0.01
    level = np.abs(signal.hilbert(decay))[400:6000]
    slope = np.polyfit(t[400:6000], np.log(level), 1)[0]
    assert -slope == pytest.approx(rate, rel=0.02)
    start = np.abs(signal.hilbert(known))[400:6000]
    assert np.median(db(level / start)) == pytest.approx(db(np.exp(-rate * skipped)), abs=0.3)
    assert mode_band(SHAPE) == pytest.approx((78.0, 8000 / 1.3))
