"""Loudness of a short sound, as ITU-R BS.1770-5 defines it.

The sound is K-weighted: a shelf that lifts what lies above 1.7 kHz by 4 dB, as a head does, and a
high-pass at 38 Hz. Its mean square is taken over blocks of 400 ms that overlap by three quarters;
blocks below -70 LUFS do not count, nor those more than 10 LU below the mean of the rest.

Conventions: full scale at 1.0; the result in LUFS (LKFS is the same), differences in LU, which are
dB. Channels have the weight 1 of a left, right or centre loudspeaker. A sound that is shorter than
one block is measured as one block that ends in silence, so that sounds of one length compare.

Functions: `k_weighting`, `integrated_loudness`.
Source: Recommendation ITU-R BS.1770-5 (2023), annex 1, which gives the filters at 48 kHz only. At
other rates they are made anew from the analogue ones behind them (B. De Man, "Evaluation of
implementations of the EBU R128 loudness measurement", AES convention 145, 2018).
"""

import math

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import irfft, next_fast_len, rfft

BLOCK_S, STEP_S = 0.4, 0.1
OFFSET_DB = -0.691  # makes up for what the K-weighting adds at 1 kHz
# Mean squares: that of -70 LUFS, and 10 LU as a share.
LOWEST, SHARE = 10 ** ((-70.0 - OFFSET_DB) / 10), 0.1
# Frequency in Hz and Q of the analogue filters behind them; the lift of the shelf, and its root
# that the filter has half way up.
SHELF, HIGH_PASS = (1681.974450955533, 0.7071752369554196), (38.13547087602444, 0.5003270373238773)
LIFT, HALF_WAY = 10 ** (3.999843853973347 / 20), 0.4996667741545416


def k_weighting(rate_hz: float) -> np.ndarray:
    """The K-weighting as two second-order sections, shape (2, 6), for `scipy.signal.sosfilt`.

    rate_hz : sampling rate, above 4 kHz. From 24 kHz on the curve is within 0.04 dB of the one at
    48 kHz; at 8 kHz, within 0.3 dB.
    """
    (k, below), (_, low) = _resonance(*SHELF, rate_hz), _resonance(*HIGH_PASS, rate_hz)
    middle = LIFT**HALF_WAY * k / SHELF[1]
    above = np.array([LIFT + middle + k * k, 2 * (k * k - LIFT), LIFT - middle + k * k])
    # The Recommendation's high-pass has 1, -2, 1 on top and so a gain; it is kept at every rate.
    kept = _resonance(*HIGH_PASS, 48_000.0)[1][0] * np.array([1, -2, 1])
    return np.array([[*above, *below] / below[0], [*kept, *low] / low[0]])


def _resonance(hz: float, q: float, rate_hz: float) -> tuple[float, np.ndarray]:
    """The bilinear transform's variable, and the denominator of a second-order filter by it."""
    k = math.tan(math.pi * hz / rate_hz)
    return k, np.array([1 + k / q + k * k, 2 * (k * k - 1), 1 - k / q + k * k])


def integrated_loudness(x: np.ndarray, *, rate_hz: float) -> float:
    """Loudness of a sound as a whole, in LUFS; -inf where no block reaches -70 LUFS.

    Parameters
    ----------
    x : shape (frames,) or (channels, frames), full scale at 1.0, finite.
    rate_hz : sampling rate, above 4 kHz.
    """
    block, step = round(BLOCK_S * rate_hz), round(STEP_S * rate_hz)
    padded = np.pad(np.atleast_2d(x), ((0, 0), (0, max(block - np.shape(x)[-1], 0))))
    square = _filtered(k_weighting(rate_hz), padded, rate_hz) ** 2
    power = sliding_window_view(square, block, axis=1)[:, ::step].mean(axis=2).sum(axis=0)
    counted = power[power > LOWEST]
    if not counted.size:
        return -math.inf
    return OFFSET_DB + 10 * math.log10(counted[counted > SHARE * counted.mean()].mean())


def _filtered(sections: np.ndarray, x: np.ndarray, rate_hz: float) -> np.ndarray:
    """Sounds through second-order sections, at the bins of a transform with a second of silence
    behind them, in which what the sections answer has died away."""
    n = next_fast_len(x.shape[-1] + round(rate_hz), real=True)
    turns = np.exp(-2j * np.pi / n * np.arange(n // 2 + 1)) ** np.arange(3)[:, None]
    answer = np.prod((sections[:, :3] @ turns) / (sections[:, 3:] @ turns), axis=0)
    return irfft(rfft(x, n) * answer, n)[..., : x.shape[-1]]
