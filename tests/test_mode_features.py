"""Features of taps: values by hand, and rows that say why they hold nothing."""

from __future__ import annotations

import hashlib
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studylib import register
from studylib.codes import note
from studylib.modes.gathered import mode_feature_rows
from studylib.modes.numbers import number_modes
from studylib.tables import TABLES
from tests.invented_modes import Study, invent

SMALL = Study(boards=3, mounts=2, taps=3)


def takes_of(modes: pd.DataFrame) -> pd.DataFrame:
    """The takes of a table of modes, all of them good."""
    columns = ["take", "batch", "kind", "specimen", "wood", "mount", "repeat", "support"]
    takes = modes.drop_duplicates("take")[columns].reset_index(drop=True)
    return takes.assign(content=["c" + take for take in takes["take"]], aside="")


def one_take(**columns) -> pd.DataFrame:
    """Three taps of one take that show one mode, with the columns given."""
    modes, _ = invent(replace(SMALL, ladder=(170.0,), boards=1, mounts=1))
    return modes.assign(mode=1.0, **columns)


def test_a_take_has_a_row_for_every_mode_and_quantity():
    modes, specimens = invent(SMALL)
    table = mode_feature_rows(number_modes(modes, specimens), takes_of(modes))
    assert list(table.columns) == TABLES["features"].names
    assert len(table) == 6 * 4 * 3
    assert table["usable"].all()
    assert (table["reason"] == "").all()
    assert (table["u"] > 0).all()
    for name, unit in set(zip(table["feature"], table["unit"], strict=True)):
        assert register.find(name).unit == unit
    assert table["id"].is_unique
    key = f"{table['take'][0]}|c{table['take'][0]}|{table['feature'][0]}"
    assert table["id"][0] == hashlib.sha256(key.encode()).hexdigest()[:12]


def test_values_are_means_of_logarithms():
    """By hand; 6.91 / (pi f eta) falls by 60 dB: 10 log10(exp(-2 pi f eta T)) = -60."""
    modes = one_take(frequency_hz=[100.0, 100.0, 100.0], loss_factor=[0.01, 0.02, 0.04])
    modes = modes.assign(frequency_u=0.0, loss_factor_u=0.0)
    table = mode_feature_rows(modes, takes_of(modes)).set_index("feature")
    assert table["value"]["tap.m1.frequency_hz"] == pytest.approx(100.0)
    assert table["value"]["tap.m1.loss_factor"] == pytest.approx(0.02)
    decay = table["value"]["tap.m1.decay_time_s"]
    assert 10 * np.log10(np.exp(-2 * np.pi * 100.0 * 0.02 * decay)) == pytest.approx(-60.0)
    # Logarithms 0, ln 2, 2 ln 2: standard deviation ln 2, over the root of three.
    assert table["u"]["tap.m1.loss_factor"] == pytest.approx(0.02 * np.log(2) / np.sqrt(3))
    assert table["u"]["tap.m1.decay_time_s"] / decay == pytest.approx(np.log(2) / np.sqrt(3))


def test_equal_taps_keep_the_estimators_uncertainty():
    modes = one_take(frequency_hz=100.0, frequency_u=0.3, loss_factor=0.01, loss_factor_u=4e-4)
    table = mode_feature_rows(modes, takes_of(modes)).set_index("feature")
    relative = table["u"] / table["value"]
    assert relative["tap.m1.frequency_hz"] == pytest.approx(0.003 / np.sqrt(3))
    assert relative["tap.m1.loss_factor"] == pytest.approx(0.04 / np.sqrt(3))
    both = np.hypot(0.003, 0.04) / np.sqrt(3)
    assert relative["tap.m1.decay_time_s"] == pytest.approx(both)


def test_free_taps_have_their_own_names_and_sweeps_none():
    modes, specimens = invent(replace(SMALL, support="free"))
    sweeps = modes[modes["tap"] == 1].assign(kind="sweep", tap=0)
    sweeps["take"] = "sweep " + sweeps["take"]
    modes = pd.concat([modes, sweeps], ignore_index=True)
    table = mode_feature_rows(number_modes(modes, specimens), takes_of(modes))
    assert set(table["kind"]) == {"tap"}
    assert {name.partition(".")[0] for name in table["feature"]} == {"free"}
    assert len(table) == 6 * 4 * 3


def test_a_take_without_a_mode_says_so():
    modes, specimens = invent(replace(SMALL, without=((2, 3),)))
    table = mode_feature_rows(number_modes(modes, specimens), takes_of(modes))
    lacking = table[~table["usable"]]
    assert set(lacking["specimen"]) == {"B2"}
    assert set(lacking["reason"]) == {note("modes.not_in_take", mode=3)}
    assert set(lacking["feature"]) == {
        "tap.m3.frequency_hz", "tap.m3.loss_factor", "tap.m3.decay_time_s"
    }  # fmt: skip
    assert lacking["value"].isna().all()


def test_a_take_set_aside_and_a_take_of_refused_taps_keep_their_rows():
    modes, specimens = invent(SMALL)
    aside, refused = "B1-1-1", "B2-1-1"
    takes = takes_of(modes)
    takes.loc[takes["take"] == aside, "aside"] = note(
        "takes.excluded", reason="the window was open"
    )
    modes.loc[modes["take"] == aside, ["usable", "reason"]] = [
        False,
        note("takes.excluded", reason="the window"),
    ]
    modes.loc[modes["take"] == refused, "usable"] = False
    modes.loc[(modes["take"] == refused) & (modes["tap"] == 1), "reason"] = "taps.breaks_off"
    modes.loc[(modes["take"] == refused) & (modes["tap"] > 1), "reason"] = "taps.no_modes"
    table = mode_feature_rows(number_modes(modes, specimens), takes)
    reasons = table[~table["usable"]].groupby("take")["reason"].unique()
    assert {take: list(found) for take, found in reasons.items()} == {
        aside: [note("takes.excluded", reason="the window was open")],
        refused: [
            note(
                "modes.no_usable_tap",
                taps=3,
                reasons=sorted(["taps.no_modes", "taps.breaks_off"]),
            )
        ],
    }
    assert (~table["usable"]).sum() == 2 * 12


def test_a_mode_without_a_decay_keeps_its_frequency():
    modes = one_take(loss_factor=np.nan, loss_factor_u=np.nan)
    table = mode_feature_rows(modes, takes_of(modes))
    assert list(table["usable"]) == [True, False, False]
    assert list(table["reason"]) == ["", *["modes.no_decay"] * 2]


def test_no_taps_give_no_rows():
    modes, specimens = invent(SMALL)
    numbered = number_modes(modes.iloc[:0], specimens)
    assert mode_feature_rows(numbered, takes_of(modes)).empty
    assert mode_feature_rows(numbered, takes_of(modes).iloc[:0]).empty
