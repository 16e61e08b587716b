"""`study record` through a real server: what is recorded is what was played, to the last digit that
counts, and nothing is lost when server or program end in the middle.

Other programs may keep the computer busy, and then a server loses samples. The command finds that
and tries again; where it gives up, so does the test once, and asks again. No tolerance is widened.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

import studylib as st
from studylib.bench.schedule import write_schedule
from studylib.bench.signals import FADE_S, signal_name, write_signals
from studylib.recordings import probe
from studylib.sheets import read_study
from studylib.sheets.rows import TONE_KINDS
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.planned_study import boards, write_planned
from tests.system.server import TICK_S, Server, missing, waits_for

LACKING = missing()
ALL = bool(
    os.environ.get("STUDY_WHOLE_SCHEDULE")
)  # as .ci/system asks for: then nothing is skipped
pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        bool(LACKING) and not ALL, reason=f"not installed: {LACKING}; .ci/system installs it"
    ),
]
at_length = pytest.mark.skipif(not ALL, reason="lasts minutes: .ci/system does it")
LEVEL_DB, CENTS = 0.02, 0.01
TOML = """
[study]
title = "Rails through a server"
question = "Does the wood of the rail change what reaches the far end?"
separate_trees = true
[channels]
rate_hz = {rate_hz}
drive = 2
drive_kind = "acceleration"
[sweep]
lowest_hz = 100.0
highest_hz = 8000.0
length_s = 1.0
[plan]
seed = 172
play_s = 1.5
boards = 2
mounts = 2
batches = 1
taps = 0
free_taps = 0
turned = false
"""
WHOLE = """
takes = 1
idle = 3
probes = [2]
probes_before = false
drive_steps_db = [-6.0]
level_steps = true
sweeps = 0
"""
THREE = (
    "take,batch,kind,specimen,mount,repeat,file,order,tone_hz,drive_db",
    "L1-soft,day1,tone,L1,1,1,recordings/day1/L1-soft.wav,1,172,-6",
    "L1-sweep,day1,sweep,L1,1,1,recordings/day1/L1-sweep.wav,2,,-20",
    "L1-a,day1,tone,L1,1,2,recordings/day1/L1-a.wav,3,172,",
)


@pytest.fixture(scope="module")
def server():
    running = Server(48_000)
    yield running
    running.end()


def write_three(folder: Path, *, rate_hz: int = 48_000) -> Path:
    """A study of three takes, with its signals."""
    write_planned(folder, counts={"larch": 1}, toml=TOML.format(rate_hz=rate_hz))
    (folder / "takes.csv").write_text("\n".join(THREE) + "\n", encoding="utf-8")
    names = '", "'.join(row.partition(",")[0] for row in THREE[1:])
    schedule = f'{{"schedules": [{{"seed": 1, "batches": ["day1"], "takes": ["{names}"]}}]}}'
    (folder / "schedule.json").write_text(schedule, encoding="utf-8")
    write_signals(read_study(folder))
    return folder


def start(server: Server, folder: Path, *options: str) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "studylib.cli", "record", str(folder), *options],
        env=server.environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
        # Whoever starts the tests in the background has SIGINT ignored.
        preexec_fn=partial(signal.signal, signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip


def record(server: Server, folder: Path, *options: str) -> tuple[int, str, str]:
    """Exit code and what was said; whatever the computer lost is asked for once more."""
    for _ in range(3):
        process = start(server, folder, *options)
        said, complained = process.communicate(timeout=1500)
        if process.returncode != 2:
            break
    return process.returncode, said, _ours(complained)


def _ours(complained: str) -> str:
    """Without what the sound libraries print by themselves."""
    theirs = ("ALSA lib", "Expression '")
    return "\n".join(line for line in complained.splitlines() if not line.startswith(theirs))


def steady(folder: Path, name: str, into: Path) -> Path:
    """The steady part of a played file as a recording of its own."""
    x, rate = soundfile.read(folder / "signals" / name)
    fade = round((FADE_S + 0.1) * rate)
    soundfile.write(into / name, x[fade:-fade], rate, subtype="PCM_24")
    return into / name


def apart(folder: Path, into: Path) -> pd.DataFrame:
    """Of each recorded tone and channel, how far level (dB) and frequency (cents) are from those
    of the file that was played for it."""
    into.mkdir()
    rows = []
    for take in read_study(folder).takes:
        if take.kind not in TONE_KINDS:
            continue
        played = _level(steady(folder, signal_name(take), into), take.tone_hz, 1)
        for channel in (1, 2):
            heard = _level(folder / take.file, take.tone_hz, channel)
            cents = 1200 * np.log2(heard[1] / played[1])
            rows.append((take.take, channel, heard[0] - played[0], cents))
    return pd.DataFrame(rows, columns=["take", "channel", "level_db", "cents"])


def _level(path: Path, tone_hz: float, channel: int) -> tuple[float, float]:
    found = st.measure_take(path, tone_hz=tone_hz, response=channel).set_index("feature")["value"]
    return found["tone.h1.level_db"], found["tone.frequency_hz"]


def test_three_takes_come_back_as_they_were_played(server, tmp_path):
    folder = write_three(tmp_path / "rails")
    code, said, complained = record(
        server, folder, "--input", "default", "--output", "default", "--loopback", "--yes"
    )
    assert code == 0, said + complained
    assert "latency" in said
    code, said, complained = record(server, folder, "--yes")
    assert code == 0, said + complained
    study = read_study(folder)
    assert [take.take for take in study.takes] == ["L1-soft", "L1-sweep", "L1-a"]
    assert said.count("\ngood") == 3
    found = apart(folder, tmp_path / "played")
    assert len(found) == 4
    assert found["level_db"].abs().max() < LEVEL_DB
    assert found["cents"].abs().max() < CENTS
    # The sweep, sample by sample.
    x, _ = soundfile.read(folder / "recordings" / "day1" / "L1-sweep.wav")
    own, _ = soundfile.read(folder / "signals" / "sweep-down20.wav")
    at = int(np.argmax(np.correlate(x[: 20_000 + own.size // 4, 0], own[: own.size // 4], "valid")))
    assert np.max(np.abs(x[at : at + own.size // 2, 0] - own[: own.size // 2])) < 2.0**-22


@at_length
def test_a_server_at_another_rate_is_told_by_the_loopback(server, tmp_path, monkeypatch):
    """The server runs at 48 kHz and converts the study's 96 kHz without a word."""
    # With the usual short one it loses samples, and says so: then nothing else can be told.
    monkeypatch.setitem(server.environment, "PULSE_LATENCY_MSEC", "200")
    folder = write_three(tmp_path / "rails", rate_hz=96_000)
    code, said, complained = record(
        server, folder, "--input", "default", "--output", "default", "--loopback", "--yes"
    )
    assert code == 1, complained
    assert "Something changes the samples on the way" in said


def begun(process: subprocess.Popen, folder: Path, *, bytes_written: int = 60_000) -> Path:
    """Wait until some of a take is on the drive; its hidden file."""
    while not waits_for(process, TICK_S):
        for path in (folder / "recordings").rglob(".*.part"):
            if path.stat().st_size >= bytes_written:
                return path
    raise AssertionError(process.communicate())


@at_length
@pytest.mark.parametrize("end", ["interrupt", "kill"])
def test_a_program_that_ends_in_the_middle_leaves_the_take_beside_its_place(server, tmp_path, end):
    folder = write_three(tmp_path / "rails")
    options = ("--input", "default", "--output", "default", "--yes")
    process = start(server, folder, *options)
    part = begun(process, folder)
    process.send_signal({"interrupt": signal.SIGINT, "kill": signal.SIGKILL}[end])
    _, complained = process.communicate(timeout=60)
    assert process.returncode == {"interrupt": 130, "kill": -9}[end], complained
    if end == "interrupt":
        assert _ours(complained).strip() == say("cli.stopped")
    kept = [path.name for path in (folder / "recordings").rglob("*.wav")]
    assert kept == []
    held = part.rename(part.with_name("held.bin"))
    assert probe(held).truncated == (end == "kill")
    assert probe(held).frames * 6 > 50_000
    held.rename(part)
    _, said, complained = record(server, folder, "--take", "L1-soft", "--yes")
    assert say("record.left_over", take="L1-soft") in said, complained
    assert [take.take for take in read_study(folder).takes] == ["L1-soft"]


@at_length
def test_a_server_that_ends_in_the_middle_is_one_sentence(tmp_path):
    folder = write_three(tmp_path / "rails")
    own = Server(48_000)
    try:
        process = start(own, folder, "--input", "default", "--output", "default", "--yes")
        begun(process, folder)
        own.kill()
        _, complained = process.communicate(timeout=60)
    finally:
        own.end()
    assert process.returncode == 2, complained
    (sentence,) = _ours(complained).splitlines()
    assert "was unplugged" in sentence or "cannot be used" in sentence
    assert [path for path in (folder / "recordings").rglob("*.wav")] == []


def write_whole(folder: Path) -> Path:
    """A scheduled study of 40 takes, with its signals."""
    toml = TOML.format(rate_hz=48_000) + WHOLE
    rows = boards({"larch": 2, "robinia": 2})
    write_planned(folder, toml=toml, rows=rows)
    write_schedule(read_unrecorded(folder))
    write_signals(read_study(folder))
    return folder


def test_the_whole_study_has_40_takes(tmp_path):
    assert len(read_study(write_whole(tmp_path / "rails")).planned) == 40


@at_length
def test_a_whole_schedule_is_recorded_by_a_command_and_ends_in_a_report(server, tmp_path):
    folder = write_whole(tmp_path / "rails")
    chosen = ("--input", "default", "--output", "default")
    code, said, complained = record(server, folder, *chosen, "--loopback", "--yes")
    assert code == 0, said + complained
    print(said.splitlines()[-1])
    # Without it, the takes of this bench would be copies of each other to the last bit.
    server.hiss()
    code, said, complained = record(server, folder, "--yes")
    assert code == 0, said + complained
    study = read_study(folder)
    assert len(study.takes) == 40
    assert study.planned == ()
    found = apart(folder, tmp_path / "played")
    redone = said.count("\nredo") + complained.count("samples were lost")
    print(f"40 takes, {redone} made again; {len(found)} tones apart from the files played:")
    print(f"level {found['level_db'].abs().max():.2g} dB, {found['cents'].abs().max():.2g} cents")
    assert found["level_db"].abs().max() < LEVEL_DB
    assert found["cents"].abs().max() < CENTS
    reports = tmp_path / "reports"
    ran = subprocess.run(
        [*(sys.executable, "-P", "-m", "studylib.cli", "run", folder), "--reports", reports],
        capture_output=True, text=True,
    )  # fmt: skip
    assert ran.returncode == 0, ran.stdout + ran.stderr
    features = pd.read_csv(reports / "rails" / "tables" / "features.csv")
    told = {name: own["value"].dropna() for name, own in features.groupby("feature")}
    into = tmp_path / "again"
    into.mkdir()
    level_db, hz = _level(steady(folder, "tone172.wav", into), 172.0, 1)
    full = [t for t in study.takes if t.kind == "tone" and t.tone_hz == 172 and not t.drive_db]
    assert len(told["tone.h1.level_db"]) == len(full)
    worst = {
        "level_db": (told["tone.h1.level_db"] - level_db).abs().max(),
        "cents": (1200 * np.log2(told["tone.frequency_hz"] / hz)).abs().max(),
        # Two channels of one cable: nothing lies between them.
        "response_db": told["tone.h1.response_db"].abs().max(),
        "probe_db": told["probe.k2.response_db"].abs().max(),
    }
    print(f"in the report: {worst}")
    assert worst.pop("cents") < CENTS
    assert max(worst.values()) < LEVEL_DB
    assert (reports / "rails" / "summary.html").is_file()
