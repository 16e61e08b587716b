"""The first hour of a newcomer with a phone: from `study new` to a verdict, with files.

The recordings are invented: one channel, 48 kHz, 16 bit, a steady tone with the driver's harmonics,
and two taps that ring in two modes, both in the noise of a phone. Woods differ in level and in
their modes by far more than boards and mounts do, so that each verdict is known beforehand.
"""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner

from studylib import cli
from studylib.bench.schedule import write_schedule
from studylib.front import compare
from studylib.modes.gathered import gather
from studylib.report.summary import summarise
from studylib.sheets import read_study
from studylib.sheets.study import read_unrecorded
from studylib.words import say

RATE_HZ = 48_000
NOISE = 10 ** (-75 / 20)
LEVEL = {"larch": 0.08, "robinia": 0.02}  # 12 dB
FIRST_MODE_HZ = {"larch": 160.0, "robinia": 130.0}  # 23 %
SPREAD = {"tone": 0.04, "tap": 0.004}  # of boards and, half of it, of mounts; relative


def study(*arguments: object):
    return CliRunner().invoke(cli.main, [str(one) for one in arguments])


def sound_of(take, wood: str, rng: np.random.Generator, spread: float) -> np.ndarray:
    """What the phone hears, without its noise."""
    t = np.arange(round({"tone": 2.0, "tap": 1.6}[take.kind] * RATE_HZ)) / RATE_HZ
    if take.kind == "tone":
        phase = 2 * np.pi * take.tone_hz * t
        harmonics = enumerate((1.0, 0.01, 0.004), start=1)
        level = LEVEL[wood] * spread * 10 ** (take.drive_db / 20)
        return level * sum(a * np.sin(k * phase) for k, a in harmonics)
    x = np.zeros_like(t)
    for at in (0.2, 0.9):
        first = round(at * RATE_HZ)
        since = t[: t.size - first]
        for times, decay_s in ((1.0, 0.5), (2.75, 0.3)):
            ring = np.sin(2 * np.pi * FIRST_MODE_HZ[wood] * spread * times * since)
            x[first:] += rng.uniform(0.05, 0.1) * ring * 10 ** (-3 * since / decay_s)
    return x


def record(folder, *, ending: str = ".wav") -> None:
    """Every take of the schedule, under the name that the schedule gives it."""
    rng = np.random.default_rng(172)
    planned = read_study(folder)
    boards = {s.specimen: rng.standard_normal() for s in planned.specimens}
    for take in planned.planned:
        x = np.zeros(3 * RATE_HZ)
        if take.specimen:
            departure = boards[take.specimen] + rng.standard_normal() / 2
            wood = planned.specimen(take.specimen).wood
            x = sound_of(take, wood, rng, 1 + SPREAD[take.kind] * departure)
        path = (folder / take.file).with_suffix(ending)
        soundfile.write(path, x + NOISE * rng.standard_normal(x.size), RATE_HZ, subtype="PCM_16")


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """The folder after `study new`, recording, copying and `study check`."""
    folder = tmp_path_factory.mktemp("hour") / "rails"
    options = ("--woods", "larch, robinia", "--boards", "3", "--trees", "y")
    assert study("new", folder, *options).exit_code == 0
    for command in ("signals", "sheet"):
        assert study(command, folder).exit_code == 0
    assert (folder / "signals" / "tone172.wav").is_file()
    assert (folder / "bench_sheets" / "day1.html").is_file()
    record(folder)
    return folder


@pytest.fixture(scope="module")
def summary(walked):
    read = read_study(walked)
    return summarise(read, gather(read))


def test_every_recording_is_fit_for_use(summary):
    takes = summary.gathered.quality.query("check == 'take'")
    assert len(takes) == 2 * 12 + 1 + 2
    assert set(takes["verdict"]) == {"pass"}


def test_the_hour_ends_in_a_verdict(summary):
    effects = summary.comparison.effects
    primary = effects[effects["role"] == "primary"].set_index("feature")
    assert dict(primary["verdict"]) == {
        "tone.h1.level_db": "different",
        "tap.m1.frequency_hz": "different",
    }
    level, mode = (primary.loc[name] for name in ("tone.h1.level_db", "tap.m1.frequency_hz"))
    assert level["low"] < 20 * np.log10(LEVEL["robinia"] / LEVEL["larch"]) < level["high"] < 0
    assert (
        mode["low"] < 100 * (FIRST_MODE_HZ["robinia"] / FIRST_MODE_HZ["larch"] - 1) < mode["high"]
    )
    assert set(summary.attribution.table["verdict"]) <= {"noise", "cannot tell"}


def test_without_planks_the_same_recordings_speak_of_boards_only(walked, summary):
    sheet = walked / "study.toml"
    text = sheet.read_text()
    try:
        sheet.write_text(text.replace("separate_trees = true", "separate_trees = false"))
        read = read_study(walked)
    finally:
        sheet.write_text(text)
    decide = read.settings.decide
    found = compare(summary.gathered.features, read.specimen_table(), primary=decide.primary)
    effects = found.effects
    assert set(effects.loc[effects["role"] == "primary", "verdict"]) == {"boards only"}


def test_a_drive_cannot_be_added_to_recordings_of_one_channel(walked):
    before = (walked / "study.toml").read_bytes()
    result = study("add", walked, "drive", "--kind", "force")
    (first,) = [t for t in read_study(walked).takes if t.kind == "tone"][:1]
    assert result.exit_code == 2
    assert result.stderr == say("new.recorded_without", file=first.file, channel=2) + "\n"
    assert (walked / "study.toml").read_bytes() == before


def test_a_further_session_follows_what_is_recorded(walked):
    """With controls, which the first had not."""
    assert study("add", walked, "controls").exit_code == 0
    recorded = {take.take for take in read_study(walked).takes}
    write_schedule(read_unrecorded(walked), add=1)
    found = read_study(walked)
    assert {take.take for take in found.takes} == recorded
    kinds = {take.kind for take in found.planned}
    assert {"loopback", "driver", "airborne", "idle", "room", "tone", "tap"} == kinds
    assert {take.batch for take in found.planned} == {"day2"}
