"""The modes of one decay: how many there are, and what each is, from the data alone.

The search is the one in a room (`signal.decay_search`) with a known share of it: only what no
board, as no sum of perfect decays, leaves out. So the background alone is in the way, least squares
are maximum likelihood, and close modes can be told apart: a group whose fit leaves more than noise
gets one decay more. The background is taken anew from what each round leaves over, and of all
rounds the one counts that leaves least. What does not die away (hum) or dies at once (the knock
itself) is fitted, so that it does not bend its neighbours, and not reported.

Conventions: frequencies in Hz; levels re full scale at the first sample; uncertainties are
standard ones, from the noise that the fit leaves around each mode (never less than the floor
nearby). `close` marks modes nearer to another than two bandwidths; `misfit` those around which
the residual is more than noise.

Functions: find_decays, told_decays, no_decays. Decays.
Source: maximum likelihood on the bins (`signal.poles`); a peak counts at 0.1 % false alarms over
all bins looked at, as the largest of so many exponential variables.
"""

from dataclasses import dataclass

import numpy as np

from studylib.signal import decay_search
from studylib.signal.decay_search import Way
from studylib.signal.noise import noise_floor
from studylib.signal.poles import MODEL_ERROR, decays_in_bins

DRY = Way(
    stands_out=20.0, doubt=0.0, together=12.0, most_together=8, most_bins=30_000, sweeps=12,
    under_strongest=0.0, split=1.0, tries=2, still=0.3, crawl=1e-3,
)  # fmt: skip
ROUNDS = 16
LARGEST_LOSS = 0.1  # beyond, it is the knock and not a mode
DIES_AWAY = 4.0  # standard uncertainties of the decay rate
CLOSE = 2.0  # bandwidths
SLOW_PER_S = 1.0  # slower decays outlast the record and stand no higher in its spectrum


@dataclass(frozen=True)
class Decays:
    """K modes, by frequency; arrays (K,).

    frequency_hz, loss_factor, amplitude (re full scale, real, at the first sample), each with
    `u_`; noise : variance per sample of white noise that would be as strong as the noise around;
    close, misfit : see the top of this file. unexplained : share of the power of the bins looked
    at that is neither decays nor noise, nan where a room may be some of it.  poles, amplitudes :
    everything fitted, nuisances included (complex, per sample).  u_place : (K,) the part of
    u_loss_factor that all rings heard at one place share, the room's; None for a sensor.
    """

    frequency_hz: np.ndarray
    u_frequency_hz: np.ndarray
    loss_factor: np.ndarray
    u_loss_factor: np.ndarray
    amplitude: np.ndarray
    u_amplitude: np.ndarray
    noise: np.ndarray
    close: np.ndarray
    misfit: np.ndarray
    poles: np.ndarray
    amplitudes: np.ndarray
    unexplained: float
    u_place: np.ndarray | None = None

    @property
    def snr_db(self) -> np.ndarray:
        """Half the squared initial amplitude over the noise variance, dB."""
        return 10.0 * np.log10(0.5 * self.amplitude**2 / self.noise)


def find_decays(
    spectrum: np.ndarray,
    *,
    n: int,
    rate_hz: float,
    lowest_hz: float,
    highest_hz: float,
    most: int,
    most_left: float = np.inf,
) -> Decays:
    """The modes in the transform of a record that only dies away.

    Parameters
    ----------
    spectrum : complex (n // 2 + 1,), `rfft` of the record without a window.
    n : samples.  lowest_hz, highest_hz : where modes are looked for.
    most : modes at most; of more those that stand highest in the spectrum are kept.
    most_left : of the power of the decays, in the bins around them, that may be left over: where a
        round leaves more, the search ends and gives none.
    """
    bins = decay_search.bins_of(
        spectrum, n=n, rate_hz=rate_hz, lowest_hz=lowest_hz, highest_hz=highest_hz
    )
    values, first, end = bins.values, bins.first, bins.first + len(bins.values)
    facts = {"rate_hz": rate_hz, "most": most, "limits_hz": (lowest_hz, highest_hz)}
    if len(values) <= 4 * decay_search.LEAST_BINS:
        return no_decays(**facts)
    bins = bins._replace(background=noise_floor(spectrum, first=first, last=end - 1))
    found, model, tried = decay_search.NONE, np.zeros_like(values), np.zeros(len(values), int)
    best, least = found, _power_of(values)
    # A fit gone astray makes infinities and is thrown away.
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        for _ in range(ROUNDS):
            before, found = found, decay_search.one_round(
                found, model, MODEL_ERROR, bins, step_hz=rate_hz / n, most=3 * most, way=DRY,
                tried=tried,
            )  # fmt: skip
            if found is before:
                break
            model = decays_in_bins(found.s, found.c, n=n, turns=bins.turns)
            rest = values - model
            # Less clear of the background, that would be taken for the rest.
            if most_left < decay_search.room_share(
                found.s, rest, model, bins, clear=4.0 / most_left
            ):
                return no_decays(**facts)
            if _power_of(rest) < least:
                best, least = found, _power_of(rest)
            if len(found.s) <= len(before.s) and (len(found.s) or not tried.any()):
                break
            floor = noise_floor(
                np.concatenate([spectrum[:first], rest, spectrum[end : end + 1]]),
                first=first, last=end - 1,
            )  # fmt: skip
            bins = bins._replace(background=np.minimum(bins.background, floor))
    left, noise = max(0.0, least - float(bins.background.sum())), np.sqrt(best.noise)
    return told_decays(
        best.s, best.c, u_decay=best.u_s * noise, u_angle=best.u_s * noise,
        u_amplitude=best.u_c * noise, noise=best.noise / n, misfit=best.misfit > 0.0,
        unexplained=left / max(_power_of(values), np.finfo(float).tiny), **facts,
    )  # fmt: skip


def _power_of(bins: np.ndarray) -> float:
    """Sum of |bin|^2."""
    return float(np.vdot(bins, bins).real)


def no_decays(*, rate_hz: float, most: int, limits_hz: tuple[float, float]) -> Decays:
    """What a record without a bin to look at gives."""
    none = np.zeros(0)
    return told_decays(
        none.astype(complex), none, u_decay=none, u_angle=none, u_amplitude=none, noise=none,
        misfit=none, unexplained=0.0, rate_hz=rate_hz, limits_hz=limits_hz, most=most,
    )  # fmt: skip


def told_decays(
    s: np.ndarray,
    c: np.ndarray,
    *,
    u_decay: np.ndarray,
    u_angle: np.ndarray,
    u_amplitude: np.ndarray,
    noise: np.ndarray,
    misfit: np.ndarray,
    unexplained: float = np.nan,
    rate_hz: float,
    limits_hz: tuple[float, float],
    most: int,
    quiet: np.ndarray | None = None,
    largest_loss: np.ndarray | float = LARGEST_LOSS,
) -> Decays:
    """Modes, in hertz and loss factors, of what was fitted: those that die away, within the limits,
    that stand highest in the spectrum.

    Parameters
    ----------
    s, c : complex (K,), as in `signal.poles`; all arrays are (K,) and in its order.
    u_decay, u_angle, u_amplitude : standard uncertainties per sample, and of |c|.
    noise : variance per sample of white noise as strong as the noise around.
    quiet : what u_decay would be without a room; None where there is none.
    largest_loss : loss factor, (K,) or one, beyond which something is a knock and no mode.
    """
    order = np.argsort(s.imag)
    largest = np.broadcast_to(largest_loss, s.shape)[order]
    s, c, u_decay, u_angle, u_amplitude, noise, misfit = (
        field[order] for field in (s, c, u_decay, u_angle, u_amplitude, noise, misfit)
    )
    plain = u_decay if quiet is None else quiet[order]
    decay, f = -s.real * rate_hz, s.imag * rate_hz / (2.0 * np.pi)
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = decay / (np.pi * f)
    within = (f >= limits_hz[0]) & (f <= limits_hz[1])
    real = (decay > DIES_AWAY * plain * rate_hz) & (loss < largest) & within
    height = np.where(real, np.abs(c) / np.maximum(decay, SLOW_PER_S), 0.0)
    kept = np.sort(np.argsort(-height)[: min(most, int(real.sum()))])
    gaps = np.abs(f[:, None] - f[real]) / (
        0.5 * f[:, None] * np.abs(loss[:, None]) + 0.5 * (f * loss)[real]
    )
    gaps[gaps == 0.0] = np.inf
    close, u_f = gaps.min(axis=1, initial=np.inf) < CLOSE, u_angle * rate_hz / (2.0 * np.pi)
    per_decay = rate_hz / np.where(real, decay, 1.0)
    return Decays(
        f[kept], u_f[kept], loss[kept], (loss * np.hypot(per_decay * u_decay, u_f / f))[kept],
        np.abs(c[kept]), u_amplitude[kept], noise[kept], close[kept], misfit[kept],
        s, c, unexplained,
        None if quiet is None
        else (loss * per_decay * np.sqrt(np.maximum(u_decay**2 - plain**2, 0.0)))[kept],
    )  # fmt: skip
