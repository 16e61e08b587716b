"""The law for levels: levels as they should be, and what breaks it, by hand and from audio on.

Truth is the change that is made to the levels or to the recordings of an invented study.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import soundfile

from studylib import register
from studylib.attribution.levels import CHANNELS, level_findings, levels_of
from studylib.codes import code_of, fields_of
from studylib.measure.batch import measure_batch
from studylib.sheets import read_study
from studylib.stats.caveats import relative_to_drive
from studylib.words import say
from tests.attribution.amplitudes import draw_plan, simulate
from tests.attribution.audio import audio_plan, write_audio_study

MASS = {"larch": 250.0, "cherry": 260.0, "robinia": 320.0}


def table(*, boards=3, mounts=2, seed=1, spread_db=0.1) -> pd.DataFrame:
    """Levels in the order of recording: boards of three woods in turn, tones, steps and probes."""
    rng, rows = np.random.default_rng(seed), []
    names = [(wood, f"{wood[0]}{n}") for n in range(boards) for wood in MASS]
    own = {name: rng.normal(0, [3.0, 0.3], (4, 2)) for _, name in names}
    for mount in range(1, mounts + 1):
        for wood, name in names:
            again = rng.normal(0, 0.3, 2)
            played = [
                (1, -18.0),
                (1, -12.0),
                (1, -6.0),
                *[(1, 0.0)] * 3,
                *[(2, 0.0)] * 2,
                (3, -6.0),
            ]
            for k, drive_db in played:
                level = own[name][k] + again + rng.normal(0, spread_db, 2) + drive_db - 20.0
                rows.append((f"t{len(rows)}", f"day{mount}", "tone", name, mount, wood, k, drive_db,
                             0.0, 8.686 * np.log(MASS[wood]), *level, -110.0, -110.0))  # fmt: skip
    names = ["take", "batch", "kind", "specimen", "mount", "wood", "k", "drive_db", "gain_db"]
    noise = [f"{channel}_noise" for channel in CHANNELS]
    return pd.DataFrame(rows, columns=[*names, "mass_db", *CHANNELS, *noise])


def only(levels: pd.DataFrame) -> tuple[str, dict]:
    found = level_findings(levels)
    assert len(found) == 1, found
    assert len(say(found[0])) > 60
    return code_of(found[0]), fields_of(found[0])


def test_levels_that_follow_the_drive_are_not_mentioned():
    assert [found for seed in range(5) for found in level_findings(table(seed=seed))] == []


def test_simulated_clean_studies_are_not_accused():
    """All kinds that amplitudes knows."""
    kinds = (
        "driver only",
        "steps",
        "buzz",
        "air",
        "recorder",
        "voltage",
        "no drive channel",
        "sweep",
    )
    accused = []
    for seed in range(16):
        rng = np.random.default_rng([15, seed])
        plan = replace(draw_plan(rng, kinds[seed % len(kinds)]), size=4, boards=4)
        study = simulate(plan, rng)
        levels = levels_of(study.harmonics, study.takes, [], fundamental_hz=plan.fundamental_hz)
        accused += level_findings(levels)
    assert accused == []


def test_level_control_falls_less_than_the_drive_says():
    levels = table()
    levels[CHANNELS] = levels[CHANNELS].sub(0.5 * levels["drive_db"], axis=0)
    code, found = only(levels)
    assert (code, found["channel"], found["woods"]) == ("levels.control", "both", [])
    assert found["low"] < 0.5 < found["high"]
    assert found["cases"] == found["of"] == 18
    assert "or a driver or amplifier" in say(level_findings(levels)[0])
    levels["response_noise"] -= 0.5 * levels["drive_db"]
    assert "noise rises" in say(level_findings(levels)[0])


def test_level_control_that_goes_with_one_wood_names_it():
    levels = table()
    mine = levels["wood"] == "cherry"
    levels.loc[mine, "response"] -= 0.4 * levels.loc[mine, "drive_db"]
    code, found = only(levels)
    assert (code, found["channel"], found["woods"]) == (
        "levels.control",
        "response",
        ["cherry"],
    )


def test_a_ceiling_shows_at_the_highest_step_alone():
    levels = table()
    levels["response"] = levels["response"].clip(upper=-22.0)
    code, found = only(levels)
    assert (code, found["channel"]) == ("levels.ceiling", "response")
    assert 0.5 < found["low"] < found["short_db"]
    assert found["cases"] < found["of"]


@pytest.mark.parametrize(
    ("channels", "step_db", "code", "channel"),
    [
        (CHANNELS, 6.0, "levels.knob", "both"),
        (["response"], -3.0, "levels.knob", "response"),
        (["drive"], 4.0, "levels.knob", "drive"),
        (["drive"], -4.0, "levels.loose", "drive"),
    ],
)
@pytest.mark.parametrize("extent", ["take", "rest"])
def test_a_change_is_found_where_it_happened(channels, step_db, code, channel, extent):
    """While a board is mounted, to the end of its mount; between two mounts, to the end."""
    levels, on = table(), slice(58, 62) if extent == "take" else slice(99, None)
    levels.loc[on, channels] += step_db
    found = only(levels)
    assert (found[0], found[1]["channel"], found[1]["extent"]) == (code, channel, extent)
    assert found[1]["step_db"] == pytest.approx(step_db, abs=0.4)
    assert found[1]["take"] == f"t{on.start}"


def test_a_sensor_that_is_loose_in_one_mount_is_found():
    levels = table(mounts=4)
    mine = (levels["specimen"] == "c1") & (levels["mount"] == 2)
    levels.loc[mine, "drive"] -= 5.0
    code, found = only(levels)
    assert (code, found["extent"], found["wood"]) == ("levels.loose", "mount", "cherry")
    assert found["take"] == levels.loc[mine, "take"].iloc[0]


def test_a_slow_drift_is_no_knob():
    levels = table(boards=4)
    levels["response"] += np.linspace(0, 4.0, len(levels))
    assert level_findings(levels) == []


def test_a_gain_that_was_noted_and_not_turned_is_named_with_the_column():
    levels = table()
    levels.loc[99:, "gain_db"] = 6.0  # levels are at the bench's gain: 6 dB were taken off
    levels.loc[99:, CHANNELS] -= 6.0
    _, found = only(levels)
    assert found["gain_db"] == 6.0


def test_a_step_that_goes_with_one_wood_stops_what_rests_on_its_channel():
    levels = table(boards=4)
    levels.loc[levels["wood"] == "larch", "drive"] -= 4.0
    code, found = only(levels)
    assert (code, found["wood"], found["channel"]) == ("levels.with_wood", "larch", "drive")
    assert found["low"] < -3.0
    assert relative_to_drive(register.find("probe.k3.response_db"))
    assert not relative_to_drive(register.find("tone.h3.rel_db"))


def test_what_the_mass_of_the_boards_explains_is_no_step():
    """A heavier board is shaken less, by up to the ratio of masses: 20 lg(320 / 255) = 2 dB."""
    levels = table(boards=4)
    levels.loc[levels["wood"] == "robinia", "drive"] -= 2.0
    assert level_findings(levels) == []
    levels.loc[levels["wood"] == "robinia", "drive"] += 5.0
    assert only(levels)[0] == "levels.with_wood"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """An invented study as files, with drive steps."""
    plan = audio_plan(
        "steps", size=3, repeats=2, buzz=frozenset(), leave_out=frozenset({"airborne"})
    )
    return write_audio_study(tmp_path_factory.mktemp("levels") / "study", plan, seed=3).folder


def changed(folder, into, change) -> list[str]:
    """Findings on a copy of the recordings; `change` gets take number, row and samples."""
    study = read_study(folder)
    into.mkdir()
    for name in ("study.toml", "specimens.csv", "takes.csv"):
        (into / name).write_bytes((folder / name).read_bytes())
    (into / "recordings").mkdir()
    for number, take in enumerate(study.takes):
        x, rate_hz = soundfile.read(folder / take.file)
        soundfile.write(into / take.file, change(number, take, x.copy()), rate_hz, subtype="PCM_24")
    study = read_study(into)
    harmonics = measure_batch(study, "day1").harmonics
    fundamental_hz = study.settings.tone.fundamental_hz
    levels = levels_of(harmonics, study.takes, study.specimens, fundamental_hz=fundamental_hz)
    return level_findings(levels)


def as_it_was(number, take, x):
    return x


def controlled(number, take, x):
    return x * (np.sqrt((x**2).mean()) / 0.05) ** -0.5


def turned(number, take, x):
    return x * (0.5 if number >= 13 else 1.0)


def come_loose(number, take, x):
    x[:, 1] *= 0.5 if number >= 13 else 1.0
    return x


@pytest.mark.parametrize(
    ("change", "code", "channel"),
    [
        (as_it_was, "", ""),
        (controlled, "levels.control", "both"),
        (turned, "levels.knob", "both"),
        (come_loose, "levels.loose", "drive"),
    ],
)
def test_recordings_tell_level_control_a_knob_and_a_loose_sensor(
    recorded, tmp_path, change, code, channel
):
    found = changed(recorded, tmp_path / "s", change)
    told = {(code_of(one), fields_of(one)["channel"]) for one in found}
    assert told == ({(code, channel)} if code else set())
