"""What moves the level of a partial: drift, beating or modulation, told from its bins.

One sinusoid fits a steady partial and leaves noise. What it leaves of another is held against three
models of much the same freedom:

    drift        level and frequency change one way (a complex cubic in time)
    beating      a second sinusoid close by: one line beside the partial
    modulation   two lines, as far above as below and equally strong

A model must explain most of what is left, and clearly more than its rivals; a drift comes first,
since lines less than a period of the take apart look like one. A frequency that swings leaves two
lines in the other phase and is not named here: the fundamental's `wander` tells.

Conventions: B bins around a partial, half as many on each side; rates and distances in bins (so
many periods over the record); amplitudes half the tone's, as they stand in the transform.

Functions: far_line, far_named, power. Classes: Kind, Named, Left.
Source: the sidebands of a modulated sine and the beats of two are any textbook's.
"""

from enum import IntEnum
from functools import lru_cache
from operator import itemgetter
from typing import NamedTuple

import numpy as np

from studylib.signal import joint_fit, kernels

FAR_HZ = 30.0  # how fast a modulation of the fundamental is looked for
LEAST_FAR = 3  # bins beyond those of the partial, to look there at all
FAR_PEAK = 25.0  # power over the median, which noise exceeds less than once in 1e4 fits
LEAST_POWER = 3e-4  # of the partial: what is left of a level that moves by 0.26 dB each way
EXPLAINED = 0.35  # of what a single sinusoid leaves: a model that leaves more explains nothing
BETTER = 0.4  # of what another model leaves: one that leaves less is preferred
CLEARLY = 0.02  # of it: a model that leaves less needs no rival
LEAST_APART = 0.6  # bins: closer lines look like one that drifts
LAST_DB = 60.0  # stands for a level that vanishes
STEPS = 8  # towards two frequencies; four are usual
TIMES = 128  # instants at which a model is drawn over the record
TAU = (np.arange(TIMES) + 0.5) / TIMES - 0.5


# What a partial is; a harmonic is also what stands out by nothing.
Kind = IntEnum("Kind", ["HARMONIC", "OFF", "BEATING", "MODULATED", "DRIFTING"], start=0)


def power(z: np.ndarray) -> np.ndarray:
    return z.real**2 + z.imag**2


class Named(NamedTuple):
    """What one partial is: `swing_db` as in `Partials`, `apart` in bins; `shift`, by how much
    (half an amplitude) a second line too weak to leave the level open may shift it."""

    kind: Kind = Kind.HARMONIC
    swing_db: float = 0.0
    apart: float = np.nan
    shift: float = 0.0


def _fall_db(share: float) -> float:
    """How far a level falls that loses this share of its amplitude."""
    return min(-20.0 * float(np.log10(max(1.0 - share, 1e-9))), LAST_DB)


def _drifting(shape: np.ndarray) -> Named:
    """A level that follows a polynomial in time: its straight line's rise over the take."""
    level = 20.0 * np.log10(np.abs(TAU[:, None] ** np.arange(4) @ shape) + 1e-300)
    return Named(Kind.DRIFTING, min(max(float(TAU @ level / (TAU @ TAU)), -LAST_DB), LAST_DB))


def _of_sides(lines: np.ndarray, rate: float) -> Named:
    """What lower line, partial and upper line, `rate` bins apart, are."""
    lower, upper = np.conj(lines[0] / lines[1]), lines[2] / lines[1]
    weak, strong = sorted((abs(lower), abs(upper)))
    depth = weak + strong
    shift = abs(lines[1]) * depth * abs(float(np.sinc(rate)))
    if weak < 0.5 * strong or depth >= 1.0:
        return Named(Kind.BEATING, _fall_db(depth), rate, shift)
    if abs(upper + lower) > abs(upper - lower):
        return Named(Kind.MODULATED, _fall_db(depth), rate, shift)
    return Named()  # a frequency that swings: the fundamental's `wander` tells


def far_line(row: np.ndarray, nu: float, *, half: int, seconds: float) -> int:
    """Bins from the fundamental to the strongest line beside it, beyond `half` up to FAR_HZ.

    0 where none stands out of the background or matters. row : `rfft` of one channel.
    """
    wide, most = int(nu / 2), int(min(FAR_HZ * seconds, nu / 2))
    if most < half + LEAST_FAR:
        return 0
    centre = round(nu)
    near = row[centre - wide - 1 : centre + wide + 2]
    hann = power(near[1:-1] - 0.5 * (near[:-2] + near[2:]))
    below, above = hann[wide - most : wide - half], hann[wide + half + 1 : wide + most + 1]
    highest = max(below.max(), above.max())
    beside = np.median(np.r_[hann[: wide - half], hann[wide + half + 1 :]])
    if highest <= max(0.5 * LEAST_POWER * hann[wide], FAR_PEAK * beside):
        return 0
    at = int(np.argmax(np.r_[below, above]))
    return at - most if at < below.size else at - below.size + half + 1


def far_named(
    row: np.ndarray, place: joint_fit.Place, *, n: int, half: int, seconds: float
) -> Named:
    """What a line far from the fundamental makes of it: one alone beats, a pair modulates."""
    far = far_line(row[0], place.nu, half=half, seconds=seconds)
    if not far:
        return Named()
    rate = abs(float(joint_fit.peaks(row[0], np.array([place.nu + far]), 1)[0]) - place.nu)
    around = place.nu + np.array([-rate, 0.0, rate])
    bins = np.rint(around).astype(int)[:, None] + np.arange(-(half // 2), half // 2 + 1)
    lines = joint_fit.lines_at(
        kernels.centred_bins(row, bins, n), bins, around, np.full(3, np.pi * place.delta),
        joint_fit.spill_kernels(around, bins, n), n,
    )  # fmt: skip
    # The ring of a knock is no line: one sinusoid leaves most of it.
    left = power(lines.rest[0]).sum(axis=1) / (power(lines.half_amplitude[0]) * lines.own_power)
    return _of_sides(lines.half_amplitude[0], rate) if left[::2].min() < EXPLAINED else Named()


@lru_cache(maxsize=16)
def _sinusoids(rates: tuple[float, ...]) -> np.ndarray:
    """(TIMES, G) sinusoids of so many periods over the record."""
    return np.exp(2j * np.pi * np.array(rates) * TAU[:, None])


class Left:
    """The bins of one partial beside a steady sinusoid, held against the models.

    a : amplitude of the sinusoid that was fitted.  rest : complex (B,), what it left.
    offset : bins from the middle bin to it.  turn : radians, pi times its drift in bins.

    The models are drawn as functions of time over the record and brought to the bins, which is
    exact for whatever changes slowly beside TIMES instants.
    """

    def __init__(self, a: complex, rest: np.ndarray, *, offset: float, turn: float) -> None:
        self.bins = np.arange(rest.size) - rest.size // 2
        wave = np.exp(2j * np.pi * (offset - self.bins)[:, None] * TAU)
        self.to_bins = wave * np.exp(1j * turn * TAU**2) / TIMES
        self.rest = rest
        self.y = rest + a * self.to_bins.sum(axis=1)

    def named(self, reach: int) -> Named:
        """The model that tells, judged within `reach` bins of the partial."""
        inside = np.abs(self.bins) <= reach
        before = power(self.rest[inside]).sum()
        shape, drift = self._solved(self.to_bins @ TAU[:, None] ** np.arange(4), inside)
        if drift < CLEARLY * before:
            return _drifting(shape)
        rates = np.arange(1.0, min(reach + 1.0, float(self.bins[-1])), 0.1)
        # Two lines as far above as below: carrier, its slope, both.
        mirrored = self._with_carrier(self._waves(rates), self._waves(-rates))
        found, left = self._solved(mirrored, inside)
        best = int(np.argmin(left))
        sides, by_sides = found[best], float(left[best])
        apart, pair, by_two = self._two(rates, inside)
        if min(drift, by_sides, by_two) > EXPLAINED * before:
            return Named()
        if drift * BETTER < min(by_sides, by_two):
            return _drifting(shape)
        if by_sides < BETTER * by_two:
            return _of_sides(sides[[3, 0, 2]], float(rates[best]))
        weak, strong = sorted(np.abs(pair).tolist())
        return Named(
            Kind.BEATING, _fall_db(weak / strong), apart, weak * abs(float(np.sinc(apart)))
        )

    def _solved(self, columns: np.ndarray, inside: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Least squares on columns (..., B, p): coefficients (..., p), the power left inside."""
        turned = columns.conj().swapaxes(-1, -2)
        found = np.linalg.solve(turned @ columns, (turned @ self.y)[..., None])
        left = self.y - (columns @ found)[..., 0]
        return found[..., 0], power(left[..., inside]).sum(axis=-1)

    def _waves(self, rates: np.ndarray) -> np.ndarray:
        """(B, G) bins of sinusoids `rates` bins from the partial."""
        return self.to_bins @ _sinusoids(tuple(rates.tolist()))

    def _with_carrier(self, *others: np.ndarray) -> np.ndarray:
        """(G, B, 2 + others): the partial, free to move a little, and others beside it."""
        carrier = self.to_bins @ (TAU[:, None] ** np.arange(2))
        lines = np.stack(others).transpose(2, 1, 0)
        return np.concatenate([np.tile(carrier, (len(lines), 1, 1)), lines], axis=2)

    def _two(self, rates: np.ndarray, inside: np.ndarray) -> tuple[float, np.ndarray, float]:
        """Two sinusoids at frequencies of their own: distance, amplitudes, what they leave."""
        rates = np.concatenate([-rates[::-1], rates])
        left = self._solved(self._with_carrier(self._waves(rates)), inside)[1]
        starts = [(0.0, rates[np.argmin(left)]), (-0.4, 0.4), (-0.7, 0.7)]
        return min((self._two_from(np.array(start), inside) for start in starts), key=itemgetter(2))

    def _two_from(self, at: np.ndarray, inside: np.ndarray) -> tuple[float, np.ndarray, float]:
        for _ in range(STEPS):
            wave = np.exp(2j * np.pi * at * TAU[:, None])
            both = self.to_bins @ np.concatenate([wave, TAU[:, None] * wave], axis=1)
            found, _ = self._solved(both, inside)
            step = (found[2:] / (found[:2] + 1e-300)).imag / (2.0 * np.pi)
            at = at + np.clip(step, -0.2, 0.2)
            if abs(at[1] - at[0]) < LEAST_APART:
                return np.nan, found[:2], np.inf
        found, left = self._solved(self.to_bins @ np.exp(2j * np.pi * at * TAU[:, None]), inside)
        return abs(float(at[1] - at[0])), found, float(left)
