"""What a later stage repeats, on drawn studies whose woods are known to differ."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.stats.compare import compare
from studylib.stats.families import holm
from studylib.stats.repeat import ALL, stage_rows
from tests.stats.simulate import features_table, specimens_table

FEATURE = "tone.h3.rel_db"


def stage(seed: int, woods: tuple[str, ...], **effect: float):
    boards = specimens_table((5,) * len(woods), woods=woods)
    drawn = features_table(
        boards, np.random.default_rng(seed), effect=effect, board_sd=1.0, mount_sd=0.2, take_sd=0.1
    )
    return compare(drawn, boards, woods=woods, primary=[FEATURE])


def test_what_a_second_stage_declares_a_third_one_repeats():
    first = stage(1, ("larch", "robinia"), robinia=6.0)
    second = stage(2, ("larch", "robinia", "cherry"), robinia=0.0, cherry=8.0)
    third = stage(3, ("larch", "cherry"), cherry=8.0)
    rows = stage_rows({1: first, 2: second, 3: third}, second, confidence=0.95)
    told = {(r.stage, r.wood_a, r.wood_b): r for r in rows.itertuples()}
    assert told[1, "larch", "robinia"].outcome == "different"
    assert told[2, "larch", "robinia"].outcome == "not repeated"
    assert told[2, "larch", "cherry"].outcome == "different"
    again = told[3, "larch", "cherry"]
    assert (again.outcome, again.p_adjusted) == ("repeated", pytest.approx(again.p))
    assert again.predicted_low < again.difference < again.predicted_high
    assert {r.outcome for r in rows[rows["stage"] == ALL].itertuples()} == {""}


def test_a_repetition_is_tested_over_what_was_declared_and_nothing_else():
    first = stage(4, ("larch", "robinia", "cherry"), robinia=6.0, cherry=12.0)
    second = stage(5, ("larch", "robinia", "cherry"), robinia=-6.0, cherry=12.0)
    rows = stage_rows({1: first, 2: second}, first, confidence=0.95)
    own = rows[rows["stage"] == 2]
    assert len(own) == 3
    assert own["p_adjusted"].to_numpy() == pytest.approx(holm(own["p"].to_numpy()))
    outcome = {(r.wood_a, r.wood_b): r.outcome for r in own.itertuples()}
    assert outcome["larch", "robinia"] == "contrary"
    assert outcome["larch", "cherry"] == "repeated"
