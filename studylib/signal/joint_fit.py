"""The least-squares steps behind the tone fit, on the bins around each harmonic.

A pass assumes a frequency and a drift, finds every harmonic's amplitude (with what each spills
into the bins of the others solved for), and says how far frequency and drift still have to
move. The information that a pass returns is the Fisher information of the two, so that half its
inverse is their variance.

Conventions: frequencies in bins of the record (nu), drift in bins over the record (delta), both
of the fundamental; K harmonics, C channels, B bins around each harmonic; amplitudes here are
half the tone's, as they stand in the transform.

Functions: locate, peaks, settle, lines_at, spill_kernels; Place, Lines, Pass.
Source: Gauss-Newton on the model of kernels.py; weights are the inverse noise powers.
"""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from studylib.signal import kernels

SEARCH = 0.08  # the tone is looked for within this share of its nominal frequency
SETTLED = 0.1  # square of the step still to take over twice its variance
STANDS_OUT = 7.0  # power over the noise, from which a harmonic helps with the frequency
SPILL_ERROR = 3e-6  # of the tone: spill is worked out anew when it would be further off


class Place(NamedTuple):
    """Where the fundamental is: frequency and drift, both in bins."""

    nu: float
    delta: float


def locate(spectrum: np.ndarray, nu: float, half: int) -> Place:
    """Tone's place in bins from the highest bin near `nu` and its two neighbours.

    Judged on Hann-windowed bins, into which a strong neighbour (another harmonic, hum) does not
    spill, on the channel whose peak stands out most.
    """
    reach = max(nu * SEARCH, 3.0)
    low, high = int(max(nu - reach, half + 1)), int(np.ceil(nu + reach)) + 1
    near = spectrum[:, low - 1 : high + 1]
    hann = np.abs(near[:, 1:-1] - 0.5 * (near[:, :-2] + near[:, 2:]))
    total = (hann**2).sum(axis=1)
    channel = int(np.argmax(hann.max(axis=1) ** 2 / np.where(total > 0, total, 1.0)))
    highest = np.array([low + np.argmax(hann[channel])])
    return Place(float(peaks(spectrum[channel], highest, 0)[0]) if hann.any() else nu, 0.0)


def _between_bins(before: np.ndarray, top: np.ndarray, after: np.ndarray) -> np.ndarray:
    """How far a tone lies from the highest of three Hann-windowed bins, -1/2 to 1/2."""
    # The window's main lobe: heights at offsets d and 1 - d stand as 2 - d to 1 + d.
    ratio = np.maximum(before, after) / top
    away = np.clip((2.0 * ratio - 1.0) / (1.0 + ratio), 0.0, 0.5)
    return np.where(after > before, away, -away)


def peaks(row: np.ndarray, places: np.ndarray, reach: int) -> np.ndarray:
    """(K,) place of the highest Hann-windowed bin within `reach` bins of each place.

    row : complex, `rfft` of one channel without a window.
    """
    bins = np.rint(places).astype(int)[:, None] + np.arange(-reach - 1, reach + 2)
    hann = np.abs(row[bins] - 0.5 * (row[bins - 1] + row[bins + 1]))
    own, m = np.arange(places.size), 1 + np.argmax(hann[:, 1:-1], axis=1)
    before, top, after = hann[own, m - 1], np.maximum(hann[own, m], 1e-300), hann[own, m + 1]
    return bins[own, m] + _between_bins(before, top, after)


def _inverse(power: np.ndarray) -> np.ndarray:
    """1/power, with an empty (digitally silent) channel given no weight."""
    return np.divide(1.0, power, out=np.zeros_like(power), where=power > 0)


Spill = tuple[np.ndarray, np.ndarray]


def spill_kernels(place: np.ndarray, bins: np.ndarray, n: int) -> Spill:
    """What each of the tones at `place` (K,), bins, puts into the `bins` (K, B) around the others,
    apart from sin(pi k nu): two arrays (K, K, B), of which the first (direct + image) acts on the
    real parts, the second (direct - image) on the imaginary ones."""
    flat = bins.ravel()
    sign, step = 1.0 - 2.0 * (flat & 1), np.pi / n
    # sin(a - b) and sin(a + b) from four short sines and cosines instead of two long ones.
    sa, ca = np.sin(step * place)[:, None], np.cos(step * place)[:, None]
    sb, cb = np.sin(step * flat), np.cos(step * flat)
    x, y = sa * cb, ca * sb
    size, width = bins.shape
    difference, own = (x - y).reshape(size, size, width), np.arange(size)
    difference[own, own] = np.inf  # a harmonic's own bins are its kernel, not spill
    direct = (sign / n).reshape(size, width) / difference
    image = (sign / n).reshape(size, width) / (x + y).reshape(size, size, width)
    return direct + image, direct - image


def _noise(
    rest_power: np.ndarray, free: int, shares: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """(noise power of a bin, its inverse without bias), each (C, K).

    An amplitude takes one of the bins' complex degrees of freedom (free = bins - 1); frequency
    and drift take half a one each, from the harmonics that they rest on. The inverse of a noise
    known from 2 free real values is 2 free / (2 free - 2) too high on average.
    """
    weight = _inverse(rest_power)
    taken = sum(0.5 * weight * share / max((weight * share).sum(), 1e-300) for share in shares)
    noise = rest_power / (free - taken)
    return noise, _inverse(noise) * (free - 1) / free


class Lines(NamedTuple):
    """One sinusoid for each harmonic at given places, by least squares on its bins.

    half_amplitude : complex (C, K);  rest : complex (C, K, B), what the sinusoids leave.
    own : complex (K, B), their kernels;  own_power : (K,).
    q, p : (K, B), how frequency and drift would move them, less what an amplitude does as well.
    """

    half_amplitude: np.ndarray
    rest: np.ndarray
    own: np.ndarray
    own_power: np.ndarray
    q: np.ndarray
    p: np.ndarray


@dataclass(frozen=True)
class Pass:
    """What one pass found at its place; the steps lead from there to the next."""

    place: Place
    bins: np.ndarray  # (K, B)
    lines: Lines
    noise: np.ndarray  # (C, K): mean power of a bin of what the lines leave
    step: Place
    information: Place
    pull: np.ndarray  # (C, K): each harmonic's own wish for a step of nu, times its information
    heard: np.ndarray  # (C, K): its information about nu, 0 where it does not help

    @property
    def next_place(self) -> Place:
        """Where the steps lead: never by more than half a bin of the highest harmonic at once."""
        most = 0.5 / len(self.bins)
        step = min(max(self.step.nu, -most), most)
        return Place(self.place.nu + step, self.place.delta + self.step.delta)

    def settled(self, near: float) -> bool:
        """The steps still to take are below `near` bins or small beside their uncertainties."""
        return all(
            step**2 * information < SETTLED or abs(step) < near
            for step, information in zip(self.step, self.information, strict=True)
        )


def settle(
    spectrum: np.ndarray,
    place: Place,
    *,
    n: int,
    count: int,
    half: int,
    passes: int,
    near: float = 0.0,
    alone: np.ndarray | None = None,
) -> Pass:
    """Gauss-Newton passes from a place until the steps are small, at most `passes`.

    Parameters
    ----------
    spectrum : complex (C, n // 2 + 1), `rfft` of n samples without a window.
    count : harmonics to fit;  half : bins taken on each side of them.
    near : steps below this, in bins, need no further pass.
    alone : bool (C, count), harmonics that tell nothing of frequency and drift; None for none.
    """
    k = np.arange(1, count + 1, dtype=float)
    bins = np.rint(k * place.nu).astype(int)[:, None] + np.arange(-half, half + 1)
    y = kernels.centred_bins(spectrum, bins, n)
    spilled_from, spill = place.nu, spill_kernels(k * place.nu, bins, n)
    for _ in range(passes):
        if count * abs(place.nu - spilled_from) > SPILL_ERROR * np.pi * place.nu**2:
            spilled_from, spill = place.nu, spill_kernels(k * place.nu, bins, n)
        last = _pass(y, bins, k, place, spill, n, alone)
        if last.settled(near):
            break
        place = last.next_place
    return last


def lines_at(
    y: np.ndarray, bins: np.ndarray, places: np.ndarray, turn: np.ndarray, spill: Spill, n: int
) -> Lines:
    """Fit one sinusoid for each harmonic where it is said to be.

    Parameters
    ----------
    y : complex (C, K, B), centred bins;  bins : (K, B), their numbers.
    places : (K,) in bins;  turn : (K,) radians, pi times the drift in bins.
    spill : from `spill_kernels`;  n : samples in the record.
    """
    own, q, p = kernels.drifting(places[:, None] - bins, turn, n)
    own_power = (own.real**2 + own.imag**2).sum(axis=1)

    def along(rows: np.ndarray) -> np.ndarray:
        return np.matmul(rows.transpose(1, 0, 2), own.conj()[:, :, None])[:, :, 0].T / own_power

    clean = _without_spill(y, along(y), own.real / own_power[:, None], places, turn, spill)
    a = along(clean)
    rest = clean - a[:, :, None] * own
    q = q - own * ((own.conj() * q).sum(axis=1) / own_power)[:, None]
    p = p - own * ((own.conj() * p).sum(axis=1) / own_power)[:, None]
    return Lines(a, rest, own, own_power, q, p)


def _pass(
    y: np.ndarray,
    bins: np.ndarray,
    k: np.ndarray,
    place: Place,
    spill: Spill,
    n: int,
    alone: np.ndarray | None,
) -> Pass:
    """Amplitudes at a place and the least-squares steps from it towards the data."""
    lines = lines_at(y, bins, k * place.nu, np.pi * place.delta * k, spill, n)
    a, rest, _, own_power, q, p = lines

    # Frequency moves a tone along the kernel's slope, drift along i times its curvature.
    q, p = 2 * np.pi * k[:, None] * q, np.pi * k[:, None] * p
    strength = a.real**2 + a.imag**2
    by_nu = strength * (q.real**2 + q.imag**2).sum(axis=1)
    by_delta = strength * (p.real**2 + p.imag**2).sum(axis=1)
    noise, weight = _noise(
        (rest.real**2 + rest.imag**2).sum(axis=2), bins.shape[1] - 1, (by_nu, by_delta)
    )
    # A harmonic of noise has a phase of its own, and k^2 makes it count.
    heard = strength * own_power > STANDS_OUT * noise
    weight = np.where(heard | (k == 1), weight, 0.0)
    if alone is not None:
        weight = np.where(alone, 0.0, weight)
    pull = np.matmul(rest.transpose(1, 0, 2), np.stack([q, p], axis=2).conj())  # (K, C, 2)
    pull, by_nu = weight * a.conj() * pull.transpose(2, 1, 0), weight * by_nu
    information = Place(float(by_nu.sum()), float((weight * by_delta).sum()))
    step = Place(
        float(pull[0].real.sum() / (information.nu or 1.0)),
        float(pull[1].imag.sum() / (information.delta or 1.0)),
    )
    return Pass(
        place, bins, lines, noise, step, information, pull[0].real,
        np.where(heard, by_nu, 0.0),
    )  # fmt: skip


def _without_spill(
    y: np.ndarray,
    raw: np.ndarray,
    projector: np.ndarray,
    places: np.ndarray,
    turn: np.ndarray,
    spill: Spill,
) -> np.ndarray:
    """The bins (C, K, B) without what each harmonic spills into those of the others.

    raw : (C, K) amplitudes with the spill in them, which is solved for exactly.
    """
    # Far away a drifting tone spills what it holds at the record's ends, where tau^2 is 1/4.
    raw = raw * np.exp(0.25j * turn)
    s, clean = np.sin(np.pi * places)[:, None, None], y.copy()
    for bins, part, kernels_of in zip(
        (clean.real, clean.imag), (raw.real, raw.imag), spill, strict=True
    ):
        spilled = kernels_of * s
        mix = np.matmul(projector[:, None, :], spilled.transpose(1, 2, 0))[:, 0, :]
        own = np.linalg.solve(np.eye(places.size) + mix, part.T).T
        bins -= (own @ spilled.reshape(places.size, -1)).reshape(y.shape)
    return clean
