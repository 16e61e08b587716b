"""Whether a recorder turned its own gain: by what happens to the noise between and after sounds.

Noise goes on as it is, whatever sounds; what a board and a room give after a knock is a sum of
decays, whose level in dB can only flatten out. Two things are therefore no work of either:

- *A gate or noise suppression*: after a sound the noise holds for a tenth of a second and then
  falls by 20 dB or more within a third of one, to where it lay before that sound. A hand on the
  board damps modes and leaves the noise; a stroke faded out by its maker has no noise before it.
- *Automatic gain*: after a sound the noise is lower than before it and, before the next, rises
  again, or it is lower while a tone sounds, by 5 dB or more and by the same number in every band,
  as no source of noise does. Where a sound begins, nothing is told of the noise.

Both are looked for in four octave bands below 20 kHz (or 0.43 of the rate), of which three must
show it; a low quantile of a band's bins leaves out lines and most modes. What lies at the rounding
of the file says nothing: a room that is quieter than the file's smallest step is no gate. Gain that
moves only while a board rings, suppression that lets each frequency fall with its own sound, and a
gain that has settled before the take are not seen here: steps of the drive show the last.

Conventions: levels in dB re what the file's rounding hides; arrays (bands, frames).

Functions: noise_floors, gate_db, recovery_db, masked_db.
Source: the log-convexity of a sum of exponentials (elementary); the limits were tried out on
simulated processors and on recorded strokes (tests/signal/test_gain_moves.py), no other source.
"""

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import rfft

from studylib.signal.band_edge import HIGHEST_SHARE

FRAME_S, LINES_APART = 0.017, 12  # at least; with a tone, in bins between its harmonics
AT_ONCE = 256  # frames transformed together
HIGHEST_HZ, BANDS, ENOUGH, QUANTILE = 20e3, 4, 3, 0.25  # the last, of a band's bins
OVER_ROUNDING_DB, NOTHING_DB = 8.0, -38.0  # where noise is the recorder's; what a level of zero is
QUIET_DB, ONSET_DB = 20.0, 6.0  # below the loudest frame no sound itself; by which one begins
HELD_S, HELD_DB, FALL_S, GATE_DB = 0.13, 2.0, 0.35, 20.0
PART_S, STEADY_S, STEP_S, LONGEST_S = 0.043, 0.3, 0.1, 4.0  # the last: from low noise to high
# Between the halves of STEADY_S: a ring or a room that dies away, a sound that begins.
FALLING_DB, RISING_DB = 0.8, 3.0
GAIN_DB, ALIKE_DB = 5.0, 2.5  # at least; between bands


def noise_floors(
    x: np.ndarray, *, rate_hz: float, step: float, tone_hz: float | None = None
) -> tuple[np.ndarray, np.ndarray, float]:
    """The noise of a recording, and how loud it is.

    Parameters
    ----------
    x : float (n,), full scale = 1.
    step : smallest step between samples (samples.smallest_step).
    tone_hz : a tone that sounds: frames are then long enough to look between its harmonics.

    Returns
    -------
    (bands, frames) dB, the noise; (frames,) dB, the whole; seconds from frame to frame.
    """
    n = 2 ** int(np.ceil(np.log2(rate_hz * (LINES_APART / tone_hz if tone_hz else FRAME_S))))
    window = np.sin(np.pi * (np.arange(n) + 0.5) / n) ** 4
    frames = sliding_window_view(np.pad(x, (0, max(0, n - x.size))), n)[:: n // 2]
    top, found = n * min(HIGHEST_HZ / rate_hz, HIGHEST_SHARE), []
    cuts = [round(top / 2**octave) for octave in range(BANDS, -1, -1)]
    for first in range(0, len(frames), AT_ONCE):
        power = np.square(np.abs(rfft(frames[first : first + AT_ONCE] * window)))
        found.append(
            [np.quantile(band, QUANTILE, axis=1, method="lower")
             for band in np.split(power, cuts, axis=1)[1:-1]] + [power.mean(axis=1)]
        )  # fmt: skip
    power = np.concatenate(found, axis=1) / (np.square(window).sum() * step**2 / 12.0)
    level = np.maximum(10.0 * np.log10(power + 1e-30) - OVER_ROUNDING_DB, NOTHING_DB)
    return level[:-1], level[-1], n // 2 / rate_hz


def gate_db(floor: np.ndarray, whole: np.ndarray, hop_s: float) -> float | None:
    """By how much the noise falls after sounds, where nothing but a gate explains it; else None.

    What `noise_floors` gives, as in `recovery_db`.
    """
    held, part, fall = (round(s / hop_s) for s in (HELD_S, PART_S, FALL_S))
    last = np.arange(2 * held, whole.size - part + 1 - fall)  # of the parts that end a hold
    if not last.size:
        return None
    level = sliding_window_view(floor, part, axis=1).mean(axis=2)
    now, ago = level[:, last], last - (held - part)
    lowest = sliding_window_view(level, fall, axis=1).min(axis=2)[:, last + 1]
    before = np.minimum.accumulate(sliding_window_view(level, held, axis=1).max(axis=2), axis=1)
    fallen = now - np.maximum(lowest, before[:, ago - held])
    moves = np.ptp(sliding_window_view(level, held - part + 1, axis=1), axis=2)[:, ago]
    shown = np.sum((moves < HELD_DB) & (fallen > GATE_DB) & (now > 0.0), axis=0) >= ENOUGH
    own, later = whole[last + part - 1], sliding_window_view(whole[part:], fall)[last].max(axis=1)
    told = shown & (later < own + ONSET_DB) & (own < whole.max() - QUIET_DB)
    return float(np.median(fallen[:, told])) if told.any() else None


def recovery_db(floor: np.ndarray, whole: np.ndarray, hop_s: float) -> float | None:
    """By how much the noise rises after a sound that had lowered it; None where it does not."""
    half, step = round(0.5 * STEADY_S / hop_s), round(STEP_S / hop_s)
    if whole.size < 4 * half:
        return None
    parts = np.sort(sliding_window_view(floor, half, axis=1), axis=2)[..., half // 4]
    first, second = parts[:, :-half:step], parts[:, half::step]
    level, apart = 0.5 * (first + second), second - first
    # What dies away or begins is no noise, nor is what is as loud as the sounds.
    still = np.sum((apart > -FALLING_DB) & (apart < RISING_DB), axis=0) >= ENOUGH
    quiet = sliding_window_view(whole, 2 * half).max(axis=1)[::step] < whole.max() - QUIET_DB
    noise, sounds = still & quiet, np.cumsum(~quiet)
    fell, rises = np.zeros(noise.size, bool), np.zeros(noise.size)
    for lag in range(1, min(noise.size, round(LONGEST_S / STEP_S))):
        ago, now, both = level[:, :-lag], level[:, lag:], noise[:-lag] & noise[lag:]
        # A sound lowers the gain, and without any it rises.
        fell[lag:] |= both & (sounds[lag:] > sounds[:-lag]) & (_shared(now, ago) > 0.0)
        rises[:-lag] = np.maximum(
            rises[:-lag], both * (sounds[lag:] == sounds[:-lag]) * _shared(ago, now)
        )
    return float(rises[fell].max(initial=0.0)) or None


def masked_db(before: np.ndarray, during: np.ndarray) -> float | None:
    """By how much the noise is lower while a tone sounds; None where not, or not by one number.

    before, during : the noise (`noise_floors`), from between the harmonics of the tone.
    """
    return float(_shared(*(np.median(noise, axis=1) for noise in (during, before)))) or None


def _shared(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """By how much enough bands rise by one number; 0 where they do not, or by too little."""
    # A band that still rings rises by less.
    rise = np.sort(np.where(low > 0.0, high - low, 0.0), axis=0)[-ENOUGH:]
    return rise.mean(axis=0) * ((rise[0] > GAIN_DB) & (np.ptp(rise, axis=0) < ALIKE_DB))
