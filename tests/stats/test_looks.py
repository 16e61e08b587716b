"""Levels of several looks, against published tables.

Jennison and Turnbull, Group Sequential Methods (2000), tables 2.1 to 2.4, and Armitage, McPherson
and Rowe (1969), table 2: all values from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from studylib.codes import code_of, fields_of
from studylib.stats.compare import compare
from studylib.stats.decisions import SAME_LEVEL, verdicts
from studylib.stats.looks import boards_of, crossing, levels, look_level, rate_of
from tests.benchmarks.looks_truth import SHORT, rates
from tests.stats.simulate import features_table, specimens_table

POCOCK = {
    0.05: {2: 2.178, 3: 2.289, 4: 2.361, 5: 2.413, 8: 2.512, 10: 2.555},
    0.01: {2: 2.772, 3: 2.873, 4: 2.939, 5: 2.986},
}
O_BRIEN_FLEMING = {2: 1.977, 3: 2.004, 4: 2.024, 5: 2.040}
REPEATED = {1: 0.050, 2: 0.083, 3: 0.107, 4: 0.126, 5: 0.142, 10: 0.193}
INFLATION = {(2, 0.8): 1.110, (3, 0.8): 1.166, (5, 0.8): 1.229, (2, 0.9): 1.100, (5, 0.9): 1.207}


@pytest.mark.parametrize("alpha", POCOCK)
def test_each_level_is_that_of_the_published_bound(alpha):
    found = {k: -special.ndtri(look_level(alpha, k) / 2) for k in POCOCK[alpha]}
    assert found == pytest.approx(POCOCK[alpha], abs=6e-4)


@pytest.mark.parametrize("looks", O_BRIEN_FLEMING)
def test_falling_bounds_spend_what_the_table_says(looks):
    i = np.arange(1, looks + 1)
    spent = crossing(O_BRIEN_FLEMING[looks] * np.sqrt(looks / i), i)
    assert spent.sum() == pytest.approx(0.05, abs=1e-4)
    assert np.all(np.diff(spent) > 0)


@pytest.mark.parametrize("looks", REPEATED)
def test_unplanned_looks_bring_the_published_rate(looks):
    assert rate_of(0.05, range(1, looks + 1)) == pytest.approx(REPEATED[looks], abs=6e-4)


@pytest.mark.parametrize(("looks", "wanted"), INFLATION)
def test_looks_need_as_many_more_boards_as_published(looks, wanted):
    most, mean = boards_of(0.95, looks, wanted=wanted)
    assert most == pytest.approx(INFLATION[looks, wanted], abs=1e-3)
    assert mean < 1 < most


def test_a_study_that_may_stop_ends_where_a_drawn_one_does():
    looks, wanted, rng = 4, 0.8, np.random.default_rng(3)
    most, mean = boards_of(0.95, looks, wanted=wanted)
    drift = np.sqrt(most) * (special.ndtri(0.975) + special.ndtri(wanted))
    steps = drift / looks + rng.standard_normal((200_000, looks)) / np.sqrt(looks)
    z = np.cumsum(steps, axis=1) / np.sqrt(np.arange(1, looks + 1) / looks)
    hit = np.abs(z) >= -special.ndtri(look_level(0.05, looks) / 2)
    ends = np.where(hit.any(axis=1), hit.argmax(axis=1) + 1, looks)
    assert hit.any(axis=1).mean() == pytest.approx(wanted, abs=0.004)
    assert most * ends.mean() / looks == pytest.approx(mean, abs=0.003)


def test_one_look_has_the_whole_error_and_several_share_it():
    assert levels(0.95, 1) == (0.95, SAME_LEVEL)
    three = levels(0.95, 3, [np.array([1.0, 8.9])])
    assert (1 - three.confidence, three.same_level) == pytest.approx((0.0220, 0.0220))
    wide = levels(0.95, 3, [np.array([1.0, 1.0]), np.array([1.0, 9.1])])
    assert (1 - wide.confidence, wide.same_level) == pytest.approx((0.0166, 0.0166))


FEATURE = "tone.h3.rel_db"


def woods_apart(seed: int, *, effect: float, change: float = 0.0):
    """Two woods of six boards each, of unit spread or so."""
    boards = specimens_table((6, 6), woods=("larch", "robinia"), reference=change > 0)
    drawn = features_table(
        boards, np.random.default_rng(seed), effect={"robinia": effect}, board_sd=1.0, mount_sd=0.2,
        take_sd=0.1, change=change,
    )  # fmt: skip
    return drawn, boards, {"woods": ["larch", "robinia"], "primary": [FEATURE]}


def test_a_look_asks_for_more_before_anything_is_said():
    features, boards, ask = woods_apart(18, effect=1.3)
    ask |= {"limits": {FEATURE: 1.0}}
    once, thrice = (compare(features, boards, looks=n, **ask) for n in (1, 3))
    one, three = once.effects.iloc[0], thrice.effects.iloc[0]
    assert one["p"] == three["p"]
    assert 0.022 < one["p_adjusted"] <= 0.05
    assert (one["verdict"], three["verdict"]) == ("different", "open")
    assert abs(three["high"] - three["low"]) > abs(one["high"] - one["low"])
    assert thrice.workings.confidence == pytest.approx(0.978)


def test_what_same_promises_is_what_this_look_spends():
    assert verdicts(0.5, 0.9, 0.9, 0.03, confidence=0.95) == "same"
    assert verdicts(0.5, 0.9, 0.9, 0.03, confidence=0.978, same_level=0.022) == "open"
    features, boards, ask = woods_apart(12, effect=0.0, change=3.0)
    found = compare(features, boards, looks=3, limits={FEATURE: 6.0}, **ask)
    assert found.effects.iloc[0]["verdict"] == "same"
    (told,) = [fields_of(each) for each in found.notes if code_of(each) == "comparison.same"]
    assert (told["level"], found.workings.same_level) == (0.022, 0.022)


@pytest.mark.parametrize("cell", SHORT, ids=lambda cell: cell.name)
def test_planned_looks_declare_no_more_than_promised(cell):
    found = rates(cell, 4000)
    unplanned = found.pop("unplanned", None)
    assert max(found.values()) <= 0.06 + 3 * np.sqrt(0.06 * 0.94 / 4000)
    assert unplanned is None or unplanned > 0.065
