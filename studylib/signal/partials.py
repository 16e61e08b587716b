"""Is each partial where a harmonic must be, and is it one? Deviation, beating, modulation, drift.

The joint fit puts harmonic k at exactly k times the fundamental. A stiff string, a bell or a
second source does not: its partial lies off the multiple, or two of them share it, and the level
read at the multiple is wrong. So what the joint fit leaves near each harmonic is looked at. Where
something stands out there, the partial is fitted at a frequency of its own; the fundamental on
which most partials agree is kept, and those that do not lie on it are fitted alone. What such a
single sinusoid still leaves is named: drift, beating or modulation.

An exact harmonic tone leaves noise; nothing is then fitted again and nothing changes.

Conventions: C channels, K harmonics, B bins around each; frequencies in bins of the record until
`Partials` gives them in hertz; a record of fewer than some 20 periods tells nothing here.

Functions: suspects, resolve, as_they_stand, join.
Source: own_places.py and unsteady.py name theirs.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studylib.signal import joint_fit, own_places
from studylib.signal.joint_fit import Pass
from studylib.signal.own_places import NEAR, PASSES, SURE, Free
from studylib.signal.unsteady import LEAST_POWER, Kind, far_line, far_named, named, power

__all__ = ["Kind", "Partials", "as_they_stand", "join", "resolve", "suspects"]

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


def suspects(spectrum: np.ndarray, fit: Pass, *, seconds: float) -> np.ndarray:
    """bool (C, K): more than noise is left near a harmonic, and it matters beside its power.

    spectrum : complex (C, n // 2 + 1), `rfft`;  fit : the joint fit of it, settled.
    """
    width = fit.bins.shape[1]
    half = width // 2
    if half < LEAST_HALF:
        return np.zeros(fit.noise.shape, dtype=bool)
    size, left = power(fit.half_amplitude) * fit.own_power, power(fit.rest)
    near = left[:, :, half - NEAR : half + NEAR + 1].sum(axis=2)
    total, few = left.sum(axis=2), 2 * NEAR + 1
    found = (near * (width - few) > NEAR_F * few * (total - near)) & (near > LEAST_POWER * size)
    # Modulation of the fundamental may lie farther out.
    first = total[:, 0]
    three = left[:, 0, :-2] + left[:, 0, 1:-1] + left[:, 0, 2:]
    peak = three.max(axis=1) * width > PEAK * first
    found[:, 0] |= peak & (first > LEAST_POWER * size[:, 0])
    for c, row in enumerate(spectrum):
        found[c, 0] |= far_line(row, fit.place.nu, half=half, seconds=seconds) != 0
        found[c, 1:4] |= own_places.stiff_string(row, fit, c) is not None
    return found


def as_they_stand(fit: Pass, seconds: float) -> Partials:
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
    spectrum: np.ndarray, fit: Pass, suspect: np.ndarray, *, n: int, half: int, seconds: float
) -> tuple[Pass, Partials, np.ndarray]:
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
    offset : (C,), bins from the middle one of its own to where the fundamental was read.
    """
    alone, own = own_places.apart(spectrum, fit, suspect, n=n, half=half, seconds=seconds)
    if alone.any():
        place = own_places.common(own, ~alone) or fit.place
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
        free = Free.fitted(spectrum[c : c + 1], fit, at, mine, n=n, half=half)
        fit.half_amplitude[c], fit.rest[c] = free.lines.half_amplitude[0], free.lines.rest[0]
        fit.noise[c] = free.noise
        offset[c] = free.place - np.rint(free.place)
        told = mine | (fit.heard[c] > 0)
        found.off_hz[c, told] = (free.place + free.step - multiple)[told] / seconds
        found.u_off_hz[c, told] = free.u[told] / seconds
        found.kind[c, mine & (np.abs(free.place - multiple) > OFF_BINS)] = Kind.OFF
    turn = np.pi * fit.place.delta * np.arange(1, alone.shape[1] + 1)
    for c, i in np.argwhere(suspects(spectrum, fit, seconds=seconds)):
        a, rest = fit.half_amplitude[c, i], fit.rest[c, i]
        at = {"offset": float(offset[c, i]), "turn": float(turn[i])}
        told = named(a, rest, **at, reach=NEAR if i else half)
        if i == 0 and told.kind == Kind.HARMONIC:
            told = far_named(spectrum[c : c + 1], fit.place, n=n, half=half, seconds=seconds)
        if abs(told.swing_db) < LEAST_DB:
            continue
        found.swing_db[c, i], found.apart_hz[c, i] = told.swing_db, told.apart / seconds
        # A second line weak enough to leave a level still shifts it.
        fit.noise[c, i] += 0.5 * told.shift**2 * fit.own_power[i]
        unsettled = told.kind == Kind.BEATING and told.swing_db > SWING_DB
        if unsettled or found.kind[c, i] != Kind.OFF:
            found.kind[c, i] = told.kind
    return fit, found, offset[:, 0]


def join(parts: Sequence[Partials], *, seconds: float) -> Partials:
    """What the partials are over the coherent pieces of a long take.

    A kind counts when at least a quarter of the pieces show it, and a deviation also when it turns
    a partial's phase against the tone's by more than once over the take. Deviations are averaged
    with their weights; levels that drift add up from piece to piece.

    seconds : length of the take.
    """
    count = min(part.kind.shape[1] for part in parts)

    def stacked(name: str) -> np.ndarray:
        return np.stack([getattr(part, name)[:, :count] for part in parts])

    kind, off, u, swing = map(stacked, ("kind", "off_hz", "u_off_hz", "swing_db"))
    apart = stacked("apart_hz")
    shown = np.stack([(kind == each).sum(axis=0) for each in Kind])
    shown[0] = 0
    often = np.argmax(shown, axis=0)
    often = np.where(4 * shown.max(axis=0) >= len(parts), often, Kind.HARMONIC)
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
