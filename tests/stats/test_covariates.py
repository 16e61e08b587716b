"""Covariates: against a published analysis of covariance, statsmodels, and studies of known truth.

Outside references: Snedecor and Cochran's leprosy scores with the results printed in the SAS/STAT
User's Guide; ordinary least squares of statsmodels, its residuals and leverages for a spread of
each wood's own; the closed formula of attenuation. The studies simulated here state their truth;
how often such studies are wrong is in test_covariate_truth.
"""

from __future__ import annotations

from functools import partial
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats

from studylib.codes import code_of, each, fields_of, has, note
from studylib.errors import InputError
from studylib.stats.adjusted import adjust, spans
from studylib.stats.blocks import wood_model
from studylib.stats.compare import compare
from studylib.stats.covariates import analyse_covariates, covariate_quantity, covariate_values
from studylib.stats.pairs import critical
from studylib.tables import TABLES
from studylib.words import say
from tests.stats.reference import table
from tests.stats.simulate import WOODS, features_table, specimens_table

LEVEL, LOG = "tone.h3.rel_db", "tap.m1.decay_time_s"
FIRST = [
    *("feature", "covariate", "wood_a", "wood_b", "unit", "difference_without", "low_without"),
    *("high_without", "difference_with", "low_with", "high_with", "slope", "slope_low"),
    *("slope_high", "slope_unit", "df", "overlap", "p_slopes_differ", "n_a", "n_b", "note"),
]


def study(y, x, wood, *, feature=LEVEL, batch=None, source=None, covariate="thickness_mm"):
    """Boards with one mount each, as the frames that the analysis reads, and their specimens."""
    count = len(y)
    names = [f"B{i}" for i in range(count)]
    means = pd.DataFrame(
        {
            "feature": feature,
            "specimen": names,
            "wood": wood,
            "source": names if source is None else source,
            "role": "",
            "batch": "day 1" if batch is None else batch,
            "mount": 1,
            "value": y,
        }
    )
    coverage = pd.DataFrame(
        {"feature": [feature], "wood": ["all"], "compared": [True], "reason": [""]}
    )
    specimens = pd.DataFrame({"specimen": names, "wood": wood, "role": "", covariate: x})
    return SimpleNamespace(mount_means=means, coverage=coverage), specimens


def analysed(y, x, wood, *, woods=None, confidence=0.95, feature=LEVEL, u=None, **options):
    """u : standard uncertainty of x; None where it is not stated."""
    woods = woods or list(dict.fromkeys(wood))
    frames, specimens = study(y, x, wood, feature=feature, **options)
    return analyse_covariates(
        frames, specimens, woods=woods, features=[feature], confidence=confidence,
        uncertainties={} if u is None else {"thickness_mm": u},
    )  # fmt: skip


def fitted(y, x, group, *, u=0.0, batch=None):
    """One feature and covariate by itself."""
    shares = np.ones((len(y), 1)) if batch is None else pd.get_dummies(batch).to_numpy(float)
    design = partial(wood_model, np.asarray(group), shares, block=batch is not None)
    return adjust(
        design, np.asarray(y), np.asarray(x), error=np.full(len(y), u**2), confidence=0.95
    )


def sandwich(theirs, wood, weights):
    """Variance of a weighted sum of parameters of statsmodels' fit, each wood with its own spread:
    squares of the residuals over the sum of 1 - leverage."""
    left = 1.0 - theirs.get_influence().hat_matrix_diag
    squares = pd.Series(np.asarray(theirs.resid) ** 2).groupby(np.asarray(wood)).sum()
    own = squares / pd.Series(left).groupby(np.asarray(wood)).sum()
    of_y = np.asarray(weights) @ np.linalg.pinv(theirs.model.exog)
    return float(of_y**2 @ own[np.asarray(wood)].to_numpy())


def told(cell, code):
    """The fields of the note of this code in a cell."""
    (found,) = [fields_of(one) for one in each(cell) if code_of(one) == code]
    return found


def boards(rng, *, counts=(6, 6), density=(0.0, 0.5), slope=1.0, effect=(0.0, 0.0), sd=0.3):
    """y, x, wood of boards: y = effect + slope * x + noise, x normal round the wood's density."""
    wood = np.repeat(np.array(WOODS)[: len(counts)], counts)
    x = np.repeat(density, counts) + rng.normal(0, 1, len(wood))
    y = np.repeat(effect, counts) + slope * x + rng.normal(0, sd, len(wood))
    return y, x, list(wood)


class TestPublished:
    @pytest.fixture
    def fit(self):
        data = table("leprosy.csv")
        group = pd.Index(list("ADF")).get_indexer(data["drug"])
        return fitted(data["after"].to_numpy(float), data["before"].to_numpy(float), group)

    def test_slope_and_spread(self, fit):
        # Printed: slope 0.987183811 (0.16449757), mean square for error 16.046254 with 26 df.
        pooled = fit.held.pooled_variance(fit.y)
        assert fit.slope(0.95)[0] == pytest.approx(0.987183811, abs=5e-10)
        assert np.sqrt(pooled * fit.weights @ fit.weights) == pytest.approx(0.16449757, abs=5e-9)
        assert (pooled, fit.held.df) == (pytest.approx(16.046254, abs=5e-7), 26)

    def test_adjusted_differences(self, fit):
        # Printed parameters: A minus F -3.446138280 (1.88678065), D minus F -3.337166948
        # (1.85386642), with one spread for all.
        pooled = fit.held.pooled_variance(fit.y)
        for wood, printed in ((0, (-3.446138280, 1.88678065)), (1, (-3.337166948, 1.85386642))):
            weights = fit.held.contrast(2, wood)
            error = np.sqrt(pooled * weights @ weights)
            assert (weights @ fit.y, error) == pytest.approx(printed, abs=5e-9)

    def test_adjusted_means(self, fit):
        # Printed least-squares means at the mean score: 6.7149635, 6.8239348, 10.1611017.
        own = fit.plain.weights
        at_mean = own + (fit.x.mean() - own @ fit.x)[:, np.newaxis] * fit.weights
        means = list(at_mean @ fit.y)
        assert means == pytest.approx([6.7149635, 6.8239348, 10.1611017], abs=5e-8)

    def test_the_table_gives_the_same(self):
        data = table("leprosy.csv")
        found = analysed(data["after"], data["before"], list(data["drug"]), u=0.0).table
        assert found["difference_without"].to_numpy() == pytest.approx([0.8, 7.0, 6.2])
        assert found["difference_with"].iloc[1:].to_numpy() == pytest.approx([3.446138, 3.337167])
        assert (found["reliability"] == 1.0).all()


class TestAgainstStatsmodels:
    @pytest.fixture
    def data(self, rng):
        y, x, wood = boards(rng, counts=(5, 4, 7), density=(0, 1, 2), effect=(0, 1, 3), sd=1.0)
        return pd.DataFrame({"y": y, "x": x, "wood": wood, "b": ["1", "2"] * 8})

    @pytest.mark.parametrize("blocked", [True, False])
    def test_slope_difference_and_their_errors(self, data, blocked):
        batch, more = (data["b"], " + C(b)") if blocked else (None, "")
        found = analysed(data["y"], data["x"], list(data["wood"]), batch=batch).table
        theirs = smf.ols(f"y ~ C(wood, Treatment('larch')){more} + x", data).fit()
        names = list(theirs.params.index)
        row, name = found.iloc[0], "C(wood, Treatment('larch'))[T.cherry]"
        assert row["difference_with"] == pytest.approx(theirs.params[name])
        error = np.sqrt(sandwich(theirs, data["wood"], np.array(names) == name))
        half = error * critical(0.95, 3, np.array([row["df"]]))[0]
        assert row["high_with"] - row["difference_with"] == pytest.approx(half)
        slope = np.array([row["slope"], row["slope_low"], row["slope_high"]])
        slope *= theirs.params["x"] / slope[0]  # told per 1 mm or 0.1 mm
        error = np.sqrt(sandwich(theirs, data["wood"], np.array(names) == "x"))
        half = (slope[2] - slope[1]) / 2
        assert stats.t.ppf(0.975, theirs.df_resid) * error <= half * (1 + 1e-9)
        assert half < stats.t.ppf(0.975, 3) * error

    def test_errors_of_many_boards_are_those_of_hc2(self, rng):
        # With many boards a spread of each wood's own and a squared residual for each board agree.
        y, x, wood = boards(rng, counts=(120, 90), sd=np.repeat([3.0, 1.0], [120, 90]))
        row = analysed(y, x, wood, u=0.0).table.iloc[0]
        theirs = smf.ols("y ~ wood + x", pd.DataFrame({"y": y, "x": x, "wood": wood}))
        ends = theirs.fit(cov_type="HC2").conf_int().loc["wood[T.larch]"]
        assert row["high_with"] - row["low_with"] == pytest.approx(ends[1] - ends[0], rel=0.05)

    def test_slopes_of_their_own_are_compared_with_their_own_errors(self, data):
        data = data[data["wood"] != "robinia"].reset_index(drop=True)
        found = analysed(data["y"], data["x"], list(data["wood"])).table.iloc[0]
        slopes, variances = [], []
        for _, own in data.groupby("wood"):
            theirs = smf.ols("y ~ x", own).fit()
            slopes.append(theirs.params["x"])
            variances.append(theirs.bse["x"] ** 2)
        t = (slopes[1] - slopes[0]) / np.sqrt(sum(variances))
        # Three and two degrees of freedom: those of the smaller wood.
        assert found["p_slopes_differ"] == pytest.approx(2 * stats.t.sf(abs(t), 2))

    def test_without_the_covariate_it_is_the_table_of_effects(self, rng):
        specimens = specimens_table().assign(thickness_mm=rng.normal(18, 0.1, 12))
        found = compare(features_table(specimens, rng), specimens, woods=WOODS, primary=[LEVEL])
        own = analyse_covariates(found, specimens, woods=WOODS, features=[LEVEL]).table
        names = ["difference", "low", "high"]
        theirs = found.effects[names].to_numpy()
        assert own[[f"{n}_without" for n in names]].to_numpy() == pytest.approx(theirs)

    def test_two_woods_without_the_covariate_give_welchs_p(self, data):
        data = data[data["wood"] != "cherry"]
        found = analysed(data["y"], data["x"], list(data["wood"])).table.iloc[0]
        theirs = stats.ttest_ind(*[own["y"] for _, own in data.groupby("wood")], equal_var=False)
        assert found["p_without"] == pytest.approx(theirs.pvalue, abs=0.01)


class TestErrorsInTheCovariate:
    # Closed formula: x read with error u, true x with spread s within the woods, gives a slope of
    # b r with r = s^2 / (s^2 + u^2), and leaves b (1 - r) of the woods' distance in x.
    def test_the_whole_range_from_no_error_to_the_stated_one_is_told(self):
        # Truth: the covariate is the whole cause, b = 1, s = 1, woods 2 apart, u = 0.5, r = 0.8.
        rng = np.random.default_rng(172)
        group = np.repeat([0, 1], 200)
        true = rng.normal(size=400) + 2.0 * group
        x, y = true + rng.normal(0, 0.5, 400), true + rng.normal(0, 0.1, 400)
        fit = fitted(y, x, group, u=0.5)
        one = fit.spans(0.95).iloc[0]
        # One-sided 95 % limit of a variance of 398 degrees of freedom: 12 % off.
        assert 0.75 < fit.reliability < 0.81
        assert one["difference"] == pytest.approx(2.0 * 0.2, abs=0.15)
        assert one["low"] < 0 < 0.3 < one["high"]
        slope, low, high = fit.slope(0.95)
        assert slope == pytest.approx(0.8, abs=0.06)
        assert low < 0.8 < 1.0 < high < 1.2
        # Without a word on errors the same numbers call the wood a cause.
        assert fitted(y, x, group).spans(0.95).iloc[0]["low"] > 0.2

    def test_the_worst_case_by_hand(self, rng):
        # d(r) = w'y - (b / r) w'x; its variance: residuals with these weights, and
        # (b / r - b)^2 var(w'x). statsmodels gives residuals, leverages and b.
        y, x, wood = boards(rng, counts=(8, 8), density=(0.0, 1.0), sd=0.5)
        data = pd.DataFrame({"y": y, "x": x, "wood": wood})
        fit = fitted(y, x, np.repeat([0, 1], 8), u=0.3)
        theirs = smf.ols("y ~ 0 + C(wood, levels=('larch', 'cherry')) + x", data).fit()
        within = data.groupby("wood")["x"].var()
        least = 1 - 0.09 * stats.chi2.ppf(0.95, 14) / (7 * within.sum())
        assert fit.reliability == pytest.approx(least)
        b, apart = theirs.params["x"], np.diff(data.groupby("wood", sort=False)["x"].mean())[0]
        # The weights of y on top of those at no error: (1 - 1 / r) w'x times those of the slope.
        ways = [-1.0, 1.0, (1 - 1 / least) * apart]
        variance = sandwich(theirs, wood, ways) + (b / least - b) ** 2 * within.sum() / 8
        d = theirs.params @ np.array(ways)
        one = fit.spans(0.95).iloc[0]
        half = stats.t.ppf(0.975, one["df"]) * np.sqrt(variance)
        plain = stats.t.ppf(0.975, one["df"]) * np.sqrt(sandwich(theirs, wood, [-1, 1, 0]))
        first = theirs.params @ np.array([-1.0, 1.0, 0.0])
        assert one["low"] == pytest.approx(min(d - half, first - plain))
        assert one["high"] == pytest.approx(max(d + half, first + plain))

    def test_the_ends_of_the_range_are_the_worst_of_it(self, rng):
        y, x, _ = boards(rng, counts=(6, 6, 6), density=(0, 1, 2), effect=(0, 1, 2), sd=0.5)
        fit = fitted(y, x, np.repeat([0, 1, 2], 6), u=0.4)
        ends, reach = fit.spans(0.95), fit.spans(0.95)["df"].to_numpy()
        for times in np.linspace(1.0, 1.0 / fit.reliability, 9):
            pairs = fit._pairs(times)
            half = critical(0.95, 3, reach) * pairs.se[0]
            assert np.all(ends["low"] <= pairs.difference[0] - half + 1e-12)
            assert np.all(ends["high"] >= pairs.difference[0] + half - 1e-12)

    def test_a_sign_that_turns_within_the_range_is_no_difference(self):
        ends = [
            SimpleNamespace(k=2, woods=((0, 1),), **dict.fromkeys(("se", "df"), np.array([[9.0]])),
                            difference=np.array([[d]]))
            for d in (90.0, -90.0)
        ]  # fmt: skip
        one = spans(ends, 0.95).iloc[0]
        assert one["low"] < 0 < one["high"]
        assert one["p"] == 1.0

    def test_an_error_as_large_as_the_spread_holds_nothing_equal(self, rng):
        y, x, wood = boards(rng, counts=(4, 4, 4), density=(0, 1, 2), effect=(0, 0, 0))
        found = analysed(y, x, wood, u=1.0)
        row = found.table.iloc[0]
        assert has(row["note"], "covariates.unreliable")
        assert row["reliability"] == 0.0
        assert np.isnan(row[["difference_with", "low_with", "slope", "p_with"]].astype(float)).all()
        assert np.isfinite(row["difference_without"])

    def test_errors_without_a_stated_size_are_not_allowed_for(self, rng):
        y, x, wood = boards(rng)
        rows = [analysed(y, x, wood, u=u).table.iloc[0] for u in (None, 0.0, 0.2)]
        assert np.isnan(rows[0]["reliability"])
        assert has(rows[0]["note"], "covariates.no_uncertainty")
        assert not has(rows[1]["note"], "covariates.no_uncertainty")
        assert rows[0]["high_with"] == rows[1]["high_with"]
        width = [row["high_with"] - row["low_with"] for row in rows]
        assert width[2] > width[1]
        assert rows[2]["p_with"] >= rows[1]["p_with"]

    def test_boards_of_one_plank_share_the_error_out(self, rng):
        y, x, wood = boards(rng, counts=(8, 8))
        source = np.repeat([f"plank {i}" for i in range(8)], 2)
        row = analysed(y, x, wood, source=source, u=0.2).table.iloc[0]
        means = [np.add.reduceat(v, np.arange(0, 16, 2)) / 2 for v in (y, x)]
        alone = analysed(*means, wood[::2], u=0.2 / np.sqrt(2)).table.iloc[0]
        assert row["reliability"] == pytest.approx(alone["reliability"])
        assert row["high_with"] == pytest.approx(alone["high_with"])

    def test_a_board_s_own_property_brings_its_own_uncertainty(self, rng):
        y, x, wood = boards(rng)
        frames, specimens = study(y, x, wood)
        own = pd.DataFrame({
            "specimen": specimens["specimen"], "covariate": "wood.density_kg_m3", "value": 600 + x,
            "u": 0.2,
        })  # fmt: skip
        options = {"woods": WOODS[:2], "features": [LEVEL]}
        specimens = specimens.drop(columns="thickness_mm")
        found = analyse_covariates(frames, specimens, own, **options).table
        expected = analysed(y, x, wood, u=0.2).table
        assert list(found["reliability"]) == pytest.approx(list(expected["reliability"]))
        none = own.assign(u=np.where(np.arange(12) == 3, np.nan, 0.2))
        found = analyse_covariates(frames, specimens, none, **options).table
        assert found["reliability"].isna().all()

    def test_a_feature_of_the_wood_shares_its_errors_with_the_sizes(self, rng):
        y, x, wood = boards(rng)
        row = analysed(np.exp(y), x, wood, feature="wood.youngs_modulus_gpa", u=0.1).table.iloc[0]
        assert np.isnan(row["reliability"])
        assert has(row["note"], "covariates.no_uncertainty")

    def test_unlike_spreads_of_the_covariate_do_not_pass_for_unlike_slopes(self):
        # Truth: one slope of 1; larch varies three times as much as cherry, u = 1. Read off, the
        # slopes are 0.9 and 0.5.
        rng = np.random.default_rng(172)
        group = np.repeat([0, 1], 100)
        true = rng.normal(size=200) * np.where(group == 0, 3.0, 1.0)
        x, y = true + rng.normal(size=200), true + rng.normal(0, 0.1, 200)
        assert fitted(y, x, group).p_slopes_differ() < 1e-3
        assert fitted(y, x, group, u=1.0).p_slopes_differ() > 0.05
        # Slopes of opposite sign differ whatever the error.
        turned = np.where(group == 0, y, -y)
        assert fitted(turned, x, group, u=1.0).p_slopes_differ() < 1e-6


class TestKnownTruth:
    def test_only_the_wood_differs(self, rng):
        y, x, wood = boards(rng, counts=(30, 30), density=(0, 0), slope=0.0, effect=(0.0, 2.0))
        row = analysed(y, x, wood).table.iloc[0]
        assert row["low_with"] < 2.0 < row["high_with"]
        assert row["slope_low"] < 0 < row["slope_high"]

    def test_a_logarithmic_feature_is_told_in_percent(self, rng):
        # Truth: a decay time 20 % longer in cherry, and 5 % longer for each spread of thickness,
        # which is 3 mm.
        truth = {"slope": np.log(1.05), "effect": (0, np.log(1.2)), "sd": 0.01}
        y, x, wood = boards(rng, counts=(40, 40), **truth)
        row = analysed(np.exp(y), 3 * x, wood, feature=LOG).table.iloc[0]
        assert row["unit"] == "%"
        assert row["difference_with"] == pytest.approx(20, abs=1.5)
        assert row["within_sd"] == pytest.approx(3, abs=0.6)
        assert row["slope_unit"] == "% per 1 mm"
        assert row["slope"] == pytest.approx(100 * (1.05 ** (1 / 3) - 1), abs=0.2)

    def test_slopes_that_differ_are_noticed(self, rng):
        wood = ["larch"] * 8 + ["cherry"] * 8
        x = rng.normal(0, 1, 16)
        y = np.where(np.arange(16) < 8, x, -x) + rng.normal(0, 0.1, 16)
        row = analysed(y, x, wood).table.iloc[0]
        assert row["p_slopes_differ"] < 1e-6

    def test_takes_of_one_board_do_not_count(self, rng):
        # The whole way from takes: thirty takes of a board are one board.
        specimens = specimens_table().assign(thickness_mm=rng.normal(18, 0.1, 12))
        few = features_table(specimens, np.random.default_rng(1), take_sd=0.0)
        many = pd.concat(
            [few, *(few.assign(id=few["id"] + f"+{i}", take=few["take"] + f"+{i}") for i in "ab")]
        )
        tables = [
            analyse_covariates(
                compare(rows, specimens, woods=WOODS, primary=[LEVEL]),
                specimens,
                woods=WOODS,
                features=[LEVEL],
            ).table
            for rows in (few, many)
        ]
        assert tables[0]["n_a"].eq(4).all()
        pd.testing.assert_frame_equal(*tables)

    def test_boards_of_one_plank_count_once(self, rng):
        y, x, wood = boards(rng, counts=(8, 8))
        source = np.repeat([f"plank {i}" for i in range(8)], 2)
        row = analysed(y, x, wood, source=source).table.iloc[0]
        means = [np.add.reduceat(v, np.arange(0, 16, 2)) / 2 for v in (y, x)]
        alone = analysed(*means, wood[::2]).table.iloc[0]
        assert row["n_a"] == 4
        assert row["df"] == alone["df"] < 6
        assert row["difference_with"] == pytest.approx(alone["difference_with"])

    def test_a_covariate_without_a_unit_is_named(self, rng):
        row = analysed(*boards(rng), covariate="knots").table.iloc[0]
        assert row["slope_unit"] in ("dB per 1 of knots", "dB per 0.1 of knots")


class TestOverlap:
    def test_confounded_woods_are_flagged(self, rng):
        y, x, wood = boards(rng, counts=(4, 4), density=(500.0, 700.0))
        row = analysed(y, x, wood).table.iloc[0]
        assert row["overlap"] == 0
        assert told(row["note"], "covariates.no_overlap") == {"held": "covariates.thickness"}

    def test_overlap_counts_the_boards_in_the_shared_range(self):
        # Ranges 1 to 4 and 3 to 6 share 3 to 4: two boards of each wood, four of eight.
        x = [1, 2, 3, 4, 3, 4, 5, 6]
        row = analysed(np.arange(8.0), x, ["larch"] * 4 + ["cherry"] * 4).table.iloc[0]
        assert row["overlap"] == 0.5
        assert not has(row["note"], "covariates.no_overlap", "covariates.little_overlap")

    def test_little_overlap_is_told_with_its_share(self):
        # Ranges 1 to 4 and 4 to 7 share 4: one board of each wood, two of eight.
        x = [1, 2, 3, 4, 4, 5, 6, 7]
        row = analysed(np.arange(8.0), x, ["larch"] * 4 + ["cherry"] * 4).table.iloc[0]
        assert told(row["note"], "covariates.little_overlap")["overlap"] == 0.25


class TestGapsAndFaults:
    def test_boards_without_the_covariate_are_left_out_of_both(self, rng):
        y, x, wood = boards(rng, counts=(6, 6))
        x[[0, 7]] = np.nan
        known = np.isfinite(x)
        row = analysed(y, x, wood).table.iloc[0]
        alone = analysed(y[known], x[known], list(np.array(wood)[known])).table.iloc[0]
        names = TABLES["covariates"].names
        numbers = [name for name in names if "difference" in name or "high" in name]
        assert list(row[numbers]) == pytest.approx(list(alone[numbers]))
        assert (row["n_a"], row["n_b"], row["left_out"]) == (5, 5, 2)
        assert told(row["note"], "covariates.left_out") == {
            "boards": 2, "held": "covariates.thickness"
        }  # fmt: skip

    @pytest.mark.parametrize(
        ("x", "code"),
        [
            ([18.0] * 8, "covariates.same_for_all"),
            ([18.0] * 4 + [19.0] * 4, "covariates.same_in_wood"),
        ],
    )
    def test_a_covariate_that_cannot_be_held_equal(self, rng, x, code):
        row = analysed(rng.normal(size=8), x, ["larch"] * 4 + ["cherry"] * 4).table.iloc[0]
        assert has(row["note"], code)
        assert np.isfinite(row["difference_without"])
        assert np.isnan(row["difference_with"])

    def test_a_covariate_that_follows_the_batches(self, rng):
        batch = ["day 1", "day 2"] * 4
        x = [8.0, 9.0] * 4
        row = analysed(rng.normal(size=8), x, ["larch"] * 4 + ["cherry"] * 4, batch=batch).table
        assert has(row["note"].iloc[0], "covariates.only_between_batches")

    def test_two_boards_a_wood_give_a_reason(self, rng):
        row = analysed(*boards(rng, counts=(2, 4))).table.iloc[0]
        assert (row["n_a"], row["n_b"]) == (2, 4)
        assert told(row["note"], "covariates.few_sources")["smallest"] == 3
        assert row[["difference_without", "difference_with", "slope", "df"]].isna().all()

    def test_too_many_batches_leave_no_degree_of_freedom(self, rng):
        # Six boards, two woods, four batches that share boards of both woods: 6 - 2 - 3 = 1.
        frames, specimens = study(*boards(rng, counts=(3, 3)))
        means = frames.mount_means
        second = means.assign(mount=2, batch=["b", "c", "d", "c", "d", "a"])
        first = means.assign(batch=["a", "c", "d", "b", "d", "a"])
        frames.mount_means = pd.concat([first, second], ignore_index=True)
        found = analyse_covariates(frames, specimens, woods=WOODS[:2], features=[LEVEL])
        row = found.table.iloc[0]
        assert has(row["note"], "covariates.no_freedom")
        assert np.isnan(row["difference_with"])

    def test_a_refused_feature_says_why(self, rng):
        frames, specimens = study(*boards(rng))
        frames.coverage = frames.coverage.assign(compared=False, reason="too many below noise")
        found = analyse_covariates(frames, specimens, woods=WOODS[:2], features=[LEVEL])
        reason = told(found.table["note"].iloc[0], "covariates.not_compared")["reason"]
        assert reason == "too many below noise"
        assert found.table["difference_without"].isna().all()

    def test_no_spread_gives_no_interval(self):
        # Rounding alone lies between these numbers and one line a wood.
        x = np.array([1.1, 2.3, 3.7, 4.9, 2.1, 3.3, 4.7, 5.9])
        y = 0.1 * x + np.repeat([0.7, 1.7], 4)
        row = analysed(y, x, ["larch"] * 4 + ["cherry"] * 4).table.iloc[0]
        assert row["difference_with"] == pytest.approx(1.0)
        assert row[["low_with", "high_with", "p_slopes_differ"]].isna().all()
        assert has(row["note"], "covariates.no_interval")

    def test_columns_order_and_row_order(self, rng):
        frames, specimens = study(
            *boards(rng, counts=(4, 4, 4), density=(0, 0, 0), effect=(0,) * 3)
        )
        options = {"woods": WOODS, "features": [LEVEL]}
        found = analyse_covariates(frames, specimens, **options).table
        assert list(found.columns[: len(FIRST)]) == FIRST
        frames.mount_means = frames.mount_means.sample(frac=1.0, random_state=3)
        again = analyse_covariates(
            frames, specimens.sample(frac=1.0, random_state=4), **options
        ).table
        pd.testing.assert_frame_equal(found, again)

    def test_a_feature_is_not_its_own_covariate_and_unmeasured_ones_have_no_rows(self, rng):
        y, x, wood = boards(rng)
        frames, specimens = study(np.exp(y), x, wood, feature="wood.density_kg_m3")
        own = pd.DataFrame(
            {"specimen": specimens["specimen"], "covariate": "wood.density_kg_m3", "value": 600.0}
        )
        found = analyse_covariates(
            frames, specimens, own, woods=WOODS[:2], features=["wood.density_kg_m3", LEVEL]
        ).table
        assert set(found["covariate"]) == {"thickness_mm"}
        assert set(found["feature"]) == {"wood.density_kg_m3"}


class TestValues:
    SPECIMENS = pd.DataFrame(
        {
            "specimen": ["L1", "C1"],
            "wood": ["larch", "cherry"],
            "source_assumed": [True, False],
            "mass_g": [290.0, np.inf],
            "moisture_pct": [np.nan, np.nan],
            "ring_width_mm": [1.5, 2.0],
        }
    )
    DENSITY = pd.DataFrame(
        {"specimen": ["C1"], "covariate": ["wood.density_kg_m3"], "value": [560.0]}
    )

    def test_numeric_columns_and_features(self):
        found = covariate_values(self.SPECIMENS, self.DENSITY)
        assert list(found.columns) == ["mass_g", "ring_width_mm", "wood.density_kg_m3"]
        assert found.loc["C1"].isna().tolist() == [True, False, False]

    def test_two_values(self):
        with pytest.raises(InputError) as caught:
            covariate_values(self.SPECIMENS, pd.concat([self.DENSITY, self.DENSITY]))
        told = {"specimen": "C1", "covariate": "wood.density_kg_m3"}
        assert caught.value.notes == (note("covariates.two_values", **told),)

    @pytest.mark.parametrize(
        ("name", "meaning", "unit"),
        [
            ("thickness_mm", "thickness", "mm"),
            ("ring_width_mm", "ring width", "mm"),
            ("wood.density_kg_m3", "density", "kg/m3"),
            ("wood.youngs_modulus_gpa", "stiffness", "GPa"),
            ("knots", "knots", ""),
        ],
    )
    def test_names_and_units(self, name, meaning, unit):
        found = covariate_quantity(name)
        assert (say(found.short), found.unit) == (meaning, unit)
