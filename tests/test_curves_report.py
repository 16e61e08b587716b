"""From sweeps to the woods over frequency: a known filter, invented boards, gaps, the tone's luck.

Outside reference: scipy.signal's `freqz` for the curve of a take. The boards of the rest are
invented, with the truth beside them.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import signal

from studylib import figures, tables
from studylib.codes import code_of, fields_of
from studylib.measure.sweep_rows import curve_feature_values, curve_rows, measure_sweep
from studylib.register import is_known
from studylib.report.curves import curve_notes, curves_of, luck_notes
from studylib.sheets.settings import Curve
from studylib.signal.sweep import SweepShape, sweep_signal
from studylib.stats.compare import compare

RATE, SHAPE = 24_000, SweepShape(60.0, 8000.0, 2.0)
B, A = signal.butter(2, [150.0, 3000.0], btype="band", fs=RATE)
WOODS = ("larch", "cherry", "robinia")
GRID = 2.0 ** (np.arange(96 * 7, 96 * 10) / 96)  # 128 to 1024 Hz


def measured(rng, **options):
    wave = np.pad(0.5 * sweep_signal(SHAPE, rate_hz=RATE, fade_s=0.01), (3000, 12_000))
    x = np.stack([signal.lfilter(B, A, wave), wave])
    x += 1e-5 * rng.standard_normal(x.shape)
    return measure_sweep(
        x, rate_hz=RATE, shape=SHAPE, names=("response", "drive"), fundamental_hz=172.0,
        harmonics=20, **options,
    )  # fmt: skip


def test_curve_of_a_take_is_the_filters(rng):
    rows = curve_rows("t1", measured(rng), sensed=True, offset_db=99.0)
    truth = signal.freqz(B, A, worN=rows["frequency_hz"], fs=RATE)[1]
    assert rows["usable"][2:-2].all()  # the nearest known reason lies beyond the edges
    assert rows["level_db"].to_numpy() == pytest.approx(20 * np.log10(np.abs(truth)), abs=0.12)
    assert np.diff(np.log2(rows["frequency_hz"])) == pytest.approx(1 / 96)
    assert list(rows) == tables.TABLES["curves"].names


def test_without_a_sensor_a_curve_is_a_level(rng):
    take = measured(rng)
    by_ratio, by_level = (
        curve_rows("t1", take, sensed=sensed, offset_db=10.0) for sensed in (True, False)
    )
    # The drive is a sweep of amplitude 0.5 at every frequency.
    apart = by_level["level_db"] - by_ratio["level_db"]
    assert apart.median() == pytest.approx(10.0 + 20 * np.log10(0.5), abs=0.05)
    assert apart.to_numpy() == pytest.approx(apart.median(), abs=0.6)


def test_features_of_a_curve(rng):
    octave = np.log2(GRID)
    level = 3.0 - 2.0 * (octave - octave.mean())
    level[100] -= 12.0
    rows = pd.DataFrame({"frequency_hz": GRID, "level_db": level, "u_db": 0.1, "reason": ""})
    found = {
        one.feature: one
        for one in curve_feature_values(rows, low_hz=128, high_hz=1020, sensed=True)
    }
    assert found["curve.response_db"].value == pytest.approx(3.0, abs=0.05)
    assert found["curve.slope_db"].value == pytest.approx(-2.0, abs=0.05)
    assert found["curve.notch_db"].value == pytest.approx(12.0, abs=0.1)
    assert all(not one.reason and is_known(name) for name, one in found.items())
    beyond = [
        one
        for one in curve_feature_values(rows, low_hz=60, high_hz=1020, sensed=False)
        if one.feature.startswith("curve.")
    ]
    assert {one.reason for one in beyond} == {"sweeps.band_beyond"}
    assert all(one.reason for one in beyond)
    noisy = rows.assign(reason=np.where(GRID > 900, "takes.below_noise", ""))
    first = next(
        one
        for one in curve_feature_values(noisy, low_hz=128, high_hz=1020, sensed=True)
        if one.feature == "curve.response_db"
    )
    assert first.reason == "takes.below_noise"


def a_study(
    rng, *, bump=0.0, boards=4, gap=(), woods=WOODS, primary=("tone.h1.level_db",), days=None
):
    """Boards of three woods, two mounts each; larch passes `bump` dB more around 500 Hz."""
    specimens = pd.DataFrame(
        [(f"{wood[0]}{b}", wood, "", "") for wood in woods for b in range(boards)],
        columns=["specimen", "wood", "source", "role"],
    ).assign(source_assumed=False)
    features, curves = [], []
    for s in specimens.itertuples():
        own = rng.standard_normal() + 0.5 * np.sin(np.log(GRID) * 9 + rng.uniform(0, 6))
        for mount in (1, 2):
            level = own + 0.2 * rng.standard_normal()
            if s.wood == "larch":
                level = level + bump * np.exp(-0.5 * (np.log2(GRID / 500.0) / 0.05) ** 2)
            take = f"{s.specimen}-{mount}"
            features.append(
                (take, take, (days or {}).get(s.wood, "day1"), s.specimen, mount, level.mean())
            )
            usable = ~((gap[0] < GRID) & (gap[1] > GRID) & (s.specimen == "c1")) if gap else True
            curves.append(
                pd.DataFrame(
                    {"take": take, "frequency_hz": GRID, "level_db": level, "usable": usable}
                )
            )
    features = pd.DataFrame(
        features, columns=["id", "take", "batch", "specimen", "mount", "value"]
    ).assign(feature="curve.response_db", usable=True, reason="", unit="dB")
    study = SimpleNamespace(
        woods=woods,
        settings=SimpleNamespace(
            curve=Curve(), tone=SimpleNamespace(fundamental_hz=172.0),
            decide=SimpleNamespace(primary=primary),
        ),
    )  # fmt: skip
    comparison = compare(features, specimens, woods=woods, primary=["curve.response_db"])
    return study, curves_of(study, pd.concat(curves, ignore_index=True), comparison)


def notes_of(curves, code):
    return [fields_of(n) for n in curve_notes(curves, confidence=0.95) if code_of(n) == code]


def test_where_a_wood_passes_more_is_named(rng):
    _, curves = a_study(rng, bump=30.0)
    found = notes_of(curves, "curves.stretches")
    assert {(one["a"], one["b"]) for one in found} == {("larch", "cherry"), ("larch", "robinia")}
    for one in found:
        (stretch,) = one["stretches"]
        assert stretch["louder"] == "larch"
        assert stretch["at_hz"] == pytest.approx(500.0, rel=0.02)
        assert stretch["span_hz"][0] > 440
        assert stretch["span_hz"][1] < 570
        assert stretch["ends_db"][0] <= 30.0 <= stretch["ends_db"][1]
    (test,) = notes_of(curves, "curves.test")
    assert test["p"] <= 0.05
    assert len(test["pairs"]) == 3


def test_alike_woods_have_no_stretch(rng):
    _, curves = a_study(rng)
    assert not notes_of(curves, "curves.stretches")
    assert len(notes_of(curves, "curves.no_stretch")) == 1


def test_a_frequency_that_one_take_lacks_is_left_out_for_all(rng):
    _, curves = a_study(rng, gap=(300.0, 350.0))
    lost = (GRID > 300.0) & (GRID < 350.0)
    assert curves.left_out == lost.sum()
    assert not curves.boards["frequency_hz"].between(300.01, 349.9).any()
    assert notes_of(curves, "curves.band")[0]["left_out"] == lost.sum()
    line = figures.curves_figure(curves, SimpleNamespace(
        woods=WOODS, settings=SimpleNamespace(tone=SimpleNamespace(fundamental_hz=172.0))
    )).axes[1].lines[0]  # fmt: skip
    assert np.isnan(line.get_ydata()).any()


def test_luck_of_the_tone(rng):
    study, curves = a_study(rng)
    fine = curves.differences["band"] == "fine"
    # A difference that grows by 1 dB for each percent of frequency, zero at the tone.
    slope = (curves.differences["frequency_hz"] / 172.0 - 1.0) * 100.0
    tilted = curves.differences.assign(difference=slope.where(fine, 0.0))
    notes = luck_notes(curves.__class__(**{**vars(curves), "differences": tilted}), study)
    assert len(notes) == 3
    for found in map(fields_of, notes):
        assert found["at_db"] == pytest.approx(0.0, abs=0.5)
        assert found["span_db"] == pytest.approx([-10.0, 10.0], abs=0.8)
        assert found["missing"] < 0.05


def test_luck_is_unknown_where_the_sweeps_are_silent(rng):
    study, curves = a_study(rng, gap=(150.0, 200.0))
    assert [code_of(n) for n in luck_notes(curves, study)] == ["curves.luck_unknown"]
    other, curves = a_study(rng, primary=("tap.m1.decay_time_s",))
    assert luck_notes(curves, other) == []


def test_two_boards_of_two_woods_are_enough_for_a_very_wide_band(rng):
    study, curves = a_study(rng, boards=2, woods=WOODS[:2], bump=30.0)
    assert curves.reason == ""
    assert np.isfinite(curves.differences["high"]).all()
    assert not notes_of(curves, "curves.stretches")
    figures.curves_figure(curves, study)


@pytest.mark.parametrize(
    ("options", "reason"),
    [
        ({"boards": 1}, "curves.one_wood"),
        ({"woods": ("larch",)}, "curves.one_wood"),
        ({"days": {"larch": "day2"}}, "curves.confounded"),
    ],
)
def test_too_little_is_said_not_drawn(rng, options, reason):
    study, curves = a_study(rng, **options)
    assert curve_notes(curves, confidence=0.95) == [reason]
    assert [code_of(n) for n in luck_notes(curves, study)] == ["curves.luck_unknown"]
    assert curves.differences.empty
    figures.curves_figure(curves, study)
