"""Drift and order: truths put in, SciPy's correlation, rates of the chart."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studylib.codes import has
from studylib.codes.comparison import Method
from studylib.stats.compare import compare
from studylib.stats.drift import order_of_woods, reference_chart, trends
from tests.draws import draws
from tests.stats.simulate import WOODS, features_table, specimens_table

NAME = "tone.h3.rel_db"
RUNS = draws(400, share=200)
THREE_ERRORS = 3 * np.sqrt(0.05 * 0.95 / RUNS)


def run(rng, *, boards=4, mounts=3, slope=0.0, mount_sd=0.5, batches=1, references=4):
    """Mounts of boards in mixed order, the reference every few; a straight drift in each batch."""
    rows = []
    for batch in range(batches):
        names = [f"B{batch}{i}" for i in range(boards) for _ in range(mounts)]
        rng.shuffle(names)
        every = np.array_split(np.array(names, dtype=object), references - 1)
        order = ["ref", *(n for part in every for n in (*part, "ref"))]
        levels = {name: rng.normal(0, 2) for name in set(order)}
        levels["ref"] = 1.0
        for place, name in zip(np.linspace(0, 1, len(order)), order, strict=True):
            mount = sum(r[0] == name for r in rows) + 1
            y = levels[name] + slope * place + rng.normal(0, mount_sd)
            rows.append((name, f"day {batch}", mount, place, y, len(rows) + 1))
    table = pd.DataFrame(rows, columns=["specimen", "batch", "mount", "place", "y", "number"])
    order = table[["specimen", "batch", "mount", "place", "number"]].assign(started=pd.NaT, by="")
    return table[["specimen", "batch", "mount", "y"]].assign(feature=NAME), order


class TestTrend:
    def test_a_straight_drift_comes_back(self, rng):
        mounts, order = run(rng, slope=3.0, mount_sd=0.01, batches=2)
        table = trends(mounts, order, confidence=0.95)
        assert list(table["batch"]) == ["day 0", "day 1", ""]
        assert table["change"].to_numpy() == pytest.approx(3.0, abs=0.05)
        assert table["clear"].all()

    def test_against_least_squares_with_a_level_for_each_board(self, rng):
        mounts, order = run(rng, slope=1.0)
        both = mounts.merge(order, on=["specimen", "batch", "mount"])
        x = np.column_stack([pd.get_dummies(both["specimen"]).to_numpy(float), both["place"]])
        beta, square, *_ = np.linalg.lstsq(x, both["y"].to_numpy(), rcond=None)
        df = len(both) - x.shape[1]
        se = np.sqrt(square[0] / df * np.linalg.inv(x.T @ x)[-1, -1])
        (row,) = trends(mounts, order, confidence=0.95).itertuples()
        assert row.df == df
        assert row.change == pytest.approx(beta[-1])
        assert row.high - row.change == pytest.approx(stats.t.ppf(0.975, df) * se)

    def test_without_drift_one_in_twenty_is_clear(self, rng):
        hits = [trends(*run(rng), confidence=0.95)["clear"].iloc[0] for _ in range(RUNS)]
        assert np.mean(hits) == pytest.approx(0.05, abs=THREE_ERRORS)

    def test_boards_mounted_once_tell_nothing(self, rng):
        mounts, order = run(rng, mounts=1, references=2)
        keep = mounts["specimen"] != "ref"
        (row,) = trends(mounts[keep], order, confidence=0.95).itertuples()
        assert np.isnan(row.change)
        assert not row.clear


class TestChart:
    def test_all_points_stay_inside_in_95_of_100_runs(self, rng):
        out = [
            reference_chart(*run(rng), references=["ref"], confidence=0.95)["outside"].any()
            for _ in range(RUNS)
        ]
        # Bonferroni: at most 5 %, and not far below.
        assert 0.01 < np.mean(out) < 0.05 + THREE_ERRORS

    def test_a_step_of_the_bench_is_seen(self, rng):
        mounts, order = run(rng, mount_sd=0.1)
        last = mounts.index[(mounts["specimen"] == "ref")][-1]
        mounts.loc[last, "y"] += 3.0
        table = reference_chart(mounts, order, references=["ref"], confidence=0.95)
        assert table["outside"].iloc[-1]
        assert list(table["number"]) == sorted(table["number"])

    def test_no_other_board_mounted_twice_gives_no_limits(self, rng):
        mounts, order = run(rng, mounts=1)
        table = reference_chart(mounts, order, references=["ref"], confidence=0.95)
        assert len(table) == 4
        assert table["low"].isna().all()
        assert not table["outside"].any()


class TestOrderOfWoods:
    def boards(self, woods):
        return pd.DataFrame({"specimen": [f"s{i}" for i in range(len(woods))], "wood": woods})

    def order(self, places):
        return pd.DataFrame(
            {"specimen": [f"s{i}" for i in range(len(places))], "batch": "one", "mount": 1,
             "place": places}
        )  # fmt: skip

    def test_two_woods_against_the_point_biserial_correlation(self, rng):
        places, wood = rng.random(12), np.repeat(["larch", "cherry"], 6)
        found = order_of_woods(self.order(places), self.boards(wood))
        expected = stats.pearsonr(wood == "cherry", places)
        assert found.correlation == pytest.approx(abs(expected.statistic))
        assert found.p == pytest.approx(expected.pvalue)

    def test_three_woods_against_scipys_f_test(self, rng):
        places, wood = rng.random(15), np.repeat(WOODS, 5)
        found = order_of_woods(self.order(places), self.boards(wood))
        expected = stats.f_oneway(*(places[wood == w] for w in WOODS))
        assert found.p == pytest.approx(expected.pvalue)

    def test_one_wood_after_the_other_is_confounded_with_its_correlation(self):
        found = order_of_woods(self.order(np.linspace(0, 1, 12)), self.boards(np.repeat(WOODS, 4)))
        assert found.confounded
        assert found.correlation == pytest.approx(0.945, abs=0.01)
        assert list(found.places["place"]) == pytest.approx([3 / 22, 11 / 22, 19 / 22])

    def test_woods_in_turn_are_not(self):
        found = order_of_woods(self.order(np.linspace(0, 1, 12)), self.boards(np.tile(WOODS, 4)))
        assert not found.confounded

    def test_one_board_of_each_wood_cannot_tell(self):
        found = order_of_woods(self.order([0.0, 0.5, 1.0]), self.boards(list(WOODS)))
        assert np.isnan(found.correlation)
        assert not found.confounded


class TestTakenOut:
    """A drift on which the study asks to act: the place is a column of the model."""

    def study(self, rng, slope):
        specimens = specimens_table((5, 5, 5))
        rows = features_table(specimens, rng, board_sd=0.3, mount_sd=0.1, take_sd=0.1)
        keys = ["specimen", "batch", "mount"]
        places = rows[keys].drop_duplicates().reset_index(drop=True)
        # Woods in turn, but larch always before cherry before robinia.
        turn = places["specimen"].str[1:].astype(int) * 3 + places["specimen"].str[0].map(
            {"L": 0, "C": 1, "R": 2}
        )
        places["place"] = ((turn - turn.min()) / (turn.max() - turn.min())).astype(float)
        rows = rows.merge(places, on=keys)
        rows["value"] += slope * rows["place"]
        return specimens, rows, places

    def test_a_straight_drift_is_taken_out_whole_and_marked(self, rng):
        specimens, rows, places = self.study(rng, 0.0)
        kwargs = dict(woods=WOODS, primary=[NAME], places=places)
        still = compare(rows, specimens, **kwargs)
        rows["value"] += 30.0 * rows["place"]
        drifting = compare(rows, specimens, **kwargs)
        for name in ("difference", "low", "high", "p"):
            assert drifting.effects[name].to_numpy() == pytest.approx(
                still.effects[name].to_numpy(), abs=1e-9
            )
        assert all(has(cell, Method.TIMED) for cell in drifting.effects["method"])
        assert drifting.workings.samples[NAME].design.model.df == 15 - 3 - 1

    def test_left_in_it_is_part_of_the_difference(self, rng):
        specimens, rows, places = self.study(rng, 30.0)
        plain = compare(rows, specimens, woods=WOODS, primary=[NAME])
        assert not any(has(cell, Method.TIMED) for cell in plain.effects["method"])
        step = places.groupby(places["specimen"].str[0])["place"].mean()
        expected = 30.0 * (step["R"] - step["L"])
        assert plain.effects["difference"].iloc[1] == pytest.approx(expected, abs=1.5)

    def test_the_second_opinion_takes_it_out_too(self, rng):
        specimens, rows, places = self.study(rng, 0.0)
        rows = rows.drop(rows.sample(20, random_state=1).index)
        kwargs = dict(woods=WOODS, primary=[NAME], places=places)
        still = compare(rows, specimens, **kwargs).second_opinion
        rows["value"] += 30.0 * rows["place"]
        drifting = compare(rows, specimens, **kwargs).second_opinion
        assert drifting["difference"].to_numpy() == pytest.approx(
            still["difference"].to_numpy(), abs=1e-6
        )
