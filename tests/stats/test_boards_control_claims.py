"""Named boards, the positive control and claims."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.multicomp import pairwise_tukeyhsd

from studylib import register
from studylib.codes import code_of, each, fields_of, has, note
from studylib.codes.comparison import Method
from studylib.codes.features import Caution
from studylib.stats.boards import boards_table as boards_frame
from studylib.stats.boards import control_rows, mount_cells, own_difference
from studylib.stats.compare import compare
from tests.stats.simulate import WOODS, features_table, specimens_table

LEVEL = register.find("tone.h3.rel_db")
PRIMARY = ["tone.h3.rel_db"]


def mounts_of(rng, boards=5, mounts=4, batch="one"):
    return pd.DataFrame(
        {
            "specimen": np.repeat([f"B{i}" for i in range(boards)], mounts),
            "batch": batch,
            "y": rng.normal(size=boards * mounts),
        }
    )


def boards_table(*args, **kwargs) -> list[dict]:
    return boards_frame(*args, **kwargs).to_dict("records")


class TestBoards:
    def test_one_batch_against_statsmodels_tukey(self, rng):
        mounts = mounts_of(rng)
        rows = boards_table(
            LEVEL, mount_cells(mounts), order=[f"B{i}" for i in range(5)], confidence=0.95
        )
        expected = pairwise_tukeyhsd(mounts["y"], mounts["specimen"])
        assert len(rows) == 10
        for row, interval, mean in zip(rows, expected.confint, expected.meandiffs, strict=True):
            assert row["difference"] == pytest.approx(mean)
            assert (row["low"], row["high"]) == pytest.approx(tuple(interval), abs=2e-4)

    def test_two_batches_against_least_squares(self, rng):
        mounts = pd.concat([mounts_of(rng, 2, 4, "one"), mounts_of(rng, 2, 3, "two")]).iloc[:-1]
        mounts.loc[mounts["batch"] == "two", "y"] += 10.0
        cells = mount_cells(mounts)
        difference, *_ = own_difference(cells, "B0", "B1")
        fit = ols("y ~ C(specimen) + C(batch)", mounts.reset_index()).fit()
        assert cells.count.shape == (len(cells.boards), 2)
        assert difference == pytest.approx(fit.params["C(specimen)[T.B1]"])

    def test_boards_of_different_batches_are_not_paired(self, rng):
        specimens = specimens_table(reference=True)
        rows = features_table(specimens, rng, batches=2, batch_shift=5.0)
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        pairs = set(zip(result.boards["specimen_a"], result.boards["specimen_b"], strict=True))
        assert ("L1", "L3") in pairs
        assert ("L1", "L2") not in pairs
        assert ("L1", "REF") in pairs
        assert ("REF", "REF+10g") in pairs
        # Six boards a batch with the two controls: 28 + 28 pairs, one of them in both batches.
        assert len(pairs) == len(result.boards) == 55
        assert "comparison.not_paired" in result.notes

    def test_one_mount_each_gives_no_interval(self, rng):
        rows = boards_table(
            LEVEL, mount_cells(mounts_of(rng, 3, 1)), order=["B0", "B1", "B2"], confidence=0.95
        )
        assert all(np.isnan(row["low"]) and np.isfinite(row["difference"]) for row in rows)

    def test_logarithms_are_reported_in_percent(self, rng):
        mounts = mounts_of(rng, 2, 3)
        (row,) = boards_table(
            register.find("tap.m1.decay_time_s"),
            mount_cells(mounts),
            order=["B0", "B1"],
            confidence=0.95,
        )
        means = mounts.groupby("specimen")["y"].mean()
        assert row["unit"] == "%"
        assert row["difference"] == pytest.approx(100 * (np.exp(means["B1"] - means["B0"]) - 1))

    def test_simultaneous_rate_of_a_batch(self, rng):
        runs, false = 400, 0
        for _ in range(runs):
            rows = boards_table(
                LEVEL,
                mount_cells(mounts_of(rng, 4, 3)),
                order=["B0", "B1", "B2", "B3"],
                confidence=0.95,
            )
            false += any(row["low"] > 0 or row["high"] < 0 for row in rows)
        assert false / runs == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / runs))


class TestPositiveControl:
    def rows(self, mounts, **changes):
        asked = {"changed": ["B1"], "reference": ["B0"], "limit": None, "steady": True, **changes}
        return control_rows(LEVEL, mount_cells(mounts), confidence=0.95, **asked)

    def test_it_is_welchs_interval_whatever_the_other_boards_do(self, rng):
        mounts = mounts_of(rng, 2, 5)
        mounts.loc[mounts["specimen"] == "B1", "y"] *= 3.0
        mounts.loc[mounts["specimen"] == "B1", "y"] += 12.0
        quiet = mounts_of(rng, 6, 4).assign(y=lambda rows: 0.01 * rows["y"])
        quiet["specimen"] = "quiet " + quiet["specimen"]
        (row,) = self.rows(pd.concat([mounts, quiet]))
        b0, b1 = (mounts.loc[mounts["specimen"] == b, "y"] for b in ("B0", "B1"))
        expected = stats.ttest_ind(b1, b0, equal_var=False).confidence_interval(0.95)
        assert (row["low"], row["high"]) == pytest.approx((expected.low, expected.high))
        assert row["detected"] == (expected.low > 0)
        assert row["detected"] is True
        assert row["counts"] is True

    def test_a_reference_that_scatters_is_not_lent_the_others_quiet(self, rng):
        """Four mounts that lie 4 dB apart, as the other boards' never do: the pooled spread would
        say that the bench told them apart."""
        own = {"B0": [-8.5, -12.4, -10.6, -11.1], "B1": [-12.0, -12.1, -11.9, -12.1]}
        mounts = pd.DataFrame(
            [(board, "one", y) for board, values in own.items() for y in values],
            columns=["specimen", "batch", "y"],
        )
        quiet = mounts_of(rng, 10, 3).assign(y=lambda rows: 0.3 * rows["y"])
        quiet["specimen"] = "quiet " + quiet["specimen"]
        (row,) = self.rows(pd.concat([mounts, quiet]))
        assert not row["detected"]
        assert row["reason"] == "control.not_detected"

    @pytest.mark.parametrize(
        ("changes", "code"),
        [
            ({"limit": 4.0}, ""),
            ({"limit": None}, ""),
            ({"limit": 2.0}, "control.too_large"),
            ({"limit": 0.3}, "control.too_large"),  # ten times the limit
            ({"steady": False}, "control.not_steady"),
            ({"steady": None}, "control.not_watched"),
        ],
    )
    def test_it_counts_for_a_small_change_on_a_steady_bench_alone(self, rng, changes, code):
        mounts = mounts_of(rng, 2, 5)
        mounts["y"] *= 0.1
        mounts.loc[mounts["specimen"] == "B1", "y"] += 3.0
        (row,) = self.rows(mounts, **changes)
        assert row["detected"]
        assert code_of(row["reason"]) == code
        assert row["counts"] is (code == "")

    @pytest.mark.parametrize(
        ("limit", "surely"),
        [(1.0, True), (1.9, False), (2.05, False), (2.7, False), (2.9, None), (20.0, None)],
    )
    def test_the_whole_interval_is_held_against_the_limit(self, limit, surely):
        """A change of 2 dB with an interval from 1.25 to 2.75 dB: where it straddles the limit, it
        is not known what it shows, on whichever side the estimate lies."""
        mounts = pd.DataFrame(
            [(board, "one", level + y) for board, level in (("B0", 0.0), ("B1", -2.0))
             for y in (-0.55, -0.05, 0.1, 0.5)],
            columns=["specimen", "batch", "y"],
        )  # fmt: skip
        (row,) = self.rows(mounts, limit=limit)
        assert (row["low"], row["high"]) == pytest.approx((-2.751, -1.249), abs=0.001)
        assert row["detected"]
        assert row["limit"] == limit
        assert row["counts"] is (surely is None)
        if surely is None:
            assert row["reason"] == ""
        else:
            assert fields_of(row["reason"]) == {"limit": limit, "unit": "dB", "surely": surely}

    def test_a_limit_that_is_a_ratio_is_held_against_logarithms(self):
        mounts = pd.DataFrame(
            [(board, "one", level + y) for board, level in (("B0", 0.0), ("B1", -0.1))
             for y in (-0.001, 0.001)],
            columns=["specimen", "batch", "y"],
        )  # fmt: skip
        asked = {"changed": ["B1"], "reference": ["B0"], "confidence": 0.95, "steady": True}
        decay = register.find("tap.m1.decay_time_s")
        # -9.5 % is a ratio of 1.105: within a limit of 12 %, not within one of 10 %.
        for limit, counts in ((1.12, True), (1.10, False)):
            (row,) = control_rows(decay, mount_cells(mounts), limit=limit, **asked)
            assert row["difference"] == pytest.approx(-9.516, abs=0.001)
            assert row["counts"] is counts
            assert row["limit"] == pytest.approx(100 * (limit - 1))

    def test_no_change_is_not_detected(self, rng):
        mounts = mounts_of(rng, 3, 3)
        mounts["y"] = np.tile([0.0, 1.0, 2.0], 3)
        (row,) = self.rows(mounts)
        assert row["detected"] is False
        assert row["reason"] == "control.not_detected"

    @pytest.mark.parametrize(
        ("changes", "code"),
        [
            ({"reference": []}, "control.no_reference"),
            ({"changed": []}, "control.no_changed"),
            ({"changed": ["missing"]}, "control.not_measured"),
        ],
    )
    def test_what_is_missing_is_said(self, rng, changes, code):
        (row,) = self.rows(mounts_of(rng), **changes)
        assert row["reason"] == code
        assert row["detected"] is False

    def test_no_shared_batch(self, rng):
        mounts = mounts_of(rng, 2, 3)
        mounts["batch"] = mounts["specimen"].map({"B0": "one", "B1": "two"})
        (row,) = self.rows(mounts)
        assert row["reason"] == "control.no_shared_batch"

    def test_one_mount_each(self, rng):
        (row,) = self.rows(mounts_of(rng, 2, 1))
        assert row["reason"] == "control.no_mounts"
        assert np.isfinite(row["difference"])

    def test_same_has_to_be_earned(self, rng):
        """Woods that are the same within 3 dB, with a bench that can and one that cannot tell."""
        verdicts = {}
        for change in (2.0, 0.0, 6.0):
            specimens = specimens_table(reference=True)
            rows = features_table(
                specimens, np.random.default_rng(2), board_sd=0.3, mount_sd=0.3, change=change
            )
            result = compare(
                rows, specimens, woods=WOODS, primary=PRIMARY, limits={PRIMARY[0]: 3.0},
                own_limits={PRIMARY[0]},
            )  # fmt: skip
            verdicts[change] = result
        assert set(verdicts[2.0].effects["verdict"]) == {"same"}
        for refused in (verdicts[0.0], verdicts[6.0]):
            assert set(refused.effects["verdict"]) == {"open"}
            assert all(has(cell, Method.NOT_EARNED) for cell in refused.effects["method"])
            assert set(refused.effects["needed"]) == {""}
            assert "comparison.not_earned" in refused.notes

    def test_without_controls_same_is_not_earned(self):
        specimens = specimens_table()
        rows = features_table(specimens, np.random.default_rng(2), board_sd=0.3, mount_sd=0.3)
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY, limits={PRIMARY[0]: 3.0})
        assert set(result.effects["verdict"]) == {"open"}
        assert result.positive_control.loc[0, "reason"] == "control.no_reference"

    @pytest.mark.parametrize(
        ("lost", "why"),
        [
            ("takes.below_noise", "control.below_noise"),
            (note("modes.room_hides", percent=34.0), "control.hidden"),
            (note("takes.drifts", harmonic=3, change_db=9.0), "control.unsettled"),
        ],
    )
    def test_controls_below_the_noise_or_hidden_by_the_room_prove_nothing(self, rng, lost, why):
        specimens = specimens_table(reference=True)
        rows = features_table(specimens, rng, change=20.0)
        quiet = rows["specimen"] == "REF"
        rows.loc[quiet, "usable"] = False
        rows.loc[quiet, "reason"] = lost
        rows.loc[rows[quiet].index[0], ["usable", "reason"]] = [True, ""]
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert not result.positive_control.loc[0, "detected"]
        assert code_of(result.positive_control.loc[0, "reason"]) == why


class TestClaims:
    def claims(self, *triples):
        return [
            {"text": f"{h} over {low}", "feature": f, "higher": h, "lower": low}
            for f, h, low in triples
        ]

    def judged(self, rng, claims, counts=(4, 4, 4), **kwargs):
        specimens = specimens_table(counts)
        rows = features_table(
            specimens, rng, effect={"robinia": 9.0}, names=["tone.h3.rel_db", "tone.h2.rel_db"]
        )
        return compare(
            rows, specimens, woods=WOODS, primary=PRIMARY, claims=claims, **kwargs
        ).claims

    def test_supported_contradicted_and_open(self, rng):
        table = self.judged(
            rng,
            self.claims(
                ("tone.h3.rel_db", "robinia", "larch"),
                ("tone.h3.rel_db", "larch", "robinia"),
                ("tone.h3.rel_db", "cherry", "larch"),
                ("tap.m1.decay_time_s", "robinia", "larch"),
                ("tone.h3.rel_db", "oak", "larch"),
            ),
        )
        assert list(table.columns) == ["claim", "feature", "verdict", "caveats", "reason"]
        words = list(table["verdict"])
        assert words == ["supported", "contradicted", "open", "open", "open"]
        (numbers,) = each(table.loc[0, "reason"])
        assert code_of(numbers) == "claims.numbers"
        found = fields_of(numbers)
        assert (found["first"], found["second"], found["n_first"]) == ("larch", "robinia", 4)
        assert found["low"] < found["difference"] < found["high"]
        assert table.loc[0, "caveats"] == Caution.DRIVER  # from the register alone
        assert has(table.loc[2, "reason"], "claims.not_declared")
        assert table.loc[3, "reason"] == "claims.not_measured"
        assert code_of(table.loc[4, "reason"]) == "claims.other_woods"
        assert fields_of(table.loc[4, "reason"])["higher"] == "oak"

    def test_boards_only_names_each_woods_count(self, rng):
        claims = self.claims(
            ("tone.h3.rel_db", "robinia", "larch"), ("tone.h3.rel_db", "larch", "robinia")
        )
        table = self.judged(rng, claims, counts=(1, 4, 4))
        assert set(table["verdict"]) == {"boards only"}
        for reason, higher, n_higher, n_lower in zip(
            table["reason"], ("robinia", "larch"), (4, 1), (1, 4), strict=True
        ):
            assert code_of(reason) == "claims.too_few"
            found = fields_of(reason)
            assert (found["higher"], found["n_higher"]) == (higher, n_higher)
            assert found["n_lower"] == n_lower

    def test_reasons_promise_no_more_than_the_numbers(self, rng):
        claims = self.claims(("tone.h3.rel_db", "cherry", "larch"))
        # Without a limit there is no size to be found, and so no number that would find it.
        assert each(self.judged(rng, claims).loc[0, "reason"])[-1] == "claims.not_declared"
        limited = each(self.judged(rng, claims, limits={"tone.h3.rel_db": 0.5}).loc[0, "reason"])
        assert code_of(limited[-1]) == "claims.needed"
        assert " to " in fields_of(limited[-1])["needed"]
        up = self.claims(("tone.h3.rel_db", "robinia", "larch"))
        small = self.judged(rng, up, limits={"tone.h3.rel_db": 40.0}).loc[0]
        assert small["verdict"] == "supported"
        assert each(small["reason"])[-1] == "claims.within"
