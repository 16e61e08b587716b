"""`study check --watch`: each recording as it appears, half-written, renamed, wrong, replaced."""

from __future__ import annotations

import json
import queue
import shutil
import threading
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from studylib.bench import watch
from studylib.bench.watch import GIVEN_UP_S, MEMORY, SETTLED_S, Look, Watcher, watch_bench
from studylib.errors import InputError
from studylib.measure.rings import Ring
from studylib.measure.take import TakeMeasurement
from studylib.signal.tap import Room, Tap
from studylib.words import say

RATE = 8000
TOML = f"""
[study]
title = "Rails"
question = "Does the wood matter?"
[channels]
rate_hz = {RATE}
[tone]
harmonics = 5
skip_s = 0.05
length_s = 0.4
"""
TAKES = ("room", "L1-a", "L1-b", "R1-a")


@pytest.fixture
def folder(tmp_path):
    folder = tmp_path / "rails"
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    (folder / "specimens.csv").write_text(
        "specimen,wood,source,length_mm,width_mm,thickness_mm,mass_g\n"
        "L1,larch,a,700,38,18,300\nR1,robinia,b,700,38,18,400\n",
        encoding="utf-8",
    )
    (folder / "takes.csv").write_text(
        "take,batch,kind,specimen,mount,repeat,file,order,tone_hz\n"
        "room,day1,room,,,1,recordings/room.wav,1,\n"
        "L1-a,day1,tone,L1,1,1,recordings/L1-a.wav,2,172\n"
        "L1-b,day1,tone,L1,1,2,recordings/L1-b.wav,3,172\n"
        "R1-a,day1,tone,R1,1,1,recordings/R1-a.wav,4,172\n",
        encoding="utf-8",
    )
    schedule = {"schedules": [{"seed": 1, "batches": ["day1"], "takes": list(TAKES)}]}
    (folder / "schedule.json").write_text(json.dumps(schedule), encoding="utf-8")
    return folder


def sound(name, *, hz=172.0, amplitude=0.1):
    rng = np.random.default_rng(list(name.encode()))
    t = np.arange(RATE) / RATE
    amplitude = 0.0 if name == "room" else amplitude
    return amplitude * np.sin(2 * np.pi * hz * t) + 1e-4 * rng.standard_normal(t.size)


def record(folder, name, *, file="", **options):
    path = folder / "recordings" / (file or f"{name}.wav")
    soundfile.write(path, sound(name, **options), RATE, subtype="PCM_24")
    return path


class Bench:
    """A watcher with a clock of its own and all that it said."""

    def __init__(self, folder):
        self.said, self.clock = [], 0.0
        self.watcher = Watcher(folder, tell=self.said.append)
        self.watcher.begin(self.clock)

    def after(self, seconds=SETTLED_S + 0.01):
        """One tick that notices, one when the time has gone by; what was said meanwhile."""
        before = len(self.said)
        self.watcher.tick(self.clock)
        self.clock += seconds
        self.watcher.tick(self.clock)
        return self.said[before:]


def test_a_good_take_is_kept_in_one_line_with_what_is_next_and_how_far_it_is(folder):
    bench = Bench(folder)
    assert bench.said[-1].startswith("day1: 0 of 4; next: Room:")
    record(folder, "room")
    (line,) = bench.after()
    assert line.startswith("keep  room | day1: 1 of 4; next: Set up L1 anew: mount 1. Play tone172")
    record(folder, "L1-a")
    (line,) = bench.after()
    assert line == (
        "keep  L1-a | day1: 2 of 4; next: Play tone172.wav, record (full drive) -> "
        "recordings/L1-b.wav"
    )


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"amplitude": 0.0}, "tone_absent"),
        ({"hz": 180.0}, "tone_"),
        ({"amplitude": 3.0}, say("checks.turn_down")),
    ],
)
def test_a_bad_take_is_to_be_redone_with_the_reason_and_comes_next_again(folder, options, why):
    bench = Bench(folder)
    record(folder, "room")
    bench.after()
    record(folder, "L1-a", **options)
    (line,) = bench.after()
    assert line.startswith("redo  L1-a: ")
    assert why in line
    assert "day1: 1 of 4" in line
    assert line.endswith("-> recordings/L1-a.wav")
    record(folder, "L1-a")
    (line,) = bench.after()
    assert line.startswith("keep  L1-a | day1: 2 of 4")


@pytest.mark.parametrize(("places", "hidden"), [("111", 2), ("123", 1)])
def test_a_tap_whose_decays_the_room_hides_is_kept_and_says_what_helps(
    folder, monkeypatch, places, hidden
):
    """27, 51 and 8 % at one place; at three the mount will know them to 16, 29 and 5 %."""
    rows = [f"T{n},day1,tap,L1,1,{n},recordings/T{n}.wav,,,{p}" for n, p in enumerate(places, 1)]
    header = "take,batch,kind,specimen,mount,repeat,file,order,tone_hz,place"
    text = "\n".join([header, *rows]) + "\n"
    (folder / "takes.csv").write_text(text, encoding="utf-8")
    schedule = {"schedules": [{"seed": 1, "batches": ["day1"], "takes": ["T1", "T2", "T3"]}]}
    (folder / "schedule.json").write_text(json.dumps(schedule), encoding="utf-8")
    loss = np.full(3, 0.01)
    u = loss * np.array([0.14, 0.26, 0.04])
    decays = SimpleNamespace(
        frequency_hz=1e5 * loss, loss_factor=loss, u_loss_factor=u, u_place=0.95 * u
    )
    ring = Ring(taps=[Tap(0.1, 1.0, decays, room=Room(0.42, 0.1, 11.0)), Tap(1.2, 1.0, None, "no")])
    monkeypatch.setattr(watch, "measured_at", lambda *_: (TakeMeasurement([]), ring))
    bench = Bench(folder)
    record(folder, "T1")
    (line,) = bench.after()
    assert line.startswith(
        f"keep  T1: the room hides {hidden} of 3 decays (it dies away in 0.42 s, 11 dB below the "
        "board's own sound); what helps: the microphone nearer"
    )
    assert ("taps at three places" in line) == (places == "111")
    decays.u_place = None
    record(folder, "T2")
    (line,) = bench.after()
    heard = "the room dies away in 0.42 s, 11 dB below the board's own sound"
    assert line.startswith(f"keep  T2: {heard} | ")
    monkeypatch.setattr(watch, "measured_at", lambda *_: (TakeMeasurement([]), Ring(taps=[])))
    record(folder, "T3")
    (line,) = bench.after()
    assert line.startswith("keep  T3 | ")


def test_an_odd_file_is_kept_and_the_line_says_so_and_a_lossy_one_says_it_as_well(folder):
    bench = Bench(folder)
    record(folder, "room")
    bench.after()
    soundfile.write(folder / "recordings/L1-a.wav", sound("L1-a"), RATE, "PCM_24", format="FLAC")
    (line,) = bench.after()
    mind = "mind: the name ends in .wav, but the content is FLAC (file_odd)"
    assert line.startswith(f"keep  L1-a: {mind} | day1: 2 of 4")
    soundfile.write(folder / "recordings/L1-b.wav", 0.0 * sound("L1-b"), RATE, subtype="ULAW")
    (line,) = bench.after()
    assert line.startswith("redo  L1-b: ")
    assert "coded with loss (µ-law)" in line


def test_a_file_that_is_still_written_is_waited_for(folder):
    whole = record(folder, "room").read_bytes()
    path = folder / "recordings" / "room.wav"
    path.write_bytes(whole[:2000])
    # A start with a short file: the sheets are no worse for it.
    bench = Bench(folder)
    for part in range(2, 6):
        path.write_bytes(whole[: 4000 * part])
        assert bench.after(SETTLED_S / 2) == []
    assert bench.after(SETTLED_S * 2) == []  # unchanged, but the header announces more
    path.write_bytes(whole)
    (line,) = bench.after()
    assert line.startswith("keep  room")


def test_a_file_with_an_open_length_in_its_header_is_waited_for_as_well(folder):
    """A recorder that streams writes all ones for the size: only growth says that it goes on."""
    bench = Bench(folder)
    path = record(folder, "room")
    whole = bytearray(path.read_bytes())
    place = whole.index(b"data") + 4
    whole[4:8] = whole[place : place + 4] = b"\xff" * 4
    for part in range(1, 5):
        path.write_bytes(whole[: len(whole) * part // 4])
        assert bench.after(SETTLED_S / 2) == []
    (line,) = bench.after()
    assert line.startswith("keep  room")


def test_a_row_written_for_a_strange_file_makes_it_a_take(folder):
    bench = Bench(folder)
    record(folder, "room", file="extra.wav")
    assert bench.after()[0].startswith("rename  recordings/extra.wav: no row has this name")
    with (folder / "takes.csv").open("a", encoding="utf-8") as file:
        file.write("extra,day1,room,,,2,recordings/extra.wav,5,\n")
    said = bench.after()
    assert said[0] == say("bench.sheets_read_again")
    assert said[1].startswith("keep  extra")


def test_a_file_that_stays_short_is_said_to_break_off(folder):
    bench = Bench(folder)
    whole = record(folder, "room").read_bytes()
    (folder / "recordings" / "room.wav").write_bytes(whole[: len(whole) // 2])
    (line,) = bench.after(GIVEN_UP_S + 0.1)
    assert line.startswith("redo  room: ")
    assert "truncated" in line


def test_a_wrong_name_is_told_and_a_rename_puts_it_right(folder):
    bench = Bench(folder)
    path = record(folder, "room", file="rom.wav")
    (line,) = bench.after()
    assert line == (
        "rename  recordings/rom.wav: no row has this name; its content fits room, which is still "
        "to be recorded. If it is that take, rename the file to recordings/room.wav"
    )
    assert bench.after() == []
    path.rename(folder / "recordings" / "room.wav")
    (line,) = bench.after()
    assert line.startswith("keep  room")
    record(folder, "L1-a", hz=180.0, file="L1_a.wav")  # the content of no take
    names = {"expected": "recordings/L1-a.wav", "nearest": "recordings/L1-a.wav"}
    assert bench.after() == ["redo  " + say("bench.stranger", file="recordings/L1_a.wav", **names)]


def test_a_phones_file_is_seen_and_told_how_to_convert(folder):
    bench = Bench(folder)
    (folder / "recordings" / "take 1.m4a").write_bytes(b"\0\0\0\x20ftypM4A " + bytes(64))
    (line,) = bench.after(GIVEN_UP_S + 0.1)
    assert line == "redo  " + say("recordings.convert", file="recordings/take 1.m4a")


def test_a_take_out_of_order_is_kept_and_said(folder):
    bench = Bench(folder)
    record(folder, "room")
    bench.after()
    record(folder, "R1-a")
    (line,) = bench.after()
    early = say("bench.out_of_order", first="L1-a", more=1)
    assert line.startswith(f"keep  R1-a {early} | day1: 2 of 4")
    assert line.endswith("recordings/L1-a.wav")


def test_several_at_once_are_looked_at_in_the_order_of_the_schedule(folder):
    bench = Bench(folder)
    for name in reversed(TAKES):
        record(folder, name)
    lines = bench.after()
    assert [line.split()[1] for line in lines] == list(TAKES)
    assert lines[-1].endswith("day1: 4 of 4; the batch is complete")


def test_what_was_recorded_while_nobody_watched_is_looked_at_and_nothing_twice(folder):
    first = Bench(folder)
    record(folder, "room")
    first.after()
    record(folder, "L1-a")
    second = Bench(folder)
    (line,) = second.after()
    assert line.startswith("keep  L1-a | day1: 2 of 4")
    third = Bench(folder)
    assert third.said[-1].startswith("day1: 2 of 4")
    assert third.after() == []


@pytest.mark.parametrize("known", ["[1]", '[1, 2, "of another kind"]'])
def test_a_damaged_memory_is_no_error(folder, known):
    path = record(folder, "room")
    state = path.stat()
    known = known.replace("1, 2", f"{state.st_size}, {state.st_mtime_ns}")
    text = f'{{"looked_at": {{"recordings/room.wav": {known}}}}}'
    (folder / MEMORY).write_text(text, encoding="utf-8")
    bench = Bench(folder)
    assert bench.after()[0].startswith("keep  room")


def test_recordings_that_vanish_and_come_back(folder):
    record(folder, "room")
    bench = Bench(folder)
    bench.after()
    (folder / "recordings").rename(folder / "elsewhere")
    assert bench.after() == [say("bench.recordings_gone")]
    (folder / "elsewhere").rename(folder / "recordings")
    record(folder, "L1-a")
    lines = bench.after()
    assert lines[0] == say("bench.recordings_back")
    assert lines[1].startswith("keep  L1-a | day1: 2 of 4")
    shutil.rmtree(folder)
    with pytest.raises(InputError) as caught:
        bench.after()
    assert caught.value.codes == ("bench.folder_gone",)


def test_an_edit_of_the_sheets_is_taken_in_and_a_fault_in_them_stops_nothing(folder):
    bench = Bench(folder)
    record(folder, "room")
    bench.after()
    text = (folder / "takes.csv").read_text(encoding="utf-8")
    (folder / "takes.csv").write_text(text.replace("172", "abc", 1), encoding="utf-8")
    (line,) = bench.after()
    assert line.startswith("The sheets have a fault: takes.csv, row 3, column tone_hz")
    record(folder, "L1-a")
    assert bench.after()[0].startswith("keep  L1-a")
    extra = "L1-c,day1,tone,L1,1,3,recordings/L1-c.wav,5,172\n"
    (folder / "takes.csv").write_text(text + extra, encoding="utf-8")
    record(folder, "L1-c")
    said = bench.after(1.0) + bench.after(1.0)
    assert say("bench.sheets_read_again") in said
    assert any(line.startswith("keep  L1-c") and "3 of 5" in line for line in said)


def test_a_look_that_takes_long_says_so_meanwhile(folder, monkeypatch):
    told = threading.Event()

    def slow(study, take):
        assert told.wait(timeout=30)
        return Look("keep", "")

    monkeypatch.setattr(watch, "first_look", slow)
    monkeypatch.setattr(watch, "PATIENCE_S", 0.01)
    record(folder, "room")
    bench = Bench(folder)
    tell = bench.watcher.tell
    bench.watcher.tell = lambda line: (tell(line), told.set())
    lines = bench.after()
    assert lines[0].startswith("wait  room: still looking")
    assert lines[1].startswith("keep  room")


def test_hidden_and_unfinished_names_are_passed_over(folder):
    bench = Bench(folder)
    shutil.copy(record(folder, "room"), folder / "recordings" / ".room.wav")
    (folder / "recordings" / "room.wav").rename(folder / "recordings" / "room.wav.part")
    assert bench.after() == []


def test_nothing_below_recordings_is_touched(folder):
    for name in TAKES:
        record(folder, name)
    record(folder, "stranger", file="other.wav")
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*.wav")}
    Bench(folder).after()
    after = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.rglob("*.wav")}
    assert after == before


def test_the_real_thing_answers_to_real_files_until_it_is_stopped(folder):
    said, stop = queue.Queue(), threading.Event()
    thread = threading.Thread(
        target=watch_bench, args=(folder,), kwargs={"tell": said.put, "stop": stop}
    )
    thread.start()
    try:
        assert said.get(timeout=30).startswith("Watching recordings/ of rails")
        assert said.get(timeout=30).startswith("day1: 0 of 4")
        record(folder, "room")
        assert said.get(timeout=30).startswith("keep  room")
        record(folder, "L1-a", amplitude=0.0)
        assert said.get(timeout=30).startswith("redo  L1-a")
    finally:
        stop.set()
        thread.join(timeout=30)
    assert not thread.is_alive()


def test_sheets_with_faults_are_told_at_the_start(folder):
    (folder / "study.toml").unlink()
    with pytest.raises(InputError) as caught:
        Watcher(folder, tell=print)
    assert caught.value.codes == ("sheets.no_file",)
