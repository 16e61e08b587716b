"""Effect size, multiplicity, verdicts and `needed`: published examples first."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pingouin
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestIndPower
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW

from studylib import register
from studylib.codes.comparison import Verdict
from studylib.errors import InputError
from studylib.stats import scales
from studylib.stats.blocks import wood_model
from studylib.stats.decisions import (
    false_discovery_rate,
    hedges_factor,
    hedges_g,
    holm,
    holm_over_features,
    verdict,
)
from studylib.stats.pairs import compare_pairs, tukey_kramer_rate
from studylib.stats.power import MORE, pair_power, sources_needed
from studylib.words import numbers
from tests.stats.reference import table


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


class TestMultiplicity:
    def test_benjamini_hochberg_1995(self):
        # Benjamini & Hochberg (1995), 15 p-values: 4 rejected at 0.05.
        rows = table("bh1995_pvalues.csv")
        q = false_discovery_rate(rows["p"])
        assert q.to_numpy() == pytest.approx(rows["bh"].to_numpy(), abs=5e-7)
        assert (q <= 0.05).sum() == 4

    def test_holm_on_the_same_values_one_pair_a_feature(self):
        rows = table("bh1995_pvalues.csv")
        feature = pd.Series([f"f{i}" for i in range(15)])
        adjusted = holm_over_features(rows["p"], feature)
        assert adjusted.to_numpy() == pytest.approx(rows["holm"].to_numpy(), abs=5e-7)
        assert (adjusted <= 0.05).sum() == 3

    def test_holm_takes_each_features_smallest_pair(self):
        p = pd.Series([0.010, 0.5, 0.03, 0.04, np.nan])
        feature = pd.Series(["a", "a", "b", "b", "c"])
        adjusted = holm_over_features(p, feature)
        assert adjusted.to_numpy()[:4] == pytest.approx([0.02, 0.5, 0.03, 0.04])
        assert np.isnan(adjusted[4])

    def test_both_against_statsmodels(self, rng):
        for n in (1, 2, 7, 40):
            p = np.round(rng.random(n) ** 3, 2)  # with ties
            assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
            q = false_discovery_rate(pd.Series(p)).to_numpy()
            assert q == pytest.approx(multipletests(p, method="fdr_bh")[1])

    def test_missing_p_do_not_count(self):
        p = pd.Series([0.01, np.nan, 0.02])
        assert false_discovery_rate(p).to_numpy()[[0, 2]] == pytest.approx([0.02, 0.02])
        assert false_discovery_rate(pd.Series([np.nan])).isna().all()


DECLARED = dict(p_adjusted=0.01, confidence=0.95, low=1.5, high=3.0, low90=1.6, high90=2.9)


class TestVerdict:
    @pytest.mark.parametrize(
        ("changes", "word"),
        [
            ({"limit": 1.0}, Verdict.BEYOND),
            ({"limit": 1.0, "low": -3.0, "high": -1.5}, Verdict.BEYOND),
            ({"limit": 4.0}, Verdict.WITHIN),
            ({"limit": 2.0}, Verdict.DIFFERENT),
            ({"limit": None}, Verdict.DIFFERENT),
            ({"limit": 4.0, "p_adjusted": 0.06}, Verdict.SAME),
            ({"limit": 2.0, "p_adjusted": 0.06}, Verdict.OPEN),
            ({"limit": 2.95, "p_adjusted": 0.06}, Verdict.SAME),
            ({"limit": None, "p_adjusted": 0.06}, Verdict.OPEN),
            ({"limit": 1.0, "p_adjusted": np.nan}, Verdict.OPEN),
            ({"limit": 1.0, "p_adjusted": 0.05}, Verdict.BEYOND),
            ({"limit": 1.0, "p_adjusted": 0.0500001}, Verdict.OPEN),
        ],
    )
    def test_words(self, changes, word):
        assert verdict(**{**DECLARED, **changes}) == word

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
        assert (pair.low90, pair.high90) == pytest.approx((-0.187084, 0.247084), abs=1e-6)
        compared = CompareMeans(DescrStatsW(b), DescrStatsW(a))
        for limit in (0.3835687, 0.24, 0.25):
            p = compared.ttost_ind(-limit, limit, usevar="unequal")[0]
            word = verdict(
                p_adjusted=pair.p, confidence=0.95, low=pair.low, high=pair.high,
                low90=pair.low90, high90=pair.high90, limit=limit,
            )  # fmt: skip
            assert (word == Verdict.SAME) == (p < 0.05)


class TestNeeded:
    @pytest.mark.parametrize(("d", "n"), [(0.5, 64), (0.8, 26)])
    def test_two_groups_against_cohen_1992(self, d, n):
        # Cohen (1992), Table 2, two means, alpha 0.05, power 0.80 (from memory).
        assert n == sources_needed(
            difference=d, variance_a=1.0, variance_b=1.0, pooled=1.0, woods=2, alpha=0.05
        )

    @pytest.mark.parametrize(("n", "d"), [(3, 2.0), (5, 1.5), (12, 1.0), (40, 0.4)])
    def test_power_of_two_groups_against_statsmodels(self, n, d):
        expected = TTestIndPower().power(d, n, 0.05, ratio=1.0, alternative="two-sided")
        found = pair_power(
            n, difference=d, variance_a=1.0, variance_b=1.0, pooled=1.0, woods=2, alpha=0.05
        )
        assert found == pytest.approx(expected, abs=1e-6)

    def test_power_of_three_unequal_woods_by_simulation(self, rng):
        n, runs, variances = 6, 1500, (1.0, 4.0, 1.0)
        group = np.repeat([0, 1, 2], n)
        model = wood_model(group, np.ones((3 * n, 1)), block=False)
        hits = 0
        for _ in range(runs):
            y = rng.normal(np.array([0.0, 3.0, 0.0])[group], np.sqrt(variances)[group])
            hits += compare_pairs(model, y, confidence=0.95)[0].p <= 0.05
        found = pair_power(
            n, difference=3.0, variance_a=1.0, variance_b=4.0, pooled=2.0, woods=3, alpha=0.05
        )
        # The formula takes the degrees of freedom at their expected spreads and whole.
        assert found == pytest.approx(hits / runs, abs=0.05)

    def test_more_than_a_thousand(self):
        args = dict(variance_a=1.0, variance_b=1.0, pooled=1.0, woods=3, alpha=0.05)
        assert sources_needed(difference=0.01, **args) == MORE
        assert sources_needed(difference=0.0, **args) == MORE
        assert sources_needed(difference=100.0, **args) == 2

    def test_holms_first_step_and_a_block_ask_for_more(self):
        args = dict(difference=1.0, variance_a=1.0, variance_b=1.0, pooled=1.0, woods=3)
        plain = sources_needed(alpha=0.05, **args)
        assert sources_needed(alpha=0.05 / 3, **args) > plain
        assert sources_needed(alpha=0.05, block_columns=6, **args) >= plain


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


class TestErrorRate:
    def model(self, *counts, batches=1):
        group = np.repeat(np.arange(len(counts)), counts)
        batch = np.concatenate([np.arange(n) % batches for n in counts])
        return wood_model(group, np.eye(batches)[batch], block=batches > 1)

    def test_equal_spreads_keep_the_rate(self):
        assert tukey_kramer_rate(self.model(3, 3, 3), 0.95, 1.0) == pytest.approx(0.05, abs=0.006)

    def test_threefold_spreads_break_it(self):
        rate = tukey_kramer_rate(self.model(3, 3, 3), 0.95)
        assert 0.07 < rate < 0.12
        # Two unequal groups, the smaller one with the larger spread: the worst case.
        assert tukey_kramer_rate(self.model(2, 3), 0.95) > tukey_kramer_rate(self.model(3, 3), 0.95)

    def test_the_block_of_the_design_counts(self):
        # One board of each of two woods a batch is the paired t test, which unequal spreads
        # do not touch; without the batches the same boards are beyond the stated rate.
        assert tukey_kramer_rate(self.model(3, 3, batches=3), 0.95) == pytest.approx(
            0.05, abs=0.005
        )
        assert tukey_kramer_rate(self.model(3, 3), 0.95) > 0.065


def test_a_huge_effect_has_its_interval_at_once_and_without_a_step():
    for sign in (1.0, -1.0):
        below, above = (
            np.array(hedges_g(sign * t * 0.5, 1.0, 9, 0.25, confidence=0.95)[1:]) / t
            for t in (299.9, 300.1)
        )
        assert np.allclose(below, above, rtol=5e-4)
        _, low, high = hedges_g(sign * 1e7, 1.0, 9, 0.25, confidence=0.95)
        assert low < sign * 1e7 < high
