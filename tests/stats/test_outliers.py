"""What stands out: critical values against the tables of ISO 5725-2, then planted faults.

The table values are written down from memory of ISO 5725-2:1994 (tables 4 to 7) and agree with the
formulas to one in their last digit; the formulas are also held to the F test and to simulation.
"""

from __future__ import annotations

import numpy as np
import pytest

from studylib.codes import code_of, fields_of
from studylib.stats.compare import compare
from studylib.stats.outliers import (
    cochran_critical,
    find_outliers,
    grubbs_critical,
    leave_one_out,
    number_of_tests,
)
from studylib.words import said
from tests.draws import draws
from tests.stats.simulate import WOODS, features_table, specimens_table

NAME = "tone.h3.rel_db"


class TestCriticalValues:
    @pytest.mark.parametrize(
        ("n", "one", "five"),
        [(3, 1.155, 1.155), (4, 1.496, 1.481), (5, 1.764, 1.715), (6, 1.973, 1.887),
         (7, 2.139, 2.020), (8, 2.274, 2.126), (10, 2.482, 2.290), (20, 3.001, 2.709)],
    )  # fmt: skip
    def test_grubbs(self, n, one, five):
        assert grubbs_critical(n, 0.01) == pytest.approx(one, abs=1.1e-3)
        assert grubbs_critical(n, 0.05) == pytest.approx(five, abs=1.1e-3)

    @pytest.mark.parametrize(
        ("p", "n", "one", "five"),
        [(3, 2, 0.993, 0.967), (4, 2, 0.968, 0.906), (5, 2, 0.928, 0.841), (10, 2, 0.718, 0.602),
         (2, 3, 0.995, 0.975), (3, 3, 0.942, 0.871), (4, 3, 0.864, 0.768), (5, 3, 0.788, 0.684),
         (10, 3, 0.536, 0.445), (3, 4, 0.883, 0.798)],
    )  # fmt: skip
    def test_cochran(self, p, n, one, five):
        assert cochran_critical(p, n, 0.01) == pytest.approx(one, abs=1.1e-3)
        assert cochran_critical(p, n, 0.05) == pytest.approx(five, abs=1.1e-3)

    def test_by_simulation(self, rng):
        # Each test points at something in 5 % of groups that hold nothing.
        x = rng.standard_normal((20_000, 6))
        z = np.abs(x - x.mean(axis=1, keepdims=True)) / x.std(axis=1, ddof=1, keepdims=True)
        three = 3 * np.sqrt(0.05 * 0.95 / 20_000)
        assert np.mean(z.max(axis=1) > grubbs_critical(6, 0.05)) == pytest.approx(0.05, abs=three)
        v = rng.chisquare(2, (20_000, 5)) / 2
        share = v.max(axis=1) / v.sum(axis=1)
        assert np.mean(share > cochran_critical(5, 3, 0.05)) == pytest.approx(0.05, abs=three)

    def test_grubbs_for_three_is_the_largest_that_three_values_can_reach(self):
        assert grubbs_critical(3, 1e-9) == pytest.approx(2 / np.sqrt(3), rel=1e-4)


def study(rng, counts=(6, 6, 6), **given):
    specimens = specimens_table(counts)
    return specimens, features_table(specimens, rng, **given)


def compared(specimens, rows):
    return compare(rows, specimens, woods=WOODS, primary=[NAME])


def moved(rows, mask, by):
    rows = rows.copy()
    rows.loc[mask, "value"] += by
    return rows


class TestPlanted:
    def found(self, specimens, rows):
        result = compared(specimens, rows)
        return result, find_outliers(result.workings.samples, [NAME])

    def test_a_board_is_found_as_a_board(self, rng):
        specimens, rows = study(rng, board_sd=0.5, mount_sd=0.2, take_sd=0.1)
        mask = rows["specimen"] == "C3"
        result, found = self.found(specimens, moved(rows, mask, 8.0))
        (row,) = found[found["level"] == "source"].itertuples()
        assert (row.item, row.wood, row.test, row.verdict) == ("C3", "cherry", "Grubbs", "outlier")
        assert set(row.ids) == set(rows.loc[mask, "id"])
        # Its mounts agree with each other as all do.
        assert "C3" not in "".join(found.loc[found["level"] != "source", "item"])
        assert len(result.workings.samples[NAME].takes) == len(rows)

    def test_a_mount_is_found_as_a_mount(self, rng):
        specimens, rows = study(rng, board_sd=2.0, mount_sd=0.2, take_sd=0.1)
        mask = (rows["specimen"] == "L2") & (rows["mount"] == 2)
        _, found = self.found(specimens, moved(rows, mask, 4.0))
        (row,) = found[found["level"] == "mount"].itertuples()
        assert row.item == "L2, day 1, mount 2"
        assert row.verdict == "outlier"
        assert set(row.ids) == set(rows.loc[mask, "id"])

    def test_a_take_is_found_as_a_take(self, rng):
        specimens, rows = study(rng, board_sd=2.0, mount_sd=1.0, take_sd=0.1)
        mask = rows.index == 40
        _, found = self.found(specimens, moved(rows, mask, 2.0))
        (row,) = found[found["level"] == "take"].itertuples()
        assert row.ids == (rows.loc[40, "id"],)
        assert row.verdict == "outlier"

    @pytest.mark.parametrize("earlier", [True, False])
    def test_two_takes_that_disagree_are_both_named_with_what_each_says(self, earlier, rng):
        """Which of them is 40 dB off makes no difference: two values have no odd one."""
        specimens, rows = study(rng, takes=2, board_sd=2.0, mount_sd=1.0, take_sd=0.1)
        pair = rows[(rows["specimen"] == "L2") & (rows["mount"] == 1)]
        off = pair.index[0 if earlier else 1]
        rows = moved(rows, rows.index == off, -40.0)
        first, second = rows.loc[pair.index, "value"]
        _, found = self.found(specimens, rows)
        (row,) = found[found["level"] == "take"].itertuples()
        names = list(pair["take"])
        assert row.item == f"pair of takes {names[0]} and {names[1]}"
        assert row.verdict == "outlier"
        assert set(row.ids) == set(pair["id"])
        told = fields_of(row.says)
        assert code_of(row.says) == "outliers.pair"
        assert told["names"] == names
        assert told["values"] == pytest.approx([first, second])
        assert (told["unit"], told["apart_unit"]) == ("dB", "dB")
        assert told["apart"] == pytest.approx(abs(first - second))
        assert told["apart"] == pytest.approx(40, abs=1)

    def test_two_mounts_that_disagree_are_both_named(self, rng):
        specimens, rows = study(rng, mounts=2, board_sd=2.0, mount_sd=0.2, take_sd=0.1)
        mask = (rows["specimen"] == "L2") & (rows["mount"] == 2)
        rows = moved(rows, mask, 12.0)
        _, found = self.found(specimens, rows)
        (row,) = found[found["level"] == "mount"].itertuples()
        assert row.item == "L2, day 1, pair of mounts 1 and 2"
        assert set(row.ids) == set(rows.loc[rows["specimen"] == "L2", "id"])
        told = fields_of(row.says)
        means = rows[rows["specimen"] == "L2"].groupby("mount")["value"].mean()
        assert told["values"] == pytest.approx(means.tolist())
        assert said(row.says).startswith("tone.h3.rel_db: L2, day 1, mount 1 says ")

    def test_what_is_compared_in_percent_is_told_in_its_own_unit(self, rng):
        name = "tap.m1.decay_time_s"
        specimens, rows = study(
            rng, takes=2, names=[name], board_sd=0.1, mount_sd=0.1, take_sd=0.01
        )
        rows["value"] = np.exp(rows["value"] / 10)
        off = rows.index[(rows["specimen"] == "L2") & (rows["mount"] == 1)]
        rows.loc[off[0], "value"] = 3 * rows.loc[off[1], "value"]
        samples = compare(rows, specimens, woods=WOODS, primary=[name]).workings.samples
        found = find_outliers(samples, [name])
        (row,) = found[found["level"] == "take"].itertuples()
        told = fields_of(row.says)
        assert told["values"] == pytest.approx(rows.loc[off, "value"].tolist())
        assert (told["unit"], told["apart_unit"]) == ("s", "%")
        assert told["apart"] == pytest.approx(200)

    def test_of_three_takes_the_odd_one_is_named_alone(self, rng):
        specimens, rows = study(rng, takes=3, board_sd=2.0, mount_sd=1.0, take_sd=0.1)
        _, found = self.found(specimens, moved(rows, rows.index == 41, -40.0))
        (row,) = found[found["level"] == "take"].itertuples()
        assert row.item == f"take {rows.loc[41, 'take']}"
        assert row.ids == (rows.loc[41, "id"],)
        assert row.says == ""

    @pytest.mark.parametrize("boards", [3, 6])
    def test_a_board_among_the_boards_of_its_plank(self, rng, boards):
        sources = {f"C{i}": "one plank" for i in range(1, boards + 1)}
        specimens = specimens_table((boards,) * 3, sources=sources)
        # Of three, one stands out only where the others are as good as equal.
        sd = 0.3 if boards > 3 else 1e-3
        rows = features_table(specimens, rng, board_sd=sd, mount_sd=sd / 3, take_sd=sd / 3)
        _, found = self.found(specimens, moved(rows, rows["specimen"] == "C3", 5.0))
        (row,) = found[found["level"] == "specimen"].itertuples()
        assert (row.item, row.wood) == ("C3", rows.loc[rows["specimen"] == "C3", "wood"].iloc[0])
        assert set(row.ids) == set(rows.loc[rows["specimen"] == "C3", "id"])

    def planks(self, rng, count=6, **moved_by):
        """Two boards of each of three planks a wood; some moved."""
        sources = {
            f"{w}{i}": f"{w} plank {(i + 1) // 2}" for w in "LCR" for i in range(1, count + 1)
        }
        specimens = specimens_table((count,) * 3, sources=sources)
        rows = features_table(specimens, rng, board_sd=0.3, mount_sd=0.1, take_sd=0.1)
        for board, by in moved_by.items():
            rows = moved(rows, rows["specimen"] == board, by)
        return specimens, rows

    def test_two_boards_of_one_plank_that_disagree_are_both_named(self, rng):
        specimens, rows = self.planks(rng, C3=12.0)
        _, found = self.found(specimens, rows)
        (row,) = found[found["level"] == "specimen"].itertuples()
        assert row.item == "pair of boards C3 and C4"
        assert set(row.ids) == set(rows.loc[rows["specimen"].isin(["C3", "C4"]), "id"])
        told = fields_of(row.says)
        means = rows[rows["specimen"].isin(["C3", "C4"])].groupby("specimen")["value"].mean()
        assert told["values"] == pytest.approx(means.tolist())
        assert said(row.says).startswith("tone.h3.rel_db: board C3 says ")
        assert said(row.says).endswith(
            "They are of one plank. Which of the two is unlike it, they cannot tell: a third board "
            "of it would."
        )

    def test_planks_whose_pairs_agree_are_left_alone(self, rng):
        specimens, rows = self.planks(rng, C3=12.0, C4=12.0)  # a whole plank
        _, found = self.found(specimens, rows)
        assert found[found["level"] == "specimen"].empty

    def test_a_shift_between_batches_is_no_boards_fault(self, rng):
        specimens, rows = self.planks(rng)
        late = rows["specimen"].str[1:].astype(int) % 2 == 0
        rows.loc[late, "batch"] = "day 9"
        rows.loc[late & (rows["specimen"] < "L3"), "value"] += 30.0
        _, found = self.found(specimens, rows)
        assert found[found["level"] == "specimen"].empty

    def test_a_shift_between_batches_is_nobodys_fault(self, rng):
        specimens, rows = study(rng, batches=2, batch_shift=20.0, board_sd=1.0)
        _, found = self.found(specimens, rows)
        assert found[found["level"] != "take"].empty

    def test_and_does_not_hide_a_board(self, rng):
        specimens, rows = study(
            rng, batches=2, batch_shift=20.0, board_sd=0.5, mount_sd=0.2, take_sd=0.1
        )
        _, found = self.found(specimens, moved(rows, rows["specimen"] == "C3", 8.0))
        assert list(found.loc[found["level"] == "source", "item"]) == ["C3"]

    def test_unequal_numbers_of_mounts_are_passed_over(self, rng):
        specimens, rows = study(rng)
        rows = rows[~((rows["specimen"] == "L1") & (rows["mount"] == 3))]
        mask = (rows["specimen"] == "L1") & (rows["mount"] == 1)
        _, found = self.found(specimens, moved(rows, mask, 30.0))
        assert found[found["level"] == "mount"].empty

    def test_boards_without_any_spread_have_none_that_stands_out(self, rng):
        specimens, rows = study(rng, board_sd=0.0, mount_sd=0.0, take_sd=0.0)
        _, found = self.found(specimens, rows)
        assert found.empty


def test_without_faults_about_one_look_in_twenty_points_at_something(rng):
    features = draws(100, share=50)
    names = [f"tone.h{k}.rel_db" for k in range(2, 2 + features)]
    specimens, rows = study(rng, (5, 5, 5), names=names)
    samples = compare(rows, specimens, woods=WOODS, primary=[]).workings.samples
    number, found = number_of_tests(samples, names), find_outliers(samples, names)
    assert number == 5 * features
    error = np.sqrt(0.05 * 0.95 / number)
    assert len(found) / number == pytest.approx(0.05, abs=3 * error)


class TestWithout:
    def test_effects_stand_side_by_side_and_nothing_is_removed(self, rng):
        specimens, rows = study(rng, board_sd=0.5, mount_sd=0.2, take_sd=0.1)
        rows = moved(rows, rows["wood"] == "robinia", 1.5)
        rows = moved(rows, rows["specimen"] == "R1", -9.0)
        result = compared(specimens, rows)
        found = find_outliers(result.workings.samples, [NAME])
        found = found[found["level"] == "source"]
        table = leave_one_out(result.workings, found, result.effects)
        assert list(table["without"]) == ["R1"] * 3
        # With all: what the comparison said. Without: a comparison that never had the board.
        kept = rows[rows["specimen"] != "R1"]
        alone = compared(specimens[specimens["specimen"] != "R1"], kept).effects
        assert table["difference"].to_numpy() == pytest.approx(result.effects["difference"])
        for name in ("difference", "low", "high", "p_adjusted"):
            assert table[f"{name}_without"].to_numpy() == pytest.approx(alone[name].to_numpy())
        assert list(table["verdict_without"]) == list(alone["verdict"])
        assert table["changes"].any()

    def test_a_wood_that_is_left_with_one_board(self, rng):
        specimens, rows = study(rng, (6, 6, 2))
        result = compared(specimens, rows)
        found = find_outliers(result.workings.samples, [NAME]).head(0)
        ids = tuple(rows.loc[rows["specimen"] == "R1", "id"])
        found.loc[0] = [
            NAME,
            "source",
            "R1",
            "robinia",
            "Grubbs",
            2.0,
            1.9,
            2.1,
            "straggler",
            ids,
            "",
        ]
        table = leave_one_out(result.workings, found, result.effects)
        assert list(table["verdict_without"]).count("boards only") == 2
