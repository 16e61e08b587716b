"""The order of a batch: which board is set up when, and what is recorded while it is.

- Every wood is in every batch. Where the mountings of a board can be shared out evenly, each board
  is in every batch; else boards are dealt to the batches, those of one plank to different ones.
- A batch runs in rounds, and each round has every board of the batch once, so that the mountings of
  one board lie far apart. Within a round a wood's boards are drawn at random and spread evenly
  (with equal numbers: blocks of one board of each wood), so that no wood is early or late.
- The reference stands at the start, in the middle and at the end; the changed specimen is next to
  the middle one.
- Within a mounting quiet comes before loud, and taps, with the driver silent, come last.
- Controls: the silent room first and last; the recorder into itself; the driver on the block where
  no sensor feels what enters the board; the driver in the air beside the first board mounted.

Nothing here is written; `takes_file` does that. The order hangs on the seed alone.

Functions: `plan_batches`, `minutes_of`. Classes: `Step`, `Batch`.
Source of the blocks: randomised complete blocks, as in Box, Hunter and Hunter, Statistics for
Experimenters (recalled).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from studylib.errors import InputError
from studylib.measure.features import has_sensed_drive
from studylib.sheets import Study
from studylib.sheets.rows import Specimen
from studylib.sheets.settings import Plan, Settings
from studylib.words.text import listed, shown


@dataclass(frozen=True)
class Step:
    """One recording to be made; the fields are those of takes.csv."""

    kind: str
    specimen: str = ""
    mount: int | None = None
    repeat: int = 1
    tone_hz: float | None = None
    drive_db: float = 0.0
    support: str = "bench"


@dataclass(frozen=True)
class Batch:
    """One sitting: its steps in run order, and how often a board is set up."""

    name: str
    steps: tuple[Step, ...]
    mounts: int


@dataclass
class _Numbers:
    """The next mount number of each specimen, on the bench and free."""

    last: dict[tuple[str, str], int] = field(default_factory=dict)

    def next(self, specimen: str, support: str) -> int:
        number = self.last.get((specimen, support), 0) + 1
        self.last[specimen, support] = number
        return number


def plan_batches(boards: Study, *, seed: int) -> list[Batch]:
    """The batches that [plan] of study.toml asks for, in run order.

    Study that have no take yet are scheduled; where every board has some, each is mounted once
    more in each batch. Numbers of batches and mounts go on from what takes.csv holds.

    Parameters
    ----------
    seed : 0 or more; the same seed and sheets give the same order.

    Raises
    ------
    InputError : no boards, a wood with fewer boards than batches, or a batch that does not fit
        into the minutes of a day.
    """
    plan, rng = boards.settings.plan, random.Random(seed)
    taken = [*boards.takes, *boards.planned]
    numbers = _Numbers()
    for take in taken:
        if take.specimen and take.mount:
            place = (take.specimen, take.support)
            numbers.last[place] = max(numbers.last.get(place, 0), take.mount)
    woods, known = _woods(boards, {take.specimen for take in taken})
    mounts, dealt = (1, [woods] * plan.batches) if known else _share_out(woods, plan, rng)
    batches = []
    for name, group in zip(_names(boards, plan.batches), dealt, strict=True):
        batches.append(_batch(name, group, mounts, boards, numbers, rng))
    _fits(batches, plan)
    return batches


def minutes_of(batch: Batch, plan: Plan) -> float:
    """How long a batch takes by the minutes of [plan]."""
    return batch.mounts * plan.minutes_mount + len(batch.steps) * plan.minutes_take


def _woods(boards: Study, seen: set[str | None]) -> tuple[dict[str, list[Specimen]], bool]:
    """Study to be scheduled by wood, and whether all of them were scheduled before."""
    woods = boards.boards_by_wood
    if not woods:
        raise InputError(
            "specimens.csv has no board under comparison; write one row for each board, then the "
            "schedule can be made"
        )
    new = {wood: [s for s in own if s.specimen not in seen] for wood, own in woods.items()}
    fresh = {wood: own for wood, own in new.items() if own}
    chosen = fresh or woods
    if len(chosen) < 2:
        raise InputError(
            f"specimens.csv: the boards to be scheduled are all of {shown(next(iter(chosen)))}; a "
            "batch without another wood compares nothing, so add boards of the others"
        )
    return chosen, not fresh


def _share_out(
    woods: Mapping[str, Sequence[Specimen]], plan: Plan, rng: random.Random
) -> tuple[int, list[dict[str, list[Specimen]]]]:
    """Mounts of a board in each of its batches, and the boards of each batch by wood."""
    if plan.mounts % plan.batches == 0:
        whole = {wood: list(own) for wood, own in woods.items()}
        return plan.mounts // plan.batches, [whole for _ in range(plan.batches)]
    few = [wood for wood, own in woods.items() if len(own) < plan.batches]
    if few:
        counts = listed(f"{len(woods[wood])} of {shown(wood)}" for wood in few)
        raise InputError(
            f"study.toml, [plan] batches: there are only {counts} to be dealt to {plan.batches} "
            "batches, so that a batch would be without that wood; plan fewer batches, or mounts "
            f"as a multiple of {plan.batches}, so that every board is in every batch"
        )
    dealt: list[dict[str, list[Specimen]]] = [{} for _ in range(plan.batches)]
    place = rng.randrange(plan.batches)
    for wood, own in woods.items():
        for specimen in _by_plank(own, rng):
            dealt[place % plan.batches].setdefault(wood, []).append(specimen)
            place += 1
    return plan.mounts, dealt


def _by_plank(own: Sequence[Specimen], rng: random.Random) -> list[Specimen]:
    """In random order, with the boards of one plank side by side, so that dealing parts them."""
    order = {source: rng.random() for source in dict.fromkeys(s.source for s in own)}
    return sorted(own, key=lambda s: (order[s.source], rng.random()))


def _names(boards: Study, count: int) -> Iterator[str]:
    """day1, day2, ... going on after the batches that are there."""
    known = {take.batch for take in (*boards.takes, *boards.planned)}
    number = len(known)
    for _ in range(count):
        number += 1
        while f"day{number}" in known:
            number += 1
        yield f"day{number}"


def _batch(
    name: str,
    group: Mapping[str, Sequence[Specimen]],
    mounts: int,
    boards: Study,
    numbers: _Numbers,
    rng: random.Random,
) -> Batch:
    settings = boards.settings
    order = _mounting_order(group, mounts, boards, rng)
    free = [s for s in dict.fromkeys(order) if not numbers.last.get((s, "free"))]
    free = [s for s in free if s not in {c.specimen for c in boards.with_role("changed")}]
    steps = list(_before(settings))
    for place, specimen in enumerate(order):
        first = not numbers.last.get((specimen, "bench"))
        mount = numbers.next(specimen, "bench")
        if place == 0:
            steps += _airborne(specimen, mount, settings)
        steps += _mounted(specimen, mount, settings, steps_too=first)
    rng.shuffle(free)
    for specimen in free if settings.plan.free_taps else []:
        mount = numbers.next(specimen, "free")
        steps += [
            Step("tap", specimen, mount, repeat, support="free")
            for repeat in range(1, settings.plan.free_taps + 1)
        ]
    steps += _after(settings)
    return Batch(name, tuple(steps), len(order))


def _mounting_order(
    group: Mapping[str, Sequence[Specimen]], mounts: int, boards: Study, rng: random.Random
) -> list[str]:
    order: list[str] = []
    for _ in range(mounts):
        block = _round(group, rng)
        # The same board twice in a row would be no remount far apart.
        while len(block) > 1 and order and block[0] == order[-1]:
            block = _round(group, rng)
        order += block
    middle = len(order) // 2
    between = [s.specimen for s in boards.with_role("changed")]
    reference = [s.specimen for s in boards.with_role("reference")]
    between += reference
    rng.shuffle(between)
    return [*reference, *order[:middle], *between, *order[middle:], *reference]


def _round(group: Mapping[str, Sequence[Specimen]], rng: random.Random) -> list[str]:
    """Every board once; each wood's boards spread evenly, in random order."""
    placed = []
    for own in group.values():
        names = [s.specimen for s in own]
        rng.shuffle(names)
        placed += [((j + rng.random()) / len(names), name) for j, name in enumerate(names)]
    return [name for _, name in sorted(placed)]


def _tones(settings: Settings) -> list[float]:
    return [settings.tone.fundamental_hz * k for k in (1, *settings.plan.probes)]


def _before(settings: Settings) -> Iterator[Step]:
    if settings.channels.calibrator_db is not None:
        yield Step("calibrator")
    yield Step("room")
    yield Step("loopback", tone_hz=settings.tone.fundamental_hz)
    if not has_sensed_drive(settings):
        for drive_db in sorted(settings.plan.drive_steps_db):
            yield Step("driver", tone_hz=settings.tone.fundamental_hz, drive_db=drive_db)
        for tone_hz in _tones(settings):
            yield Step("driver", tone_hz=tone_hz)


def _airborne(specimen: str, mount: int, settings: Settings) -> Iterator[Step]:
    for tone_hz in _tones(settings):
        yield Step("airborne", specimen, mount, tone_hz=tone_hz)


def _mounted(specimen: str, mount: int, settings: Settings, *, steps_too: bool) -> Iterator[Step]:
    plan, tone_hz = settings.plan, settings.tone.fundamental_hz
    on = Step("tone", specimen, mount, tone_hz=tone_hz)
    if settings.sweep.known:
        for repeat in range(1, plan.sweeps + 1):
            yield Step("sweep", specimen, mount, repeat, drive_db=plan.sweep_db)
    for drive_db in sorted(plan.drive_steps_db) if steps_too else ():
        yield replace(on, drive_db=drive_db)
    for repeat in range(1, plan.takes + 1):
        yield replace(on, repeat=repeat)
    for probe_hz in _tones(settings)[1:]:
        yield replace(on, tone_hz=probe_hz)
    for repeat in range(1, plan.taps + 1):
        yield Step("tap", specimen, mount, repeat)


def _after(settings: Settings) -> Iterator[Step]:
    yield Step("room", repeat=2)
    if settings.channels.calibrator_db is not None:
        yield Step("calibrator", repeat=2)


def _fits(batches: Sequence[Batch], plan: Plan) -> None:
    longest = max(batches, key=lambda batch: minutes_of(batch, plan))
    minutes = minutes_of(longest, plan)
    if minutes <= plan.minutes_day:
        return
    raise InputError(
        f"study.toml, [plan] minutes_day: a sitting of {longest.mounts} mounts and "
        f"{len(longest.steps)} recordings takes about {minutes:.0f} minutes, more than the "
        f"{plan.minutes_day:g} of a day; plan more batches, fewer mounts, takes or probe tones, or "
        "correct the minutes"
    )
