"""Rival explanations: what is known in truth comes out, what was not recorded is asked for.

Outside references: the demo's truth files (data_demo/README.md); the harmonics of a polynomial
(analytic: c x^3 of a sine of amplitude A gives a third harmonic c A^3 / 4); thin free beams, whose
bending frequencies go as thickness over length squared (Euler-Bernoulli).
"""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import re
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studylib import tables
from studylib.codes import code_of, fields_of, has, note
from studylib.codes.attribution import Control, Verdict
from studylib.measure import measure_batch
from studylib.measure.batch import batch_slugs, save_part
from studylib.modes.gathered import gather
from studylib.report import checks
from studylib.report.rivals import rivals_sentences, rivals_table
from studylib.report.rivals.basis import Finding, each_wood
from studylib.report.rivals.boards import distances
from studylib.report.rivals.table import findings
from studylib.report.summary import Summary, summarise
from studylib.sheets import read_study
from studylib.words import say
from tests import small_study
from tests.draws import draws
from tests.invented_tables import Invention
from tests.small_study import TONE_HZ, Plan, write_small_study

DEMO = Path(__file__).parents[1] / "data_demo"
# What must not stand in a text: a number that is none, a hyphen for a minus, a doubled full stop,
# a space before a stop.
ODD = re.compile(r"\bnan\b|\binf\b|\bNone\b(?! of| found)|(?<!\w)-\d|\.\.|  |\(\)| [.,;:)]|\( ")
RIVALS = [
    f"rivals.{name}"
    for name in (
        *("driver", "air", "recorder", "room", "buzz", "mounting"),
        *("drift", "dimensions", "moisture", "level", "planks", "mix_up"),
    )
]
DOUBTS = [
    f"doubts.{name}"
    for name in (
        *("grain", "microphone", "chosen", "expected", "hindsight"),
        *("one_tone", "few", "blind_bench", "ears", "instrument"),
    )
]
STILL = {"board_sd": 0.0, "mount_sd": 0.0, "take_sd": 0.0}


@pytest.fixture(scope="module")
def demo(demo_summary) -> Summary:
    return demo_summary


@pytest.fixture(scope="module")
def bare(tmp_path_factory) -> Summary:
    """A small study without any control."""
    return summary_of(write_small_study(tmp_path_factory.mktemp("bare") / "s", plan_of()))


def plan_of(**changes) -> Plan:
    woods = {"larch": 0.0, "robinia": -6.0}
    return Plan(**{"wood_db": woods, "controls": False, "claim": False, **changes})


def summary_of(folder: Path) -> Summary:
    study = read_study(folder)
    return summarise(study, gather(study))


def finding(summary: Summary, rival: str) -> Finding:
    return next(found for found in findings(summary) if found.rival == rival)


def codes(summary: Summary, rival: str) -> list[str]:
    """What is said of a rival, without its numbers."""
    return [code_of(each) for each in finding(summary, rival).says if each]


def notes(summary: Summary, rival: str, code: str) -> list[dict]:
    """The fields of every note of that code."""
    return [fields_of(each) for each in finding(summary, rival).says if code_of(each) == code]


def the(summary: Summary, rival: str, code: str) -> dict:
    """The fields of the one note of that code."""
    (found,) = notes(summary, rival, code)
    return found


def gap(summary: Summary, rival: str) -> str:
    """The note of what a rival that is not tested lacks; it comes first."""
    first = finding(summary, rival).says[0]
    assert code_of(first) == "rivals.not_tested"
    return fields_of(first)["what"]


def wanted(summary: Summary, rival: str) -> list[str]:
    """The controls that a rival which is not tested asks for."""
    what = gap(summary, rival)
    assert code_of(what) == "rivals.record"
    return [code_of(each) for each in fields_of(what)["asked"]]


def takes_behind(summary: Summary, rival: str) -> dict:
    return fields_of(finding(summary, rival).tested_by)


def truth(name: str) -> pd.DataFrame:
    table = pd.read_csv(DEMO / "truth" / name)
    roles = pd.read_csv(DEMO / "specimens.csv").set_index("specimen")["role"].fillna("")
    return table.assign(role=table["specimen"].map(roles))


def add_take(folder: Path, name: str, kind: str, x: np.ndarray, **cells) -> None:
    """Write one more recording and its row."""
    small_study._write(folder / "recordings" / f"{name}.wav", x, Plan())
    with (folder / "takes.csv").open(newline="", encoding="utf-8") as file:
        header = next(csv.reader(file))
    cells = {"take": name, "batch": "day1", "kind": kind, "tone_hz": TONE_HZ, **cells}
    cells["file"] = f"recordings/{name}.wav"
    with (folder / "takes.csv").open("a", newline="", encoding="utf-8") as file:
        csv.writer(file).writerow([cells.get(column, "") for column in header])


def rewrite(path: Path, change) -> None:
    """Read a table, let `change` alter it, write it back."""
    table = pd.read_csv(path, dtype=str, keep_default_na=False)
    change(table).to_csv(path, index=False)


def sine(amplitude: float, *, seconds: float = 0.5, rate: int = 8000) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * TONE_HZ * np.arange(round(seconds * rate)) / rate)


def faint(rng: np.random.Generator, count: int) -> np.ndarray:
    return 1e-6 * rng.standard_normal((count, 2))


# ---------------------------------------------------------------- the demo's truth


def test_twelve_rivals_in_their_order_and_all_tested_in_the_demo(demo):
    table = rivals_table(demo)
    assert list(table.iloc[:, 0]) == RIVALS + DOUBTS
    assert all(found.tested for found in findings(demo))
    assert [code_of(each) for each in rivals_sentences(demo)] == [
        "rivals.tested", "rivals.not_ruled_out",
    ]  # fmt: skip
    assert fields_of(rivals_sentences(demo)[0]) == {"tested": 12, "rivals": 12}
    for text in map(say, table.to_numpy().ravel()):
        assert text
        assert not ODD.search(text), text


def test_doubts_that_no_bench_can_answer_stay_open_and_the_others_go_by_the_study(demo, bare):
    """The demo notes grain and has sweeps and a known change, but no lock and no codes."""
    status = {
        name: dict(zip(table.iloc[:, 0], table.iloc[:, 1], strict=True))
        for name, table in (("demo", rivals_table(demo)), ("bare", rivals_table(bare)))
    }
    never = {"doubts.chosen", "doubts.ears", "doubts.instrument"}
    for one in status.values():
        assert all(one[name] == "rivals.open" for name in never)
    found = {name for name in DOUBTS if status["demo"][name] != "rivals.open"}
    assert found == {f"doubts.{name}" for name in ("grain", "one_tone", "few", "blind_bench")}
    assert status["demo"]["doubts.blind_bench"] == "rivals.partly"  # on one of three numbers
    for name in ("hindsight", "one_tone", "blind_bench", "expected", "grain"):
        assert status["bare"][f"doubts.{name}"] == "rivals.open"


def test_the_demos_driver_distorts_as_much_as_its_truth_says(demo):
    # harmonics.csv: what the sensor picks up of each harmonic, without noise.
    rows = truth("harmonics.csv").query("role == ''")
    rows = rows.assign(power=10 ** (rows["drive_dbfs"] / 10))
    each = rows.groupby(["specimen", "mount"]).apply(
        lambda own: math.sqrt(own.loc[own["harmonic"] > 1, "power"].sum() / own["power"].sum()),
        include_groups=False,
    )
    boards = 100 * each.groupby("specimen").mean()
    said = the(demo, "rivals.driver", "rivals.distortion")
    assert said["percent"] == pytest.approx(boards.mean(), rel=0.05)
    assert said["low"] == pytest.approx(boards.min(), rel=0.1)
    assert said["high"] == pytest.approx(boards.max(), rel=0.1)
    assert codes(demo, "rivals.driver")[-1] == "rivals.contact"
    assert the(demo, "rivals.driver", "rivals.driver_counts")["beyond"] == 2
    largest = the(demo, "rivals.driver", "rivals.largest_beyond")
    assert 10 <= largest["excess_db"] < 11
    place = largest["specimen"], largest["mount"], largest["harmonic"]
    assert place == ("C3", 2, 2)
    assert largest["verdict"] == Verdict.BEYOND


def test_the_demos_leak_is_as_faint_as_its_truth_says(demo):
    rows = truth("harmonics.csv").query("role == ''")
    below = rows["response_dbfs"] - rows["leak_dbfs"]
    said = the(demo, "rivals.air", "rivals.leak")
    strongest = below[rows["harmonic"].isin([2, 3])].min()  # probed at these two
    assert not said["bounded"]
    assert said["distance_db"] == pytest.approx(strongest, abs=1.0)
    place = "specimen == @said['specimen'] and mount == @said['mount']"
    named = rows.query(f"{place} and harmonic == @said['harmonic']").index
    assert below[named].item() == pytest.approx(strongest, abs=1.0)
    tone = below[rows["harmonic"] == 1].min()
    at_tone = the(demo, "rivals.air", "rivals.tone_leak")
    assert not at_tone["bounded"]
    assert at_tone["distance_db"] == pytest.approx(tone, abs=1.5)
    assert tone > 46.5  # README: 47 dB or more
    # A coherent leak at L dB moves a level by up to 20 lg(1 + 10^(-L/20)).
    moved = 20 * math.log10(1 + 10 ** (-strongest / 20))
    assert said["shift_db"] == pytest.approx(moved, rel=0.15)


def test_the_demos_recorder_distorts_as_its_polynomial_says(demo):
    recorder = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["recorder"]
    quality = demo.gathered.quality
    peak = quality[(quality["take"] == "day1-loopback172-r1") & (quality["check"] == "peak")]
    amplitude = 10 ** (peak.query("channel == 'response'")["value"].item() / 20)
    second = recorder["square_term"] * amplitude / 2
    third = recorder["cube_term"] * amplitude**2 / 4
    expected = -20 * math.log10(max(second, third))
    found = the(demo, "rivals.recorder", "rivals.loopback_found")["distance_db"]
    assert found == pytest.approx(expected, abs=2.0)
    assert expected == pytest.approx(100.0, abs=1.5)  # README: about 100 dB below the tone


def test_the_demos_not_present_rests_on_the_narrow_band(demo):
    recorder = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["recorder"]
    white = recorder["white_noise_rms_db_re_1"][0], recorder["room_noise_rms_db_re_1"]
    noise = 10 * math.log10(sum(10 ** (level / 10) for level in white))
    rows = truth("harmonics.csv").query("role == '' and harmonic == 1")
    tone = rows.groupby("specimen")["response_dbfs"].mean().mean() - 10 * math.log10(2)
    broad = the(demo, "rivals.room", "rivals.broadband")
    assert broad["mean_db"] == pytest.approx(tone - noise, abs=3.0)
    narrow = the(demo, "rivals.room", "rivals.narrow_band")
    assert narrow["least_db"] > 90
    assert narrow["bin_hz"] == pytest.approx(1.25)
    # 10 lg of 8000 sqrt(2) - 31.5 / sqrt(2) Hz times 0.8 s.
    expected = 10 * math.log10((11313.7 - 22.3) * 0.8)
    assert broad["gain_db"] == pytest.approx(expected, abs=1e-3)
    # No range of rooms is set beside it: none that was at hand has a source.
    assert codes(demo, "rivals.room")[-1] == "rivals.broadband"


def test_the_demos_loose_contact_is_in_one_mount_and_gone_after_remounting(demo):
    place = the(demo, "rivals.buzz", "rivals.buzz_place")
    where = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["buzzing_mount"]
    assert (place["specimen"], place["mount"]) == (where["specimen"], where["mount"])
    assert code_of(place["elsewhere"]) == "rivals.gone"
    assert fields_of(place["elsewhere"]) == {"mounts": 2}
    steps = the(demo, "rivals.buzz", "rivals.steps")
    assert [fields_of(each) for each in steps["places"]] == [{"specimen": "C3", "mount": 2}]
    assert steps["odd"] >= 2
    rows = truth("harmonics.csv").query("specimen == 'C3' and mount == 2 and harmonic == 2")
    assert place["low"] < rows["excess_db"].item() < place["high"]


def test_the_demos_mounts_and_drift_agree_with_its_truth(demo):
    spread = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["remount_sd"]
    said = {each["feature"]: each for each in notes(demo, "rivals.mounting", "rivals.mount_spread")}
    for feature in ("tone.h1.response_db", "probe.k3.response_db"):
        assert said[feature]["low"] < spread[feature] < said[feature]["high"]
        assert said[feature]["unit"] == "dB"
    widest = said["tone.h1.response_db"]["widest"]
    assert (widest["wood_b"], widest["wood_a"]) == ("robinia", "larch")
    assert widest["difference"] == pytest.approx(-3.9, abs=0.05)
    # Its reference lay far from itself at three times the tone (README of the demo), by how much
    # the truth says; at the tone it did not.
    ref = truth("mounts.csv").query("specimen == 'REF' and support == 'bench'")
    drift = {each["feature"]: each for each in notes(demo, "rivals.drift", "drift.outside")}
    assert list(drift) == ["probe.k3.response_db"]
    apart = ref["probe.k3.response_db"] - ref.groupby("batch")["probe.k3.response_db"].transform(
        "mean"
    )
    assert drift["probe.k3.response_db"]["most"] == pytest.approx(apart.abs().max(), abs=0.3)
    steady = {each["feature"] for each in notes(demo, "rivals.drift", "drift.inside")}
    assert steady == {"tone.h1.response_db", "tap.m1.decay_time_s"}
    assert codes(demo, "rivals.drift")[-1] == "rivals.drift_limit"
    # The drift section and the certificate have nothing else to say.
    says = finding(demo, "rivals.drift").says[:-1]
    assert says == checks.drift_notes(demo.checks)
    trends = {fields_of(each)["feature"] for each in says if code_of(each) == "drift.none_larger"}
    assert trends == set(demo.checks.trends["feature"])


def test_the_demos_boards_as_the_sheet_has_them(demo):
    sheet = pd.read_csv(DEMO / "specimens.csv").query("role != role")
    means = sheet.groupby("wood")[["length_mm", "thickness_mm", "moisture_pct"]].mean()
    said = the(demo, "rivals.dimensions", "rivals.size_gap")
    for column in ("length_mm", "thickness_mm"):
        logs = np.log(means[column])
        widest = 100 * (logs.max() - logs.min())
        assert said[column]["percent"] == pytest.approx(widest, rel=0.03)
        assert said[column]["u"] > 0
    apart = means["moisture_pct"].max() - means["moisture_pct"].min()
    assert the(demo, "rivals.moisture", "rivals.moisture_gap")["size"] == pytest.approx(apart)
    woods = the(demo, "rivals.planks", "rivals.sources")["woods"]
    assert {(fields_of(w)["sources"], fields_of(w)["most"]) for w in woods} == {(4, 1)}
    # Robinia is heavier and is shaken less at each frequency, which a lower gain of the drive
    # channel would look like. At two and three times the tone larch and cherry are shaken alike,
    # so there is no such step between them.
    unless = the(demo, "rivals.level", "rivals.level_unless")
    assert unless["features"] == ["tone.h1.response_db", "probe.k3.response_db"]
    assert unless["size_db"] == pytest.approx(2.7, abs=0.1)
    step = demo.comparison.workings.caveats.common_step
    assert step("larch", "cherry") is None
    assert step("larch", "robinia").size == pytest.approx(-2.4, abs=0.1)
    # A tap's decay time does not follow the drive: nothing has to be removed from it.
    assert "rivals.level_stays" not in codes(demo, "rivals.level")
    assert "rivals.no_suspect" in codes(demo, "rivals.mix_up")


# ---------------------------------------------------------------- missing controls


@pytest.mark.parametrize(
    ("rival", "controls"),
    [("rivals.driver", [Control.PROBE]),
     ("rivals.air", [Control.AIRBORNE]),
     ("rivals.recorder", [Control.LOOPBACK]),
     ("rivals.room", [Control.ROOM]),
     ("rivals.buzz", [Control.PROBE, Control.STEPS])],
)  # fmt: skip
def test_a_missing_control_says_what_to_record(bare, rival, controls):
    assert wanted(bare, rival) == controls
    asked = fields_of(fields_of(gap(bare, rival))["asked"][0])
    assert asked == {"part": "ask", "at_hz": 2 * TONE_HZ, "tone_hz": TONE_HZ, "every": True}


@pytest.mark.parametrize(
    ("rival", "columns"),
    [("rivals.dimensions", ["length_mm", "thickness_mm"]),
     ("rivals.moisture", ["moisture_pct"])],
)  # fmt: skip
def test_a_missing_column_is_named(bare, rival, columns):
    assert code_of(gap(bare, rival)) == "rivals.fill_in"
    assert fields_of(gap(bare, rival))["columns"] == columns


def test_planks_that_are_not_named_are_asked_for(bare):
    boards = [s.model_copy(update={"source_assumed": True}) for s in bare.study.specimens]
    study = dataclasses.replace(bare.study, specimens=tuple(boards))
    found = gap(dataclasses.replace(bare, study=study), "rivals.planks")
    assert code_of(found) == "rivals.fill_in"
    assert fields_of(found)["columns"] == ["source"]


def test_without_a_reference_one_is_asked_for(bare):
    """Boards mounted twice tell of a steady drift, which a jump is not."""
    jump, *rest = finding(bare, "rivals.drift").says
    assert jump == note("rivals.jump", what=note("rivals.record_reference", references=[]))
    assert {code_of(each) for each in rest} == {"drift.none_larger"}
    assert takes_behind(bare, "rivals.drift")["trend"]


def test_the_sentences_name_what_was_not_tested(bare):
    tested, named, limit = rivals_sentences(bare)
    assert fields_of(tested) == {"tested": 5, "rivals": 12}
    gaps = [found.rival for found in findings(bare) if not found.tested]
    assert fields_of(named) == {"rivals": gaps}
    assert code_of(limit) == "rivals.not_ruled_out"
    for found in findings(bare):
        assert found.tested is (code_of(found.says[0]) != "rivals.not_tested")


def test_the_drivers_distortion_of_a_small_study_is_the_one_put_in(bare):
    # 1 % and 0.5 %: the root of their squares' sum is 1.118 %, over the total 1.118 %.
    said = the(bare, "rivals.driver", "rivals.distortion")
    assert said["percent"] == pytest.approx(1.118, abs=0.05)


def test_one_mount_a_board_leaves_mounting_and_mix_up_open(tmp_path):
    summary = summary_of(write_small_study(tmp_path / "s", plan_of(mounts=1)))
    for rival in ("rivals.mounting", "rivals.mix_up"):
        assert wanted(summary, rival) == [Control.REMOUNT]
    assert takes_behind(summary, "rivals.mounting") == {"least": 1, "most": 1, "boards": 4}


def test_without_a_drive_channel_the_sensor_is_asked_for(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of())
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace('drive = 2\ndrive_kind = "acceleration"\n', "")
    text = text.replace("tone.h1.response_db", "tone.h1.level_db")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    summary = summary_of(folder)
    for rival in ("rivals.buzz", "rivals.level"):
        assert wanted(summary, rival) == [Control.SENSOR]
    assert wanted(summary, "rivals.driver") == [Control.DRIVER, Control.SENSOR]
    assert takes_behind(summary, "rivals.mix_up")["features"] == ["tone.h1.level_db"]


def test_takes_on_the_block_never_show_more_than_the_driver(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of())
    text = (folder / "study.toml").read_text(encoding="utf-8")
    text = text.replace('drive = 2\ndrive_kind = "acceleration"\n', "")
    text = text.replace("tone.h1.response_db", "tone.h1.level_db")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    rng = np.random.default_rng(4)
    t = np.arange(4000) / 8000
    second = np.sin(4 * np.pi * TONE_HZ * t)
    block = sine(0.05) + 0.0005 * second
    add_take(folder, "block", "driver", block[:, None] + faint(rng, 4000))
    for name, kind, cells in (
        ("block2", "driver", {}),
        ("probe2", "tone", {"specimen": "lar1", "mount": 1, "repeat": 1}),
    ):
        x = 0.05 * second[:, None] + faint(rng, 4000)
        add_take(folder, name, kind, x, tone_hz=2 * TONE_HZ, **cells)
    summary = summary_of(folder)
    assert codes(summary, "rivals.driver")[-1] == "rivals.block_only"
    assert the(summary, "rivals.driver", "rivals.driver_counts")["beyond"] == 0
    assert "rivals.distortion" not in codes(summary, "rivals.driver")


def test_a_voltage_is_not_what_enters_the_board(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of())
    text = (folder / "study.toml").read_text(encoding="utf-8").replace("acceleration", "voltage")
    text = text.replace("tone.h1.response_db", "tone.h1.level_db")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    summary = summary_of(folder)
    assert the(summary, "rivals.level", "rivals.level_stays")["features"] == ["tone.h1.level_db"]
    assert codes(summary, "rivals.level")[-1] == "rivals.voltage"
    assert "rivals.distortion" not in codes(summary, "rivals.driver")
    assert wanted(summary, "rivals.buzz") == [Control.SENSOR]


def test_a_control_set_aside_does_not_count(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of())
    rng = np.random.default_rng(5)
    silent = np.zeros((4000, 2)) + faint(rng, 4000)
    add_take(folder, "loop", "loopback", silent)
    summary = summary_of(folder)
    assert wanted(summary, "rivals.recorder") == [Control.LOOPBACK]
    expected = {"kind": "loopback", "usable": 0, "set_aside": 1}
    assert takes_behind(summary, "rivals.recorder") == expected


def test_a_batch_without_the_control_is_named(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of(batches=2))
    rng = np.random.default_rng(6)
    add_take(folder, "loop", "loopback", sine(0.1)[:, None] + faint(rng, 4000), batch="day2")
    summary = summary_of(folder)
    assert codes(summary, "rivals.recorder")[-1] == "rivals.lacking"
    lacking = the(summary, "rivals.recorder", "rivals.lacking")
    assert lacking["batches"] == ["day1"]
    assert [code_of(each) for each in lacking["asked"]] == [Control.LOOPBACK]


# ---------------------------------------------------------------- planted truth


def test_a_recorder_with_a_cubic_term_is_found_with_its_level(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of(**STILL))
    rng = np.random.default_rng(7)
    x, cubic = sine(0.4), 0.025
    add_take(folder, "loop", "loopback", (x + cubic * x**3)[:, None] + faint(rng, 4000))
    # Third harmonic c A^3 / 4 on a fundamental of A + 3 c A^3 / 4: -60.0 dB.
    ratio = (cubic * 0.4**3 / 4) / (0.4 + 3 * cubic * 0.4**3 / 4)
    found = the(summary_of(folder), "rivals.recorder", "rivals.loopback_found")["distance_db"]
    assert found == pytest.approx(-20 * math.log10(ratio), abs=0.6)


def test_a_leak_at_the_tone_is_found_with_its_level(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of(**STILL))
    rng = np.random.default_rng(8)
    x = np.stack([sine(0.05 * 10 ** (-46 / 20)), sine(0.1)], axis=1) + faint(rng, 4000)
    add_take(folder, "air", "airborne", x, specimen="lar1", mount=1)
    said = the(summary_of(folder), "rivals.air", "rivals.tone_leak")
    # Robinia lies 6 dB below larch: 46 dB below larch's tone is 40 dB below its own.
    assert not said["bounded"]
    assert said["distance_db"] == pytest.approx(40.0, abs=0.5)
    assert said["shift_db"] == pytest.approx(20 * math.log10(1.01), rel=0.02)


def test_an_inaudible_leak_is_given_as_a_bound(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of(**STILL))
    rng = np.random.default_rng(9)
    x = np.stack([np.zeros(4000), sine(0.1)], axis=1) + 100 * faint(rng, 4000)
    add_take(folder, "air", "airborne", x, specimen="lar1", mount=1)
    assert the(summary_of(folder), "rivals.air", "rivals.tone_leak")["bounded"]


def test_broadband_noise_is_the_one_put_in(bare):
    # 3e-5 rms of white noise up to 4 kHz; the bands end at 2.8 kHz; tones of larch and robinia.
    noise = 20 * math.log10(3e-5) + 10 * math.log10(2828 / 4000)
    tone = 20 * math.log10(0.05 / math.sqrt(2)) - 3.0
    said = notes(bare, "rivals.room", "rivals.broadband")[0]
    assert said["mean_db"] == pytest.approx(tone - noise, abs=3.5)


def test_a_mains_line_on_a_harmonic_is_told_with_its_level(demo):
    table = demo.attribution.table.copy()
    row = table.index[(table["specimen"] == "L2") & (table["harmonic"] == 5)][0]
    table.loc[row, "hum_db"] = table.loc[row, "observed_db"] - 20.0
    table.loc[row + 1, "hum_db"] = table.loc[row + 1, "observed_db"] - 35.0
    said = the(with_attribution(demo, table=table), "rivals.room", "rivals.mains_lines")
    assert (said["lines"], said["harmonics"], said["above"]) == (2, 684, False)
    assert said["distance_db"] == pytest.approx(20.0)
    assert (said["specimen"], said["mount"], said["harmonic"]) == ("L2", 1, 5)


def test_harmonics_that_a_leak_explains_are_counted(demo):
    assert "rivals.leak_explains" not in codes(demo, "rivals.air")
    table = demo.attribution.table.copy()
    own = (table["specimen"] == "R1") & (table["harmonic"] == 2)
    table.loc[own, "verdict"] = "air"
    table.loc[own, "air_db"] = table.loc[own, "observed_db"] - 3.0
    changed = with_attribution(demo, table=table)
    assert the(changed, "rivals.air", "rivals.leak_explains") == {"harmonics": 3}
    assert the(changed, "rivals.air", "rivals.leak")["distance_db"] == pytest.approx(3.0)
    assert "rivals.leak_explains" not in codes(changed, "rivals.recorder")
    assert the(changed, "rivals.driver", "rivals.other_causes") == {"harmonics": 3}


def test_a_buzz_that_comes_back_is_not_called_one_mounting(demo):
    table = demo.attribution.table.copy()
    own = (table["specimen"] == "C3") & table["harmonic"].isin([2, 3])
    table.loc[own, "verdict"] = "beyond the driver"
    changed = with_attribution(demo, table=table)
    elsewhere = {each["elsewhere"] for each in notes(changed, "rivals.buzz", "rivals.buzz_place")}
    assert elsewhere == {note("rivals.again", mounts=2)}
    # In one of the other mounts only: neither this mounting's nor every mounting's.
    table.loc[own & (table["mount"] == 1), "verdict"] = "driver"
    changed = with_attribution(demo, table=table)
    elsewhere = {each["elsewhere"] for each in notes(changed, "rivals.buzz", "rivals.buzz_place")}
    assert elsewhere == {note("rivals.mixed", mounts=2, again=1, driver=1)}
    table = demo.attribution.table
    table = table[(table["specimen"] != "C3") | (table["mount"] == 2)]
    place = the(with_attribution(demo, table=table), "rivals.buzz", "rivals.buzz_place")
    assert place["elsewhere"] == note("attribution.mounted_once")


@pytest.mark.parametrize(
    ("length", "thickness", "percent"),
    # A board 1 % thicker sounds 1 % higher, one 1 % longer 2 % lower: d ln f = d ln t - 2 d ln L.
    [(1.0, 1.01, 1.00), (1.01, 1.0, -1.99), (1.01, 1.01, -1.00)],
)
def test_dimensions_move_bending_frequencies_as_a_thin_beam(tmp_path, length, thickness, percent):
    def sized(table):
        longer = table["wood"] == "robinia"
        return table.assign(
            length_mm=np.where(longer, 700 * length, 700.0),
            thickness_mm=np.where(longer, 19 * thickness, 19.0),
            moisture_pct=np.where(longer, 8.0, 9.5),
        )

    folder = write_small_study(tmp_path / "s", plan_of())
    rewrite(folder / "specimens.csv", sized)
    summary = summary_of(folder)
    found = the(summary, "rivals.dimensions", "rivals.bending")
    assert (found["a"], found["b"]) == ("larch", "robinia")
    assert found["percent"] == pytest.approx(percent, abs=0.011)
    assert the(summary, "rivals.moisture", "rivals.moisture_gap")["size"] == pytest.approx(1.5)


def test_boards_of_one_plank_are_named(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of())
    rewrite(
        folder / "specimens.csv",
        lambda table: table.assign(source=["one", "one", "first", "second"]),
    )
    summary = summary_of(folder)
    assert the(summary, "rivals.planks", "rivals.sources")["woods"] == [
        note("rivals.wood_sources", wood="larch", sources=1, least=2, most=2),
        note("rivals.wood_sources", wood="robinia", sources=2, least=1, most=1),
    ]
    assert the(summary, "rivals.planks", "rivals.one_source") == {"woods": ["larch"]}


@pytest.mark.parametrize("moves", [0.0, 8.0])
def test_a_reference_that_moved_is_told_once_for_all(tmp_path, moves):
    folder = write_small_study(
        tmp_path / "s", plan_of(controls=True, mount_sd=0.3, take_sd=0.05, mounts=3)
    )
    plan, rng = Plan(), np.random.default_rng(11)
    for mount, level in ((1, moves), (2, 0.0), (3, 0.0)):
        for repeat in (1, 2):
            path = folder / "recordings" / f"ref_m{mount}_r{repeat}.wav"
            small_study._write(path, small_study.tone(rng, plan, level), plan)
    summary = summary_of(folder)
    code, other = ("drift.outside", "drift.inside") if moves else ("drift.inside", "drift.outside")
    said = the(summary, "rivals.drift", code)
    assert (said["mounts"], said["specimen"]) == (3, "ref")
    assert said["most"] == pytest.approx(2 / 3 * moves, abs=0.05)
    assert other not in codes(summary, "rivals.drift")
    assert codes(summary, "rivals.drift")[-1] == "rivals.drift_limit"
    effects = summary.primary_effects()
    assert all(has(cell, "caveats.drift") is (moves > 0) for cell in effects["caveats"])
    assert not (moves and summary.comparison.positive_control["counts"].any())


@pytest.mark.parametrize("swapped", [True, False])
def test_swapped_boards_are_found_in_their_mounts(tmp_path, swapped):
    plan = plan_of(wood_db={"larch": 0.0, "robinia": -12.0}, boards=3, mounts=3, mount_sd=0.4)
    folder = write_small_study(tmp_path / "s", plan)
    other = {"lar1": "rob1", "rob1": "lar1"}

    def swap(table):
        third = table["mount"] == "3"
        names = table["specimen"].map(lambda name: other.get(name, name))
        return table.assign(specimen=table["specimen"].where(~third, names))

    if swapped:
        rewrite(folder / "takes.csv", swap)
    summary = summary_of(folder)
    suspects = [
        fields_of(each)
        for check in notes(summary, "rivals.mix_up", "rivals.check")
        for each in check["suspects"]
    ]
    found = {(each["specimen"], each["mount"]) for each in suspects}
    assert found == ({("lar1", 3), ("rob1", 3)} if swapped else set())
    assert codes(summary, "rivals.mix_up")[-1] == "rivals.mix_up_limit"


def test_an_odd_mount_that_is_near_no_other_board_is_no_mix_up():
    values = {
        "B0": (0.0, 0.3, -50.0), "B1": (10.0, 10.2, 10.1), "B2": (20.0, 20.4, 20.1),
        "B3": (30.0, 30.4, 30.1),
    }  # fmt: skip
    rows = [(b, "day1", m, v) for b, own in values.items() for m, v in enumerate(own, start=1)]
    table = pd.DataFrame(rows, columns=["specimen", "batch", "mount", "a"])
    found = {(each.board, each.mount): each for each in distances(table, ["a"])}
    odd = found["B0", 3]
    assert odd.own > odd.chance
    assert odd.near > odd.own
    assert odd.other == "B1"
    # 60 dB to the nearest of B1, 50 dB to its own, in the same unit.
    assert odd.near / odd.own == pytest.approx(60 / 50)


def mounts_with(rng, *, swapped, names=("a", "b", "c")):
    """Two mounts of twelve boards of three woods; the last wood lies 12 dB off on one feature.

    Spreads of boards 1.5 dB, of mounts 1 dB. swapped : the last mount of B0 is one of B11, or "".
    """
    rows = [(f"B{board}", "day1", mount) for board in range(12) for mount in (1, 2)]
    table = pd.DataFrame(rows, columns=["specimen", "batch", "mount"])
    for i, name in enumerate(names):
        boards = rng.normal(0, 1.5, 12) + np.where(np.arange(12) >= 8, 12.0 * (i == 0), 0.0)
        of = np.repeat(np.arange(12), 2)
        of[1] = 11 if swapped else 0
        if swapped == "both":
            of[-1] = 0
        table[name] = boards[of] + rng.normal(0, 1.0, len(rows))
    return table


def suspected(table):
    found = distances(table, [name for name in table if name in "abc"])
    return {(each.board, each.mount) for each in found if each.chance < each.own > each.near}


def test_boards_that_were_not_swapped_are_very_seldom_suspected():
    """At most one study in a hundred, and 3.5 standard errors: up to 4 of 100, 2 of 50."""
    rng, studies = np.random.default_rng(12), draws(100, share=50)
    found = sum(bool(suspected(mounts_with(rng, swapped=""))) for _ in range(studies))
    assert found / studies <= 0.01 + 3.5 * math.sqrt(0.01 * 0.99 / studies)


@pytest.mark.parametrize("swapped", ["one", "both"])
def test_one_mount_of_a_board_12_db_off_is_nearly_always_named(swapped):
    rng = np.random.default_rng(13)
    found = [("B0", 2) in suspected(mounts_with(rng, swapped=swapped)) for _ in range(40)]
    assert np.mean(found) >= 0.65


# ---------------------------------------------------------------- whatever is missing


def with_attribution(summary: Summary, **changes) -> Summary:
    return dataclasses.replace(
        summary, attribution=dataclasses.replace(summary.attribution, **changes)
    )


@pytest.mark.parametrize(
    "plan",
    [{"wood_db": {"larch": 0.0}}, {"boards": 1}, {"wood_db": {"larch": 0.0}, "boards": 1},
     {"boards": 1, "mounts": 1, "takes": 1},
     {"wood_db": {"larch": 0.0}, "boards": 1, "mounts": 1, "takes": 1}, {"controls": True}],
)  # fmt: skip
def test_small_plans_give_all_rows(tmp_path, plan):
    whole(summary_of(write_small_study(tmp_path / "s", plan_of(**plan))))


def whole(summary: Summary) -> None:
    table = rivals_table(summary)
    assert list(table.iloc[:, 0]) == RIVALS + DOUBTS
    for text in map(say, table.to_numpy().ravel()):
        assert text
        assert text.strip() == text
        assert not ODD.search(text), text
    assert all(map(say, rivals_sentences(summary)))
    assert len(rivals_sentences(summary)) in (2, 3)


def test_no_usable_take_gives_all_rows(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of())
    rewrite(folder / "takes.csv", lambda table: table.assign(exclude="yes", reason="wind"))
    summary = summary_of(folder)
    whole(summary)
    assert gap(summary, "rivals.driver") == note("rivals.no_tone", tone_hz=TONE_HZ)
    assert not finding(summary, "rivals.mounting").tested


@pytest.mark.parametrize("failed", [("day1",), ("day1", "day2")])
def test_a_failed_batch_gives_all_rows(tmp_path, failed):
    folder = write_small_study(tmp_path / "s", plan_of(batches=2, controls=True))
    study, parts = read_study(folder), tmp_path / "parts"
    parts.mkdir()
    if "day2" not in failed:
        save_part(measure_batch(study, "day2"), parts / batch_slugs(study.batches)["day2"], key="k")
    gathered = gather(study, parts=parts)
    assert set(gathered.failed) == set(failed)
    whole(summarise(study, gathered))


def test_empty_attribution_and_odd_numbers_give_all_rows(demo):
    whole(
        with_attribution(
            demo,
            table=tables.empty("attribution"),
            steps=tables.empty("drive_steps"),
        )
    )
    numbers = ["excess_db", "low", "high", "noise_db", "air_db", "recorder_db", "hum_db"]
    for value in (math.nan, math.inf, -math.inf):
        table = demo.attribution.table.copy()
        table[numbers] = value
        whole(with_attribution(demo, table=table))
        table["observed_db"] = value
        whole(with_attribution(demo, table=table))


def test_odd_means_give_all_rows(demo):
    means = demo.comparison.mount_means.copy()
    variance = demo.comparison.variance.copy()
    for value in (math.nan, math.inf):
        means["value"], variance["variance"] = value, value
        comparison = dataclasses.replace(demo.comparison, mount_means=means, variance=variance)
        whole(dataclasses.replace(demo, comparison=comparison))


def test_tables_without_recordings_give_all_rows():
    whole(summarise(*Invention().make()))
    whole(summarise(*Invention(woods=("larch",), boards=1, mounts=1, control=False).make()))


def test_names_from_the_sheets_stand_as_they_are(tmp_path):
    folder = write_small_study(tmp_path / "s", plan_of(wood_db={"larch": 0.0, "<b>ash": -6.0}))
    said = say(rivals_table(summary_of(folder)).iloc[RIVALS.index("rivals.level"), -1])
    assert "<b>ash" in said
    assert "&lt;" not in said


def test_the_yardstick_of_distortion_is_marked_as_unverified(demo):
    said = say(note("rivals.distortion", **the(demo, "rivals.driver", "rivals.distortion")))
    assert "from memory and not checked: bone vibrators" in said
    # 5.5 % is -25.193 dB (computed): the demo's driver, 0.94 %, stays far below.
    assert 20 * np.log10(0.055) == pytest.approx(-25.193, abs=1e-3)


def test_values_of_boards_stand_by_wood_in_the_order_of_the_sheet():
    woods = [f"wood {number}" for number in (5, 3, 8, 1, 9, 2, 7)]
    boards = {f"{wood}, board {n}": wood for n in (1, 2) for wood in woods}
    values = dict.fromkeys(reversed(boards), 1.0) | {f"{woods[0]}, board 1": math.nan}
    found = each_wood(SimpleNamespace(boards=boards), values)
    assert list(found) == [*woods[1:], woods[0]]
    assert [found[wood].size for wood in found] == [2] * 6 + [1]
