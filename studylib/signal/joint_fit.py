"""The least-squares steps behind the tone fit, on the bins around each harmonic.

A step assumes a frequency and a drift, finds every harmonic's amplitude (with what each spills
into the bins of the others solved for), and says how far frequency and drift still have to
move. The information that a step returns is the Fisher information of the two, so that its
inverse is their variance.

Conventions: frequencies in bins of the record (nu), K harmonics, C channels, B bins around each
harmonic; amplitudes here are half the tone's, as they stand in the transform.

Functions: locate, refine_fundamental, spill_kernels, joint_pass.
Source: Gauss-Newton on the model of kernels.py; weights are the inverse noise powers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from studylib.signal import kernels

SEARCH = 0.08  # the tone is looked for within this share of its nominal frequency


def locate(spectrum: np.ndarray, nu: float, half: int) -> float:
    """Tone's place in bins from the highest bin near `nu` and its two neighbours."""
    reach = max(nu * SEARCH, 3.0)
    low, high = int(max(nu - reach, half + 1)), int(np.ceil(nu + reach)) + 1
    near = spectrum[:, low:high]
    power = near.real**2 + near.imag**2
    total = power.sum(axis=1)
    contrast = power.max(axis=1) / np.where(total > 0, total, 1.0)
    channel = int(np.argmax(contrast))
    m = low + int(np.argmax(power[channel]))
    a, b, c = spectrum[channel, m - 1 : m + 2]
    denominator = 2 * b - a - c
    if denominator == 0:
        return float(m)
    return m + float(np.clip(((a - c) / denominator).real, -0.6, 0.6))


def refine_fundamental(spectrum: np.ndarray, nu: float, half: int, n: int) -> float:
    """Two Gauss-Newton steps on the fundamental alone, which bring it within the joint step."""
    bins = round(nu) + np.arange(-half, half + 1)
    y = kernels.centred_bins(spectrum, bins, n)
    for _ in range(2):
        u = nu - bins
        d, q = kernels.dirichlet(u, n), kernels.slope(u)
        dd = d @ d
        a = (y @ d) / dd
        q = q - d * (d @ q) / dd
        rest = y - a[:, None] * d
        weight = _inverse((rest.real**2 + rest.imag**2).mean(axis=1))
        slope_power = 2 * np.pi * (weight * (a.real**2 + a.imag**2)).sum() * (q @ q)
        if slope_power > 0:
            step = (weight * (a.conj() * (rest @ q)).real).sum() / slope_power
            nu += float(np.clip(step, -0.5, 0.5))
    return nu


def _inverse(power: np.ndarray) -> np.ndarray:
    """1/power, with an empty (digitally silent) channel given no weight."""
    return np.divide(1.0, power, out=np.zeros_like(power), where=power > 0)


@dataclass(frozen=True)
class Spill:
    """What each harmonic puts into the bins around the others, apart from sin(pi k nu)."""

    plus: np.ndarray  # (K, K, B): acts on the real parts (direct + image)
    minus: np.ndarray  # (K, K, B): acts on the imaginary parts (direct - image)


def spill_kernels(place: np.ndarray, bins: np.ndarray, n: int) -> Spill:
    flat = bins.ravel()
    sign = 1.0 - 2.0 * (flat & 1)
    step = np.pi / n
    # sin(a - b) and sin(a + b) from four short sines and cosines instead of two long ones.
    sa, ca = np.sin(step * place)[:, None], np.cos(step * place)[:, None]
    sb, cb = np.sin(step * flat), np.cos(step * flat)
    x, y = sa * cb, ca * sb
    size, width = bins.shape
    difference = (x - y).reshape(size, size, width)
    own = np.arange(size)
    difference[own, own] = np.inf  # a harmonic's own bins are its kernel, not spill
    direct = (sign / n).reshape(size, width) / difference
    image = (sign / n).reshape(size, width) / (x + y).reshape(size, size, width)
    return Spill(direct + image, direct - image)


@dataclass(frozen=True)
class Pass:
    half_amplitude: np.ndarray  # complex (C, K)
    rest: np.ndarray  # complex (C, K, B): what the model leaves
    own_power: np.ndarray  # (K,)
    noise: np.ndarray  # (C, K): mean power of a bin of `rest`
    eps: float  # step of the frequency, in bins of the fundamental
    delta: float  # drift over the record, in bins of the fundamental
    eps_information: float
    delta_information: float

    def settled_after(self, previous: Pass) -> bool:
        """The steps still to take are small beside their standard uncertainties."""
        drift_step = self.delta - previous.delta
        return (
            self.eps**2 * self.eps_information < 0.005
            and drift_step**2 * self.delta_information < 0.005
        )


def joint_pass(
    y: np.ndarray,
    bins: np.ndarray,
    k: np.ndarray,
    nu: float,
    delta: float,
    spill: Spill,
    n: int,
) -> Pass:
    """Amplitudes at (nu, delta) and the least-squares step of both towards the data."""
    u = (k * nu)[:, None] - bins
    d, q, p = kernels.dirichlet(u, n), kernels.slope(u), kernels.curvature(u)
    turn = (np.pi * delta * k)[:, None]
    own = d + 1j * turn * p
    if np.abs(turn).max() > 0.02:
        own = own - 0.5 * turn**2 * kernels.quartic(u)
    own_power = (own.real**2 + own.imag**2).sum(axis=1)

    # Amplitudes with the spill solved for exactly, then once more with the full spill removed.
    s = np.sin(np.pi * k * nu)
    plus, minus = spill.plus * s[:, None, None], spill.minus * s[:, None, None]
    raw = np.matmul(y.transpose(1, 0, 2), own.conj()[:, :, None])[:, :, 0].T / own_power
    projector = (d / own_power[:, None])[:, None, :]
    mix_plus = np.matmul(projector, plus.transpose(1, 2, 0))[:, 0, :]
    mix_minus = np.matmul(projector, minus.transpose(1, 2, 0))[:, 0, :]
    identity = np.eye(k.size)
    a = (
        np.linalg.solve(identity + mix_plus, raw.real.T).T
        + 1j * np.linalg.solve(identity + mix_minus, raw.imag.T).T
    )
    size = plus[0].size
    clean = y.copy()
    clean.real -= (a.real @ plus.reshape(k.size, size)).reshape(y.shape)
    clean.imag -= (a.imag @ minus.reshape(k.size, size)).reshape(y.shape)
    a = np.matmul(clean.transpose(1, 0, 2), own.conj()[:, :, None])[:, :, 0].T / own_power
    rest = clean - a[:, :, None] * own

    noise = (rest.real**2 + rest.imag**2).sum(axis=2) / (bins.shape[1] - 2)
    # Frequency moves a tone along the kernel's slope (real), drift along its curvature (imaginary).
    dd = (d * d).sum(axis=1)
    q = q - d * ((d * q).sum(axis=1) / dd)[:, None]
    p = p - d * ((d * p).sum(axis=1) / dd)[:, None]
    weight = _inverse(noise)
    strength = weight * (a.real**2 + a.imag**2)
    along = np.matmul(rest.transpose(1, 0, 2), np.stack([q, p], axis=2))  # (K, C, 2)
    turned = a.conj() * along.transpose(2, 1, 0)
    eps_information = (strength * (2 * np.pi * k) ** 2 * (q * q).sum(axis=1)).sum()
    delta_information = (strength * (np.pi * k) ** 2 * (p * p).sum(axis=1)).sum()
    eps = (weight * 2 * np.pi * k * turned[0].real).sum() / (eps_information or 1.0)
    step = (weight * np.pi * k * turned[1].imag).sum() / (delta_information or 1.0)
    return Pass(
        a, rest, own_power, noise, float(eps), delta + float(step), eps_information,
        delta_information,
    )  # fmt: skip
