"""`study record`: what is played how loud, what is kept under which name, and what becomes of a
take when something goes wrong."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import pty
import shutil
import sys
import termios
import wave

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from studylib import cli
from studylib.bench import recording_session, watch
from studylib.bench.recording_session import BENCH, MEMORY, RecordingSession
from studylib.bench.signals import write_signals
from studylib.cli import recording
from studylib.cli.recording import BACK, KEEP, REDO, SKIP, STOP, TRIES, Screen, run_session
from studylib.errors import InputError
from studylib.measure.session import measured_at
from studylib.measure.take import TakeMeasurement
from studylib.recordings import probe
from studylib.sheets import read_study
from studylib.words import say
from tests.fake_sound import FakeSound

RATE = 8000
FULL_DB = -12.0
TOML = f"""
[study]
title = "Rails"
question = "Does the wood matter?"
[channels]
rate_hz = {RATE}
drive = 2
drive_kind = "acceleration"
[tone]
harmonics = 5
skip_s = 0.05
length_s = 0.4
[sweep]
lowest_hz = 100.0
highest_hz = 3000.0
length_s = 1.0
[plan]
play_s = 1.2
"""
TAKES = ("room", "L1-soft", "L1-a", "L1-sweep", "R1-a", "R1-tap")


@pytest.fixture(autouse=True)
def _impatient(monkeypatch):
    monkeypatch.setattr(recording_session, "PATIENCE_S", 0.3)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A study of six takes with its signals and its devices, not recorded."""
    folder = tmp_path_factory.mktemp("record") / "rails"
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    (folder / "specimens.csv").write_text(
        "specimen,wood,source,length_mm,width_mm,thickness_mm,mass_g\n"
        "L1,larch,a,700,38,18,300\nR1,robinia,b,700,38,18,400\n",
        encoding="utf-8",
    )
    rows = (
        "room,day1,room,,,1,recordings/day1/room.wav,1,,",
        "L1-soft,day1,tone,L1,1,1,recordings/day1/L1-soft.wav,2,172,-6",
        "L1-a,day1,tone,L1,1,2,recordings/day1/L1-a.wav,3,172,",
        "L1-sweep,day1,sweep,L1,1,1,recordings/day1/L1-sweep.wav,4,,-20",
        "R1-a,day1,tone,R1,1,1,recordings/day1/R1-a.wav,5,172,",
        "R1-tap,day1,tap,R1,1,1,recordings/day1/R1-tap.wav,6,,",
    )
    header = "take,batch,kind,specimen,mount,repeat,file,order,tone_hz,drive_db"
    (folder / "takes.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
    schedule = {"schedules": [{"seed": 1, "batches": ["day1"], "takes": list(TAKES)}]}
    (folder / "schedule.json").write_text(json.dumps(schedule), encoding="utf-8")
    write_signals(read_study(folder))
    (folder / BENCH).write_text('{"input": "inner", "output": "outer"}', encoding="utf-8")
    return folder


@pytest.fixture
def folder(written, tmp_path):
    return shutil.copytree(written, tmp_path / "rails")


class Bench:
    """A session with a device that is not there, keys that are given, and all that was said.

    keys : what is pressed at each question in turn; an error is raised instead; "" for none.
    """

    def __init__(self, folder, *keys, sound=None, asked=True, **options):
        self.sound, self.keys = sound or FakeSound(), list(keys)
        self.said, self.lines, self.on_block = [], [], None
        self.screen = Screen(
            self.pressed if asked else None,
            tell=lambda *lines: self.said.extend(lines),
            complain=lambda *lines: self.said.extend(lines),
            show=self.lines.append,
        )
        self.silencing = ""
        self.session = RecordingSession(
            folder, self.sound, meter=self.meter, by_command=not asked, **options
        )

    def meter(self, block, sounds):
        self.screen.meter(block, sounds)
        if self.on_block:
            self.on_block(sounds)

    def pressed(self, wait=False):
        if not wait:
            return self.silencing
        key = self.keys.pop(0)
        if not isinstance(key, str):
            raise key
        return key

    def run(self):
        return run_session(self.session, self.screen, when="2026-03-07 09:00")

    def played(self):
        """Peak of each sound that was played, dB re full scale, in tenths."""
        x = np.abs(np.concatenate([*self.sound.played, [0.0]]))
        on = np.flatnonzero(x > 10 ** (-70 / 20))
        parts = np.split(on, np.flatnonzero(np.diff(on) > RATE // 2) + 1) if on.size else []
        return [round(20 * np.log10(x[part].max()), 1) for part in parts]


def recorded(folder):
    """Files below recordings/ that pass for recordings, and those that are hidden."""
    found = sorted(p.name for p in (folder / "recordings").rglob("*") if p.is_file())
    return [n for n in found if n[0] != "."], [n for n in found if n[0] == "."]


GO = " "


def begin(*keys):
    """Leave the loopback out, then these."""
    return (SKIP, *keys)


def test_a_schedule_is_recorded_by_command_under_its_names_and_in_its_format(folder, monkeypatch):
    monkeypatch.setattr(watch, "measured_at", _passes_taps)
    bench = Bench(folder, asked=False)
    assert bench.run() == 0
    assert recorded(folder) == (sorted(f"{name}.wav" for name in TAKES), [])
    for name in TAKES:
        info = probe(folder / "recordings" / "day1" / f"{name}.wav")
        assert (info.rate_hz, info.channels, info.subtype) == (RATE, 2, "PCM_24")
        assert not info.truncated
        assert info.remark == ""
    assert bench.said[-1] == say("record.done", waiting=0)
    assert not any(line.startswith("redo") for line in bench.said)


def _passes_taps(study, take, info, session):
    """The look at a take; nobody taps here, so that a tap's is good whatever it holds."""
    if take.kind == "tap":
        return TakeMeasurement([]), None
    return measured_at(study, take, info, session)


def test_what_is_kept_of_a_tone_is_its_steady_part_at_the_level_it_was_played_at(folder):
    bench = Bench(folder, *begin(GO, GO, GO, GO, GO, GO), sound=FakeSound(noise=0.0), take="L1-a")
    bench.run()
    x, _ = soundfile.read(folder / "recordings" / "day1" / "L1-a.wav")
    own, _ = soundfile.read(folder / "signals" / "tone172.wav")
    steady = own[RATE // 2 + 2400 : -RATE // 2]
    assert x.shape == (own.size - 2 * (RATE // 2 + 2400), 2)
    part = x[: RATE // 4, 0]
    at = next(
        k for k in range(steady.size - part.size) if np.allclose(steady[k : k + part.size], part)
    )
    assert at > 0
    # Full drive, to half a step of 24 bits.
    assert np.max(np.abs(part - steady[at : at + part.size])) <= 2.0**-24 + 2.0**-31


def test_the_level_comes_up_in_steps_and_each_setting_starts_anew(folder):
    keys = [GO, GO, *[GO] * 4, *[GO] * 2, *[GO] * 4, *[GO] * 4, STOP]
    bench = Bench(folder, *begin(*keys))
    bench.run()
    expected = [
        *(-38.0, -28.0, -18.0),  # L1 at 6 dB below full drive
        -12.0,  # L1 at full drive: 6 dB above what was heard
        *(-52.0, -42.0, -32.0),  # a sweep is a sound of its own
        *(-32.0, -22.0, -12.0),  # R1 was set up anew
    ]
    assert bench.played() == pytest.approx(expected, abs=0.2)
    questions = [line for line in bench.said if "below its level" in line]
    assert len(questions) == 6
    assert all("Headphones off" in line for line in questions)


def test_a_step_is_never_louder_than_10_db_above_what_was_heard(folder):
    """Whoever calls for the take itself at once does not get it."""
    bench = Bench(folder)
    take = next(t for t in bench.session.takes if t.take == "L1-a")
    for below_db in (0.0, 10.0):
        with pytest.raises(InputError) as caught:
            bench.session.play(take, below_db, silenced=lambda: False)
        assert caught.value.codes == ("record.too_loud",)
    assert bench.sound.played == []
    # A step that was cut off counts as not heard.
    assert not bench.session.play(take, 20.0, silenced=lambda: True)
    assert bench.session.steps(take) == [20.0, 10.0, 0.0]
    assert bench.session.play(take, 20.0, silenced=lambda: False)
    with pytest.raises(InputError, match="nothing was played"):
        bench.session.play(take, 0.0, silenced=lambda: False)
    assert bench.session.play(take, 10.0, silenced=lambda: False)
    assert bench.session.play(take, 0.0, silenced=lambda: False)
    # What is softer than what was heard takes nothing back.
    soft = next(t for t in bench.session.takes if t.take == "L1-soft")
    assert bench.session.play(soft, 0.0, silenced=lambda: False)
    assert bench.session.steps(take) == [0.0]


def test_a_signal_that_somebody_made_louder_is_refused(folder):
    path = folder / "signals" / "tone172.wav"
    x, rate = soundfile.read(path)
    soundfile.write(path, x / np.max(np.abs(x)), rate, subtype="PCM_24")
    bench = Bench(folder, *begin(GO, STOP), take="L1-a")
    bench.run()
    assert bench.sound.played == []
    assert any("nothing was played" in line for line in bench.said)


def test_a_step_that_was_silenced_counts_as_not_heard(folder):
    bench = Bench(folder, *begin(GO, GO, STOP), take="L1-a")
    bench.on_block = lambda sounds: setattr(bench, "silencing", GO if sounds else "")
    bench.run()
    assert bench.said.count(say("record.silenced")) == 2
    assert [line for line in bench.said if "20 dB below" in line] == [
        say("record.ask_begin", below_db=20.0, plays=True)
    ] * 3
    assert recorded(folder) == ([], [])


def test_a_take_that_was_silenced_is_not_kept(folder):
    bench = Bench(folder, *begin(GO, GO, GO, STOP), take="L1-a")
    passed = []

    def on_block(sounds):
        passed.append(sounds)
        bench.silencing = GO if len(bench.keys) == 1 and sounds else ""

    bench.on_block = on_block
    bench.run()
    assert say("record.silenced") in bench.said
    assert recorded(folder)[0] == []
    assert bench.sound.log[-3:] == ["output aborted", "output closed", "input closed"]


def test_keys_keep_redo_skip_go_back_and_stop(folder):
    keys = [
        *(GO, REDO, "x", GO, KEEP),  # the room twice; a letter that means nothing
        SKIP,  # L1-soft
        BACK,  # to the take before L1-a: L1-soft
        *(GO, GO, GO, GO),  # L1-soft after all
        STOP,
    ]
    bench = Bench(folder, *begin(*keys))
    assert bench.run() == len(TAKES) - 2
    assert recorded(folder) == (["L1-soft.wav", "room.wav"], [])
    assert [t.take for t in bench.session.study.takes] == ["room", "L1-soft"]


def test_a_session_is_taken_up_where_it_was_left_and_what_was_skipped_comes_last(folder):
    Bench(folder, *begin(GO, GO, SKIP, STOP)).run()
    assert json.loads((folder / MEMORY).read_text())["skipped"] == ["L1-soft"]
    again = Bench(folder, *[GO] * 4, STOP).session
    order = []
    while (take := again.current) is not None and take.take not in order:
        order.append(take.take)
        again.skip(take)
    assert order == ["L1-a", "L1-sweep", "R1-a", "R1-tap", "L1-soft"]


def test_a_take_recorded_once_more_takes_the_place_of_the_first_only_when_it_is_kept(folder):
    Bench(folder, *begin(GO, GO), take="room").run()
    path = folder / "recordings" / "day1" / "room.wav"
    first = path.read_bytes()
    Bench(folder, GO, STOP, sound=FakeSound(noise=2e-5), take="room").run()
    assert path.read_bytes() == first
    Bench(folder, GO, GO, sound=FakeSound(noise=2e-5), take="room").run()
    assert path.read_bytes() != first


@pytest.mark.parametrize("stage", ["loopback", "begin", "step", "record", "look", "keep"])
def test_an_interrupt_at_any_stage_leaves_nothing_that_passes_for_whole(folder, monkeypatch, stage):
    stop = KeyboardInterrupt()
    keys = {"loopback": [stop], "begin": [SKIP, stop], "keep": [*begin(GO, GO, GO), stop]}
    bench = Bench(folder, *keys.get(stage, begin(GO, GO, GO)), take="L1-a")
    if stage in ("step", "record"):
        count = []

        def on_block(sounds):
            count.append(1)
            if sounds and (stage == "step" or not bench.keys):
                raise stop

        bench.on_block = on_block
    if stage == "look":
        monkeypatch.setattr(bench.session, "look", lambda take: (_ for _ in ()).throw(stop))
    with pytest.raises(KeyboardInterrupt):
        bench.run()
    kept, hidden = recorded(folder)
    assert kept == []
    assert hidden == ([".L1-a.wav.part"] if stage in ("record", "look", "keep") else [])
    assert bench.sound.log == [] or bench.sound.log[-1] == "input closed"
    # The next session says what it found, and records the take whole.
    again = Bench(folder, *begin(GO, GO, GO, GO), take="L1-a")
    again.run()
    assert (say("record.left_over", take="L1-a") in again.said) == bool(hidden)
    assert recorded(folder) == (["L1-a.wav"], [])


def test_what_a_crash_leaves_can_be_read_but_does_not_pass_for_whole(folder, tmp_path):
    """The file as it is on the drive between two blocks."""
    session = Bench(folder).session
    take = session.takes[0]
    path = session.part(take)
    with session._file(take, RATE) as add:
        add(np.full((RATE // 40, 2), 0.25))
        held = shutil.copy(path, tmp_path / "found.wav")
    assert probe(held).truncated
    x, _ = soundfile.read(held)
    assert x.shape == (RATE // 40, 2)
    assert np.all(x == 0.25)


def test_a_full_drive_is_one_sentence_and_what_was_kept_stays(folder, monkeypatch):
    Bench(folder, *begin(GO, GO), take="room").run()
    whole = recorded(folder)[0]

    def full(self, data):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(wave.Wave_write, "writeframesraw", full)
    result = command(folder, "--yes", "--take", "L1-a")
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "Make room on the drive" in line
    assert recorded(folder)[0] == whole


@pytest.mark.parametrize(
    ("options", "why"),
    [
        ({"gain": 0.0, "noise": 0.0}, "silence"),
        ({"gain": 0.0}, "tone_absent"),
        ({"gain": 4.5}, "clipping"),  # not yet in the steps
    ],
)
def test_a_bad_take_is_to_be_redone_with_the_reason(folder, options, why):
    bench = Bench(folder, *begin(GO, GO, GO, STOP), sound=FakeSound(**options), take="L1-a")
    bench.run()
    (line,) = [line for line in bench.said if line.startswith("redo")]
    assert why in line
    assert say("record.ask_keep", good=False) in bench.said
    assert recorded(folder)[0] == []


def test_an_input_that_clips_at_once_goes_no_louder(folder):
    bench = Bench(folder, *begin(GO, GO, STOP), sound=FakeSound(gain=60.0), take="L1-a")
    bench.run()
    assert bench.said.count(say("record.clips", below_db=20.0)) == 2
    assert all(level <= -31.8 for level in bench.played())


class Lossy:
    """Drops 12 samples, a quarter of a period of 172 Hz, in the middle of the third sound played;
    no flag is raised."""

    def __init__(self):
        self.sounds, self.held = 0, np.zeros((12, 2))

    def __call__(self, x, number):
        self.sounds += number == 0
        joined = np.concatenate([self.held, x])
        self.held = joined[-12:]
        return x if self.sounds == 3 and number > 80 else joined[: len(x)]


def test_lost_samples_are_tried_again_by_command(folder):
    bench = Bench(folder, sound=FakeSound(through=Lossy()), asked=False, take="L1-a")
    bench.run()
    (redone,) = [line for line in bench.said if line.startswith("redo")]
    assert "jumps by 12 samples" in redone
    assert recorded(folder) == (["L1-a.wav"], [])


def test_a_device_that_loses_samples_in_every_take_is_given_up_by_command(folder):
    bench = Bench(folder, sound=FakeSound(short_at=60), asked=False)
    assert bench.run() == len(TAKES)
    assert bench.said.count(say("record.gap")) == TRIES
    assert say("record.given_up", take="room", tries=TRIES) in bench.said
    assert recorded(folder)[0] == []


def test_a_device_that_is_unplugged_can_be_connected_again(folder):
    sound = FakeSound(ends_at=70)
    bench = Bench(folder, *begin(GO, GO, GO, GO, GO), sound=sound, take="L1-a")
    lines = bench.said.extend

    def complain(*said):
        lines(said)
        sound.ends_at = 10**9

    bench.screen.complain = complain
    bench.run()
    assert sum("was unplugged" in line for line in bench.said) == 1
    assert recorded(folder) == (["L1-a.wav"], [])


def test_a_tap_is_ended_by_a_key_and_kept(folder, monkeypatch):
    monkeypatch.setattr(watch, "measured_at", _passes_taps)
    bench = Bench(folder, *begin(GO, GO), take="R1-tap")
    heard = []

    def on_block(sounds):
        heard.append(sounds)
        bench.silencing = GO if sum(heard) > 40 else ""

    bench.on_block = on_block
    bench.run()
    info = probe(folder / "recordings" / "day1" / "R1-tap.wav")
    assert not info.truncated
    assert 1.0 < info.frames / RATE < 2.0
    assert not np.concatenate(bench.sound.played).any()


def test_the_loopback_is_measured_before_a_day_and_remembered(folder):
    bench = Bench(folder, GO, STOP)
    bench.run()
    found = json.loads((folder / BENCH).read_text())["loopback"]
    assert found["when"] == "2026-03-07 09:00"
    assert found["latency_s"] == pytest.approx(400 / RATE, abs=1e-9)
    assert found["gain_db"] == pytest.approx(0.0, abs=0.01)
    assert bench.played()[0] == pytest.approx(FULL_DB - 20, abs=0.1)
    assert say("record.loopback_known", **found) in bench.said
    # It is not asked for again within the day; other devices know nothing of it.
    Bench(folder, SKIP, GO, GO, STOP).run()
    again = Bench(folder, STOP)
    again.run()
    assert say("record.ask_loopback", batch="day1") not in again.said
    again.session.choose(input="both")
    assert json.loads((folder / BENCH).read_text()) == {"input": "both", "output": "outer"}


def test_what_converts_rates_on_the_way_is_said(folder):
    """Samples are held for two: what a converter of the worst kind does."""
    sound = FakeSound(through=lambda x, n: np.repeat(x[::2], 2, axis=0))
    bench = Bench(folder, GO, STOP, sound=sound)
    bench.run()
    assert any(line.startswith("Something changes the samples") for line in bench.said)


def test_a_device_that_is_not_there_is_named_when_it_is_used(folder):
    session = Bench(folder).session
    session.choose(input="outer")
    with pytest.raises(InputError, match="No input device matching 'outer'"):
        session.measure_loopback(silenced=lambda: False, when="now")


def test_a_meter_shows_peak_and_noise_of_each_channel():
    lines = []
    screen = Screen(None, tell=print, complain=print, show=lines.append)
    quiet, loud = 10 ** (-80 / 20), 10 ** (-12 / 20)
    t = np.arange(800) / RATE
    sine = np.sin(2 * np.pi * 500 * t)
    screen.meter(np.stack([quiet * sine, 2 * quiet * sine], axis=1), False)
    screen.meter(np.stack([loud * sine, 0 * sine], axis=1), True)
    first, second = lines[-1].split(" | ")
    assert first == f"1 [{'#' * 16}....] −12 dB, noise −80 dB"
    assert second == f"2 [{'.' * 20}] −180 dB, noise −74 dB"


def test_by_command_a_device_that_is_unplugged_ends_the_session_with_one_sentence(folder):
    result = command(folder, "--yes", sound=lambda: FakeSound(ends_at=70))
    assert result.exit_code == 2
    (line,) = result.stderr.splitlines()
    assert "was unplugged" in line
    assert recorded(folder)[0] == []


def test_a_tap_tells_nothing_of_how_loud_a_tone_is(folder, monkeypatch):
    """The same board, set up once: what was silent is not taken for a tone at full drive."""
    monkeypatch.setattr(watch, "measured_at", _passes_taps)
    bench = Bench(folder, asked=False)
    takes = {t.take: t for t in bench.session.takes}
    assert bench.session.play(takes["R1-tap"], 0.0, silenced=lambda: False)
    assert bench.session.steps(takes["R1-a"]) == [20.0, 10.0, 0.0]


def test_after_a_redo_the_level_comes_up_anew(folder):
    """The amplifier may have been off, and somebody switches it on."""
    sound = FakeSound(gain=0.0)
    bench = Bench(folder, *begin(GO, GO, GO, GO, STOP), sound=sound, take="L1-a")
    bench.run()
    steps = [line for line in bench.said if "20 dB below its level" in line]
    assert len(steps) == 2


def command(folder, *options, sound=FakeSound):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("studylib.bench.recording_session.open_sound", sound)
        return CliRunner().invoke(cli.main, ["record", str(folder), *options])


def test_the_command_lists_devices_chooses_them_and_records(folder):
    (folder / BENCH).unlink()
    listed = command(folder, "--devices")
    assert listed.exit_code == 0
    assert "2: both (4 input channels, 4 output channels)" in listed.stdout
    nothing = command(folder, "--yes")
    assert nothing.exit_code == 2
    assert nothing.stderr.strip() == say("record.not_chosen")
    done = command(folder, "--input", "both", "--output", "outer", "--take", "room", "--yes")
    assert recorded(folder)[0] == ["room.wav"]
    assert "Channel 1: microphone" in done.stdout
    assert "channel 2: acceleration" in done.stdout
    assert json.loads((folder / BENCH).read_text())["input"] == "both"
    measured = command(folder, "--loopback", "--yes")
    assert measured.exit_code == 0, measured.output
    unknown = command(folder, "--take", "L1-b", "--yes")
    assert unknown.exit_code == 2
    assert "the nearest is L1-" in unknown.stderr


def test_where_the_extra_is_missing_the_command_says_how_to_add_it(folder, monkeypatch):
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    result = CliRunner().invoke(cli.main, ["record", str(folder)])
    assert result.exit_code == 2
    assert result.stderr.strip() == say("record.no_extra")
    assert "studylib[bench]" in result.stderr


def test_a_signal_that_is_missing_or_of_another_rate_is_named(folder):
    path = folder / "signals" / "tone172.wav"
    x, _ = soundfile.read(path)
    for write, told in (
        (lambda: soundfile.write(path, x, 48000), "has 48000 Hz and the study 8000 Hz"),
        (path.unlink, "tone172.wav is not there"),
    ):
        write()
        session = Bench(folder).session
        take = next(t for t in session.takes if t.take == "L1-a")
        with pytest.raises(InputError, match=told):
            session.play(take, 20.0, silenced=lambda: False)


@pytest.mark.skipif(os.name == "nt", reason="a terminal of another kind")
def test_keys_come_one_by_one_and_the_terminal_is_as_it_was(monkeypatch):
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        before = termios.tcgetattr(theirs)
        assert recording.pressed() == ""
        with contextlib.suppress(KeyboardInterrupt), recording._single_keys():
            assert not termios.tcgetattr(theirs)[3] & termios.ICANON
            os.write(ours, b"k")
            assert recording.pressed(wait=True) == "k"
            raise KeyboardInterrupt
        assert termios.tcgetattr(theirs) == before
    os.close(ours)


@pytest.mark.skipif(os.name == "nt", reason="a terminal of another kind")
def test_where_no_key_can_come_any_more_the_session_stops(monkeypatch):
    ours, theirs = os.pipe()
    os.close(theirs)
    with os.fdopen(ours, "r") as ended:
        monkeypatch.setattr(sys, "stdin", ended)
        assert recording.pressed() == STOP
        assert recording.pressed(wait=True) == STOP
