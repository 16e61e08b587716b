"""Attribution: board or driver? One verdict for each specimen, mount and harmonic of the tone.

`attribute` takes the complex amplitudes that the batches left (measure.harmonic_rows) and the rows
of takes.csv, and returns a table with observed and predicted level, the excess with its interval,
the verdict and the reason, and a second one with the drive steps. Spreads between takes and between
mounts are pooled over everything that is handed in; controls hold for their batch.

Contents: Attribution, attribute, attribute_study, ATTRIBUTION_COLUMNS.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib.attribution import controls as control_takes
from studylib.attribution.advice import CONTROLS
from studylib.attribution.excess import Evidence, excess_of, load_range
from studylib.attribution.lines import Lines, mean_lines, read_lines
from studylib.attribution.spreads import NOT_KNOWN, Spread, remount_spreads, take_spread
from studylib.attribution.steps import step_rows, steps_table
from studylib.attribution.transfers import Transfer, borrowed_transfer, own_transfer
from studylib.attribution.verdicts import BEYOND, DRIVER, NOISE, judge
from studylib.measure.features import has_sensed_drive
from studylib.measure.harmonic_rows import tone_multiple
from studylib.sheets import Study, Take

ATTRIBUTION_COLUMNS = [
    "specimen", "mount", "harmonic", "observed_db", "predicted_db", "excess_db", "low", "high",
    "verdict", "reason", "unit", "u", "phase_deg", "route", "noise_db", "air_db", "air_is_limit",
    "recorder_db", "recorder_is_limit", "hum_db", "settle", "batch",
]  # fmt: skip

MountKey = tuple[str, int]


@dataclass(frozen=True)
class Attribution:
    """table : ATTRIBUTION_COLUMNS, ordered as takes.csv; steps : see steps.py.

    take_spread : pooled over repeats (nepers, radians);  remount : the same between mounts, for
    each multiple.
    """

    table: pd.DataFrame
    steps: pd.DataFrame
    take_spread: Spread
    remount: list[Spread]


def attribute(
    harmonics: pd.DataFrame,
    takes: Iterable[Take],
    *,
    fundamental_hz: float,
    harmonics_kept: int,
    sensed: bool,
) -> Attribution:
    """Attribute every harmonic of every mount.

    Parameters
    ----------
    harmonics : complex amplitudes, columns of measure.harmonic_rows.HARMONIC_COLUMNS.
    takes : the rows of takes.csv behind them.
    fundamental_hz : the study's tone.
    harmonics_kept : K, the highest harmonic looked at.
    sensed : the drive channel senses force or acceleration at the driving point.
    """
    takes = list(takes)
    found = _Sorted(
        read_lines(harmonics, takes, size=harmonics_kept), takes, fundamental_hz, sensed
    )
    size = harmonics_kept
    tones = {key: mean_lines(group) for key, group in found.tones.items()}
    keys = list(dict.fromkeys([*found.planned, *tones]))
    own = {
        key: own_transfer(
            found.probes[key], found.sweeps[key], tones.get(key), size=size, sensed=sensed
        )
        for key in keys
    }
    boards = _by_specimen(keys)
    remount = remount_spreads(
        (np.stack([own[key].value for key in mounts]) for mounts in boards.values()), size=size
    )
    spread = take_spread(found.repeats())
    if not spread.df:
        # A remount moves at least as much as a repeat does: the spread between mounts stands in.
        spread = max(remount, key=lambda each: each.level if each.df else -1.0, default=NOT_KNOWN)
    for mounts in boards.values():
        known = {key: own[key] for key in mounts}
        for key in mounts:
            others = [_copy(known[other]) for other in mounts if other != key]
            own[key] = borrowed_transfer(_copy(own[key]), others, remount)
    blocks, rooms = found.blocks(size), found.rooms(size)
    frames, steps = [], []
    for key in keys:
        if key not in tones:
            frames.append(_nothing(key, found.planned[key], size))
            continue
        tone = tones[key]
        batch = tone.take.batch
        evidence = Evidence(
            tone=tone,
            transfer=own[key],
            room=rooms.get(batch) or control_takes.room_of([], size=size),
            recorder=control_takes.recorder_of(
                found.loopbacks[batch], abs(tone.response[0]), to_level=tone.to_level, size=size
            ),
            drive_recorder=control_takes.recorder_of(
                found.loopbacks[batch], abs(tone.drive[0]), to_level=1.0, size=size
            ),
            air=control_takes.air_of(
                found.airborne[batch],
                key,
                _shares(tone, own[key], blocks.get(batch), sensed=sensed),
            ),
            block=None if sensed else blocks.get(batch),
            take_spread=spread,
            sensed=sensed,
            rows=len(boards[key[0]]) * (size - 1),
        )
        frames.append(_numbers(evidence, fundamental_hz))
        steps += step_rows(
            key, tone, found.steps[key], found.block_steps[batch],
            spread=spread, sensed=sensed, rows=evidence.rows,
        )  # fmt: skip
    table = _judged(pd.concat(frames, ignore_index=True)) if frames else _empty()
    return Attribution(table, steps_table(steps), spread, remount)


def attribute_study(
    study: Study, harmonics: pd.DataFrame, *, batches: Iterable[str] | None = None
) -> Attribution:
    """`attribute` with the settings of a study.

    batches : those that the table of harmonics is from; None for all of the study's.
    """
    tone = study.settings.tone
    kept = set(study.batches if batches is None else batches)
    return attribute(
        harmonics,
        [take for take in study.takes if take.batch in kept],
        fundamental_hz=tone.fundamental_hz,
        harmonics_kept=tone.harmonics,
        sensed=has_sensed_drive(study.settings),
    )


class _Sorted:
    """The takes by what they are for."""

    def __init__(
        self, lines: list[Lines], takes: list[Take], fundamental_hz: float, sensed: bool
    ) -> None:
        self.tones: dict[MountKey, list[Lines]] = {}
        self.steps: dict[MountKey, dict[float, list[Lines]]] = defaultdict(dict)
        self.probes: dict[MountKey, dict[int, list[Lines]]] = defaultdict(dict)
        self.sweeps: dict[MountKey, list[Lines]] = defaultdict(list)
        self.loopbacks: dict[str, list[Lines]] = defaultdict(list)
        self.airborne: dict[str, list[Lines]] = defaultdict(list)
        self.block_steps: dict[str, dict[float, list[Lines]]] = defaultdict(dict)
        self._block_probes: dict[str, dict[int, list[Lines]]] = defaultdict(dict)
        self._rooms: dict[str, list[Lines]] = defaultdict(list)
        self._sensed = sensed
        self.planned: dict[MountKey, Take] = {}
        for take in takes:
            k = tone_multiple(take.tone_hz, fundamental_hz=fundamental_hz)
            if take.kind == "tone" and k == 1 and take.drive_db == 0 and take.support == "bench":
                self.planned.setdefault((take.specimen, take.mount), take)
        for each in lines:
            self._sort(each, tone_multiple(each.take.tone_hz, fundamental_hz=fundamental_hz))

    def _sort(self, each: Lines, k: int | None) -> None:
        take = each.take
        key = (take.specimen, take.mount)
        match take.kind:
            case "tone" if k == 1 and take.drive_db == 0:
                self.tones.setdefault(key, []).append(each)
            case "tone" if k == 1:
                self.steps[key].setdefault(take.drive_db, []).append(each)
            case "tone" if k:
                self.probes[key].setdefault(k, []).append(each)
            case "sweep":
                self.sweeps[key].append(each)
            case "loopback" if k == 1:
                self.loopbacks[take.batch].append(each)
            case "airborne" if k:
                self.airborne[take.batch].append(each)
            case "driver" if k == 1:
                self.block_steps[take.batch].setdefault(take.drive_db, []).append(each)
            case "driver" if k:
                self._block_probes[take.batch].setdefault(k, []).append(each)
            case "room":
                self._rooms[take.batch].append(each)

    def repeats(self) -> list[list[complex]]:
        """The response of every tone that was taken more than once in one mount."""
        groups = [(1, group) for group in self.tones.values()]
        groups += [(k, group) for probes in self.probes.values() for k, group in probes.items()]
        return [
            [
                each.response[k - 1] / (each.drive[k - 1] if self._sensed else each.drive_factor)
                for each in group
            ]
            for k, group in groups
            if len(group) > 1 and len({each.take.drive_db for each in group}) == 1
        ]

    def blocks(self, size: int) -> dict[str, control_takes.Block | None]:
        return {
            batch: control_takes.block_of(steps.get(0.0, []), self._block_probes[batch], size=size)
            for batch, steps in list(self.block_steps.items())
        }

    def rooms(self, size: int) -> dict[str, control_takes.Room]:
        return {b: control_takes.room_of(group, size=size) for b, group in self._rooms.items()}


def _by_specimen(keys: Iterable[MountKey]) -> dict[str, list[MountKey]]:
    boards: dict[str, list[MountKey]] = {}
    for key in keys:
        boards.setdefault(key[0], []).append(key)
    return boards


@np.errstate(divide="ignore", invalid="ignore")
def _shares(
    tone: Lines, transfer: Transfer, block: control_takes.Block | None, *, sensed: bool
) -> tuple[np.ndarray, np.ndarray]:
    """(least, most) share of full drive at kf that the mounted driver's harmonic amounts to.

    Sensed: the harmonic over the probe tone of the mount, both at the driving point, so that the
    load is the same. Else from the block, where the load is another one.
    """
    if sensed:
        share = np.abs(tone.drive) / transfer.drive
        return share, (np.abs(tone.drive) + 2.0 * tone.u_drive) / transfer.drive
    if block is None:
        nothing = np.full(tone.response.size, np.nan)
        return nothing, nothing
    share = np.abs(block.harmonic) / np.abs(block.probe)
    low, high = (10.0 ** (end / 20.0) for end in load_range(share.size))
    return share * low, share * high


def _copy(transfer: Transfer) -> Transfer:
    return Transfer(**{name: value.copy() for name, value in vars(transfer).items()})


@np.errstate(divide="ignore", invalid="ignore")
def _numbers(evidence: Evidence, fundamental_hz: float) -> pd.DataFrame:
    """All numbers of one mount from k = 2 up, for the verdicts."""
    tone, found = evidence.tone, excess_of(evidence)
    size = found.observed.size
    k = np.arange(1, size + 1)
    load_low, load_high = load_range(size)
    frame = pd.DataFrame(
        {
            "specimen": tone.take.specimen,
            "mount": tone.take.mount,
            "harmonic": k,
            "observed_db": found.observed,
            "predicted_db": found.predicted,
            "excess_db": found.excess,
            "low": found.low,
            "high": found.high,
            "least": found.least,
            "unit": tone.unit,
            "u": found.u,
            "phase_deg": found.phase_deg,
            "route": evidence.transfer.source,
            "noise_db": found.noise,
            **_source("air", evidence.air),
            **_source("recorder", evidence.recorder),
            # Tested and nothing found: minus infinity; not tested: NaN.
            "hum_db": 20.0 * np.log10(evidence.room.line),
            "batch": tone.take.batch,
            "present": found.present,
            "driven": found.driven,
            "restless": found.restless,
            "widest": found.widest,
            "loosest": found.loosest,
            "phase_off": found.phase_off,
            "sensed": evidence.sensed,
            "air_known": np.isfinite(evidence.transfer.drive) | (not evidence.sensed),
            "has_block": evidence.block is not None,
            "repeats_known": bool(evidence.take_spread.df),
            "bin_hz": 1.0 / tone.seconds,
            "tone_hz": fundamental_hz,
            "at_hz": fundamental_hz * k,
            "load_low": load_low,
            "load_high": load_high,
        }
    )
    # Harmonics above half the rate were never recorded.
    return frame[(k > 1) & np.isfinite(np.abs(tone.response))]


def _source(name: str, source: control_takes.Source) -> dict[str, np.ndarray]:
    limit = np.isnan(source.level)
    level = 20.0 * np.log10(np.where(limit, source.bound, source.level))
    return {f"{name}_db": level, f"{name}_is_limit": limit & ~np.isnan(source.bound)}


def _nothing(key: MountKey, take: Take, size: int) -> pd.DataFrame:
    """A mount that was planned and has no usable take of the tone."""
    return pd.DataFrame(
        {
            "specimen": key[0],
            "mount": key[1],
            "harmonic": np.arange(2, size + 1),
            "observed_db": np.nan,
            "batch": take.batch,
            "unit": "",
            "route": "",
            "air_is_limit": False,
            "recorder_is_limit": False,
        }
    )


def _judged(numbers: pd.DataFrame) -> pd.DataFrame:
    judged = [judge(row) for row in numbers.itertuples(index=False)]
    numbers = numbers.assign(
        verdict=[each.verdict for each in judged],
        reason=[each.reason for each in judged],
        settle=[CONTROLS[each.settle].name if each.settle else "" for each in judged],
    )
    # Of what is not above the noise there is no excess to speak of.
    numbers = numbers.reindex(columns=ATTRIBUTION_COLUMNS)
    quiet = numbers["verdict"] == NOISE
    numbers.loc[quiet, ["excess_db", "low", "high", "u", "phase_deg"]] = np.nan
    return _with_other_mounts(numbers)


def _with_other_mounts(table: pd.DataFrame) -> pd.DataFrame:
    """Say of an excess whether it comes with the board or with one mounting of it."""
    beyond = table["verdict"] == BEYOND
    if not beyond.any():
        return table
    groups = table.groupby(["specimen", "harmonic"])["verdict"]
    counts = pd.DataFrame(
        {
            "mounts": groups.size(),
            "beyond": groups.agg(lambda verdicts: int((verdicts == BEYOND).sum())),
            "driver": groups.agg(lambda verdicts: int((verdicts == DRIVER).sum())),
        }
    )
    reasons = table["reason"].tolist()
    for index in np.flatnonzero(beyond.to_numpy()):
        row = table.iloc[index]
        reasons[index] += _where(*counts.loc[(row["specimen"], row["harmonic"])])
    return table.assign(reason=reasons)


def _where(mounts: int, beyond: int, driver: int) -> str:
    if mounts == 1:
        return "; mount the board again and see whether it comes back"
    if beyond == mounts:
        return f"; it is there in all {mounts} mounts of this board"
    if not driver:
        return "; what the board's other mounts do here is not known"
    return (
        f"; in {driver} of the board's {mounts} mounts the driver alone explains it, so it comes "
        "with a mounting (a loose contact) rather than with the wood"
    )


def _empty() -> pd.DataFrame:
    return pd.DataFrame(columns=ATTRIBUTION_COLUMNS)
