"""The takes of a study by what they are for: tones, steps, probes, sweeps, controls.

Contents: SortedTakes.
"""

from collections import defaultdict
from collections.abc import Mapping
from functools import partial

import numpy as np

from studylib.attribution import controls as control_takes
from studylib.attribution.lines import Agreement, Lines, agreement_of, drift_of
from studylib.measure.features import tone_multiple
from studylib.sheets import Take
from studylib.signal.noise import distance_from_mains

MountKey = tuple[str, int]
FOLLOWED_DB = 0.75  # a level control that matters leaves more; takes differ by less
CLEAR = 0.01  # share of a tone that noise or hum may be before its repeats tell of that instead


class SortedTakes:
    """Usable takes, by specimen and mount or by batch.

    planned : every mount that takes.csv has a tone of, usable or not.  turned : mounts in which
    the board lies end for end.
    """

    def __init__(
        self, lines: list[Lines], takes: list[Take], *, fundamental_hz: float, sensed: bool
    ) -> None:
        self.tones: dict[MountKey, list[Lines]] = {}
        # By mount, or of the bench by batch; inside by drive level, or by multiple of the tone.
        self.steps, self.probes, self.block_steps, self._block_probes = (
            defaultdict(lambda: defaultdict(list)) for _ in range(4)
        )
        self.sweeps, self._moved, self.loopbacks, self.airborne, self.rooms = (
            defaultdict(list) for _ in range(5)
        )
        self._sensed = sensed
        self.planned: dict[MountKey, Take] = {}
        self.turned = {(take.specimen, take.mount) for take in takes if take.turned}
        self._fundamental_hz = fundamental_hz
        self._agreements: dict[tuple[str, ...], Agreement] = {}
        # In the order at the bench: by the column order, else by the start.
        at_the_bench = sorted(
            takes, key=lambda t: (t.order is None, t.order or 0, str(t.started or ""))
        )
        self._places = {take.take: place for place, take in enumerate(at_the_bench)}
        for take in takes:
            k = tone_multiple(take.tone_hz, fundamental_hz=fundamental_hz)
            on_bench = take.support == "bench" and not (take.moved_mm or take.mic_times)
            if take.kind == "tone" and k == 1 and take.drive_db == 0 and on_bench:
                self.planned.setdefault((take.specimen, take.mount), take)
        for each in lines:
            self._sort(each, tone_multiple(each.take.tone_hz, fundamental_hz=fundamental_hz))

    def _sort(self, each: Lines, k: int | None) -> None:
        take = each.take
        key = (take.specimen, take.mount)
        if take.moved_mm or take.mic_times:  # another bench than that of its mount
            if take.moved_mm and take.kind == "tone" and k and self._sensed:
                self._moved[key].append((k, each))
            return
        match take.kind:
            case "tone" if k == 1 and take.drive_db == 0:
                self.tones.setdefault(key, []).append(each)
            case "tone" if k == 1:
                self.steps[key][take.drive_db].append(each)
            case "tone" if k:
                self.probes[key][k].append(each)
            case "sweep":
                self.sweeps[key].append(each)
            case "loopback" if k == 1:
                self.loopbacks[take.batch].append(each)
            case "airborne" if k:
                self.airborne[take.batch].append(each)
            case "driver" if k == 1:
                self.block_steps[take.batch][take.drive_db].append(each)
            case "driver" if k:
                self._block_probes[take.batch][k].append(each)
            case "room" | "idle":
                self.rooms[take.batch].append(each)

    def repeats(self) -> list[list[complex]]:
        """The response of every tone that was taken more than once in one mount.

        Groups whose noise, or a mains line of the room in the very bin, is above 1 % of the tone
        tell of that and not of the repeats; they count only where there are no others. Groups whose
        phases lie apart hold no repeats at all.
        """
        tones = [{1: group} for group in self.tones.values()]
        groups = [
            (k, group)
            for own in (*tones, *self.probes.values())
            for k, group in own.items()
            if len(group) > 1
            and len({each.take.drive_db for each in group}) == 1
            and not self.agreement(group).apart[k - 1]
        ]
        clear = [(k, group) for k, group in groups if all(self._clear(each, k) for each in group)]
        found = [[self._ratio(each, k) for each in group] for k, group in clear or groups]
        return [group for group in found if all(np.isfinite(z) and z != 0 for z in group)]

    def agreement(self, takes: list[Lines]) -> Agreement:
        """Agreement of repeats, at each multiple; asked for pooling and again for the verdict."""
        names = tuple(each.take.take for each in takes)
        if names not in self._agreements:
            self._agreements[names] = agreement_of(
                takes, sensed=self._sensed, lines=partial(self._lines, takes[0])
            )
        return self._agreements[names]

    def _lines(self, take: Lines) -> np.ndarray:
        """Where a line of another source was found or must be reckoned with (K,)."""
        mains = [
            distance_from_mains(self._fundamental_hz * k) < 2.0 / take.seconds
            for k in range(1, take.response.size + 1)
        ]
        rooms = [np.abs(room.response) > 0 for room in self.rooms[take.take.batch]]
        return np.any([mains, *rooms], axis=0)

    def probes_agree(self, key: MountKey) -> Agreement:
        """Agreement of a mount's probe tones, each multiple from its own."""
        size = self.tones[key][0].response.size
        apart, looks, angle = np.zeros(size, bool), np.full(size, "", object), np.zeros(size)
        for k, takes in self.probes[key].items():
            if k <= size and len(takes) > 1:
                own = self.agreement(takes)
                apart[k - 1], looks[k - 1], angle[k - 1] = (part[k - 1] for part in own)
        return Agreement(apart, looks, angle)

    def drift(self, key: MountKey) -> np.ndarray:
        """|ln| of T after the tones over T before them, (K,), NaN where it was not probed twice."""
        size = self.tones[key][0].response.size
        out = np.full(size, np.nan)
        first = self._places[self.tones[key][0].take.take]
        for k, takes in self.probes[key].items():
            if k <= size and len(takes) > 1 and self._sensed:
                out[k - 1] = drift_of(takes, k, first=first, places=self._places)
        return out

    @np.errstate(divide="ignore", invalid="ignore")
    def moved_excess(self) -> dict[tuple[str, int], float]:
        """(specimen, multiple) -> excess in dB with the driver moved, from tone and probe tones."""
        passed = [
            (specimen, k, [abs(each.response[k - 1] / each.drive[k - 1]) for each in (tone, probe)])
            for (specimen, _), takes in self._moved.items()
            for k, probe in takes
            for one, tone in takes
            if k > 1 and one == 1 and tone.take.drive_db == 0
        ]
        return {
            (name, k): float(20.0 * np.log10(tone / probe)) for name, k, (tone, probe) in passed
        }

    def air_alike(self, take: Take, wood: Mapping[str, str]) -> bool:
        """Whether an airborne take of the batch stands beside a board of the same wood."""
        return wood.get(take.specimen, "") in {
            wood.get(each.take.specimen, "") for each in self.airborne[take.batch]
        }

    def _ratio(self, each: Lines, k: int) -> complex:
        below = each.drive[k - 1] if self._sensed else each.drive_factor
        return each.response[k - 1] / below if np.isfinite(below) and below else complex(np.nan)

    def _clear(self, each: Lines, k: int) -> bool:
        lines = [abs(room.response[k - 1]) for room in self.rooms[each.take.batch]]
        beside = max([each.u_response[k - 1], *lines])
        of_drive = not self._sensed or each.u_drive[k - 1] < CLEAR * abs(each.drive[k - 1])
        return bool(beside < CLEAR * abs(each.response[k - 1]) and of_drive)

    def blocks(self, size: int) -> dict[str, control_takes.Block | None]:
        full = {batch: steps.get(0.0, []) for batch, steps in self.block_steps.items()}
        return {
            batch: control_takes.block_of(
                # None of them where their phases lie apart.
                [] if len(takes) > 1 and self.agreement(takes).apart.any() else takes,
                self._block_probes[batch],
                size=size,
            )
            for batch, takes in full.items()
        }

    @np.errstate(divide="ignore", invalid="ignore")
    def level_followed(self) -> bool:
        """The recorded fundamental falls as far as the drive does, in all steps that there are."""
        steps = [
            *((group, self.tones.get(key)) for key, group in self.steps.items()),
            *((group, group.get(0.0)) for group in self.block_steps.values()),
        ]
        off = [
            abs(20 * np.log10(abs(low[0].response[0] / full[0].response[0])) - drive_db)
            for group, full in steps
            for drive_db, low in group.items()
            if full and drive_db < 0
        ]
        return bool(off) and max(off) <= FOLLOWED_DB
