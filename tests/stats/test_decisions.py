"""Effect size, verdicts and `needed`: published examples first."""

from __future__ import annotations

import numpy as np
import pingouin
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from studylib import register
from studylib.codes.comparison import Verdict
from studylib.errors import InputError
from studylib.stats import scales
from studylib.stats.blocks import wood_model
from studylib.stats.decisions import hedges_factor, hedges_g, verdicts
from studylib.stats.pairs import pairs_of_means
from studylib.stats.power import MORE, fewest_sources, needed_range, pair_power
from studylib.words import numbers
from tests.stats.reference import table
from tests.stats.simulate import compare_pairs


class TestEffectSize:
    def test_exact_factor_against_the_table(self):
        # Hedges (1981), exact factor.
        rows = table("hedges_J.csv")
        for row in rows.itertuples():
            assert hedges_factor(row.df) == pytest.approx(row.J_exact, abs=1e-10)

    def test_g_against_pingouin(self, rng):
        # pingouin uses the approximate factor 1 - 3/(4m - 1): 0.15 % apart at m = 10.
        a, b = rng.normal(0, 1, 5), rng.normal(1, 1, 7)
        sd = np.sqrt((4 * a.var(ddof=1) + 6 * b.var(ddof=1)) / 10)
        g, _, _ = hedges_g(b.mean() - a.mean(), sd, 10, 1 / 5 + 1 / 7, confidence=0.95)
        assert g == pytest.approx(pingouin.compute_effsize(b, a, eftype="hedges"), rel=2e-3)

    @pytest.mark.parametrize("t", [0.0, 2.5, -4.0, 12.0])
    def test_interval_ends_put_the_observed_t_at_the_tails(self, t):
        weight, df = 0.5, 9
        _, low, high = hedges_g(t * np.sqrt(weight), 1.0, df, weight, confidence=0.95)
        assert stats.nct.sf(t, df, low / np.sqrt(weight)) == pytest.approx(0.025, abs=1e-6)
        assert stats.nct.cdf(t, df, high / np.sqrt(weight)) == pytest.approx(0.025, abs=1e-6)

    def test_interval_covers_the_population_value(self, rng):
        truth, runs, inside = 1.2, 3000, 0
        a, b = rng.normal(0, 1, (runs, 4)), rng.normal(truth, 1, (runs, 4))
        sd = np.sqrt((a.var(axis=1, ddof=1) + b.var(axis=1, ddof=1)) / 2)
        for d, s in zip(b.mean(axis=1) - a.mean(axis=1), sd, strict=True):
            _, low, high = hedges_g(d, s, 6, 0.5, confidence=0.95)
            inside += low <= truth <= high
        assert inside / runs == pytest.approx(0.95, abs=3 * np.sqrt(0.05 * 0.95 / runs))

    @pytest.mark.parametrize(("sd", "df"), [(0.0, 9), (np.nan, 9), (1.0, 1)])
    def test_no_spread_no_g(self, sd, df):
        assert np.all(np.isnan(hedges_g(1.0, sd, df, 0.5, confidence=0.95)))


DECLARED = dict(p_adjusted=0.01, p_beyond=0.2, p_within=0.2, p_same=0.2)


class TestVerdict:
    @pytest.mark.parametrize(
        ("changes", "word"),
        [
            ({"p_beyond": 0.02}, Verdict.BEYOND),
            ({"p_within": 0.02}, Verdict.WITHIN),
            ({}, Verdict.DIFFERENT),
            ({"p_beyond": np.nan, "p_within": np.nan, "p_same": np.nan}, Verdict.DIFFERENT),
            ({"p_adjusted": 0.06, "p_same": 0.04}, Verdict.SAME),
            ({"p_adjusted": 0.06, "p_within": 0.04}, Verdict.OPEN),
            ({"p_adjusted": 0.06, "p_same": np.nan}, Verdict.OPEN),
            ({"p_adjusted": 0.04, "p_same": 0.04}, Verdict.DIFFERENT),
            ({"p_adjusted": np.nan, "p_same": 0.01}, Verdict.OPEN),
            ({"p_adjusted": 0.05, "p_beyond": 0.05}, Verdict.BEYOND),
            ({"p_adjusted": 0.0500001}, Verdict.OPEN),
        ],
    )
    def test_words(self, changes, word):
        p = [np.array([value]) for value in {**DECLARED, **changes}.values()]
        assert verdicts(*p, confidence=0.95).tolist() == [word]

    def test_two_one_sided_tests_on_lakens_example(self):
        # Lakens (2017): 5.25 (SD 0.95, n 95), 5.22 (0.83, n 89), bound +-0.3835687;
        # 90 % interval -0.187084 to 0.247084 and p 0.000956 and 0.003876 (Welch), computed.
        rng = np.random.default_rng(1)

        def exactly(mean, sd, n):
            x = rng.normal(size=n)
            return mean + sd * (x - x.mean()) / x.std(ddof=1)

        a, b = exactly(5.22, 0.83, 89), exactly(5.25, 0.95, 95)
        group = np.repeat([0, 1], [89, 95])
        model = wood_model(group, np.ones((184, 1)), block=False)
        (pair,) = compare_pairs(model, np.concatenate([a, b]), confidence=0.95)
        # By 181 degrees of freedom; here there are at most twice 88.
        assert pair.same(0.3835687) == pytest.approx(0.003876, abs=1e-5)
        assert pair.same(0.247084) == pytest.approx(0.05, abs=5e-5)
        compared = CompareMeans(DescrStatsW(b), DescrStatsW(a))
        for limit in (0.3835687, 0.24, 0.25):
            p = compared.ttost_ind(-limit, limit, usevar="unequal")[0]
            assert pair.same(limit) == pytest.approx(p, rel=5e-3)


class TestNeeded:
    @pytest.mark.parametrize(("d", "n"), [(0.5, 64), (0.8, 26)])
    def test_two_groups_against_cohen_1992(self, d, n):
        # Cohen (1992), Table 2, two means, alpha 0.05, power 0.80 (from memory); with spreads known
        # on many degrees of freedom the range is this number.
        args = dict(difference=d, variance_a=1.0, variance_b=1.0, woods=2, alpha=0.05)
        assert needed_range(1e7, **args) == str(n)

    def test_the_range_is_that_of_the_spreads(self):
        # Chi-square on 5 degrees of freedom, its 20 % and 80 % points: 2.343 and 7.289 (tables).
        args = dict(difference=1.0, woods=2, alpha=0.05)
        ends = [
            fewest_sources(lambda n, v=v: pair_power(n, variance_a=v, variance_b=v, **args)).sources
            for v in (5 / 7.289, 5 / 2.343)
        ]
        found = needed_range(5.0, variance_a=1.0, variance_b=1.0, **args)
        assert found == f"{ends[0]} to {ends[1]}"

    def test_the_larger_number_is_enough_in_four_of_five_studies(self, rng):
        # The true spreads are 1; each study finds its own, and asks for its own number.
        n, runs, enough, too_few = 5, 300, 0, 0
        args = dict(difference=2.0, woods=2, alpha=0.05)
        truth = fewest_sources(lambda k: pair_power(k, variance_a=1.0, variance_b=1.0, **args))
        for s in rng.chisquare(n - 1, (runs, 2)) / (n - 1):
            df = 4 * np.sum(s) ** 2 / np.sum(s**2)
            found = needed_range(df, variance_a=s[0], variance_b=s[1], **args).split(" to ")
            enough += int(found[-1]) >= truth.sources
            too_few += int(found[0]) > truth.sources
        error = 3 * np.sqrt(0.8 * 0.2 / runs)
        assert enough / runs == pytest.approx(0.8, abs=error + 0.03)
        assert too_few / runs == pytest.approx(0.2, abs=error + 0.03)

    @pytest.mark.parametrize(("n", "d"), [(3, 2.0), (5, 1.5), (12, 1.0), (40, 0.4)])
    def test_power_of_two_groups_against_statsmodels(self, n, d):
        expected = TTestIndPower().power(d, n, 0.05, ratio=1.0, alternative="two-sided")
        found = pair_power(n, difference=d, variance_a=1.0, variance_b=1.0, woods=2, alpha=0.05)
        assert found == pytest.approx(expected, abs=1e-6)

    def test_power_of_three_unequal_woods_by_simulation(self, rng):
        n, runs, variances = 6, 3000, np.array([1.0, 4.0, 1.0])
        means = np.array([0.0, 3.0, 0.0]) + rng.normal(0, np.sqrt(variances / n), (runs, 3))
        drawn = variances * rng.chisquare(n - 1, (runs, 3)) / (n - 1)
        hits = pairs_of_means(means, drawn, np.full(3, n), np.full(3, n - 1)).closed[:, 0] <= 0.05
        found = pair_power(n, difference=3.0, variance_a=1.0, variance_b=4.0, woods=3, alpha=0.05)
        # The pair by itself at the first step: another pair can open the way for it.
        assert 0 < hits.mean() - found < 0.15

    def test_more_than_a_thousand(self):
        args = dict(variance_a=1.0, variance_b=1.0, woods=3, alpha=0.05)
        assert needed_range(6.0, difference=0.01, **args) == MORE
        assert needed_range(6.0, difference=0.0, **args) == MORE
        assert needed_range(6.0, difference=0.13, **args).endswith(f" to {MORE}")
        assert needed_range(6.0, difference=1000.0, **args) == "2"

    def test_more_features_and_a_block_ask_for_more(self):
        args = dict(difference=1.0, variance_a=1.0, variance_b=1.0, woods=3)
        plain = pair_power(12, alpha=0.05, **args)
        assert pair_power(12, alpha=0.05 / 3, **args) < plain
        assert pair_power(12, alpha=0.05, block_columns=6, **args) < plain


class TestScales:
    def test_percent_cents_and_limits(self):
        decay, level = register.find("tap.m1.decay_time_s"), register.find("tone.h3.rel_db")
        assert scales.reported_difference(np.log(1.05), decay) == pytest.approx(5.0)
        assert scales.reported_difference(-0.7, level) == -0.7
        assert scales.analysis_limit(1.05, decay) == pytest.approx(np.log(1.05))
        assert scales.reported_limit(1.05, decay) == pytest.approx(5.0)
        assert numbers.cents_from_percent(100.0) == pytest.approx(1200.0)
        assert numbers.cents_from_percent(100 * (2 ** (1 / 12) - 1)) == pytest.approx(100.0)

    @pytest.mark.parametrize(
        ("name", "limit"),
        [("tap.m1.decay_time_s", 1.0), ("tap.m1.decay_time_s", 0.05), ("tone.h3.rel_db", 0.0),
         ("tone.h3.rel_db", -1.0), ("tone.h3.rel_db", np.nan)],
    )  # fmt: skip
    def test_a_limit_that_is_none(self, name, limit):
        with pytest.raises(InputError, match=name):
            scales.analysis_limit(limit, register.find(name))

    def test_values_without_a_logarithm_are_missing(self):
        values = scales.analysis_values(
            np.array([1.0, 0.0, -1.0, np.inf, -3.0]), np.array(["log"] * 4 + ["db"])
        )
        assert values[0] == 0.0
        assert np.isnan(values[1:4]).all()
        assert values[4] == -3.0


def test_a_huge_effect_has_its_interval_at_once_and_without_a_step():
    for sign in (1.0, -1.0):
        below, above = (
            np.array(hedges_g(sign * t * 0.5, 1.0, 9, 0.25, confidence=0.95)[1:]) / t
            for t in (299.9, 300.1)
        )
        assert np.allclose(below, above, rtol=5e-4)
        _, low, high = hedges_g(sign * 1e7, 1.0, 9, 0.25, confidence=0.95)
        assert low < sign * 1e7 < high
