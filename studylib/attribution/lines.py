"""Complex amplitudes at the multiples of the tone: take by take, whether repeats agree, their mean.

Conventions: arrays run over the multiples k = 1 .. K; `response` is in the unit of the level (so
that 20 lg of it is the level), `drive` re full scale; what a take does not hold is NaN, its
frequency too. A multiple where no level can be given (off its place, beating, drifting away) is
NaN but for its frequency, and means are over the takes that have one. Standard uncertainties belong
to the real part and cover the take's noise alone.

Repeats are averaged as complex amplitudes, each referred to the phase of its own fundamental, and
divided afterwards: the mean of their ratios, each weighted by its drive. So a weak drive channel's
noise is averaged before it is divided by.

Whether repeats agree is asked before anything is said of a harmonic. Those of one mount differ by a
fraction of a decibel, and by as little in phase. Takes whose phases lie apart are not repeats of
one thing: a channel was inverted in between, a steady line of another source beats with the
harmonic, or a resonance or contact wandered. Their mean says nothing, however small it is or its
interval.

Response over drive is compared where the drive is sensed, pair by pair, because it hangs on no
take's start; a channel alone only for inversion (both channels inverted leave the ratio as it is,
and turn even harmonics against the fundamental's phase). Phases lie apart when noise does not
explain the angle and the rest would move a sum by as much as the margin of a verdict. Angles are in
radians.

Contents: Lines, read_lines, mean_lines; Agreement, agreement_of, drift_of.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd

from studylib.sheets import Take
from studylib.signal.tone import presence_factor

APART = 0.19  # rad; a phasor turned by that moves by 1.5 dB of itself
INVERTED = 2.0  # rad
NOISE_FACTOR = 4.0  # coverage of an angle's noise: one pair of takes in 10,000


@dataclass(frozen=True)
class Lines:
    """What one take, or the mean of `n` takes, holds at k times the fundamental (arrays (K,)).

    to_level : factor that brought the response from full scale to the level's unit.
    scatter : (K,) standard deviation of ln|response/drive| over the takes (of ln|response| where
        the drive is not above its noise in each); NaN for a single take.
    lowest, highest : (K,) ln of the lowest and the highest take over their mean.
    """

    take: Take
    frequency_hz: np.ndarray
    response: np.ndarray
    u_response: np.ndarray
    drive: np.ndarray
    u_drive: np.ndarray
    dof: int
    seconds: float
    to_level: float
    unit: str
    n: int = 1
    scatter: np.ndarray | None = None
    lowest: np.ndarray | None = None
    highest: np.ndarray | None = None

    @property
    def drive_factor(self) -> float:
        """Drive level of the take relative to full drive, as a factor."""
        return 10.0 ** (self.take.drive_db / 20.0)

    def presence(self, u: np.ndarray) -> np.ndarray:
        """Amplitude that noise of uncertainty `u` alone exceeds in 1 % of cases."""
        return u * presence_factor(max(self.dof, 2))


def read_lines(harmonics: pd.DataFrame, takes: Iterable[Take], *, size: int) -> list[Lines]:
    """One `Lines` for each take of the table of harmonics with a usable row, in its order.

    Parameters
    ----------
    harmonics : columns as in measure.harmonic_rows, rows of one take together.
    takes : rows of takes.csv.
    size : K, the highest multiple kept.
    """
    known = {take.take: take for take in takes}
    usable = harmonics.loc[harmonics["usable"].to_numpy(bool), "take"].unique()
    used = harmonics[harmonics["take"].isin(usable).to_numpy(bool)]
    names = used["take"].to_numpy()
    if not len(names):
        return []
    starts = np.flatnonzero(np.r_[True, names[1:] != names[:-1]])
    ends = np.r_[starts[1:], len(names)]
    column = {name: used[name].to_numpy() for name in used.columns}
    response = column["response_re"] + 1j * column["response_im"]
    drive = column["drive_re"] + 1j * column["drive_im"]
    settled = column["usable"].astype(bool)
    response, drive = np.where(settled, response, np.nan), np.where(settled, drive, np.nan)
    found = []
    for a, b in zip(starts, ends, strict=True):
        k = column["harmonic"][a:b].astype(int)
        inside = k <= size
        place = k[inside] - 1
        factor = 10.0 ** (float(column["offset_db"][a]) / 20.0)

        def spread(values, a=a, b=b, inside=inside, place=place):
            out = np.full(size, np.nan, dtype=values.dtype)
            out[place] = values[a:b][inside]
            return out

        found.append(
            Lines(
                take=known[names[a]],
                frequency_hz=spread(column["frequency_hz"]),
                response=spread(response) * factor,
                u_response=spread(column["response_u"]) * factor,
                drive=spread(drive),
                u_drive=spread(column["drive_u"]),
                dof=int(column["dof"][a]),
                seconds=float(column["seconds"][a]),
                to_level=factor,
                unit=str(column["unit"][a]),
            )
        )
    return found


@np.errstate(divide="ignore", invalid="ignore")
def mean_lines(takes: Sequence[Lines]) -> Lines:
    """The complex mean of repeats, with its uncertainty from noise and the repeats' scatter."""
    if len(takes) == 1:
        nothing = np.zeros(takes[0].response.size)
        return replace(takes[0], scatter=nothing * np.nan, lowest=nothing, highest=nothing)
    response = np.stack([take.response for take in takes])
    drive = np.stack([take.drive for take in takes])
    there = np.isfinite(response)
    # Where the drive channel holds only noise, a ratio to it would scatter with that noise.
    divided = np.all([np.abs(t.drive) > t.presence(t.u_drive) for t in takes], axis=0)
    each = np.log(np.abs(np.where(divided, response / drive, response)))
    middle = np.abs(_mean(response, there))
    middle = np.log(np.where(divided, middle / np.abs(_mean(drive, there)), middle))
    return replace(
        takes[0],
        frequency_hz=np.mean([take.frequency_hz for take in takes], axis=0),
        response=_mean(response, there),
        u_response=_mean_u([take.u_response for take in takes], there),
        drive=_mean(drive, there),
        u_drive=_mean_u([take.u_drive for take in takes], there),
        dof=sum(take.dof for take in takes),
        n=len(takes),
        scatter=each.std(axis=0, ddof=1),
        lowest=each.min(axis=0) - middle,
        highest=each.max(axis=0) - middle,
    )


def _mean(each: np.ndarray, there: np.ndarray) -> np.ndarray:
    """Mean over the takes (first axis) that have a level there; of all where none has one."""
    there = there | ~there.any(axis=0)
    return np.where(there, each, 0.0).sum(axis=0) / there.sum(axis=0)


def _mean_u(each: Sequence[np.ndarray], there: np.ndarray) -> np.ndarray:
    there = there | ~there.any(axis=0)
    return np.sqrt(np.where(there, np.square(each), 0.0).sum(axis=0)) / there.sum(axis=0)


# ---------------------------------------------------------------- do repeats agree?


class Agreement(NamedTuple):
    """apart : (K,) the repeats' phases lie apart;  looks : (K,) a code, "" where they agree;
    angle : (K,) the widest angle between two of them."""

    apart: np.ndarray
    looks: np.ndarray
    angle: np.ndarray


@np.errstate(divide="ignore", invalid="ignore")
def agreement_of(takes: Sequence[Lines], *, sensed: bool, lines: np.ndarray) -> Agreement:
    """Whether the takes agree in phase at each multiple.

    Parameters
    ----------
    takes : repeats of one tone in one mount; a take without a level somewhere is left out there.
    lines : (K,) where a line of another source was found or must be reckoned with.
    """
    response, drive = (np.stack([getattr(t, c) for t in takes]) for c in ("response", "drive"))
    noise = np.stack([take.u_response for take in takes]) / np.abs(response)
    if sensed:
        u_drive = np.stack([take.u_drive for take in takes]) / np.abs(drive)
        ratio, apart_u = response / drive, np.hypot(noise, u_drive)
    else:
        ratio, apart_u, u_drive = response, noise, np.full_like(noise, np.nan)
    angle, beyond = _widest(ratio, apart_u)
    inverted = np.minimum(*(_widest(c, u)[1] for c, u in ((response, noise), (drive, u_drive))))
    flipped = _widest(ratio, apart_u, times=2)[1] <= APART  # all angles 0 or half a turn
    apart = (beyond > APART) | (sensed & (inverted > INVERTED))
    looks = np.select(
        [~apart, beyond <= APART, flipped, lines],
        [
            "",
            "attribution.looks_both_inverted",
            "attribution.looks_inverted",
            "attribution.looks_line",
        ],
        "attribution.looks_wanders",
    ).astype(object)
    return Agreement(apart, looks, np.where(beyond > APART, angle, np.where(apart, np.pi, angle)))


def _widest(value: np.ndarray, u: np.ndarray, *, times: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Widest angle between two takes (K,), and the most that noise leaves of one; 0 for no pair.

    times : parts of a full turn, a whole one of which counts as none.
    """
    a, b = np.triu_indices(len(value), 1)
    angle = np.abs(np.angle((value[a] * value[b].conj()) ** times)) / times
    left = angle - NOISE_FACTOR * np.hypot(u[a], u[b])
    return tuple(np.fmax.reduce(part, axis=0, initial=0.0) for part in (angle, left))


def drift_of(takes: Sequence[Lines], k: int, *, first: int, places: dict[str, int]) -> float:
    """|ln| of T from probe tones at k after a place over those before it; NaN without both.

    Parameters
    ----------
    first : place in the order of the bench of the mount's tone.
    places : place of each take.
    """
    ratio = {
        late: [
            take.response[k - 1] / take.drive[k - 1]
            for take in takes
            if (places[take.take.take] > first) is late and abs(take.drive[k - 1]) > 0
        ]
        for late in (False, True)
    }
    return (
        float("nan")
        if not (ratio[False] and ratio[True])
        else float(abs(np.log(np.mean(ratio[True]) / np.mean(ratio[False]))))
    )
