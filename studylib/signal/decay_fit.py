"""Overlapping decays fitted to the bins around them, and whether the fit can be believed.

A group of decays is fitted by `signal.poles` to the bins within a few bandwidths. It counts as
found when it stays within them, and each decay's amplitude stands out of its own uncertainty;
what the fit leaves over is held against the noise floor.

Conventions: as in `signal.poles`; indices of bins count from the first of the search.

Functions: subset, joined, groups_of, windows, starts_at, dying_away, pruned, fit_bins, checked_fit,
checked_lone_fits, stands_out, squares_of. Search, Work, TooMuchWork, Found, NONE.
Source: maximum likelihood on the bins (`signal.poles`); limits are our own choice, tried out in
simulation.
"""

from typing import NamedTuple

import numpy as np

from studylib.signal.poles import STEPS, PoleFit, fit_poles, terms

REACH = 4.5  # bandwidths around a mode whose bins are fitted
LEAST_BINS = 4  # on either side
TOGETHER = 12.0  # mean bandwidths: nearer modes are fitted together
STANDS_OUT = 20.0  # |c|^2 over its variance: below, a decay is dropped
BESIDE_HZ = 200.0  # in which a peak must be prominent
STEEPEST = 0.075  # decay over angle of anything fitted: a loss factor of 0.15
MODEL_ERROR = 10 ** (-45.0 / 10)  # no board is a sum of perfect decays: less is not pursued
FLOOR_BINS = 40  # how many bins of the fit the floor counts for as a witness of the noise
MOST_STEPS = 30_000  # of fitting in one search, each times its decays: a tap takes 5,000 at most
FLOOR_UNSURE = 0.15  # relative: how well the floor is known


class TooMuchWork(Exception):
    """A search has taken all the steps it may."""


class Work:
    """Steps of fitting that a search may still take, one for each decay that a step moves.

    Counted and not timed: the same record gives the same result on a fast and on a busy machine.
    """

    def __init__(self, most: int) -> None:
        self.left = most

    def spend(self, steps: int) -> None:
        """Count steps.

        Raises
        ------
        TooMuchWork : more than the search may take.
        """
        self.left -= steps
        if self.left < 0:
            raise TooMuchWork


class Search(NamedTuple):
    """The bins under study. bins : their values, (M,).  first : number of the first in the whole
    transform.  turns : w of each.  n : length of the record.  floor : expected noise |bin|^2.
    work : what all its fits may cost."""

    bins: np.ndarray
    first: int
    turns: np.ndarray
    n: int
    floor: np.ndarray
    work: Work


class Found(NamedTuple):
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


NONE = Found(*(np.zeros(0, complex),) * 2, *(np.zeros(0),) * 4, *(np.zeros(0, bool),) * 2)


def subset(found: Found, which: np.ndarray) -> Found:
    return Found(*(field[which] for field in found))


def joined(parts: list[Found]) -> Found:
    return Found(*(np.concatenate(fields) for fields in zip(*parts, strict=True)))


def groups_of(s: np.ndarray, *, together: float = TOGETHER) -> list[np.ndarray]:
    """Indices of poles that overlap, by frequency."""
    order = np.argsort(s.imag)
    if not len(order):
        return []
    f, half = s.imag[order], np.abs(s.real[order])
    apart = np.diff(f) > together * (half[1:] + half[:-1])
    return np.split(order, np.flatnonzero(apart) + 1)


def windows(s: np.ndarray, search: Search) -> tuple[np.ndarray, np.ndarray]:
    """First and last bin (of the search) around each pole."""
    width = search.n / (2.0 * np.pi)
    middle = s.imag * width - search.first
    reach = (REACH * 2.0 * np.abs(s.real) * width).clip(LEAST_BINS, 0.2 * len(search.bins))
    low = np.floor(middle - reach).astype(int).clip(0, len(search.bins) - 2 * LEAST_BINS)
    high = np.ceil(middle + reach).astype(int).clip(2 * LEAST_BINS - 1, len(search.bins) - 1)
    return low, np.maximum(high, low + 2 * LEAST_BINS - 1)


def starts_at(rest: np.ndarray, turns: np.ndarray, peaks: np.ndarray) -> np.ndarray:
    """One pole for each peak, from three bins across its half power."""
    power = rest.real**2 + rest.imag**2
    # The first of 1, 2, 4, ... bins at which the smaller flank has fallen to half.
    away = 2 ** np.arange(8)[:, None]
    flanks = np.minimum(
        power[np.maximum(peaks - away, 0)], power[np.minimum(peaks + away, len(rest) - 1)]
    )
    reach = 2 ** np.logical_and.accumulate(flanks > 0.5 * power[peaks], axis=0).sum(axis=0)
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


def dying_away(s: np.ndarray) -> np.ndarray:
    """Start values that die away."""
    return np.minimum(s.real, -1e-7) + 1j * s.imag


def pruned(
    s: np.ndarray,
    target: np.ndarray,
    low: int,
    search: Search,
    *,
    c: np.ndarray | None = None,
) -> Found | None:
    """A fit without the decays that do not stand out, taken away one at a time."""
    while len(s):
        found = fit_bins(s, target, low, search, c=c)
        if found is None:
            return None
        strength = stands_out(found)
        if strength.min() >= STANDS_OUT:
            return found
        s, c = np.delete(found.s, np.argmin(strength)), None
    return None


def fit_bins(
    s: np.ndarray,
    target: np.ndarray,
    low: int,
    search: Search,
    *,
    c: np.ndarray | None = None,
) -> Found | None:
    """One fit; None where it fails or runs out of its bins."""
    if len(target) < 2 * len(s) + 2 or not np.all(np.isfinite(s)):
        return None
    turns = search.turns[low : low + len(target)]
    within = _angles(low, low + len(target), search)
    try:
        fit = fit_poles(target, n=search.n, turns=turns, s=s, c=c, within=within)
    except np.linalg.LinAlgError:
        search.work.spend(STEPS * len(s))
        return None
    search.work.spend(fit.steps * len(s))
    return checked_fit(fit, target, low, search)


def _angles(low, high, search: Search):
    """Angles per sample of the first and the last bin of low to high."""
    step = 2.0 * np.pi / search.n
    return (search.first + low) * step, (search.first + high - 1) * step


def _inside(fit: PoleFit, lowest, highest) -> np.ndarray:
    """Which decays are between two angles, not too steep, and known at all."""
    s = fit.s
    good = (s.imag >= lowest) & (s.imag <= highest) & (-s.real < STEEPEST * s.imag)
    return good & np.isfinite(fit.c) & np.isfinite(fit.c_scale) & (fit.c_scale > 0.0)


def checked_fit(fit: PoleFit, target: np.ndarray, low: int, search: Search) -> Found | None:
    """A fit with the noise around it; None when it ran out of its bins."""
    s, count, high = fit.s, len(target), low + len(target)
    lowest, highest = _angles(low, high, search)
    if not _inside(fit, lowest, highest).all():
        return None
    free = count - 2 * len(s)
    left, nearby = fit.squares / free, float(search.floor[low:high].mean())
    power = float(np.vdot(target, target).real) / count
    same = (np.array([value] * len(s)) for value in _witnesses(left, nearby, power, free))
    return Found(s, fit.c, fit.s_scale, fit.c_scale, *same)


def checked_lone_fits(
    fit: PoleFit, target: np.ndarray, low: np.ndarray, high: np.ndarray, search: Search
) -> tuple[Found, np.ndarray]:
    """The same for lone decays fitted side by side, and which of them stayed in their bins."""
    s, count, free = fit.s, high - low, high - low - 2
    lowest, highest = _angles(low, high, search)
    good = _inside(fit, lowest, highest)
    total = np.concatenate([[0.0], np.cumsum(search.floor)])
    left, nearby = fit.squares / free, (total[high] - total[low]) / count
    power = np.einsum("rm,rm->r", target, target.conj()).real / count
    return Found(s, fit.c, fit.s_scale, fit.c_scale, *_witnesses(left, nearby, power, free)), good


def _witnesses(left, nearby, power, free):
    """(noise, floor, misfit, astray) from what a fit left a bin, the floor nearby, and the bins'
    mean power; numbers or arrays."""
    # The mean of `free` exponential variables lies this far above theirs once in a thousand
    # times; the floor's own uncertainty is put on top.
    allowed = 1.0 + 3.1 / np.sqrt(free) + 5.0 / free + FLOOR_UNSURE
    misfit = left > nearby * allowed
    astray = left > (nearby + MODEL_ERROR * power) * allowed
    both = (free * left + FLOOR_BINS * nearby) / (free + FLOOR_BINS)
    return np.where(misfit, left, both), nearby, misfit, astray


def stands_out(found: Found) -> np.ndarray:
    return np.abs(found.c) ** 2 / (2.0 * found.c_scale**2 * found.floor)


def squares_of(found: Found, target: np.ndarray, of: dict) -> float:
    rest = target - found.c @ terms(found.s, **of)
    return float(np.vdot(rest, rest).real)
