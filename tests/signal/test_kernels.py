"""Kernels against their definition: the mean of tau^p exp(i 2 pi u tau) over the samples."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.signal import kernels

N = 50_000
TAU = (np.arange(N) - (N - 1) / 2) / N
# Coherent, within 1e-4 of a bin, either side of where the series takes over, far away.
OFFSETS = np.array([0.0, 1e-9, 1e-5, 1e-4, 0.1, 0.349, 0.351, 0.5, 1.0, 1.5, -2.25, 16.0])


def _mean(power: int) -> np.ndarray:
    return (TAU**power * np.exp(2j * np.pi * OFFSETS[:, None] * TAU)).mean(axis=1)


@pytest.mark.parametrize(
    ("kernel", "power", "factor"),
    [
        (lambda u: kernels.dirichlet(u, N), 0, 1.0),
        (lambda u: kernels.moment(u, 1), 1, 1j),
        (lambda u: kernels.moment(u, 2), 2, 1.0),
        (lambda u: kernels.moment(u, 4), 4, 1.0),
    ],
    ids=["dirichlet", "slope", "curvature", "quartic"],
)
def test_kernel_is_the_mean_it_stands_for(kernel, power, factor):
    np.testing.assert_allclose(kernel(OFFSETS), (factor * _mean(power)).real, atol=5e-9)


@pytest.mark.parametrize("turn", [0.015, 0.15, 1.0, 12.0])
def test_kernels_of_a_drifting_tone_are_the_means_they_stand_for(turn):
    chirp = np.exp(2j * np.pi * OFFSETS[:, None] * TAU + 1j * turn * TAU**2)
    kernel, slope, curvature = kernels.drifting(OFFSETS[None, :], np.array([turn]), N)
    # Slope and curvature only steer the fit: a small turn leaves them as without drift.
    rough = 0.05 if turn < 0.2 else 1e-8
    np.testing.assert_allclose(kernel[0], chirp.mean(axis=1), atol=3e-5 if turn < 0.2 else 1e-8)
    np.testing.assert_allclose(slope[0], 1j * (TAU * chirp).mean(axis=1), atol=rough)
    np.testing.assert_allclose(curvature[0], (TAU**2 * chirp).mean(axis=1), atol=rough)


def test_slope_is_accurate_close_to_a_coherent_tone():
    # sin(x)/x has the derivative -x/3 near 0, so that slope is -pi u / 6; the closed form in
    # floating point is off by 1e-7 and more of it at these offsets.
    u = np.array([1e-8, 1e-6, 1e-5])
    np.testing.assert_allclose(kernels.moment(u, 1), -np.pi * u / 6, rtol=1e-9)


def test_centred_bins_of_a_tone_are_the_kernel(rng):
    nu, a = 40.3, 0.7 * np.exp(0.4j)
    x = np.real(a * np.exp(2j * np.pi * nu * TAU))
    bins = np.arange(30, 50)
    expected = a / 2 * kernels.dirichlet(nu - bins, N) + a.conj() / 2 * kernels.dirichlet(
        -nu - bins, N
    )
    found = kernels.centred_bins(np.fft.rfft(x)[None], bins, N)[0]
    np.testing.assert_allclose(found, expected, atol=1e-13)
