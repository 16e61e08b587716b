"""Variance components, their intervals and ISO 5725: published nested designs first."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studylib.codes import each, has, note
from studylib.stats.compare import compare
from studylib.stats.components import mls_interval, wood_interval
from tests.draws import draws
from tests.stats.reference import as_features, as_specimens, table
from tests.stats.simulate import WOODS, features_table, specimens_table


def compared(data: pd.DataFrame):
    """Nested data (specimen, value, optionally wood, source, mount) through the comparison."""
    specimens = as_specimens(data)
    return compare(
        as_features(data),
        specimens,
        woods=list(specimens["wood"].unique()),
        primary=["tone.h3.rel_db"],
    )


def variances(data: pd.DataFrame) -> dict[str, float]:
    table = compared(data).variance
    return dict(zip(table["level"], table["variance"], strict=True))


class TestPublished:
    def test_turnip_leaves(self):
        # SAS/STAT NESTED Example 62.1 (Snedecor & Cochran): plant, leaf, error components and
        # their shares 68.5302, 30.2212, 1.2486 %.
        data = table("turnip.csv")
        data = data.rename(columns={"plant": "source", "calcium": "value", "sample": "mount"})
        data["specimen"] = data["source"].astype(str) + "/" + data["leaf"].astype(str)
        result = compared(data).variance.set_index("level")
        assert list(result.index) == ["source", "specimen", "mount"]
        expected = [0.365223, 0.161060, 0.006654]
        assert result["variance"].to_numpy() == pytest.approx(expected, abs=6e-7)
        assert 100 * result["share"].to_numpy() == pytest.approx(
            [68.5302, 30.2212, 1.2486], abs=6e-5
        )
        assert list(result["df"]) == [3, 8, 12]
        assert note("methods.merged", levels=["take"]) in each(result.loc["mount", "method"])
        assert all(has(cell, "methods.exact") for cell in result["method"])

    def test_dyestuff(self):
        # lme4 Dyestuff: SD of batch 42.0006, residual 49.5101 (balanced: REML is the ANOVA).
        data = table("dyestuff.csv").rename(columns={"batch": "specimen", "yield": "value"})
        found = variances(data)
        assert np.sqrt(found["specimen"]) == pytest.approx(42.0006, abs=2e-4)
        assert np.sqrt(found["take"]) == pytest.approx(49.5101, abs=1e-4)

    def test_pastes(self):
        # lme4 Pastes: SD of batch 1.287366, cask in batch 2.904077, residual 0.823408.
        data = table("pastes.csv").rename(
            columns={"batch": "specimen", "cask": "mount", "strength": "value"}
        )
        data["mount"] = data["mount"].map({"a": 1, "b": 2, "c": 3})
        found = variances(data)
        assert np.sqrt(found["specimen"]) == pytest.approx(1.287366, abs=2e-6)
        assert np.sqrt(found["mount"]) == pytest.approx(2.904077, abs=2e-6)
        assert np.sqrt(found["take"]) == pytest.approx(0.823408, abs=1e-6)

    def test_purity_wood_fixed(self):
        # Montgomery: batch component 1.71, residual 2.64; suppliers below their error (F 0.97).
        data = purity("montgomery_purity.csv")
        result = compared(data).variance.set_index("level")
        assert result.loc["specimen", "variance"] == pytest.approx(1.709877, abs=1e-6)
        assert result.loc["take", "variance"] == pytest.approx(2.638889, abs=1e-6)
        assert result.loc["wood", "variance"] == 0.0
        assert note("methods.zero", estimate=None) in each(result.loc["wood", "method"])
        assert result.loc["wood", "low"] == 0.0
        assert result.loc["wood", "high"] > 0.0

    def test_purity_unbalanced_is_reml(self):
        # lme4 REML on 26 of the 36 rows: batch 1.951938, residual 2.945864.
        data = purity("purity_unbalanced.csv")
        result = compared(data).variance.set_index("level")
        assert result.loc["specimen", "variance"] == pytest.approx(1.951938, rel=2e-3)
        assert result.loc["take", "variance"] == pytest.approx(2.945864, rel=1e-3)
        assert has(result.loc["take", "method"], "methods.reml")
        assert "comparison.unbalanced" in compared(data).notes


def purity(name: str) -> pd.DataFrame:
    data = table(name).rename(columns={"supplier": "wood", "purity": "value"})
    data["specimen"] = data["wood"].astype(str) + "/" + data["batch"].astype(str)
    return data[["wood", "specimen", "value"]]


class TestNestedREML:
    def test_three_levels_keep_the_groups_own_variance(self, rng):
        # Without an explicit random intercept the library drops the group variance: then the
        # specimen component would be missing and the mount component inflated.
        specimens = specimens_table((30,), woods=("larch",))
        rows = features_table(
            specimens, rng, board_sd=2.0, mount_sd=1.0, take_sd=0.5, mounts=3, takes=3
        )
        rows = rows.drop(rows.sample(25, random_state=3).index)
        result = compare(rows, specimens, woods=["larch"], primary=["tone.h3.rel_db"]).variance
        result = result.set_index("level")
        assert all(has(cell, "methods.reml") for cell in result["method"])
        assert result.loc["specimen", "sd"] == pytest.approx(2.0, rel=0.25)
        assert result.loc["mount", "sd"] == pytest.approx(1.0, rel=0.2)
        assert result.loc["take", "sd"] == pytest.approx(0.5, rel=0.1)

    def test_reml_of_a_nearly_balanced_study_is_near_the_exact_one(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng)
        kwargs = dict(woods=WOODS, primary=["tone.h3.rel_db"])
        exact = compare(rows, specimens, **kwargs).variance.set_index("level")["variance"]
        reml = compare(rows.drop(index=5), specimens, **kwargs).variance
        assert sum(has(cell, "methods.reml") for cell in reml["method"]) == 3
        assert reml.set_index("level")["variance"].to_numpy() == pytest.approx(
            exact.to_numpy(), rel=0.1
        )

    def test_exploratory_features_use_it_too(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng).drop(index=5)
        result = compare(rows, specimens, woods=WOODS, primary=[]).variance
        below = result[result["level"] != "wood"]
        assert all(has(cell, "methods.reml") for cell in below["method"])


class TestUnweightedMeanSquares:
    def test_components_are_unbiased_in_an_unbalanced_design(self, rng):
        specimens = specimens_table((4, 3, 4))
        shape = features_table(specimens, rng, mounts=3, takes=3)
        kept = shape.sample(frac=0.75, random_state=2).sort_index().index
        names = [f"tone.h{k}.rel_db" for k in range(2, 2 + draws(200, share=100))]
        rows = features_table(specimens, rng, names=names, mounts=3, takes=3)
        takes = set(shape.loc[kept, "take"])
        result = compare(
            rows[rows["take"].isin(takes)], specimens, woods=WOODS, primary=[]
        ).variance
        # A component cut off at zero is not unbiased; these are far enough from zero.
        mean = result.groupby("level")["variance"].mean()
        assert mean["take"] == pytest.approx(0.25, rel=0.05)
        assert mean["mount"] == pytest.approx(1.0, rel=0.1)
        assert mean["specimen"] == pytest.approx(2.25, rel=0.15)


class TestIntervals:
    def test_one_mean_square_is_the_chi_square_interval(self):
        low, high = mls_interval([2.0], [3.0], [8], confidence=0.95)
        assert low == pytest.approx(6 * 8 / stats.chi2.ppf(0.975, 8))
        assert high == pytest.approx(6 * 8 / stats.chi2.ppf(0.025, 8))

    @pytest.mark.parametrize(("n", "r"), [(2, 9), (8, 24), (24, 72)])
    def test_a_difference_touches_zero_exactly_where_the_f_test_does(self, n, r):
        f = stats.f.ppf(0.975, n, r)
        low, _ = mls_interval([0.5, -0.5], [f, 1.0], [n, r], confidence=0.95)
        assert low == pytest.approx(0.0, abs=1e-12)
        f = stats.f.ppf(0.025, n, r)
        _, high = mls_interval([0.5, -0.5], [f, 1.0], [n, r], confidence=0.95)
        assert high == pytest.approx(0.0, abs=1e-12)

    @pytest.mark.parametrize(
        ("coefficients", "df"),
        [([1 / 3, -1 / 3], [9, 24]), ([1 / 3, -1 / 3], [2, 8]), ([1 / 3, 2 / 3], [24, 72]),
         ([1 / 9, -1 / 12, -1 / 36], [9, 24, 72]), ([1 / 4, 1 / 4, -1 / 2], [5, 9, 24])],
    )  # fmt: skip
    def test_coverage(self, rng, coefficients, df):
        squares = np.array([9.0, 3.0, 1.0])[: len(df)]
        truth = float(np.dot(coefficients, squares))
        runs = 1500
        drawn = squares * rng.chisquare(df, (runs, len(df))) / df
        inside = 0
        for row in drawn:
            low, high = mls_interval(coefficients, row, df, confidence=0.95)
            inside += low <= truth <= high
        # Burdick & Graybill: close to or above the stated confidence, never far below.
        assert inside / runs > 0.95 - 3 * np.sqrt(0.05 * 0.95 / runs)
        assert inside / runs < 0.985

    def test_wood_interval_inverts_the_noncentral_f(self):
        low, high = wood_interval(8.0, 2, 9, unit_square=1.5, n0=4.0, confidence=0.95)
        to_lambda = 2 * 4.0 / 1.5
        assert stats.ncf.sf(8.0, 2, 9, low * to_lambda) == pytest.approx(0.025, abs=1e-5)
        assert stats.ncf.cdf(8.0, 2, 9, high * to_lambda) == pytest.approx(0.025, abs=1e-5)

    def test_wood_interval_of_a_small_f_starts_at_zero(self):
        assert wood_interval(0.9, 2, 9, unit_square=1.0, n0=4.0, confidence=0.95)[0] == 0.0
        assert wood_interval(1e-3, 2, 9, unit_square=1.0, n0=4.0, confidence=0.95) == (0.0, 0.0)


class TestLevels:
    def test_wood_component_of_a_known_spread(self, rng):
        # Wood means -3, 0, 3: their variance with divisor k - 1 is 9.
        names = [f"tone.h{k}.rel_db" for k in range(2, 102)]
        specimens = specimens_table()
        rows = features_table(specimens, rng, names=names, effect={"larch": -3.0, "robinia": 3.0})
        result = compare(rows, specimens, woods=WOODS, primary=[]).variance
        wood = result[result["level"] == "wood"]
        assert wood["variance"].mean() == pytest.approx(9.0, rel=0.1)
        covered = (wood["low"] <= 9.0) & (wood["high"] >= 9.0)
        # Scaled with the estimated spread of the boards, so a little under 95 %.
        assert covered.mean() >= 0.85

    def test_negative_component_is_zero_with_an_interval_and_said(self):
        # Two boards with equal means, mounts far apart: the board component comes out negative.
        data = pd.DataFrame(
            {
                "specimen": np.repeat(["a", "b", "c"], 4),
                "mount": np.tile(np.repeat([1, 2], 2), 3),
                "value": np.tile([0.0, 0.1, 4.0, 4.1], 3),
            }
        )
        row = compared(data).variance.set_index("level").loc["specimen"]
        assert row["variance"] == 0.0
        assert row["low"] == 0.0
        assert has(row["method"], "methods.zero")

    def test_one_take_a_mount_and_one_mount_a_board(self):
        data = pd.DataFrame({"specimen": list("abcd"), "value": [1.0, 2.0, 4.0, 3.0]})
        result = compared(data)
        (row,) = result.variance.to_dict("records")
        assert row["level"] == "specimen"
        assert row["variance"] == pytest.approx(np.var([1, 2, 4, 3], ddof=1))
        assert note("methods.merged", levels=["take", "mount"]) in each(row["method"])
        assert result.precision["repeatability_sd"].isna().all()
        assert each(result.precision.loc[0, "reason"]) == [
            "comparison.no_repeatability",
            "comparison.no_intermediate",
        ]

    def test_batch_shift_does_not_enter_the_components(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng, batches=2)
        moved = rows.copy()
        moved.loc[moved["batch"] == "day 2", "value"] += 20.0
        one, other = (
            compare(r, specimens, woods=WOODS, primary=[]).variance for r in (rows, moved)
        )
        assert other["variance"].to_numpy() == pytest.approx(one["variance"].to_numpy())


class TestPrecision:
    def test_repeatability_and_intermediate_precision(self):
        # ISO 5725: s_r^2 = take, s_I^2 = mount + take; from the Pastes components.
        data = table("pastes.csv").rename(
            columns={"batch": "specimen", "cask": "mount", "strength": "value"}
        )
        data["mount"] = data["mount"].map({"a": 1, "b": 2, "c": 3})
        row = compared(data).precision.iloc[0]
        assert row["repeatability_sd"] == pytest.approx(0.823408, abs=1e-6)
        assert row["intermediate_sd"] == pytest.approx(np.hypot(0.823408, 2.904077), abs=2e-6)
        assert row["repeatability_low"] < row["repeatability_sd"] < row["repeatability_high"]
        assert row["intermediate_low"] < row["intermediate_sd"] < row["intermediate_high"]
        low = 0.823408 * np.sqrt(30 / stats.chi2.ppf(0.975, 30))
        assert row["repeatability_low"] == pytest.approx(low, rel=1e-5)

    def test_intermediate_is_never_below_repeatability(self):
        data = pd.DataFrame(
            {
                "specimen": np.repeat(["a", "b"], 4),
                "mount": np.tile(np.repeat([1, 2], 2), 2),
                "value": np.tile([0.0, 4.0, 0.1, 4.1], 2),
            }
        )
        row = compared(data).precision.iloc[0]
        assert row["intermediate_sd"] == row["repeatability_sd"]

    def test_logarithmic_features_are_in_percent(self, rng):
        specimens = specimens_table()
        rows = features_table(specimens, rng, names=["tone.centroid_hz"], mount_sd=0.0, take_sd=0.5)
        row = compare(rows, specimens, woods=WOODS, primary=[]).precision.iloc[0]
        # The simulation takes exp(x / 10), so 0.5 becomes 0.05 in logarithms: 5.1 %.
        assert row["unit"] == "%"
        assert row["repeatability_sd"] == pytest.approx(5.1, rel=0.2)
