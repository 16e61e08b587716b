"""Covariates: against a published analysis of covariance, statsmodels, and studies of known truth.

Outside references: Snedecor and Cochran's leprosy scores with the results printed in the SAS/STAT
User's Guide; ordinary least squares of statsmodels. The studies simulated here state their truth.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy import stats
from statsmodels.stats.anova import anova_lm

from studylib.codes import code_of, each, fields_of, has, note
from studylib.errors import InputError
from studylib.stats.blocks import fit_covariate, wood_model
from studylib.stats.compare import compare
from studylib.stats.covariates import analyse_covariates, covariate_quantity, covariate_values
from studylib.tables import TABLES
from studylib.words import say
from tests.draws import draws
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


def analysed(y, x, wood, *, woods=None, confidence=0.95, feature=LEVEL, **options):
    woods = woods or list(dict.fromkeys(wood))
    frames, specimens = study(y, x, wood, feature=feature, **options)
    return analyse_covariates(
        frames, specimens, woods=woods, features=[feature], confidence=confidence
    )


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
        model = wood_model(group, np.ones((30, 1)), block=False)
        return fit_covariate(model, data["after"].to_numpy(float), data["before"].to_numpy(float))

    def test_slope_and_spread(self, fit):
        # Printed: slope 0.987183811 (0.16449757), mean square for error 16.046254 with 26 df.
        assert fit.slope == pytest.approx(0.987183811, abs=5e-10)
        assert fit.slope_se == pytest.approx(0.16449757, abs=5e-9)
        assert (fit.variance, fit.df) == (pytest.approx(16.046254, abs=5e-7), 26)

    def test_adjusted_differences(self, fit):
        # Printed parameters: A minus F -3.446138280 (1.88678065), D minus F -3.337166948
        # (1.85386642).
        assert fit.difference(2, 0) == pytest.approx((-3.446138280, 1.88678065), abs=5e-9)
        assert fit.difference(2, 1) == pytest.approx((-3.337166948, 1.85386642), abs=5e-9)

    def test_adjusted_means(self, fit):
        # Printed least-squares means at the mean score: 6.7149635, 6.8239348, 10.1611017, and
        # standard errors 1.2884943, 1.2724690, 1.3159234.
        lines = [fit.line(wood, np.array([fit.x.mean()])) for wood in range(3)]
        means, errors = np.array(lines)[:, :, 0].T
        assert means == pytest.approx([6.7149635, 6.8239348, 10.1611017], abs=5e-8)
        assert errors == pytest.approx([1.2884943, 1.2724690, 1.3159234], abs=5e-8)

    def test_the_table_gives_the_same(self):
        data = table("leprosy.csv")
        found = analysed(data["after"], data["before"], list(data["drug"])).table
        assert found["difference_without"].to_numpy() == pytest.approx([0.8, 7.0, 6.2])
        assert found["difference_with"].iloc[1:].to_numpy() == pytest.approx([3.446138, 3.337167])
        assert (found["df"] == 26).all()
        # Tukey-Kramer on the printed standard errors, by SciPy's studentized range.
        half = stats.studentized_range.ppf(0.95, 3, 26) / np.sqrt(2) * 1.88678065
        assert found["high_with"].iloc[1] == pytest.approx(3.446138280 + half, abs=1e-6)
        assert found["low_with"].iloc[1] == pytest.approx(3.446138280 - half, abs=1e-6)


class TestAgainstStatsmodels:
    @pytest.fixture
    def data(self, rng):
        y, x, wood = boards(rng, counts=(5, 4, 7), density=(0, 1, 2), effect=(0, 1, 3), sd=1.0)
        batch = np.array(["day 1", "day 2"])[np.arange(16) % 2]
        return pd.DataFrame({"y": y + (batch == "day 2"), "x": 10 + x, "wood": wood, "b": batch})

    def test_with_batch_as_a_block(self, data):
        found = analysed(data["y"], data["x"], list(data["wood"]), batch=data["b"]).table
        theirs = smf.ols("y ~ C(wood, Treatment('larch')) + C(b) + x", data).fit()
        row = found.iloc[0]
        name = "C(wood, Treatment('larch'))[T.cherry]"
        assert row["difference_with"] == pytest.approx(theirs.params[name])
        assert row["df"] == theirs.df_resid
        low, high = theirs.conf_int().loc["x"]
        within = row["slope"] / theirs.params["x"]
        assert within in (pytest.approx(1.0), pytest.approx(0.1))  # per 1 mm or 0.1 mm
        assert (row["slope_low"], row["slope_high"]) == pytest.approx((low * within, high * within))
        own = smf.ols("y ~ C(wood) + C(b) + x:C(wood)", data).fit()
        expected = anova_lm(theirs, own)["Pr(>F)"].iloc[1]
        assert row["p_slopes_differ"] == pytest.approx(expected)

    def test_without_the_covariate_it_is_tukey_kramer(self, data):
        found = analysed(data["y"], data["x"], list(data["wood"])).table

        groups = [data.loc[data["wood"] == wood, "y"] for wood in WOODS]
        ends = stats.tukey_hsd(*groups).confidence_interval(0.95)
        for row, (a, b) in zip(found.itertuples(), [(0, 1), (0, 2), (1, 2)], strict=True):
            expected = (-ends.high[a, b], -ends.low[a, b])
            assert (row.low_without, row.high_without) == pytest.approx(expected)

    def test_two_woods_give_students_interval(self, data):
        data = data[data["wood"] != "robinia"]
        found = analysed(data["y"], data["x"], list(data["wood"])).table.iloc[0]
        theirs = smf.ols("y ~ C(wood, Treatment('larch')) + x", data).fit()
        ends = theirs.conf_int().loc["C(wood, Treatment('larch'))[T.cherry]"]
        assert (found["low_with"], found["high_with"]) == pytest.approx(tuple(ends))

    def test_points_and_lines_are_the_fit(self, data):
        found = analysed(data["y"], data["x"], list(data["wood"]), batch=data["b"])
        theirs = smf.ols("y ~ C(wood) + C(b) + x", data).fit()
        left = []
        for wood, line in found.lines.groupby("wood"):
            own = found.points[found.points["wood"] == wood]
            left += list(own["value"] - np.interp(own["x"], line["x"], line["value"]))
        assert sorted(left) == pytest.approx(sorted(theirs.resid), abs=1e-9)


class TestKnownTruth:
    def test_only_density_differs(self):
        # Truth: woods differ in density by one spread and have no effect of their own; with
        # density held equal the 90 % interval must cover 0 in 90 of 100 studies.
        rng = np.random.default_rng(172)
        covered, studies = {"with": 0, "without": 0}, draws(300, share=150)
        for _ in range(studies):
            y, x, wood = boards(rng, density=(0.0, 1.0))
            row = analysed(y, x, wood, confidence=0.9).table.iloc[0]
            for which in covered:
                covered[which] += row[f"low_{which}"] < 0 < row[f"high_{which}"]
        three_errors = 3 * np.sqrt(0.9 * 0.1 / studies)
        assert covered["with"] / studies == pytest.approx(0.9, abs=three_errors)
        assert covered["without"] / studies < 0.7

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
        expected = 100 * (1.05 ** (row["within_sd"] / 3) - 1)
        assert row["slope_per_sd"] == pytest.approx(expected, abs=0.5)
        assert row["slope_unit"] == "% per 1 mm"
        assert row["slope"] == pytest.approx(100 * (1.05 ** (1 / 3) - 1), abs=0.2)

    def test_slopes_that_differ_are_noticed(self, rng):
        wood = ["larch"] * 8 + ["cherry"] * 8
        x = rng.normal(0, 1, 16)
        y = np.where(np.arange(16) < 8, x, -x) + rng.normal(0, 0.1, 16)
        row = analysed(y, x, wood).table.iloc[0]
        assert row["p_slopes_differ"] < 1e-6
        assert has(row["note"], "covariates.slopes_differ")

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
        assert (tables[0]["df"] == 8).all()
        pd.testing.assert_frame_equal(*tables)

    def test_boards_of_one_plank_count_once(self, rng):
        y, x, wood = boards(rng, counts=(8, 8))
        source = np.repeat([f"plank {i}" for i in range(8)], 2)
        row = analysed(y, x, wood, source=source).table.iloc[0]
        means = [np.add.reduceat(v, np.arange(0, 16, 2)) / 2 for v in (y, x)]
        alone = analysed(*means, wood[::2]).table.iloc[0]
        assert (row["n_a"], row["df"]) == (4, 5)
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

    @pytest.mark.parametrize(
        ("count", "code"), [(3, "covariates.guess"), (5, "covariates.few_df"), (7, "")]
    )
    def test_few_boards_are_warned_of_by_degrees_of_freedom(self, rng, count, code):
        row = analysed(*boards(rng, counts=(count, count))).table.iloc[0]
        assert row["df"] == 2 * count - 3
        few = [one for one in each(row["note"]) if "df" in fields_of(one)]
        assert few == ([note(code, df=2.0 * count - 3)] if code else [])


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
        assert found.points.empty
        assert found.lines.empty

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

    def test_unknown_name_and_two_values(self):
        with pytest.raises(InputError) as caught:
            covariate_values(self.SPECIMENS, covariates=["mass"])
        assert caught.value.notes == (note("covariates.unknown", name="mass", nearest="mass_g"),)
        assert str(caught.value) == 'there is no covariate "mass"; the nearest is "mass_g"'
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
