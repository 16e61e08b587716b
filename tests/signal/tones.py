"""Tones with a known truth, for the tests of the signal processing."""

from __future__ import annotations

import numpy as np


def phase(n: int, rate_hz: float, f_hz: float, drift_hz_s: float = 0.0) -> np.ndarray:
    """Phase of the fundamental (n,), zero at mid-record."""
    t = (np.arange(n) - (n - 1) / 2) / rate_hz
    return 2 * np.pi * (f_hz * t + 0.5 * drift_hz_s * t**2)


def harmonic_tone(amplitudes: np.ndarray, phi: np.ndarray) -> np.ndarray:
    """Real sum over k of A_k exp(i k phi); amplitudes complex (..., K), result (..., n)."""
    k = np.arange(1, np.shape(amplitudes)[-1] + 1)
    return np.real(np.asarray(amplitudes) @ np.exp(1j * k[:, None] * phi))


def cramer_rao_sd(
    amplitudes: np.ndarray, n: int, rate_hz: float, f_hz: float, drift_hz_s: float, sigma: float
) -> tuple[float, float, np.ndarray]:
    """Bound on the SDs of f, drift and |A_k|: inverse of the numerically built Fisher matrix.

    One real channel, white noise of standard deviation sigma, all harmonics' amplitudes and
    phases unknown (the joint harmonic model).
    """
    t = (np.arange(n) - (n - 1) / 2) / rate_hz
    k = np.arange(1, len(amplitudes) + 1)
    e = np.exp(1j * k[:, None] * phase(n, rate_hz, f_hz, drift_hz_s))
    turn = np.real(1j * k[:, None] * np.asarray(amplitudes)[:, None] * e).sum(axis=0)
    unit = np.exp(1j * np.angle(amplitudes))[:, None]
    rows = [turn * 2 * np.pi * t, turn * np.pi * t**2]
    rows += list(np.real(unit * e)) + list(np.real(1j * unit * e))
    jacobian = np.array(rows)
    sd = sigma * np.sqrt(np.diag(np.linalg.inv(jacobian @ jacobian.T)))
    return float(sd[0]), float(sd[1]), sd[2 : 2 + len(k)]
