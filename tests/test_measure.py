"""A batch measured from real files: known truth in, truth out, and every fault named."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile
from click.testing import CliRunner

from studylib import cli, tables
from studylib.codes import code_of, fields_of, has, note
from studylib.errors import InputError
from studylib.measure import common_rate, measure_batch
from studylib.sheets import read_study
from studylib.words import said, say
from tests.small_study import TONE_HZ, Plan, tone, write_small_study

PLAN = Plan(wood_db={"larch": 0.0, "cherry": 3.0}, boards=1, mounts=1, board_sd=0, mount_sd=0,
            take_sd=0, claim=False)  # fmt: skip

SWEEP = "[sweep]\nlowest_hz = 50\nhighest_hz = 3000\nlength_s = 0.4\n\n"


@pytest.fixture
def folder(tmp_path) -> Path:
    return write_small_study(tmp_path / "study", PLAN)


def _measure(folder, batch="day1"):
    return measure_batch(read_study(folder), batch)


def _edit(folder, take, **cells):
    """Change cells of one row of takes.csv, adding columns where needed."""
    path = folder / "takes.csv"
    with path.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    names = list(rows[0]) + [name for name in cells if name not in rows[0]]
    for row in rows:
        if row["take"] == take:
            row.update({name: str(value) for name, value in cells.items()})
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, names, restval="")
        writer.writeheader()
        writer.writerows(rows)


def _setting(folder, old, new):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def _add_take(folder, take, kind, x, *, rate=PLAN.rate_hz, **cells):
    file = f"recordings/{take}.wav"
    soundfile.write(folder / file, x, rate, subtype="PCM_24")
    path = folder / "takes.csv"
    with path.open(encoding="utf-8") as opened:
        header = next(csv.reader(opened))
    row = {"take": take, "batch": "day1", "kind": kind, "file": file, **cells}
    with path.open("a", newline="", encoding="utf-8") as opened:
        csv.writer(opened).writerow([row.get(name, "") for name in header])


def _value(table, take, feature):
    rows = table[(table["take"] == take) & (table["feature"] == feature)]
    assert len(rows) == 1
    return rows.iloc[0]


def _verdict(table, take, check="take"):
    rows = table[(table["take"] == take) & (table["check"] == check)]
    assert len(rows) >= 1
    return rows.iloc[0]


def test_levels_ratios_and_distortion_are_those_put_in(folder):
    found = _measure(folder).features
    response = _value(found, "che1_m1_r1", "tone.h1.response_db")
    truth = 20 * np.log10(0.5) + 3.0
    assert response["value"] == pytest.approx(truth, abs=4 * response["u"])
    assert response["u"] < 0.001
    second = _value(found, "lar1_m1_r1", "tone.h2.rel_db")
    assert second["value"] == pytest.approx(-40.0, abs=4 * second["u"])
    third = _value(found, "lar1_m1_r1", "tone.h3.rel_db")
    assert third["value"] == pytest.approx(20 * np.log10(0.005), abs=4 * third["u"])
    total = _value(found, "lar1_m1_r1", "tone.thd_percent")
    both = 100 * np.hypot(0.01, 0.005) / np.sqrt(1 + 0.01**2 + 0.005**2)
    assert total["value"] == pytest.approx(both, abs=4 * total["u"])


def test_a_harmonic_below_the_noise_keeps_its_row_as_an_upper_limit(folder):
    row = _value(_measure(folder).features, "lar1_m1_r1", "tone.h5.rel_db")
    assert not row["usable"]
    assert row["reason"] == "takes.below_noise"
    assert np.isfinite(row["value"])


def test_everything_passes_and_ids_are_unique_and_repeatable(folder):
    first, again = _measure(folder), _measure(folder)
    assert set(first.quality["verdict"]) == {"pass"}
    assert first.features["id"].is_unique
    assert list(first.features["id"]) == list(again.features["id"])
    np.testing.assert_array_equal(first.features["value"], again.features["value"])


def test_full_scale_and_gain_give_sound_pressure_levels(folder):
    plain = _value(_measure(folder).features, "lar1_m1_r1", "tone.h1.level_db")
    _setting(folder, "drive = 2", "drive = 2\nfull_scale_db = 112.0")
    _edit(folder, "lar1_m1_r1", gain_db=6)
    scaled = _value(_measure(folder).features, "lar1_m1_r1", "tone.h1.level_db")
    assert scaled["unit"] == "dB SPL"
    assert scaled["value"] == pytest.approx(plain["value"] + 112 - 6)


def _calibrator(rng, level, rate=PLAN.rate_hz):
    t = np.arange(rate) / rate
    x = 10 ** (level / 20) * np.sin(2 * np.pi * 1000.3 * t)[:, None] * [1, 0]
    return x + 1e-5 * rng.standard_normal((rate, 2))


@pytest.mark.parametrize("calibrated", [True, False])
def test_every_fact_of_the_bench_can_be_told(folder, calibrated):
    if calibrated:
        _setting(folder, "drive = 2", "drive = 2\nfull_scale_db = 112.0")
        about = {"temperature_c": "19.5", "humidity_pct": "50", "started": "2026-03-01T10:00:00"}
        _edit(folder, "lar1_m1_r1", **about)
        _edit(folder, "lar1_m1_r2", **about | {"temperature_c": "20.5"})
    bench = _measure(folder).bench.set_index("item")["value"]
    assert all(say(value) != value for value in bench)
    assert say(bench["specimens"]) == "lar1, che1, ref, chg"
    if calibrated:
        assert fields_of(bench["temperature"]) == {"low": 19.5, "high": 20.5, "unit": "°C"}
        assert code_of(bench["started"]) == "measure.times"
        assert set(fields_of(bench["room noise"])) == {"level_db", "unit", "weighted_db"}
    else:
        assert bench["temperature"] == bench["started"] == "measure.not_given"
    empty = "".join(tables.text_of("bench", _measure(folder).bench))
    assert empty.startswith("item,value,value_code\n")


def test_a_calibrator_take_sets_the_level(folder, rng):
    plain = _value(_measure(folder).features, "lar1_m1_r1", "tone.h1.level_db")
    _setting(folder, "drive = 2", "drive = 2\ncalibrator_db = 94.0")
    _add_take(folder, "cal1", "calibrator", _calibrator(rng, -20.0))
    found = _measure(folder)
    scaled = _value(found.features, "lar1_m1_r1", "tone.h1.level_db")
    assert scaled["value"] == pytest.approx(plain["value"] + 94 + 20, abs=0.001)
    assert "warning" not in list(found.bench["item"])


def test_calibrator_takes_that_differ_are_a_warning(folder, rng):
    _setting(folder, "drive = 2", "drive = 2\ncalibrator_db = 94.0")
    _add_take(folder, "cal1", "calibrator", _calibrator(rng, -20.0))
    _add_take(folder, "cal2", "calibrator", _calibrator(rng, -19.0))
    bench = _measure(folder).bench.set_index("item")["value"]
    assert code_of(bench["warning"]) == "measure.apart"
    assert fields_of(bench["warning"])["spread_db"] == pytest.approx(1.0, abs=0.01)


def test_a_missing_calibrator_is_a_warning_and_levels_stay_relative(folder):
    _setting(folder, "drive = 2", "drive = 2\ncalibrator_db = 94.0")
    found = _measure(folder)
    assert found.bench.set_index("item")["value"]["warning"] == "measure.no_calibrator"
    assert _value(found.features, "lar1_m1_r1", "tone.h1.level_db")["unit"] == "dB re full scale"


def test_the_microphone_may_be_any_channel_of_a_take_and_of_the_calibrator(folder, rng):
    plain = _measure(folder)
    level = _value(plain.features, "lar1_m1_r1", "tone.h1.level_db")["value"]
    ratio = _value(plain.features, "lar1_m1_r1", "tone.h1.response_db")["value"]
    # Drive, nothing, response, nothing: channels 1 and 3 of 4.
    for path in (folder / "recordings").glob("*.wav"):
        x, rate = soundfile.read(path)
        empty = 1e-4 * rng.standard_normal(len(x))
        x = np.stack([x[:, 1], empty, x[:, 0], empty], axis=1)
        soundfile.write(path, x, rate, subtype="PCM_24")
    _setting(folder, "response = 1", "response = 3")
    _setting(folder, "drive = 2", "drive = 1\ncalibrator_db = 114.0")
    t = np.arange(PLAN.rate_hz) / PLAN.rate_hz
    for take, db in (("cal1", -20.0), ("cal2", -20.2)):
        x = 10 ** (db / 20) * np.sin(2 * np.pi * 250.1 * t)[:, None] * [0, 0, 1, 0]
        _add_take(folder, take, "calibrator", x + 1e-5 * rng.standard_normal(x.shape))
    found = _measure(folder)
    assert set(found.quality["verdict"]) == {"pass"}
    row = _value(found.features, "lar1_m1_r1", "tone.h1.level_db")
    assert row["value"] == pytest.approx(level + 114 + 20.1, abs=0.001)
    row = _value(found.features, "lar1_m1_r1", "tone.h1.response_db")
    assert row["value"] == pytest.approx(ratio, abs=1e-4)


@pytest.mark.parametrize("fault", ["clipped", "silent calibrator", "mono"])
def test_a_calibrator_take_that_is_unfit_sets_no_level(folder, rng, fault):
    _setting(folder, "response = 1", "response = 2")
    _setting(folder, "drive = 2", "drive = 1\ncalibrator_db = 94.0")
    x = _calibrator(rng, -20.0, rate=4 * PLAN.rate_hz)[: PLAN.rate_hz, ::-1]
    if fault == "clipped":
        x = np.clip(20 * x, -1, 1)
    elif fault == "silent calibrator":
        x = 1e-3 * rng.standard_normal(x.shape)
    else:
        x = x[:, :1]
    _add_take(folder, "cal1", "calibrator", x)
    found = _measure(folder)
    assert _verdict(found.quality, "cal1")["verdict"] == "fail"
    assert found.bench.set_index("item")["value"]["warning"] == "measure.no_calibrator"
    assert _value(found.features, "lar1_m1_r1", "tone.h1.level_db")["unit"] == "dB re full scale"


def test_a_probe_tone_gives_the_response_there_and_nothing_else(folder, rng):
    t = np.arange(round(PLAN.seconds * PLAN.rate_hz)) / PLAN.rate_hz
    x = np.sin(2 * np.pi * 3 * TONE_HZ * t)[:, None] * [0.02, 0.1]
    x = x + 1e-5 * rng.standard_normal(x.shape)
    _add_take(
        folder, "probe", "tone", x, specimen="lar1", mount="1", repeat="1", tone_hz=3 * TONE_HZ
    )
    found = _measure(folder).features
    names = set(found[found["take"] == "probe"]["feature"])
    assert names == {"probe.k3.response_db", "probe.k3.response_deg"}
    row = _value(found, "probe", "probe.k3.response_db")
    assert row["value"] == pytest.approx(20 * np.log10(0.2), abs=4 * row["u"])


@pytest.mark.parametrize("kind", ["", "voltage"])
def test_without_a_sensed_drive_a_probe_gives_a_level(folder, rng, kind):
    if kind:
        _setting(folder, 'drive_kind = "acceleration"', 'drive_kind = "voltage"')
    else:
        _setting(folder, 'drive = 2\ndrive_kind = "acceleration"\n', "")
    _setting(folder, "tone.h1.response_db", "tone.h1.level_db")
    t = np.arange(round(PLAN.seconds * PLAN.rate_hz)) / PLAN.rate_hz
    x = np.sin(2 * np.pi * 3 * TONE_HZ * t)[:, None] * [0.02, 0.1]
    x = x + 1e-5 * rng.standard_normal(x.shape)
    _add_take(
        folder, "probe", "tone", x, specimen="lar1", mount="1", repeat="1", tone_hz=3 * TONE_HZ
    )
    found = _measure(folder).features
    assert set(found[found["take"] == "probe"]["feature"]) == {"probe.k3.level_db"}
    assert not found["feature"].str.contains("response").any()


def test_a_probe_tone_at_lower_drive_gives_its_response_where_the_drive_is_sensed(folder):
    # Far end 0.02 over a drive of 0.1: -14 dB at whatever drive.
    t = np.arange(round(PLAN.seconds * PLAN.rate_hz)) / PLAN.rate_hz
    x = np.sin(2 * np.pi * 3 * TONE_HZ * t)[:, None] * [0.01, 0.05]
    x = x + 1e-5 * np.random.default_rng(6).standard_normal(x.shape)
    _add_take(
        folder, "probe", "tone", x, specimen="lar1", mount="1", repeat="1", tone_hz=3 * TONE_HZ
    )
    _edit(folder, "probe", drive_db=-6)
    found = _measure(folder).features.query("take == 'probe'").set_index("feature")["value"]
    assert found["probe.k3.response_db"] == pytest.approx(20 * np.log10(0.2), abs=0.02)


def test_drive_steps_give_no_feature(folder):
    _edit(folder, "lar1_m1_r1", drive_db=-12)
    found = _measure(folder)
    assert "lar1_m1_r1" not in set(found.features["take"])
    assert _verdict(found.quality, "lar1_m1_r1")["verdict"] == "pass"


def test_an_excluded_take_stays_in_every_table(folder):
    _edit(folder, "lar1_m1_r1", exclude="yes", reason="a lorry passed")
    found = _measure(folder)
    rows = found.features[found.features["take"] == "lar1_m1_r1"]
    assert len(rows)
    assert not rows["usable"].any()
    assert set(rows["reason"]) == {note("takes.excluded", reason="a lorry passed")}
    assert _verdict(found.quality, "lar1_m1_r1")["source"] == note(
        "takes.excluded", reason="a lorry passed"
    )


def _replace(folder, take, x, rate=PLAN.rate_hz, subtype="PCM_24", cut=None):
    path = folder / f"recordings/{take}.wav"
    soundfile.write(path, x, rate, subtype=subtype)
    if cut is not None:
        path.write_bytes(path.read_bytes()[:cut])


@pytest.mark.parametrize(
    ("fault", "check"),
    [
        ("clipped", "clipping"),
        ("silent", "silence"),
        ("short", "length"),
        ("nan", "finite"),
        ("truncated", "truncated"),
        ("other rate", "rate"),
        ("mono", "channels"),
        ("no audio", "readable"),
        ("other tone", "tone_ppm"),
        ("noise only", "tone_absent"),
        ("dropout", "dropout"),
        ("noisy", "noise_over_room"),
        ("hum", "hum"),
    ],
)
def test_a_faulty_take_is_set_aside_with_its_reason(folder, rng, fault, check):
    take, rate = "lar1_m1_r1", PLAN.rate_hz
    x = tone(rng, PLAN, 0.0)
    t = np.arange(len(x)) / rate
    make = {
        "clipped": lambda: _replace(folder, take, np.clip(x * 4, -0.1, 0.1)),
        "silent": lambda: _replace(folder, take, x * 0),
        "short": lambda: _replace(folder, take, x[: len(x) // 2]),
        "nan": lambda: _replace(
            folder, take, np.where(np.arange(len(x))[:, None] == 2000, np.nan, x), subtype="FLOAT"
        ),
        "truncated": lambda: _replace(folder, take, np.concatenate([x, x]), cut=6 * len(x)),
        "other rate": lambda: _replace(folder, take, np.concatenate([x] * 6), rate=44_100),
        "mono": lambda: _replace(folder, take, x[:, 0]),
        "no audio": lambda: (folder / f"recordings/{take}.wav").write_text("not audio"),
        "other tone": lambda: _replace(
            folder, take, np.sin(2 * np.pi * 176 * t)[:, None] * [0.05, 0.1]
        ),
        "noise only": lambda: _replace(folder, take, 0.01 * rng.standard_normal(x.shape)),
        "dropout": lambda: _replace(folder, take, np.where((t > 0.2) & (t < 0.22), 0, x.T).T),
        "noisy": lambda: _replace(folder, take, x + 5e-4 * rng.standard_normal(x.shape)),
        "hum": lambda: _replace(folder, take, x + 0.03 * np.sin(2 * np.pi * 50 * t)[:, None]),
    }
    make[fault]()
    found = _measure(folder)
    row = _verdict(found.quality, take)
    assert row["verdict"] == "fail"
    assert has(row["source"], f"checks.{check}")
    assert said(row["source"])
    assert _verdict(found.quality, take, check)["verdict"] == "fail"
    rows = found.features[found.features["take"] == take]
    assert len(rows)
    assert not rows["usable"].any()
    assert set(map(code_of, rows["reason"])) == {"takes.set_aside"}
    # Its neighbours are untouched.
    assert found.features[found.features["take"] == "lar1_m1_r2"]["usable"].any()


def _broken_mp3(path, x, rate, rng):
    """An MP3 whose second half is noise, so that the decoder loses its place."""
    soundfile.write(path, np.tile(x, (4, 1)), rate, format="MP3")
    data = bytearray(path.read_bytes())
    middle = slice(len(data) // 4, 3 * len(data) // 4)
    data[middle] = rng.integers(0, 256, len(data[middle]), dtype=np.uint8).tobytes()
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("fault", "check"),
    [
        ("1e38", "finite"),
        ("1e150", "finite"),
        ("1e300", "finite"),
        ("1 Hz", "readable"),
        ("7 Hz", "readable"),
        ("broken mp3", "truncated"),
        ("header only", "readable"),
    ],
)
def test_one_bad_file_sets_aside_one_take(folder, rng, fault, check):
    _setting(folder, "[decide]", f"{SWEEP}[decide]")
    plain = _measure(folder)
    kinds = ("tone", "room", "calibrator", "tap", "sweep")
    for repeat, kind in enumerate(kinds, start=7):
        x = tone(rng, PLAN, 0.0)
        boards = {"specimen": "lar1", "mount": 1, "repeat": repeat}
        own = boards if kind in ("tone", "tap", "sweep") else {}
        own |= {"tone_hz": TONE_HZ} if kind == "tone" else {}
        _add_take(folder, kind, kind, x, **own)
        path = folder / f"recordings/{kind}.wav"
        if fault.startswith("1e"):
            x[2000] = float(fault)
            soundfile.write(path, x, PLAN.rate_hz, subtype="DOUBLE")
        elif fault.endswith("Hz"):
            soundfile.write(path, x, int(fault.split()[0]), subtype="PCM_24")
        elif fault == "broken mp3":
            _broken_mp3(path, x, PLAN.rate_hz, rng)
        else:
            path.write_bytes(path.read_bytes()[:30] + kind.encode())
    found = _measure(folder)
    for kind in kinds:
        assert _verdict(found.quality, kind)["verdict"] == "fail"
        assert _verdict(found.quality, kind, check)["verdict"] == "fail"
    bad = found.features["take"].isin(kinds)
    assert not found.features.loc[bad, "usable"].any()
    pd.testing.assert_frame_equal(found.features[~bad].reset_index(drop=True), plain.features)


def test_the_check_of_a_study_goes_on_beyond_bad_files(folder, rng):
    x = tone(rng, PLAN, 0.0)
    _broken_mp3(folder / "recordings/lar1_m1_r1.wav", x, PLAN.rate_hz, rng)
    soundfile.write(folder / "recordings/lar1_m1_r2.wav", x, 7, subtype="PCM_24")
    x[2000] = 1e300
    soundfile.write(folder / "recordings/che1_m1_r1.wav", x, PLAN.rate_hz, subtype="DOUBLE")
    result = CliRunner().invoke(cli.main, ["check", str(folder)])
    assert result.exit_code == 1, result.output
    assert result.stdout.splitlines()[-1].startswith("9 takes: 3 not fit for use")


@pytest.mark.parametrize("kind", ["tap", "sweep"])
def test_a_giant_sample_at_the_very_end_is_no_sound(folder, rng, kind):
    x = tone(rng, PLAN, 0.0)
    x = np.concatenate([x, x[:3]])  # the analysed length does not reach the last sample
    x[-1] = 1e150
    _setting(folder, "[decide]", f"{SWEEP}[decide]")
    _add_take(folder, "bad", kind, x, specimen="lar1", mount=1, repeat=9)
    soundfile.write(folder / "recordings/bad.wav", x, PLAN.rate_hz, subtype="DOUBLE")
    found = _measure(folder)
    check = {"tap": "taps", "sweep": "sweep_unlike"}[kind]
    assert _verdict(found.quality, "bad", check)["verdict"] != "pass"
    assert not found.features.loc[found.features["take"] == "bad", "usable"].any()


@pytest.mark.parametrize("drive", [True, False])
@pytest.mark.parametrize("order", [1, 3])
def test_a_take_that_cannot_be_measured_has_the_rows_of_one_that_was(folder, rng, drive, order):
    if not drive:
        _setting(folder, 'drive = 2\ndrive_kind = "acceleration"\n', "")
        _setting(folder, "tone.h1.response_db", "tone.h1.level_db")
    t = np.arange(round(PLAN.seconds * PLAN.rate_hz)) / PLAN.rate_hz
    for repeat, take in enumerate(("good", "bad"), start=7):
        x = np.sin(2 * np.pi * order * TONE_HZ * t)[:, None] * [0.02, 0.1]
        x = x + 1e-5 * rng.standard_normal(x.shape)
        own = {"specimen": "lar1", "mount": 1, "repeat": repeat, "tone_hz": order * TONE_HZ}
        _add_take(folder, take, "tone", x, **own)
    (folder / "recordings/bad.wav").write_bytes(b"no audio")
    found = _measure(folder).features
    good, bad = (set(found[found["take"] == take]["feature"]) for take in ("good", "bad"))
    assert good == bad
    assert len(good) > 0


def test_own_limits_decide(folder):
    _setting(folder, "[decide]", "[quality]\nsnr_h1 = 150\n\n[decide]")
    assert _verdict(_measure(folder).quality, "lar1_m1_r1")["verdict"] == "fail"
    _setting(folder, "snr_h1 = 150", "snr_h_one = 150")
    with pytest.raises(InputError) as caught:
        _measure(folder)
    assert caught.value.codes == ("checks.unknown",)


def test_no_recording_that_opens_is_a_fault_of_the_study(folder):
    _setting(folder, f"rate_hz = {PLAN.rate_hz}\n", "")
    for n, path in enumerate((folder / "recordings").glob("*.wav")):
        path.write_bytes(b"no audio %d" % n)
    with pytest.raises(InputError) as caught:
        _measure(folder)
    assert caught.value.codes == ("measure.none_opens",)
    assert str(caught.value)


def test_the_rate_is_the_commonest_when_none_is_set(folder, rng):
    _setting(folder, f"rate_hz = {PLAN.rate_hz}\n", "")
    _replace(folder, "lar1_m1_r1", np.concatenate([tone(rng, PLAN, 0.0)] * 6), rate=44_100)
    study = read_study(folder)
    assert common_rate(study) == PLAN.rate_hz
    found = measure_batch(study, "day1")
    assert _verdict(found.quality, "lar1_m1_r1", "rate")["verdict"] == "fail"
    rate = found.bench.set_index("item")["value"]["sampling rate"]
    assert rate == note("measure.rate", rate_hz=PLAN.rate_hz, given=False)


@pytest.mark.parametrize("frames", [1, 3, 100, 401, 799])
def test_a_recording_of_a_moment_is_set_aside(folder, rng, frames):
    for kind in ("room", "tap", "calibrator"):
        own = {"specimen": "lar1", "mount": 1, "repeat": 9} if kind == "tap" else {}
        _add_take(folder, kind, kind, 0.1 * rng.standard_normal((frames, 2)), **own)
    found = _measure(folder)
    for kind in ("room", "tap", "calibrator"):
        assert has(_verdict(found.quality, kind)["source"], "checks.length")


def test_controls_need_no_tone_in_the_response(folder, rng):
    t = np.arange(PLAN.rate_hz) / PLAN.rate_hz
    only_drive = np.sin(2 * np.pi * TONE_HZ * t)[:, None] * [0, 0.1]

    def noisy(x):
        return x + 3e-5 * rng.standard_normal(x.shape)

    _add_take(folder, "block", "driver", noisy(only_drive), tone_hz=TONE_HZ)
    _add_take(
        folder, "air", "airborne", noisy(only_drive), tone_hz=TONE_HZ, specimen="lar1", mount=1
    )
    _add_take(folder, "loop", "loopback", noisy(only_drive[:, ::-1]), tone_hz=TONE_HZ)
    found = _measure(folder)
    for take in ("block", "air", "loop"):
        assert _verdict(found.quality, take)["verdict"] == "pass"
        assert take not in set(found.features["take"])
    assert not ((found.quality["take"] == "loop") & (found.quality["channel"] == "drive")).any()


@pytest.mark.parametrize("cells", [{"turned": "yes"}, {"moved_mm": 2}, {"mic_times": 2}])
def test_a_take_that_tests_a_cause_gives_harmonics_and_no_feature(folder, cells):
    for name in ("lar1_m1_r1", "lar1_m1_r2") if "turned" in cells else ("lar1_m1_r1",):
        _edit(folder, name, **cells)
    found = _measure(folder)
    assert found.quality["take"].eq("lar1_m1_r1").any()
    assert found.harmonics["take"].eq("lar1_m1_r1").any()
    assert not found.features["take"].eq("lar1_m1_r1").any()


def test_a_room_take_at_another_gain_is_brought_to_the_bench(folder):
    plain = _verdict(_measure(folder).quality, "lar1_m1_r1", "noise_over_room")["value"]
    path = folder / "recordings/day1_room.wav"
    x, rate = soundfile.read(path)
    soundfile.write(path, 10 * x, rate, subtype="PCM_24")
    _edit(folder, "day1_room", gain_db=20)
    found = _verdict(_measure(folder).quality, "lar1_m1_r1", "noise_over_room")
    assert found["value"] == pytest.approx(plain, abs=0.01)


def test_a_band_that_the_tone_fills_says_so(folder):
    _setting(folder, "length_s = 0.45", "length_s = 0.06")
    row = _value(_measure(folder).features, "lar1_m1_r1", "tone.band125.rel_db")
    assert not row["usable"]
    assert row["reason"] == "takes.band_filled"
    assert _value(_measure(folder).features, "lar1_m1_r1", "tone.band2000.rel_db")["usable"]


def test_an_unknown_batch_names_those_there_are(folder):
    with pytest.raises(InputError, match=r"no batch .day9.*day1"):
        _measure(folder, "day9")


def test_a_long_take_is_measured_in_pieces(folder, rng):
    plan = Plan(seconds=25.0)
    _replace(folder, "lar1_m1_r1", tone(rng, plan, 1.0))
    _setting(folder, "length_s = 0.45", "length_s = 0.45 # whole")
    _setting(folder, "length_s = 0.45", "length_s = 24.9")
    for other in ("lar1_m1_r2", "che1_m1_r1"):
        _replace(folder, other, tone(rng, plan, 1.0))
    row = _value(_measure(folder).features, "lar1_m1_r1", "tone.h1.response_db")
    assert row["usable"]
    assert row["value"] == pytest.approx(20 * np.log10(0.5) + 1.0, abs=5 * row["u"])
    assert row["u"] < 1.3e-4 / np.sqrt(24.9 / 0.45) * 1.5


def test_progress_counts_every_take(folder):
    seen = []
    study = read_study(folder)
    measure_batch(study, "day1", progress=lambda *step: seen.append(step))
    total = len(study.takes_of("day1"))
    assert [step[0] for step in seen] == list(range(total + 1))
    assert {step[1] for step in seen} == {total}
