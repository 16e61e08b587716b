"""Woods compared on the means of their sources: against NIST, SciPy, statsmodels, pingouin."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.multicomp import pairwise_tukeyhsd

from studylib.codes.comparison import Method
from studylib.stats.blocks import has_block, wood_model
from studylib.stats.pairs import (
    all_pairs,
    compare_pairs,
    method_for,
)
from studylib.stats.samples import NestedDesign
from tests.stats.reference import nist_anova, table


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
    square = y @ model.between @ y / (model.k - 1)
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
    square = y @ model.between @ y / 2
    f = square / model.pooled_variance(y)
    assert f == pytest.approx(0.96901, abs=5e-6)
    assert model.df == 9
    assert model.n0 == pytest.approx(4)


def test_games_howell_against_pingouin(unequal):
    group, y = unequal
    expected = pingouin.pairwise_gameshowell(
        pd.DataFrame({"y": y, "wood": group}), dv="y", between="wood"
    )
    for pair, row in zip(
        compare_pairs(plain(group), y, confidence=0.95, method=Method.GAMES_HOWELL),
        expected.itertuples(),
        strict=True,
    ):
        assert (pair.a, pair.b, pair.method) == (row.A, row.B, Method.GAMES_HOWELL)
        assert pair.difference == pytest.approx(-row.diff)
        assert pair.df == pytest.approx(row.df)
        assert pair.se == pytest.approx(row.se)
        assert pair.p == pytest.approx(row.pval, abs=1e-6)


def test_tukey_kramer_against_scipy_and_statsmodels(unequal):
    group, y = unequal
    ours = compare_pairs(plain(group), y, confidence=0.95, method=Method.TUKEY_KRAMER)
    theirs = stats.tukey_hsd(*(y[group == g] for g in range(3)))
    interval = theirs.confidence_interval(0.95)
    models = pairwise_tukeyhsd(y, group)
    for i, pair in enumerate(ours):
        assert pair.p == pytest.approx(theirs.pvalue[pair.a, pair.b], abs=1e-7)
        assert pair.low == pytest.approx(interval.low[pair.b, pair.a], rel=1e-6)
        assert pair.high == pytest.approx(interval.high[pair.b, pair.a], rel=1e-6)
        assert (pair.low, pair.high) == pytest.approx(tuple(models.confint[i]), rel=1e-3)


def test_two_woods_are_welchs_t(rng):
    group, y = np.repeat([0, 1], [4, 6]), rng.normal(0, [1.0] * 4 + [3.0] * 6)
    (pair,) = compare_pairs(plain(group), y, confidence=0.9)
    welch = stats.ttest_ind(y[4:], y[:4], equal_var=False)
    assert pair.p == pytest.approx(welch.pvalue)
    assert pair.df == pytest.approx(welch.df)
    interval = welch.confidence_interval(0.9)
    assert (pair.low, pair.high) == pytest.approx((interval.low, interval.high))
    assert (pair.low90, pair.high90) == pytest.approx((interval.low, interval.high))


def test_method_changes_at_four_sources():
    assert method_for(plain(np.repeat([0, 1], [4, 4]))) == Method.GAMES_HOWELL
    assert method_for(plain(np.repeat([0, 1, 2], 4))) == Method.SHRUNKEN
    assert method_for(plain(np.repeat([0, 1], [9, 3]))) == Method.TUKEY_KRAMER


def test_shrunken_variances_written_out(unequal):
    # One degree of freedom of the mean of all variances beside each wood's own n - 1.
    group, y = unequal
    n = np.bincount(group)
    own = np.array([y[group == g].var(ddof=1) for g in range(3)])
    taken = ((n - 1) * own + own.mean()) / n
    for pair in compare_pairs(plain(group), y, confidence=0.95):
        assert pair.method == Method.SHRUNKEN
        assert pair.se**2 == pytest.approx(taken[pair.a] / n[pair.a] + taken[pair.b] / n[pair.b])
        # Satterthwaite: V is a weighted sum of the three sample variances.
        weight = np.zeros(3)
        for g in (pair.a, pair.b):
            weight[g] += (n[g] - 1) / n[g] ** 2
            weight += 1 / 3 / n[g] ** 2
        expected = (weight @ taken) ** 2 / np.sum((weight * taken) ** 2 / (n - 1))
        assert pair.df == pytest.approx(expected)
        # The 90 % interval is the pair's own, by Welch.
        a, b = y[group == pair.a], y[group == pair.b]
        alone = stats.ttest_ind(b, a, equal_var=False).confidence_interval(0.9)
        assert (pair.low90, pair.high90) == pytest.approx((alone.low, alone.high))


def test_many_boards_borrow_next_to_nothing(rng):
    group = np.repeat([0, 1, 2], 400)
    y = rng.normal(0, np.array([1.0, 2.0, 4.0])[group])
    for one, other in zip(
        compare_pairs(plain(group), y, confidence=0.95),
        compare_pairs(plain(group), y, confidence=0.95, method=Method.GAMES_HOWELL),
        strict=True,
    ):
        assert one.se == pytest.approx(other.se, rel=0.01)


class TestBlock:
    """The model with batches, here with unequal numbers and one wood missing from one batch."""

    GROUP = np.repeat([0, 1, 2], [4, 5, 6])
    BATCH = np.array([0, 0, 1, 1, 0, 1, 1, 2, 2, 0, 0, 1, 2, 2, 2])

    def shares(self):
        return np.eye(3)[self.BATCH]

    def ols(self, y):
        design = np.column_stack([np.eye(3)[self.GROUP], self.shares()[:, 1:]])
        return sm.OLS(y, design).fit()

    def test_pooled_contrasts_against_statsmodels_ols(self, rng):
        y = rng.normal(size=15) + self.GROUP + 10 * self.BATCH
        model = wood_model(self.GROUP, self.shares(), block=True)
        fit = self.ols(y)
        assert model.df == fit.df_resid
        for pair in compare_pairs(model, y, confidence=0.95, method=Method.TUKEY_KRAMER):
            contrast = np.zeros(5)
            contrast[[pair.a, pair.b]] = -1, 1
            test = fit.t_test(contrast)
            assert pair.difference == pytest.approx(test.effect.item())
            assert pair.se == pytest.approx(test.sd.item())

    def test_a_shift_of_a_whole_batch_changes_nothing(self, rng):
        y = rng.normal(size=15)
        model = wood_model(self.GROUP, self.shares(), block=True)
        for method in (Method.GAMES_HOWELL, Method.SHRUNKEN, Method.TUKEY_KRAMER):
            before = compare_pairs(model, y, confidence=0.95, method=method)
            after = compare_pairs(model, y + 7.0 * self.BATCH, confidence=0.95, method=method)
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
        leverage = [np.sum(np.diag(model.residual)[g == self.GROUP]) for g in range(3)]
        c = by_wood / np.array(leverage)
        form = model.residual @ np.diag(c[self.GROUP]) @ model.residual
        product = form @ np.diag(variances[self.GROUP])
        variance, df = model.contrast_variance(0, 2, variances)
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
        assert np.all(np.isfinite(all_pairs(model, y, confidence=0.95).p))

    def test_many_features_at_once_are_each_alone(self, rng):
        model = wood_model(self.GROUP, self.shares(), block=True)
        y = rng.normal(size=(7, 15))
        together = all_pairs(model, y, confidence=0.9)
        for i in range(7):
            for one, same in zip(
                compare_pairs(model, y[i], confidence=0.9), together.of(i), strict=True
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
