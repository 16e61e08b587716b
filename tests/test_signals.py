"""`study signals`: real files for a real schedule, read back; and what can go wrong."""

from __future__ import annotations

import errno
import os

import numpy as np
import pandas as pd
import pytest
import soundfile

from studylib.bench.schedule import write_schedule
from studylib.bench.signals import signal_name, write_signals
from studylib.errors import InputError
from studylib.sheets import read_study
from studylib.sheets.study import read_unrecorded
from studylib.words import say
from tests.notes import holds
from tests.planned_study import TOML, write_planned

SHORT = TOML + "play_s = 1.0\n"


def scheduled(tmp_path, toml=SHORT):
    folder = write_planned(tmp_path / "rails", toml=toml)
    write_schedule(read_unrecorded(folder))
    return read_study(folder)


def test_every_signal_of_the_schedule_is_there_as_the_table_says(tmp_path):
    study = scheduled(tmp_path)
    table = write_signals(study)
    assert list(table["file"][:2]) == ["silence.wav", "sweep-down20.wav"]
    assert set(table["file"]) == {
        "silence.wav", "sweep-down20.wav", "tone172-down18.wav", "tone172-down12.wav",
        "tone172-down06.wav", "tone172.wav", "tone344.wav", "tone516.wav",
    }  # fmt: skip
    for row in table.itertuples():
        info = soundfile.info(study.folder / "signals" / row.file)
        assert (info.samplerate, info.channels, info.subtype) == (48_000, 1, "PCM_24")
        assert info.frames / info.samplerate == pytest.approx(row.seconds)
        x, _ = soundfile.read(study.folder / "signals" / row.file)
        if row.kind == "silence":
            assert not x.any()
            assert row.caution == ""
            continue
        wanted = -12.0 + row.drive_db
        assert row.peak_dbfs == pytest.approx(wanted, abs=0.01)
        assert 20 * np.log10(np.abs(x).max()) == pytest.approx(wanted, abs=0.01)
        assert "headphones" in row.caution
    full = table[table["file"] == "tone172.wav"].iloc[0]
    assert full["caution"].startswith("Full drive")
    assert (full["periods"], full["whole_at_s"]) == (pytest.approx(137.6), 0.75)
    assert table["used_by"].sum() == sum(bool(signal_name(t)) for t in study.planned)
    assert list(table["peak_dbfs"]) == sorted(table["peak_dbfs"])
    read = pd.read_csv(study.folder / "signals" / "signals.csv")
    assert list(read["file"]) == list(table["file"])


def test_tones_that_differ_late_in_their_digits_have_files_of_their_own(tmp_path):
    study = scheduled(tmp_path)
    take = next(take for take in study.planned if take.kind == "tone")
    names = {
        signal_name(take.model_copy(update={"tone_hz": hz, "drive_db": 0.0}))
        for hz in (12345.67, 12345.7)
    }
    assert names == {"tone12345.67.wav", "tone12345.7.wav"}


def test_the_written_tone_measured_back(tmp_path):
    """By projection on the written file: frequency within a millionth, level within 0.01 dB."""
    study = scheduled(tmp_path)
    write_signals(study)
    x, rate = soundfile.read(study.folder / "signals" / "tone172.wav")
    steady = x[rate // 2 : rate // 2 + rate]
    t = np.arange(rate) / rate
    # Half a second holds 86 whole periods, so each projection is exact and their phase tells.
    first, second = (
        np.sum(part * np.exp(-2j * np.pi * 172 * t[: rate // 2]))
        for part in (steady[: rate // 2], steady[rate // 2 :])
    )
    drift = np.angle(second / first) / (2 * np.pi * 0.5)
    assert abs(drift) < 172e-6
    level = 20 * np.log10(2 * abs(first) / (rate // 2))
    assert level == pytest.approx(-12.0, abs=0.01)


def test_the_same_study_gives_the_same_bytes_and_touches_nothing_twice(tmp_path):
    study = scheduled(tmp_path)
    write_signals(study)
    folder = study.folder / "signals"
    before = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.glob("*.wav")}
    (folder / "tone344.wav").unlink()
    write_signals(study)
    after = {p.name: (p.read_bytes(), p.stat().st_mtime_ns) for p in folder.glob("*.wav")}
    changed = {name for name in before if before[name] != after[name]}
    assert changed == {"tone344.wav"}
    assert all(before[name][0] == after[name][0] for name in before)


def test_a_full_disk_leaves_whole_files_and_no_pieces(tmp_path, monkeypatch):
    study = scheduled(tmp_path)
    moved, real = [], os.replace

    def replace(source, target):
        if len(moved) == 2:
            raise OSError(errno.ENOSPC, "No space left on device", str(source))
        moved.append(target)
        real(source, target)

    monkeypatch.setattr(os, "replace", replace)
    with pytest.raises(OSError, match="No space left"):
        write_signals(study)
    left = sorted(p.name for p in (study.folder / "signals").iterdir())
    assert left == sorted(path.name for path in moved)
    assert all(soundfile.info(study.folder / "signals" / name).frames for name in left)


@pytest.mark.parametrize(
    ("toml", "code", "fields"),
    [
        (
            SHORT + "probes = [2, 150]\n",
            "bench.tone_too_high",
            {"file": "takes.csv", "column": "tone_hz", "tone_hz": 25800.0, "rate_hz": 48000},
        ),
        (
            SHORT.replace("highest_hz = 8000.0", "highest_hz = 24000.0"),
            "bench.sweep_too_high",
            {"section": "[sweep]", "key": "highest_hz", "highest_hz": 24000.0},
        ),
        (
            SHORT + "drive_steps_db = [-90]\n",
            "bench.too_quiet",
            {"file": "takes.csv", "column": "drive_db", "drive_db": -90.0},
        ),
    ],
)
def test_what_cannot_be_played_names_its_place_and_writes_nothing(tmp_path, toml, code, fields):
    study = scheduled(tmp_path, toml)
    with pytest.raises(InputError) as caught:
        write_signals(study)
    assert holds(caught.value.notes[0], code, **fields)
    assert say(caught.value.notes[0])
    assert not (study.folder / "signals").exists()


def test_a_sweep_that_is_not_described_any_more_is_told(tmp_path):
    study = scheduled(tmp_path)
    toml = SHORT[: SHORT.index("[sweep]")] + SHORT[SHORT.index("[decide]") :]
    (study.folder / "study.toml").write_text(toml, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        write_signals(read_study(study.folder))
    row = next(take.row for take in study.planned if take.kind == "sweep")
    assert holds(caught.value.notes[0], "bench.no_sweep", file="takes.csv", row=row)
