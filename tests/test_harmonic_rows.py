"""What a batch leaves for the attribution: complex amplitudes from real files of known content."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import signal

from studylib.codes import code_of, fields_of
from studylib.measure import measure_batch
from studylib.sheets import read_study
from tests.small_study import TONE_HZ, Plan, write_small_study

RATE, SECONDS = 8000, 1.0
PLAN = Plan(wood_db={"larch": 0.0, "cherry": 0.0}, boards=1, mounts=1, takes=1, seconds=SECONDS,
            board_sd=0, mount_sd=0, take_sd=0, claim=False)  # fmt: skip
T = np.arange(round(RATE * SECONDS)) / RATE


@pytest.fixture
def folder(tmp_path) -> Path:
    return write_small_study(tmp_path / "study", PLAN)


def add(folder: Path, take: str, kind: str, x: np.ndarray, **cells) -> None:
    """Write a recording and its row of takes.csv, adding columns where needed."""
    file = f"recordings/{take}.wav"
    soundfile.write(folder / file, x, RATE, subtype="PCM_24")
    path = folder / "takes.csv"
    with path.open(encoding="utf-8") as opened:
        rows = list(csv.DictReader(opened))
    rows.append({"take": take, "batch": "day1", "kind": kind, "file": file, **cells})
    names = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="", encoding="utf-8") as opened:
        writer = csv.DictWriter(opened, names, restval="")
        writer.writeheader()
        writer.writerows(rows)


def rows_of(folder: Path, take: str):
    found = measure_batch(read_study(folder), "day1").harmonics
    found = found[found["take"] == take]
    return found, (found["response_re"] + 1j * found["response_im"]).to_numpy()


def stereo(response, drive, noise: float = 1e-6) -> np.ndarray:
    rng = np.random.default_rng(5)
    x = np.stack([response, drive], axis=1)
    return x + noise * rng.standard_normal(x.shape)


def test_a_tone_gives_all_its_harmonics_with_phases(folder):
    phi = 2 * np.pi * TONE_HZ * T + 0.7
    drive = 0.2 * np.cos(phi) + 0.01 * np.cos(2 * phi + 0.5)
    response = 0.1 * np.cos(phi - 1.0) + 0.004 * np.cos(2 * phi + 1.3)
    add(folder, "own", "tone", stereo(response, drive), specimen="lar1", mount=2, repeat=1,
        tone_hz=TONE_HZ)  # fmt: skip
    found, amplitude = rows_of(folder, "own")
    drives = (found["drive_re"] + 1j * found["drive_im"]).to_numpy()
    assert found["harmonic"].tolist() == [1, 2, 3, 4, 5]
    assert found["usable"].all()
    assert np.abs(amplitude[:2]) == pytest.approx([0.1, 0.004], rel=1e-3)
    ratio = amplitude[1] / drives[1]
    assert ratio == pytest.approx(0.4 * np.exp(0.8j), rel=1e-3)
    assert found["frequency_hz"].tolist() == pytest.approx([TONE_HZ * k for k in range(1, 6)])


def test_a_partial_off_its_multiple_is_no_harmonic(folder):
    phi = 2 * np.pi * TONE_HZ * T
    drive = 0.2 * np.cos(phi) + 0.01 * np.cos(2 * phi) + 0.01 * np.cos(3 * phi)
    # 0.7 Hz above the third harmonic; the third is in the drive as it should be.
    foreign = 2 * np.pi * (3 * TONE_HZ + 0.7) * T
    response = 0.1 * np.cos(phi) + 0.004 * np.cos(2 * phi) + 0.003 * np.cos(foreign)
    add(folder, "own", "tone", stereo(response, drive), specimen="lar1", mount=2, repeat=1,
        tone_hz=TONE_HZ)  # fmt: skip
    found, amplitude = rows_of(folder, "own")
    assert found["usable"].tolist() == [True, True, False, True, True]
    assert abs(amplitude[2]) == pytest.approx(0.003, rel=1e-2)
    cents = 1200 * np.log2(1 + 0.7 / (3 * TONE_HZ))
    assert found["off_cents"].iloc[2] == pytest.approx(cents, abs=0.02)
    assert found["off_u_cents"].iloc[2] < 0.02
    assert np.abs(found["off_cents"].iloc[:2]).max() < 0.01
    whole = measure_batch(read_study(folder), "day1")
    rows = whole.quality[
        (whole.quality["take"] == "own") & (whole.quality["check"] == "inharmonic")
    ]
    assert dict(zip(rows["channel"], rows["verdict"], strict=True)) == {
        "response": "warn",
        "drive": "pass",
    }
    level = whole.features.set_index(["take", "feature"]).loc[("own", "tone.h3.level_db")]
    assert code_of(level["reason"]) == "takes.off_multiple"
    assert fields_of(level["reason"])["cents"] == pytest.approx(cents, abs=0.02)


def test_a_probe_tone_gives_its_own_frequency_alone(folder):
    wave = np.cos(2 * np.pi * 3 * TONE_HZ * T)
    for size, (take, kind, cells) in enumerate(
        (
            ("p", "tone", {"specimen": "lar1", "mount": 1, "repeat": 1}),
            ("a", "airborne", {"specimen": "lar1", "mount": 1}),
            ("d", "driver", {}),
            ("l", "loopback", {}),
        ),
        start=1,
    ):
        add(
            folder, take, kind, stereo(0.01 * size * wave, 0.1 * wave), tone_hz=3 * TONE_HZ, **cells
        )
        found, amplitude = rows_of(folder, take)
        assert found["harmonic"].tolist() == [3]
        assert abs(amplitude[0]) == pytest.approx(0.01 * size, rel=1e-3)
        assert np.isnan(found["drive_re"].iloc[0]) == (kind == "loopback")


def test_a_tone_between_the_multiples_gives_nothing(folder):
    x = stereo(0.05 * np.cos(2 * np.pi * 250 * T), 0.1 * np.cos(2 * np.pi * 250 * T))
    add(folder, "odd", "tone", x, specimen="lar1", mount=1, repeat=9, tone_hz=250)
    assert rows_of(folder, "odd")[0].empty


def test_the_recorders_gain_is_taken_off(folder):
    phi = 2 * np.pi * TONE_HZ * T
    x = stereo(0.1 * np.cos(phi), 0.2 * np.cos(phi))
    add(folder, "up", "tone", x, specimen="lar1", mount=2, repeat=1, tone_hz=TONE_HZ, gain_db=20)
    found, amplitude = rows_of(folder, "up")
    assert abs(amplitude[0]) == pytest.approx(0.01, rel=1e-3)
    assert abs(found["drive_re"].iloc[0] + 1j * found["drive_im"].iloc[0]) == pytest.approx(
        0.02, rel=1e-3
    )


def test_a_sweep_gives_the_response_of_the_filter_it_went_through(folder):
    # Outside reference: scipy.signal.freqz of the same filter.
    pole = np.exp((-np.pi * 360 * 0.03 + 2j * np.pi * 360) / RATE)
    b, a = [0.004], [1.0, -2 * pole.real, abs(pole) ** 2]
    t = np.arange(2 * RATE) / RATE
    x = 0.2 * signal.chirp(t, f0=60, t1=2, f1=3500, method="logarithmic")
    x = np.concatenate([x, np.zeros(RATE)])
    add(folder, "s", "sweep", stereo(signal.lfilter(b, a, x), x, 0.0), specimen="lar1", mount=1,
        repeat=1)  # fmt: skip
    found, amplitude = rows_of(folder, "s")
    drives = (found["drive_re"] + 1j * found["drive_im"]).to_numpy()
    truth = signal.freqz(b, a, worN=TONE_HZ * np.arange(1, 6), fs=RATE)[1]
    assert amplitude / drives == pytest.approx(truth, rel=1e-4)
    assert (found["response_u"] < 1e-3 * np.abs(amplitude)).all()


def test_a_sweep_that_touched_full_scale_is_not_used(folder):
    t = np.arange(2 * RATE) / RATE
    x = 0.2 * signal.chirp(t, f0=60, t1=2, f1=3500, method="logarithmic")
    y = np.clip(np.where(np.arange(t.size) % 997 == 500, 1.2, x), -1, 1)  # single samples
    add(folder, "s", "sweep", stereo(y, x, 0.0), specimen="lar1", mount=1, repeat=1)
    found, _ = rows_of(folder, "s")
    assert len(found) == 5
    assert not found["usable"].any()


@pytest.mark.parametrize("kind", ["room", "idle"])
def test_a_silent_take_gives_noise_and_the_lines_in_it(folder, kind):
    rng = np.random.default_rng(8)
    long = np.arange(4 * RATE) / RATE
    x = 1e-4 * rng.standard_normal((4 * RATE, 2))
    x[:, 0] += 1e-4 * np.cos(2 * np.pi * 2 * TONE_HZ * long)
    add(folder, "quiet", kind, x)
    found, amplitude = rows_of(folder, "quiet")
    assert np.abs(amplitude) == pytest.approx([0, 1e-4, 0, 0, 0], rel=0.2, abs=1e-12)
    # sqrt(S / T) with S = 2 s^2 / rate and the T of the tone's analysis.
    u = np.sqrt(2e-8 / RATE / (SECONDS - 0.05))
    assert found["response_u"].to_numpy() == pytest.approx(u, rel=0.25)


def test_a_take_set_aside_keeps_its_rows(folder):
    phi = 2 * np.pi * TONE_HZ * T
    x = np.clip(stereo(1.5 * np.cos(phi), 0.2 * np.cos(phi)), -1, 1)
    add(folder, "loud", "tone", x, specimen="lar1", mount=2, repeat=1, tone_hz=TONE_HZ)
    found, _ = rows_of(folder, "loud")
    assert len(found) == 5
    assert not found["usable"].any()
