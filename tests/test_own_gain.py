"""A recorder that turns its gain, in a study: said wherever takes are told, and what it costs.

The processors are those of tests/signal/processors.py; clocks and steps have their stated truth.
"""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from studylib.codes import code_of, fields_of
from studylib.measure import measure_batch
from studylib.report.at_the_bench import bench_warnings, fitness, levels_told
from studylib.sheets import read_study
from studylib.words import say
from tests.signal.processors import automatic_gain, gate
from tests.signal.test_gain_moves import RATE, late_tone, taps
from tests.small_study import Plan, write_small_study

PLAN = Plan(wood_db={"larch": 0.0, "cherry": 3.0}, boards=1, mounts=1, takes=2, board_sd=0,
            mount_sd=0, take_sd=0, claim=False, controls=False, rate_hz=RATE)  # fmt: skip
TAKE = "lar1_m1_r1"


@pytest.fixture
def folder(tmp_path):
    """A study whose tones are looked for."""
    folder = write_small_study(tmp_path / "study", PLAN)
    edit(folder / "study.toml", "skip_s = 0.05\n", "", "length_s = 0.45", "length_s = 0.4")
    return folder


def edit(path, *changes):
    text = path.read_text(encoding="utf-8")
    for old, new in zip(changes[::2], changes[1::2], strict=True):
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")


def measured(folder, x, take=TAKE):
    """(rows of the features, of the checks, usable harmonics) of a take, and what is printed."""
    both = np.stack([x, x], axis=1)
    soundfile.write(folder / f"recordings/{take}.wav", both, RATE, subtype="PCM_24")
    study = read_study(folder)
    batch = measure_batch(study, "day1")
    features, quality, lines = (
        table[table["take"] == take] for table in (batch.features, batch.quality, batch.harmonics)
    )
    printed = "\n".join(fitness(study, batch.quality, slips={})[0])
    return features.set_index("feature"), quality.set_index("check"), lines["usable"].any(), printed


def test_levels_of_a_take_with_automatic_gain_are_those_of_no_other(folder, rng):
    x = late_tone(rng)
    plain, rows, lines, _ = measured(folder, x)
    assert "gain_moves" not in rows.index
    assert lines
    found, rows, lines, printed = measured(folder, automatic_gain(x, rate_hz=RATE))
    assert rows.loc["gain_moves", "verdict"] == "warn"
    assert not lines
    of = {"reason": "takes.own_gain", "usable": False}
    lost = {n for n in found.index if found.loc[n, "usable"] != plain.loc[n, "usable"]}
    assert {"tone.h1.level_db", "tone.h3.level_db", "tone.h1.response_db"} <= lost
    assert all(name.endswith(("level_db", "response_db")) for name in lost)
    assert (found.loc[sorted(lost), list(of)] == list(of.values())).all(axis=None)
    assert found.loc[["tone.h3.rel_db", "tone.frequency_hz"], "usable"].all()
    assert f"Warning: {TAKE}: by how much the noise is turned down by a sound" in printed


def test_a_gate_costs_a_tone_what_is_weak(folder, rng):
    x = gate(late_tone(rng), rate_hz=RATE, threshold_db=-55.0, hold_s=0.25)
    found, rows, lines, _ = measured(folder, x)
    assert rows.loc["noise_gated", "verdict"] == "warn"
    assert "gain_moves" not in rows.index
    assert not lines
    assert found.loc["tone.h1.level_db", "usable"]
    assert found.loc["tone.h3.rel_db", "reason"] == "takes.coded"


@pytest.mark.parametrize(("how", "check"), [(gate, "noise_gated"), (automatic_gain, "gain_moves")])
def test_taps_of_such_a_recorder_are_used_with_a_warning(folder, rng, how, check):
    edit(folder / "takes.csv", ",tone,", ",tap,", ",172.0", ",")
    x = taps(rng, noise_db=-45.0, ratio_db=20.0)
    options = {"threshold_db": -48.0, "hold_s": 0.2} if how is gate else {"most_db": 20.0}
    _, rows, _, printed = measured(folder, 0.1 * how(x, rate_hz=RATE, **options))
    assert rows.loc[check, "verdict"] == "warn"
    assert f"({check})" in printed


@pytest.mark.parametrize(
    ("step_db", "code"), [(-12.0, None), (-3.0, "levels.control"), (0.0, "levels_untested")]
)
def test_a_level_that_does_not_follow_the_drive_is_told_at_the_bench(folder, step_db, code):
    """One mount of each wood, again 12 dB lower; or, without a drive channel, no lower at all."""
    table = folder / "takes.csv"
    edit(folder / "study.toml", 'drive = 2\ndrive_kind = "acceleration"\n', "")
    if step_db:
        text = table.read_text(encoding="utf-8").splitlines()
        drive = {True: ",-12", False: ",0"}
        rows = [line + drive["_r2," in line] for line in text[1:]]
        table.write_text("\n".join([text[0] + ",drive_db", *rows]) + "\n", encoding="utf-8")
        for path in (folder / "recordings").glob("*_r2.wav"):
            x, _ = soundfile.read(path)
            soundfile.write(path, x * 10 ** (step_db / 20), RATE, subtype="PCM_24")
    study = read_study(folder)
    notes = levels_told(study, [measure_batch(study, "day1")])
    assert [code_of(one).removeprefix("checks.") for one in notes] == ([code] if code else [])
    if code == "levels.control":
        assert fields_of(notes[0])["share"] == pytest.approx(0.25, abs=0.05)
    if code == "levels_untested":
        assert "both fit for use" in say(notes[0])


def test_the_clocks_of_player_and_recorder_are_told_with_their_spread(folder, rng):
    """The tone of one take 20 ppm high, of the others 10 ppm low; one far off is no clock's."""
    t = np.arange(RATE) / RATE
    paths = sorted((folder / "recordings").glob("*.wav"))
    for path, ppm in zip(paths, (-10, -10, 20, 900), strict=True):
        x = 0.1 * np.sin(2 * np.pi * 172 * (1 + 1e-6 * ppm) * t)
        x = x[:, None] + 1e-5 * rng.standard_normal((RATE, 2))
        soundfile.write(path, x, RATE, subtype="PCM_24")
    batch = measure_batch(read_study(folder), "day1")
    (told,) = bench_warnings([batch], item="clocks")
    fields = fields_of(batch.bench.set_index("item").loc["clocks", "value"])
    assert fields["takes"] == 3
    assert [fields[name] for name in ("ppm", "low", "high")] == pytest.approx([-10, -10, 20], abs=1)
    assert 0 < fields["u"] < 1
    assert say(told).startswith("batch day1: the tone is recorded −10.0 ppm from tone_hz (−1")
