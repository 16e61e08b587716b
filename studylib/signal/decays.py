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

Functions: find_decays. Decays.
Source: maximum likelihood on the bins (`signal.poles`); a peak counts at 0.1 % false alarms over
all bins looked at, as the largest of so many exponential variables.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite
from typing import NamedTuple

import numpy as np
from scipy.signal import find_peaks

from studylib.signal.floor import noise_floor
from studylib.signal.poles import (
    SETTLED,
    PoleFit,
    decays_in_bins,
    fit_poles,
    fit_single_poles,
    local_poles,
    terms,
)

FALSE_ALARM = 1e-3  # of a peak, over all bins together
PROMINENT = 10 ** (3.0 / 20)  # of a peak over the dip beside it
BESIDE = 801  # bins in which a peak must be prominent
RIPPLE = 4.5  # noise amplitudes: lower peaks on a flank are the noise riding on it
REACH = 5.0  # bandwidths around a mode whose bins are fitted
LEAST_BINS = 4  # on either side
TOGETHER = 5.0  # mean bandwidths: nearer modes are fitted together
MOST_TOGETHER = 6
ROUNDS = 6
STANDS_OUT = 20.0  # |c|^2 over its variance: below, a decay is dropped
LARGEST_LOSS = 0.1  # beyond, it is the knock and not a mode
STEEPEST = 0.075  # decay over angle of anything fitted: a loss factor of 0.15
OUT_OF_TAILS = 2.0
DIES_AWAY = 4.0  # standard uncertainties of the decay rate
CLOSE = 2.0  # bandwidths
MODEL_ERROR = 10 ** (-45.0 / 10)  # no board is a sum of perfect decays: less is not pursued
FLOOR_UNSURE = 0.15  # relative: how well the floor is known
ROUGHLY = 0.3  # where new decays are still in each other's way: a second fit follows
LONG = 128  # bins: longer windows are fitted apart from shorter ones


@dataclass(frozen=True)
class Decays:
    """K modes, by frequency; arrays (K,).

    frequency_hz, loss_factor, amplitude (re full scale, real, at the first sample), each with
    `u_`; noise : variance per sample of white noise that would be as strong as the noise around;
    close, misfit : see the top of this file. unexplained : share of the power of the bins looked
    at that is neither decays nor noise. poles, amplitudes : everything fitted, nuisances
    included (complex, per sample). rest : the bins without it, from first_bin on. dropped : modes
    beyond the most that were asked for.
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
    rest: np.ndarray
    first_bin: int
    dropped: int
    unexplained: float

    @property
    def snr_db(self) -> np.ndarray:
        """Half the squared initial amplitude over the noise variance, dB."""
        return 10.0 * np.log10(0.5 * self.amplitude**2 / self.noise)


class _Search(NamedTuple):
    """The bins under study: their values, number, w and the length of the record."""

    bins: np.ndarray
    first: int
    turns: np.ndarray
    n: int


class _Found(NamedTuple):
    """Decays so far: poles, amplitudes, uncertainties for bins of noise 1, the noise that the fit
    left around each, the noise floor there, whether the two disagree, and whether they do by
    more than an imperfect decay explains."""

    s: np.ndarray
    c: np.ndarray
    s_scale: np.ndarray
    c_scale: np.ndarray
    noise: np.ndarray
    floor: np.ndarray
    misfit: np.ndarray
    astray: np.ndarray


_NONE = _Found(*(np.zeros(0, complex),) * 2, *(np.zeros(0),) * 4, *(np.zeros(0, bool),) * 2)


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
    most : modes at most; of more the strongest by energy are kept, `dropped` counts the rest.
    """
    step = rate_hz / n
    first = max(int(np.ceil(lowest_hz / step)), 2)
    last = min(int(highest_hz / step), len(spectrum) - 2)
    if last - first < 4 * LEAST_BINS:
        facts = {"rate_hz": rate_hz, "n": n, "most": most, "low": lowest_hz, "high": highest_hz}
        return _report(_NONE, first, np.zeros(0, complex), 0.0, **facts)
    turns = np.exp(-2j * np.pi / n * np.arange(first, last + 1))
    search = _Search(spectrum[first : last + 1], first, turns, n)
    floor = noise_floor(spectrum, first=first, last=last)
    found, rest, tried, given_up = _NONE, search.bins, set(), set()
    peaks = _peaks(rest, floor)
    for _ in range(ROUNDS):
        state = (tuple(peaks), len(found.s))
        if state in tried or len(found.s) >= 3 * most or not (len(peaks) or found.astray.any()):
            break
        tried.add(state)
        found = _enlarged(found, peaks, rest, search, floor, given_up)
        found = _swept(found, search, floor)
        found = _dropped(_swept(found, search, floor))
        model = _model(found, search)
        rest = search.bins - model
        tolerated = MODEL_ERROR * (model.real**2 + model.imag**2)
        peaks = _peaks(rest, floor + tolerated)
        if not len(peaks) and not found.astray.any():
            break
        floor = np.minimum(floor, _floor_of(rest, spectrum, first, last))
        peaks = _peaks(rest, floor + tolerated)
    power = float(np.vdot(search.bins, search.bins).real)
    left = float(np.vdot(rest, rest).real - floor.sum())
    share = max(0.0, left) / max(power, np.finfo(float).tiny)
    facts = {"rate_hz": rate_hz, "n": n, "most": most, "low": lowest_hz, "high": highest_hz}
    return _report(found, search.first, rest, share, **facts)


def _floor_of(rest: np.ndarray, spectrum: np.ndarray, first: int, last: int) -> np.ndarray:
    left = spectrum.copy()
    left[first : last + 1] = rest
    return noise_floor(left, first=first, last=last)


def _model(found: _Found, search: _Search) -> np.ndarray:
    if not len(found.s):
        return np.zeros_like(search.bins)
    return decays_in_bins(found.s, found.c, n=search.n, turns=search.turns)


def _peaks(rest: np.ndarray, floor: np.ndarray) -> np.ndarray:
    """Bins at which what is left stands out, strongest first."""
    size = np.sqrt((rest.real**2 + rest.imag**2) / floor)
    height = np.sqrt(np.log(len(rest) / FALSE_ALARM))
    if size.max() < height:
        return np.zeros(0, int)
    peaks, facts = find_peaks(size, height=height, prominence=RIPPLE, wlen=BESIDE)
    tall = facts["prominences"] > (1.0 - 1.0 / PROMINENT) * size[peaks]
    return peaks[tall][np.argsort(-size[peaks[tall]])]


def _starts(rest: np.ndarray, turns: np.ndarray, peaks: np.ndarray) -> np.ndarray:
    """One pole for each peak, from three bins across its half power."""
    power = np.abs(rest) ** 2
    reach = np.ones(len(peaks), int)
    for d in 2 ** np.arange(8):
        left, right = np.maximum(peaks - d, 0), np.minimum(peaks + d, len(rest) - 1)
        narrow = np.minimum(power[left], power[right]) > 0.5 * power[peaks]
        reach = np.where(narrow & (reach == d), 2 * d, reach)
    at = np.stack([peaks - reach, peaks, peaks + reach], axis=1).clip(0, len(rest) - 1)
    x, w = rest[at], turns[at]
    # x (1 - z w) = q: two unknowns, three bins.
    xw = x * w
    a, b = x - x.mean(axis=1, keepdims=True), xw - xw.mean(axis=1, keepdims=True)
    z = np.sum(b.conj() * a, axis=1) / np.sum(np.abs(b) ** 2, axis=1)
    s = np.log(z)
    angle = -np.angle(turns[peaks])
    half = np.abs(np.angle(turns[at[:, 2]] / turns[at[:, 0]])) / 2
    fits = (s.real < 0) & (np.abs(s.imag - angle) < half)
    return np.where(fits, s, -half + 1j * angle)


def _windows(s: np.ndarray, search: _Search) -> tuple[np.ndarray, np.ndarray]:
    """First and last bin (of the search) around each pole."""
    width = search.n / (2.0 * np.pi)
    middle = s.imag * width - search.first
    reach = np.maximum(REACH * 2.0 * np.abs(s.real) * width, LEAST_BINS)
    reach = np.minimum(reach, 0.2 * len(search.bins))
    low = np.floor(middle - reach).astype(int).clip(0, len(search.bins) - 2 * LEAST_BINS)
    high = np.ceil(middle + reach).astype(int).clip(2 * LEAST_BINS - 1, len(search.bins) - 1)
    return low, np.maximum(high, low + 2 * LEAST_BINS - 1)


def _groups(s: np.ndarray) -> list[np.ndarray]:
    """Indices of poles that overlap, by frequency."""
    order = np.argsort(s.imag)
    if not len(order):
        return []
    f, half = s.imag[order], np.abs(s.real[order])
    apart = np.diff(f) > TOGETHER * (half[1:] + half[:-1])
    return np.split(order, np.flatnonzero(apart) + 1)


def _enlarged(
    found: _Found,
    peaks: np.ndarray,
    rest: np.ndarray,
    search: _Search,
    floor: np.ndarray,
    given_up: set,
) -> _Found:
    """The decays with new ones at peaks: at most one in the window of each group.

    given_up : groups that one decay more did no good, by their bins; grows here.
    """
    low, high = _windows(found.s, search)
    owner = np.full(len(rest), -1)
    groups = _groups(found.s)
    for index, group in enumerate(groups):
        owner[low[group].min() : high[group].max() + 1] = index
    picked = peaks[owner[peaks] < 0]
    grown = {}
    for peak in peaks[owner[peaks] >= 0]:
        grown.setdefault(owner[peak], peak)
    parts = [_begun(_starts(rest, search.turns, picked), picked, rest, search)]
    for index, group in enumerate(groups):
        own, more = _taken(found, group), None
        key = tuple(np.round(own.s.imag * search.n).astype(int))
        if (index in grown or own.astray.any()) and key not in given_up:
            more = _one_more(own, grown.get(index), rest, search, floor)
            if more is None:
                given_up.add(key)
        parts.append(own if more is None else more)
    return _joined(parts)


def _begun(s: np.ndarray, peaks: np.ndarray, rest: np.ndarray, search: _Search) -> _Found:
    """New decays with the amplitude that their peak asks for."""
    at = search.turns[peaks]
    unit = (0.5 - 0.5 * np.exp(s * search.n)) / (1.0 - np.exp(s) * at)
    c = rest[peaks] / unit
    own = _out_of_tails(s, c, rest[peaks], at, search)
    s, c = s[own], c[own]
    none = np.full(len(s), np.inf)
    no = np.zeros(len(s), bool)
    return _Found(s, c, none, none, none, none, no, no)


def _out_of_tails(s, c, height, turns, search: _Search) -> np.ndarray:
    """Which peaks, strongest first, are more than the tails of stronger ones.

    Where two tails meet they can make a hump that is no decay of its own; a true mode hidden
    there comes out once the tails are taken off.
    """
    tails = np.abs(c[:, None] * terms(s, n=search.n, turns=turns))
    return np.abs(height) > OUT_OF_TAILS * np.sum(np.triu(tails, 1), axis=0)


def _swept(found: _Found, search: _Search, floor: np.ndarray) -> _Found:
    """Every group fitted to the bins around it, with all the others as they stand taken off."""
    if not len(found.s):
        return found
    groups, (lows, highs) = _groups(found.s), _windows(found.s, search)
    spans = [slice(lows[group].min(), highs[group].max() + 1) for group in groups]
    turns = [search.turns[span] for span in spans]
    whole = decays_in_bins(found.s, found.c, n=search.n, turns=np.concatenate(turns))
    others = np.split(whole, np.cumsum([len(part) for part in turns])[:-1])
    parts, lone = [], []
    for group, span, near, model in zip(groups, spans, turns, others, strict=True):
        own = _taken(found, group)
        target = search.bins[span] - model + own.c @ terms(own.s, n=search.n, turns=near)
        if len(group) == 1:
            lone.append((own, target, span.start))
            continue
        fresh = not np.all(np.isfinite(own.noise))
        again = _pruned(own.s, target, span.start, search, floor, c=None if fresh else own.c)
        if again is None and fresh:
            again = _begun_otherwise(own.s, target, span.start, search, floor)
        parts.append(own if again is None else again)
    return _joined([*parts, *_lone_fitted(lone, search, floor)])


def _lone_fitted(lone: list[tuple], search: _Search, floor: np.ndarray) -> list[_Found]:
    """Decays that overlap with no other, fitted side by side; short windows apart from long."""
    parts = []
    for long in (False, True):
        rows = [row for row in lone if (len(row[1]) > LONG) == long]
        if not rows:
            continue
        most = max(len(target) for _, target, _ in rows)
        targets, turns = np.zeros((2, len(rows), most), complex)
        for i, (_, target, low) in enumerate(rows):
            targets[i, : len(target)] = target
            turns[i, : len(target)] = search.turns[low : low + len(target)]
        s, c = (np.concatenate([getattr(own, name) for own, _, _ in rows]) for name in "sc")
        rough = any(not np.isfinite(own.noise[0]) for own, _, _ in rows)
        enough = ROUGHLY if rough else SETTLED
        fits = fit_single_poles(targets, n=search.n, turns=turns, s=s, c=c, enough=enough)
        for (own, target, low), fit in zip(rows, fits, strict=True):
            again = _judged(fit, target, low, search, floor)
            if again is None and not np.isfinite(own.noise[0]):
                again = _begun_otherwise(own.s, target, low, search, floor)
            parts.append(own if again is None else again)
    return parts


def _begun_otherwise(
    s: np.ndarray, target: np.ndarray, low: int, search: _Search, floor: np.ndarray
) -> _Found | None:
    """A group whose first fit went astray, from other starts, with as many decays or one more."""
    turns = search.turns[low : low + len(target)]
    wide = np.argmin(s.real)
    halves = s[wide].real * 0.5 + 1j * (s[wide].imag + s[wide].real * np.array([-0.5, 0.5]))
    starts = [local_poles(target, turns=turns, count=len(s) + more) for more in (0, 1)]
    for start in (*starts, np.r_[np.delete(s, wide), halves]):
        found = _pruned(_kept_in(start), target, low, search, floor)
        if found is not None:
            return found
    return None


def _kept_in(s: np.ndarray) -> np.ndarray:
    """Start values that die away."""
    return np.minimum(s.real, -1e-7) + 1j * s.imag


def _dropped(found: _Found) -> _Found:
    """Without the decays that do not stand out of their own uncertainty."""
    return _taken(found, _stands_out(found) >= STANDS_OUT)


def _taken(found: _Found, which: np.ndarray) -> _Found:
    return _Found(*(field[which] for field in found))


def _joined(parts: list[_Found]) -> _Found:
    return _Found(*(np.concatenate(fields) for fields in zip(*parts, strict=True)))


def _one_more(
    own: _Found, peak: int | None, rest: np.ndarray, search: _Search, floor: np.ndarray
) -> _Found | None:
    """A group with one decay more (or others), or None when that does not do it good."""
    count = len(own.s)
    if count >= MOST_TOGETHER:
        return None
    low, high = _windows(own.s, search)
    low, high = low.min(), high.max() + 1
    turns = search.turns[low:high]
    of = {"n": search.n, "turns": turns}
    target = rest[low:high] + own.c @ terms(own.s, **of)
    best, least = None, _squares_of(own, target, of)
    gain = STANDS_OUT * float(floor[low:high].mean())
    for s in _starts_of_more(own, peak, rest, target, turns, search):
        trial = _pruned(_kept_in(s), target, low, search, floor)
        if trial is None:
            continue
        squares = _squares_of(trial, target, of)
        if squares < least - gain:
            best, least, gain = trial, squares, 0.0
            if not trial.astray.any():
                break
    return best


def _pruned(
    s: np.ndarray,
    target: np.ndarray,
    low: int,
    search: _Search,
    floor: np.ndarray,
    *,
    c: np.ndarray | None = None,
) -> _Found | None:
    """A fit without the decays that do not stand out, taken away one at a time."""
    while len(s):
        found = _fit_bins(s, target, low, search, floor, c=c)
        if found is None:
            return None
        strength = _stands_out(found)
        if strength.min() >= STANDS_OUT:
            return found
        s, c = np.delete(found.s, np.argmin(strength)), None
    return None


def _starts_of_more(own, peak, rest, target, turns, search):
    """Start values for one decay more: the strongest one split in two, a rational fit through
    the group, the peak of what is left."""
    wide = np.argmax(np.abs(own.c))
    apart = 0.6 * np.abs(own.s[wide].real)
    split = own.s[wide].real * 0.6 + 1j * (own.s[wide].imag + apart * np.array([-1.0, 1.0]))
    yield np.r_[np.delete(own.s, wide), split]
    yield local_poles(target, turns=turns, count=len(own.s) + 1)
    if peak is not None:
        yield np.r_[own.s, _starts(rest, search.turns, np.array([peak]))]


def _squares_of(found: _Found, target: np.ndarray, of: dict) -> float:
    rest = target - found.c @ terms(found.s, **of)
    return float(np.vdot(rest, rest).real)


def _stands_out(found: _Found) -> np.ndarray:
    return np.abs(found.c) ** 2 / (2.0 * found.c_scale**2 * found.floor)


def _fit_bins(
    s: np.ndarray,
    target: np.ndarray,
    low: int,
    search: _Search,
    floor: np.ndarray,
    *,
    c: np.ndarray | None = None,
) -> _Found | None:
    """One fit; None where it fails or runs out of its bins."""
    if len(target) < 2 * len(s) + 2 or not np.all(np.isfinite(s)):
        return None
    turns = search.turns[low : low + len(target)]
    try:
        fit = fit_poles(target, n=search.n, turns=turns, s=s, c=c)
    except np.linalg.LinAlgError:
        return None
    return _judged(fit, target, low, search, floor)


def _judged(
    fit: PoleFit, target: np.ndarray, low: int, search: _Search, floor: np.ndarray
) -> _Found | None:
    """A fit with the noise around it; None when it ran out of its bins."""
    s, count, high = fit.s, len(target), low + len(target)
    step = 2.0 * np.pi / search.n
    lowest, highest = (search.first + low) * step, (search.first + high - 1) * step
    for pole, amplitude, spread in zip(s.tolist(), fit.c.tolist(), fit.c_scale, strict=True):
        inside = lowest <= pole.imag <= highest and -pole.real < STEEPEST * pole.imag
        if not (inside and isfinite(abs(amplitude)) and isfinite(spread)):
            return None
    free = count - 2 * len(s)
    left, nearby = fit.squares / free, float(floor[low:high].mean())
    # The mean of `free` exponential variables lies this far above 1 once in a thousand times.
    allowed = 1.0 + 3.1 / np.sqrt(free) + 5.0 / free + FLOOR_UNSURE
    misfit = left > nearby * allowed
    power = float(np.vdot(target, target).real) / count
    astray = left > (nearby + MODEL_ERROR * power) * allowed
    noise = np.full(len(s), max(left, nearby) if misfit or free < 40 else left)
    near, signs = np.full(len(s), nearby), (np.full(len(s), misfit), np.full(len(s), astray))
    return _Found(s, fit.c, fit.s_scale, fit.c_scale, noise, near, *signs)


def _report(
    found: _Found,
    first: int,
    rest: np.ndarray,
    unexplained: float,
    *,
    rate_hz: float,
    n: int,
    most: int,
    low: float,
    high: float,
) -> Decays:
    order = np.argsort(found.s.imag)
    s, c, s_scale, c_scale, noise, _, misfit, _ = (field[order] for field in found)
    decay, f = -s.real * rate_hz, s.imag * rate_hz / (2.0 * np.pi)
    u_s = s_scale * np.sqrt(noise) * rate_hz
    with np.errstate(divide="ignore", invalid="ignore"):
        loss = decay / (np.pi * f)
    real = (decay > DIES_AWAY * u_s) & (loss < LARGEST_LOSS) & (f >= low) & (f <= high)
    energy = np.where(real, np.abs(c) ** 2 / np.maximum(decay, 1e-12), 0.0)
    kept = np.sort(np.argsort(-energy)[: min(most, int(real.sum()))])
    gaps = np.abs(f[:, None] - f[real]) / (
        0.5 * f[:, None] * np.abs(loss[:, None]) + 0.5 * (f * loss)[real]
    )
    gaps[gaps == 0.0] = np.inf
    close = gaps.min(axis=1, initial=np.inf) < CLOSE
    u_f = u_s / (2.0 * np.pi)
    u_loss = loss * np.hypot(u_s / np.where(real, decay, 1.0), u_f / f)
    return Decays(
        f[kept], u_f[kept], loss[kept], u_loss[kept],
        np.abs(c[kept]), (c_scale * np.sqrt(noise))[kept], noise[kept] / n,
        close[kept], misfit[kept], s, c, rest, first, int(real.sum()) - len(kept), unexplained,
    )  # fmt: skip
