"""Decays in the bins of a transform: the model against NumPy's, the fit against truth and bound.

Outside references: `numpy.fft` of synthesised decays; the Cramér-Rao bound of a damped sinusoid in
closed form, var(A) = 8 a s^2 / fs and var(a) = var(w) = 16 a^3 s^2 / (A^2 fs) (textbook result,
for light damping and a record in which the decay dies), and its worked example.
"""

from __future__ import annotations

import numpy as np
import pytest

from studylib.signal import poles
from studylib.signal.poles import decays_in_bins, fit_poles, terms
from tests.signal.rings import Mode, bound, noise_sd, ring

N, RATE = 8192, 16_000


def turns_of(bins, *, n=N):
    return np.exp(-2j * np.pi * np.asarray(bins) / n)


def poles_of(modes, *, rate=RATE):
    s = np.array([mode.pole for mode in modes]) / rate
    c = np.array([mode.amplitude * np.exp(1j * mode.phase) for mode in modes])
    return s, c


@pytest.mark.parametrize(
    "modes",
    [
        [Mode(440.0, 0.01, 1.0, 0.7)],
        [Mode(441.3, 1e-6, 0.5, -1.0)],  # hardly dies at all within the record
        [Mode(50.0, 0.0, 0.1, 0.3)],  # hum, between two bins
        [Mode(60.0, 0.2, 1.0, 2.0)],  # a thud
        [Mode(163.0, 0.012, 1.0, 0.1), Mode(166.0, 0.008, 0.3, 2.0), Mode(7900.0, 0.01, 0.2, 1.0)],
    ],
)
def test_the_model_is_numpys_transform_of_the_decays(modes):
    s, c = poles_of(modes)
    turns = turns_of(np.arange(N // 2 + 1))
    wanted = np.fft.rfft(ring(modes, n=N, rate_hz=RATE))
    both = c @ terms(s, n=N, turns=turns) + np.conj(c) @ terms(np.conj(s), n=N, turns=turns)
    np.testing.assert_allclose(both, wanted, rtol=0, atol=1e-11 * np.abs(wanted).max())
    # In a few bins and in many, which are taken in parts.
    most = round(0.45 * N)  # no modes are looked for above
    assert most - 20 > poles.BLOCK
    for band in (slice(20, 320), slice(20, most)):
        found = decays_in_bins(s, c, n=N, turns=turns[band])
        np.testing.assert_allclose(found, wanted[band], rtol=0, atol=1e-11 * np.abs(wanted).max())


def test_a_term_is_the_half_at_positive_frequencies():
    s, c = poles_of([Mode(700.0, 0.01, 1.0, 0.4)])
    n = np.arange(N)
    analytic = np.fft.fft(0.5 * c[0] * np.exp(s[0] * n))[: N // 2 + 1]
    found = c @ terms(s, n=N, turns=turns_of(np.arange(N // 2 + 1)))
    np.testing.assert_allclose(found, analytic, rtol=0, atol=1e-11 * np.abs(analytic).max())


def bins_around(modes, *, reach=6.0, noise=None, n=N, rate=RATE):
    """(target, turns) of the bins around modes, the halves at negative frequencies taken off."""
    s, c = poles_of(modes, rate=rate)
    x = ring(modes, n=n, rate_hz=rate)
    x = x if noise is None else x + noise
    widths = reach * np.array([mode.frequency_hz * mode.loss for mode in modes])
    f = np.array([mode.frequency_hz for mode in modes])
    first = int((f - widths).min() * n / rate)
    last = int(np.ceil((f + widths).max() * n / rate))
    turns = turns_of(np.arange(first, last + 1), n=n)
    other = np.conj(c) @ terms(np.conj(s), n=n, turns=turns)
    return np.fft.rfft(x)[first : last + 1] - other, turns


LONE = [Mode(440.0, 0.02, 1.0, 0.7)]
PAIR = [Mode(440.0, 0.02, 1.0, 0.7), Mode(449.0, 0.017, 0.4, -2.0)]
SLOW = [Mode(442.0, 1e-4, 1.0, 0.7), Mode(452.0, 5e-4, 0.8, 0.2)]


@pytest.mark.parametrize("modes", [LONE, PAIR, SLOW])
def test_without_noise_the_decays_come_back_exactly(modes):
    target, turns = bins_around(modes, reach=6.0 if modes is not SLOW else 400.0)
    s, c = poles_of(modes)
    start = s * 1.0 + (-0.3 + 0.2j) * np.abs(s.real)
    fit = fitted(target, turns, start)
    order = np.argsort(fit.s.imag)
    # The search ends at a thousandth of the noise of a bin, and there is none: what is left is
    # rounding, magnified by how alike the decays are.
    np.testing.assert_allclose(fit.s[order], s, rtol=0, atol=1e-9 * np.abs(s.real).max())
    np.testing.assert_allclose(fit.c[order], c, rtol=0, atol=1e-8)


def fitted(target, turns, s, *, n=N, held=(0.0, np.pi, 1.0)):
    """A fit begun at poles, with the amplitudes that are best for them."""
    unit = terms(s, n=n, turns=turns)
    c = np.linalg.lstsq(unit.T, target, rcond=None)[0]
    fit = fit_poles(target - c @ unit, n=n, turns=turns, s=s[None], c=c[None], held=held)
    of_one = ("s", "c", "s_scale", "c_scale")
    return fit._replace(**{name: getattr(fit, name)[0] for name in of_one})


def test_a_decay_is_held_within_its_angles_and_its_steepness_and_none_grows():
    noise = 1e-6 * np.random.default_rng(3).standard_normal(N)
    target, turns = bins_around(LONE, noise=noise)
    (s,), _ = poles_of(LONE)
    f = s.imag * np.array([0.9, 1.05, 1.1, 1.2])
    for low, high, steepest in ((f[0], f[2], 1.0), (f[2], f[3], 1.0), (f[0], f[1], 0.004)):
        fit = fitted(target, turns, np.array([1j * f[1] - 1e-4]), held=(low, high, steepest))
        assert low <= fit.s[0].imag <= high
        assert -steepest * fit.s[0].imag <= fit.s[0].real <= 0.0
    growing = np.conj(target) * turns ** (N - 1)  # the same decay, backwards in time
    assert fitted(growing, turns, np.array([s])).s[0].real <= 0.0
    free = fitted(target, turns, np.array([1j * f[1] - 1e-4]))
    assert free.s[0] == pytest.approx(s, rel=1e-6)


def test_slopes_are_worked_out_for_accepted_steps_alone(monkeypatch):
    # From so far off some steps make things worse and are taken back.
    target, turns = bins_around(PAIR)
    s, _ = poles_of(PAIR)
    counts = {"_products": 0, "_over": 0}

    def counted(name, function):
        def inner(*args, **options):
            counts[name] += 1
            return function(*args, **options)

        return inner

    for name in counts:
        monkeypatch.setattr(poles, name, counted(name, getattr(poles, name)))
    fitted(target, turns, s + (-2.5 + 3.0j) * np.abs(s.real))
    # The terms of the start are worked out twice, the second time by the fit.
    assert 0 < counts["_products"] < counts["_over"] - 2


def test_groups_fitted_at_once_are_what_each_is_by_itself():
    # One needs more steps than the other, and one is held at its limit.
    rng = np.random.default_rng(4)
    modes = [Mode(440.0, 0.02, 1.0, 0.7), Mode(900.0, 0.01, 0.1, 0.0), Mode(1500.0, 0.02, 0.5, 2.0)]
    alone, rest, every = [], [], []
    for mode, off, steepest in zip(modes, (2.0 - 2.5j, 0.1, 0.5), (1.0, 1.0, 0.005), strict=True):
        target, turns = bins_around([mode], noise=1e-3 * rng.standard_normal(N))
        s, c = poles_of([mode])
        s, c = s + off * np.abs(s.real), 0.3 * c
        left = target - c @ terms(s, n=N, turns=turns)
        held = -np.angle(turns[0]), -np.angle(turns[-1]), steepest
        alone.append(fit_poles(left, n=N, turns=turns, s=s[None], c=c[None], held=held))
        rest.append(left)
        every.append((turns, s, c, held))
    turns, s, c, held = (list(part) for part in zip(*every, strict=True))
    first = np.cumsum([0, *map(len, rest[:-1])])
    fit = fit_poles(
        np.concatenate(rest), n=N, turns=np.concatenate(turns), s=np.array(s), c=np.array(c),
        held=tuple(np.array(held).T), at=first,
    )  # fmt: skip
    for name in ("s", "c", "squares", "power", "s_scale", "c_scale"):
        wanted = np.concatenate([getattr(one, name) for one in alone])
        np.testing.assert_allclose(getattr(fit, name), wanted, rtol=1e-8, err_msg=name)
    # What is held at its limit comes to rest where rounding leaves it, far within the noise of 0.1.
    np.testing.assert_allclose(fit.rest, np.concatenate([one.rest for one in alone]), atol=1e-6)
    assert fit.s[2, 0].real == pytest.approx(-0.005 * fit.s[2, 0].imag)


BESIDE = [Mode(440.0, 0.02, 1.0, 0.7), Mode(700.0, 0.01, 0.1, 0.0), Mode(1100.0, 0.02, 0.5, 2.0)]


def beside_each_other(x, s, c, *, together):
    """The fit of three decays, from starts, each to bins of its own into which all reach."""
    windows = [slice(180, 271), slice(330, 387), slice(480, 646)]
    turns = turns_of(np.concatenate([np.r_[window] for window in windows]))
    bins = np.concatenate([np.fft.rfft(x)[window] for window in windows])
    model = decays_in_bins(s, c, n=N, turns=turns)
    first = np.cumsum([0, *(window.stop - window.start for window in windows[:-1])])
    fit = fit_poles(
        bins - model, n=N, turns=turns, s=s[:, None], c=c[:, None], held=(0.0, np.pi, 1.0),
        at=first, together=model if together else None,
    )  # fmt: skip
    return fit, bins


def test_decays_that_are_in_each_others_way_come_back_exactly_when_fitted_together():
    s, c = poles_of(BESIDE)
    x = ring(BESIDE, n=N, rate_hz=RATE)
    start = s + (-0.3 + 0.2j) * np.abs(s.real), 0.8 * c
    fit, bins = beside_each_other(x, *start, together=True)
    np.testing.assert_allclose(fit.s[:, 0], s, rtol=0, atol=1e-8 * np.abs(s.real).max())
    np.testing.assert_allclose(fit.c[:, 0], c, rtol=0, atol=1e-7)
    assert np.abs(fit.rest).max() < 1e-6 * np.abs(bins).max()
    # By itself each takes what the others, as they began, leave of it.
    fit, _ = beside_each_other(x, *start, together=False)
    assert np.abs(fit.s[:, 0] - s).max() > 1e-3 * np.abs(s.real).max()


def test_how_far_a_decay_would_still_move_is_far_within_its_uncertainty():
    x = ring(BESIDE, n=N, rate_hz=RATE) + 1e-3 * np.random.default_rng(6).standard_normal(N)
    s, c = poles_of(BESIDE)
    fit, _ = beside_each_other(x, s + (-0.3 + 0.2j) * np.abs(s.real), 0.8 * c, together=True)
    sd = np.sqrt(N) * 1e-3 * fit.s_scale
    assert np.all(np.abs(fit.away) < 0.2 * sd)
    # From there on nothing moves, and nearly the truth is told.
    again, _ = beside_each_other(x, fit.s[:, 0], fit.c[:, 0], together=True)
    assert np.all(np.abs(again.s - fit.s) < 0.2 * sd)
    assert np.all(np.abs(fit.s[:, 0] - s) < 4.0 * sd[:, 0])


def test_a_last_step_that_is_foreseen_is_taken_without_a_look(monkeypatch):
    x = ring(BESIDE, n=N, rate_hz=RATE) + 1e-3 * np.random.default_rng(6).standard_normal(N)
    s, c = poles_of(BESIDE)
    looks, products = [], poles._products
    monkeypatch.setattr(poles, "_products", lambda *of: looks.append(1) or products(*of))
    start = s + (-0.05 + 0.02j) * np.abs(s.real), 0.98 * c
    fit, _ = beside_each_other(x, *start, together=True)
    taken = len(looks)
    monkeypatch.setattr(poles, "FORESEEN", 0.0)
    beside_each_other(x, *start, together=True)
    assert len(looks) - taken == taken + 1
    monkeypatch.setattr(poles, "SETTLED", 1e-9)
    wanted, _ = beside_each_other(x, *start, together=True)
    sd = np.sqrt(N) * 1e-3
    assert np.all(np.abs(fit.s - wanted.s) < 0.1 * sd * wanted.s_scale)
    assert np.all(np.abs(fit.c - wanted.c) < 0.1 * sd * wanted.c_scale)
    assert np.all(np.abs(fit.away) < 0.1 * sd * fit.s_scale)
    np.testing.assert_allclose(fit.s_scale, wanted.s_scale, rtol=0.02)
    np.testing.assert_allclose(fit.rest, wanted.rest, rtol=0, atol=0.1 * sd)


def test_a_decay_that_is_refused_at_its_limit_is_given_up_where_that_is_asked_for(monkeypatch):
    rng, turns = np.random.default_rng(0), turns_of(np.arange(480, 521))
    bins = rng.standard_normal(41) + 1j * rng.standard_normal(41)  # noise, and a start at one bin
    s = np.array([-2e-3 + 2j * np.pi * 500 / N])
    unit = terms(s, n=N, turns=turns)[0]
    c, held = bins[20:21] / unit[20], (-np.angle(turns[0]), -np.angle(turns[-1]), 0.02)
    counted, over = [], poles._over
    monkeypatch.setattr(poles, "_over", lambda *of: counted.append(1) or over(*of))
    steps = []
    for crawl in (0.0, 1e-3):
        counted.clear()
        fit = fit_poles(
            bins - c * unit, n=N, turns=turns, s=s[None], c=c[None], held=held, crawl=crawl
        )
        steps.append(len(counted))
        assert -fit.s[0, 0].real == pytest.approx(0.02 * fit.s[0, 0].imag)
    assert steps[0] > poles.STEPS
    assert steps[1] < 10  # twice as many, where only slow gains end a fit


def test_what_is_left_over_is_the_bins_less_the_decays_found():
    target, turns = bins_around(PAIR, noise=1e-3 * np.random.default_rng(5).standard_normal(N))
    fit = fitted(target, turns, poles_of(PAIR)[0])
    np.testing.assert_allclose(fit.rest, target - fit.c @ terms(fit.s, n=N, turns=turns), atol=1e-9)
    assert fit.squares[0] == pytest.approx(np.sum(np.abs(fit.rest) ** 2))
    assert fit.power[0] == pytest.approx(np.sum(np.abs(target) ** 2))


# Worked example: fs 48 kHz, 1 s, 440 Hz, a 10 / s, A 1, phase 0.7, noise 0.01.
EXAMPLE = Mode(440.0, 10.0 / (np.pi * 440.0), 1.0, 0.7)
CLOSED = {"amplitude": 4.0825e-4, "decay": 0.00577350, "frequency_hz": 9.1888e-4}
NUMERICAL = {"amplitude": 4.0961e-4, "decay": 0.00578312, "frequency_hz": 9.1718e-4}


def test_the_numerical_bound_used_in_these_tests_agrees_with_the_worked_example():
    found = bound([EXAMPLE], sd=0.01, n=48_000, rate_hz=48_000)
    assert found.amplitude[0] == pytest.approx(NUMERICAL["amplitude"], rel=1e-4)
    assert found.frequency_hz[0] == pytest.approx(NUMERICAL["frequency_hz"], rel=1e-4)
    # loss = a / (pi f): f is known so much better than a that it adds nothing.
    assert np.pi * 440.0 * found.loss[0] == pytest.approx(NUMERICAL["decay"], rel=1e-3)


def test_the_uncertainty_of_the_fit_is_the_closed_form_of_the_bound():
    n, rate, sd = 48_000, 48_000, 0.01
    a, s2 = 10.0, sd**2
    closed = {
        "amplitude": np.sqrt(8 * a * s2 / rate),
        "decay": np.sqrt(16 * a**3 * s2 / rate),
        "frequency_hz": np.sqrt(16 * a**3 * s2 / rate) / (2 * np.pi),
    }
    assert closed == pytest.approx(CLOSED, rel=1e-4)
    rng = np.random.default_rng(8)
    # All that the record tells about the mode is in the bins around it: a few per cent lie beyond.
    target, turns = bins_around(
        [EXAMPLE], reach=12, noise=sd * rng.standard_normal(n), n=n, rate=rate
    )
    fit = fitted(target, turns, poles_of([EXAMPLE], rate=rate)[0], n=n)
    of_a_bin = sd * np.sqrt(n)
    assert of_a_bin * rate * fit.s_scale[0] == pytest.approx(closed["decay"], rel=0.05)
    u_f = of_a_bin * rate * fit.s_scale[0] / (2 * np.pi)
    assert u_f == pytest.approx(closed["frequency_hz"], rel=0.05)
    assert of_a_bin * fit.c_scale[0] == pytest.approx(closed["amplitude"], rel=0.05)


def test_the_fit_spreads_as_the_bound_says_and_is_not_biased():
    n, rate, sd, runs = 4096, 8000, noise_sd(30.0), 400
    mode = Mode(440.0, 0.02, 1.0, 0.7)
    rng = np.random.default_rng(21)
    true = poles_of([mode], rate=rate)[0][0]
    found = []
    for _ in range(runs):
        target, turns = bins_around(
            [mode], reach=8, noise=sd * rng.standard_normal(n), n=n, rate=rate
        )
        fit = fitted(target, turns, np.array([true]), n=n)
        found.append((fit.s[0].real, fit.s[0].imag, np.abs(fit.c[0])))
    off = np.array(found) - [true.real, true.imag, 1.0]
    least = bound([mode], sd=sd, n=n, rate_hz=rate)
    f = 2 * np.pi * least.frequency_hz[0] / rate
    wanted = np.array([f, f, least.amplitude[0]])
    # 400 runs know a standard deviation to 3.5 % and a mean to 5 % of it.
    ratio = off.std(axis=0) / wanted
    assert np.all((ratio > 0.9) & (ratio < 1.15)), ratio
    assert np.all(np.abs(off.mean(axis=0)) < 0.17 * wanted)
