"""REML of nested components and the mixed model's degrees of freedom: published tables first.

Values without another source were computed with R 4.2.2 (lme4 1.1-31, lmerTest 3.1-3, pbkrtest
0.5.2) on the tables in tests/reference.
"""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM

from studylib.stats import reml
from studylib.stats.compare import compare
from studylib.stats.mixed import contrast_test
from studylib.stats.reml import deviance, fit_reml, reml_design
from tests.stats.reference import table
from tests.stats.simulate import WOODS, features_table, specimens_table


def dummies(column: pd.Series) -> np.ndarray:
    return pd.get_dummies(column).to_numpy(float)


def nested_in(outer: pd.Series, inner: pd.Series) -> np.ndarray:
    return (outer.astype(str) + "/" + inner.astype(str)).to_numpy()


def counted(step, taken):
    def and_count(*arguments):
        taken.append(1)
        return step(*arguments)

    return and_count


class TestPublishedComponents:
    def test_dyestuff(self):
        # lme4 Dyestuff: SD 42.00060 and 49.51010, REML criterion 319.65428.
        data = table("dyestuff.csv")
        fit = fit_reml(reml_design(np.ones((30, 1)), [data["batch"]]), data["yield"])
        assert np.sqrt(fit.components[0]) == pytest.approx([49.51010, 42.00060], rel=1e-6)
        assert fit.deviance[0] == pytest.approx(319.65428, abs=1e-5)

    def test_dyestuff2_lies_at_the_boundary(self):
        # lme4 Dyestuff2: batch exactly 0, residual SD 3.715684.
        data = table("dyestuff2.csv")
        fit = fit_reml(reml_design(np.ones((30, 1)), [data["batch"]]), data["yield"])
        assert fit.components[0, 1] == 0.0
        assert np.sqrt(fit.components[0, 0]) == pytest.approx(3.715684, rel=1e-6)
        assert fit.converged.all()

    @pytest.mark.parametrize("offset", [1e5, 1e8])
    def test_a_search_ends_where_rounding_hides_what_is_left_to_gain(self, offset, monkeypatch):
        # Far from zero the last digits of the likelihood are noise.
        steps, boards = [], np.repeat(np.arange(20), 3)
        design = reml_design(np.ones((60, 1)), [boards, boards // 2])
        monkeypatch.setattr(reml, "_improved", counted(reml._improved, steps))
        y = np.random.default_rng(5).standard_normal((20, 60))
        assert np.isfinite(fit_reml(design, y + offset).components).all()
        assert len(steps) < 0.5 * reml.MOST_STEPS

    def test_pastes(self):
        # lme4 Pastes: SD 2.904077 (cask), 1.287366 (batch), 0.823408; criterion 246.99075.
        data = table("pastes.csv")
        design = reml_design(
            np.ones((60, 1)), [nested_in(data["batch"], data["cask"]), data["batch"]]
        )
        fit = fit_reml(design, data["strength"])
        assert np.sqrt(fit.components[0]) == pytest.approx([0.823408, 2.904077, 1.287366], rel=2e-6)
        assert fit.deviance[0] == pytest.approx(246.99075, abs=1e-5)

    def test_hemmerle_hartley(self):
        # REML of SAS/STAT VARCOMP's example: b 1464.351, a*b 26.9588, error 78.84248.
        data = table("hemmerle_hartley.csv")
        design = reml_design(dummies(data["a"]), [nested_in(data["a"], data["b"]), data["b"]])
        fit = fit_reml(design, data["y"])
        assert fit.components[0] == pytest.approx([78.84248, 26.9588, 1464.351], rel=2e-5)

    def test_turnip_leaves_are_the_exact_analysis_of_variance(self):
        # SAS/STAT NESTED Example 62.1: 0.365223, 0.161060, 0.006654.
        data = table("turnip.csv")
        design = reml_design(
            np.ones((len(data), 1)), [nested_in(data["plant"], data["leaf"]), data["plant"]]
        )
        fit = fit_reml(design, data["calcium"])
        assert fit.components[0] == pytest.approx([0.006654, 0.161060, 0.365223], abs=6e-7)


@pytest.fixture(scope="module")
def oats():
    data = table("oats.csv")
    data = data[data["left_out"] == 0]
    fixed = np.hstack([dummies(data["variety"]), dummies(data["nitro"])[:, 1:]])
    plots = nested_in(data["block"], data["variety"])
    return fit_reml(reml_design(fixed, [plots, data["block"]]), data["yield"])


class TestPublishedDegreesOfFreedom:
    """Unbalanced oats: emmeans 2.0.1 prints the first digits, R gives the others."""

    def test_components(self, oats):
        assert oats.components[0] == pytest.approx([180.49228, 76.284852, 209.44063], rel=1e-6)

    @pytest.mark.parametrize(
        ("contrast", "estimate", "se", "df"),
        [((1, -1, 0), -3.228698, 6.553848, 9.555530), ((1, 0, -1), 8.306350, 6.707935, 9.804162),
         ((0, 1, -1), 11.535048, 6.670488, 9.801457)],
    )  # fmt: skip
    def test_pairs_of_varieties_kenward_roger(self, oats, contrast, estimate, se, df):
        found = contrast_test(oats, [*contrast, 0, 0, 0])
        assert found.difference[0] == pytest.approx(estimate, rel=1e-6)
        assert found.se[0] == pytest.approx(se, rel=1e-6)
        assert found.df[0] == pytest.approx(df, rel=1e-6)

    @pytest.mark.parametrize(
        ("level", "se", "df", "satterthwaite"),
        [(0, 7.294380, 7.783204, 7.283792), (1, 7.136272, 7.191432, 6.715341),
         (2, 7.136188, 7.191736, 6.715821), (3, 7.070237, 6.954557, 6.492508)],
    )  # fmt: skip
    def test_means_of_nitrogen_both_ways(self, oats, level, se, df, satterthwaite):
        found = contrast_test(oats, [1 / 3, 1 / 3, 1 / 3, *np.eye(4)[level][1:]])
        assert found.se[0] == pytest.approx(se, rel=1e-6)
        assert found.df[0] == pytest.approx(df, rel=1e-6)
        assert found.satterthwaite[0] == pytest.approx(satterthwaite, rel=2e-6)

    def test_shoes(self):
        # pbkrtest 0.5.4: KR F 5.9893 on 7.0219, Satterthwaite 6.00 on 7.010863.
        data = table("shoes.csv")
        data = data[data["left_out"] == 0]
        fixed = np.column_stack([np.ones(len(data)), data["material"] == "B"])
        fit = fit_reml(reml_design(fixed, [data["boy"]]), data["wear"])
        assert fit.components[0] == pytest.approx([0.079974136, 6.299344117], rel=1e-5)
        one = contrast_test(fit, [0, 1])
        assert (one.difference[0] / one.se[0]) ** 2 == pytest.approx(5.98932, rel=2e-6)
        assert one.df[0] == pytest.approx(7.021904, rel=2e-6)
        assert one.difference[0] ** 2 / fit.covariance[0, 1, 1] == pytest.approx(5.99874, rel=2e-6)
        assert one.satterthwaite[0] == pytest.approx(7.01086, rel=1e-6)

    def test_shoes_balanced_are_the_paired_t_test(self):
        # Box, Hunter & Hunter: t -3.3489 on 9; F 11.21497.
        data = table("shoes.csv")
        fixed = np.column_stack([np.ones(20), data["material"] == "B"])
        fit = fit_reml(reml_design(fixed, [data["boy"]]), data["wear"])
        one = contrast_test(fit, [0, 1])
        assert (one.difference[0] / one.se[0]) ** 2 == pytest.approx(11.21497, rel=1e-6)
        assert one.df[0] == pytest.approx(9.0, rel=1e-6)

    def test_purity(self):
        data = table("purity_unbalanced.csv")
        batches = nested_in(data["supplier"], data["batch"])
        fit = fit_reml(reml_design(dummies(data["supplier"]), [batches]), data["purity"])
        assert fit.components[0] == pytest.approx([2.945863557, 1.951938325], rel=1e-6)
        for contrast, difference in (((-1, 1, 0), 0.9713833413), ((-1, 0, 1), 0.9047458089)):
            pair = contrast_test(fit, contrast)
            assert pair.difference[0] == pytest.approx(difference, rel=1e-7)
            plain_se = np.sqrt(contrast @ fit.covariance[0] @ contrast)
            assert plain_se == pytest.approx(1.3171043465, rel=1e-7)
            assert pair.satterthwaite[0] == pytest.approx(9.337701307, rel=1e-6)


@pytest.fixture(scope="module")
def uneven():
    """60 unbalanced studies, some with components at zero: design of takes and of mounts."""
    rng = np.random.default_rng(172)
    kept = rng.random(108) > 0.25
    wood, board, mount = (np.repeat(np.arange(n), 108 // n)[kept] for n in (3, 12, 36))
    y = (
        rng.choice([0, 0.3, 1.5], (60, 1)) * rng.standard_normal((60, 12))[:, board]
        + rng.choice([0, 0.3, 1.0], (60, 1)) * rng.standard_normal((60, 36))[:, mount]
        + 0.5 * rng.standard_normal((60, kept.sum()))
    )
    return wood, board, mount, y


def by_mounts(wood, board, mount, y):
    _, row, index, counts = np.unique(
        mount, return_index=True, return_inverse=True, return_counts=True
    )
    means = np.array([np.bincount(index, weights=each) / counts for each in y])
    design = reml_design(np.eye(3)[wood[row]], [mount[row], board[row]], counts=counts)
    return design, means, np.sum((y - means[:, index]) ** 2, axis=1)


class TestFit:
    def test_means_of_mounts_hold_the_whole_likelihood(self, uneven):
        wood, board, mount, y = uneven
        whole = fit_reml(reml_design(np.eye(3)[wood], [mount, board]), y)
        design, means, within = by_mounts(*uneven)
        short = fit_reml(design, means, within=within)
        assert short.deviance == pytest.approx(whole.deviance, abs=1e-8)
        assert short.components == pytest.approx(whole.components, abs=1e-6)
        for one, other in zip(
            vars(contrast_test(whole, [-1, 1, 0])).values(),
            vars(contrast_test(short, [-1, 1, 0])).values(),
            strict=True,
        ):
            assert other == pytest.approx(one, rel=1e-5)

    def test_against_statsmodels_inside_and_at_the_boundary(self, uneven):
        wood, board, mount, y = uneven
        design, means, within = by_mounts(*uneven)
        fit = fit_reml(design, means, within=within)
        inside = 0
        for i in range(0, 60, 4):
            frame = pd.DataFrame({"y": y[i], "wood": wood, "board": board, "mount": mount})
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                model = MixedLM.from_formula(
                    "y ~ C(wood)", frame, groups="board", re_formula="1",
                    vc_formula={"m": "0 + C(mount)"},
                )  # fmt: skip
                # Its default stops early; from there it is told to go to the top.
                first = model.fit(reml=True).params_object
                theirs = model.fit(reml=True, start_params=first, method="bfgs", gtol=1e-9)
            found = np.array([theirs.scale, theirs.vcomp[0], theirs.cov_re.iloc[0, 0]])
            their_deviance = deviance(design, means[i], found, within=within[i : i + 1])[0]
            assert fit.deviance[i] <= their_deviance + 1e-6
            if fit.components[i].min() > 0.05:
                assert fit.components[i] == pytest.approx(found, rel=1e-3)
                inside += 1
        assert inside >= 3

    def test_every_start_ends_at_the_same_top(self, uneven, rng):
        design, means, within = by_mounts(*uneven)
        fit = fit_reml(design, means, within=within)
        assert fit.converged.all()
        for _ in range(3):
            start = rng.exponential(1.0, (60, 3))
            other = fit_reml(design, means, within=within, start=start)
            assert other.deviance == pytest.approx(fit.deviance, abs=1e-8)

    def test_the_boundary_is_exact_and_a_top(self, uneven):
        design, means, within = by_mounts(*uneven)
        fit = fit_reml(design, means, within=within)
        at_zero = fit.components[:, 1:] == 0.0
        assert 5 < at_zero.sum() < 110
        without = np.where(fit.components < 1e-3, 0.0, fit.components)
        assert np.all(deviance(design, means, without, within=within) >= fit.deviance - 1e-12)
        for k in (0, 1, 2):
            for factor in (0.97, 1.03):
                moved = fit.components.copy()
                moved[:, k] = np.maximum(moved[:, k], 0.02 / 3) * factor
                at = deviance(design, means, moved, within=within)
                assert np.all(at >= fit.deviance - 1e-9)

    def test_units_do_not_matter(self, uneven):
        design, means, within = by_mounts(*uneven)
        fit = fit_reml(design, means, within=within)
        big = fit_reml(design, 1e4 * means + 7e5, within=1e8 * within)
        assert big.components == pytest.approx(1e8 * fit.components, rel=1e-4, abs=1.0)
        one, other = (contrast_test(f, [-1, 1, 0]) for f in (fit, big))
        assert other.df == pytest.approx(one.df, rel=1e-3)
        assert other.se == pytest.approx(1e4 * one.se, rel=1e-4)

    def test_a_feature_without_spread_is_missing(self):
        design = reml_design(np.ones((6, 1)), [np.repeat([0, 1, 2], 2)])
        fit = fit_reml(design, np.array([[5.0] * 6, [1.0, 2, 3, 4, 5, 7]]))
        assert np.isnan(fit.components[0]).all()
        assert np.isfinite(fit.components[1]).all()
        assert list(fit.converged) == [False, True]


class TestSecondOpinion:
    def test_a_balanced_study_is_told_what_tukey_says_of_its_boards(self, rng):
        # One spread for all woods, on the means of three boards each.
        specimens = specimens_table((3, 3, 3))
        names = [f"tone.h{k}.rel_db" for k in range(2, 8)]
        rows = features_table(specimens, rng, names=names, board_sd=3.0)
        result = compare(rows, specimens, woods=WOODS, primary=names)
        second = result.second_opinion
        assert len(second) == 18
        effects = result.effects
        assert second["difference"].to_numpy() == pytest.approx(effects["difference"].to_numpy())
        assert second["df"].to_numpy() == pytest.approx(6.0, rel=1e-6)
        for name, own in second.groupby("feature", sort=False):
            boards = result.unit_means[result.unit_means["feature"] == name]
            tukey = stats.tukey_hsd(*(boards.loc[boards["wood"] == w, "value"] for w in WOODS))
            expected = [tukey.pvalue[a, b] for a, b in ((0, 1), (0, 2), (1, 2))]
            assert own["p"].to_numpy() == pytest.approx(expected, abs=1e-6)
        closed = [pair.closed for name in names for pair in result.workings.first[name]]
        assert second["first_p"].to_numpy() == pytest.approx(closed)

    def test_a_source_spread_of_zero_does_not_make_boards_of_mounts(self, rng):
        specimens = specimens_table((4, 4, 4))
        names = [f"tone.h{k}.rel_db" for k in range(2, 42)]
        rows = features_table(specimens, rng, names=names, board_sd=0.0, take_sd=0.2)
        rows = rows.drop(rows.sample(60, random_state=1).index)
        second = compare(rows, specimens, woods=WOODS, primary=[]).second_opinion
        zero = second["note"] != ""
        assert 20 < zero.sum() < 110
        # 36 mounts would give 33.
        assert second.loc[zero, "df"].median() < 16
