"""The takes of a study by what they are for: tones, steps, probes, sweeps, controls.

Contents: SortedTakes.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from studylib.attribution import controls as control_takes
from studylib.attribution.lines import Lines
from studylib.measure.harmonic_rows import tone_multiple
from studylib.sheets import Take

MountKey = tuple[str, int]
CLEAR = 0.01  # share of a tone that noise or hum may be before its repeats tell of that instead


class SortedTakes:
    """Usable takes, by specimen and mount or by batch.

    planned : every mount that takes.csv has a tone of, usable or not.
    """

    def __init__(
        self, lines: list[Lines], takes: list[Take], *, fundamental_hz: float, sensed: bool
    ) -> None:
        self.tones: dict[MountKey, list[Lines]] = {}
        self.steps: dict[MountKey, dict[float, list[Lines]]] = defaultdict(dict)
        self.probes: dict[MountKey, dict[int, list[Lines]]] = defaultdict(dict)
        self.sweeps: dict[MountKey, list[Lines]] = defaultdict(list)
        self.loopbacks: dict[str, list[Lines]] = defaultdict(list)
        self.airborne: dict[str, list[Lines]] = defaultdict(list)
        self.block_steps: dict[str, dict[float, list[Lines]]] = defaultdict(dict)
        self._block_probes: dict[str, dict[int, list[Lines]]] = defaultdict(dict)
        self.rooms: dict[str, list[Lines]] = defaultdict(list)
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
        if take.moved_mm or take.mic_times:  # another bench than that of its mount
            return
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
                self.rooms[take.batch].append(each)

    def repeats(self) -> list[list[complex]]:
        """The response of every tone that was taken more than once in one mount.

        Groups whose noise, or a mains line of the room in the very bin, is above 1 % of the tone
        tell of that and not of the repeats; they count only where there are no others.
        """
        groups = [(1, group) for group in self.tones.values()]
        groups += [(k, group) for probes in self.probes.values() for k, group in probes.items()]
        groups = [
            (k, group)
            for k, group in groups
            if len(group) > 1 and len({each.take.drive_db for each in group}) == 1
        ]
        clear = [(k, group) for k, group in groups if all(self._clear(each, k) for each in group)]
        found = [[self._ratio(each, k) for each in group] for k, group in clear or groups]
        return [group for group in found if all(np.isfinite(z) and z != 0 for z in group)]

    def _ratio(self, each: Lines, k: int) -> complex:
        below = each.drive[k - 1] if self._sensed else each.drive_factor
        return each.response[k - 1] / below if np.isfinite(below) and below else complex(np.nan)

    def _clear(self, each: Lines, k: int) -> bool:
        lines = [abs(room.response[k - 1]) for room in self.rooms[each.take.batch]]
        beside = max([each.u_response[k - 1], *lines])
        clear = beside < CLEAR * abs(each.response[k - 1])
        if self._sensed:
            clear = clear and each.u_drive[k - 1] < CLEAR * abs(each.drive[k - 1])
        return bool(clear)

    def blocks(self, size: int) -> dict[str, control_takes.Block | None]:
        return {
            batch: control_takes.block_of(steps.get(0.0, []), self._block_probes[batch], size=size)
            for batch, steps in list(self.block_steps.items())
        }
