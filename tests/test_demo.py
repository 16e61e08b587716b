"""The invented study: complete, consistent, rebuilt to the last sample, and its truth recovered.

The truth beside the demo comes from a simulation that shares no code with the library, so
finding it again is a check from outside. Tolerances follow from the stated spreads between takes
(truth.json, spread_between_takes): four standard errors, unless a line says otherwise.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import soundfile

from studylib import tables
from studylib.codes import code_of
from studylib.codes.comparison import Heard
from studylib.report.listening import heard_of
from studylib.sheets import read_study

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
RESPONSES = ("tone.h1.response_db", "probe.k2.response_db", "probe.k3.response_db")
SAMPLE = 14  # recordings that are rebuilt: two of each kind


def rows(name: str) -> list[dict[str, str]]:
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def truth() -> dict:
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def takes() -> pd.DataFrame:
    return pd.DataFrame(rows("takes.csv"))


@pytest.fixture(scope="module")
def features(demo_batch) -> pd.DataFrame:
    study = read_study(DEMO)
    parts = [demo_batch(study, batch).features for batch in study.batches]
    table = pd.concat(parts, ignore_index=True)
    return table[table["usable"]]


def mount_truth() -> pd.DataFrame:
    return pd.read_csv(DEMO / "truth" / "mounts.csv", keep_default_na=False)


# What is in the folder


def test_folder_is_small_and_holds_each_recording_once(takes):
    files = [p for p in (DEMO / "recordings").rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) <= 15e6
    assert sorted(p.relative_to(DEMO).as_posix() for p in files) == sorted(takes["file"])


def test_invention_is_marked_wherever_it_appears(takes, truth):
    with (DEMO / "study.toml").open("rb") as file:
        assert "invented" in tomllib.load(file)["study"]["title"]
    assert "invented" in (DEMO / "README.md").read_text(encoding="utf-8").splitlines()[0]
    assert all("invented" in row["note"] for row in rows("specimens.csv"))
    assert "simulated" in truth["invented"]
    for name in takes["file"][:: len(takes) // 20]:
        with soundfile.SoundFile(DEMO / name) as file:
            assert file.comment.startswith("Invented")


def test_sheets_read_without_a_fault_or_a_warning():
    study = read_study(DEMO)
    assert study.warnings == ()
    assert study.woods == ("larch", "cherry", "robinia")
    assert not any(s.source_assumed for s in study.specimens)


def test_recordings_are_what_the_sheets_promise_and_nothing_clips(takes):
    for take in takes.itertuples():
        samples, rate = soundfile.read(DEMO / take.file, dtype="int16", always_2d=True)
        info = soundfile.info(DEMO / take.file)
        assert (info.format, info.subtype, rate) == ("FLAC", "PCM_16", 24_000)
        assert samples.shape[1] == (1 if take.support == "free" else 2), take.take
        assert len(samples) == (57_600 if take.kind == "tap" else 24_000), take.take
        assert np.abs(samples.astype(int)).max() < 0.8 * 32_768, take.take


def test_room_noise_lies_below_80_db_re_full_scale(takes):
    for name in takes.loc[takes["kind"] == "room", "file"]:
        samples, _ = soundfile.read(DEMO / name)
        # 0 dB is a full-scale sine, whose mean square is a half.
        assert np.all(10 * np.log10(2 * np.mean(samples**2, axis=0)) < -80)


def test_full_drive_tones_use_the_recorder_well(takes):
    full = takes[(takes["kind"] == "tone") & (takes["tone_hz"] == "172")]
    for name in full.loc[(full["drive_db"] == "") & (full["exclude"] == ""), "file"]:
        samples, _ = soundfile.read(DEMO / name)
        peaks = 20 * np.log10(np.abs(samples).max(axis=0))
        assert np.all((peaks > -22) & (peaks < -6)), name


# The plan


def test_plan_is_complete_and_balanced(takes):
    woods = {row["specimen"]: row for row in rows("specimens.csv")}
    used = takes[takes["exclude"] == ""]
    tones = used[(used["kind"] == "tone") & (used["drive_db"] == "")]
    full = tones[tones["tone_hz"] == "172"]
    boards = full[full["specimen"].map(lambda s: woods[s]["role"] == "")]
    assert len(boards) == 108
    assert set(boards.groupby(["specimen", "mount"]).size()) == {3}
    assert set(boards.groupby("specimen")["mount"].nunique()) == {3}
    assert set(boards.groupby("specimen")["batch"].nunique()) == {1}
    where = boards.drop_duplicates("specimen")
    wood = where["specimen"].map(lambda s: woods[s]["wood"])
    shares = Counter(zip(wood, where["batch"], strict=True))
    assert set(shares.values()) == {2}
    assert len(shares) == 6
    guards = full[full["specimen"].isin(["REF", "REFM"])]
    assert set(guards.groupby(["specimen", "batch"])["mount"].nunique()) == {2}
    mounts = set(zip(full["specimen"], full["mount"], strict=True))
    for kind, hz in (("tone", "344"), ("tone", "516"), ("sweep", ""), ("tap", "")):
        on_bench = used[(used["kind"] == kind) & (used["tone_hz"] == hz) & (used["support"] == "")]
        assert sorted(zip(on_bench["specimen"], on_bench["mount"], strict=True)) == sorted(mounts)


def test_controls_and_steps_are_there_in_each_sitting(takes):
    for batch, sitting in takes.groupby("batch"):
        kinds = Counter(zip(sitting["kind"], sitting["tone_hz"], sitting["drive_db"], strict=True))
        assert kinds[("room", "", "")] == 1
        for kind in ("loopback", "driver", "airborne"):
            # On the second day the tone in the air was recorded beside the odd mount as well.
            tones = 2 if (batch, kind) == ("day2", "airborne") else 1
            assert [kinds[(kind, hz, "")] for hz in ("172", "344", "516")] == [tones, 1, 1]
        assert [kinds[("driver", "172", step)] for step in ("-6", "-12", "-18")] == [1, 1, 1]
    steps = takes[(takes["kind"] == "tone") & (takes["drive_db"] != "")]
    assert set(steps["specimen"]) == {"L1", "C3"}
    free = takes[takes["support"] == "free"]
    assert sorted(free["specimen"]) == sorted(row["specimen"] for row in rows("specimens.csv"))


def test_order_is_the_order_of_the_clock_and_no_wood_is_early_or_late(takes):
    boards = {row["specimen"]: row["wood"] for row in rows("specimens.csv") if not row["role"]}
    for _, sitting in takes.groupby("batch"):
        assert list(sitting["order"].astype(int)) == list(range(1, len(sitting) + 1))
        assert list(sitting["started"]) == sorted(set(sitting["started"]))
        mounted = sitting[(sitting["support"] == "") & sitting["specimen"].isin(boards)]
        visits = mounted.drop_duplicates(["specimen", "mount"])
        for turn in range(3):
            woods = visits["specimen"].iloc[6 * turn : 6 * turn + 6].map(boards)
            assert set(woods.value_counts()) == {2}


# Rebuilding


@pytest.fixture(scope="module")
def rebuilt(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("rebuilt")
    command = [sys.executable, str(DEMO / "build_demo.py"), "--into", str(folder)]
    subprocess.run([*command, "--only", str(SAMPLE)], check=True, capture_output=True)
    return folder


def test_rebuilt_recordings_equal_to_the_last_bit_of_a_sample(rebuilt):
    files = sorted(p for p in (rebuilt / "recordings").rglob("*.flac"))
    assert len(files) == SAMPLE
    for path in files:
        again, _ = soundfile.read(path, dtype="int16", always_2d=True)
        kept, _ = soundfile.read(DEMO / path.relative_to(rebuilt), dtype="int16", always_2d=True)
        np.testing.assert_array_equal(again, kept, err_msg=path.name)


@pytest.mark.parametrize(
    "name",
    [
        "specimens.csv", "takes.csv", "truth.json", "truth/boards.csv", "truth/mounts.csv",
        "truth/harmonics.csv", "truth/listeners.csv", "study.toml", "README.md",
        "listening/trials.csv", "listening/results/invented-1.csv",
        "listening/results/invented-9.csv",
    ],
)  # fmt: skip
def test_rebuilt_sheets_and_truth_are_the_same(rebuilt, name):
    assert (rebuilt / name).read_bytes() == (DEMO / name).read_bytes()


def test_builder_does_not_use_the_library():
    for path in [DEMO / "build_demo.py", *(DEMO / "simulation").glob("*.py")]:
        assert "studylib" not in path.read_text(encoding="utf-8"), path.name


# Truth in, truth out


@pytest.mark.parametrize("name", RESPONSES)
def test_responses_of_each_mount_are_recovered(features, truth, name):
    got = features[features["feature"] == name].groupby(["specimen", "mount"])["value"]
    found = got.agg(["mean", "size"]).reset_index()
    known = mount_truth()[lambda t: t["support"] == "bench"]
    both = found.merge(known, on=["specimen", "mount"], validate="one_to_one")
    assert len(both) == len(known) == 44
    error = both["mean"] - both[name].astype(float)
    sd = truth["spread_between_takes"]["microphone_level_sd_db"] / np.sqrt(both["size"])
    assert (error.abs() < 4 * sd).all()
    assert abs(error.mean()) < 4 * sd.mean() / np.sqrt(len(both))


def test_spread_between_takes_is_recovered(features, truth):
    values = features[features["feature"] == "tone.h1.response_db"]
    variance = values.groupby(["specimen", "mount"])["value"].var(ddof=1).mean()
    # 44 mounts with 2 degrees of freedom each: the sd is known to 7.5 %; four of those.
    stated = truth["spread_between_takes"]["microphone_level_sd_db"]
    assert np.sqrt(variance) == pytest.approx(stated, rel=0.30)


def test_levels_of_the_harmonics_are_recovered(features, truth):
    harmonics = pd.read_csv(DEMO / "truth" / "harmonics.csv")
    full_scale = truth["recorder"]["full_scale_db"]
    spread = truth["spread_between_takes"]
    # A driver's k-th harmonic grows k dB a dB from its lowest power alone; the higher powers of
    # this driver add to that (to about 3 and 4.5 dB a dB where the travel is largest).
    for k, steepest in ((1, 1), (2, 3), (3, 4.5)):
        got = features[features["feature"] == f"tone.h{k}.level_db"]
        both = got.merge(harmonics[harmonics["harmonic"] == k], on=["specimen", "mount"])
        assert len(both) == 132
        error = both["value"] - full_scale - both["response_dbfs"]
        heard = spread["microphone_level_sd_db"]
        low, high = (np.hypot(g * spread["drive_level_sd_db"], heard) for g in (k, steepest))
        assert abs(error.mean()) < 4 * high / np.sqrt(132)
        # The sd of 132 takes is known to 6 %; four of those.
        assert 0.75 * low < error.std() < 1.25 * high


def test_tone_frequency_is_recovered(features, truth):
    got = features[features["feature"] == "tone.frequency_hz"]
    clean = got[~got["take"].str.contains("R2-m1")]
    for batch, ppm in truth["batches"]["tone_offset_ppm"].items():
        mean = clean.loc[clean["batch"] == batch, "value"].mean()
        n = (clean["batch"] == batch).sum()
        allowed = 4 * truth["spread_between_takes"]["tone_offset_sd_ppm"] / np.sqrt(n)
        assert 1e6 * (mean / 172.0 - 1) == pytest.approx(ppm, abs=allowed)


def test_woods_differ_as_the_truth_says(features, truth):
    got = features[features["feature"] == "tone.h1.response_db"]
    boards = got.groupby(["wood", "specimen", "mount"])["value"].mean()
    woods = boards.groupby(["wood", "specimen"]).mean().drop(["REF", "REFM"], level=1)
    means = woods.groupby("wood").mean()
    # Four boards a wood, three mounts each: the remount spread is what is left of error, and
    # both sittings hold two boards of each wood, so that the bench's own shift cancels.
    sd = truth["remount_sd"]["tone.h1.response_db"] / np.sqrt(12) * np.sqrt(2)
    for pair, known in truth["differences"].items():
        second, first = pair.split(" minus ")
        difference = means[second] - means[first]
        assert difference == pytest.approx(known["tone.h1.response_db"], abs=4 * sd), pair
    assert means["larch"] - means["robinia"] > 2


def test_changed_specimen_is_told_from_the_reference(features, truth):
    got = features[features["feature"] == "tone.h1.response_db"]
    mounts = got.groupby(["specimen", "mount"])["value"].mean()
    difference = mounts["REFM"].mean() - mounts["REF"].mean()
    known = truth["changed_minus_reference_db"]["tone.h1.response_db"]
    sd = truth["remount_sd"]["tone.h1.response_db"] * np.sqrt(2 / 4)
    assert difference == pytest.approx(known, abs=4 * sd)
    assert mounts["REFM"].max() < mounts["REF"].min() - 1


def test_only_the_mount_with_the_loose_contact_buzzes(features, truth):
    high = features["feature"].str.fullmatch(r"tone\.h(1[0-9]|20|[7-9])\.level_db")
    present = features[high].groupby(["specimen", "mount"]).size()
    buzzing = truth["buzzing_mount"]
    counts = present.drop((buzzing["specimen"], buzzing["mount"]))
    # Fourteen harmonics in three takes; elsewhere one false alarm in a hundred is expected.
    assert present[(buzzing["specimen"], buzzing["mount"])] >= 36
    assert counts.max() <= 5


def test_truth_credits_the_board_with_no_harmonic_of_its_own(truth):
    harmonics = pd.read_csv(DEMO / "truth" / "harmonics.csv")
    buzzing = (harmonics["specimen"] == truth["buzzing_mount"]["specimen"]) & (
        harmonics["mount"] == truth["buzzing_mount"]["mount"]
    )
    assert harmonics.loc[~buzzing, "contact_dbfs"].isna().all()
    # Outside the buzzing mount only the leak through the air adds to what the driver made.
    assert harmonics.loc[~buzzing, "excess_db"].abs().max() < 0.3
    assert harmonics.loc[buzzing, "excess_db"].iloc[1:3].min() > 6


@pytest.mark.parametrize("batch", ["day1", "day2"])
def test_the_recorder_of_the_demo_turns_no_gain_by_itself(demo_batch, batch):
    quality = demo_batch(read_study(DEMO), batch).quality
    assert not quality["check"].isin(["noise_gated", "gain_moves"]).any()


def test_knocked_take_is_seen_by_the_checks_too(demo_batch):
    quality = demo_batch(read_study(DEMO), "day1").quality
    failed = quality[(quality["verdict"] == "fail") & (quality["check"] != "take")]
    assert set(failed["take"]) == {"R2-m1-tone172-r2"}
    assert "bump" in set(failed["check"])


# The blind test


def test_the_blind_test_finds_what_the_invented_listeners_hear():
    study = read_study(DEMO)
    table = heard_of(study, tables.empty("quality"))
    known = {row["listener"]: row for row in rows("truth/listeners.csv")}
    (left_out,) = table[~table["used"]].to_dict("records")
    assert (left_out["file"], left_out["listener"]) == ("invented-9.csv", "invented-9")
    assert code_of(left_out["reason"]) == "heard.one_answer"
    counted = [row for name, row in known.items() if name != "invented-9"]
    whole = table[table["used"] & (table["listener"] == "")].set_index("about")
    for about, column in (("woods", "two_woods"), ("one wood", "one_wood")):
        truth = np.mean([float(row[column]) for row in counted])
        assert whole.loc[about, "able_low"] <= truth <= whole.loc[about, "able_high"]
    assert whole.loc["one board", "able_low"] == 0.0
    assert whole.loc["woods", "verdict"] == Heard.WOODS  # they do hear woods apart


def test_every_listener_is_marked_invented():
    files = sorted((DEMO / "listening" / "results").glob("*.csv"))
    assert len(files) == 9
    for path in files:
        with path.open(encoding="utf-8", newline="") as file:
            assert {row["listener"] for row in csv.DictReader(file)} == {path.stem}
        assert path.stem.startswith("invented-")
    assert read_study(DEMO).settings.listen.who == "invented listeners"
