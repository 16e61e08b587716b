"""Where partials stand by themselves, and which of them no common fundamental explains.

Each suspect partial is fitted at a frequency of its own, near its multiple; the fundamental on
which most partials agree is kept, and those off it are returned to be read alone. Where several
are off, the others are looked for farther away; where next to nothing stands at the multiples, the
partials of a stiff string are.

Conventions: C channels, K harmonics; places and uncertainties in bins of the record.

Functions: apart, hasstiff_string. Classes: Own, Free.
Source: least squares of one sinusoid with unknown frequency (IEEE Std 1057); f_k = k f sqrt(1 + B
k^2) for a stiff string on hinged supports (Fletcher and Rossing, The Physics of Musical
Instruments; from memory).
"""

from dataclasses import dataclass

import numpy as np

from studylib.signal import joint_fit, kernels
from studylib.signal.joint_fit import Lines, Pass, Place
from studylib.signal.noise import distance_from_mains
from studylib.signal.unsteady import FAR_PEAK, power

NEAR = 3  # bins within which a partial off its multiple spoils the level that is read there
OWN_BINS = 0.085  # a sinusoid so far off its place would read 0.1 dB low: it is fitted alone
SURE = 5.0  # standard uncertainties beyond which a deviation counts: 40 are looked at in a take
STANDS_OUT = 20.0  # power over the noise of a line that was looked for
LEAST_U = 1e-9  # bins: no record is free of noise
PASSES = 8
SEVERAL = 2  # partials off their multiples, from which the others are looked for farther away
FEW = 3  # harmonics: where no more stand at the multiples, a stiff string is looked for
MOST_STIFF = 0.01  # B; the highest strings of a piano reach it
SERIES_POWER = 1e-4  # of the fundamental's, that the partials of a string have
MAINS_WANDER = 5e-4  # of the mains' frequency: 0.025 Hz at 50 Hz, and its multiples with it


@dataclass(frozen=True)
class Own:
    """Each partial's own place, its uncertainty, whether it stands out, and its power; (C, K)."""

    place: np.ndarray
    u: np.ndarray
    heard: np.ndarray
    power: np.ndarray

    def away(self, nu: float) -> np.ndarray:
        """bool (C, K): farther from the multiple of a fundamental than its level bears."""
        multiple = nu * np.arange(1, self.place.shape[1] + 1)
        return np.abs(self.place - multiple) > np.maximum(OWN_BINS, SURE * self.u)


def apart(
    spectrum: np.ndarray, fit: Pass, suspect: np.ndarray, *, n: int, half: int, seconds: float
) -> tuple[np.ndarray, Own]:
    """(bool (C, K): the partials off the fundamental that most agree on, all own places)."""
    multiple = np.arange(1, suspect.shape[1] + 1) * fit.place.nu
    k = multiple / fit.place.nu
    present = fit.heard > 0
    weight = np.where(present, fit.heard, np.inf)
    own = Own(
        k * (fit.place.nu + fit.pull / weight), k * np.sqrt(0.5 / weight), present.copy(),
        power(fit.half_amplitude),
    )  # fmt: skip
    look = {"n": n, "half": half}
    most = int((fit.place.nu - half - 2) / 2)  # farther, a line would be the next harmonic's
    near = np.where(suspect, min(NEAR, most), 0)
    around = np.tile(multiple, (len(own.place), 1))
    for c, row in enumerate(spectrum):
        string = stiff_string(row, fit, c)
        if string is not None:
            around[c], near[c] = np.where(np.isnan(string), multiple, string), min(NEAR, most)
    _look(spectrum, fit, own, around, near, **look)
    alone = _outside(own)
    # Hum where the joint fit reads no harmonic is no partial and spoils no level.
    hum = np.zeros_like(alone)
    hum[alone] = [
        distance_from_mains(hz) < 1.0 / seconds + MAINS_WANDER * hz
        for hz in own.place[alone] / seconds
    ]
    if (alone & ~hum).sum() >= SEVERAL:
        _look(spectrum, fit, own, around, np.where(~own.heard, min(half, most), 0), **look)
        return _outside(own), own
    return alone & (present | ~hum), own


def _look(
    spectrum: np.ndarray,
    fit: Pass,
    own: Own,
    around: np.ndarray,
    reach: np.ndarray,
    *,
    n: int,
    half: int,
) -> None:
    """Give partials the place of the strongest line within `reach` (C, K) bins of `around`."""
    reach = np.where(around + reach + half + 2 < n // 2, reach, 0)
    for c in np.flatnonzero((reach > 0).any(axis=1)):
        free, start = reach[c] > 0, own.place[c].copy()
        start[free] = joint_fit.peaks(spectrum[c], around[c, free], int(reach[c].max()))
        found = Free.fitted(spectrum[c : c + 1], fit, start, free, n=n, half=half)
        size = power(found.lines.half_amplitude[0]) * found.lines.own_power
        clear = free & (size > STANDS_OUT * found.noise)
        clear &= np.abs(found.place - around[c]) < reach[c] + 0.5
        own.place[c, clear], own.u[c, clear] = found.place[clear], found.u[clear]
        own.power[c, clear] = size[clear]
        own.heard[c, free] = clear[free]


def _outside(own: Own) -> np.ndarray:
    """bool (C, K): heard, and not on the fundamental on which most partials agree.

    Every partial in turn proposes a fundamental; of equals the lowest partial's is taken. A vote
    counts as the root of its amplitude, so that two faint lines never outvote a strong tone.
    """
    i, channel = np.nonzero(own.heard.T)
    if i.size:
        place, u, k = own.place[channel, i], own.u[channel, i], i + 1
        on = np.abs(place - k * (place / k)[:, None]) < np.maximum(OWN_BINS, SURE * u)
        share = (own.power / np.maximum(own.power.max(axis=1), 1e-300)[:, None]) ** 0.25
        # The fundamental of all who agree is known better than any single proposal.
        weight = np.where(on[np.argmax(on @ share[channel, i])], (k / u) ** 2, 0.0)
        return own.heard & own.away((weight * place / k).sum() / weight.sum())
    return np.zeros(own.heard.shape, dtype=bool)


def common(own: Own, members: np.ndarray) -> Place | None:
    """Fundamental of the partials that agree; None when there are none."""
    k = np.broadcast_to(np.arange(1, members.shape[1] + 1), members.shape)
    use = members & own.heard
    if not use.any():
        return None
    weight = (k[use] / own.u[use]) ** 2
    return Place(float((weight * own.place[use] / k[use]).sum() / weight.sum()), 0.0)


@dataclass(frozen=True)
class Free:
    """Sinusoids of one channel at places (K,) of their own, with uncertainties in bins.

    step : where each would go from its place.
    """

    place: np.ndarray
    step: np.ndarray
    u: np.ndarray
    lines: Lines
    noise: np.ndarray

    @classmethod
    def fitted(
        cls, row: np.ndarray, fit: Pass, start: np.ndarray, free: np.ndarray, *, n: int, half: int
    ) -> "Free":
        """Let the `free` ones of one channel's partials move to where they fit best."""
        place = start
        turn = np.pi * fit.place.delta * np.arange(1, place.size + 1)
        for more in range(PASSES, -1, -1):
            bins = np.rint(place).astype(int)[:, None] + np.arange(-half, half + 1)
            spill = joint_fit.spill_kernels(place, bins, n)
            lines = joint_fit.lines_at(
                kernels.centred_bins(row, bins, n), bins, place, turn, spill, n
            )
            a, slope = lines.half_amplitude[0], 2 * np.pi * lines.q
            strength = np.maximum(power(a) * power(slope).sum(axis=1), 1e-300)
            step = (a.conj() * (lines.rest[0] * slope.conj()).sum(axis=1)).real / strength
            move = np.where(free, np.clip(step, -0.3, 0.3), 0.0)
            if not more or np.abs(move).max() < 1e-4:
                break
            place = np.clip(place + move, start - 1.0, start + 1.0)
        noise = power(lines.rest[0]).sum(axis=1) / (bins.shape[1] - 1.5)
        return cls(place, step, np.sqrt(0.5 * noise / strength) + LEAST_U, lines, noise)


def stiff_string(row: np.ndarray, fit: Pass, channel: int) -> np.ndarray | None:
    """(K,) places of a stiff string's partials, NaN where none is found; None for no such string.

    Looked for where next to nothing stands at the multiples: B of f_k = k f sqrt(1 + B k^2) is
    tried until partials 2 to 4 all stand out at their places, then followed upwards.
    """
    nu, count, half = fit.place.nu, fit.bins.shape[0], fit.bins.shape[1] // 2
    if count < 4 or (fit.heard[channel] > 0).sum() > FEW or 5.0 * nu > row.size:
        return None
    k = np.arange(1, count + 1)
    b = np.arange(1.0 / (3.0 * nu), MOST_STIFF, 1.0 / (30.0 * nu))  # steps: 1 bin of partial 4
    if not b.size:
        return None

    def height(places: np.ndarray) -> np.ndarray:
        bins = np.rint(places).astype(int)
        return power(row[bins] - 0.5 * (row[bins - 1] + row[bins + 1]))

    def places(b: np.ndarray, k: np.ndarray) -> np.ndarray:
        return nu * k * np.sqrt((1.0 + b * k**2) / (1.0 + b))

    low = height(places(b[:, None], k[1:4]))
    enough = SERIES_POWER * height(np.array([nu]))[0]
    if (low.max(axis=0) < enough).any():
        return None
    clear = low.min(axis=1) > max(FAR_PEAK * float(np.median(low)), enough)
    if not clear.any():
        return None
    stiff, found = (
        float(b[np.argmax(np.where(clear, low.min(axis=1), 0.0))]),
        np.full(count, np.nan),
    )
    for i in range(1, count):
        at = float(places(np.array(stiff), k[i]))
        if at + half + NEAR + 2 > row.size or at - k[i] * nu > nu / 2.0 - half - 2:
            break
        found[i] = joint_fit.peaks(row, np.array([at]), NEAR)[0]
        stretch = (found[i] / (k[i] * nu)) ** 2
        stiff = (stretch - 1.0) / (k[i] ** 2 - stretch)
    return found
