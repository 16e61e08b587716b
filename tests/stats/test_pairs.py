"""Woods compared on the means of their sources: against NIST, R, SciPy, statsmodels, pingouin."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from studylib.stats import studentized
from studylib.stats.blocks import has_block, wood_model
from studylib.stats.families import shaffer
from studylib.stats.pairs import _range_test, all_pairs, pairs_of_means
from studylib.stats.samples import NestedDesign
from tests.stats.reference import nist_anova, table
from tests.stats.simulate import compare_pairs


def one_batch(group):
    return np.ones((len(group), 1))


def plain(group):
    return wood_model(np.asarray(group), one_batch(group), block=False)


@pytest.fixture
def unequal(rng):
    """Five, four and seven units with unequal spreads."""
    group = np.repeat([0, 1, 2], [5, 4, 7])
    return group, rng.normal([0.0, 2.0, 1.0], [1.0, 3.0, 0.5], (16, 3))[np.arange(16), group]


@pytest.mark.parametrize(
    ("name", "digits"),
    [("SiRstv", 1e-9), ("AtmWtAg", 1e-6), ("SmLs01", 1e-12), ("SmLs04", 1e-6), ("SmLs07", 0.1)],
)
def test_mean_squares_against_nist_strd(name, digits):
    # NIST StRD analysis of variance, certified values; the data with seven and thirteen
    # constant leading digits test the arithmetic, and SmLs07 leaves double precision one digit.
    group, y, certified = nist_anova(name)
    model = plain(group)
    y = y - y.mean()
    square = model.between(y)
    assert square / model.pooled_variance(y) == pytest.approx(certified["f"], rel=digits)
    assert np.sqrt(model.pooled_variance(y)) == pytest.approx(certified["sd"], rel=digits)


# Digits of the certified F that come out, all eleven sets of NIST StRD: what double precision
# leaves of data with 1, 7 or 13 constant leading digits in 189, 1,809 and 18,009 values.
DIGITS = {
    "SiRstv": 12, "AtmWtAg": 9, "SmLs01": 14, "SmLs02": 14, "SmLs03": 14, "SmLs04": 9.5,
    "SmLs05": 9.5, "SmLs06": 9.5, "SmLs07": 3.5, "SmLs08": 3.5, "SmLs09": 3.5,
}  # fmt: skip


@pytest.mark.parametrize("name", DIGITS)
def test_strata_against_all_of_nist_strd(name):
    # Treatments as boards: F is the boards' mean square over that of the takes.
    group, y, certified = nist_anova(name)
    y = y - y.mean()
    takes = pd.DataFrame({"wood": "one", "source": group.astype(str), "batch": "one", "mount": 1})
    takes["specimen"] = takes["source"]
    units = takes[["wood", "source"]].drop_duplicates().reset_index(drop=True)
    model = wood_model(np.zeros(len(units), dtype=int), np.ones((len(units), 1)), block=False)
    design = NestedDesign(takes, units, model, takes)
    assert design.balanced
    low, high = design.strata(y)
    f = high.v * np.bincount(group)[0] / low.v
    digits = -np.log10(max(abs(f / certified["f"] - 1), 1e-15))
    assert digits >= DIGITS[name], f"{digits:.1f} digits"
    sd_digits = -np.log10(max(abs(np.sqrt(low.v) / certified["sd"] - 1), 1e-15))
    assert sd_digits >= DIGITS[name], f"{sd_digits:.1f} digits of the standard deviation"


def test_fixed_wood_over_random_boards_is_montgomerys_f():
    # Montgomery's purity example, printed F 0.97 for suppliers over batches; the pseudo-
    # replicated F over determinations would be 2.85.
    data = table("montgomery_purity.csv")
    units = data.groupby(["supplier", "batch"])["purity"].mean().reset_index()
    model = plain(units["supplier"].to_numpy() - 1)
    y = units["purity"].to_numpy()
    square = model.between(y)
    f = square / model.pooled_variance(y)
    assert f == pytest.approx(0.96901, abs=5e-6)
    assert model.df == 9
    assert model.n0 == pytest.approx(4)


SLEEP = ([0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0],
         [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4])  # fmt: skip


def test_welch_on_students_sleep_data():
    # Student (1908); t.test(extra ~ group, data = sleep) in R's manual: df 17.776, p 0.07939,
    # interval -3.3654832 to 0.2054832 (from memory).
    (pair,) = compare_pairs(plain(np.repeat([0, 1], 10)), np.ravel(SLEEP), confidence=0.95)
    assert pair.df == pytest.approx(17.776, abs=5e-4)
    assert pair.p == pytest.approx(0.07939, abs=5e-6)
    assert (-pair.high, -pair.low) == pytest.approx((-3.3654832, 0.2054832), abs=5e-8)


def test_every_pair_is_welchs_t(unequal):
    group, y = unequal
    for pair in compare_pairs(plain(group), y, confidence=0.95):
        welch = stats.ttest_ind(y[group == pair.b], y[group == pair.a], equal_var=False)
        assert pair.df == pytest.approx(welch.df)
        assert pair.p == pytest.approx(welch.pvalue)
        assert pair.difference / pair.se == pytest.approx(welch.statistic)


def test_three_woods_pass_the_range_test_before_any_pair(unequal):
    # Games and Howell's p, by pingouin, is that of each pair against the range of all three.
    group, y = unequal
    frame = pd.DataFrame({"y": y, "wood": group})
    first = pingouin.pairwise_gameshowell(frame, dv="y", between="wood")["pval"].min()
    for pair in compare_pairs(plain(group), y, confidence=0.95):
        assert pair.closed == pytest.approx(max(first, pair.p), rel=1e-4)
        half = stats.studentized_range.ppf(0.95, 3, pair.df) / np.sqrt(2) * pair.se
        assert (pair.low, pair.high) == pytest.approx(
            (pair.difference - half, pair.difference + half), rel=1e-6
        )


def test_the_range_test_is_the_studentized_range(rng):
    df, p = 1 / rng.uniform(0.001, 1.0, 300), 10 ** rng.uniform(-4, 0, 300)
    t = -stats.t.ppf(p / 2, df)
    assert _range_test(p, df) == pytest.approx(studentized.sf(t * np.sqrt(2), 3, df), rel=1e-5)


def test_from_four_woods_on_shaffer_and_bonferroni(rng):
    group = np.repeat(np.arange(5), 6)
    y = rng.normal(size=30) + group
    found = compare_pairs(plain(group), y, confidence=0.9)
    expected = shaffer(np.array([pair.p for pair in found]), 5)
    assert [pair.closed for pair in found] == pytest.approx(list(expected))
    half = stats.t.ppf(1 - 0.1 / 20, found[3].df) * found[3].se
    assert found[3].high - found[3].difference == pytest.approx(half)


def test_a_small_wood_does_not_borrow_degrees_of_freedom_from_a_large_one(rng):
    # (1/3 + 1/40)^2 / (1/(9 x 2) + 1/(1600 x 39)): of two woods that spread alike.
    few, many = rng.normal(0, 0.01, 3), rng.normal(0, 1.0, 40)
    group = np.repeat([0, 1], [3, 40])
    (pair,) = compare_pairs(plain(group), np.concatenate([few, many]), confidence=0.95)
    assert pair.df == pytest.approx((1 / 3 + 1 / 40) ** 2 / (1 / 18 + 1 / 62_400))
    # And never more than twice those of the smaller.
    (pair,) = compare_pairs(plain(np.repeat([0, 1], [3, 4])), y=np.array(
        [0.0, 1.0, 2.0, 0.0, 1.3, 1.3, 2.6]), confidence=0.95)  # fmt: skip
    assert pair.df == pytest.approx(4.0)


@pytest.mark.parametrize("counts", [(2, 2), (2, 9)])
def test_two_boards_have_the_degrees_of_freedom_of_one_spread(rng, counts):
    group = np.repeat([0, 1], counts)
    (pair,) = compare_pairs(plain(group), rng.normal(size=group.size), confidence=0.95)
    assert pair.df == pytest.approx(1)
    assert np.isnan(pair.df_same)
    assert np.isnan(pair.same(1.0))


def test_same_takes_the_smaller_woods_at_three_boards_and_welchs_from_four(rng):
    group = np.repeat([0, 1, 2], [3, 4, 4])
    found = compare_pairs(plain(group), rng.normal(size=11), confidence=0.95)
    assert [found[0].df_same, found[1].df_same] == pytest.approx([2, 2])
    assert found[2].df_same == found[2].df > 2


def test_beyond_and_within_by_simulated_tails_and_statsmodels(unequal):
    group, y = unequal
    for pair in compare_pairs(plain(group), y, confidence=0.95):
        a, b = (DescrStatsW(y[group == g]) for g in (pair.a, pair.b))
        for limit in (0.5, 2.0, 6.0):
            # Two one-sided tests: the larger p of both.
            tost = CompareMeans(b, a).ttost_ind(-limit, limit, usevar="unequal")[0]
            assert pair.within(limit) == pytest.approx(tost)
            tails = [
                stats.t.sf((abs(pair.difference) + side * limit) / pair.se, pair.df)
                for side in (-1, 1)
            ]
            assert pair.beyond(limit) == pytest.approx(sum(tails))
        assert pair.beyond(0.0) == pytest.approx(pair.p)


def test_drawn_means_and_spreads_are_compared_as_boards_are(rng):
    group = np.repeat([0, 1, 2], [3, 5, 8])
    y = rng.normal(size=(20, 16)) + group
    means, variances = (
        np.stack([way(y[:, group == g]) for g in range(3)], axis=1)
        for way in (lambda x: x.mean(axis=1), lambda x: x.var(axis=1, ddof=1))
    )
    counts = np.bincount(group)
    one = all_pairs(plain(group), y)
    other = pairs_of_means(means, variances, counts, counts - 1)
    for name in ("difference", "se", "df", "df_same", "p", "closed"):
        assert getattr(other, name) == pytest.approx(getattr(one, name)), name


class TestBlock:
    """The model with batches, here with unequal numbers and one wood missing from one batch."""

    GROUP = np.repeat([0, 1, 2], [4, 5, 6])
    BATCH = np.array([0, 0, 1, 1, 0, 1, 1, 2, 2, 0, 0, 1, 2, 2, 2])

    def shares(self):
        return np.eye(3)[self.BATCH]

    def ols(self, y):
        design = np.column_stack([np.eye(3)[self.GROUP], self.shares()[:, 1:]])
        return sm.OLS(y, design).fit()

    def test_contrasts_against_statsmodels_ols(self, rng):
        y = rng.normal(size=15) + self.GROUP + 10 * self.BATCH
        model = wood_model(self.GROUP, self.shares(), block=True)
        fit = self.ols(y)
        assert model.df == fit.df_resid
        for pair in compare_pairs(model, y, confidence=0.95):
            contrast = np.zeros(5)
            contrast[[pair.a, pair.b]] = -1, 1
            test = fit.t_test(contrast)
            assert pair.difference == pytest.approx(test.effect.item())
            pooled = model.pooled_variance(y) * np.sum(model.contrast(pair.a, pair.b) ** 2)
            assert np.sqrt(pooled) == pytest.approx(test.sd.item())

    def test_a_shift_of_a_whole_batch_changes_nothing(self, rng):
        y = rng.normal(size=15)
        model = wood_model(self.GROUP, self.shares(), block=True)
        before = compare_pairs(model, y, confidence=0.95)
        after = compare_pairs(model, y + 7.0 * self.BATCH, confidence=0.95)
        for one, other in zip(before, after, strict=True):
            assert other.difference == pytest.approx(one.difference)
            assert other.se == pytest.approx(one.se)
            assert other.df == pytest.approx(one.df)

    @pytest.mark.parametrize("truth", [(2.0, 2.0, 2.0), (1.0, 4.0, 0.25)])
    def test_wood_variances_have_the_stated_expectation(self, rng, truth):
        # Unbiased where the woods spread alike; else what the block lets in of the others.
        truth = np.array(truth)
        model = wood_model(self.GROUP, self.shares(), block=True)
        y = rng.normal(0, np.sqrt(truth)[self.GROUP], size=(20_000, 15)) + 5.0 * self.BATCH
        stated = model.mixing @ truth / model.leverage
        assert model.wood_variances(y).mean(axis=0) == pytest.approx(stated, rel=0.04)
        if np.ptp(truth) == 0:
            assert stated == pytest.approx(truth)

    def test_degrees_of_freedom_are_those_of_the_quadratic_form(self, rng):
        # Satterthwaite: (tr Q S)^2 / tr(Q S Q S) written out with full matrices.
        variances, model = (
            np.array([1.0, 4.0, 0.5]),
            wood_model(self.GROUP, self.shares(), block=True),
        )
        weight = model.weights[2] - model.weights[0]
        by_wood = np.array([np.sum(weight[g == self.GROUP] ** 2) for g in range(3)])
        leverage = [np.sum(model.diagonal[g == self.GROUP]) for g in range(3)]
        c = by_wood / np.array(leverage)
        form = model.left(model.left(np.diag(c[self.GROUP])).T)
        product = form @ np.diag(variances[self.GROUP])
        variance, df = model.variance_of(model.contrast(0, 2), variances)
        assert df == pytest.approx(np.trace(product) ** 2 / np.trace(product @ product))
        assert variance == pytest.approx(by_wood @ variances)
        # And the estimate of V by these coefficients is the form itself.
        y = rng.normal(size=15)
        assert by_wood @ model.wood_variances(y) == pytest.approx(y @ form @ y)

    def test_without_a_block_variances_are_the_sample_variances(self, rng):
        y = rng.normal(size=15)
        found = plain(self.GROUP).wood_variances(y)
        assert found == pytest.approx([y[g == self.GROUP].var(ddof=1) for g in range(3)])

    def test_a_wood_that_spreads_little_is_never_taken_to_spread_not_at_all(self, rng):
        group, batch = np.repeat([0, 1, 2], 4), np.tile([0, 0, 1, 1], 3)
        model = wood_model(group, np.eye(2)[batch], block=True)
        y = rng.normal(0, np.array([1.0, 1.0, 30.0])[group], size=(500, 12))
        assert np.all(model.wood_variances(y) > 0)
        assert np.all(np.isfinite(all_pairs(model, y).p))

    def test_many_features_at_once_are_each_alone(self, rng):
        model = wood_model(self.GROUP, self.shares(), block=True)
        y = rng.normal(size=(7, 15))
        together = all_pairs(model, y)
        for i in range(7):
            for one, same in zip(
                compare_pairs(model, y[i], confidence=0.9), together.by_feature(0.9)[i], strict=True
            ):
                assert vars(same) == pytest.approx(vars(one))

    def test_equal_shares_drop_out(self):
        # Every board measured half in each batch: the batches cancel within each board.
        group = np.repeat([0, 1], 4)
        model = wood_model(group, np.full((8, 2), 0.5), block=True)
        assert not model.blocked
        assert not model.dropped
        assert model.df == 6

    def test_shares_that_only_differ_between_woods_cannot_be_separated(self):
        shares = np.repeat([[0.5, 0.5], [0.25, 0.75]], 4, axis=0)
        model = wood_model(np.repeat([0, 1], 4), shares, block=True)
        assert not model.blocked
        assert model.dropped

    def test_block_needs_every_wood_in_every_batch(self):
        group = np.array([0, 0, 1, 1])
        assert has_block(group, np.eye(2)[[0, 1, 0, 1]])
        assert has_block(group, np.array([[0.5, 0.5], [1, 0], [1, 0], [0, 1]]))
        assert not has_block(self.GROUP, self.shares())
        assert not has_block(np.array([0, 0, 1, 1]), np.eye(2)[[0, 1, 0, 0]])
        assert not has_block(np.array([0, 0, 1, 1]), np.ones((4, 1)))


def test_identical_boards_give_no_interval():
    y = np.array([1.0, 1, 1, 1, 2, 2, 2, 2])
    (pair,) = compare_pairs(plain(np.repeat([0, 1], 4)), y, confidence=0.95)
    assert pair.difference == 1.0
    assert np.isnan(pair.p)
    assert np.isnan(pair.low)


def test_order_of_units_does_not_matter(unequal, rng):
    group, y = unequal
    order = rng.permutation(len(y))
    first = compare_pairs(plain(group), y, confidence=0.95)
    second = compare_pairs(plain(group[order]), y[order], confidence=0.95)
    for one, other in zip(first, second, strict=True):
        assert other.p == pytest.approx(one.p)
        assert other.low == pytest.approx(one.low)
