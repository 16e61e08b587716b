"""What a phone does to a sound, with its truth: automatic gain, a noise gate, noise suppression.

- `automatic_gain`: the level of the sound (its envelope, with an attack and a release) is held to
  a target above a threshold, by a ratio; below it the gain stays at its largest.
- `gate`: below a threshold the sound is turned down by a range, after a hold, with a release.
- `suppressed`: spectral subtraction (Boll 1979, recalled): of each bin of a short transform a
  noise, known from the bin's quietest third, is taken off down to a floor; the gains are smoothed
  over time. With a hold, all is let through until so long after a sound.

Functions: automatic_gain, gate, suppressed, rounded.
"""

from __future__ import annotations

import numpy as np
from scipy.ndimage import maximum_filter1d
from scipy.signal import istft, lfilter, stft

BLOCK_S = 0.001


def _envelope_db(x: np.ndarray, rate_hz: float) -> np.ndarray:
    """Level of each millisecond, dB re full scale: the largest mean square of the last five."""
    block = round(BLOCK_S * rate_hz)
    power = np.square(x[: x.size // block * block]).reshape(-1, block).mean(axis=1)
    return 10.0 * np.log10(maximum_filter1d(power, 5, origin=2) + 1e-14)


def _applied(x: np.ndarray, gain_db: np.ndarray, rate_hz: float) -> np.ndarray:
    at = (np.arange(gain_db.size) + 0.5) * round(BLOCK_S * rate_hz)
    return x * 10.0 ** (np.interp(np.arange(x.size), at, gain_db) / 20.0)


def _followed(wanted: np.ndarray, down_s: float, up_s: float) -> np.ndarray:
    """A gain that follows what is wanted, with one time constant down and another up."""
    down, up = (1.0 - np.exp(-BLOCK_S / s) for s in (down_s, up_s))
    now, found = float(wanted[0]), []
    for value in wanted.tolist():
        now += (down if value < now else up) * (value - now)
        found.append(now)
    return np.array(found)


def automatic_gain(
    x: np.ndarray,
    *,
    rate_hz: float,
    target_db: float = -20.0,
    most_db: float = 25.0,
    ratio: float = 8.0,
    attack_s: float = 0.02,
    release_s: float = 1.0,
) -> np.ndarray:
    """The sound with its level drawn towards a target, turned up by at most `most_db`."""
    level = _envelope_db(x, rate_hz)
    wanted = np.clip((target_db - level) * (1.0 - 1.0 / ratio), -most_db, most_db)
    return _applied(x, _followed(wanted, attack_s, release_s), rate_hz)


def gate(
    x: np.ndarray,
    *,
    rate_hz: float,
    threshold_db: float,
    range_db: float = 60.0,
    hold_s: float = 0.2,
    attack_s: float = 0.002,
    release_s: float = 0.05,
) -> np.ndarray:
    """The sound turned down by range_db where it has been below the threshold for the hold."""
    open_ = _envelope_db(x, rate_hz) > threshold_db
    blocks = max(1, round(hold_s / BLOCK_S))
    held = maximum_filter1d(open_.astype(float), blocks, origin=(blocks - 1) // 2)
    # Down is the closing, up the opening.
    return _applied(x, _followed(range_db * (held - 1.0), release_s, attack_s), rate_hz)


def suppressed(
    x: np.ndarray,
    *,
    rate_hz: float,
    floor_db: float = -25.0,
    over: float = 2.0,
    smooth_s: float = 0.05,
    hold_s: float = 0.0,
    frame_s: float = 0.02,
) -> np.ndarray:
    """Spectral subtraction with a noise known from the quietest third of each bin."""
    n = 2 * round(0.5 * frame_s * rate_hz)
    _, times, spectrum = stft(x, rate_hz, nperseg=n, noverlap=3 * n // 4)
    power = np.abs(spectrum) ** 2
    noise = np.quantile(power, 0.3, axis=1, keepdims=True) / 0.357  # of an exponential's mean
    gain = np.sqrt(np.maximum(1.0 - over * noise / np.maximum(power, 1e-30), 0.0))
    if hold_s:
        loud = (power.sum(axis=0) > 4.0 * noise.sum()).astype(float)
        frames = round(hold_s / (times[1] - times[0]))
        gain = np.maximum(gain, maximum_filter1d(loud, frames, origin=(frames - 1) // 2))
    keep = np.exp(-(times[1] - times[0]) / smooth_s)
    gain = np.maximum(lfilter([1.0 - keep], [1.0, -keep], gain, axis=1), 10.0 ** (floor_db / 20.0))
    return istft(spectrum * gain, rate_hz, nperseg=n, noverlap=3 * n // 4)[1][: x.size]


def rounded(x: np.ndarray, rng, *, bits: int, dither: bool) -> np.ndarray:
    """As a file of so many bits holds it, with triangular dither or without."""
    step = 2.0 ** (1 - bits)
    noise = rng.uniform(-0.5, 0.5, (2, x.size)).sum(axis=0) if dither else 0.0
    return np.clip(np.round(x / step + noise) * step, -1.0, 1.0 - step)
