"""Strokes heard in rooms, with their truth, and the least spread that any estimate can have there.

A room is its impulse response: the direct sound, a handful of reflections within 20 ms, and a tail
of Gaussian noise that dies away exponentially (Polack's model). The ratio is the energy of the
direct sound over that of all the rest, exact for each response. One response belongs to one
place of the microphone: strokes heard there share it to the last sample, and another place of the
same room has another one of the same statistics.

A stroke strikes decaying modes (tests/signal/rings.py); it may bounce (a second contact, whose
strengths by mode are others), and a hand may lie on the board from some moment on, so that every
mode dies away faster; the hand is lifted a tenth of a second before the next stroke. Background is
white and pink noise in equal parts, its level stated in dB re the strongest mode's initial
amplitude.

Bound: in the band of a mode, g[n] = c p^n is heard through 1 + r, with r[n] complex Gaussian of
known variances, in white noise. What is heard is complex Gaussian too, with mean g and covariance
L_g Q L_g^H + R I, and both carry information (Fisher; the general Gaussian case, Kay, Fundamentals
of Statistical Signal Processing, 3.9, recalled).

Functions: response, heard, background_sd, a_board, struck, bounced, split, least_spread,
decay_times_of.
Room, Stroke, Least.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from scipy.signal import fftconvolve, lfilter

from tests.signal.rings import RATE, Mode, contact, pink

LN_1000 = float(np.log(1000.0))
BEFORE_S, AFTER_S = 0.3, 2.0  # of background before the first stroke; from a stroke to the next
NEAREST_S, EARLY_S = 0.001, 0.02  # between which reflections arrive
FALLING_S = 0.005  # a reflection that much later is half as strong
LIFTED_S = 0.1
RESTING = -LIFTED_S  # since when, for a hand that lies there already
OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
PULSE_S = 1.5e-4


class Room(NamedTuple):
    """decay_time_s : to -60 dB, at 1 kHz.  ratio_db : direct sound over all the rest; None, and
    there is no room.  early : share of the rest's energy that comes as reflections.  second : None,
    or (decay time in s, share of the tail's energy) of a second slope.  tilt : the decay time goes
    with frequency to the power of -tilt, by octaves.  wall : None, or (delay in s, level) of
    one more reflection beside all that."""

    decay_time_s: float = 0.4
    ratio_db: float | None = 10.0
    early: float = 0.3
    second: tuple[float, float] | None = None
    tilt: float = 0.0
    wall: tuple[float, float] | None = None

    def decay_time_at(self, frequency_hz: float) -> float:
        """Decay time of the first slope in the octave of a frequency."""
        if not self.tilt:
            return self.decay_time_s
        octave = OCTAVES_HZ[int(np.argmin(np.abs(np.log(np.array(OCTAVES_HZ) / frequency_hz))))]
        return self.decay_time_s * (octave / 1000.0) ** -self.tilt

    @property
    def rest(self) -> float:
        """Energy of all but the direct sound, which has 1."""
        return 0.0 if self.ratio_db is None else 10.0 ** (-self.ratio_db / 10.0)

    def energy(self, frequency_hz: float, *, n: int, step_s: float) -> np.ndarray:
        """(n,) expected energy of the rest in each step of time, in the band of a frequency."""
        t = (np.arange(n) + 0.5) * step_s
        first, second = decay_times_of(self, frequency_hz)
        tail = np.exp(-2.0 * LN_1000 * t / first)
        tail /= tail.sum()
        if self.second:
            late = np.exp(-2.0 * LN_1000 * t / second)
            tail += self.second[1] * (late / late.sum() - tail)
        within = np.clip((t - NEAREST_S) / step_s + 0.5, 0, 1) * (t < EARLY_S + step_s)
        early = within / np.maximum(t, NEAREST_S) / (1.0 + t / FALLING_S) ** 2
        return self.rest * (
            (1.0 - self.early) * tail + self.early * early / max(early.sum(), 1e-300)
        )


def decay_times_of(room: Room, frequency_hz: float) -> tuple[float, float]:
    """Decay times of the first and the second slope at a frequency; the same where there is one."""
    first = room.decay_time_at(frequency_hz)
    later = room.second[0] if room.second else room.decay_time_s
    return first, first * later / room.decay_time_s


def response(room: Room, rng, *, rate_hz: float = RATE) -> np.ndarray:
    """The impulse response of one place; its first sample is the direct sound, 1."""
    if room.ratio_db is None:
        h = np.array([1.0])
    else:
        tail = _tail(room, rng, rate_hz)
        early = _reflections(len(tail), rng, rate_hz)
        h = np.sqrt(room.rest) * (
            np.sqrt((1.0 - room.early) / np.sum(tail**2)) * tail
            + np.sqrt(room.early / np.sum(early**2)) * early
        )
        # Together they have the stated energy but for what they share; that is put right.
        h *= np.sqrt(room.rest / np.sum(h**2))
        h[0] = 1.0
    if room.wall:
        at = round(room.wall[0] * rate_hz)
        h = np.pad(h, (0, max(0, at + 1 - len(h))))
        h[at] += room.wall[1]
    return h


def _tail(room: Room, rng, rate_hz: float) -> np.ndarray:
    """Noise that dies away, from the nearest reflection on, down to -90 dB."""
    edges = (0.0, *(np.sqrt(2.0) * f for f in OCTAVES_HZ[:-1]), rate_hz)
    octaves = [(1000.0, 0.0, rate_hz)]
    if room.tilt:
        octaves = list(zip(OCTAVES_HZ, edges[:-1], edges[1:], strict=True))
    longest = max(max(decay_times_of(room, f)) for f, _, _ in octaves)
    n = round(1.5 * longest * rate_hz)
    t = np.arange(n) / rate_hz
    bins, at = np.fft.rfft(rng.standard_normal(n)), np.fft.rfftfreq(n, 1.0 / rate_hz)
    tail = np.zeros(n)
    for f, low, high in octaves:
        noise = np.fft.irfft(np.where((at >= low) & (at < high), bins, 0.0), n)
        first, second = decay_times_of(room, f)
        falling = _unit(np.exp(-LN_1000 * t / first))
        if room.second:
            falling = np.hypot(
                np.sqrt(1.0 - room.second[1]) * falling,
                np.sqrt(room.second[1]) * _unit(np.exp(-LN_1000 * t / second)),
            )
        tail += noise * falling
    tail[: round(NEAREST_S * rate_hz)] = 0.0
    return tail


def _unit(x: np.ndarray) -> np.ndarray:
    return x / np.linalg.norm(x)


def _reflections(n: int, rng, rate_hz: float) -> np.ndarray:
    """Four to seven of them, later ones weaker, of either sign."""
    h = np.zeros(n)
    delays = np.exp(rng.uniform(np.log(NEAREST_S), np.log(EARLY_S), rng.integers(4, 8)))
    for delay in delays:
        level = rng.uniform(0.5, 1.5) / (1.0 + delay / FALLING_S)
        h[round(delay * rate_hz)] += level * rng.choice((-1.0, 1.0))
    return h


class Stroke(NamedTuple):
    """modes : with the amplitudes and phases of this contact.  bounce : None, or (s after, the
    same modes as the second contact strikes them).  hand : None, or (s after, times): from then on
    every mode dies away that many times as fast."""

    modes: list[Mode]
    bounce: tuple[float, list[Mode]] | None = None
    hand: tuple[float, float] | None = None


def heard(
    strokes: list[Stroke],
    h: np.ndarray | list[np.ndarray],
    rng,
    *,
    noise_db: float,
    click: float = 0.0,
    rate_hz: float = RATE,
) -> np.ndarray:
    """One recording: all strokes of one board, at one place.

    h : the place's impulse response, or one for each mode and one more for the click, where each
        is radiated in its own way.  noise_db : background re the strongest mode.
    click : how much of the contact's force is heard beside the modes, re the strongest mode.
    """
    starts = [BEFORE_S + AFTER_S * i for i in range(len(strokes))]
    n = round((BEFORE_S + AFTER_S * len(strokes)) * rate_hz)
    pulse = contact(PULSE_S, rate_hz=rate_hz)
    loudest = max(mode.amplitude for stroke in strokes for mode in stroke.modes)
    clicks = np.zeros(n)
    rings = []
    for k in range(len(strokes[0].modes)):
        force = np.zeros(n, complex)
        for start, stroke in zip(starts, strokes, strict=True):
            contacts = [(start, stroke.modes[k])]
            if stroke.bounce:
                contacts.append((start + stroke.bounce[0], stroke.bounce[1][k]))
            for at, mode in contacts:
                first = round(at * rate_hz)
                force[first : first + len(pulse)] += (
                    mode.amplitude * np.exp(1j * mode.phase) * pulse
                )
                if k == 0:
                    size = click * loudest * mode.amplitude / stroke.modes[k].amplitude
                    clicks[first : first + len(pulse)] += size * pulse / pulse.max()
        hands = _hands(strokes, starts, n, rate_hz)
        rings.append(_swing(force, strokes[0].modes[k].pole / rate_hz, hands))
    if isinstance(h, list):
        x = sum(fftconvolve(y, own)[:n] for y, own in zip([*rings, clicks], h, strict=True))
    else:
        x = fftconvolve(sum(rings) + clicks, h)[:n]
    level = np.sqrt(0.5) * loudest * 10.0 ** (noise_db / 20.0)
    return x + level * (rng.standard_normal(n) + pink(n, rng, rate_hz=rate_hz))


def background_sd(noise_db: float, *, loudest: float, frequency_hz: float) -> float:
    """Standard deviation per sample of white noise as strong as the background at a frequency, at
    48 kHz and above the pink half's corner."""
    flat = loudest * 10.0 ** (noise_db / 20.0)
    pink_there = RATE / 2 / frequency_hz / (1.0 + np.log(RATE / 2 / 20.0))
    return float(flat * np.sqrt(0.5 * (1.0 + pink_there)))


def _hands(strokes, starts, n: int, rate_hz: float) -> list[tuple[int, int, float]]:
    """(first sample, last but one, times) of stretches with and without a hand, in order."""
    parts, done = [], 0
    for start, stroke in zip(starts, strokes, strict=True):
        if stroke.hand:
            on = round((start + stroke.hand[0]) * rate_hz)
            off = min(n, round((start + AFTER_S - LIFTED_S) * rate_hz))
            parts += [(done, on, 1.0), (on, off, stroke.hand[1])]
            done = off
    return [part for part in [*parts, (done, n, 1.0)] if part[1] > part[0]]


def _swing(force: np.ndarray, s: complex, hands) -> np.ndarray:
    """One mode, driven, with its decay as each stretch has it."""
    y, last = np.empty(len(force), complex), 0.0
    for first, end, times in hands:
        z = np.exp(complex(times * s.real, s.imag))
        y[first:end] = lfilter([1.0], [1.0, -z], force[first:end], zi=[z * last])[0]
        last = y[end - 1]
    return y.real


def a_board(rng, *, k: int = 5, loss=(0.003, 0.02), hz=(150.0, 5000.0)) -> list[Mode]:
    """k modes at least 15 bandwidths apart, evenly over the logarithm of frequency; losses drawn
    between two limits, evenly over the logarithm."""
    edges = np.linspace(*np.log(hz), k + 1)
    f = np.exp(edges[:-1] + np.diff(edges) * rng.uniform(0.1, 0.75, k))
    losses = np.exp(rng.uniform(*np.log(loss), k))
    return struck([Mode(*map(float, pair)) for pair in zip(f, losses, strict=True)], rng)


def struck(modes: list[Mode], rng, *, below_db: float = 15.0) -> list[Mode]:
    """The same modes with new strengths and phases: one at full strength, the others down to
    below_db under it."""
    levels = rng.uniform(-below_db, 0.0, len(modes))
    levels[rng.integers(len(modes))] = 0.0
    return [
        mode._replace(amplitude=float(10 ** (level / 20)), phase=float(rng.uniform(-np.pi, np.pi)))
        for mode, level in zip(modes, levels, strict=True)
    ]


def bounced(stroke: Stroke, rng, *, after_s: float, strength: float) -> Stroke:
    """The same stroke with a second contact, whose modes have strengths and phases of their own."""
    again = [
        mode._replace(amplitude=strength * mode.amplitude) for mode in struck(stroke.modes, rng)
    ]
    return stroke._replace(bounce=(after_s, again))


def split(mode: Mode, rng, *, apart: float, faster: float = 1.0) -> list[Mode]:
    """Two modes `apart` bandwidths from each other in place of one; the upper one dies away
    `faster`."""
    half = 0.5 * apart * mode.loss * mode.frequency_hz
    return [
        mode._replace(frequency_hz=mode.frequency_hz - half),
        mode._replace(
            frequency_hz=mode.frequency_hz + half,
            loss=faster * mode.loss,
            amplitude=mode.amplitude * float(rng.uniform(0.3, 1.0)),
            phase=float(rng.uniform(-np.pi, np.pi)),
        ),
    ]


class Least(NamedTuple):
    """Least standard deviations: frequency in Hz, loss factor relative to itself."""

    frequency_hz: float
    loss: float


def least_spread(
    mode: Mode, room: Room, *, sd: float, seconds: float = AFTER_S, rate_hz: float = RATE
) -> Least:
    """Cramér-Rao bound for a lone mode in a room whose statistics are known.

    sd : of white noise per sample at the rate that is as strong as the background in the mode's
    band.
    """
    s, c = mode.pole, mode.amplitude
    step = 1.0 / (8.0 * max(-s.real, LN_1000 / room.decay_time_at(mode.frequency_hz)))
    # Until the ring, and with it its echo in the room, is a tenth of the noise in a step.
    noise = 4.0 * sd**2 / (rate_hz * step)
    slow = min(-s.real, LN_1000 / max(decay_times_of(room, mode.frequency_hz)))
    last = np.log(10.0 * c / np.sqrt(noise)) / slow
    n = int(np.clip(min(seconds, last) / step, 40, 300))
    q = room.energy(mode.frequency_hz, n=n, step_s=step)
    decay = np.exp(s.real * step * np.arange(n))
    low = np.tril(np.ones((n, n))) * decay[:, None] / decay[None, :]  # of p^(n - m)
    # Everything is turned back by the mode's own angle: the bound does not depend on it. The
    # columns are derivatives by the decay rate, the angle, and both parts of c.
    at = np.arange(n) * step
    lag = np.maximum(at[:, None] - at[None, :], 0.0)
    spread = c**2 * (low * q) @ low.T + noise * np.eye(n)
    by_decay = c**2 * ((low * lag * q) @ low.T)
    turned = c**2 * ((low * q) @ low.T) * (at[:, None] - at[None, :])
    means = np.array([c * at * decay, 1j * c * at * decay, decay, 1j * decay])
    covs = [by_decay + by_decay.T, 1j * turned, 2.0 / c * (spread - noise * np.eye(n))]
    inverse = np.linalg.inv(spread)
    fisher = 2.0 * (means.conj() @ inverse @ means.T).real
    turned_covs = [inverse @ cov for cov in covs]
    for i, a in enumerate(turned_covs):
        for j, b in enumerate(turned_covs):
            fisher[i, j] += np.sum(a * b.T).real
    size = np.sqrt(np.diag(fisher))
    least = np.sqrt(np.diag(np.linalg.inv(fisher / np.outer(size, size)))) / size
    return Least(float(least[1] / (2.0 * np.pi)), float(least[0] / -s.real))
