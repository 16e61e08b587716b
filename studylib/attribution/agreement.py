"""Do repeats agree as complex numbers? Asked before anything is said of a harmonic.

Repeats of one mount differ by a fraction of a decibel, and by as little in phase. Takes whose
phases lie apart are not repeats of one thing: a channel was inverted in between, a steady line of
another source beats with the harmonic, or a resonance or contact wandered. Their mean says nothing,
however small it is or its interval.

Response over drive is compared where the drive is sensed, pair by pair, because it hangs on no
take's start; a channel alone only for inversion (both channels inverted leave the ratio as it is,
and turn even harmonics against the fundamental's phase). Phases lie apart when noise does not
explain the angle and the rest would move a sum by as much as the margin of a verdict.

Conventions: arrays over k; angles in radians.

Contents: Agreement, agreement_of, drift_of.
"""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from studylib.attribution.lines import Lines

APART = 0.19  # rad; a phasor turned by that moves by 1.5 dB of itself
INVERTED = 2.0  # rad
NOISE_FACTOR = 4.0  # coverage of an angle's noise: one pair of takes in 10,000


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
