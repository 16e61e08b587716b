"""Decays heard through a room: a few fitted to the bins around, and how well they are known.

A microphone hears the direct sound of the modes and, after it, the room's answer to it. With G
the transform of the decays and h that of the room (1 for the direct sound, and a tail of noise
that dies away exponentially), a bin is

    Y = G h + e,    cov(h[m], h[l]) = ratio / (1 + i (w[m] - w[l]) / (2 alpha)) + imperfect (m = l)

`ratio` is the energy of the tail over that of the direct sound, alpha the tail's decay, e the
background. So the room multiplies: it leaves a mode that rings longer than itself nearly as it is
(h is one number across its narrow peak) and bends a broad one, whose peak it fills with ripples as
wide as the mode. A reflection within some milliseconds is one number across either, and only
changes the level. Both facts are in the covariance, and with it in the stated uncertainty.

The fit is maximum likelihood of complex normal bins, mean G and covariance diag(G) cov diag(G)* +
background, by Fisher scoring over the decays and the logarithm of the ratio; alpha is the caller's.
The logarithms' derivatives of G by s and c are analytic, so that one complex score a bin holds
them all.

Conventions: as in `signal.poles`; alpha per sample, of the amplitude.

Functions: fit_in_room. RoomFit, Hearing.
Source: a room's tail as decaying noise (Polack 1988, recalled; Kuttruff, Room Acoustics); score and
information of complex normal data whose mean and covariance hang on the parameters (Kay 1993,
chapter 15, recalled).
"""

from typing import NamedTuple

import numpy as np
from scipy.linalg.lapack import zpotrf, zpotri, zpotrs

from studylib.signal import poles

STEPS = 12
SETTLED = 0.02  # of the logarithm of the likelihood
STEEPEST = 0.15  # decay over angle


class Hearing(NamedTuple):
    """What is known of the room before a fit. ratio : reverberant over direct energy, expected,
    and `unsure` the standard deviation of its natural logarithm.  alpha : decay of its tail per
    sample.  background : expected |bin|^2.  most : that the ratio can be."""

    ratio: float
    unsure: float
    alpha: float
    background: float
    most: float = 4.0


class RoomFit(NamedTuple):
    """K decays. s, c : complex (K,).  s_spread, f_spread, c_spread : (K,) standard uncertainties of
    the decay (per sample), of the angle, and of c's real or imaginary part.  quiet : (K,) what
    s_spread would be without the room.  ratio : as found, u_ratio : of its logarithm.
    evidence : logarithm of the likelihood, integrated over decays nearby, less a constant;
    likelihood : that at the best ones.
    kept : whether these are another's decays, that no fit came near."""

    s: np.ndarray
    c: np.ndarray
    s_spread: np.ndarray
    f_spread: np.ndarray
    c_spread: np.ndarray
    quiet: np.ndarray
    ratio: float
    u_ratio: float
    evidence: float
    likelihood: float
    kept: bool = False


class _State(NamedTuple):
    s: np.ndarray
    c: np.ndarray
    log_ratio: float
    terms: np.ndarray  # (2 K, M) derivatives of ln G by s and by c
    g: np.ndarray
    heard: np.ndarray  # covariance without the background
    half: np.ndarray  # Cholesky factor of the covariance, in its lower triangle
    pull: np.ndarray  # covariance^-1 @ what the decays leave over
    likelihood: float


class _Bins(NamedTuple):
    target: np.ndarray
    turns: np.ndarray
    n: int
    others: np.ndarray
    kernel: np.ndarray
    hearing: Hearing


def fit_in_room(
    target: np.ndarray,
    *,
    n: int,
    turns: np.ndarray,
    s: np.ndarray,
    c: np.ndarray,
    others: np.ndarray,
    hearing: Hearing,
    steps: int = STEPS,
) -> RoomFit:
    """Fit K decays to the bins around them.

    Parameters
    ----------
    target : complex (M,), the bins as recorded.  n : length of the record in samples.
    turns : complex (M,), w of these bins.  s, c : complex (K,), start values.
    others : complex (M,), the transform of everything else that the room hears: other decays,
        and the halves at negative frequencies.

    Raises
    ------
    numpy.linalg.LinAlgError : two decays fell together.
    """
    angle = -np.angle(turns)
    kernel = 1.0 / (1.0 + 0.5j / hearing.alpha * (angle[:, None] - angle))
    bins = _Bins(target, turns, n, others, kernel, hearing)
    state, damping = _state(s, c, np.log(hearing.ratio), bins), 1e-3
    for _ in range(steps):
        pull, information = _scored(state, bins)
        size = np.sqrt(information.diagonal())
        scaled = information / size / size[:, None]
        for _ in range(5):
            damped = scaled.copy()
            damped.flat[:: len(size) + 1] += damping
            step = np.linalg.solve(damped, pull / size) / size
            trial = _moved(state, step, bins)
            if trial.likelihood >= state.likelihood:
                break
            damping = max(8.0 * damping, 1e-2)
        else:
            break
        damping /= 8.0
        gain, state = trial.likelihood - state.likelihood, trial
        if gain < SETTLED:
            break
    return _told(state, bins)


def _state(s, c, log_ratio: float, bins: _Bins) -> _State:
    over, end, unit = poles.unit_terms(s, n=bins.n, turns=bins.turns)
    g = c @ unit + bins.others
    terms = np.concatenate([c[:, None] * poles.slope(over, end, unit, n=bins.n), unit]) / g
    heard = np.exp(log_ratio) * bins.kernel
    heard.flat[:: len(g) + 1] += poles.MODEL_ERROR
    heard *= g[:, None]
    heard *= g.conj()
    whole = heard.copy()
    whole.flat[:: len(g) + 1] += bins.hearing.background
    half, fault = zpotrf(whole, lower=1, overwrite_a=1)
    off = bins.target - g
    if fault:
        return _State(s, c, log_ratio, terms, g, heard, np.zeros_like(half), g, -np.inf)
    pull = zpotrs(half, off, lower=1)[0]
    # The decays have taken 2 K of the tail's freedoms with them.
    likelihood = (
        -float(np.vdot(off, pull).real)
        - 0.5 * ((log_ratio - np.log(bins.hearing.ratio)) / bins.hearing.unsure) ** 2
        + 2 * len(s) * log_ratio
        - 2.0 * float(np.log(np.abs(half.diagonal())).sum())
    )  # fmt: skip
    return _State(s, c, log_ratio, terms, g, heard, half, pull, likelihood)


def _moved(state: _State, step: np.ndarray, bins: _Bins) -> _State:
    k = len(state.s)
    both = step[: 2 * k] + 1j * step[2 * k : 4 * k]
    s, c = state.s + both[:k], state.c + both[k:]
    # A decay grows neither upwards nor out of its bins; np.clip costs more than its two halves.
    low, high = -np.angle(bins.turns[[0, -1]])
    f = np.minimum(np.maximum(s.imag, low), high)
    s = np.minimum(np.maximum(s.real, -STEEPEST * f), -1e-3 / bins.n) + 1j * f
    log_ratio = state.log_ratio + min(max(float(step[-1]), -1.0), 1.0)
    return _state(s, c, min(log_ratio, float(np.log(bins.hearing.most))), bins)


def _scored(state: _State, bins: _Bins) -> tuple[np.ndarray, np.ndarray]:
    """Score (4 K + 1,) and Fisher information over Re s, Re c, Im s, Im c and ln ratio."""
    terms, g, heard, background = state.terms, state.g, state.heard, bins.hearing.background
    # Of the covariance, heard + background: its inverse, heard @ inverse, and that @ heard.
    inverse = zpotri(state.half, lower=1)[0]
    inverse += inverse.conj().T
    inverse.flat[:: len(g) + 1] *= 0.5
    through = -background * inverse
    through.flat[:: len(g) + 1] += 1.0
    back, pulled = heard - background * through, heard @ state.pull
    score = state.pull.conj() * (g + pulled) - through.diagonal()
    own = 2.0 * (terms @ score)
    mean, same = terms * g, 2.0 * (terms @ (through * through.T) @ terms.T)
    mirrored = 2.0 * (
        terms.conj() @ (back.conj() * inverse) @ terms.T + mean.conj() @ inverse @ mean.T
    )
    twice = np.einsum("ij,ji->i", through, through)
    cross, unsure = 2.0 * (terms @ twice), bins.hearing.unsure
    away = (state.log_ratio - np.log(bins.hearing.ratio)) / unsure**2
    of_ratio = (
        float(np.vdot(state.pull, pulled).real - through.trace().real)
        - away + 2 * len(state.s)
    )  # fmt: skip
    size = 2 * len(terms)
    information = np.empty((size + 1, size + 1))
    # np.block and np.r_ cost more than the arithmetic.
    information[:size, :size] = np.concatenate(
        [
            np.concatenate([mirrored.real + same.real, -mirrored.imag - same.imag], axis=1),
            np.concatenate([mirrored.imag - same.imag, mirrored.real - same.real], axis=1),
        ]
    )
    information[size, :size] = information[:size, size] = np.concatenate([cross.real, -cross.imag])
    information[size, size] = float(twice.sum().real) + unsure**-2
    return np.concatenate([own.real, -own.imag, [of_ratio]]), information


def _told(state: _State, bins: _Bins) -> RoomFit:
    k = len(state.s)
    _, information = _scored(state, bins)
    size = np.sqrt(np.diagonal(information))
    # Of two fits the one is better that is so over all decays near it, and not at one point.
    volume = np.linalg.slogdet(information[: 4 * k, : 4 * k])[1]
    likelihood = state.likelihood - 2 * k * state.log_ratio
    spread = np.sqrt(np.abs(np.diagonal(np.linalg.inv(information / size / size[:, None])))) / size
    # Without a room the background alone is in the way.
    mean = state.terms * state.g
    quiet = mean.conj() @ mean.T
    scale = np.sqrt(np.diagonal(quiet).real)
    quiet = np.abs(np.diagonal(np.linalg.inv(quiet / scale / scale[:, None])))
    quiet = np.sqrt(0.5 * quiet[:k] * bins.hearing.background) / scale[:k]
    return RoomFit(
        state.s, state.c, spread[:k], spread[2 * k : 3 * k], spread[k : 2 * k], quiet,
        float(np.exp(state.log_ratio)), float(spread[-1]), likelihood - 0.5 * float(volume),
        likelihood,
    )  # fmt: skip
