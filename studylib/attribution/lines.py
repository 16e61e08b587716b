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

And T(kf), what a mounted board passes on at each multiple, and how well it is known: from a probe
tone of the same mount; else, with a sensed drive, from a sweep of the same mount; else from the
board's other mounts, and then the remount spread is in its uncertainty. Without a sensed drive T is
the response to a probe tone at full drive. Its uncertainties are relative (of ln T, so nepers and
radians).

Contents: Lines, read_lines, mean_lines; Agreement, agreement_of, drift_of; Transfer, own_transfer,
borrowed_transfer.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache, partial
from typing import NamedTuple

import numpy as np
import pandas as pd

from studylib.attribution import uncertainty
from studylib.sheets import Take
from studylib.signal.tone import presence_factor

APART = 0.19  # rad; a phasor turned by that moves by 1.5 dB of itself
INVERTED = 2.0  # rad
EXPANDED = 2.0  # coverage factor of a found amplitude's own noise
NOISE_FACTOR = 4.0  # coverage of an angle's noise: one pair of takes in 10,000
ELSEWHERE = {
    "attribution.probe": "attribution.other_probe",
    "attribution.sweep": "attribution.other_sweep",
}
# What becomes of several mounts' where another one borrows them.
_POOLED = {"value": np.mean, "dof": sum, "bound": max, "n": sum, "frequency_hz": np.mean}


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

    @cached_property
    def number(self) -> int | None:
        """The multiple k of a take that holds its own tone alone; 1 for one with all harmonics."""
        held = np.flatnonzero(np.isfinite(self.response))
        return None if not held.size else 1 if held.size > 1 else int(held[0]) + 1

    @cached_property
    def found(self) -> tuple[np.ndarray, np.ndarray]:
        """(amplitude or NaN where it is not found, largest amplitude that agrees with the take).

        Found is what stands at twice the limit of noise: at the limit itself, one harmonic in a
        hundred would be found by chance, and a cause is named from it.
        """
        amplitude, limit = np.abs(self.response), self.presence(self.u_response)
        present = amplitude > 2.0 * limit
        return (
            np.where(present, amplitude, np.nan),
            amplitude + np.where(present, EXPANDED * self.u_response, limit),
        )

    @cached_property
    def sensed(self) -> np.ndarray:
        """(K,) the drive channel holds more than noise."""
        return np.abs(self.drive) > self.presence(self.u_drive)

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
    number, names = pd.factorize(used["take"])
    place = used["harmonic"].to_numpy(int) - 1
    inside, settled = place < size, used["usable"].to_numpy(bool)

    def spread(values: np.ndarray) -> np.ndarray:
        out = np.full((len(names), size), np.nan, dtype=values.dtype)
        out[number[inside], place[inside]] = values[inside]
        return out

    response, drive = (
        spread(np.where(settled, used[f"{name}_re"] + 1j * used[f"{name}_im"], np.nan))
        for name in ("response", "drive")
    )
    frequency, u_response, u_drive = (
        spread(used[name].to_numpy(float)) for name in ("frequency_hz", "response_u", "drive_u")
    )
    return [
        Lines(
            take=known[row.take],
            frequency_hz=frequency[i],
            response=response[i] * factor,
            u_response=u_response[i] * factor,
            drive=drive[i],
            u_drive=u_drive[i],
            dof=int(row.dof),
            seconds=float(row.seconds),
            to_level=factor,
            unit=str(row.unit),
        )
        for i, row in enumerate(used.drop_duplicates("take").itertuples())
        for factor in [10.0 ** (float(row.offset_db) / 20.0)]
    ]


@np.errstate(divide="ignore", invalid="ignore")
def mean_lines(takes: Sequence[Lines]) -> Lines:
    """The complex mean of repeats, with its uncertainty from noise and the repeats' scatter."""
    if len(takes) == 1:
        nothing = np.zeros(takes[0].response.size)
        return replace(takes[0], scatter=nothing * np.nan, lowest=nothing, highest=nothing)
    response, drive = (np.stack([getattr(t, c) for t in takes]) for c in ("response", "drive"))
    # Over the takes that have a level there; over all where none has one.
    there = np.isfinite(response)
    there |= ~there.any(axis=0)

    def total(each: np.ndarray) -> np.ndarray:
        return np.where(there, each, 0.0).sum(axis=0)

    count = there.sum(axis=0)
    mean, mean_drive = total(response) / count, total(drive) / count
    # Where the drive channel holds only noise, a ratio to it would scatter with that noise.
    divided = np.all([np.abs(t.drive) > t.presence(t.u_drive) for t in takes], axis=0)
    each = np.log(np.abs(np.where(divided, response / drive, response)))
    middle = np.log(np.where(divided, np.abs(mean) / np.abs(mean_drive), np.abs(mean)))
    return replace(
        takes[0],
        frequency_hz=np.mean([take.frequency_hz for take in takes], axis=0),
        response=mean,
        u_response=np.sqrt(total(np.square([take.u_response for take in takes]))) / count,
        drive=mean_drive,
        u_drive=np.sqrt(total(np.square([take.u_drive for take in takes]))) / count,
        dof=sum(take.dof for take in takes),
        n=len(takes),
        scatter=each.std(axis=0, ddof=1),
        lowest=each.min(axis=0) - middle,
        highest=each.max(axis=0) - middle,
    )


def at_full_drive(takes: Sequence[Lines], channel: str, k: int) -> tuple[complex, float]:
    """Mean amplitude of a channel at the multiple k, and its standard uncertainty; each take stands
    for full drive by its own drive level."""
    full = np.array([take.drive_factor for take in takes])
    each, u = (
        np.array([getattr(take, name)[k - 1] for take in takes]) / full
        for name in (channel, f"u_{channel}")
    )
    return np.mean(each), float(np.sqrt((u**2).sum()) / len(takes))


# ---------------------------------------------------------------- do repeats agree?


class Agreement(NamedTuple):
    """apart : (K,) the repeats' phases lie apart;  looks : (K,) a code, "" where they agree;
    angle : (K,) the widest angle between two of them."""

    apart: np.ndarray
    looks: np.ndarray
    angle: np.ndarray


@np.errstate(divide="ignore", invalid="ignore")
def agreement_of(
    takes: Sequence[Lines], *, sensed: bool, lines: Callable[[], np.ndarray]
) -> Agreement:
    """Whether the takes agree in phase at each multiple.

    Parameters
    ----------
    takes : repeats of one tone in one mount; a take without a level somewhere is left out there.
    lines : gives, (K,), where a line of another source was found or must be reckoned with; asked
        only where takes do not agree.
    """
    response, drive = (np.stack([getattr(t, c) for t in takes]) for c in ("response", "drive"))
    noise = np.stack([take.u_response for take in takes]) / np.abs(response)
    u_drive = np.stack([take.u_drive for take in takes]) / np.abs(drive)
    ratio, apart_u = (response / drive, np.hypot(noise, u_drive)) if sensed else (response, noise)
    # Of the ratio and of both channels at once.
    (angle, *_), (beyond, *of_channels) = _widest(
        np.stack([ratio, response, drive], axis=1), np.stack([apart_u, noise, u_drive], axis=1)
    )
    apart = (beyond > APART) | (sensed & (np.minimum(*of_channels) > INVERTED))
    if not apart.any():
        return Agreement(apart, np.full(apart.size, "", dtype=object), angle)
    looks = np.select(
        [
            ~apart,
            beyond <= APART,
            _widest(ratio, apart_u, times=2)[1] <= APART,  # all angles 0 or half a turn
            lines(),
        ],
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
    """Widest angle between two takes (..., K), and the most that noise leaves of one; 0 for no
    pair.

    value, u : (takes, ..., K).
    times : parts of a full turn, a whole one of which counts as none.
    """
    a, b = _pairs(len(value))
    angle = np.abs(np.angle((value[a] * value[b].conj()) ** times)) / times
    left = angle - NOISE_FACTOR * np.hypot(u[a], u[b])
    return tuple(np.fmax.reduce(part, axis=0, initial=0.0) for part in (angle, left))


_pairs = lru_cache(partial(np.triu_indices, k=1))


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


# ---------------------------------------------------------------- what a board passes on


@dataclass(frozen=True)
class Transfer:
    """T at each multiple: value complex (K,), NaN where unknown.

    u_noise : relative, from noise, with `dof`;  bound : relative bound on what a sweep's end cut
    off;  n : takes behind it;  u_remount, df_remount : level spread of being from other mounts, 0
    where it is not;  phase_remount : the same for the phase;  frequency_hz : where it was
    measured;  source : a code, "" where unknown.
    drive, drive_most : |drive| that a probe tone has at full drive, NaN without one; from other
    mounts the least and the most of them.
    """

    value: np.ndarray
    u_noise: np.ndarray
    dof: np.ndarray
    bound: np.ndarray
    n: np.ndarray
    u_remount: np.ndarray
    phase_remount: np.ndarray
    df_remount: np.ndarray
    frequency_hz: np.ndarray
    source: np.ndarray
    drive: np.ndarray
    drive_most: np.ndarray


def own_transfer(
    probes: dict[int, list[Lines]],
    sweeps: Sequence[Lines],
    tone: Lines | None,
    *,
    size: int,
    sensed: bool,
) -> Transfer:
    """T from the takes of one mount.

    Parameters
    ----------
    probes : multiple -> takes of that probe tone.
    sweeps : sweeps of the mount (used with a sensed drive).
    tone : the mount's steady tone, whose noise stands for the sweep's; None without one.
    """
    # Nothing is known at first.
    known = Transfer(
        np.full(size, np.nan + 0j), np.full(size, np.nan), np.ones(size), np.zeros(size),
        np.ones(size), np.zeros(size), np.zeros(size), np.ones(size), np.full(size, np.nan),
        np.full(size, "", dtype=object), np.full(size, np.nan), np.full(size, np.nan),
    )  # fmt: skip
    for k, takes in probes.items():
        if 2 <= k <= size:
            _set_probe(known, k, takes, sensed=sensed)
    if sensed and sweeps and tone is not None:
        _set_sweep(known, sweeps, tone)
    return known


def _set_probe(known: Transfer, k: int, takes: Sequence[Lines], *, sensed: bool) -> None:
    i, mean = k - 1, mean_lines(takes)
    at_full, u_full = at_full_drive(takes, "response", k)
    response, drive = mean.response[i] if sensed else at_full, mean.drive[i]
    if not (abs(response) > 0 and (not sensed or abs(drive) > 0)):
        return  # a silent channel tells nothing of what the board passes on
    if sensed:
        each = np.abs([take.drive[i] for take in takes]) / [take.drive_factor for take in takes]
        known.drive[i], known.drive_most[i] = each.min(), each.max()
        known.value[i] = response / drive
        known.u_noise[i] = np.hypot(
            mean.u_response[i] / abs(response), mean.u_drive[i] / abs(drive)
        )
    else:
        known.value[i], known.u_noise[i] = response, u_full / abs(response)
    known.dof[i], known.n[i] = mean.dof, mean.n
    known.frequency_hz[i], known.source[i] = mean.frequency_hz[i], "attribution.probe"


@np.errstate(divide="ignore", invalid="ignore")
def _set_sweep(known: Transfer, sweeps: Sequence[Lines], tone: Lines) -> None:
    response, drive = (np.stack([getattr(s, c) for s in sweeps]) for c in ("response", "drive"))
    # From the mean's noise back to that of one take.
    scale = np.sqrt([[tone.seconds / sweep.seconds] for sweep in sweeps]) * np.sqrt(tone.n)
    value = (response / drive).mean(axis=0)
    u = np.hypot(tone.u_response * scale / np.abs(response), tone.u_drive * scale / np.abs(drive))
    u = np.sqrt((u**2).sum(axis=0)) / len(sweeps)
    bound = np.max(
        [(s.u_response / np.abs(s.response)) + (s.u_drive / np.abs(s.drive)) for s in sweeps],
        axis=0,
    )
    fill = (known.source == "") & np.isfinite(value) & (u < 0.5)
    fill[0] = False
    for name, values in (
        *(("value", value), ("u_noise", u), ("dof", tone.dof), ("bound", bound)),
        *(("n", len(sweeps)), ("frequency_hz", sweeps[0].frequency_hz)),
        ("source", "attribution.sweep"),
    ):
        np.copyto(getattr(known, name), values, where=fill)


def borrowed_transfer(
    own: Transfer, others: Sequence[Transfer], remount: Sequence[uncertainty.Spread]
) -> Transfer:
    """A copy in which what a mount lacks comes from the board's other mounts, with the remount
    spread added."""
    own = Transfer(**{name: value.copy() for name, value in vars(own).items()})
    if others:
        # The smaller drive makes the larger share of full drive, and so the larger leak.
        nowhere = np.isnan(own.drive)
        least = np.fmin.reduce([other.drive for other in others])
        most = np.fmax.reduce([other.drive_most for other in others])
        own.drive[nowhere], own.drive_most[nowhere] = least[nowhere], most[nowhere]
    for i in np.flatnonzero(own.source == ""):
        found = [other for other in others if other.source[i]]
        if i == 0 or not found or not remount[i].df:
            continue
        for name, pooled in _POOLED.items():
            getattr(own, name)[i] = pooled([getattr(other, name)[i] for other in found])
        own.u_noise[i] = np.sqrt(sum(other.u_noise[i] ** 2 for other in found)) / len(found)
        # This mount is one draw, the mean of the others as many draws as there are.
        spread = np.sqrt(np.multiply(remount[i][:2], 1 + 1 / len(found)))
        own.u_remount[i], own.phase_remount[i] = spread
        own.df_remount[i] = remount[i].df
        own.source[i] = ELSEWHERE[found[0].source[i]]
    return own
