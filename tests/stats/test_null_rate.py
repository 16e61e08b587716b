"""Studies without any wood effect: how often is one declared?

3 woods x 4 boards x 3 mounts x 3 takes, two batches, spreads 1.5, 1.0 and 0.5 dB. Each feature
of one features table is drawn on its own, so one table holds as many studies as features. Other
designs: test_truth.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from studylib.stats.compare import compare
from tests.draws import draws
from tests.stats.simulate import WOODS, features_table, specimens_table

STUDIES = draws(400, share=200)
NAMES = [f"tone.h{k}.rel_db" for k in range(2, STUDIES + 2)]
THREE_ERRORS = 3 * np.sqrt(0.05 * 0.95 / STUDIES)


def declared(compared) -> float:
    """Share of studies in which any pair would be declared if its feature alone decided."""
    first = compared.workings.first.values()
    return float(np.mean([min(pair.closed for pair in pairs) <= 0.05 for pairs in first]))


@pytest.fixture(scope="module")
def null():
    rng = np.random.default_rng(172)
    specimens = specimens_table()
    rows = features_table(specimens, rng, names=NAMES, batches=2, batch_shift=2.0)
    return rows, compare(rows, specimens, woods=WOODS, primary=[])


def test_boards_as_units_hold_the_stated_rate(null):
    assert declared(null[1]) == pytest.approx(0.05, abs=THREE_ERRORS)


def test_takes_as_units_do_not(null):
    # The same numbers with every take counted as a board: the trap that the template prevents.
    rows, _ = null
    one_batch = rows["value"] - 2.0 * (rows["batch"] == "day 2")
    values = one_batch.to_numpy().reshape(3, 4, STUDIES, 9)
    takes = values.transpose(2, 0, 1, 3).reshape(STUDIES, 3, 36)
    p = stats.f_oneway(takes[:, 0], takes[:, 1], takes[:, 2], axis=1).pvalue
    assert np.mean(p <= 0.05) > 0.5
    boards = values.mean(axis=3).transpose(2, 0, 1)
    p = stats.f_oneway(boards[:, 0], boards[:, 1], boards[:, 2], axis=1).pvalue
    assert np.mean(p <= 0.05) == pytest.approx(0.05, abs=THREE_ERRORS)


def test_exploratory_false_discoveries_are_rare_without_any_effect(null):
    assert (null[1].effects["p_adjusted"] <= 0.05).sum() <= 1


def test_a_single_primary_feature_is_declared_at_the_rate_of_its_closed_p(rng):
    specimens = specimens_table()
    for _ in range(5):
        rows = features_table(specimens, rng, batches=2)
        compared = compare(rows, specimens, woods=WOODS, primary=["tone.h3.rel_db"])
        closed = [pair.closed for pair in compared.workings.first["tone.h3.rel_db"]]
        effects = compared.effects
        assert effects["p_adjusted"].to_numpy() == pytest.approx(closed)
        assert set(effects.loc[effects["p_adjusted"] > 0.05, "verdict"]) <= {"open"}
