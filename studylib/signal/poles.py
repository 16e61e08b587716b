"""Damped sinusoids in the bins of a discrete Fourier transform: the exact model and its fit.

A sum of decays y[n] = sum_k Re(c_k exp(s_k n)), n = 0 .. N-1, has the transform

    Y[m] = sum_k  (c_k / 2) (1 - exp(s_k N)) / (1 - exp(s_k) w[m])  +  the same with conjugates,

w[m] = exp(-2 pi i m / N): no window, no leakage that would have to be approximated, whether the
decay has died within the record or not. White noise of variance v adds independent complex
normal numbers of variance N v to the bins, so that least squares over the bins around a
resonance is maximum likelihood but for what lies outside of them. The fit is Gauss-Newton over
s and c together, damped where a step would make things worse; both are complex and the model is
analytic in them, so that one complex linear problem a step suffices. The halves at negative
frequencies are the caller's to take off.

Conventions: s = -decay + i angle, both per sample; c is the complex amplitude at the record's
first sample (real amplitude |c|). Bins are numbered as in `numpy.fft.rfft`.

Functions: terms, decays_in_bins, fit_poles, unit_terms, slope. PoleFit.
Source: the transform of a truncated exponential is a geometric sum; maximum likelihood for
damped exponentials in noise as in Rao & Zhao (1993, recalled).
"""

from functools import partial
from typing import NamedTuple

import numpy as np

STEPS = 30
SETTLED = 1e-2  # of the noise power of one bin: so small a gain ends the search
SINGULAR = 1e-13  # of the curvature, by which no fit of two decays that fell together breaks off
KNOTS = 200


class PoleFit(NamedTuple):
    """G groups of K decays.

    s, c : complex (G, K).  rest : complex (M,), what is left over.  squares, power : (G,) sums of
    squares over the bins of each, of what is left over and of all that was fitted.
    s_scale, c_scale : (G, K) standard uncertainty of the real (and of the imaginary) part of s and
    c for bins whose noise has variance 1.
    """

    s: np.ndarray
    c: np.ndarray
    rest: np.ndarray
    squares: np.ndarray
    power: np.ndarray
    s_scale: np.ndarray
    c_scale: np.ndarray


def terms(s: np.ndarray, *, n: int, turns: np.ndarray) -> np.ndarray:
    """(K, M) transform of each decay of unit amplitude, its half at positive frequencies.

    turns : w of the bins, complex (M,).
    """
    over = _over(np.exp(s)[:, None], turns)
    over *= (0.5 - 0.5 * np.exp(s * n))[:, None]
    return over


def _over(turn: np.ndarray, turns: np.ndarray) -> np.ndarray:
    """1 / (1 - exp(s) w), exp(s) along rows. In place: new arrays cost more than the arithmetic."""
    over = turn * turns
    np.subtract(1.0, over, out=over)
    return np.reciprocal(over, out=over)


def decays_in_bins(s: np.ndarray, c: np.ndarray, *, n: int, turns: np.ndarray) -> np.ndarray:
    """(M,) the whole transform of the sum of decays, both halves; bins in rising order.

    The halves at negative frequencies have no resonance among the bins and are put in between a
    few of them by straight lines: a hundredth of a percent of what is itself far below a peak.
    """
    height = c * (0.5 - 0.5 * np.exp(s * n))
    own = height @ _over(np.exp(s)[:, None], turns)
    height, turn = height.conj(), np.exp(s.conj())[:, None]
    if len(turns) < 20 * KNOTS:
        return own + height @ _over(turn, turns)
    angle = -np.angle(turns)
    few = np.concatenate(
        [
            [0],
            np.searchsorted(angle, np.geomspace(angle[0], angle[-1], KNOTS)[1:-1]),
            [len(turns) - 1],
        ]
    )
    mirrored = height @ _over(turn, turns[few])
    own.real += np.interp(angle, angle[few], mirrored.real)
    own.imag += np.interp(angle, angle[few], mirrored.imag)
    return own


def fit_poles(
    rest: np.ndarray,
    *,
    n: int,
    turns: np.ndarray,
    s: np.ndarray,
    c: np.ndarray,
    held: tuple[np.ndarray | float, np.ndarray | float, np.ndarray | float],
    at: tuple[int, ...] | np.ndarray = (0,),
    crawl: float = 0.0,
) -> PoleFit:
    """Fit G groups of K decays each, all at once and every group to bins of its own.

    Parameters
    ----------
    rest : complex (M,), what the decays, as they begin, and everything else leave over of the bins,
        group after group; more than 2 K for each.
    n : length of the record in samples.  turns : complex (M,), w of these bins.
    s, c : complex (G, K), start values.  at : (G,) where the bins of each group begin.
    held : lowest and highest angle per sample, and the steepest decay over angle, that no decay
        goes beyond, one of each or (G,) of each; none grows.
    crawl : share of what is left over; a damped step that gains less ends the fit of a group.
    """
    k, ends = s.shape[1], np.append(at, len(rest))[1:]
    counts = ends - at
    low, high, steepest = np.broadcast_arrays(*(np.reshape(limit, (-1, 1)) for limit in held))
    free, eye = counts - 2 * k, np.eye(2 * k)

    def state(s, c):
        turn, end, height = (
            np.repeat(part.T, counts, axis=1) for part in (np.exp(s), np.exp(s * n), c)
        )
        over = _over(turn, turns)
        g = (0.5 - 0.5 * end) * over
        return over, end, g, height, (height * g).sum(axis=0)

    def powers(bins):
        return np.add.reduceat(bins.real**2 + bins.imag**2, at)

    now, damping = state(s, c), np.zeros(len(s))
    moved, done = np.ones(len(s), bool), np.zeros(len(s), bool)
    target, squares = rest + now[-1], powers(rest)
    for _ in range(STEPS):
        if moved.any():  # a step that was refused leaves slopes and curvature as they are
            over, end, g, height, _ = now
            rows = np.concatenate([height * slope(over, end, g, n=n), g, rest[None]])
            parts = [rows[:, i:j] for i, j in zip(at, ends, strict=True)]
            products = np.array([part.conj() @ part.T for part in parts])
            curvature, pull = products[:, :-1, :-1], products[:, :-1, -1]
            # Scaled to a diagonal of ones: s and c are worlds apart in size.
            size = np.sqrt(np.einsum("gii->gi", curvature).real)
            curvature = curvature / (size[:, :, None] * size[:, None]) + SINGULAR * eye
            pull = pull / size
            inverse = np.linalg.inv(curvature)
            spread = np.sqrt(0.5 * np.abs(np.einsum("gii->gi", inverse).real)) / size
            gain = np.einsum("gi,gij,gj->g", pull.conj(), inverse, pull).real
            done |= ~(gain > SETTLED * squares / free)
        if done.all():
            break
        damped = (
            np.linalg.inv(curvature + damping[:, None, None] * eye) if damping.any() else inverse
        )
        step = np.einsum("gij,gj->gi", damped, pull) / size
        new_s, new_c = s + step[:, :k], c + step[:, k:]
        # np.clip costs more than its two halves.
        f = np.minimum(np.maximum(new_s.imag, low), high)
        new_s = np.minimum(np.maximum(new_s.real, -steepest * f), 0.0) + 1j * f
        new = state(new_s, new_c)
        trial = powers(target - new[-1])
        moved = ~done & (trial <= squares * (1.0 + 1e-9))
        done |= moved & (damping > 0.0) & (squares - trial < crawl * trial)
        damping = np.where(
            moved, np.where(damping > 1e-3, damping / 8.0, 0.0), np.maximum(8.0 * damping, 1e-2)
        )
        s, c = (np.where(moved[:, None], *pair) for pair in ((new_s, s), (new_c, c)))
        if moved.any():
            keep = partial(np.where, np.repeat(moved, counts))
            now = new if moved.all() else tuple(map(keep, new, now))
            rest, squares = target - now[-1], np.where(moved, trial, squares)
    return PoleFit(s, c, rest, squares, powers(target), spread[:, :k], spread[:, k:])


def unit_terms(
    s: np.ndarray, *, n: int, turns: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """1 / (1 - exp(s) w) (K, M), exp(s n) (K, 1), and from both the (K, M) terms of amplitude 1."""
    over, end = _over(np.exp(s)[:, None], turns), np.exp(s * n)[:, None]
    return over, end, (0.5 - 0.5 * end) * over


def slope(over: np.ndarray, end: np.ndarray, g: np.ndarray, *, n: int) -> np.ndarray:
    """Derivatives of the terms by s."""
    # d/ds of 1/(1 - e^s w) is (over - 1) over; the end's own derivative matters for slow decays.
    return g * (over - 1.0) - (0.5 * n * end) * over
