"""Fit a steady tone and its harmonics: frequency, drift and complex amplitudes.

One record (all channels) is fitted jointly by least squares, in the sense of IEEE Std 1057
(sine fit with unknown frequency), on the bins of one unwindowed Fourier transform around
each harmonic. The frequency f and its linear drift are common to all harmonics and channels;
what each harmonic spills into the bins of the others, and its image at negative frequency,
is part of the model. Each harmonic is weighted by the noise found in its own bins.

Conventions: amplitudes are peak values in the unit of the samples; frequency and phases
belong to the middle of the record; harmonics k = 1 .. K; x(t) = Re sum A_k exp(i k phi(t)).

Functions: record_length, fit_tone, join_fits.
Source: IEEE Std 1057 (method); Rife and Boorstyn 1974 (the bound that the standard
deviations are held against in the tests); kernels.py (the bins of a tone), joint_fit.py (the
steps).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.fft import prev_fast_len
from scipy.special import fdtri

from studylib.errors import InputError
from studylib.signal import joint_fit, kernels

HALF_WIDTH = 16  # bins each side of a harmonic that enter the fit
MAX_PASSES = 5  # Gauss-Newton steps; one or two are usual
MIN_PERIODS = 8.0  # fewer periods than this: neighbouring harmonics cannot be told apart
MAX_SEGMENT_S = 10.0  # longer takes are fitted in coherent pieces no longer than this
PRESENCE_ERROR = 0.01  # chance that noise alone is called a harmonic


@dataclass(frozen=True)
class ToneFit:
    """One steady tone. C channels, K harmonics, B bins.

    frequency_hz, u_frequency_hz : at mid-record, with standard uncertainty.
    drift_hz_s, u_drift_hz_s : linear drift of the fundamental.
    amplitude : complex (C, K), peak; phases relative to the fundamental of channel 0 as
        k times its phase, so that repeats can be compared.
    u_amplitude : (C, K) standard uncertainty of the real (in-phase) part; that of the
        imaginary part is the same when f and drift are known.
    noise_density : (C, K) noise power per hertz (one-sided) around each harmonic.
    dof : degrees of freedom behind each noise density.
    envelope : complex (C, B), the fundamental over time relative to its fit (1 = as fitted).
    seconds : length of the record;  segments : how many coherent pieces it was fitted in.
    """

    frequency_hz: float
    u_frequency_hz: float
    drift_hz_s: float
    u_drift_hz_s: float
    amplitude: np.ndarray
    u_amplitude: np.ndarray
    noise_density: np.ndarray
    dof: int
    envelope: np.ndarray
    seconds: float
    segments: int = 1

    @property
    def present(self) -> np.ndarray:
        """bool (C, K): the harmonic stands out of its own bin's noise at 1 % error each."""
        return np.abs(self.amplitude) > self.presence_amplitude

    @property
    def presence_amplitude(self) -> np.ndarray:
        """(C, K) amplitude that noise alone exceeds in 1 % of records (F with 2, dof)."""
        return self.u_amplitude * np.sqrt(2.0 * _f_quantile(self.dof))


@lru_cache(maxsize=256)
def _f_quantile(dof: int) -> float:
    return float(fdtri(2, dof, 1.0 - PRESENCE_ERROR))


@lru_cache(maxsize=256)
def record_length(frames: int) -> int:
    """Largest even length up to `frames` whose FFT is fast (at most a few per mille lost)."""
    length = prev_fast_len(frames, real=True)
    while length % 2:
        length = prev_fast_len(length - 1, real=True)
    return length


def fit_tone(
    spectrum: np.ndarray, *, n: int, rate_hz: float, nominal_hz: float, harmonics: int
) -> ToneFit:
    """Fit one tone jointly on all channels of one record.

    Parameters
    ----------
    spectrum : complex (C, n // 2 + 1), `rfft` of each channel without a window.
    n : samples in the record (even).
    rate_hz : sampling rate in hertz.
    nominal_hz : where the tone is expected; looked for within 8 % of it.
    harmonics : highest harmonic wanted; those that do not fit below half the rate are left out.

    Raises
    ------
    InputError : the record holds fewer than 8 periods, or the tone is above half the rate.
    """
    seconds = n / rate_hz
    nu = nominal_hz * seconds
    if nu < MIN_PERIODS:
        raise InputError(
            f"{seconds:.3g} s hold only {nu:.1f} periods of a {nominal_hz:g} Hz tone; "
            f"at least {MIN_PERIODS:g} are needed: record or analyse a longer piece."
        )
    half = int(min(HALF_WIDTH, (nu * (1 - joint_fit.SEARCH) - 1) // 2))
    if nu * (1 + joint_fit.SEARCH) + half >= n // 2:
        raise InputError(
            f"a {nominal_hz:g} Hz tone does not fit below half the sampling rate "
            f"({rate_hz / 2:g} Hz)."
        )
    nu = joint_fit.locate(spectrum, nu, half)
    nu = joint_fit.refine_fundamental(spectrum, nu, half, n)
    count = int(min(harmonics, (n // 2 - half - 1) // nu))
    k = np.arange(1, count + 1, dtype=float)
    bins = np.rint(k * nu).astype(int)[:, None] + np.arange(-half, half + 1)
    y = kernels.centred_bins(spectrum, bins, n)
    spill = joint_fit.spill_kernels(k * nu, bins, n)
    last = joint_fit.joint_pass(y, bins, k, nu, 0.0, spill, n)
    for _ in range(MAX_PASSES):
        previous = last
        nu += previous.eps
        last = joint_fit.joint_pass(y, bins, k, nu, previous.delta, spill, n)
        if last.settled_after(previous):
            break
    return _result(last, k, nu, bins, seconds)


@lru_cache(maxsize=32)
def _time_grid(width: int) -> tuple[np.ndarray, np.ndarray]:
    """Instants tau in (-1/2, 1/2) and the matrix that brings bins to those instants."""
    tau = (np.arange(width) + 0.5) / width - 0.5
    offsets = np.arange(width) - width // 2
    return tau, np.exp(2j * np.pi * offsets[:, None] * tau[None, :])


def _result(
    fit: joint_fit.Pass, k: np.ndarray, nu: float, bins: np.ndarray, seconds: float
) -> ToneFit:
    tau, to_time = _time_grid(bins.shape[1])
    rotate = np.exp(-2j * np.pi * (nu - bins[0, bins.shape[1] // 2]) * tau)
    base = np.where(fit.half_amplitude[:, :1] == 0, 1.0, fit.half_amplitude[:, :1])
    envelope = 1.0 + (fit.rest[:, 0, :] @ to_time) * rotate / base
    amplitude = 2.0 * fit.half_amplitude
    reference = np.exp(-1j * k * np.angle(amplitude[0, 0]))
    return ToneFit(
        frequency_hz=(nu + fit.eps) / seconds,
        u_frequency_hz=_root_half(fit.eps_information) / seconds,
        drift_hz_s=fit.delta / seconds**2,
        u_drift_hz_s=_root_half(fit.delta_information) / seconds**2,
        amplitude=amplitude * reference,
        u_amplitude=np.sqrt(2.0 * fit.noise / fit.own_power),
        noise_density=2.0 * seconds * fit.noise,
        dof=2 * (bins.shape[1] - 2),
        envelope=envelope,
        seconds=seconds,
    )


def _root_half(information: float) -> float:
    return float(np.sqrt(0.5 / information)) if information > 0 else float("inf")


def join_fits(fits: Sequence[ToneFit], *, starts_s: Sequence[float]) -> ToneFit:
    """One result from the coherent pieces of a long take.

    Amplitudes are averaged as complex numbers after each piece's phases were referred to its
    own fundamental; frequency and drift come from a weighted straight line through the
    pieces' frequencies. Noise densities are averaged.

    Parameters
    ----------
    fits : the pieces in order, all of one length and number of harmonics.
    starts_s : start of each piece in seconds.
    """
    if len(fits) == 1:
        return fits[0]
    count = min(fit.amplitude.shape[1] for fit in fits)
    amplitude = np.mean([fit.amplitude[:, :count] for fit in fits], axis=0)
    variance = np.mean([fit.u_amplitude[:, :count] ** 2 for fit in fits], axis=0) / len(fits)
    middle = np.asarray(starts_s) + np.array([fit.seconds for fit in fits]) / 2
    middle = middle - middle.mean()
    # Bounded away from zero: a noise-free record claims no uncertainty at all.
    u = np.array([max(fit.u_frequency_hz, 1e-15 * fit.frequency_hz) for fit in fits])
    design = np.stack([np.ones_like(middle), middle], axis=1) / u[:, None]
    covariance = np.linalg.inv(design.T @ design)
    line = covariance @ design.T @ (np.array([fit.frequency_hz for fit in fits]) / u)
    return replace(
        fits[0],
        frequency_hz=float(line[0]),
        u_frequency_hz=float(np.sqrt(covariance[0, 0])),
        drift_hz_s=float(line[1]),
        u_drift_hz_s=float(np.sqrt(covariance[1, 1])),
        amplitude=amplitude,
        u_amplitude=np.sqrt(variance),
        noise_density=np.mean([fit.noise_density[:, :count] for fit in fits], axis=0),
        dof=sum(fit.dof for fit in fits),
        envelope=_joined_envelope(fits),
        seconds=float(sum(fit.seconds for fit in fits)),
        segments=len(fits),
    )


def _joined_envelope(fits: Sequence[ToneFit]) -> np.ndarray:
    """The fundamental over the whole take, relative to its mean over the take."""
    level = np.stack([np.abs(fit.amplitude[:, 0]) for fit in fits])
    mean = np.where(level.mean(axis=0) > 0, level.mean(axis=0), 1.0)
    return np.concatenate(
        [fit.envelope * (size / mean)[:, None] for fit, size in zip(fits, level, strict=True)],
        axis=1,
    )
