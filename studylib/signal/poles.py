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

Functions: terms, decays_in_bins, fit_poles, fit_single_poles, local_poles. PoleFit.
Source: the transform of a truncated exponential is a geometric sum; maximum likelihood for
damped exponentials in noise as in Rao & Zhao (1993, recalled); the start values come from a
rational fit after Sanathanan & Koerner (1963, recalled).
"""

from typing import NamedTuple

import numpy as np

STEPS = 30
LOST_STEPS = 5  # with a decay outside of its bins: such a fit does not come back
SETTLED = 1e-2  # of the noise power of one bin: so small a gain ends the search
KNOTS = 200
MOST_BINS = 64  # of a rational fit; more are averaged first
RATIONAL_ROUNDS = 3


class PoleFit(NamedTuple):
    """K decays fitted over M bins.

    s, c : complex (K,).  squares : sum of squared residuals over the bins (of lone decays fitted
    side by side: one a row, as `settled`).
    s_scale, c_scale : (K,) standard uncertainty of the real (and of the imaginary) part of s and
    c for bins whose noise has variance 1.  settled : whether the search came to rest.
    steps : how many steps it took.
    """

    s: np.ndarray
    c: np.ndarray
    squares: float
    s_scale: np.ndarray
    c_scale: np.ndarray
    settled: bool
    steps: int


def terms(s: np.ndarray, *, n: int, turns: np.ndarray) -> np.ndarray:
    """(K, M) transform of each decay of unit amplitude, its half at positive frequencies.

    turns : w of the bins, complex (M,).
    """
    over = _over(s, turns)
    over *= (0.5 - 0.5 * np.exp(s * n))[:, None]
    return over


def _over(s: np.ndarray, turns: np.ndarray) -> np.ndarray:
    """1 / (1 - exp(s) w), s along rows. In place: new arrays cost more than the arithmetic."""
    over = np.exp(s)[:, None] * turns
    np.subtract(1.0, over, out=over)
    return np.reciprocal(over, out=over)


def decays_in_bins(s: np.ndarray, c: np.ndarray, *, n: int, turns: np.ndarray) -> np.ndarray:
    """(M,) the whole transform of the sum of decays, both halves; bins in rising order.

    The halves at negative frequencies have no resonance among the bins and are put in between a
    few of them by straight lines: a hundredth of a percent of what is itself far below a peak.
    """
    height = c * (0.5 - 0.5 * np.exp(s * n))
    own = height @ _over(s, turns)
    height, s = c.conj() * (0.5 - 0.5 * np.exp(s.conj() * n)), s.conj()
    if len(turns) < 20 * KNOTS:
        return own + height @ _over(s, turns)
    angle = -np.angle(turns)
    few = np.concatenate(
        [
            [0],
            np.searchsorted(angle, np.geomspace(angle[0], angle[-1], KNOTS)[1:-1]),
            [len(turns) - 1],
        ]
    )
    mirrored = height @ _over(s, turns[few])
    own.real += np.interp(angle, angle[few], mirrored.real)
    own.imag += np.interp(angle, angle[few], mirrored.imag)
    return own


def fit_poles(
    target: np.ndarray,
    *,
    n: int,
    turns: np.ndarray,
    s: np.ndarray,
    c: np.ndarray | None = None,
    within: tuple[float, float] | None = None,
    held: tuple[float, float, float] | None = None,
) -> PoleFit:
    """Fit K decays to bins.

    Parameters
    ----------
    target : complex (M,), the bins, with everything else already taken off; M > 2 K.
    n : length of the record in samples.
    turns : complex (M,), w of these bins.
    s, c : complex (K,), start values; without c the best ones for s.
    within : lowest and highest angle per sample of a decay that is of use; a fit with one beyond
        them for `LOST_STEPS` steps is given up and returned as it stands.
    held : lowest and highest angle per sample, and the steepest decay over angle, that no decay
        goes beyond.

    Raises
    ------
    numpy.linalg.LinAlgError : two decays fell together.
    """
    k, free = len(s), len(target) - 2 * len(s)
    low, high = within or (-np.inf, np.inf)
    over, end, g = _unit_terms(s, n=n, turns=turns)
    if c is None:
        c = np.linalg.solve(g.conj() @ g.T, g.conj() @ target)
    rest = target - c @ g
    squares, damping, settled = float(np.vdot(rest, rest).real), 0.0, False
    moved, lost, steps = True, 0, 0
    while steps < STEPS and lost < LOST_STEPS:
        steps += 1
        if moved:  # a step that was refused leaves slopes and curvature as they are
            jacobian = np.concatenate([c[:, None] * _slope(over, end, g, n=n), g])
            mirrored = jacobian.conj()
            curvature, pull = mirrored @ jacobian.T, mirrored @ rest
            # Scaled to a diagonal of ones: s and c are worlds apart in size.
            size = np.sqrt(np.diagonal(curvature).real)
            curvature, pull = curvature / (size[:, None] * size), pull / size
            inverse = _inverse(curvature)
            spread = np.sqrt(0.5 * np.abs(np.diagonal(inverse).real)) / size
            if float(np.vdot(pull, inverse @ pull).real) <= SETTLED * squares / free:
                settled = True
                break
        damped = _inverse(curvature + damping * np.eye(2 * k)) if damping else inverse
        step = (damped @ pull) / size
        # Growth within a record is a fit gone astray; a hum's rate wanders around zero.
        new_s, new_c = s + step[:k], c + step[k:]
        new_s = _held(new_s, n, held)
        new_over, new_end, new_g = _unit_terms(new_s, n=n, turns=turns)
        new_rest = target - new_c @ new_g
        new = float(np.vdot(new_rest, new_rest).real)
        moved = new <= squares * (1.0 + 1e-9)
        if moved:
            damping = damping / 8.0 if damping > 1e-3 else 0.0
            s, c, over, end, g, rest, squares = (
                *(new_s, new_c, new_over, new_end, new_g, new_rest), new,
            )  # fmt: skip
        else:
            damping = max(8.0 * damping, 1e-2)
        lost = lost + 1 if s.imag.min() < low or s.imag.max() > high else 0
    return PoleFit(s, c, squares, spread[:k], spread[k:], settled, steps)


def _held(s: np.ndarray, n: int, held: tuple[float, float, float] | None) -> np.ndarray:
    if held is None:
        return np.clip(s.real, -1.0, 5.0 / n) + 1j * s.imag
    low, high, steepest = held
    f = np.clip(s.imag, low, high)
    return np.clip(s.real, -steepest * f, 0.0) + 1j * f


def fit_single_poles(
    target: np.ndarray,
    *,
    n: int,
    turns: np.ndarray,
    s: np.ndarray,
    c: np.ndarray,
    enough: float = SETTLED,
) -> PoleFit:
    """Fit R lone decays, each to its own bins, side by side.

    Parameters
    ----------
    target, turns : complex (R, M); bins that a row does not have are 0 in both.
    n : length of the record in samples.  s, c : complex (R,), start values.
    enough : a gain this small, in noise powers of a bin, ends the search.

    Returns
    -------
    PoleFit whose fields are arrays over the rows, `squares` and `settled` too: in each row what
    `fit_poles` gives for its one decay.
    """
    mask = (turns != 0.0).astype(float)
    free = mask.sum(axis=1) - 2.0
    damping, settled = np.zeros(len(s)), np.zeros(len(s), bool)
    kept, best, steps = None, None, 0
    while steps < STEPS:
        steps += 1
        over = _over(s, turns) * mask
        end = np.exp(s * n)[:, None]
        g = (0.5 - 0.5 * end) * over
        rest = target - c[:, None] * g
        slope = c[:, None] * _slope(over, end, g, n=n)
        new = (
            s, c, _power(rest),
            _power(slope), _power(g), _product(slope, g), _product(slope, rest), _product(g, rest),
        )  # fmt: skip
        if kept is None:
            kept = new
        else:
            worse = ~(new[2] <= kept[2] * (1.0 + 1e-9))
            damping = np.where(worse, np.maximum(8.0 * damping, 1e-2), damping / 8.0)
            damping[damping < 1e-3] = 0.0
            kept = [np.where(worse, old, now) for old, now in zip(kept, new, strict=True)]
        *best, steep, height, mixed, pull_s, pull_c = kept
        firm_s, firm_c = steep * (1.0 + damping), height * (1.0 + damping)
        determinant = firm_s * firm_c - np.abs(mixed) ** 2
        step_s = (firm_c * pull_s - mixed * pull_c) / determinant
        step_c = (firm_s * pull_c - np.conj(mixed) * pull_s) / determinant
        gain = (np.conj(pull_s) * step_s + np.conj(pull_c) * step_c).real
        settled = gain <= enough * best[2] / free
        if settled.all():
            break
        s, c = best[0] + step_s, best[1] + step_c
        s = np.clip(s.real, -1.0, 5.0 / n) + 1j * s.imag
    whole = steep * height - np.abs(mixed) ** 2
    spread_s, spread_c = np.sqrt(0.5 * height / whole), np.sqrt(0.5 * steep / whole)
    return PoleFit(*best, spread_s, spread_c, settled, steps)


def _power(x: np.ndarray) -> np.ndarray:
    """(R,) sums of |x|^2 along the rows."""
    flat = x.view(float)
    return np.einsum("rm,rm->r", flat, flat)


def _product(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """(R,) sums of conj(a) b along the rows."""
    return np.einsum("rm,rm->r", a.conj(), b)


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Of a complex matrix; the commonest size, one decay's, without the detour of a library."""
    if len(matrix) > 2:
        return np.linalg.inv(matrix)
    (p, q), (r, s) = matrix.tolist()
    determinant = p * s - q * r
    if not abs(determinant) > 0.0:
        raise np.linalg.LinAlgError("Singular matrix")
    return np.array([[s, -q], [-r, p]]) / determinant


def _unit_terms(
    s: np.ndarray, *, n: int, turns: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """1 / (1 - exp(s) w) (K, M), exp(s n) (K, 1), and from both the (K, M) terms of amplitude 1."""
    over = _over(s, turns)
    end = np.exp(s * n)[:, None]
    return over, end, (0.5 - 0.5 * end) * over


def _slope(over: np.ndarray, end: np.ndarray, g: np.ndarray, *, n: int) -> np.ndarray:
    """Derivatives of the terms by s."""
    # d/ds of 1/(1 - e^s w) is (over - 1) over; the end's own derivative matters for slow decays.
    return g * (over - 1.0) - (0.5 * n * end) * over


def local_poles(target: np.ndarray, *, turns: np.ndarray, count: int) -> np.ndarray:
    """Start values: `count` poles of a rational function through the bins, complex (count,).

    Around a resonance Y is a ratio of polynomials in w, whose denominator's roots are
    exp(-s). Fitted as a linear problem, weighted by the last denominator.
    """
    pool = len(target) // MOST_BINS
    if pool > 1:
        whole = len(target) // pool * pool
        target, turns = (x[:whole].reshape(-1, pool).mean(axis=1) for x in (target, turns))
    middle = turns[len(turns) // 2] / np.abs(turns[len(turns) // 2])
    reach = np.max(np.abs(turns / middle - 1.0))
    v = (turns / middle - 1.0) / reach
    powers = v[:, None] ** np.arange(count + 1)
    weight = np.ones(len(v))
    for _ in range(RATIONAL_ROUNDS):
        rows = np.concatenate([powers, -target[:, None] * powers[:, 1:]], axis=1) * weight[:, None]
        solution = np.linalg.lstsq(rows, target * weight, rcond=None)[0]
        below = np.concatenate([[1.0 + 0j], solution[count + 1 :]])
        weight = 1.0 / np.maximum(np.abs(powers @ below), 1e-9)
    roots = np.roots(below[::-1])
    with np.errstate(divide="ignore"):
        return -np.log(middle * (1.0 + reach * roots))
