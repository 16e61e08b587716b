"""T(kf): what a mounted board passes on at each multiple of the tone, and how well it is known.

From a probe tone of the same mount; else, with a sensed drive, from a sweep of the same mount;
else from the board's other mounts, and then the remount spread is in its uncertainty. Without a
sensed drive T is the response to a probe tone at full drive.

Conventions: arrays over k = 1 .. K; relative uncertainties (of ln T, so nepers and radians).

Contents: Transfer, own_transfer, borrowed_transfer.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from studylib.attribution import lines, uncertainty

ELSEWHERE = {
    "attribution.probe": "attribution.other_probe",
    "attribution.sweep": "attribution.other_sweep",
}
# What becomes of several mounts' where another one borrows them.
_POOLED = {"value": np.mean, "dof": sum, "bound": max, "n": sum, "frequency_hz": np.mean}


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


def nothing_known(size: int) -> Transfer:
    """A Transfer without any value."""
    return Transfer(
        np.full(size, np.nan + 0j), np.full(size, np.nan), np.ones(size), np.zeros(size),
        np.ones(size), np.zeros(size), np.zeros(size), np.ones(size), np.full(size, np.nan),
        np.full(size, "", dtype=object), np.full(size, np.nan), np.full(size, np.nan),
    )  # fmt: skip


def own_transfer(
    probes: dict[int, list[lines.Lines]],
    sweeps: Sequence[lines.Lines],
    tone: lines.Lines | None,
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
    known = nothing_known(size)
    for k, takes in probes.items():
        if 2 <= k <= size:
            _set_probe(known, k, takes, sensed=sensed)
    if sensed and sweeps and tone is not None:
        _set_sweep(known, sweeps, tone)
    return known


def _set_probe(known: Transfer, k: int, takes: Sequence[lines.Lines], *, sensed: bool) -> None:
    i = k - 1
    mean = lines.mean_lines(takes)
    # Without a sensor each take stands for full drive by its own drive level.
    full = np.array([take.drive_factor for take in takes])
    response, drive = mean.response[i], mean.drive[i]
    if not sensed:
        response = np.mean(np.array([take.response[i] for take in takes]) / full)
    if not (abs(response) > 0 and (not sensed or abs(drive) > 0)):
        return  # a silent channel tells nothing of what the board passes on
    if sensed:
        u = float(np.hypot(mean.u_response[i] / abs(response), mean.u_drive[i] / abs(drive)))
        each = np.abs([take.drive[i] for take in takes]) / full
        known.drive[i], known.drive_most[i] = each.min(), each.max()
    else:
        noise = np.array([take.u_response[i] for take in takes]) / full
        u = float(np.sqrt((noise**2).sum()) / len(takes) / abs(response))
    known.value[i] = response / drive if sensed else response
    known.u_noise[i], known.dof[i], known.n[i] = u, mean.dof, mean.n
    known.frequency_hz[i], known.source[i] = mean.frequency_hz[i], "attribution.probe"


@np.errstate(divide="ignore", invalid="ignore")
def _set_sweep(known: Transfer, sweeps: Sequence[lines.Lines], tone: lines.Lines) -> None:
    response = np.stack([sweep.response for sweep in sweeps])
    drive = np.stack([sweep.drive for sweep in sweeps])
    single = np.sqrt(tone.n)  # from the mean's noise back to that of one take
    scale = np.array([np.sqrt(tone.seconds / sweep.seconds) for sweep in sweeps])[:, None] * single
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
