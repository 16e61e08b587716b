"""A second column beside the wood: statsmodels on boards' means, planks split, confounding."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from studylib.codes import code_of, fields_of, note
from studylib.stats.compare import compare
from studylib.stats.second_column import second_column
from tests.draws import draws
from tests.stats.simulate import WOODS, features_table, specimens_table

NAME = "tone.h3.rel_db"


def asked(rng, finish, *, counts=(4, 4, 4), effect=0.0, sources=None, **given):
    """The second column of a study; `finish` gives each board's group by its name."""
    specimens = specimens_table(counts, sources=sources)
    specimens["beside"] = [finish(name) for name in specimens["specimen"]]
    rows = features_table(specimens, rng, **given)
    oiled = set(specimens.loc[specimens["beside"] == "oiled", "specimen"])
    rows.loc[rows["specimen"].isin(oiled), "value"] += effect
    result = compare(rows, specimens, woods=WOODS, primary=[NAME])
    return rows, specimens, second_column(result.workings, specimens, name="finish")


def in_turn(name: str) -> str:
    return "oiled" if int(name[1:]) % 2 else "waxed"


def board_means(rows, specimens) -> pd.DataFrame:
    mounts = rows.groupby(["specimen", "mount"])["value"].mean()
    means = mounts.groupby("specimen").mean().rename("y").reset_index()
    return means.merge(specimens, on="specimen")


class TestCrossed:
    def test_a_balanced_study_is_the_two_way_analysis_of_boards(self, rng):
        rows, specimens, found = asked(rng, in_turn, effect=4.0, board_sd=3.0)
        fit = ols("y ~ C(wood, levels=['larch', 'cherry', 'robinia']) + C(beside)",
                  board_means(rows, specimens)).fit()  # fmt: skip
        assert not found.confounded
        by_pair = found.table.set_index(["column", "a", "b"])
        row = by_pair.loc[("finish", "oiled", "waxed")]
        assert row["difference"] == pytest.approx(fit.params["C(beside)[T.waxed]"], abs=1e-6)
        assert row["df"] == pytest.approx(fit.df_resid, rel=1e-6)
        assert row["p"] == pytest.approx(fit.pvalues["C(beside)[T.waxed]"], rel=1e-4)
        name = "C(wood, levels=['larch', 'cherry', 'robinia'])[T.cherry]"
        row = by_pair.loc[("wood", "larch", "cherry")]
        assert row["difference"] == pytest.approx(fit.params[name], abs=1e-6)
        # In a balanced study holding equal changes no difference of the woods.
        assert row["difference_without"] == pytest.approx(row["difference"], abs=1e-6)

    def test_unequal_numbers_need_it(self, rng):
        # Most larch is oiled, most robinia waxed; oil adds 6 dB and the woods are alike.
        def finish(name):
            limit = {"L": 7, "C": 4, "R": 2}[name[0]]
            return "oiled" if int(name[1:]) <= limit else "waxed"

        _, _, found = asked(
            rng, finish, counts=(8, 8, 8), effect=6.0, board_sd=0.5, mount_sd=0.2, take_sd=0.1
        )
        row = found.table.set_index(["column", "a", "b"]).loc[("wood", "larch", "robinia")]
        assert row["difference_without"] < -3.0
        assert abs(row["difference"]) < 1.0
        assert row["low"] < 0 < row["high"]

    def test_a_plank_with_both_finishes_is_compared_with_itself(self, rng):
        sources = {f"{w}{i}": f"{w} plank {(i + 1) // 2}" for w in "LCR" for i in range(1, 9)}
        specimens = specimens_table((8, 8, 8), sources=sources)
        specimens["beside"] = [in_turn(name) for name in specimens["specimen"]]
        rows = features_table(specimens, rng, board_sd=0.1, mount_sd=0.1, take_sd=0.1)
        plank = specimens.set_index("specimen")["source"]
        shift = {source: rng.normal(0, 5.0) for source in plank.unique()}
        rows["value"] += rows["specimen"].map(plank).map(shift)
        rows.loc[rows["specimen"].map(in_turn) == "oiled", "value"] += 1.0
        result = compare(rows, specimens, woods=WOODS, primary=[NAME])
        found = second_column(result.workings, specimens, name="finish").table
        row = found.set_index(["column", "a", "b"]).loc[("finish", "oiled", "waxed")]
        # Planks differ by 5 dB; within them 1 dB is seen at once.
        assert row["difference"] == pytest.approx(-1.0, abs=0.2)
        assert row["p"] < 1e-3
        assert 8 < row["df"] < 14

    def test_woods_that_differ_in_one_finish_only_are_noted(self, rng):
        rows, specimens, _ = asked(rng, in_turn, board_sd=0.3, mount_sd=0.1, take_sd=0.1)
        here = (rows["wood"] == "robinia") & (rows["specimen"].map(in_turn) == "oiled")
        rows.loc[here, "value"] += 5.0
        result = compare(rows, specimens, woods=WOODS, primary=[NAME])
        found = second_column(result.workings, specimens, name="finish")
        assert set(found.table["note"].map(code_of)) == {"second_column.not_alike"}
        full = ols("y ~ C(wood) * C(beside)", board_means(rows, specimens)).fit()
        p = anova_lm(full).loc["C(wood):C(beside)", "PR(>F)"]
        assert fields_of(found.table["note"].iloc[0])["p"] == pytest.approx(p, rel=0.05)

    def test_the_interaction_is_noted_in_one_of_twenty_studies_without_any(self, rng):
        specimens = specimens_table((4, 4, 4))
        specimens["beside"] = [in_turn(name) for name in specimens["specimen"]]
        features = draws(100, share=50)
        names = [f"tone.h{k}.rel_db" for k in range(2, 2 + features)]
        rows = features_table(specimens, rng, names=names, board_sd=3.0)
        result = compare(rows, specimens, woods=WOODS, primary=names)
        table = second_column(result.workings, specimens, name="finish").table
        noted = table.groupby("feature")["note"].first() != ""
        assert noted.mean() == pytest.approx(0.05, abs=3 * np.sqrt(0.05 * 0.95 / features))


class TestConfounded:
    def test_a_finish_of_one_wood_only(self, rng):
        _, _, found = asked(rng, lambda name: "oiled" if name[0] == "L" else "waxed")
        assert found.table.empty
        assert code_of(found.confounded) == "second_column.confounded"
        assert fields_of(found.confounded) == {
            "name": "finish",
            "parts": [
                {"woods": ["larch"], "groups": ["oiled"]},
                {"woods": ["cherry", "robinia"], "groups": ["waxed"]},
            ],
        }

    def test_one_finish_for_all(self, rng):
        _, _, found = asked(rng, lambda name: "oiled")
        assert found.confounded == note("second_column.one_group", name="finish")

    def test_a_bridge_through_one_wood_is_enough(self, rng):
        groups = {"L": ("oiled", "waxed"), "C": ("waxed", "raw"), "R": ("raw", "raw")}
        _, _, found = asked(
            rng, lambda name: groups[name[0]][int(name[1:]) % 2], board_sd=0.1, mount_sd=0.1
        )
        assert not found.confounded
        assert (found.table["column"] == "finish").sum() == 3
        assert found.table["difference"].abs().max() < 2.0

    def test_more_groups_than_boards_say_so(self, rng):
        _, _, found = asked(rng, lambda name: f"by hand {name[1:]}", counts=(2, 2, 2))
        assert len(found.table)
        rows = found.table
        assert rows["p"].isna().all() or (rows["df"] >= 1).all()

    def test_one_take_of_one_mount_cannot_tell_boards_from_takes(self, rng):
        _, _, found = asked(rng, in_turn, mounts=1, takes=1)
        assert found.table["note"].iloc[0] == "second_column.too_few"


def test_the_table_of_cells_counts_boards(rng):
    _, _, found = asked(rng, in_turn, counts=(4, 3, 5))
    assert found.cells.to_numpy().tolist() == [[2, 2], [2, 1], [3, 2]]
    assert list(found.cells.columns) == ["oiled", "waxed"]
