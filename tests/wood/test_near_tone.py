"""Which mode lies next to each harmonic, and what it lifts."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from studylib.codes.features import ModeBasis
from studylib.tables import TABLES
from studylib.wood import beams
from studylib.wood.prediction import model_of, modes_near_tone, resonance_gain
from studylib.wood.study_wood import boards_of, wood_table
from tests.wood.bars import (
    board_modes,
    demo,
    demo_truth,
    modes_of,
    rail,
    with_drive,
    with_specimens,
)

TRUTH = demo_truth()


@lru_cache(maxsize=1)
def _demo_modes():
    modes = board_modes(demo(), TRUTH, supports=("bench", "free"))
    return modes, wood_table(demo(), boards_of(demo(), modes))


def _near(modes=None, study=None, drive="force"):
    """Three ways of knowing the modes, each with a gain, as a force channel gives it."""
    if study is None and modes is None:
        modes, wood = _demo_modes()
    else:
        modes = _demo_modes()[0] if modes is None else modes
        wood = wood_table(study or demo(), boards_of(study or demo(), modes))
    study = with_drive(study or demo(), drive)
    return modes_near_tone(study, model_of(study, modes), modes, wood)


def few(*names):
    """The demo with these boards alone, where each board is judged for itself."""
    study = demo()
    return replace(study, specimens=tuple(s for s in study.specimens if s.specimen in names))


def test_gain_at_the_peak_and_at_half_power():
    peak = resonance_gain(500.0, 500.0, 0.01, 300.0)
    assert peak == pytest.approx(20 * np.log10(2 * 300 / (np.pi * 5.0)))
    # Half a bandwidth off, half the power is left: -3.01 dB.
    assert resonance_gain(502.5, 500.0, 0.01, 300.0) == pytest.approx(peak - 3.0103, abs=1e-3)


def test_gain_against_the_exact_sum_over_a_bars_modes():
    """Mobility at the end of a free bar, summed over its modes, against the same strip going on for
    ever: its end's conductance is 1 / (mass per length x speed of the bending wave) (Cremer &
    Heckl, recalled)."""
    bar, eta = rail(), 0.01
    stiff = 13e9 * bar.thickness**2 / 12 / bar.density  # bending stiffness over mass per length
    omega = beams.eigenvalues(199) ** 2 / bar.length**2 * np.sqrt(stiff)
    for at in (9, 14):
        w = omega[at]
        # The square of every mode's end is 4, and so it is for lift and tilt together.
        bending = 1j * w * np.sum(4.0 / (bar.mass * (omega**2 * (1 + 1j * eta) - w**2)))
        mobility = bending - 1j * w * 4.0 / (bar.mass * w**2)
        endless = bar.length / (bar.mass * np.sqrt(w) * stiff**0.25)
        exact = 20 * np.log10(abs(mobility) / endless)
        spacing = (omega[at + 1] - omega[at - 1]) / (4 * np.pi)
        gain = resonance_gain(w / 2 / np.pi, w / 2 / np.pi, eta, spacing)
        assert gain == pytest.approx(exact, abs=0.3)


def test_table_has_its_columns_and_three_ways_of_knowing():
    near = _near()
    assert list(near.columns) == TABLES["modes_near_tone"].names
    assert set(near["specimen"]) == set(TRUTH.index)
    assert near.groupby("specimen")["basis"].nunique().eq(3).all()
    assert (near["gain_low"] <= near["gain_db"]).all()
    assert (near["gain_db"] <= near["gain_high"]).all()
    assert near["frequency_hz"].max() <= 20 * 172.0


def test_distances_by_hand():
    near = _near()
    row = near[
        (near["specimen"] == "L1") & (near["basis"] == ModeBasis.FREE) & (near["harmonic"] == 5)
    ].iloc[0]
    mode, loss = TRUTH.loc["L1", "free_mode3_hz"], TRUTH.loc["L1", "loss_factor3"]
    assert row["mode"] == 3
    assert row["mode_hz"] == pytest.approx(mode)
    assert row["distance_percent"] == pytest.approx(100 * (860 / mode - 1))
    assert row["distance_bandwidths"] == pytest.approx((860 - mode) / (loss * mode))
    spacing = (TRUTH.loc["L1", "free_mode4_hz"] - TRUTH.loc["L1", "free_mode2_hz"]) / 2
    assert row["gain_db"] == pytest.approx(resonance_gain(860.0, mode, loss, spacing))
    assert row["lifted"]


def test_predicted_modes_agree_with_the_measured_free_ones():
    near = _near()
    free = near[near["basis"] == ModeBasis.FREE]
    predicted = near[near["basis"] == ModeBasis.PREDICTED]
    both = free.merge(predicted, on=["specimen", "harmonic"], suffixes=("", "_p"))
    assert len(both) > 100
    np.testing.assert_allclose(both["mode_hz_p"], both["mode_hz"], rtol=1e-5)
    # Prediction reaches higher than six measured modes do, with the board's mean loss.
    high = predicted[predicted["mode"] > 6]
    assert (high["loss_basis"] == "wood.mean_loss").all()
    assert len(high) > 20


def test_uncertain_modes_lift_nothing_for_sure():
    study = few("L1", "L2", "C1", "R1", "R2")
    modes = board_modes(study, TRUTH)
    sure = _near(modes, study)
    vague = _near(modes.assign(frequency_u=0.08 * modes["frequency_hz"]), study)
    sure, vague = (t[t["basis"] == ModeBasis.FREE] for t in (sure, vague))
    assert vague["lifted"].sum() < sure["lifted"].sum() / 2
    assert (vague["gain_high"].to_numpy() >= sure["gain_high"].to_numpy() - 1e-9).all()


def test_without_a_measured_loss_it_is_stated_as_assumed():
    study = few("L1", "C1", "R1")
    modes = board_modes(study, TRUTH).assign(loss_factor=np.nan, loss_factor_u=np.nan)
    near = _near(modes, study)
    assert (near["loss_factor"] == 0.01).all()
    assert (near["loss_basis"] == "wood.assumed_loss").all()


def test_without_sizes_nothing_is_predicted_but_measured_modes_stay():
    study = with_specimens(few("L1", "L2"), L1={"length_mm": None})
    modes = board_modes(study, TRUTH, supports=("bench", "free"))
    near = _near(modes, study)
    assert ModeBasis.PREDICTED in set(near.loc[near["specimen"] == "L2", "basis"])
    mine = near[near["specimen"] == "L1"]
    assert set(mine["basis"]) == {ModeBasis.BENCH, ModeBasis.FREE}


def test_one_mode_alone_has_no_spacing_and_no_modes_give_an_empty_table():
    modes = board_modes(demo(), TRUTH, supports=("bench",))
    assert _near(modes[modes["mode"] == 1]).empty
    empty = _near(modes.iloc[:0])
    assert list(empty.columns) == TABLES["modes_near_tone"].names
    assert empty.empty


def test_a_mode_right_on_a_harmonic_is_found_from_size_alone():
    bar = rail(570.0)
    # The stiffness at which mode 3 stands on 5 x 172 Hz.
    gpa = 13.0 * (860.0 / modes_of(bar, gpa=13.0, shear_ratio=16.0)[2]) ** 2
    first = modes_of(bar, gpa=gpa, shear_ratio=16.0)
    study = with_specimens(
        demo(),
        L1={"length_mm": 745.0, "width_mm": 38.0, "thickness_mm": 18.0, "mass_g": 1000 * bar.mass},
    )
    modes = board_modes(study, TRUTH)
    mine = modes["specimen"] == "L1"
    modes.loc[mine, "frequency_hz"] = first
    near = _near(modes[mine], study)
    row = near[(near["basis"] == ModeBasis.PREDICTED) & (near["harmonic"] == 5)].iloc[0]
    assert abs(row["distance_bandwidths"]) < 0.01
    assert row["lifted"]
    assert row["gain_db"] > 20


def test_with_acceleration_only_the_held_board_gives_a_gain():
    study = few("L1", "L2", "C1", "R1", "REF", "REFM")
    modes = board_modes(study, TRUTH, supports=("bench", "free"))
    near = _near(modes, study, drive="acceleration")
    held = near[near["basis"] == ModeBasis.HELD]
    assert set(held["specimen"]) == {s.specimen for s in study.specimens}
    assert held["gain_db"].notna().all()
    assert (held["gain_low"] <= held["gain_db"]).all()
    assert (held["gain_db"] <= held["gain_high"]).all()
    others = near[near["basis"] != ModeBasis.HELD]
    assert len(others) > len(held)
    assert others[["gain_db", "gain_low", "gain_high"]].isna().all(axis=None)
    assert not others["lifted"].any()


@pytest.mark.parametrize("kind", ["voltage", None])
def test_with_the_drivers_voltage_or_no_channel_no_gain_is_told(kind):
    near = _near(drive=kind)
    assert len(near) > 100
    assert near["gain_db"].isna().all()
    assert not near["lifted"].any()
    assert ModeBasis.HELD not in set(near["basis"])


def test_held_modes_need_the_drivers_place_on_the_board():
    for place in (None, 800.0):
        study = with_drive(few("L1"), "acceleration", drive_at_mm=place)
        modes = board_modes(study, TRUTH)
        model = model_of(study, modes)
        near = modes_near_tone(study, model, modes, wood_table(study, model.told))
        assert not near.empty
        assert ModeBasis.HELD not in set(near["basis"])


def test_a_place_less_sure_widens_the_gain_most_beside_a_held_mode():
    modes = board_modes(few("L1"), TRUTH)
    wide = {}
    for u in (0.5, 3.0):
        study = with_drive(few("L1"), "acceleration", u_drive_at_mm=u)
        model = model_of(study, modes)
        near = modes_near_tone(study, model, modes, wood_table(study, model.told))
        own = near[(near["basis"] == ModeBasis.HELD) & (near["specimen"] == "L1")]
        wide[u] = (own["gain_high"] - own["gain_low"]).to_numpy()
    assert (wide[3.0] >= wide[0.5] - 1e-9).all()
    assert np.median(wide[3.0]) > 1.5 * np.median(wide[0.5])
