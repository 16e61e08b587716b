"""The schedule: every wood in every batch, none early or late, remounts apart, quiet first."""

from __future__ import annotations

import json
from collections import Counter, defaultdict
from itertools import pairwise

import numpy as np
import pytest
import soundfile

from studylib.bench.schedule import minutes_of, plan_batches, write_schedule
from studylib.bench.sheet import write_sheets
from studylib.codes import code_of
from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.draws import draws
from tests.notes import holds
from tests.planned_study import TOML, boards, write_planned


def planned(tmp_path, **options):
    return read_unrecorded(write_planned(tmp_path / "rails", **options))


def mounting_order(batch):
    """Boards in the order in which they are set up on the bench, but for the one turned."""
    steps = [s for s in batch.steps if s.specimen and s.support == "bench" and not s.turned]
    return list(dict.fromkeys((s.specimen, s.mount) for s in steps))


def with_plan(**keys):
    return TOML + "".join(f"{name} = {value}\n" for name, value in keys.items())


def test_every_wood_is_in_every_batch_and_every_board_has_its_mounts(tmp_path):
    study = planned(tmp_path)
    batches = plan_batches(study, seed=1)
    wood = {s.specimen: s.wood for s in study.specimens if not s.role}
    mounts = Counter()
    for batch in batches:
        order = mounting_order(batch)
        assert {wood[name] for name, _ in order if name in wood} == {"larch", "cherry", "robinia"}
        mounts.update(name for name, _ in order)
    assert {mounts[name] for name in wood} == {3}
    assert (mounts["REF"], mounts["CHA"]) == (6, 2)


def test_each_board_is_in_every_batch_where_mounts_can_be_shared_out(tmp_path):
    study = planned(tmp_path, toml=with_plan(mounts=4, minutes_day=500))
    for batch in plan_batches(study, seed=1):
        counts = Counter(name for name, _ in mounting_order(batch))
        assert {counts[s.specimen] for s in study.specimens if not s.role} == {2}


def test_no_wood_is_early_or_late_over_many_schedules(tmp_path):
    """Mean place of each wood, 0 to 1: a half, within what chance gives.

    The expected spread of one wood's mean place is that of random blocks: for b blocks of three,
    places in a block are a permutation of three, so the variance of a wood's mean place over a
    batch of n mounts is (2/3) / b / n^2 (in units of the batch length); the number of schedules
    divides it.
    """
    study = planned(tmp_path)
    wood = {s.specimen: s.wood for s in study.specimens if not s.role}
    places = defaultdict(list)
    for seed in range(draws(1000, share=200)):
        for batch in plan_batches(study, seed=seed):
            order = [wood[name] for name, _ in mounting_order(batch) if name in wood]
            for name in set(wood.values()):
                where = [i for i, own in enumerate(order) if own == name]
                places[name].append((np.mean(where) + 0.5) / len(order))
    n, blocks = 18, 6
    for name, found in places.items():
        sd = np.sqrt((2 / 3) / blocks) / n
        assert abs(np.mean(found) - 0.5) < 4 * sd / np.sqrt(len(found)), name
        # In any single schedule as well: blocks keep each wood's mean near the middle.
        assert np.std(found) < 1.1 * sd
        assert max(abs(np.array(found) - 0.5)) <= 1 / n + 1e-12


def test_unequal_numbers_are_spread_over_the_batch_as_well(tmp_path):
    study = planned(tmp_path, counts={"larch": 2, "cherry": 4, "robinia": 6})
    wood = {s.specimen: s.wood for s in study.specimens if not s.role}
    means = defaultdict(list)
    for seed in range(draws(500, share=120)):
        for batch in plan_batches(study, seed=seed):
            order = [wood[name] for name, _ in mounting_order(batch) if name in wood]
            for name in set(order):
                where = [i for i, own in enumerate(order) if own == name]
                means[name].append((np.mean(where) + 0.5) / len(order))
    for name, found in means.items():
        assert abs(np.mean(found) - 0.5) < 4 * np.std(found) / np.sqrt(len(found)), name


def test_mounts_of_one_board_lie_apart(tmp_path):
    study = planned(tmp_path)
    for seed in range(50):
        for batch in plan_batches(study, seed=seed):
            order = [name for name, _ in mounting_order(batch)]
            assert all(a != b for a, b in pairwise(order))


def test_the_reference_stands_at_start_middle_and_end_and_the_changed_one_beside_it(tmp_path):
    for batch in plan_batches(planned(tmp_path), seed=3):
        order = [name for name, _ in mounting_order(batch)]
        at = [i for i, name in enumerate(order) if name == "REF"]
        assert at[0] == 0
        assert at[2] == len(order) - 1
        assert abs(at[1] - len(order) / 2) <= 1
        assert abs(order.index("CHA") - at[1]) == 1


def test_boards_of_one_plank_are_dealt_to_different_batches(tmp_path):
    study = planned(tmp_path, rows=boards({"larch": 4, "cherry": 4}, per_plank=2))
    source = {s.specimen: s.source for s in study.specimens}
    for seed in range(20):
        for batch in plan_batches(study, seed=seed):
            names = {name for name, _ in mounting_order(batch) if name not in ("REF", "CHA")}
            assert max(Counter(source[name] for name in names).values()) == 1


def test_quiet_comes_before_loud_and_taps_last(tmp_path):
    for batch in plan_batches(planned(tmp_path), seed=5):
        mounts = defaultdict(list)
        for step in batch.steps:
            lies = step.specimen and step.support == "bench" and not step.turned
            if lies and step.kind != "airborne":
                mounts[step.specimen, step.mount].append(step)
        for steps in mounts.values():
            drives = [step.drive_db for step in steps if step.kind in ("tone", "sweep")]
            assert drives == sorted(drives)
            assert steps[-1].kind == "tap"


def test_controls_stand_where_they_belong(tmp_path):
    batch = plan_batches(planned(tmp_path), seed=5)[0]
    kinds = [step.kind for step in batch.steps]
    assert kinds[0] == kinds[-1] == "room"
    assert kinds[1:3] == ["idle", "loopback"]
    assert "driver" not in kinds  # a sensor feels what enters the board
    air = [step for step in batch.steps if step.kind == "airborne"]
    assert {step.specimen for step in air} == {"REF"}
    assert [step.tone_hz for step in air] == [172.0, 344.0, 516.0]
    free = [step.specimen for step in batch.steps if step.support == "free"]
    assert len(free) == 3 * 7
    assert len(set(free)) == 7
    assert "CHA" not in free
    bare = TOML.replace('drive = 2\ndrive_kind = "acceleration"\n', "calibrator_db = 94.0\n")
    batch = plan_batches(planned(tmp_path / "bare", toml=bare), seed=5)[0]
    kinds = [step.kind for step in batch.steps]
    assert kinds[0] == kinds[-1] == "calibrator"
    drives = [s.drive_db for s in batch.steps if s.kind == "driver"]
    assert drives == [-18.0, -12.0, -6.0, 0.0, 0.0, 0.0]


def test_probe_tones_stand_before_and_after_the_tones_of_a_mounting(tmp_path):
    for batch in plan_batches(planned(tmp_path), seed=5):
        own = [
            s for s in batch.steps if s.kind == "tone" and (s.specimen, s.drive_db) == ("REF", 0)
        ]
        first = [(s.tone_hz, s.repeat) for s in own if s.mount == own[0].mount]
        probes = [(344.0, 1), (516.0, 1)], [(344.0, 2), (516.0, 2)]
        assert first == [*probes[0], *[(172.0, r) for r in (1, 2, 3)], *probes[1]]


def test_the_reference_is_turned_once_and_in_a_mount_of_its_own(tmp_path):
    first, second = plan_batches(planned(tmp_path), seed=5)
    turned = [step for step in first.steps if step.turned]
    assert {(s.specimen, s.mount, s.kind) for s in turned} == {("REF", 4, "tone")}
    assert len(turned) == 7
    assert not any(step.turned for step in second.steps)
    off = planned(tmp_path / "off", toml=with_plan(turned="false"))
    assert not any(s.turned for batch in plan_batches(off, seed=5) for s in batch.steps)


def test_tests_on_demand_come_when_all_else_of_a_mounting_is_recorded(tmp_path):
    keys = {"level_steps": "true", "mic_times": 2, "moved_mm": 2, "minutes_day": 500}
    study = planned(tmp_path, toml=with_plan(**keys))
    batch = plan_batches(study, seed=172)[0]
    block = [s.drive_db for s in batch.steps if s.kind == "driver"]
    assert block == [-18.0, -12.0, -6.0, 0.0]
    far = [s for s in batch.steps if s.mic_times]
    assert [(s.specimen, s.mount, s.tone_hz, s.mic_times) for s in far] == [("REF", 1, 172.0, 2.0)]
    moved = [s for s in batch.steps if s.moved_mm]
    boards = {name for name, _ in mounting_order(batch)}
    assert Counter(s.specimen for s in moved) == dict.fromkeys(boards, 3)
    for step in (*far, *moved):
        own = [s for s in batch.steps if (s.specimen, s.mount) == (step.specimen, step.mount)]
        usual = [s for s in own if s.support == "bench" and not (s.moved_mm or s.mic_times)]
        assert batch.steps.index(step) > max(map(batch.steps.index, usual))
    write_schedule(study)
    takes = read_study(study.folder).scheduled_of("day1")
    assert sum(t.is_test for t in takes) == len(far) + len(moved) + 7


def test_a_microphone_hears_the_taps_at_three_places_and_a_contact_sensor_at_one(tmp_path):
    taps = [s for b in plan_batches(planned(tmp_path), seed=5) for s in b.steps if s.kind == "tap"]
    places = defaultdict(list)
    for step in taps:
        places[step.specimen, step.support, step.mount].append((step.place, step.repeat))
    assert set(map(tuple, places.values())) == {((1, 1), (2, 1), (3, 1))}
    write_schedule(study := planned(tmp_path / "written"))
    rows = [take for take in read_study(study.folder).planned if take.kind == "tap"]
    assert Counter(take.place for take in rows) == dict.fromkeys((1, 2, 3), len(taps) // 3)
    assert {"L1-m1-tap-p2-r1", "L1-free1-tap-p3-r1"} <= {take.take for take in rows}
    felt = TOML.replace("[channels]", '[channels]\nresponse_kind = "accelerometer"')
    batches = plan_batches(planned(tmp_path / "felt", toml=felt), seed=5)
    assert {s.place for b in batches for s in b.steps} == {None}


def test_the_same_seed_gives_the_same_order_and_another_another(tmp_path):
    study = planned(tmp_path)
    assert plan_batches(study, seed=1) == plan_batches(study, seed=1)
    assert plan_batches(study, seed=1) != plan_batches(study, seed=2)


def test_what_is_written_is_read_back_as_planned_with_nothing_to_complain_about(tmp_path):
    study = planned(tmp_path)
    _, batches = write_schedule(study)
    read = read_study(study.folder)
    assert read.warnings == ()
    assert read.takes == ()
    assert len(read.planned) == sum(len(batch.steps) for batch in batches)
    assert [t.order for t in read.scheduled_of("day1")] == list(range(1, len(batches[0].steps) + 1))
    content = json.loads((study.folder / "schedule.json").read_text(encoding="utf-8"))
    assert [one["seed"] for one in content["schedules"]] == [172]


def record(folder, take, seed=0):
    path = folder / take.file
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng([seed, take.row]).normal(scale=0.1, size=(50, 2))
    soundfile.write(path, noise, 48000, subtype="PCM_24")


def test_a_batch_is_added_and_what_is_recorded_stays_to_the_last_byte(tmp_path):
    study = planned(tmp_path)
    write_schedule(study)
    for take in read_study(study.folder).planned[:5]:
        record(study.folder, take)
    before = (study.folder / "takes.csv").read_text(encoding="utf-8")
    sounds = {p: p.read_bytes() for p in study.folder.rglob("*.wav")}
    _, batches = write_schedule(read_unrecorded(study.folder), add=1)
    after = (study.folder / "takes.csv").read_text(encoding="utf-8")
    assert after.startswith(before)
    assert {p: p.read_bytes() for p in study.folder.rglob("*.wav")} == sounds
    assert [batch.name for batch in batches] == ["day3"]
    read = read_study(study.folder)
    assert len(read.takes) == 5
    # Every board is mounted once more; the reference had three mounts on each of two days.
    board = {t.mount for t in read.scheduled_of("day3") if t.specimen == "L1" and not t.drive_db}
    assert board == {4}
    reference = {t.mount for t in read.scheduled_of("day3") if t.specimen == "REF"}
    assert {8, 9, 10, 11} <= reference  # one more was turned on the first day, one is now


def test_planning_again_keeps_batches_in_which_something_is_recorded(tmp_path):
    study = planned(tmp_path)
    write_schedule(study)
    first = read_study(study.folder).scheduled_of("day1")
    record(study.folder, first[0])
    toml = (study.folder / "study.toml").read_text(encoding="utf-8")
    toml = toml.replace("seed = 172", "seed = 173\nbatches = 1")
    (study.folder / "study.toml").write_text(toml, encoding="utf-8")
    _, batches = write_schedule(read_unrecorded(study.folder), again=True)
    assert [batch.name for batch in batches] == ["day2"]
    read = read_study(study.folder)
    kept = [t.model_copy(update={"row": 0}) for t in read.scheduled_of("day1")]
    assert kept == [t.model_copy(update={"row": 0}) for t in first]
    assert read.all_batches == ("day1", "day2")


def test_semicolons_and_decimal_commas_stay(tmp_path):
    toml = TOML.replace("[decide]", "[tone]\nfundamental_hz = 172.5\n[decide]", 1)
    folder = write_planned(tmp_path / "rails", toml=toml)
    text = (folder / "takes.csv").read_text(encoding="utf-8").replace(",", ";")
    (folder / "takes.csv").write_text(text, encoding="utf-8")
    write_schedule(read_unrecorded(folder))
    assert ";172,5;" in (folder / "takes.csv").read_text(encoding="utf-8")
    assert {t.tone_hz for t in read_study(folder).planned} == {None, 172.5, 345.0, 517.5}
    assert read_study(folder).semicolons


def test_a_hand_written_take_without_a_recording_is_still_a_fault(tmp_path):
    study = planned(tmp_path)
    write_schedule(study)
    with (study.folder / "takes.csv").open("a", encoding="utf-8") as file:
        file.write("mine,day1,room,,,3,recordings/mine.wav,,,,,,,,,,,\n")
    with pytest.raises(InputError) as caught:
        read_study(study.folder)
    assert holds(caught.value.notes[0], "sheets.no_recording", value="recordings/mine.wav")


def test_takes_that_wait_in_a_batch_that_was_begun_are_told(tmp_path):
    study = planned(tmp_path)
    write_schedule(study)
    record(study.folder, read_study(study.folder).planned[0])
    (warning,) = read_study(study.folder).warnings
    count = len(read_study(study.folder).scheduled_of("day1")) - 1
    assert holds(warning, "sheets.waiting", file="takes.csv", batch="day1", count=count)


def refused(study, **options) -> str:
    """The one fault with which a schedule is refused."""
    with pytest.raises(InputError) as caught:
        write_schedule(study, **options)
    (fault,) = caught.value.notes
    return fault


@pytest.mark.parametrize(
    ("options", "code", "fields"),
    [
        ({"rows": []}, "bench.no_boards", {"file": "specimens.csv"}),
        (
            {"rows": boards({"larch": 4})},
            "bench.one_wood",
            {"file": "specimens.csv", "wood": "larch"},
        ),
        (
            {"counts": {"larch": 1, "cherry": 4}},
            "bench.few_boards",
            {"section": "[plan]", "key": "batches", "counts": {"larch": 1}, "batches": 2},
        ),
        (
            {"toml": with_plan(minutes_day=200)},
            "bench.long_session",
            {"section": "[plan]", "key": "minutes_day", "mounts": 23, "minutes_day": 200.0},
        ),
    ],
)
def test_a_schedule_that_cannot_be_is_one_fault_and_writes_nothing(tmp_path, options, code, fields):
    study = planned(tmp_path, **options)
    before = (study.folder / "takes.csv").read_bytes()
    fault = refused(study)
    assert holds(fault, code, **fields)
    assert say(fault)
    assert (study.folder / "takes.csv").read_bytes() == before
    assert not (study.folder / "schedule.json").exists()


def test_a_second_schedule_asks_what_is_meant(tmp_path):
    study = planned(tmp_path)
    write_schedule(study)
    again = read_unrecorded(study.folder)
    count = len(again.planned)
    assert holds(refused(again), "bench.takes_already", file="takes.csv", count=count)


def test_a_missing_column_is_named(tmp_path):
    study = planned(tmp_path, takes="take,batch,kind,specimen,mount,repeat,file,order,tone_hz")
    fields = {"columns": ["drive_db", "support", "place", "turned"], "scheduling": True}
    fault = refused(study)
    assert holds(fault, "sheets.no_column", file="takes.csv", row=1, **fields)
    assert 'no column "drive_db", "support", "place" or "turned", which the schedule needs' in say(
        fault
    )


def test_a_name_that_the_schedule_would_use_again_is_told(tmp_path):
    study = planned(tmp_path, toml=with_plan(minutes_day=1000))
    write_schedule(study)
    sheet = study.folder / "takes.csv"
    text = sheet.read_text(encoding="utf-8").replace("day1-room-r1,day1", "day2-room-r1,by hand")
    header, first, *_ = text.splitlines()
    noise = np.random.default_rng(3).normal(scale=0.1, size=(50, 2))
    (study.folder / "recordings" / "day1").mkdir()
    soundfile.write(study.folder / "recordings" / "day1" / "day1-room-r1.wav", noise, 48000)
    sheet.write_text(f"{header}\n{first}\n", encoding="utf-8")
    study = read_unrecorded(study.folder)
    assert holds(refused(study, add=1), "bench.take_already", file="takes.csv", take="day2-room-r1")


def test_names_that_would_share_a_file_are_told(tmp_path):
    rows = boards({"larch": 2, "cherry": 2})
    rows += ["L 1,larch,x,745,38,18,250,9,,,", "L_1,larch,y,745,38,18,250,9,,,"]
    study = planned(tmp_path, rows=rows, toml=with_plan(batches=1))
    assert code_of(refused(study)) == "bench.shared_file"


def test_a_schedule_file_that_was_broken_is_one_sentence(tmp_path):
    study = planned(tmp_path)
    write_schedule(study)
    (study.folder / "schedule.json").write_text("{", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        read_study(study.folder)
    assert holds(caught.value.notes[0], "records.unreadable", file="schedule.json")


def test_minutes_add_up(tmp_path):
    study = planned(tmp_path)
    batch = plan_batches(study, seed=1)[0]
    plan = study.settings.plan
    assert minutes_of(batch, plan) == pytest.approx(23 * 5.0 + len(batch.steps) * 0.8)
    # The bench sheet says the same: a driver hung beside a mounted board is no mount of its own.
    write_schedule(study)
    page, *_ = write_sheets(read_study(study.folder))
    assert f"about {minutes_of(batch, plan):.0f} minutes" in page.read_text(encoding="utf-8")
