"""Woods as if drawn at random: the spread between them and the mean of another one.

Published one-way random-effects examples first; then coverage in simulations with a stated truth,
and in some that break what the intervals assume.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

from studylib import register, tables
from studylib.stats.blocks import wood_model
from studylib.stats.compare import compare
from studylib.stats.components import _true_half, wood_at_random
from tests.draws import draws
from tests.stats.reference import as_features, as_specimens, table
from tests.stats.simulate import WOODS, features_table, specimens_table

LEVEL, DECAY = register.find("tone.h3.rel_db"), register.find("tap.m1.decay_time_s")
RUNS = draws(2000, share=200)
# Strength of cloth from four looms, four samples each (Montgomery, Design and Analysis of
# Experiments, random effects; written from memory): MS 29.73 and 1.90, components 6.96 and 1.90.
LOOMS = [[98, 97, 99, 96], [91, 90, 93, 92], [96, 95, 97, 95], [95, 96, 99, 98]]


def of_groups(groups, *, feature=LEVEL, confidence=0.95) -> dict:
    """The row of woods with these values of their boards, on the scale of analysis."""
    counts = [len(group) for group in groups]
    group = np.repeat(np.arange(len(groups)), counts)
    model = wood_model(group, np.ones((group.size, 1)), block=False)
    design = SimpleNamespace(model=model)
    sample = SimpleNamespace(feature=feature, design=design, y=np.concatenate(groups).astype(float))
    (row,) = wood_at_random(sample, confidence=confidence) or [()]
    return dict(zip(tables.TABLES["woods_at_random"].names, row, strict=True)) if row else {}


class TestPublished:
    def test_looms(self):
        row = of_groups(LOOMS)
        assert row["spread"] ** 2 == pytest.approx(6.96, abs=0.005)
        assert (row["woods"], row["sources"], row["mean"]) == (4, 4.0, 95.4375)
        half = stats.t.ppf(0.975, 3) * np.sqrt(29.73 / 4 * 1.25)
        assert row["new_high"] - row["mean"] == pytest.approx(half, abs=0.002)
        assert row["mean"] - row["new_low"] == pytest.approx(half, abs=0.002)
        # The F test rejects (15.7 on 3 and 12), so the interval of the spread leaves zero out.
        assert 0 < row["spread_low"] < row["spread"] < row["spread_high"]
        assert row["new_low"] < row["true_low"] < row["true_high"] < row["new_high"]

    def test_dyestuff(self):
        # lme4 Dyestuff: SD of batch 42.0006 (balanced: REML is the analysis of variance).
        data = table("dyestuff.csv").rename(columns={"batch": "wood", "yield": "value"})
        data["specimen"] = data["wood"] + "-" + data.groupby("wood").cumcount().astype(str)
        specimens = as_specimens(data)
        woods = list(specimens["wood"].unique())
        found = compare(as_features(data), specimens, woods=woods, primary=[LEVEL.name])
        (row,) = found.woods_at_random.to_dict("records")
        assert row["spread"] == pytest.approx(42.0006, abs=2e-4)
        assert (row["woods"], row["spread_unit"]) == (6, "dB")
        assert row["mean"] == pytest.approx(1527.5)
        # The same spread as that of these woods alone, whose interval is another one.
        wood = found.variance.set_index("level").loc["wood"]
        assert row["spread"] == pytest.approx(wood["sd"])
        assert row["spread_high"] > np.sqrt(wood["high"])

    def test_against_reml_with_unequal_numbers(self, rng):
        """REML weighs the woods otherwise; where they spread much more than their boards, both say
        nearly the same."""
        groups = [rng.normal(8 * rng.normal(), 1.0, n) for n in (3, 4, 6, 8, 5, 4, 9)]
        wood = np.repeat(np.arange(7), [len(group) for group in groups])
        fit = MixedLM(np.concatenate(groups), np.ones(wood.size), wood).fit(reml=True)
        row = of_groups(groups)
        assert row["spread"] == pytest.approx(float(np.sqrt(fit.cov_re[0, 0])), rel=0.01)

    def test_unequal_numbers_and_spreads_by_hand(self, rng):
        groups = [rng.normal(m, s, n) for m, s, n in ((0, 1, 3), (9, 3, 5), (4, 2, 8))]
        row = of_groups(groups)
        boards = np.mean([np.var(group, ddof=1) / len(group) for group in groups])
        of_means = np.var([np.mean(group) for group in groups], ddof=1)
        assert row["spread"] ** 2 == pytest.approx(of_means - boards)
        assert row["sources"] == pytest.approx(3 / (1 / 3 + 1 / 5 + 1 / 8))


@pytest.mark.parametrize("k", [2, 3, 6, 10])
def test_without_a_share_of_the_boards_a_true_mean_is_as_far_as_t_takes_it(k):
    half = _true_half(np.array([4.0, 1e-12]), np.array([k - 1, 9.0]), confidence=0.95)
    expected = stats.t.ppf(0.975, k - 1) * 2.0 * np.sqrt(1 + 1 / k)
    assert half == pytest.approx(expected, rel=0.001)


def test_the_boards_share_is_taken_off_the_spread_of_a_true_mean():
    """With all degrees of freedom nothing but the spread of true means is left: 4 less 3."""
    half = _true_half(np.array([4.0, 3.0]), np.array([1e7, 1e7]), confidence=0.95)
    assert half == pytest.approx(stats.norm.ppf(0.975), rel=0.001)


def test_woods_alike_have_no_spread_and_the_interval_holds_it(rng):
    row = of_groups([[0.0, 4.0, 8.0], [1.0, 5.0, 9.0], [0.5, 4.5, 8.5]])
    assert (row["spread"], row["spread_low"]) == (0.0, 0.0)
    assert row["true_high"] > row["mean"] > row["true_low"]


def test_no_row_of_one_wood_or_of_boards_without_spread():
    for groups in ([[1.0, 2.0]], [[1.0, 1.0], [2.0, 2.0]], [[1.0, 2.0], [2.0, 1.0]]):
        assert of_groups(groups) == {}


def test_logarithms_come_back_in_the_features_unit():
    groups = [np.log(group) for group in ([0.9, 1.1], [0.4, 0.5], [0.6, 0.7])]
    row, level = of_groups(groups, feature=DECAY), of_groups(groups)
    for name in ("mean", "new_low", "new_high", "true_low", "true_high"):
        assert row[name] == pytest.approx(np.exp(level[name]))
    for name in ("spread", "spread_low", "spread_high"):
        assert row[name] == pytest.approx(100 * np.expm1(level[name]))
    assert (row["unit"], row["spread_unit"]) == ("s", "%")


def test_primary_features_that_are_compared_have_a_row_and_no_others(rng):
    names = [LEVEL.name, "tone.h2.rel_db", "tone.h4.rel_db"]
    specimens = specimens_table((4, 4, 1))
    rows = features_table(specimens, rng, names=names, batches=2, batch_shift=5.0)
    low = rows["feature"].eq(names[2]) & rows["specimen"].eq("L1")
    rows.loc[low, ["usable", "reason"]] = [False, "takes.below_noise"]
    found = compare(rows, specimens, woods=WOODS, primary=[LEVEL.name, names[2]]).woods_at_random
    assert list(found["feature"]) == [LEVEL.name]
    assert list(found["woods"]) == [2]  # of the third there is one board


def test_a_shift_between_batches_does_not_enter(rng):
    specimens = specimens_table()
    rows = features_table(specimens, rng, batches=2)
    moved = rows.copy()
    moved.loc[moved["batch"] == "day 2", "value"] += 20.0
    one, other = (
        compare(r, specimens, woods=WOODS, primary=[LEVEL.name]).woods_at_random.iloc[0]
        for r in (rows, moved)
    )
    for name in ("spread", "spread_low", "spread_high"):
        assert other[name] == pytest.approx(one[name])
    assert other["new_high"] - other["new_low"] == pytest.approx(one["new_high"] - one["new_low"])


class TestCoverage:
    """Woods drawn anew in each run, and one more; its boards as numerous as the others' are in the
    harmonic mean, their variance the mean of the others'."""

    def covered(self, rng, draw, *, sd, counts, boards) -> pd.Series:
        counts, boards = np.asarray(counts), np.broadcast_to(np.asarray(boards, float), len(counts))
        own = np.sqrt(np.mean(boards**2 / counts))
        hits = []
        for _ in range(RUNS):
            *woods, new = sd * draw(len(counts) + 1)
            row = of_groups([rng.normal(*each) for each in zip(woods, boards, counts, strict=True)])
            hits.append(
                {
                    "spread": row["spread_low"] <= sd <= row["spread_high"],
                    "new": row["new_low"] <= new + rng.normal(0, own) <= row["new_high"],
                    "true": row["true_low"] <= new <= row["true_high"],
                }
            )
        return pd.DataFrame(hits).mean()

    @pytest.mark.parametrize(
        ("counts", "sd"), [((4, 4, 4), 1.0), ((4,) * 6, 0.3), ((2, 3, 4, 5, 8, 12), 1.0)]
    )
    def test_normal_woods_are_covered_as_promised(self, rng, counts, sd):
        found = self.covered(rng, rng.standard_normal, sd=sd, counts=counts, boards=1.0)
        error = 3 * np.sqrt(0.05 * 0.95 / RUNS)
        assert found.min() > 0.935 - error
        assert found["new"] == pytest.approx(0.95, abs=error + 0.01)

    def test_spreads_of_boards_three_to_one_cost_a_few_percent(self, rng):
        """4,000 runs gave 93 % for the spread and 92 % for the true mean."""
        wide = {"counts": (12, 12, 4, 4, 2, 2), "boards": (1, 1, 1, 1, 3, 3)}
        found = self.covered(rng, rng.standard_normal, sd=1.0, **wide)
        assert found.min() > 0.92 - 3 * np.sqrt(0.08 * 0.92 / RUNS)

    def test_woods_far_out_and_woods_in_groups_are_not_normal(self, rng):
        """What the report says of them: too short for heavy tails, too wide for two groups."""
        plan = {"sd": 3.0, "counts": (4,) * 6, "boards": 1.0}
        tails = self.covered(rng, lambda n: rng.standard_t(3, n) / np.sqrt(3), **plan)
        assert 0.75 < tails["spread"] < 0.91
        assert 0.88 < tails["new"] < 0.97

        def groups(n):
            return (rng.choice([-1.0, 1.0], n) + 0.3 * rng.standard_normal(n)) / np.sqrt(1.09)

        assert self.covered(rng, groups, **plan).min() > 0.95
