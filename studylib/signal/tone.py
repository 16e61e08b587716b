"""Fit a steady tone and its harmonics: frequency, drift and complex amplitudes.

One record (all channels) is fitted jointly by least squares, in the sense of IEEE Std 1057
(sine fit with unknown frequency), on the bins of one unwindowed Fourier transform around
each harmonic. The frequency f and its linear drift are common to all harmonics and channels;
what each harmonic spills into the bins of the others, and its image at negative frequency,
is part of the model. Each harmonic is weighted by the noise found in its own bins.

What else spills into those bins (rumble, hum, a second tone) counts as noise there: it is in
the stated uncertainties, and a harmonic must stand out of it. Wander of the frequency that is
no linear drift costs harmonic k its level with k squared; quality.py's `wander` tells. A source
whose partials are no multiples of one frequency, or beat, is found by partials.py.

Conventions: amplitudes are peak values in the unit of the samples; frequency and phases
belong to the middle of the record; harmonics k = 1 .. K; x(t) = Re sum A_k exp(i k phi(t)).

Functions: record_length, fit_tone, join_fits, presence_factor.
Source: IEEE Std 1057 (method); Rife and Boorstyn 1974 (the bound that the standard
deviations are held against in the tests); kernels.py (the bins of a tone), joint_fit.py (the
steps).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy import fft, special

from studylib import errors
from studylib.signal import joint_fit, partials

HALF_WIDTH = 16  # bins each side of a harmonic that enter the fit
MAX_PASSES = 5  # Gauss-Newton steps; one or two are usual
FIRST_HARMONICS, FIRST_PASSES = 3, 2
PLACE_ERROR = 0.1  # bins: how well the place of the highest harmonic should be known
PLACE_STEP = 0.02  # bins: a step there that needs no further pass over the first harmonics
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
    partials : whether each harmonic is one (signal.partials). A partial off its multiple keeps
        the amplitude that it has at its own frequency.
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
    partials: partials.Partials
    segments: int = 1

    @property
    def present(self) -> np.ndarray:
        """bool (C, K): the harmonic stands out of its own bin's noise at 1 % error each."""
        return np.abs(self.amplitude) > self.presence_amplitude

    @property
    def presence_amplitude(self) -> np.ndarray:
        """(C, K) amplitude that noise alone exceeds in 1 % of records (F with 2, dof)."""
        return self.u_amplitude * presence_factor(self.dof)

    @property
    def search_amplitude(self) -> np.ndarray:
        """(C,) the same for the fundamental, which was looked for in many places (Bonferroni)."""
        places = 4.0 * joint_fit.SEARCH * self.frequency_hz * self.seconds / self.segments
        error = PRESENCE_ERROR / max(places, 1.0)
        return self.u_amplitude[:, 0] * presence_factor(self.dof, error)


@lru_cache(maxsize=256)
def presence_factor(dof: int, error: float = PRESENCE_ERROR) -> float:
    """Amplitude over its standard uncertainty that noise alone exceeds with this chance (F with 2,
    dof)."""
    return float(np.sqrt(2.0 * special.fdtri(2, dof, 1.0 - error)))


@lru_cache(maxsize=256)
def record_length(frames: int) -> int:
    """Largest even length up to `frames` whose FFT is fast (at most a few per mille lost)."""
    return 2 * fft.prev_fast_len(frames // 2, real=True)


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
    errors.InputError.refuse(
        nu < MIN_PERIODS, "measure.few_periods",
        tone_hz=nominal_hz, seconds=seconds, periods=nu, least=MIN_PERIODS,
    )  # fmt: skip
    half = int(min(HALF_WIDTH, (nu * (1 - joint_fit.SEARCH) - 1) // 2))
    errors.InputError.refuse(
        nu * (1 + joint_fit.SEARCH) + half >= n // 2, "measure.near_half_rate",
        tone_hz=nominal_hz, half_hz=rate_hz / 2,
        needed_hz=2.0 * (nominal_hz * (1 + joint_fit.SEARCH) + half / seconds),
    )  # fmt: skip
    # A few harmonics first: they find the frequency well enough for the higher ones, whose
    # places in bins are off by k times as much.
    place, reach = joint_fit.locate(spectrum, nu, half), FIRST_HARMONICS
    while True:
        count = int(min(harmonics, max((n // 2 - half - 1) // place.nu, 1)))
        if reach >= count:
            last = joint_fit.settle(spectrum, place, n=n, count=count, half=half, passes=MAX_PASSES)
            return _result(last, spectrum, n=n, half=half, seconds=seconds)
        last = joint_fit.settle(
            spectrum, place, n=n, count=reach, half=half, passes=FIRST_PASSES,
            near=PLACE_STEP / count,
        )  # fmt: skip
        place = last.next_place
        u = _root_half(last.information.nu)
        reach = count if count * u <= PLACE_ERROR else max(2 * reach, int(PLACE_ERROR / u))


@lru_cache(maxsize=32)
def _time_grid(width: int) -> tuple[np.ndarray, np.ndarray]:
    """Instants tau in (-1/2, 1/2) and the matrix that brings bins to those instants."""
    tau = (np.arange(width) + 0.5) / width - 0.5
    return tau, np.exp(2j * np.pi * (np.arange(width) - width // 2)[:, None] * tau[None, :])


def _result(
    fit: joint_fit.Pass, spectrum: np.ndarray, *, n: int, half: int, seconds: float
) -> ToneFit:
    suspect = partials.suspects(spectrum, fit, seconds=seconds)
    offset = fit.place.nu - fit.bins[0, half]
    if suspect.any():
        fit, found, offset = partials.resolve(
            spectrum, fit, suspect, n=n, half=half, seconds=seconds
        )
    else:
        found = partials.as_they_stand(fit, seconds)
    width = fit.bins.shape[1]
    tau, to_time = _time_grid(width)
    rotate = np.exp(-1j * np.pi * (2.0 * offset * tau + fit.place.delta * tau**2))
    base = np.where(fit.lines.half_amplitude[:, :1] == 0, 1.0, fit.lines.half_amplitude[:, :1])
    envelope = 1.0 + (fit.lines.rest[:, 0, :] @ to_time) * rotate / base
    amplitude = 2.0 * fit.lines.half_amplitude
    reference = np.exp(-1j * np.arange(1, amplitude.shape[1] + 1) * np.angle(amplitude[0, 0]))
    return ToneFit(
        frequency_hz=(fit.place.nu + fit.step.nu) / seconds,
        u_frequency_hz=_root_half(fit.information.nu) / seconds,
        drift_hz_s=(fit.place.delta + fit.step.delta) / seconds**2,
        u_drift_hz_s=_root_half(fit.information.delta) / seconds**2,
        amplitude=amplitude * reference,
        u_amplitude=np.sqrt(2.0 * fit.noise / fit.lines.own_power),
        noise_density=2.0 * seconds * fit.noise,
        dof=2 * (width - 1),
        envelope=envelope,
        seconds=seconds,
        partials=found,
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
    amplitude = _mean_amplitude([fit.amplitude[:, :count] for fit in fits], fits[0])
    seconds = float(sum(fit.seconds for fit in fits))
    told = partials.join([fit.partials for fit in fits], seconds=seconds)
    # The phase of what is no harmonic turns from piece to piece.
    size = np.sqrt(np.mean([np.abs(fit.amplitude[:, :count]) ** 2 for fit in fits], axis=0))
    amplitude = np.where(told.no_harmonic, size * np.exp(1j * np.angle(amplitude)), amplitude)
    middle = np.asarray(starts_s) + np.array([fit.seconds for fit in fits]) / 2
    middle = middle - middle.mean()
    # A noise-free record claims no uncertainty at all, a silent one an infinite one.
    u = np.array(
        [np.clip(fit.u_frequency_hz, 1e-15 * fit.frequency_hz, fit.frequency_hz) for fit in fits]
    )
    design = np.stack([np.ones_like(middle), middle], axis=1) / u[:, None]
    covariance = np.linalg.inv(design.T @ design)
    found = np.array([fit.frequency_hz for fit in fits]) / u
    line = covariance @ design.T @ found
    # Pieces that scatter about the line more than they should widen its uncertainty.
    if len(fits) > 2:
        misfit = ((found - design @ line) ** 2).sum() / (len(fits) - 2)
        covariance = covariance * max(1.0, misfit)
    # The fundamental over the whole take, relative to its mean over the take.
    level = np.stack([np.abs(fit.amplitude[:, 0]) for fit in fits])
    mean = np.where(level.mean(axis=0) > 0, level.mean(axis=0), 1.0)
    return replace(
        fits[0],
        frequency_hz=float(line[0]),
        u_frequency_hz=float(np.sqrt(covariance[0, 0])),
        drift_hz_s=float(line[1]),
        u_drift_hz_s=float(np.sqrt(covariance[1, 1])),
        amplitude=amplitude,
        u_amplitude=np.sqrt(
            np.mean([fit.u_amplitude[:, :count] ** 2 for fit in fits], axis=0) / len(fits)
        ),
        noise_density=np.mean([fit.noise_density[:, :count] for fit in fits], axis=0),
        dof=sum(fit.dof for fit in fits),
        envelope=np.concatenate(
            [fit.envelope * (size / mean)[:, None] for fit, size in zip(fits, level, strict=True)],
            axis=1,
        ),
        seconds=seconds,
        partials=told,
        segments=len(fits),
    )


def _mean_amplitude(amplitudes: Sequence[np.ndarray], first: ToneFit) -> np.ndarray:
    """Complex mean, the pieces' phases referred to the fundamental that stands out most.

    A channel without a tone has a fundamental of noise, whose phase, taken k times, would
    scatter the harmonics of the others.
    """
    reference = int(np.argmax(np.abs(first.amplitude[:, 0]) / (first.u_amplitude[:, 0] + 1e-300)))
    k = np.arange(1, amplitudes[0].shape[1] + 1)

    def referred(amplitude: np.ndarray, channel: int) -> np.ndarray:
        return amplitude * np.exp(-1j * k * np.angle(amplitude[channel, 0]))

    return referred(np.mean([referred(a, reference) for a in amplitudes], axis=0), 0)
