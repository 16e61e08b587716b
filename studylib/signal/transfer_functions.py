"""The response of a board from repeated sweeps: H1, H2 and coherence.

Sums over the repeats, not means of their ratios: a louder repeat counts for more, and noise does
not divide by noise. Noise in the drive makes H1 too small, noise in the response makes H2 too
large; the truth lies between them where both are noisy. The coherence is their ratio: the share
of the response that follows the drive from repeat to repeat.

With few repeats the coherence is too high: where nothing is related at all, n repeats still give
1/n on average; for a true g and many repeats about g + (1 - g)^2 / n, for few more than that. With
one repeat it would always be 1 and is not given (NaN).

Conventions: complex values at F frequencies of R repeats, any common reference of phase within a
repeat; levels in dB are 20 lg of magnitudes.

Functions: transfer_functions, random_error, incoherent_share. Transfer.
Source: Bendat & Piersol, Random Data (random error sqrt((1 - g) / (2 g n)) of |H|, g the
coherence; bias (1 - g)^2 / n for large n; recalled); Carter, Knapp & Nuttall 1973 (the exact mean
of the estimate for normal values; recalled, checked by simulation).
"""

from dataclasses import dataclass

import numpy as np

from studylib.words import say

LOWEST_COHERENCE = 0.9  # common practice, no source


@dataclass(frozen=True)
class Transfer:
    """h1, h2 complex (F,); coherence (F,), NaN with one repeat; u_relative (F,) of |h1| or |h2|
    as a share, from the scatter of the repeats, NaN with one; repeats (F,) that took part."""

    h1: np.ndarray
    h2: np.ndarray
    coherence: np.ndarray
    u_relative: np.ndarray
    repeats: np.ndarray


@np.errstate(divide="ignore", invalid="ignore")
def transfer_functions(response: np.ndarray, drive: np.ndarray) -> Transfer:
    """H1, H2 and coherence from repeats.

    Parameters
    ----------
    response, drive : complex (R, F). A value that is not usable is NaN in both or either; its
        repeat then does not take part at that frequency.

    Raises
    ------
    ValueError : the two are not of one shape (R, F).
    """
    y, x = np.asarray(response, dtype=complex), np.asarray(drive, dtype=complex)
    if y.ndim != 2 or y.shape != x.shape:
        raise ValueError(say("sweeps.shapes"))
    there = np.isfinite(y) & np.isfinite(x)
    n = there.sum(axis=0)
    y, x = np.where(there, y, 0.0), np.where(there, x, 0.0)
    cross = (x.conj() * y).sum(axis=0)
    xx, yy = (np.abs(x) ** 2).sum(axis=0), (np.abs(y) ** 2).sum(axis=0)
    h1 = np.where(n > 0, cross / xx, np.nan)
    h2 = np.where(n > 0, yy / cross.conj(), np.nan)
    coherence = np.where(n > 1, np.abs(cross) ** 2 / (xx * yy), np.nan)
    coherence = np.minimum(coherence, 1.0)  # NaN stays NaN
    return Transfer(h1, h2, coherence, random_error(coherence, n), n)


@np.errstate(divide="ignore", invalid="ignore")
def random_error(coherence: np.ndarray, repeats: np.ndarray) -> np.ndarray:
    """Standard uncertainty of |H| as a share of it; NaN without a coherence."""
    return np.sqrt((1.0 - coherence) / (2.0 * coherence * repeats))


def incoherent_share(coherence: np.ndarray, *, lowest: float = LOWEST_COHERENCE) -> float:
    """Share of the frequencies whose coherence is below a limit; NaN where none is known.

    There the repeats do not agree with each other, because of noise, a rattle or something that
    moved between them.
    """
    known = coherence[np.isfinite(coherence)]
    return float(np.mean(known < lowest)) if known.size else float("nan")
