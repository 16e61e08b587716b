"""Taps and sweeps through the sheets: from recordings on disk to modes, features and wood.

The study is invented and its truth stated: bars whose free modes are those of a Timoshenko bar
(the demo's own beam, an independent program), rung as damped sinusoids; sweeps through a known
digital filter.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import soundfile
from scipy import signal

from studylib import tables
from studylib.codes import code_of, fields_of, has, note, several
from studylib.codes.features import ModeBasis
from studylib.measure import measure_batch, rings
from studylib.modes.gathered import gather
from studylib.report.at_the_bench import fitness
from studylib.report.modes import modes_of_study
from studylib.sheets import read_study
from studylib.signal.decays import find_decays
from studylib.signal.tap import Room, Sign, Tap
from studylib.wood.beams import bending_frequencies
from tests.invented_tables import MODE_COLUMNS

RATE = 24000
LOSS = {"larch": 0.012, "robinia": 0.007}
DENSITY = {"larch": 580.0, "robinia": 760.0}
MODULUS = {"larch": 13.0e9, "robinia": 15.0e9}
RATIO = 16.0
SIZES = {"length": 0.745, "width": 0.038, "thickness": 0.018}
SWEEP = (60.0, 8000.0, 2.0)
TWO = ("L1", "R1")


def free_modes(wood: str) -> np.ndarray:
    return bending_frequencies(
        youngs_modulus=MODULUS[wood], shear_ratio=RATIO, density=DENSITY[wood],
        length=SIZES["length"], thickness=SIZES["thickness"], count=6,
    )  # fmt: skip


def ring(modes: np.ndarray, loss: float, seconds: float, rng) -> np.ndarray:
    t = np.arange(round(seconds * RATE)) / RATE
    phase = rng.uniform(0, 2 * np.pi, len(modes))[:, None]
    waves = np.exp(-np.pi * loss * modes[:, None] * t) * np.cos(
        2 * np.pi * modes[:, None] * t + phase
    )
    return 0.05 * waves.sum(axis=0)


def taps(modes, loss, rng, *, at=(0.1, 1.0, 1.9), seconds=2.8, losses=None) -> np.ndarray:
    x = 1e-4 * rng.standard_normal(round(seconds * RATE))
    for place, own in zip(at, losses or [loss] * len(at), strict=True):
        first = round(place * RATE)
        sound = ring(modes, own, seconds - place, rng)[: len(x) - first]
        x[first : first + len(sound)] += sound
    return x


def sweep(rng, poles: np.ndarray) -> np.ndarray:
    """(2, n): the far end after a filter with these poles, and the drive itself."""
    low, high, seconds = SWEEP
    growth = seconds / np.log(high / low)
    t = np.arange(round(seconds * RATE)) / RATE
    x = np.concatenate(
        [np.zeros(1000), 0.3 * np.sin(2 * np.pi * low * growth * np.expm1(t / growth))]
    )
    x = np.concatenate([x, np.zeros(RATE)])
    y = signal.lfilter([0.0002, 0.0001], np.poly(np.r_[poles, poles.conj()]).real, x)
    return np.stack([y, x]) + 1e-5 * rng.standard_normal((2, len(x)))


@dataclass(frozen=True)
class Files:
    """What the folder holds; `broken` names a fault that is put into L1's first mount."""

    broken: str = ""
    sweep_known: bool = True
    boards: tuple[str, ...] = ("L1", "L2", "R1", "R2")
    kinds: tuple[str, ...] = ("tap", "sweep")


def write_study(folder: Path, files: Files) -> Path:
    rng = np.random.default_rng(172)
    (folder / "recordings").mkdir(parents=True)
    about = "lowest_hz = 60.0\nhighest_hz = 8000.0\nlength_s = 2.0\n" if files.sweep_known else ""
    if files.broken == "sweep":
        about = about.replace("2.0", "3.0")
    (folder / "study.toml").write_text(
        '[study]\ntitle = "Rails"\nquestion = "Does the wood matter?"\n'
        '[channels]\nresponse_kind = "accelerometer"\ndrive = 2\ndrive_kind = "acceleration"\n'
        f'rate_hz = {RATE}\n[decide]\nprimary = ["tap.m1.decay_time_s"]\n[sweep]\n{about}',
        encoding="utf-8",
    )
    boards, takes = [], []
    for wood in LOSS:
        for number, factor in ((1, 1.0), (2, 1.02)):
            name = f"{wood[0].upper()}{number}"
            if name not in files.boards:
                continue
            mass = 1000 * DENSITY[wood] * np.prod(list(SIZES.values()))
            boards.append([name, wood, 745.0, 38.0, 18.0, round(mass, 1)])
            modes = factor * free_modes(wood)
            for support, mount, shift in (("bench", 1, 0.99), ("bench", 2, 1.0), ("free", 3, 1.0)):
                take = f"{name}-m{mount}"
                broken = files.broken if name == "L1" and mount == 1 else ""
                x = broken_taps(broken, shift * modes, LOSS[wood], rng)
                if "tap" in files.kinds:
                    _write(folder, takes, take, "tap", name, mount, support, x)
            angle = 2 * np.pi * 500.0 * factor / RATE
            x = sweep(rng, np.array([np.exp(-0.001 + 1j * angle)]))
            if "sweep" in files.kinds:
                _write(folder, takes, f"{name}-s", "sweep", name, 2, "bench", x.T)
    _table(folder / "specimens.csv", "specimen wood length_mm width_mm thickness_mm mass_g", boards)
    _table(folder / "takes.csv", "take batch kind specimen mount repeat file support", takes)
    return folder


def broken_taps(broken: str, modes: np.ndarray, loss: float, rng) -> np.ndarray:
    if broken == "bounce":
        return taps(modes, loss, rng, at=(0.1, 1.0, 1.03, 1.9))
    if broken == "hand":
        return taps(modes, loss, rng, losses=(loss, 3 * loss, loss))
    if broken == "silent":
        return 1e-3 * rng.standard_normal(round(2.8 * RATE))
    if broken == "missing mode":
        return taps(np.delete(modes, 1), loss, rng)
    return taps(modes, loss, rng)


def _write(folder, takes, take, kind, board, mount, support, x) -> None:
    soundfile.write(folder / "recordings" / f"{take}.wav", x, RATE, subtype="PCM_24")
    takes.append([take, "day1", kind, board, mount, 1, f"recordings/{take}.wav", support])


def _table(path: Path, header: str, rows: list[list]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header.split(), *rows])


def test_every_tap_gives_its_modes_under_one_number(rung):
    _, gathered = rung
    taps_found = gathered.modes[gathered.modes["kind"] == "tap"]
    # All but the one under a hand.
    refused = ~taps_found["usable"].astype(bool)
    assert taps_found.loc[refused, ["take", "tap"]].to_numpy().tolist() == [["L1-m1", 2]]
    taps_found = taps_found[~refused]
    assert taps_found.groupby(["take", "tap"]).ngroups == 35
    assert taps_found["mode"].notna().all()
    assert taps_found.groupby(["take", "tap"]).size().eq(6).all()
    for (board, mount), rows in taps_found.groupby(["specimen", "mount"]):
        wood = {"L": "larch", "R": "robinia"}[board[0]]
        truth = (
            free_modes(wood) * (1.02 if board[1] == "2" else 1.0) * (0.99 if mount == 1 else 1.0)
        )
        off = rows["frequency_hz"] - truth[rows["mode"].astype(int) - 1]
        assert np.all(np.abs(off) < 5 * rows["frequency_u"])
        assert np.all(np.abs(rows["loss_factor"] - LOSS[wood]) < 5 * rows["loss_factor_u"])


def test_features_of_taps_and_their_uncertainty(rung):
    _, gathered = rung
    rows = gathered.features.set_index(["take", "feature"])
    row = rows.loc[("R1-m2", "tap.m1.decay_time_s")]
    truth = np.log(1000) / (np.pi * free_modes("robinia")[0] * LOSS["robinia"])
    assert row["usable"]
    assert abs(row["value"] - truth) < 4 * row["u"] < 0.01 * truth
    assert rows.loc[("R1-m3", "free.m2.frequency_hz"), "value"] == pytest.approx(
        free_modes("robinia")[1], rel=1e-4
    )
    assert ("R1-m3", "tap.m1.frequency_hz") not in rows.index


def test_stiffness_comes_from_the_free_board_alone(rung):
    study, gathered = rung
    modes = modes_of_study(study, gathered)
    wood = modes.wood.set_index(["specimen", "quantity"])
    for board, name in (("L1", "larch"), ("R1", "robinia")):
        row = wood.loc[(board, "wood.youngs_modulus_gpa")]
        assert abs(row["value"] - MODULUS[name] / 1e9) < 2 * row["u"] < 0.05 * row["value"]
        assert wood.loc[(board, "wood.density_kg_m3"), "value"] == pytest.approx(
            DENSITY[name], rel=1e-3
        )
    assert set(modes.features["mount"]) == {1, 3}  # density at the first mount, the rest free
    near = modes.near[(modes.near["specimen"] == "L1") & (modes.near["harmonic"] == 1)]
    assert set(near["basis"]) == {ModeBasis.BENCH, ModeBasis.FREE, ModeBasis.PREDICTED}


def test_a_sweep_gives_its_response_and_the_mode_in_it(rung):
    _, gathered = rung
    features = gathered.features.set_index(["take", "feature"])["value"]
    pole = np.exp(-0.001 + 2j * np.pi * 500.0 / RATE)
    b, a = [0.0002, 0.0001], np.poly([pole, np.conj(pole)]).real
    for k in (1, 3, 6):
        h = signal.freqz(b, a, worN=[172.0 * k], fs=RATE)[1][0]
        assert features[("L1-s", f"sweep.k{k}.response_db")] == pytest.approx(
            20 * np.log10(abs(h)), abs=0.1
        )
    found = gathered.modes[gathered.modes["take"] == "L1-s"]
    strongest = found.loc[found["level_db"].idxmax()]
    assert strongest["frequency_hz"] == pytest.approx(500.0, rel=1e-3)
    assert strongest["loss_factor"] == pytest.approx(0.001 * RATE / (np.pi * 500.0), rel=0.05)


def tapped(folder: Path, broken: str, *boards: str):
    """A study of these boards' taps alone: what befalls one take needs no more of them."""
    return read_study(write_study(folder / "s", Files(broken, boards=boards, kinds=("tap",))))


def swept(folder: Path, files: Files):
    """A study of two boards' sweeps alone."""
    return read_study(write_study(folder / "s", replace(files, boards=TWO, kinds=("sweep",))))


def test_a_bad_tap_is_refused_with_its_reason_and_the_others_stay(tmp_path):
    study = tapped(tmp_path, "hand", "L1")
    measured = measure_batch(study, "day1")
    own = measured.modes[measured.modes["take"] == "L1-m1"]
    refused = own[~own["usable"].astype(bool)]
    assert len(refused) == 1
    assert has(refused["reason"].item(), "taps.faster_than_another")
    assert refused["tap"].item() == 2
    assert set(own.loc[own["usable"].astype(bool), "tap"]) == {1, 3}
    row = measured.quality.query("take == 'L1-m1' and check == 'taps_refused'")
    assert row["verdict"].item() == "warn"
    assert has(row["source"].item(), "taps.faster_than_another")
    assert fitness(study, measured.quality, slips={})[1] == 0


def test_a_bounce_is_no_reason_to_refuse_a_tap_and_is_told(tmp_path):
    study = tapped(tmp_path, "bounce", "L1")
    own = measure_batch(study, "day1").modes.query("take == 'L1-m1'")
    assert set(own.loc[own["usable"].astype(bool), "tap"]) == {1, 2, 3}
    told = own.loc[own["signs"] != "", ["tap", "signs"]]
    assert told["tap"].tolist() == [2]
    assert code_of(fields_of(told["signs"].item())["what"]) == "taps.later_contact"


def test_a_take_without_a_tap_is_set_aside_and_keeps_its_rows(tmp_path):
    study = tapped(tmp_path, "silent", "L1")
    gathered = gather(study)
    rows = gathered.features.query("take == 'L1-m1'")
    assert len(rows)
    assert not rows["usable"].any()
    assert set(map(code_of, rows["reason"])) == {"takes.set_aside"}
    lines, failed = fitness(study, gathered.quality, slips={})
    assert failed == 1
    assert any("Tap once with something small and hard" in line for line in lines)


def test_a_take_too_long_to_be_held_says_so_and_is_set_aside(tmp_path, monkeypatch):
    monkeypatch.setattr(rings, "LONGEST_S", 2.5)
    study = tapped(tmp_path, "", *TWO)
    measured = measure_batch(study, "day1")
    own = measured.modes[measured.modes["kind"] == "tap"]
    assert all(has(reason, "taps.too_long") for reason in own["reason"])
    assert len(own) == 6
    row = measured.quality.query("take == 'L1-m1' and check == 'taps'")
    assert row["verdict"].item() == "fail"
    assert row["source"].item() == note("taps.too_long", limit_s=2.5)


def test_a_mode_that_is_missing_says_so_and_moves_no_number(tmp_path):
    study = tapped(tmp_path, "missing mode", "L1", "L2")
    rows = gather(study).features.query("take == 'L1-m1'").set_index("feature")
    row = rows.loc["tap.m2.frequency_hz"]
    assert not row["usable"]
    assert row["reason"] == note("modes.not_in_take", mode=2)
    assert rows.loc["tap.m3.frequency_hz", "value"] == pytest.approx(
        0.99 * free_modes("larch")[2], rel=1e-3
    )


def test_a_sweep_that_is_not_the_one_written_down_is_not_used_and_says_why(tmp_path):
    study = swept(tmp_path, Files("sweep"))
    measured = measure_batch(study, "day1")
    rows = measured.quality[measured.quality["check"] == "sweep_unlike"]
    assert (rows["verdict"] == "warn").all()
    assert len(rows) == 2
    assert not measured.features["feature"].str.startswith("sweep.").any()
    assert measured.curves.empty


def test_without_a_sweep_written_down_sweeps_give_no_modes(tmp_path):
    study = swept(tmp_path, Files(sweep_known=False))
    measured = measure_batch(study, "day1")
    assert not (measured.modes["kind"] == "sweep").any()
    assert "sweep_unlike" not in set(measured.quality["check"])


def test_place_room_and_signs_of_a_tap_reach_its_rows():
    take = SimpleNamespace(
        take="t", batch="day1", kind="tap", specimen="L1", mount=1, repeat=1, place=3,
        support="bench", gain_db=0.0, drive_db=0.0,
    )  # fmt: skip
    two = np.ones(2)
    decays = SimpleNamespace(
        frequency_hz=170 * two, u_frequency_hz=0.1 * two, loss_factor=0.01 * two,
        u_loss_factor=0.002 * two, u_place=np.array([0.0015, 0.001]), amplitude=two,
        u_amplitude=0.1 * two, snr_db=40 * two, close=[False, False],
    )  # fmt: skip
    sign = Sign("taps.breaks_off", 0.118, 500.0, 900.0, -23.0)
    heard = Tap(0.1, 1.0, decays, signs=(sign, sign), room=Room(0.4, 0.1, 12.0))
    refused = Tap(1.1, 1.0, None, "taps.no_modes", signs=(sign,))
    rows = rings.Ring(taps=[heard, refused]).modes(take, wood="larch", content="c", aside="")
    table = tables.typed("modes", pd.DataFrame(rows, columns=MODE_COLUMNS).assign(mode=None))
    assert table["place"].tolist() == [3, 3, 3]
    assert table["loss_factor_place_u"].tolist()[:2] == [0.0015, 0.001]
    assert table[["room_decay_s", "room_decay_u", "direct_db"]].iloc[0].tolist() == pytest.approx(
        [0.4, 0.04, 12.0]
    )
    assert table["room_decay_s"].isna().tolist() == [False, False, True]
    evidence = note(
        "modes.sign", what="taps.breaks_off", at_s=0.118, low_hz=500.0, high_hz=900.0,
        level_db=-23.0,
    )  # fmt: skip
    assert table["signs"].tolist() == [several([evidence] * 2), "", evidence]
    decays.u_place = None
    (row, _, _) = rings.Ring(taps=[heard, refused]).modes(take, wood="", content="", aside="")
    assert dict(zip(MODE_COLUMNS, row, strict=True))["loss_factor_place_u"] == 0.0


def test_a_sweep_without_modes_has_one_row_that_says_why():
    take = SimpleNamespace(
        take="s", batch="day1", kind="sweep", specimen="L1", mount=1, repeat=1, place=1, support="",
        gain_db=0.0, drive_db=0.0,
    )  # fmt: skip
    band = {"rate_hz": 48_000, "lowest_hz": 40.0, "highest_hz": 60.0, "most": 16}
    nothing = find_decays(np.zeros(101, complex), n=200, **band)
    ring = rings.Ring(decays=nothing)
    (row,) = ring.modes(take, wood="larch", content="", aside="")
    named = dict(zip(MODE_COLUMNS, row, strict=True))
    assert not named["usable"]
    assert has(named["reason"], "taps.no_modes")
    (row,) = ring.modes(take, wood="larch", content="", aside="takes.excluded")
    assert dict(zip(MODE_COLUMNS, row, strict=True))["reason"] == "takes.excluded"
