"""The search for decays, round by round: where they begin, and what is fitted again.

Outside reference: the truth of simulated rings; the rest is our own choice of what is worth a fit.
"""

from __future__ import annotations

import numpy as np

from studylib.signal import decay_search, poles
from studylib.signal.decay_search import NONE, bins_of, one_round
from studylib.signal.decays import DRY
from tests.signal.rings import RATE, Mode, ring

N = 24_000
BAND = {"n": N, "rate_hz": RATE, "lowest_hz": 40.0, "highest_hz": 8000.0}
LOUD = [Mode(410.0, 0.01, 1.0, 0.3), Mode(990.0, 0.012, 0.5, 2.0), Mode(2150.0, 0.01, 0.8, -1.0)]


def bins_with(modes, *, noise=1e-4):
    x = ring(modes, n=N) + noise * np.random.default_rng(3).standard_normal(N)
    bins = bins_of(np.fft.rfft(x), **BAND)
    return bins._replace(background=np.full(len(bins.values), N * noise**2))


def round_after(found, bins):
    about = {"step_hz": RATE / N, "most": 40, "way": DRY, "tried": np.zeros(len(bins.values), int)}
    model = poles.decays_in_bins(found.s, found.c, n=N, turns=bins.turns)
    return one_round(found, model, poles.MODEL_ERROR, bins, **about)


def test_what_has_settled_waits_until_new_ones_stand(moved):
    found = round_after(NONE, bins_with(LOUD))
    # Fitted as one to bins that stay as they are: once, or once more.
    assert moved in ([3], [3, 3])
    moved.clear()
    more = round_after(found, bins_with([*LOUD, Mode(5800.0, 0.012, 0.02, 0.0)]))
    assert moved[0] == 1
    assert set(moved[1:]) == {4}
    truth = np.array([mode.pole for mode in LOUD] + [Mode(5800.0, 0.012).pole]) / RATE
    at = np.abs(more.s - truth[:, None]).argmin(axis=1)
    off, sd = np.abs(more.s[at] - truth), (more.u_s * np.sqrt(more.noise))[at]
    assert sorted(at) == [0, 1, 2, 3]
    assert np.all(off < 4.0 * sd)


def test_no_decay_begins_at_a_negative_frequency():
    rng = np.random.default_rng(5)
    bins = bins_of(np.fft.rfft(rng.standard_normal(N)), **BAND | {"lowest_hz": 4.0})
    peaks = np.arange(1, 40)
    s, *_ = decay_search._begun(peaks, bins.values, bins, RATE / N)
    assert np.all(s.imag > 0.0)


def test_decays_that_begin_together_begin_nearer_the_truth_without_each_other():
    modes = [
        Mode(410.0, 0.01, 1.0, 0.3),
        Mode(520.0, 0.012, 0.5, 2.0),
        Mode(660.0, 0.01, 0.8, -1.0),
    ]
    bins = bins_with(modes, noise=1e-6)
    truth = np.array([mode.pole for mode in modes]) / RATE
    peaks = np.round(truth.imag * N / (2.0 * np.pi)).astype(int) - bins.first
    *begun, at = decay_search._begun(peaks, bins.values, bins, RATE / N)
    s, c = decay_search._apart(*begun, at, bins.values, bins, RATE / N)
    assert np.all(np.abs(s - truth) < 0.1 * np.abs(begun[0] - truth))
    amplitudes = np.array([mode.amplitude * np.exp(1j * mode.phase) for mode in modes])
    assert np.all(np.abs(c - amplitudes) < 0.1 * np.abs(begun[1] - amplitudes))
