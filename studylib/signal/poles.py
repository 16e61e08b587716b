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

STEPS = 30
SETTLED = 1e-2  # of the noise power of one bin: so small a gain ends the search
KNOTS = 200


class PoleFit(NamedTuple):
    """K decays fitted over M bins.

    s, c : complex (K,).  squares : sum of squared residuals over the bins.
    s_scale, c_scale : (K,) standard uncertainty of the real (and of the imaginary) part of s and
    c for bins whose noise has variance 1.
    """

    s: np.ndarray
    c: np.ndarray
    squares: float
    s_scale: np.ndarray
    c_scale: np.ndarray


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
    c: np.ndarray,
    held: tuple[float, float, float],
) -> PoleFit:
    """Fit K decays to bins.

    Parameters
    ----------
    target : complex (M,), the bins, with everything else already taken off; M > 2 K.
    n : length of the record in samples.  turns : complex (M,), w of these bins.
    s, c : complex (K,), start values.
    held : lowest and highest angle per sample, and the steepest decay over angle, that no decay
        goes beyond; none grows.

    Raises
    ------
    numpy.linalg.LinAlgError : two decays fell together.
    """
    k, free = len(s), len(target) - 2 * len(s)
    low, high, steepest = held
    over, end, g = unit_terms(s, n=n, turns=turns)
    rest = target - c @ g
    squares, damping, moved = float(np.vdot(rest, rest).real), 0.0, True
    for _ in range(STEPS):
        if moved:  # a step that was refused leaves slopes and curvature as they are
            jacobian = np.concatenate([c[:, None] * slope(over, end, g, n=n), g])
            mirrored = jacobian.conj()
            curvature, pull = mirrored @ jacobian.T, mirrored @ rest
            # Scaled to a diagonal of ones: s and c are worlds apart in size.
            size = np.sqrt(curvature.real.diagonal())
            curvature, pull = curvature / (size[:, None] * size), pull / size
            inverse = _inverse(curvature)
            spread = np.sqrt(0.5 * np.abs(inverse.real.diagonal())) / size
            if float(np.vdot(pull, inverse @ pull).real) <= SETTLED * squares / free:
                break
        damped = _inverse(curvature + damping * np.eye(2 * k)) if damping else inverse
        step = (damped @ pull) / size
        new_s, new_c = s + step[:k], c + step[k:]
        # np.clip costs more than its two halves.
        f = np.minimum(np.maximum(new_s.imag, low), high)
        new_s = np.minimum(np.maximum(new_s.real, -steepest * f), 0.0) + 1j * f
        new_over, new_end, new_g = unit_terms(new_s, n=n, turns=turns)
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
    return PoleFit(s, c, squares, spread[:k], spread[k:])


def _inverse(matrix: np.ndarray) -> np.ndarray:
    """Of a complex matrix; the commonest size, one decay's, without the detour of a library."""
    if len(matrix) > 2:
        return np.linalg.inv(matrix)
    (p, q), (r, s) = matrix.tolist()
    determinant = p * s - q * r
    if not abs(determinant) > 0.0:
        raise np.linalg.LinAlgError("Singular matrix")
    return np.array([[s, -q], [-r, p]]) / determinant


def unit_terms(
    s: np.ndarray, *, n: int, turns: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """1 / (1 - exp(s) w) (K, M), exp(s n) (K, 1), and from both the (K, M) terms of amplitude 1."""
    over = _over(s, turns)
    end = np.exp(s * n)[:, None]
    return over, end, (0.5 - 0.5 * end) * over


def slope(over: np.ndarray, end: np.ndarray, g: np.ndarray, *, n: int) -> np.ndarray:
    """Derivatives of the terms by s."""
    # d/ds of 1/(1 - e^s w) is (over - 1) over; the end's own derivative matters for slow decays.
    return g * (over - 1.0) - (0.5 * n * end) * over
