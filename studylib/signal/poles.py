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

from typing import NamedTuple

import numpy as np

MODEL_ERROR = 10 ** (-45.0 / 10)  # in power: no board is a sum of perfect decays
STEPS = 30
BLOCK = 2048  # bins
SETTLED = 1e-2  # of the noise power of one bin: so small a gain ends the search
FORESEEN = 3e-3  # the same, of a gain that is foreseen and not looked at
AT_LIMIT = 0.98  # of the steepest decay
NO_FALL = 1e-20  # of a decay's power from sample to sample: a slower one is as one that stays
SINGULAR = 1e-13  # of the curvature, by which no fit of two decays that fell together breaks off


class PoleFit(NamedTuple):
    """G groups of K decays.

    s, c : complex (G, K).  rest : complex (M,), what is left over.  squares, power : (G,) sums of
    squares over the bins of each, of what is left over and of all that was fitted.
    s_scale, c_scale : (G, K) standard uncertainty of the real (and of the imaginary) part of s and
    c for bins whose noise has variance 1.  away : complex (G, K), by how much s would move next.
    """

    s: np.ndarray
    c: np.ndarray
    rest: np.ndarray
    squares: np.ndarray
    power: np.ndarray
    s_scale: np.ndarray
    c_scale: np.ndarray
    away: np.ndarray


def terms(s: np.ndarray, *, n: int, turns: np.ndarray) -> np.ndarray:
    """(K, M) transform of each decay of unit amplitude, its half at positive frequencies.

    turns : w of the bins, complex (M,).
    """
    return unit_terms(s, n=n, turns=turns)[2]


def _over(turn: np.ndarray, turns: np.ndarray) -> np.ndarray:
    """1 / (1 - exp(s) w), exp(s) along rows. In place: new arrays cost more than the arithmetic."""
    over = turn * turns
    np.subtract(1.0, over, out=over)
    return np.reciprocal(over, out=over)


def decays_in_bins(s: np.ndarray, c: np.ndarray, *, n: int, turns: np.ndarray) -> np.ndarray:
    """(M,) the whole transform of the sum of decays, both halves; bins below half the rate.

    Over one denominator they are h / (1 - z w) + h* / (1 - z* w) = (p w* - q) / (a + i b), with
    z = exp(s), h the height, p = 2 Re h, q = 2 Re(h z*), a = (1 + |z|^2) Re w - 2 Re z and
    b = (|z|^2 - 1) Im w: real arithmetic, at half the cost. What is close to 1 is told by its
    distance from it, so that a slow decay keeps its digits.
    """
    away, fall = np.expm1(s), np.expm1(2.0 * s.real)
    fall = np.where(np.abs(fall) > NO_FALL, fall, -NO_FALL)
    # Both a and b are taken over `fall`, which leaves Im w alone of b.
    line = np.array([1.0 - 2.0 * away.real / fall, 1.0 + 2.0 / fall]).T
    height = c * (1.0 - np.exp(s * n))
    parts = np.array([height.real, (height * (1.0 + away).conj()).real]) / fall
    cosine, sine = turns.real.copy(), turns.imag.copy()
    grid = np.array([np.ones(len(turns)), sine * sine / (-1.0 - cosine), sine * sine])
    told, work = np.empty((2, 2, len(turns))), np.empty((2, len(s), min(BLOCK, len(turns))))
    for i in range(0, len(turns), BLOCK):  # memory at hand costs less than fresh memory
        here = grid[:, i : i + BLOCK]
        real, over = both = work[:, :, : here.shape[1]]
        np.multiply(np.matmul(line, here[:2], out=real), real, out=over)
        np.multiply(real, np.reciprocal(np.add(over, here[2], out=over), out=over), out=real)
        np.matmul(parts, both, out=told[:, :, i : i + BLOCK])
    (p, q), (p_imag, q_imag) = told[0], told[1] * sine
    whole = np.empty(len(turns), complex)
    whole.real = cosine * p - sine * p_imag - q
    whole.imag = q_imag - sine * p - cosine * p_imag
    return whole


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
    together: np.ndarray | None = None,
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
    crawl : share of what is left over; a damped step that gains less ends the fit of a group,
        and so does one that is refused at a limit; 0 where neither does.
    together : complex (M,), the transform of all groups as they begin, where each is in the way of
        the others and all are fitted as one (K = 1), to a last step whose gain is foreseen and
        which `rest` follows to first order; None where each stands by itself.
    """
    (groups, k), counts = s.shape, np.diff([*at, len(rest)])
    low, high, steepest = (np.reshape(limit, (-1, 1)) for limit in held)
    free, eye, owner = counts - 2 * k, np.eye(2 * k), np.repeat(np.arange(groups), counts)

    def wide(part):
        return np.take(part.T, owner, axis=1)

    def state(s, c):
        end = np.exp(s * n)
        own, over = c * (0.5 - 0.5 * end), _over(wide(np.exp(s)), turns)
        return s, c, own + 0.5 * n * c * end, over, wide(own) * over

    def powers(bins):
        return np.add.reduceat(bins.real**2 + bins.imag**2, at)

    def clipped(to):  # np.clip costs more than its two halves
        f = np.minimum(np.maximum(to.imag, low), high)
        return np.minimum(np.maximum(to.real, -steepest * f), 0.0) + 1j * f

    now, damping, worst, last = state(s, c), np.zeros(groups), 0.0, False
    whole = rest + (now[-1].sum(axis=0) if together is None else together)
    crawled, moved = np.zeros(groups, bool), np.ones(groups, bool)
    for _ in range(STEPS):
        if moved.any():  # a step that was refused leaves slopes and curvature as they are
            s, c, past, over, each = now
            # Slopes by s and by the logarithm of c.
            rows = np.concatenate([over * (each - wide(past)), each, rest[None]])
            products = _products(rows, at)
            curvature, pull = products[:, :-1, :-1], products[:, :-1, -1:]
            target, squares = rest + each.sum(axis=0), products[:, -1, -1].real
            # Scaled to a diagonal of ones: s and c are worlds apart in size.
            size = np.sqrt(np.einsum("gii->gi", curvature).real)[:, :, None]
            curvature = curvature / (size * size.transpose(0, 2, 1)) + SINGULAR * eye
            pull, inverse = pull / size, np.linalg.inv(curvature)
            onward = inverse @ pull
            gain = np.einsum("gij,gij->g", pull.conj(), onward).real
            before, worst = worst, float(np.max(gain * free / squares))
        left = ~crawled & (gain > SETTLED * squares / free)
        # What is fitted as one nears its end by about the same share with every step: where the
        # next look would find it there, the step is taken without that look.
        last = (
            together is not None and worst < 1.0 and worst**2 < FORESEEN * before
            and not damping.any() and not crawled.any()
        )  # fmt: skip
        if last or not left.any():
            break
        if damping.any():
            onward = np.linalg.inv(curvature + damping[:, None, None] * eye) @ pull
        move = (onward / size)[:, :, 0]
        new = state(clipped(s + move[:, :k]), c + c * move[:, k:])
        trial = powers(target - new[-1].sum(axis=0))
        moved = left & (trial <= squares * (1.0 + 1e-9))
        edge = (s.imag <= low) | (s.imag >= high) | (-s.real >= AT_LIMIT * steepest * s.imag)
        crawled |= np.where(
            moved, (damping > 0.0) & (squares - trial < crawl * trial),
            edge.all(axis=1) & (crawl > 0.0),
        )  # fmt: skip
        raised = np.where(left, np.maximum(8.0 * damping, 1e-2), damping)
        damping = np.where(moved, np.where(damping > 1e-3, damping / 8.0, 0.0), raised)
        keep = [moved[:, None]] * 3 + [moved[owner]] * 2
        now = new if moved.all() else [*map(np.where, keep, new, now)]
        rest = whole - (
            now[-1].sum(axis=0)
            if together is None
            else decays_in_bins(now[0][:, 0], now[1][:, 0], n=n, turns=turns)
        )
    s, c, past, over, each = now
    spread = np.sqrt(0.5 * np.abs(np.einsum("gii->gi", inverse).real)) / size[:, :, 0]
    away, power = (onward / size)[:, :, 0], powers(rest + each.sum(axis=0))
    if last:
        rest = rest - (rows[:-1] * wide(away)).sum(axis=0)
        s, c, away = clipped(s + away[:, :k]), c + c * away[:, k:], away * np.sqrt(worst / before)
    return PoleFit(
        s, c, rest, powers(rest), power, spread[:, :k], spread[:, k:] * np.abs(c), away[:, :k]
    )


def _products(rows: np.ndarray, at: np.ndarray) -> np.ndarray:
    """(G, R, R) inner products of R rows over the bins of each group."""
    if len(at) == 1:
        return (rows.conj() @ rows.T)[None]
    return np.add.reduceat(rows.conj()[:, None] * rows, at, axis=2).transpose(2, 0, 1)


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
