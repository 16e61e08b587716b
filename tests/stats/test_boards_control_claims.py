"""Named boards, the positive control and claims."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.multicomp import pairwise_tukeyhsd

from studylib import register
from studylib.codes.takes import Unused
from studylib.stats import control
from studylib.stats.boards import boards_table as boards_frame
from studylib.stats.boards import mount_cells, paired_difference
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
        difference, _, shared = paired_difference(mount_cells(mounts), "B0", "B1")
        fit = ols("y ~ C(specimen) + C(batch)", mounts.reset_index()).fit()
        assert shared == ("one", "two")
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
        assert any("different batches are not paired" in note for note in result.notes)

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
        names = {"changed": ["B1"], "reference": ["B0"], **changes}
        return control.control_rows(LEVEL, mount_cells(mounts), confidence=0.95, **names)

    def test_two_boards_alone_are_students_t(self, rng):
        mounts = mounts_of(rng, 2, 5)
        mounts.loc[mounts["specimen"] == "B1", "y"] += 3.0
        (row,) = self.rows(mounts)
        b0, b1 = (mounts.loc[mounts["specimen"] == b, "y"] for b in ("B0", "B1"))
        expected = stats.ttest_ind(b1, b0).confidence_interval(0.95)
        assert (row["low"], row["high"]) == pytest.approx((expected.low, expected.high))
        assert row["detected"] == (expected.low > 0)
        assert row["detected"] is True

    def test_no_change_is_not_detected(self, rng):
        mounts = mounts_of(rng, 3, 3)
        mounts["y"] = np.tile([0.0, 1.0, 2.0], 3)
        (row,) = self.rows(mounts)
        assert row["detected"] is False
        assert "includes zero" in row["reason"]

    @pytest.mark.parametrize(
        ("changes", "word"),
        [
            ({"reference": []}, 'role "reference"'),
            ({"changed": []}, 'role "changed"'),
            ({"changed": ["missing"]}, "not measured"),
        ],
    )
    def test_what_is_missing_is_said(self, rng, changes, word):
        (row,) = self.rows(mounts_of(rng), **changes)
        assert word in row["reason"]
        assert row["detected"] is False

    def test_no_shared_batch(self, rng):
        mounts = mounts_of(rng, 2, 3)
        mounts["batch"] = mounts["specimen"].map({"B0": "one", "B1": "two"})
        (row,) = self.rows(mounts)
        assert row["reason"] == control.NO_SHARED_BATCH

    def test_one_mount_each(self, rng):
        (row,) = self.rows(mounts_of(rng, 2, 1))
        assert row["reason"] == control.NO_MOUNTS
        assert np.isfinite(row["difference"])

    def test_same_has_to_be_earned(self, rng):
        """Woods that are the same within 3 dB, with a bench that can and one that cannot tell."""
        verdicts = {}
        for change in (6.0, 0.0):
            specimens = specimens_table(reference=True)
            rows = features_table(
                specimens, np.random.default_rng(2), board_sd=0.3, mount_sd=0.3, change=change
            )
            result = compare(
                rows, specimens, woods=WOODS, primary=PRIMARY, limits={PRIMARY[0]: 3.0},
                own_limits={PRIMARY[0]},
            )  # fmt: skip
            verdicts[change] = result
        assert set(verdicts[6.0].effects["verdict"]) == {"same"}
        refused = verdicts[0.0]
        assert set(refused.effects["verdict"]) == {"open"}
        assert refused.effects["method"].str.contains('"same" is not earned').all()
        assert set(refused.effects["needed"]) == {""}
        assert any('no right to say "same"' in note for note in refused.notes)

    def test_without_controls_same_is_not_earned(self):
        specimens = specimens_table()
        rows = features_table(specimens, np.random.default_rng(2), board_sd=0.3, mount_sd=0.3)
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY, limits={PRIMARY[0]: 3.0})
        assert set(result.effects["verdict"]) == {"open"}
        assert 'role "reference"' in result.positive_control.loc[0, "reason"]

    def test_controls_below_the_noise_prove_nothing(self, rng):
        specimens = specimens_table(reference=True)
        rows = features_table(specimens, rng, change=20.0)
        quiet = rows["specimen"] == "REF"
        rows.loc[quiet, "usable"] = False
        rows.loc[quiet, "reason"] = Unused.BELOW_NOISE
        rows.loc[rows[quiet].index[0], ["usable", "reason"]] = [True, ""]
        result = compare(rows, specimens, woods=WOODS, primary=PRIMARY)
        assert not result.positive_control.loc[0, "detected"]
        assert result.positive_control.loc[0, "reason"] == control.BELOW_NOISE


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
        assert list(table.columns) == ["claim", "feature", "verdict", "reason"]
        words = list(table["verdict"])
        assert words == ["supported", "contradicted", "open", "open", "open"]
        assert "robinia minus larch" in table.loc[0, "reason"]
        assert "not declared" in table.loc[2, "reason"]
        assert table.loc[3, "reason"] == "not measured yet"
        assert "oak" in table.loc[4, "reason"]

    def test_boards_only_names_each_woods_count(self, rng):
        claims = self.claims(
            ("tone.h3.rel_db", "robinia", "larch"), ("tone.h3.rel_db", "larch", "robinia")
        )
        table = self.judged(rng, claims, counts=(1, 4, 4))
        assert set(table["verdict"]) == {"boards only"}
        start = "sources with a usable take: "
        assert table.loc[0, "reason"].startswith(start + "4 of robinia and 1 of larch")
        assert table.loc[1, "reason"].startswith(start + "1 of larch and 4 of robinia")

    def test_reasons_promise_no_more_than_the_numbers(self, rng):
        claims = self.claims(("tone.h3.rel_db", "cherry", "larch"))
        observed = self.judged(rng, claims).loc[0, "reason"]
        assert re.search(
            r"as large as the one observed would be declared four times .* \d", observed
        )
        limited = self.judged(rng, claims, limits={"tone.h3.rel_db": 0.1}).loc[0, "reason"]
        assert "as large as the limit would be declared" in limited
        assert "settle" not in observed + limited
        up = self.claims(("tone.h3.rel_db", "robinia", "larch"))
        small = self.judged(rng, up, limits={"tone.h3.rel_db": 40.0}).loc[0]
        assert small["verdict"] == "supported"
        assert small["reason"].endswith("the whole interval lies inside the limit")
