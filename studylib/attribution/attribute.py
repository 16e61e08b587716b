"""Attribution: board or driver? One verdict for each specimen, mount and harmonic of the tone.

`attribute` takes the complex amplitudes that the batches left (measure.harmonic_rows) and the rows
of takes.csv, and returns a table with observed and predicted level, the excess with its interval,
the verdict and the reason, and a second one with the drive steps. Spreads between takes and between
mounts are pooled over everything that is handed in; controls hold for their batch.

Contents: Attribution, attribute, attribute_study.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import Any

import numpy as np
import pandas as pd

from studylib import sheets, tables
from studylib.attribution import board_facts, excess, rivals, sorted_takes, uncertainty, verdicts
from studylib.attribution import controls as control_takes
from studylib.attribution.lines import (
    Lines,
    Transfer,
    borrowed_transfer,
    mean_lines,
    own_transfer,
    read_lines,
)
from studylib.sheets.files import grouped

AT_ONCE = 500  # mounts whose evidence is held at one time


@dataclass(frozen=True)
class Attribution:
    """Where the harmonics of a study come from.

    Attributes
    ----------
    table : the table `attribution`: a row a specimen, mount and harmonic, boards as in takes.csv.
    steps : the table `drive_steps`: a row a specimen, mount, harmonic and lower drive.
    take_spread : variances between repeats of one mount, pooled (nepers squared, radians squared).
    """

    table: pd.DataFrame
    steps: pd.DataFrame
    take_spread: uncertainty.Spread


def attribute(
    harmonics: pd.DataFrame,
    takes: Iterable[sheets.Take],
    *,
    fundamental_hz: float,
    harmonics_kept: int,
    sensed: bool,
    boards: Mapping[str, board_facts.BoardFacts] | None = None,
) -> Attribution:
    """Attribute every harmonic of every mount.

    Parameters
    ----------
    harmonics : complex amplitudes, the table `harmonics`.
    takes : the rows of takes.csv behind them.
    fundamental_hz : the study's tone, Hz, above 0.
    harmonics_kept : K, the highest harmonic looked at, 2 or more.
    sensed : the drive channel senses force or acceleration at the driving point.
    boards : what is known of each specimen; one that is missing has no known modes, so that no
        harmonic of it is put down to the driver. None: amplitudes alone, without boards; what a
        board could hide is then not asked, and all count as one wood.

    Returns
    -------
    Attribution : tables without rows where there is no tone.

    Raises
    ------
    KeyError : the table holds a take that is not among `takes`.
    """
    takes = list(takes)
    lines = read_lines(harmonics, takes, size=harmonics_kept)
    if not sensed:
        # A voltage tells nothing of the harmonics, and its noise would spoil every ratio.
        lines = [replace(each, drive=each.drive * np.nan) for each in lines]
    found = sorted_takes.SortedTakes(lines, takes, fundamental_hz=fundamental_hz, sensed=sensed)
    tones = {key: mean_lines(group) for key, group in found.tones.items()}
    keys = dict.fromkeys([*found.planned, *tones])
    groups = grouped((key[0], key) for key in keys)
    alike = [
        group
        for turned in (False, True)
        for group in grouped(
            (key[0], key) for key in keys if (key in found.turned) is turned
        ).values()
    ]
    transfers, remount = _transfers(found, tones, alike, size=harmonics_kept, sensed=sensed)
    spread = uncertainty.take_spread(found.repeats())
    if not spread.df:
        # A remount moves at least as much as a repeat does: the spread between mounts stands in.
        spread = max(
            remount, key=lambda each: each.level if each.df else -1.0, default=uncertainty.NOT_KNOWN
        )
    blocks = found.blocks(harmonics_kept)
    airborne = {
        batch: control_takes.airborne_of(found.airborne[batch], size=harmonics_kept)
        for batch in dict.fromkeys(tone.take.batch for tone in tones.values())
    }
    at_hz = fundamental_hz * np.arange(1, harmonics_kept + 1)
    moves = uncertainty.remount_reach(remount)
    wood = {name: facts.wood for name, facts in (boards or {}).items()}
    modes = {name: boards and boards.get(name, board_facts.BoardFacts()).modes for name in groups}
    hidden = {
        name: board_facts.forced_excess(own, at_hz) if own else None for name, own in modes.items()
    }

    mounts, steps, in_order = [], [], list(chain(*groups.values()))
    for first in range(0, len(in_order), AT_ONCE):
        at_once = in_order[first : first + AT_ONCE]
        # What holds for a mount at every drive.
        at = {
            key: {
                "blocks": blocks,
                "airborne": airborne,
                "take_spread": spread,
                "sensed": sensed,
                "transfer": transfers[key],
                "rows": len(groups[key[0]]) * (harmonics_kept - 1),
                "tones_agree": found.agreement(found.tones[key]),
                "probes_agree": found.probes_agree(key),
                "drift": found.drift(key),
                "hidden": hidden[key[0]],
                "modes_asked": boards is not None,
            }
            for key in at_once
            if key in tones
        }
        full = {key: _evidence(found, tones[key], **own) for key, own in at.items()}
        excesses = excess.excess_of(full)
        for key in at_once:
            lower = {
                drive_db: _evidence(found, mean_lines(takes), **at[key])
                for drive_db, takes in found.steps[key].items()
                if key in full
            }
            own = (
                excess.step_rows(key, full[key], lower, found.block_steps[tones[key].take.batch])
                if lower
                else []
            )
            steps += own
            mounts.append(
                verdicts.mount_numbers(
                    full[key],
                    excesses[key],
                    fundamental_hz=fundamental_hz,
                    steps=own,
                    moves=moves,
                    air_alike=found.air_alike(full[key].tone.take, wood),
                )
                if key in full
                else verdicts.unusable_mount(key, found.planned[key], size=harmonics_kept)
            )
    table = verdicts.judged_table(
        mounts,
        verdicts.WithOthers(
            boards or {},
            rivals.witnesses(blocks, spread),
            found.level_followed(),
            frozenset(found.turned),
            found.moved_excess(),
        ),
    )
    return Attribution(table, tables.typed("drive_steps", steps), spread)


def attribute_study(
    study: sheets.Study,
    harmonics: pd.DataFrame,
    *,
    batches: Iterable[str] | None = None,
    board_modes: pd.DataFrame | None = None,
) -> Attribution:
    """`attribute` with the settings of a study.

    Parameters
    ----------
    study : from `read_study`.
    harmonics : complex amplitudes, the table `harmonics`.
    batches : those that the table of harmonics is from; None for all of the study's.
    board_modes : the table `board_modes`; None: no board's modes are known.

    Returns
    -------
    Attribution : as from `attribute`.

    Raises
    ------
    KeyError : the table holds a take of another batch.
    """
    tone = study.settings.tone
    kept = set(study.batches if batches is None else batches)
    return attribute(
        harmonics,
        [take for take in study.takes if take.batch in kept],
        fundamental_hz=tone.fundamental_hz,
        harmonics_kept=tone.harmonics,
        sensed=study.settings.channels.sensed,
        boards=board_facts.facts_of_study(
            study, tables.empty("board_modes") if board_modes is None else board_modes
        ),
    )


def _transfers(
    found: sorted_takes.SortedTakes,
    tones: Mapping[sorted_takes.MountKey, Lines],
    groups: Sequence[list[sorted_takes.MountKey]],
    *,
    size: int,
    sensed: bool,
) -> tuple[dict[sorted_takes.MountKey, Transfer], list[uncertainty.Spread]]:
    """T of every mount, gaps filled from the others of its group, and the remount spreads.

    A group holds the mounts of one board that lie the same way round.
    """
    own = {
        key: own_transfer(
            found.probes[key], found.sweeps[key], tones.get(key), size=size, sensed=sensed
        )
        for group in groups
        for key in group
    }
    remount = uncertainty.remount_spreads(
        (np.stack([own[key].value for key in group]) for group in groups), size=size
    )
    return {
        key: borrowed_transfer(own[key], [own[other] for other in group if other != key], remount)
        for group in groups
        for key in group
    }, remount


def _evidence(
    found: sorted_takes.SortedTakes,
    tone: Lines,
    *,
    blocks: Mapping[str, control_takes.Block | None],
    airborne: Mapping[str, control_takes.Airborne],
    transfer: Transfer,
    sensed: bool,
    **about: Any,
) -> excess.Evidence:
    """All that bears on one mount; `about`: what else `Evidence` holds of it."""
    batch = tone.take.batch
    loopbacks, block = found.loopbacks[batch], blocks.get(batch)
    gain = {"gain_db": tone.take.gain_db}
    on_drive = control_takes.recorder_of(loopbacks, np.abs(tone.drive), to_level=1.0, **gain)
    shares = _shares(tone, transfer, block, on_drive, sensed=sensed)
    key = (tone.take.specimen, tone.take.mount)
    air = control_takes.air_of(airborne[batch], key, shares)
    return excess.Evidence(
        tone=tone,
        transfer=transfer,
        room=control_takes.room_of(found.rooms[batch], size=tone.response.size),
        recorder=control_takes.recorder_of(
            loopbacks, np.abs(tone.response), to_level=tone.to_level, **gain
        ),
        drive_recorder=on_drive,
        air=air,
        in_air=control_takes.in_air_of(airborne[batch], key, air.level),
        block=None if sensed else block,
        sensed=sensed,
        **about,
    )


@np.errstate(divide="ignore", invalid="ignore")
def _shares(
    tone: Lines,
    transfer: Transfer,
    block: control_takes.Block | None,
    on_drive: control_takes.Source,
    *,
    sensed: bool,
) -> tuple[np.ndarray, np.ndarray]:
    """(least, most) share of full drive at kf that the mounted driver's harmonic amounts to.

    Sensed: the harmonic over the probe tone of the mount, both at the driving point, so that the
    load is the same; the least is without what noise and the recorder (`on_drive`) may have added.
    Else from the block, where the load is another one.
    """
    if sensed:
        drive = np.abs(tone.drive)
        least = np.maximum(drive - uncertainty.or_zero(on_drive.bound) - 2.0 * tone.u_drive, 0.0)
        least = np.where(drive > tone.presence(tone.u_drive), least, 0.0)
        return least / transfer.drive_most, (drive + 2.0 * tone.u_drive) / transfer.drive
    if block is None:
        nothing = np.full(tone.response.size, np.nan)
        return nothing, nothing
    share = np.abs(block.harmonic) / np.abs(block.probe)
    low, high = (10.0 ** (end / 20.0) for end in excess.load_range(share.size))
    return share * low, share * high
