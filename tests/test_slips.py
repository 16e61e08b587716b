"""Slips at the bench, planted into real files: each is named, and what is none is left alone.

The recordings are computed here (a modal board, a microphone in a room, a quieter sensor at the
driving point); the demo's own takes stand for those that nothing is wrong with.
"""

from __future__ import annotations

import shutil
from functools import cache
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from studylib import cli
from studylib.bench.slips import Heard, hear, owner_of, slip_of, slips
from studylib.bench.watch import first_look
from studylib.codes import code_of, fields_of
from studylib.sheets import read_study
from studylib.words import say
from tests.demo import DEMO
from tests.test_watch import Bench

RATE = 8000
TOML = f"""
[study]
title = "Rails"
question = "Does the wood matter?"
[channels]
rate_hz = {RATE}
drive = 2
drive_kind = "acceleration"
[tone]
fundamental_hz = 220
harmonics = 5
skip_s = 0.05
length_s = 0.4
[sweep]
lowest_hz = 60
highest_hz = 3500
length_s = 1.5
"""
HEADER = "take,batch,kind,specimen,mount,repeat,file,order,tone_hz,drive_db"
# name -> kind, specimen, mount, repeat, tone_hz, drive_db
ROWS = {
    "room": ("room", "", "", 1, "", ""),
    **{f"L1-{n}": ("tone", "L1", 1, n, 220, "") for n in (1, 2, 3)},
    "L1-down": ("tone", "L1", 1, 1, 220, -12),
    "L1-probe": ("tone", "L1", 1, 1, 660, ""),
    "L1-half": ("tone", "L1", 1, 1, 110, ""),
    "L1-sweep": ("sweep", "L1", 1, 1, "", -20),
    "L1-tap": ("tap", "L1", 1, 1, "", ""),
    **{f"R1-{n}": ("tone", "R1", 1, n, 220, "") for n in (1, 2, 3)},
    "R1-probe": ("tone", "R1", 1, 1, 660, ""),
}


def wave(name, **changes):
    """(frames, 2): what the take of this name should hold; `changes` plant a slip."""
    kind, specimen, _, _, hz, down = ROWS[name]
    with_it = {"kind": kind, "hz": hz, "db": float(down or 0)} | changes
    rng = np.random.default_rng(list(name.encode()))
    t = np.arange(2 * RATE) / RATE
    board = {"": 0.0, "L1": 0.0, "R1": -10.0}[specimen]  # boards differ by more than a step
    if with_it["kind"] == "tone":
        phi = 2 * np.pi * with_it["hz"] * t + rng.uniform(0, 6)
        played = np.sin(phi) + 0.02 * np.sin(2 * phi) + 0.01 * np.sin(3 * phi)
    elif with_it["kind"] == "sweep":
        pace = 1.5 / np.log(3500 / 60)
        played = np.where(t < 1.5, np.sin(2 * np.pi * 60 * pace * np.expm1(t / pace)), 0.0)
    elif with_it["kind"] == "tap":
        since = (t - 0.3) % 0.6
        played = np.exp(-12 * since) * np.sin(2 * np.pi * 163 * since) * (t > 0.3)
    else:
        played = np.zeros(t.size)
    played = played * 10 ** ((with_it["db"] + 0.2 * rng.standard_normal()) / 20)
    sensed = 0.2 * played * (with_it["kind"] != "tap")
    x = np.stack([0.05 * 10 ** (board / 20) * played, sensed], axis=1)
    return x + [1e-4, 1e-5] * rng.standard_normal((t.size, 2))


@pytest.fixture
def folder(tmp_path):
    """The sheets of a study with all of its takes scheduled, nothing recorded."""
    folder = tmp_path / "rails"
    (folder / "recordings").mkdir(parents=True)
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    (folder / "specimens.csv").write_text(
        "specimen,wood,source,length_mm,width_mm,thickness_mm,mass_g\n"
        "L1,larch,a,700,38,18,300\nR1,robinia,b,700,38,18,400\n",
        encoding="utf-8",
    )
    rows = [
        f"{name},day1,{kind},{board},{mount},{n},recordings/{name}.wav,{i},{hz},{db}"
        for i, (name, (kind, board, mount, n, hz, db)) in enumerate(ROWS.items(), start=1)
    ]
    (folder / "takes.csv").write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
    takes = ", ".join(f'"{name}"' for name in ROWS)
    schedule = f'{{"schedules": [{{"seed": 1, "batches": ["day1"], "takes": [{takes}]}}]}}'
    (folder / "schedule.json").write_text(schedule, encoding="utf-8")
    return folder


def record(folder, *names, **changes):
    for name in names:
        path = folder / "recordings" / f"{name}.wav"
        soundfile.write(path, wave(name, **changes), RATE, subtype="PCM_24")
    return path


def found(folder, name):
    study = read_study(folder)
    hears = cache(lambda take: hear(study, study.path_of(take)))
    return slip_of(study, next(t for t in study.takes if t.take == name), hears)


def look(folder, name):
    study = read_study(folder)
    return first_look(study, next(t for t in study.takes if t.take == name))


def test_nothing_is_said_of_a_study_without_a_slip(folder):
    record(folder, *ROWS)
    study = read_study(folder)
    heard = {t.take: hear(study, study.path_of(t)).kind for t in study.takes}
    assert heard == {name: {"room": "silence"}.get(row[0], row[0]) for name, row in ROWS.items()}
    assert slips(study) == {}


def test_nothing_is_said_of_any_take_of_the_demo():
    """368 recordings of 12 boards in two sittings, one of them excluded for a knock."""
    assert slips(read_study(DEMO)) == {}


@pytest.mark.parametrize(
    ("name", "changes", "says"),
    [
        (
            "L1-1",
            {"hz": 110},
            "a steady tone of 110 Hz, where the row says a steady tone of 220 Hz",
        ),
        ("L1-1", {"hz": 660}, "a steady tone of 660 Hz, where"),
        ("L1-probe", {"hz": 220}, "220 Hz, where the row says a steady tone of 660 Hz"),
        ("L1-sweep", {"kind": "tone", "hz": 220}, "220 Hz, where the row says a sweep"),
        ("L1-tap", {"kind": "tone", "hz": 220}, "the row says knocks that die away"),
        ("room", {"kind": "tone", "hz": 220}, "220 Hz, where the row says silence"),
        ("L1-1", {"kind": "sweep"}, "a sweep, where the row says a steady tone of 220 Hz"),
        ("L1-tap", {"kind": "sweep"}, "a sweep, where the row says knocks"),
        ("L1-1", {"kind": "tap"}, "knocks that die away, where the row says a steady tone"),
    ],
)
def test_another_signal_of_the_schedule_is_named_and_hum_never(folder, name, changes, says):
    record(folder, "room", name, **changes) if name == "room" else record(folder, "room")
    record(folder, name, **changes)
    seen = look(folder, name)
    said = say(seen.reason)
    assert (seen.verdict, code_of(seen.reason)) == ("redo", "slips.other")
    assert says in said
    assert "The schedule has that as L1-" in said
    assert "hum" not in said


def test_the_one_take_that_waits_for_it_is_offered_by_its_exact_name(folder):
    record(folder, "room")
    record(folder, "L1-1", hz=110)
    assert say(found(folder, "L1-1")) == (
        "this is a steady tone of 110 Hz, where the row says a steady tone of 220 Hz. The schedule "
        "has that as L1-half: if it is that take, rename the file to recordings/L1-half.wav; if it "
        "was played by mistake, record again"
    )
    record(folder, "L1-half")
    assert say(found(folder, "L1-1")).endswith(
        "The schedule has that as L1-half: was it played by mistake, or saved under the wrong "
        "name? Record again what is missing"
    )
    record(folder, "L1-probe", hz=220)  # three takes hold that tone
    assert fields_of(found(folder, "L1-probe"))["file"] == ""
    record(folder, "room", kind="tone", hz=660)  # of no mount: two takes, neither of them likelier
    assert "The schedule has that as R1-probe and 1 more: was" in say(found(folder, "room"))


@pytest.mark.parametrize(
    ("hz", "says"),
    [(307.0, "No take of this batch has that tone"), (202.0, "as 44.1 to 48 kHz")],
)
def test_a_tone_of_no_take_is_told_with_its_frequency(folder, hz, says):
    record(folder, "L1-1", hz=hz)
    said = say(found(folder, "L1-1"))
    assert f"a steady tone of {hz:.4g} Hz" in said
    assert says in said


def test_hum_that_drowns_a_take_is_left_to_the_checks(folder):
    path, t = record(folder, "L1-1"), np.arange(2 * RATE) / RATE
    hum = np.stack([0.5 * np.sin(2 * np.pi * 50 * t)] * 2, axis=1)
    soundfile.write(path, wave("L1-1", db=-40.0) + hum, RATE, subtype="PCM_24")
    assert found(folder, "L1-1") == ""


def test_a_drivers_harmonics_are_not_another_take(folder):
    """Second harmonic 20 dB above the tone in the response, the tone in the drive channel."""
    x, t = wave("L1-half"), np.arange(2 * RATE) / RATE
    x[:, 0] = 0.01 * np.sin(2 * np.pi * 110 * t) + 0.1 * np.sin(2 * np.pi * 220 * t)
    soundfile.write(record(folder, "L1-half"), x, RATE, subtype="PCM_24")
    assert found(folder, "L1-half") == ""


@pytest.mark.parametrize("by", ["noise", "repeats"])
def test_exchanged_channels_are_told_against_takes_that_agree(folder, by):
    """In the first take of another board by the noise, in a repeat by the levels alone."""
    record(folder, "L1-1", "L1-2", "L1-3")
    x, name = wave("R1-1" if by == "noise" else "L1-3"), "R1-1" if by == "noise" else "L1-3"
    if by == "repeats":
        for other in ("L1-1", "L1-2", "L1-3"):  # both channels alike in noise
            rng = np.random.default_rng(len(other))
            y = wave(other) + 3e-4 * rng.standard_normal((2 * RATE, 2))
            soundfile.write(folder / f"recordings/{other}.wav", y, RATE, subtype="PCM_24")
        x = y
    assert found(folder, "L1-3") == ""
    soundfile.write(folder / f"recordings/{name}.wav", x[:, ::-1], RATE, subtype="PCM_24")
    seen = look(folder, name)
    assert (seen.verdict, code_of(seen.reason)) == ("redo", "slips.exchanged")
    assert "the other way round than in L1-1" in say(seen.reason)


@pytest.mark.parametrize(("factor", "what"), [(0.0, "empty"), (None, "nothing but noise")])
@pytest.mark.parametrize(("channel", "name"), [(0, "response"), (1, "drive")])
def test_a_dead_channel_is_told(folder, factor, what, channel, name):
    x = wave("L1-1")
    x[:, channel] = 0.0 if factor == 0.0 else wave("room")[:, channel]
    soundfile.write(record(folder, "L1-1"), x, RATE, subtype="PCM_24")
    seen = look(folder, "L1-1")
    assert seen.verdict == "redo"
    assert say(seen.reason).startswith(f"channel {channel + 1} ({name}) is {what}, and the other")


@pytest.mark.parametrize(
    ("name", "db", "says"),
    [
        ("L1-3", 6.0, "both channels of L1-3 lie 5.{} dB above L1-1 and L1-2"),
        ("L1-3", -12.0, "dB below L1-1 and L1-2"),
        ("L1-down", 0.0, "about a step of 12 dB"),
        ("L1-3", 4.0, "more than their rows explain. If it was set so"),
    ],
)
def test_a_level_that_the_rows_do_not_explain_is_told_and_kept(folder, name, db, says):
    record(folder, "room", "L1-1", "L1-2")
    record(folder, name)
    assert found(folder, name) == ""
    record(folder, name, db=db)
    seen = look(folder, name)
    assert (seen.verdict, code_of(seen.reason)) == ("keep", "slips.level")
    assert says.split("{}")[0] in say(seen.reason)


def test_a_gain_of_one_channel_is_told_as_that(folder):
    record(folder, "L1-1", "L1-2", "L1-3")
    x = wave("L1-3") * [10 ** (-10 / 20), 1.0]
    soundfile.write(folder / "recordings/L1-3.wav", x, RATE, subtype="PCM_24")
    said = say(found(folder, "L1-3"))
    assert said.startswith("the response of L1-3 lies ")
    assert "about a step of 10 dB: is it the gain of that channel, or did something move" in said


def test_of_two_takes_that_disagree_neither_is_blamed(folder):
    record(folder, "L1-1")
    record(folder, "L1-2", db=-6.0)
    for name, other in (("L1-1", "L1-2"), ("L1-2", "L1-1")):
        slip = found(folder, name)
        assert (code_of(slip), fields_of(slip)["others"]) == ("slips.pair", [other])
        assert say(slip).endswith("Nothing here says which of the two is right")
    # `study check` says both with their levels, and not a third time.
    assert slips(read_study(folder)) == {}


def test_what_stands_in_the_row_is_no_slip(folder):
    text = (folder / "takes.csv").read_text(encoding="utf-8")
    (folder / "takes.csv").write_text(
        text.replace("L1-3.wav,4,220,", "L1-3.wav,4,220,-6"), encoding="utf-8"
    )
    record(folder, "L1-1", "L1-2")
    record(folder, "L1-3", db=-6.0)
    assert found(folder, "L1-3") == ""


def test_a_board_10_db_from_another_and_taps_of_any_strength_are_no_slip(folder):
    record(folder, *ROWS)
    soundfile.write(folder / "recordings/L1-tap.wav", 0.1 * wave("L1-tap"), RATE, subtype="PCM_24")
    assert {found(folder, name) for name in ("R1-1", "R1-2", "R1-probe", "L1-tap")} == {""}


@pytest.mark.parametrize("spread_db", [1.0, 3.0, 6.0])
def test_no_mount_is_accused_however_far_mounts_spread(folder, spread_db):
    """60 studies of 9 mounts with three takes each: the spread between mounts is in both channels
    independently, that between takes 0.5 dB, and the room's noise wanders by 2 dB."""
    record(folder, "L1-1")
    take, settings = read_study(folder).takes[0], read_study(folder).settings
    rng, told = np.random.default_rng(172), []
    for _ in range(60):
        rows, heard = [], {}
        for mount in range(1, 10):
            level = np.array([-26.0, -14.0]) + spread_db * rng.standard_normal(2)
            for repeat in range(1, 4):
                row = {"take": f"{mount}-{repeat}", "mount": mount, "row": 3 * mount + repeat}
                rows.append(take.model_copy(update=row))
                read = level + [0.5, 0.2] * rng.standard_normal(2)
                noise = np.array([-95.0, -112.0]) + [2.0, 0.5] * rng.standard_normal(2)
                heard[row["take"]] = Heard("tone", 220.0, {220.0: read}, read, noise, None)
        study = SimpleNamespace(
            takes=tuple(rows), planned=(), settings=settings,
            scheduled_of=lambda _, rows=tuple(rows): rows,
        )  # fmt: skip
        told += [slip_of(study, t, lambda one, heard=heard: heard[one.take]) for t in rows]
    assert len(told) == 1620
    assert set(told) == {""}


def test_study_check_says_it_as_well_and_hum_of_no_take_that_is_another(folder):
    """What it prints of slips, whole."""
    record(folder, "room", "L1-1", "L1-2", "L1-probe")
    record(folder, "L1-3", hz=110)
    record(folder, "L1-down", db=0.0)
    found = CliRunner().invoke(cli.main, ["check", str(folder)])
    lines = found.output.splitlines()
    (down,) = (line for line in lines if "L1-down" in line)
    assert down.startswith("Warning: L1-down: both channels of L1-down lie 1")
    assert down.endswith(
        "dB above L1-1 and L1-2, more than their rows explain and about a step of 12 dB: is it the "
        "drive level, or the recorder's gain. If it was set so, write that into drive_db or "
        "gain_db of its row; if not, put it right and record again"
    )
    at = lines.index("Not fit for use:")
    assert lines[at + 1 : at + 4] == [
        "  L1-3 (takes.csv, row 5; recordings/L1-3.wav)",
        "    this is a steady tone of 110 Hz, where the row says a steady tone of 220 Hz. The "
        "schedule has that as L1-half: if it is that take, rename the file to "
        "recordings/L1-half.wav; if it was played by mistake, record again",
        lines[at + 3],
    ]
    assert lines[at + 3].startswith("6 takes: 1 not fit for use")
    assert found.exit_code == 1
    assert "hum" not in found.output


# Files without a row


def offered(folder, file):
    study = read_study(folder)
    take, named = owner_of(study, f"recordings/{file}", study.planned) or (None, None)
    return take and take.take, named


def test_a_name_with_other_letters_ending_or_folder_is_that_take(folder):
    record(folder, "room")
    path = record(folder, "L1-probe")
    (folder / "recordings" / "day1").mkdir()
    for file in ("L1-probe.WAV", "l1-PROBE.wav", "day1/L1-probe.wav"):
        path = path.rename(folder / "recordings" / file)
        assert offered(folder, file) == ("L1-probe", True)
    # The name of one take, the content of another that waits alone for it.
    soundfile.write(path, wave("L1-sweep"), RATE, subtype="PCM_24")
    assert offered(folder, "day1/L1-probe.wav") == ("L1-sweep", False)


def test_content_alone_offers_the_next_or_the_only_one_that_fits(folder):
    record(folder, "room")
    record(folder, "L1-1").rename(folder / "recordings" / "new.wav")
    assert offered(folder, "new.wav") == ("L1-1", False)  # of five that fit, the next
    record(folder, "L1-1")
    record(folder, "L1-tap").rename(folder / "recordings" / "new.wav")
    assert offered(folder, "new.wav") == ("L1-tap", False)  # the only one
    record(folder, "L1-probe").rename(folder / "recordings" / "new.wav")
    assert offered(folder, "new.wav") == (None, None)  # L1's or R1's
    soundfile.write(folder / "recordings/new.wav", wave("L1-tap"), 2 * RATE, subtype="PCM_24")
    assert offered(folder, "new.wav") == (None, None)  # another rate


def test_nothing_is_offered_in_the_place_of_a_recording(folder):
    record(folder, "room", "L1-probe", "R1-probe")
    shutil.copy(folder / "recordings/L1-probe.wav", folder / "recordings/L1-probe.WAV")
    assert offered(folder, "L1-probe.WAV") == (None, None)
    study = read_study(folder)  # nor where that is to be made again
    assert owner_of(study, "recordings/L1-probe.WAV", study.takes) is None


# What the bench prints, whole


def test_the_watch_says_it_in_one_line_and_renames_nothing(folder):
    bench = Bench(folder)
    record(folder, "room")
    bench.after()
    path = record(folder, "L1-1").rename(folder / "recordings/L1-1.WAV")
    assert bench.after() == [
        "rename  recordings/L1-1.WAV: the recording of L1-1 by its name and its content, but the "
        "row says recordings/L1-1.wav. Rename the file to recordings/L1-1.wav"
    ]
    assert path.is_file()
    path.rename(folder / "recordings/take 7.wav")
    assert bench.after() == [
        "rename  recordings/take 7.wav: no row has this name; its content fits L1-1, which is "
        "still to be recorded. If it is that take, rename the file to recordings/L1-1.wav"
    ]
    (folder / "recordings/take 7.wav").rename(folder / "recordings/L1-1.wav")
    (line,) = bench.after()
    assert line.startswith("keep  L1-1 | day1: 2 of 13; next: Play tone220.wav")
    record(folder, "L1-2", hz=110)
    (line,) = bench.after()
    assert line.startswith(
        "redo  L1-2: this is a steady tone of 110 Hz, where the row says a steady tone of 220 Hz. "
        "The schedule has that as L1-half: if it is that take, rename the file to "
        "recordings/L1-half.wav; if it was played by mistake, record again | day1: 2 of 13; next: "
    )
    shutil.copy(folder / "recordings/L1-1.wav", folder / "recordings/L1-2.wav")
    (line,) = bench.after()
    assert line.startswith(
        "redo  L1-2: this is the recording of L1-1 (recordings/L1-1.wav) over again, byte for "
        "byte; record this take | "
    )
    shutil.copy(folder / "recordings/L1-1.wav", folder / "recordings/copy of it.wav")
    record(folder, "L1-2", db=6.0)
    lines = bench.after()
    assert lines[0].startswith("keep  L1-2: both channels of L1-2 lie ")
    assert "dB above L1-1, more than their rows explain and about a step of 6 dB: is it" in lines[0]
    assert lines[1].startswith("redo  recordings/copy of it.wav: no row has this name; its content")
    assert lines[1].endswith(
        "It would not do: this is the recording of L1-1 (recordings/L1-1.wav) over again, byte for "
        "byte; record this take"
    )
    assert all("\n" not in line for line in bench.said)
