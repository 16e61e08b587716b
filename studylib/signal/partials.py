"""Is each partial where a harmonic must be, and is it one? Deviation, beating, modulation, drift.

The joint fit puts harmonic k at exactly k times the fundamental. A stiff string, a bell or a
second source does not: its partial lies off the multiple, or two of them share it, and the level
read at the multiple is wrong. So what the joint fit leaves near each harmonic is looked at. Where
something stands out there, the partial is fitted at a frequency of its own; the fundamental on
which most partials agree is kept, and those that do not lie on it are fitted alone. Where several
are off, the others are looked for farther away; where next to nothing stands at the multiples, the
partials of a stiff string are. What such a single sinusoid still leaves is named: drift, beating or
modulation.

An exact harmonic tone leaves noise; nothing is then fitted again and nothing changes.

Conventions: C channels, K harmonics, B bins around each; frequencies and uncertainties in bins of
the record until `Partials` gives them in hertz; a record of fewer than some 20 periods tells
nothing here.

Functions: suspects, resolve, as_they_stand, join; apart, common, stiff_string. Class: Own.
Source: least squares of one sinusoid with unknown frequency (IEEE Std 1057); f_k = k f sqrt(1 + B
k^2) for a stiff string on hinged supports (Fletcher and Rossing, The Physics of Musical
Instruments; from memory); unsteady.py names its own.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from studylib.signal import joint_fit, kernels
from studylib.signal.noise import distance_from_mains
from studylib.signal.unsteady import FAR_PEAK, LEAST_POWER, Kind, Left, far_line, far_named, power

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
    spectrum: np.ndarray,
    fit: joint_fit.Pass,
    suspect: np.ndarray,
    *,
    n: int,
    half: int,
    seconds: float,
) -> tuple[np.ndarray, Own]:
    """(bool (C, K): the partials off the fundamental that most agree on, all own places)."""
    multiple = np.arange(1, suspect.shape[1] + 1) * fit.place.nu
    k = multiple / fit.place.nu
    present = fit.heard > 0
    weight = np.where(present, fit.heard, np.inf)
    own = Own(
        k * (fit.place.nu + fit.pull / weight), k * np.sqrt(0.5 / weight), present.copy(),
        power(fit.lines.half_amplitude),
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
    fit: joint_fit.Pass,
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
        place, _, u, lines, noise = _freed(spectrum[c : c + 1], fit, start, free, n=n, half=half)
        size = power(lines.half_amplitude[0]) * lines.own_power
        near = np.abs(place - around[c]) < reach[c] + 0.5
        clear = free & near & (size > STANDS_OUT * noise)
        own.place[c, clear], own.u[c, clear] = place[clear], u[clear]
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


def common(own: Own, members: np.ndarray) -> joint_fit.Place | None:
    """Fundamental of the partials that agree; None when there are none."""
    k = np.broadcast_to(np.arange(1, members.shape[1] + 1), members.shape)
    use = members & own.heard
    if not use.any():
        return None
    weight = (k[use] / own.u[use]) ** 2
    return joint_fit.Place(float((weight * own.place[use] / k[use]).sum() / weight.sum()), 0.0)


def _freed(
    row: np.ndarray,
    fit: joint_fit.Pass,
    start: np.ndarray,
    free: np.ndarray,
    *,
    n: int,
    half: int,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, joint_fit.Lines, np.ndarray]:
    """Let the `free` ones of one channel's partials move to where they fit best.

    Returns
    -------
    (K,) places, where each would go from there, standard uncertainties, all in bins; the sinusoids;
    (K,) the noise beside them.
    """
    place = start
    turn = np.pi * fit.place.delta * np.arange(1, place.size + 1)
    for more in range(PASSES, -1, -1):
        bins = np.rint(place).astype(int)[:, None] + np.arange(-half, half + 1)
        spill = joint_fit.spill_kernels(place, bins, n)
        lines = joint_fit.lines_at(kernels.centred_bins(row, bins, n), bins, place, turn, spill, n)
        a, slope = lines.half_amplitude[0], 2 * np.pi * lines.q
        strength = np.maximum(power(a) * power(slope).sum(axis=1), 1e-300)
        step = (a.conj() * (lines.rest[0] * slope.conj()).sum(axis=1)).real / strength
        move = np.where(free, np.clip(step, -0.3, 0.3), 0.0)
        if not more or np.abs(move).max() < 1e-4:
            break
        place = np.clip(place + move, start - 1.0, start + 1.0)
    noise = power(lines.rest[0]).sum(axis=1) / (bins.shape[1] - 1.5)
    return place, step, np.sqrt(0.5 * noise / strength) + LEAST_U, lines, noise


def stiff_string(row: np.ndarray, fit: joint_fit.Pass, channel: int) -> np.ndarray | None:
    """(K,) places of a stiff string's partials, NaN where none is found; None for no such string.

    Looked for where next to nothing stands at the multiples: B of f_k = k f sqrt(1 + B k^2) is
    tried until partials 2 to 4 all stand out at their places, then followed upwards.
    """
    nu, count, half = fit.place.nu, fit.bins.shape[0], fit.bins.shape[1] // 2
    k = np.arange(1, count + 1)
    b = np.arange(1.0 / (3.0 * nu), MOST_STIFF, 1.0 / (30.0 * nu))  # steps: 1 bin of partial 4
    many = (fit.heard[channel] > 0).sum() > FEW
    if count < 4 or many or 5.0 * nu > row.size or not b.size:
        return None

    def height(places: np.ndarray) -> np.ndarray:
        bins = np.rint(places).astype(int)
        return power(row[bins] - 0.5 * (row[bins - 1] + row[bins + 1]))

    def places(b: np.ndarray, k: np.ndarray) -> np.ndarray:
        return nu * k * np.sqrt((1.0 + b * k**2) / (1.0 + b))

    low = height(places(b[:, None], k[1:4]))
    enough = SERIES_POWER * height(np.array([nu]))[0]
    clear = low.min(axis=1) > max(FAR_PEAK * float(np.median(low)), enough)
    if (low.max(axis=0) < enough).any() or not clear.any():
        return None
    stiff = float(b[np.argmax(np.where(clear, low.min(axis=1), 0.0))])
    found = np.full(count, np.nan)
    for i in range(1, count):
        at = float(places(np.array(stiff), k[i]))
        if at + half + NEAR + 2 > row.size or at - k[i] * nu > nu / 2.0 - half - 2:
            break
        found[i] = joint_fit.peaks(row, np.array([at]), NEAR)[0]
        stretch = (found[i] / (k[i] * nu)) ** 2
        stiff = (stretch - 1.0) / (k[i] ** 2 - stretch)
    return found


LEAST_HALF = 8  # bins each side of a harmonic, below which neighbours hide what is looked for
NEAR_F = 5.0  # mean power of those bins over that of the others; noise exceeds it once in 1e5
PEAK = 13.5  # power of the highest three bins over the mean: noise exceeds it 4 times in 1e4 fits
OFF_BINS = 0.15  # and 0.3 dB low: it is no harmonic
LEAST_DB = 0.1  # a level that moves by less is steady
SWING_DB = 1.0  # by beating: beyond, no level is given
DRIFT_DB = 6.0  # from start to end, to twice or half the amplitude: beyond, no level is given


@dataclass(frozen=True)
class Partials:
    """What stands at each harmonic's place, arrays (C, K).

    kind : `Kind`.
    off_hz, u_off_hz : the partial's frequency less k times the fundamental, with its standard
        uncertainty; NaN where nothing stands out of the noise.
    swing_db : how far beating or modulation lets the level fall, or, signed, how far a drifting
        level changes from start to end; 0 for the other kinds.
    apart_hz : distance of the other line (rate of the modulation), NaN without one.
    """

    kind: np.ndarray
    off_hz: np.ndarray
    u_off_hz: np.ndarray
    swing_db: np.ndarray
    apart_hz: np.ndarray

    @property
    def no_harmonic(self) -> np.ndarray:
        """bool (C, K): off its multiple, or beating so much that no single level is right."""
        return (self.kind == Kind.OFF) | ((self.kind == Kind.BEATING) & (self.swing_db > SWING_DB))

    @property
    def no_level(self) -> np.ndarray:
        """bool (C, K): no level of a harmonic can be given: none, or it drifts too far."""
        drifts = (self.kind == Kind.DRIFTING) & (np.abs(self.swing_db) > DRIFT_DB)
        return self.no_harmonic | drifts

    def cents(self, frequency_hz: float) -> tuple[np.ndarray, np.ndarray]:
        """(C, K) deviation from k times the fundamental in cents, and its uncertainty."""
        multiple = frequency_hz * np.arange(1, self.kind.shape[1] + 1)
        octave = 1200.0 / np.log(2.0)
        return octave * np.log1p(self.off_hz / multiple), octave * self.u_off_hz / multiple


def suspects(spectrum: np.ndarray, fit: joint_fit.Pass, *, seconds: float) -> np.ndarray:
    """bool (C, K): more than noise is left near a harmonic, and it matters beside its power.

    spectrum : complex (C, n // 2 + 1), `rfft`;  fit : the joint fit of it, settled.
    """
    width = fit.bins.shape[1]
    half = width // 2
    if half < LEAST_HALF:
        return np.zeros(fit.noise.shape, dtype=bool)
    size, left = power(fit.lines.half_amplitude) * fit.lines.own_power, power(fit.lines.rest)
    near = left[:, :, half - NEAR : half + NEAR + 1].sum(axis=2)
    total, few = left.sum(axis=2), 2 * NEAR + 1
    found = (near * (width - few) > NEAR_F * few * (total - near)) & (near > LEAST_POWER * size)
    # Modulation of the fundamental may lie farther out.
    first = total[:, 0]
    three = left[:, 0, :-2] + left[:, 0, 1:-1] + left[:, 0, 2:]
    found[:, 0] |= (three.max(axis=1) * width > PEAK * first) & (first > LEAST_POWER * size[:, 0])
    for c, row in enumerate(spectrum):
        found[c, 0] |= far_line(row, fit.place.nu, half=half, seconds=seconds) != 0
        found[c, 1:4] |= stiff_string(row, fit, c) is not None
    return found


def as_they_stand(fit: joint_fit.Pass, seconds: float) -> Partials:
    """All partials harmonics, with the deviations that the joint fit's own last step shows."""
    weight = np.where(fit.heard > 0, fit.heard, np.nan)
    k = np.arange(1, weight.shape[1] + 1)
    nothing = np.zeros(weight.shape)
    return Partials(
        kind=np.zeros(weight.shape, dtype=int),
        off_hz=k * fit.pull / weight / seconds,
        u_off_hz=k * np.sqrt(0.5 / weight) / seconds,
        swing_db=nothing,
        apart_hz=nothing + np.nan,
    )


def resolve(
    spectrum: np.ndarray,
    fit: joint_fit.Pass,
    suspect: np.ndarray,
    *,
    n: int,
    half: int,
    seconds: float,
) -> tuple[joint_fit.Pass, Partials, np.ndarray]:
    """Fit again what is no exact harmonic, and say what it is.

    Parameters
    ----------
    spectrum : complex (C, n // 2 + 1), `rfft` of n samples.
    fit : the joint fit, settled;  suspect : from `suspects`.
    half : bins taken on each side of a harmonic.

    Returns
    -------
    fit : with partials off their multiples read at their own frequency.
    partials : what they are.
    offset : (C, 1), bins from the middle one of its own to where the fundamental was read.
    """
    alone, own = apart(spectrum, fit, suspect, n=n, half=half, seconds=seconds)
    if alone.any():
        place = common(own, ~alone) or fit.place
        fit = joint_fit.settle(
            spectrum, place, n=n, count=alone.shape[1], half=half, passes=PASSES, alone=alone
        )
        alone |= own.heard & own.away(fit.place.nu)
    found = as_they_stand(fit, seconds)
    multiple = np.arange(1, alone.shape[1] + 1) * fit.place.nu
    offset = np.tile(multiple - fit.bins[:, half], (alone.shape[0], 1))
    for c in np.flatnonzero(alone.any(axis=1)):
        mine = alone[c]
        at = np.where(mine, own.place[c], multiple)
        place, step, u, lines, fit.noise[c] = _freed(
            spectrum[c : c + 1], fit, at, mine, n=n, half=half
        )
        fit.lines.half_amplitude[c], fit.lines.rest[c] = lines.half_amplitude[0], lines.rest[0]
        offset[c] = place - np.rint(place)
        told = mine | (fit.heard[c] > 0)
        found.off_hz[c, told] = (place + step - multiple)[told] / seconds
        found.u_off_hz[c, told] = u[told] / seconds
        found.kind[c, mine & (np.abs(place - multiple) > OFF_BINS)] = Kind.OFF
    turn = np.pi * fit.place.delta * np.arange(1, alone.shape[1] + 1)
    for c, i in np.argwhere(suspects(spectrum, fit, seconds=seconds)):
        a, rest = fit.lines.half_amplitude[c, i], fit.lines.rest[c, i]
        at = {"offset": float(offset[c, i]), "turn": float(turn[i])}
        told = Left(a, rest, **at).named(NEAR if i else half)
        if i == 0 and told.kind == Kind.HARMONIC:
            told = far_named(spectrum[c : c + 1], fit.place, n=n, half=half, seconds=seconds)
        if abs(told.swing_db) < LEAST_DB:
            continue
        found.swing_db[c, i], found.apart_hz[c, i] = told.swing_db, told.apart / seconds
        # A second line weak enough to leave a level still shifts it.
        fit.noise[c, i] += 0.5 * told.shift**2 * fit.lines.own_power[i]
        unsettled = told.kind == Kind.BEATING and told.swing_db > SWING_DB
        if unsettled or found.kind[c, i] != Kind.OFF:
            found.kind[c, i] = told.kind
    return fit, found, offset[:, :1]


def join(parts: Sequence[Partials], *, seconds: float) -> Partials:
    """What the partials are over the coherent pieces of a long take.

    A kind counts when at least a quarter of the pieces show it, and a deviation also when it turns
    a partial's phase against the tone's by more than once over the take. Deviations are averaged
    with their weights; levels that drift add up from piece to piece.

    seconds : length of the take.
    """
    count = min(part.kind.shape[1] for part in parts)
    kind, off, u, swing, apart = (
        np.stack([getattr(part, field.name)[:, :count] for part in parts])
        for field in fields(Partials)
    )
    shown = np.stack([(kind == each).sum(axis=0) for each in list(Kind)[1:]])
    often = np.where(
        4 * shown.max(axis=0) >= len(parts), 1 + np.argmax(shown, axis=0), Kind.HARMONIC
    )
    mine = kind == often
    weight = np.where(np.isfinite(off), 1.0 / np.maximum(u, 1e-15) ** 2, 0.0)
    total = weight.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(total > 0, np.nansum(weight * off, axis=0) / total, np.nan)
        u_mean = np.where(total > 0, 1.0 / np.sqrt(total), np.nan)
        typical = np.where(mine, swing, 0.0).sum(axis=0) / mine.sum(axis=0).clip(1)
        rate = np.where(mine, np.nan_to_num(apart), 0.0).sum(axis=0) / mine.sum(axis=0).clip(1)
    typical = np.where(
        often == Kind.DRIFTING, np.where(kind == Kind.DRIFTING, swing, 0.0).sum(axis=0), typical
    )
    turns = (np.abs(mean) > SURE * u_mean) & (np.abs(mean) * seconds > 1.0)
    often = np.where((often == Kind.HARMONIC) & turns, Kind.OFF, often)
    told = (often == Kind.BEATING) | (often == Kind.MODULATED)
    return Partials(
        often, mean, u_mean, np.where(often > Kind.OFF, typical, 0.0), np.where(told, rate, np.nan)
    )
