"""The modes of one decay: how many there are, and what each is, from the data alone.

Rounds: peaks that stand out of what the decays found so far leave over become new decays; each
group of overlapping ones is fitted together to the bins around it (`signal.poles`), with the
others taken off, until nothing stands out any more. A group whose fit leaves a peak inside gets
one decay more. A decay whose amplitude does not stand out of its own uncertainty is dropped
again. What does not die away (hum) or dies at once (the knock itself) is fitted, so that it does
not bend its neighbours, and not reported.

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
from scipy.signal import find_peaks

from studylib.signal import decay_fit, decay_search
from studylib.signal.noise import noise_floor
from studylib.signal.poles import decays_in_bins

FALSE_ALARM = 1e-3  # of a peak, over all bins together
PROMINENT = 10 ** (3.0 / 20)  # of a peak over the dip beside it
RIPPLE = 4.5  # noise amplitudes: lower peaks on a flank are the noise riding on it
AT_LAST = 25.0  # mean bandwidths: nearer ones are fitted together once each is begun
MOST_AT_LAST = 24
ROUNDS = 6
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
    at that is neither decays nor noise. poles, amplitudes : everything fitted, nuisances
    included (complex, per sample). given_up : the search took more than `MOST_STEPS` steps
    and nothing of it is kept, as where what rings is no sum of decays.  u_place : (K,) the part of
    u_loss_factor that all rings heard at one place share, the room's; None where no room is heard.
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
    given_up: bool = False
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
) -> Decays:
    """The modes in the transform of a record that only dies away.

    Parameters
    ----------
    spectrum : complex (n // 2 + 1,), `rfft` of the record without a window.
    n : samples.  lowest_hz, highest_hz : where modes are looked for.
    most : modes at most; of more those that stand highest in the spectrum are kept.
    """
    step = rate_hz / n
    first = max(int(np.ceil(lowest_hz / step)), 2)
    last = min(int(highest_hz / step), len(spectrum) - 2)
    facts = {"rate_hz": rate_hz, "most": most, "limits_hz": (lowest_hz, highest_hz)}
    if last - first < 4 * decay_fit.LEAST_BINS:
        return no_decays(**facts)
    angle = 2.0 * np.pi / n * np.arange(first, last + 1)
    turns = np.cos(angle) - 1j * np.sin(angle)
    floor = noise_floor(spectrum, first=first, last=last)
    search = decay_fit.Search(
        spectrum[first : last + 1], first, turns, n, floor, decay_fit.Work(decay_fit.MOST_STEPS)
    )
    try:
        # A fit gone astray makes infinities and is thrown away.
        with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
            found, rest, floor = _searched(search, spectrum, most=most, step_hz=step)
    except decay_fit.TooMuchWork:
        return _told(decay_fit.NONE, search, 1.0, True, facts)
    power = float(np.vdot(search.bins, search.bins).real)
    left = float(np.vdot(rest, rest).real - floor.sum())
    share = max(0.0, left) / max(power, np.finfo(float).tiny)
    return _told(found, search, share, False, facts)


def no_decays(*, rate_hz: float, most: int, limits_hz: tuple[float, float]) -> Decays:
    """What a record without a bin to look at gives."""
    none = np.zeros(0)
    return told_decays(
        decay_fit.NONE.s, decay_fit.NONE.c, u_decay=none, u_angle=none, u_amplitude=none,
        noise=none, misfit=decay_fit.NONE.misfit, unexplained=0.0, rate_hz=rate_hz,
        limits_hz=limits_hz, most=most,
    )  # fmt: skip


def _searched(
    search: decay_fit.Search, spectrum: np.ndarray, *, most: int, step_hz: float
) -> tuple[decay_fit.Found, np.ndarray, np.ndarray]:
    """(what was found, the bins without it, the noise floor), round by round."""
    first, last = search.first, search.first + len(search.bins) - 1
    found, rest, tried, given_up = decay_fit.NONE, search.bins, set(), set()
    peaks = _peaks(rest, search.floor, step_hz)
    for _ in range(ROUNDS):
        state = (tuple(peaks), len(found.s))
        if state in tried or len(found.s) >= 3 * most or not (len(peaks) or found.astray.any()):
            break
        tried.add(state)
        found = decay_search.refitted(
            decay_search.with_new_decays(found, peaks, rest, search, given_up), search
        )
        # Sweeps alone close in on modes with near neighbours too slowly.
        wide = AT_LAST if len(found.s) <= MOST_AT_LAST else decay_fit.TOGETHER
        found = decay_search.refitted(found, search, together=wide)
        # Without the decays that do not stand out of their own uncertainty.
        found = decay_fit.subset(found, decay_fit.stands_out(found) >= decay_fit.STANDS_OUT)
        model = decays_in_bins(found.s, found.c, n=search.n, turns=search.turns)
        rest = search.bins - model
        tolerated = decay_fit.MODEL_ERROR * (model.real**2 + model.imag**2)
        peaks = _peaks(rest, search.floor + tolerated, step_hz)
        if not len(peaks) and not found.astray.any():
            break
        left = spectrum.copy()
        left[first : last + 1] = rest
        floor = np.minimum(search.floor, noise_floor(left, first=first, last=last))
        search = search._replace(floor=floor)
        peaks = _peaks(rest, search.floor + tolerated, step_hz)
    return found, rest, search.floor


def _peaks(rest: np.ndarray, floor: np.ndarray, step_hz: float) -> np.ndarray:
    """Bins at which what is left stands out, strongest first."""
    size = np.sqrt((rest.real**2 + rest.imag**2) / floor)
    height = np.sqrt(np.log(len(rest) / FALSE_ALARM))
    if size.max() < height:
        return np.zeros(0, int)
    beside = max(int(decay_fit.BESIDE_HZ / step_hz), 4 * decay_fit.LEAST_BINS) | 1
    peaks, facts = find_peaks(size, height=height, prominence=RIPPLE, wlen=beside)
    tall = facts["prominences"] > (1.0 - 1.0 / PROMINENT) * size[peaks]
    return peaks[tall][np.argsort(-size[peaks[tall]])]


def _told(
    found: decay_fit.Found,
    search: decay_fit.Search,
    unexplained: float,
    given_up: bool,
    facts: dict,
) -> Decays:
    u_s = found.s_scale * np.sqrt(found.noise)
    return told_decays(
        found.s, found.c, u_decay=u_s, u_angle=u_s,
        u_amplitude=found.c_scale * np.sqrt(found.noise), noise=found.noise / search.n,
        misfit=found.misfit, unexplained=unexplained, given_up=given_up, **facts,
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
    unexplained: float,
    rate_hz: float,
    limits_hz: tuple[float, float],
    most: int,
    quiet: np.ndarray | None = None,
    largest_loss: np.ndarray | float = LARGEST_LOSS,
    given_up: bool = False,
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
    low, high = limits_hz
    real = (decay > DIES_AWAY * plain * rate_hz) & (loss < largest) & (f >= low) & (f <= high)
    height = np.where(real, np.abs(c) / np.maximum(decay, SLOW_PER_S), 0.0)
    kept = np.sort(np.argsort(-height)[: min(most, int(real.sum()))])
    gaps = np.abs(f[:, None] - f[real]) / (
        0.5 * f[:, None] * np.abs(loss[:, None]) + 0.5 * (f * loss)[real]
    )
    gaps[gaps == 0.0] = np.inf
    close = gaps.min(axis=1, initial=np.inf) < CLOSE
    u_f = u_angle * rate_hz / (2.0 * np.pi)
    relative = u_decay * rate_hz / np.where(real, decay, 1.0)
    u_place = None
    if quiet is not None:
        of_room = np.sqrt(np.maximum(u_decay**2 - np.square(plain), 0.0)) * rate_hz
        u_place = (loss * of_room / np.where(real, decay, 1.0))[kept]
    return Decays(
        f[kept], u_f[kept], loss[kept], (loss * np.hypot(relative, u_f / f))[kept],
        np.abs(c[kept]), u_amplitude[kept], noise[kept], close[kept], misfit[kept],
        s, c, unexplained, given_up, u_place,
    )  # fmt: skip
