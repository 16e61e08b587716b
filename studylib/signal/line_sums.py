"""The response of a board at given frequencies, out of a sweep.

A sweep passes every frequency once. For a linear path that rests before the sweep and has died
away when the recording ends, the ratio of the two channels' Fourier sums at a frequency is the
response there, whatever the sweep's shape and whatever the driver's distortion: both channels
hold the same drive. What has not died away at the end is missing from the response's sum; a
bound for it comes from the level at the end and the slowest decay that wood is known to have.

Conventions: sums are scaled as 2/N, so that a steady sine of amplitude a over the whole record
gives a; noise of one-sided density S then has the standard uncertainty sqrt(S / seconds) in each
part, as in the fit of a tone.

Functions: line_sums, end_levels, missing_tail.
Source: the definition of the frequency response (ISO 18431-1 gives it for sampled data; recalled,
not read); loss factors of wood from 0.006 up in wood_and_board tables (Vigran 2008 gives 0.008 to
0.010 for spruce), taken as 0.005 to be on the safe side.
"""

from functools import lru_cache

import numpy as np

BLOCK = 1024  # frames summed at a time
END_S = 0.1  # of a record, whose level tells what may ring on
LOWEST_LOSS_FACTOR = 0.005  # of a mode of a wooden board; a lower one rings longer


@lru_cache(maxsize=8)
def _waves(frequencies_hz: tuple[float, ...], rate_hz: float) -> np.ndarray:
    """(BLOCK, 2 F): the cosine, then the sine of each frequency over one block."""
    angle = 2.0 * np.pi * np.arange(BLOCK)[:, None] * (np.asarray(frequencies_hz) / rate_hz)
    return np.concatenate([np.cos(angle), np.sin(angle)], axis=1)


def line_sums(
    x: np.ndarray, *, rate_hz: float, frequencies_hz: tuple[float, ...], first: int = 0
) -> np.ndarray:
    """Fourier sums of one piece of a record at given frequencies; pieces add up.

    Parameters
    ----------
    x : (C, n) samples.
    first : frame number of the piece's first sample, so that phases of pieces agree.

    Returns
    -------
    complex (C, F): sum over n of x[n] exp(-2 pi i f n / rate).
    """
    waves, count = _waves(frequencies_hz, rate_hz), len(frequencies_hz)
    turn = -2j * np.pi * np.asarray(frequencies_hz) / rate_hz
    total = np.zeros((x.shape[0], count), dtype=complex)
    # Block by block: a product this small is not handed to several threads, which would cost
    # more than it saves.
    for start in range(0, x.shape[1], BLOCK):
        block = x[:, start : start + BLOCK]
        both = block @ waves[: block.shape[1]]
        total += (both[:, :count] - 1j * both[:, count:]) * np.exp(turn * (first + start))
    return total


def end_levels(x: np.ndarray, *, rate_hz: float, frequencies_hz: tuple[float, ...]) -> np.ndarray:
    """(C, F) amplitude at each frequency over the last tenth of a second of a record."""
    last = x[:, -round(END_S * rate_hz) :]
    # A Hann window keeps the sweep's own end, kilohertz away, out of the lower frequencies.
    window = np.hanning(last.shape[1] + 2)[1:-1]
    return (
        2.0
        * np.abs(line_sums(last * window, rate_hz=rate_hz, frequencies_hz=frequencies_hz))
        / window.sum()
    )


def missing_tail(
    end_level: np.ndarray, *, frequencies_hz: tuple[float, ...], seconds: float
) -> np.ndarray:
    """Largest part of a sum that may ring on after the record, in the sums' scale (2/N).

    A decay exp(-t/tau) from amplitude a still holds a tau / seconds; tau = 1 / (pi f loss factor).
    """
    return end_level * (1.0 / (np.pi * np.asarray(frequencies_hz) * LOWEST_LOSS_FACTOR)) / seconds
