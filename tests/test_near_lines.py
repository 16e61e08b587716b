"""Lines near the multiples of the tone that are no harmonics; truth is what the recordings hold."""

from __future__ import annotations

import csv

import numpy as np
import pytest
import soundfile

from studylib.codes import code_of, fields_of
from studylib.measure.batch import measure_batch
from studylib.report.at_the_bench import bench_warnings
from studylib.sheets import read_study
from studylib.sheets.settings import Decide, Settings, StudySection, Tone
from studylib.sheets.settings import Plan as Plan_
from studylib.words import say
from tests.small_study import TONE_HZ, Plan, write_small_study

RATE = 8000

PLAN = Plan(wood_db={"larch": 0.0, "cherry": 0.0}, boards=1, mounts=1, takes=1, seconds=1.0,
            board_sd=0, mount_sd=0, take_sd=0, claim=False)  # fmt: skip


def test_multiples_on_the_mains():
    """15 x 172 Hz is 43 x 60 Hz; at 50 Hz, 1548 Hz lies 2 Hz off, and two bins are 2.5 Hz. What the
    study does not rest on is not told."""
    about = StudySection(title="rails", question="which")
    tone, plan = Tone(fundamental_hz=172.0, length_s=0.8), Plan_(probes=(2, 9, 15))
    settings = Settings(study=about, tone=tone, plan=plan)
    assert settings.on_mains(60.0) == [15]
    assert settings.on_mains(50.0) == [9]
    primary = Decide(primary=("tone.h16.rel_db", "tone.thd_percent"))
    assert settings.model_copy(update={"decide": primary}).on_mains(50.0) == [9, 16]
    longer = tone.model_copy(update={"length_s": 2.0})
    assert settings.model_copy(update={"tone": longer}).on_mains(50.0) == []


@pytest.fixture
def folder(tmp_path):
    """Two boards at one tone; more takes are added with `add`."""
    return write_small_study(tmp_path / "study", PLAN)


def add(folder, kind, count=1, *, play=(), lines=(), noise=1e-5, **cells):
    """Takes of 1 s that hold cosines (hertz, amplitude) in both channels, lines in the first."""
    rng, t = np.random.default_rng(len(kind)), np.arange(RATE) / RATE
    path = folder / "takes.csv"
    with path.open(encoding="utf-8") as opened:
        rows = list(csv.DictReader(opened))
    for number in range(count):
        both = sum((a * np.cos(2 * np.pi * hz * t) for hz, a in play), np.zeros(t.size))
        heard = both + sum(a * np.cos(2 * np.pi * hz * t + 1) for hz, a in lines)
        x = np.stack([heard, both], axis=1) + noise * rng.standard_normal((t.size, 2))
        name = f"{kind}{len(rows)}"
        soundfile.write(folder / f"recordings/{name}.wav", x, RATE, subtype="PCM_24")
        rows.append({"take": name, "batch": "day1", "kind": kind, "repeat": number + 1,
                     "file": f"recordings/{name}.wav", **cells})  # fmt: skip
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as opened:
        writer = csv.DictWriter(opened, names, restval="")
        writer.writeheader()
        writer.writerows(rows)


def warned(folder) -> list[dict]:
    """The facts that the batch warns of, each with its code."""
    found = measure_batch(read_study(folder), "day1")
    notes = [line for line in found.bench.loc[found.bench["item"] == "warning", "value"]]
    assert [say(one) for one in bench_warnings([found])] or not notes
    return [{"code": code_of(one), **fields_of(one)} for cell in notes for one in cell.split("\n")]


def harmonics(hz, size=0.1, high=0.01):
    return [(hz, size), *((k * hz, high) for k in (2, 3, 4))]


def test_a_line_near_the_third_harmonic_shows_in_probe_tones_and_in_idle_takes(folder):
    hz = TONE_HZ
    board = {"specimen": "lar1", "mount": 2}
    add(folder, "tone", 8, play=harmonics(hz), tone_hz=hz, **board)
    add(
        folder, "tone", play=[(2 * hz, 0.05)], lines=[(3 * hz + 0.4, 0.02)], tone_hz=2 * hz, **board
    )
    add(folder, "idle", lines=[(3 * hz + 0.4, 0.02)])
    add(folder, "room")
    (found,) = warned(folder)
    assert (found["code"], found["multiple"], len(found["takes"])) == ("measure.line", 3, 2)
    assert found["at_hz"] == pytest.approx(3 * hz)
    assert found["ratio_db"] == pytest.approx(6.0, abs=1.0)


def test_a_line_far_below_the_harmonic_or_away_from_it_is_not_mentioned(folder):
    hz = TONE_HZ
    board = {"specimen": "lar1", "mount": 2}
    add(folder, "tone", 8, play=harmonics(hz), tone_hz=hz, **board)
    away = [(3 * hz, 0.0005), (4 * hz + 12.0, 0.05)]
    add(folder, "tone", play=[(2 * hz, 0.05)], lines=away[:1], tone_hz=2 * hz, **board)
    add(folder, "idle", lines=away)
    assert warned(folder) == []


@pytest.mark.parametrize(("mains_hz", "told"), [(50.0, True), (60.0, False)])
def test_multiples_on_mains_are_told_where_the_takes_hold_that_mains(folder, mains_hz, told):
    """3 x 116.8 Hz lies on 7 x 50 Hz, and no multiple of it near one of 60 Hz."""
    toml = (folder / "study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(
        toml.replace(f"fundamental_hz = {TONE_HZ}", "fundamental_hz = 116.8"), "utf-8"
    )
    hum = [(mains_hz * k, 0.003) for k in ((1, 5) if mains_hz == 50 else (1, 7))]
    add(folder, "idle", 3, lines=hum)
    found = [one for one in warned(folder) if one["code"] == "measure.mains"]
    assert bool(found) == told
    if told:
        assert (found[0]["mains_hz"], found[0]["takes"]) == (50.0, 3)
        assert found[0]["multiples"] == [3]


def test_the_mains_of_study_toml_are_told_before_anything_is_recorded(folder):
    path = folder / "study.toml"
    toml = path.read_text(encoding="utf-8")
    hz = TONE_HZ
    for mains_hz, multiple in ((hz * 2, 2), (hz * 1.5, 3)):
        path.write_text(f"{toml}\n[bench]\nmains_hz = {mains_hz}\n", "utf-8")
        found = [
            w for w in read_study(folder).warnings if code_of(w) == "settings.harmonic_on_mains"
        ]
        assert fields_of(found[0])["multiples"] == [multiple]
        assert "mains hum" in say(found[0])
