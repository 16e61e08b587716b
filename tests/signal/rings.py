"""Synthetic rings whose truth is known, and the least spread that any estimate of them can have.

A mode's signal-to-noise ratio is half its squared initial amplitude over the noise variance. The
bound is the inverse of the Fisher information of all modes together, with every amplitude and
phase unknown (Cramér and Rao; definition), made from the derivatives of the samples themselves.

Functions: mode_set, units, ring, noise_sd, bound, pink, contact, tapped. Mode, Bound.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.signal import lfilter

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


def units(modes, *, n: int, rate_hz: float = RATE) -> np.ndarray:
    """(K, n) each decay alone, complex, of amplitude 1 and phase 0."""
    poles = np.array([mode.pole for mode in modes])
    return np.exp(poles[:, None] * (np.arange(n) / rate_hz))


def ring(modes, *, n: int, rate_hz: float = RATE, of=None) -> np.ndarray:
    """(n,) the sum of the decays, from their first sample on. of : their `units`, if at hand."""
    of = units(modes, n=n, rate_hz=rate_hz) if of is None else of
    c = np.array([mode.amplitude * np.exp(1j * mode.phase) for mode in modes])
    return c.real @ of.real - c.imag @ of.imag


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


def pink(n: int, rng, *, rate_hz: float = RATE, corner_hz: float = 20.0) -> np.ndarray:
    """(n,) noise whose power falls by 3 dB an octave above the corner, variance 1 on average."""
    f = np.fft.rfftfreq(n, 1.0 / rate_hz)
    shape = 1.0 / np.sqrt(np.maximum(f, corner_hz))
    shape *= np.sqrt(len(f) / np.sum(shape**2))
    return np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * shape, n)


def contact(seconds: float, *, rate_hz: float = RATE) -> np.ndarray:
    """Half a sine: the force of a knock, of sum 1."""
    n = max(1, round(seconds * rate_hz))
    force = np.sin(np.pi * (np.arange(n) + 0.5) / n)
    return force / force.sum()


def tapped(
    modes,
    *,
    n: int,
    knocks=((0.0, 1.0),),
    pulse_s=1.5e-4,
    hand=None,
    gradual_s=0.0,
    heard=0.0,
    rate_hz=RATE,
) -> np.ndarray:
    """(n,) a board at rest, knocked.

    knocks : (s, strength) of each contact.  pulse_s : how long a contact lasts.
    hand : None or (s, times): from then on every mode dies away that many times as fast, at once or
    within gradual_s.
    heard : how much of the force itself the microphone hears, re full scale at its peak.
    """
    pulse = contact(pulse_s, rate_hz=rate_hz)
    force = np.zeros(n + len(pulse))
    for at, strength in knocks:
        first = round(at * rate_hz)
        force[first : first + len(pulse)] += strength * pulse
    force = force[:n]
    x = heard / pulse.max() * force
    touched = n if hand is None else round(hand[0] * rate_hz)
    for mode in modes:
        c, s = mode.amplitude * np.exp(1j * mode.phase), mode.pole / rate_hz
        y = lfilter([1.0], [1.0, -np.exp(s)], force.astype(complex))
        if touched < n:
            on = np.arange(n - touched)
            soon = np.clip(on / (gradual_s * rate_hz), 0.0, 1.0) if gradual_s else np.ones(len(on))
            lost = s.real * np.cumsum(np.r_[0.0, 1.0 + (hand[1] - 1.0) * soon[1:]])
            y[touched:] = y[touched] * np.exp(lost + 1j * s.imag * on)
        x += (c * y).real
    return x
