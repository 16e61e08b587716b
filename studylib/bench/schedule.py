"""The order of a batch: which board is set up when, and what is recorded while it is.

- Every wood is in every batch. Where the mountings of a board can be shared out evenly, each board
  is in every batch; else boards are dealt to the batches, those of one plank to different ones.
- A batch runs in rounds, and each round has every board of the batch once, so that the mountings of
  one board lie far apart. Within a round a wood's boards are drawn at random and spread evenly
  (with equal numbers: blocks of one board of each wood), so that no wood is early or late.
- The reference stands at the start, in the middle and at the end; the changed specimen is next to
  the middle one.
- Within a mounting quiet comes before loud, and taps, with the driver silent, come last. A
  microphone records them at several places, one take at each. Where a sensor feels what enters the
  board, probe tones come before and after the tones, so that a contact that settles shows.
- Controls: the silent room first and last. Unless the plan does without further ones: once with
  everything turned up (idle); the recorder into itself; the driver on the block where no sensor
  feels what enters the board, or to see levels follow the drive; the driver in the air beside the
  first board mounted. Without them, drive steps are made on the first board mounted alone.
- Test takes: the reference turned end for end, at the end of the first batch; on demand, after all
  else in a mounting, the microphone farther off (first board mounted) and the driver moved (each
  board once).

The order depends on the seed alone. `write_schedule` puts it into takes.csv: rows are added below
what is there; a recorded take is never touched. Only on purpose (`again`) are the rows of planned
batches removed in which nothing is recorded yet. Boards that come later are a stage of their own
(`stage`): a schedule of these boards alone, in which some wood of the others is again.

Functions: `plan_batches`, `minutes_of`, `write_schedule`, `next_stage`, `boards_of`, `take_name`,
`short_name`.
Classes: `Step`, `Batch`.
Source of the blocks: randomised complete blocks, as in Box, Hunter and Hunter, Statistics for
Experimenters (recalled).
"""

import itertools
import random
import secrets
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from studylib import codes, errors, sheets, writing
from studylib.sheets.files import SPECIMENS, TAKES, TOML, Table, grouped, read_table, table_text
from studylib.sheets.records import SCHEDULE, Scheduled, schedules_text
from studylib.sheets.rows import TAKE_COLUMNS, TONE_KINDS, Specimen
from studylib.sheets.settings import Plan, Settings

MOST_SEED = 1_000_000
DECIMALS = ("tone_hz", "drive_db", "moved_mm", "mic_times")


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
    place: int | None = None
    turned: bool = False
    moved_mm: float = 0.0
    mic_times: float = 0.0


@dataclass(frozen=True)
class Batch:
    """One session: its steps in the order of recording, and how often a board is set up."""

    name: str
    steps: tuple[Step, ...]
    mounts: int


class _Numbers(Counter):
    """The last mount number of each (specimen, support)."""

    def next(self, specimen: str, support: str) -> int:
        self[specimen, support] += 1
        return self[specimen, support]


def plan_batches(study: sheets.Study, *, seed: int) -> list[Batch]:
    """The batches that [plan] of study.toml asks for, in the order of recording.

    Boards that have no take yet are scheduled; where every board has some, each is mounted once
    more in each batch. Numbers of batches and mounts go on from what takes.csv holds.

    Parameters
    ----------
    seed : 0 or more; the same seed and sheets give the same order.

    Raises
    ------
    InputError : no boards, a wood with fewer boards than batches, or a batch that does not fit
        into the minutes of a day.
    """
    plan, rng = study.settings.plan, random.Random(seed)
    taken = [*study.takes, *study.planned]
    mounted = grouped(((t.specimen, t.support), t.mount) for t in taken if t.specimen and t.mount)
    numbers = _Numbers({place: max(mounts) for place, mounts in mounted.items()})
    woods, known = _woods(study, {take.specimen for take in taken})
    mounts, dealt = (1, [woods] * plan.batches) if known else _share_out(woods, plan, rng)
    # day1, day2, ... going on after the batches that are there.
    days = (f"day{number}" for number in itertools.count(len(study.all_batches) + 1))
    names = (name for name in days if name not in study.all_batches)
    batches = [
        _batch(name, group, mounts, study, numbers, rng)
        for group, name in zip(dealt, names, strict=False)
    ]
    longest = max(batches, key=lambda batch: minutes_of(batch, plan))
    errors.InputError.refuse(
        minutes_of(longest, plan) > plan.minutes_day,
        "bench.long_session",
        **{"file": TOML, "section": "[plan]", "key": "minutes_day"},
        mounts=longest.mounts,
        recordings=len(longest.steps),
        minutes=minutes_of(longest, plan),
        minutes_day=plan.minutes_day,
    )
    return batches


def minutes_of(batch: Batch, plan: Plan) -> float:
    """How long a batch takes by the minutes of [plan]."""
    return batch.mounts * plan.minutes_mount + len(batch.steps) * plan.minutes_take


def _woods(study: sheets.Study, seen: set[str | None]) -> tuple[dict[str, list[Specimen]], bool]:
    """Study to be scheduled by wood, and whether all of them were scheduled before."""
    woods = study.boards_by_wood
    errors.InputError.refuse(not woods, "bench.no_boards", file=SPECIMENS)
    fresh = {
        wood: new
        for wood, own in woods.items()
        if (new := [s for s in own if s.specimen not in seen])
    }
    chosen = fresh or woods
    errors.InputError.refuse(
        len(chosen) < 2, "bench.one_wood", file=SPECIMENS, wood=next(iter(chosen))
    )
    return chosen, not fresh


def _share_out(
    woods: Mapping[str, Sequence[Specimen]], plan: Plan, rng: random.Random
) -> tuple[int, list[dict[str, list[Specimen]]]]:
    """Mounts of a board in each of its batches, and the boards of each batch by wood."""
    if plan.mounts % plan.batches == 0:
        return plan.mounts // plan.batches, [dict(woods)] * plan.batches
    few = {wood: len(own) for wood, own in woods.items() if len(own) < plan.batches}
    errors.InputError.refuse(
        few,
        "bench.few_boards",
        file=TOML,
        section="[plan]",
        key="batches",
        counts=few,
        batches=plan.batches,
    )
    turn = itertools.count(rng.randrange(plan.batches))
    dealt: list[dict[str, list[Specimen]]] = [{} for _ in range(plan.batches)]
    for wood, own in woods.items():
        # In random order, with the boards of one plank side by side, so that dealing parts them.
        order = {source: rng.random() for source in dict.fromkeys(s.source for s in own)}
        for specimen in sorted(own, key=lambda s: (order[s.source], rng.random())):
            dealt[next(turn) % plan.batches].setdefault(wood, []).append(specimen)
    return plan.mounts, dealt


def _batch(
    name: str,
    group: Mapping[str, Sequence[Specimen]],
    mounts: int,
    study: sheets.Study,
    numbers: _Numbers,
    rng: random.Random,
) -> Batch:
    settings = study.settings
    order = _mounting_order(group, mounts, study, rng)
    changed = {s.specimen for s in study.with_role("changed")}
    free = [s for s in dict.fromkeys(order) if not (numbers[s, "free"] or s in changed)]
    steps = _before(settings)
    for place, specimen in enumerate(order):
        first = not numbers[specimen, "bench"]
        mount = numbers.next(specimen, "bench")
        if place == 0 and settings.plan.controls:
            steps += [Step("airborne", specimen, mount, tone_hz=hz) for hz in _tones(settings)]
        steps += _mounted(
            specimen,
            mount,
            settings,
            steps_too=first and (place == 0 or settings.plan.controls),
            farther=place == 0,
            moved=first,
        )
    # In the first batch alone.
    turned = study.with_role("reference") if numbers.next("", "turned") == 1 else ()
    turned = [s.specimen for s in turned if settings.plan.turned]
    for specimen in turned:
        mount = numbers.next(specimen, "bench")
        steps += [
            replace(step, turned=True)
            for step in _mounted(specimen, mount, settings)
            if step.kind == "tone"
        ]
    rng.shuffle(free)
    for specimen in free if settings.plan.free_taps else []:
        steps += _tapped(
            Step("tap", specimen, numbers.next(specimen, "free"), support="free"),
            settings.plan.free_taps,
            settings,
        )
    steps += [Step("room", repeat=2), *_calibrator(settings, repeat=2)]
    return Batch(name, tuple(steps), len(order) + len(turned))


def _mounting_order(
    group: Mapping[str, Sequence[Specimen]], mounts: int, study: sheets.Study, rng: random.Random
) -> list[str]:
    order: list[str] = []
    for _ in range(mounts):
        block = _round(group, rng)
        # The same board twice in a row would be no remount far apart.
        while len(block) > 1 and order and block[0] == order[-1]:
            block = _round(group, rng)
        order += block
    middle = len(order) // 2
    reference = [s.specimen for s in study.with_role("reference")]
    between = [*(s.specimen for s in study.with_role("changed")), *reference]
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


def _before(settings: Settings) -> list[Step]:
    """The controls before the first board; the driver on the block where nothing senses it, or at
    the fundamental alone for its levels."""
    plan, tone_hz = settings.plan, settings.tone.fundamental_hz
    sensed = settings.channels.sensed
    drives = sorted(plan.drive_steps_db) if plan.level_steps or not sensed else []
    tones = _tones(settings)[: int(plan.level_steps) if sensed else None]
    driver = [
        *(Step("driver", tone_hz=tone_hz, drive_db=drive_db) for drive_db in drives),
        *(Step("driver", tone_hz=hz) for hz in tones),
    ]
    tested = [*_repeated(Step("idle"), plan.idle), Step("loopback", tone_hz=tone_hz), *driver]
    return [*_calibrator(settings), Step("room"), *(tested if plan.controls else [])]


def _mounted(
    specimen: str,
    mount: int,
    settings: Settings,
    *,
    steps_too: bool = False,
    farther: bool = False,
    moved: bool = False,
) -> list[Step]:
    """The takes of one mounting, quiet ones first.

    Where asked for, with drive steps, and after all else with the microphone farther off and the
    driver moved: the bench is then no longer as it was.
    """
    plan = settings.plan
    tone = Step("tone", specimen, mount, tone_hz=settings.tone.fundamental_hz)
    sweep = Step("sweep", specimen, mount, drive_db=plan.sweep_db)
    drives = sorted(plan.drive_steps_db) if steps_too else []
    probes = [replace(tone, tone_hz=hz) for hz in _tones(settings)[1:]]
    before = probes if plan.probes_before and settings.channels.sensed else []
    tones = _tones(settings) if moved and plan.moved_mm else []
    return [
        *_repeated(sweep, plan.sweeps if settings.sweep.known else 0),
        *(replace(tone, drive_db=drive_db) for drive_db in drives),
        *before,
        *_repeated(tone, plan.takes),
        *(replace(probe, repeat=2 if before else 1) for probe in probes),
        *_tapped(Step("tap", specimen, mount), plan.taps, settings),
        *codes.holding((farther and plan.mic_times, replace(tone, mic_times=plan.mic_times))),
        *(replace(tone, tone_hz=hz, moved_mm=plan.moved_mm) for hz in tones),
    ]


def _tapped(tap: Step, times: int, settings: Settings) -> list[Step]:
    """Taps at every place of the microphone; where it has one only, no place is named."""
    places = range(1, settings.tap_places + 1) if settings.tap_places > 1 else [None]
    return [step for place in places for step in _repeated(replace(tap, place=place), times)]


def _repeated(step: Step, times: int) -> list[Step]:
    return [replace(step, repeat=repeat) for repeat in range(1, times + 1)]


def _calibrator(settings: Settings, repeat: int = 1) -> list[Step]:
    return codes.holding(
        (settings.channels.calibrator_db is not None, Step("calibrator", repeat=repeat))
    )


def write_schedule(
    study: sheets.Study,
    *,
    add: int = 0,
    again: bool = False,
    stage: bool = False,
    named: Callable[[Step, str], str] | None = None,
) -> tuple[int, list[Batch]]:
    """Make the schedule of a study and write it to takes.csv.

    Parameters
    ----------
    study : from `sheets.study.read_unrecorded`.
    add : so many further batches are planned where takes.csv holds some; 0 for the first time.
    again : rows of batches of the last stage without any recording are removed first.
    stage : the boards that belong to no stage yet are the next one.
    named : gives a take's id, and so its file's name, of its step and batch; None for `take_name`.

    Returns
    -------
    the seed and the batches that were scheduled.

    Raises
    ------
    InputError : takes.csv holds takes and nothing was asked for, a column is missing, boards do not
        make a stage, or the schedule cannot be made (`plan_batches`).
    """
    table = read_table(study.folder / TAKES)
    planned = len(table.rows)
    if again:
        study, table = _without_planned(study, table)
    errors.InputError.refuse(
        table.rows and not (add or stage or len(table.rows) < planned),
        "bench.takes_already",
        file=TAKES,
        count=len(table.rows),
    )
    number = next_stage(study, new=stage)
    study = boards_of(study, number)
    plan = study.settings.plan.model_copy(update={"batches": add} if add else {})
    settings = study.settings.model_copy(update={"plan": plan})
    # A further batch under the same seed would repeat the order of the first.
    seed = secrets.randbelow(MOST_SEED) if plan.seed is None or add or stage else plan.seed
    batches = plan_batches(replace(study, settings=settings), seed=seed)
    rows = [
        _row(step, batch.name, order, (named or take_name)(step, batch.name))
        for batch in batches
        for order, step in enumerate(batch.steps, start=1)
    ]
    kept = [row.cells for row in table.rows]
    _check_rows(table, kept, rows)
    mounted = {step.specimen for batch in batches for step in batch.steps}
    new = Scheduled(
        seed,
        tuple(b.name for b in batches),
        tuple(row["take"] for row in rows),
        stage=number,
        boards=tuple(s.specimen for s in study.with_role("") if s.specimen in mounted),
    )
    writing.write_together(
        study.folder,
        {
            SCHEDULE: schedules_text((*study.schedules, new)),
            TAKES: table_text(
                table.columns,
                [*kept, *(_with_mark(row, table) for row in rows)],
                semicolons=table.semicolons,
            ),
        },
    )
    return seed, batches


def _check_rows(table: Table, kept: list[dict[str, str]], rows: list[dict[str, str]]) -> None:
    """The rows fit into takes.csv, next to those that are kept there."""
    missing = [
        name
        for name in TAKE_COLUMNS
        if name not in table.columns and any(row.get(name) for row in rows)
    ]
    errors.InputError.refuse(
        missing, "sheets.no_column", file=TAKES, row=1, columns=missing, scheduling=True
    )
    known = {row["take"] for row in kept}
    files = Counter(row["file"].casefold() for row in (*kept, *rows))
    faults = [
        fault
        for row in rows
        for fault in codes.holding(
            (row["take"] in known, codes.note("bench.take_already", file=TAKES, take=row["take"])),
            (
                files[row["file"].casefold()] > 1,
                codes.note("bench.shared_file", value=row["file"]),
            ),
        )
    ]
    errors.InputError.refuse_all(faults[:1])


def take_name(step: Step, batch: str) -> str:
    """A take's id: board, mount, signal, place and repeat, or batch, control and repeat."""
    tone = f"{step.tone_hz:.10g}" if step.tone_hz else ""
    marks = codes.holding(
        (step.drive_db and step.kind != "sweep", f"-down{-step.drive_db:02g}"),
        (step.place, f"-p{step.place}"),
        (step.moved_mm, f"-moved{step.moved_mm:g}"),
        (step.mic_times, f"-mic{step.mic_times:g}"),
    )
    signal = f"{step.kind}{tone}{''.join(marks)}-r{step.repeat}"
    if step.kind in TONE_KINDS[1:] or not step.specimen:
        return f"{batch}-{signal}"
    place = f"free{step.mount}" if step.support == "free" else f"m{step.mount}"
    return f"{step.specimen}-{place}-{signal}"


def short_name(step: Step, batch: str) -> str:
    """A take's id as a person types it, where a mount has one take of each kind."""
    down = f"-down{-step.drive_db:02g}" if step.drive_db else ""
    return (
        f"{step.specimen}-{step.mount}-{step.kind}{down}"
        if step.specimen
        else f"{step.kind}-{step.repeat}"
    )


def _row(step: Step, batch: str, order: int, name: str) -> dict[str, str]:
    return {
        "take": name,
        "batch": batch,
        "kind": step.kind,
        "specimen": step.specimen,
        "mount": str(step.mount or ""),
        "repeat": str(step.repeat),
        "file": f"recordings/{writing.slug(batch)}/{writing.slug(name)}.wav",
        "order": str(order),
        "tone_hz": f"{step.tone_hz:.10g}" if step.tone_hz else "",
        "drive_db": f"{step.drive_db:.10g}" if step.drive_db else "",
        "support": "free" if step.support == "free" else "",
        "place": str(step.place or ""),
        "turned": "yes" if step.turned else "",
        "moved_mm": f"{step.moved_mm:.10g}" if step.moved_mm else "",
        "mic_times": f"{step.mic_times:.10g}" if step.mic_times else "",
    }


def _with_mark(row: dict[str, str], table: Table) -> dict[str, str]:
    """The row with the decimal mark of the file: a comma among semicolons, unless points are used
    there already."""
    points = any("." in r.cells.get(name, "") for r in table.rows for name in DECIMALS)
    marked = DECIMALS if table.semicolons and not points else ()
    return {name: c.replace(".", ",") if name in marked else c for name, c in row.items()}


def next_stage(study: sheets.Study, *, new: bool) -> int:
    """The stage that is scheduled: the last one, or a new one behind what is there."""
    return study.stages[-1] + bool(new and (study.takes or study.planned))


def boards_of(study: sheets.Study, stage: int) -> sheets.Study:
    """The study without the boards of earlier stages.

    Raises
    ------
    InputError : a new stage has no board, or no wood of those before it.
    """
    kept = study.from_stage(stage)
    if stage > study.stages[-1]:
        left = kept.with_role("")
        before = _own_names(study, [s for s in study.with_role("") if s not in left])
        strange = not before & _own_names(study, left)
        errors.InputError.refuse(not left, "bench.no_new_boards", file=SPECIMENS)
        errors.InputError.refuse(
            strange, "bench.strange_stage", file=SPECIMENS, woods=sorted(before)
        )
    return kept


def _own_names(study: sheets.Study, boards: Sequence[Specimen]) -> set[str]:
    """The woods of these boards; of a key, which is not looked into, all that are in it."""
    coded = {board: key.woods for key in study.blinding for board in key.boards}
    return {wood for s in boards for wood in coded.get(s.specimen, (s.wood,))}


def _without_planned(study: sheets.Study, table: Table) -> tuple[sheets.Study, Table]:
    """Without the scheduled rows of batches of the last stage in which nothing is recorded."""
    earlier = {name for s in study.schedules if s.stage < study.stages[-1] for name in s.batches}
    begun = {*study.batches, *earlier}
    gone = {take.row for take in study.planned if take.batch not in begun}
    return (
        replace(study, planned=tuple(take for take in study.planned if take.row not in gone)),
        replace(table, rows=tuple(row for row in table.rows if row.number not in gone)),
    )
