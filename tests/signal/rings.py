"""Synthetic rings whose truth is known, and the least spread that any estimate of them can have.

A mode's signal-to-noise ratio is half its squared initial amplitude over the noise variance. The
bound is the inverse of the Fisher information of all modes together, with every amplitude and
phase unknown (Cramér and Rao; definition), made from the derivatives of the samples themselves.

Functions: mode_set, ring, noise_sd, bound, pink, pulse, recording. Mode, Bound, Knocked.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

RATE = 48_000


class Mode(NamedTuple):
    """amplitude : initial, re full scale.  phase : rad."""

    frequency_hz: float
    loss: float
    amplitude: float = 1.0
    phase: float = 0.0

    @property
    def pole(self) -> complex:
        """Decay and angle per second."""
        return np.pi * self.frequency_hz * complex(-self.loss, 2.0)


class Bound(NamedTuple):
    """Least standard deviations, (K,) each."""

    frequency_hz: np.ndarray
    loss: np.ndarray
    amplitude: np.ndarray


def mode_set(frequencies, losses, rng, *, amplitude=1.0) -> list[Mode]:
    """Modes with random phases; losses and amplitudes are numbers or lists."""
    f, eta, a = np.broadcast_arrays(frequencies, losses, amplitude)
    phases = rng.uniform(-np.pi, np.pi, len(f))
    return [Mode(*map(float, row)) for row in zip(f, eta, a, phases, strict=True)]


def ring(modes, *, n: int, rate_hz: float = RATE) -> np.ndarray:
    """(n,) the sum of the decays, from their first sample on."""
    t = np.arange(n) / rate_hz
    x = np.zeros(n)
    for mode in modes:
        x += (mode.amplitude * np.exp(1j * mode.phase + mode.pole * t)).real
    return x


def noise_sd(snr_db: float, *, amplitude: float = 1.0) -> float:
    """Standard deviation per sample of white noise for a mode of that amplitude."""
    return float(amplitude * np.sqrt(0.5 * 10.0 ** (-snr_db / 10.0)))


def bound(modes, *, sd: float, n: int, rate_hz: float = RATE) -> Bound:
    """Cramér-Rao bound of all modes together in white noise."""
    t = np.arange(n) / rate_hz
    columns = []
    for mode in modes:
        unit = np.exp(mode.pole * t)
        c = mode.amplitude * np.exp(1j * mode.phase)
        slope = c * t * unit
        columns += [unit.real, -unit.imag, slope.real, -slope.imag]
    columns = np.array(columns)
    size = np.linalg.norm(columns, axis=1)
    columns /= size[:, None]
    covariance = sd**2 * np.linalg.inv(columns @ columns.T) / np.outer(size, size)
    k = len(modes)
    to_f, to_loss, to_amplitude = np.zeros((3, k, 4 * k))
    for i, mode in enumerate(modes):
        angle, decay = mode.pole.imag, -mode.pole.real
        to_amplitude[i, 4 * i : 4 * i + 2] = np.cos(mode.phase), np.sin(mode.phase)
        to_f[i, 4 * i + 3] = 1.0 / (2.0 * np.pi)
        # loss = 2 decay / angle, and the pole's real part is minus the decay.
        to_loss[i, 4 * i + 2 : 4 * i + 4] = -2.0 / angle, -2.0 * decay / angle**2
    spread = [np.sqrt(np.diag(g @ covariance @ g.T)) for g in (to_f, to_loss, to_amplitude)]
    return Bound(*spread)
