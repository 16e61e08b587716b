"""The demo's attribution against the simulation's own truth (data_demo/truth/harmonics.csv).

In it every rail is linear: all harmonics come from the driver, but for the loose contact in mount
2 of C3. The simulation shares no code with the library.
"""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from studylib.attribution import attribute_study
from studylib.codes import each, note

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def found(measured_demo):
    study, gathered = measured_demo
    return attribute_study(study, gathered.harmonics, board_modes=gathered.board_modes)


@pytest.fixture(scope="module")
def beside_truth(found):
    truth = pd.read_csv(DEMO / "truth" / "harmonics.csv")
    return found.table.merge(
        truth, on=["specimen", "mount", "harmonic"], suffixes=("", "_true"), validate="1:1"
    )


def contact(table: pd.DataFrame) -> pd.Series:
    return (table["specimen"] == "C3") & (table["mount"] == 2)


def test_every_mount_and_harmonic_has_one_row(found):
    assert len(found.table) == 44 * 19
    assert not found.table.duplicated(["specimen", "mount", "harmonic"]).any()


def test_the_second_and_third_harmonic_of_every_other_mount_are_the_drivers(beside_truth):
    rows = beside_truth[~contact(beside_truth) & beside_truth["harmonic"].isin([2, 3])]
    assert set(rows["verdict"]) == {"driver"}
    assert len(rows) == 86


def test_the_loose_contact_is_found_in_its_one_mount_and_gone_after_remounting(beside_truth):
    beyond = beside_truth[beside_truth["verdict"] == "beyond the driver"]
    assert contact(beyond).all()
    assert {2, 3} <= set(beyond["harmonic"])
    only_here = note("attribution.in_this_mount", mounts=3, without=2)
    assert all(only_here in each(reason) for reason in beyond["reason"])


def test_no_cause_is_named_wrongly(beside_truth):
    true = beside_truth["excess_db_true"]
    named = beside_truth["verdict"]
    assert (true[named == "beyond the driver"] > 1.5).all()
    assert (true[named == "driver"].abs() < 1.5).all()
    # Nor is the contact's noise, at whatever level, put down to the driver.
    of_contact = contact(beside_truth) & (
        beside_truth["contact_dbfs"] > beside_truth["predicted_dbfs"]
    )
    assert "driver" not in set(named[of_contact])
    assert not set(named) & {"air", "recorder"}


def test_the_excess_lies_in_its_interval(beside_truth):
    # The truth leaves out what is far below every noise.
    told = beside_truth[beside_truth["excess_db"].notna() & beside_truth["excess_db_true"].notna()]
    true = told["excess_db_true"]
    assert ((told["low"] <= true) & (true <= told["high"])).all()
    z = ((told["excess_db"] - true) / told["u"])[told["u"] < 0.3]
    assert len(z) > 100
    assert 0.8 < z.std() < 1.2  # neither far too wide nor too narrow


def test_the_leak_through_the_air_is_the_true_one(beside_truth):
    rows = beside_truth[beside_truth["harmonic"].isin([2, 3])]
    assert (rows["air_db"] - 112.0 - rows["leak_dbfs"]).abs().max() < 1.5
    assert (rows["air_db"] - 112.0 - rows["leak_dbfs"]).abs().median() < 0.3


def test_drive_steps_follow_the_driver_but_for_the_contact(found):
    steps = found.steps
    odd = steps[steps["verdict"] == "not with the driver"]
    assert set(zip(odd["specimen"], odd["mount"], strict=True)) == {("C3", 2)}
    second = steps[(steps["harmonic"] == 2) & (steps["drive_db"] == -6.0) & ~contact(steps)]
    assert set(second["verdict"]) == {"with the driver"}
    assert len(second) == 5


def test_the_take_spread_is_that_of_the_simulation(found):
    # The microphone varies by 0.12 dB from take to take; the drive's own spread cancels.
    assert 8.686 * found.take_spread.level**0.5 == pytest.approx(0.12, abs=0.03)
