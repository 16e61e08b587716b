"""The truth bench in short: a few of its designs, 500 studies each, against what is promised.

The whole of it (tests/benchmarks/truth, 10,000 studies a design) is run for the page in
reports/sample; here the same code must hold its limits with three Monte Carlo errors.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.truth.against import findings
from tests.benchmarks.truth.cells import Cell, grid
from tests.benchmarks.truth.draw import draw, specimens_of
from tests.benchmarks.truth.judge import Counts, count
from tests.benchmarks.truth.page import page, results_from, results_table

SHORT = (
    "normal, 4 4 4",
    "one wood three times as wide, 4 4 4 4",
    "two batches crossed, 4 4 4",
    "a quarter of the mounts missing, 4 4 4",
    "three primary features, 4 4 4",
    "normal, 3 3 3",
    "a true difference, 4 4 4",
)
CELLS = {cell.name: cell for cell in grid()}


@pytest.mark.parametrize("name", SHORT)
def test_what_is_promised_holds(name):
    counts = count(CELLS[name], 500, seed=1)
    failed = [finding for finding in findings(CELLS[name], counts) if not finding.holds]
    assert not failed
    assert counts.trials["any"] == 500


def test_counting_hidden_planks_as_boards_would_be_noticed():
    # The bench is no rubber stamp: a design that breaks the promise comes out far above it.
    name = "shared planks, hidden, 8 8 8 boards of 4 planks"
    counts = count(CELLS[name], 300, seed=2)
    assert counts.rate("any") > 0.09


def test_a_rate_beyond_its_limit_is_said_to_fail():
    cell = CELLS["normal, 4 4 4"]
    good = {"any": (50, 1000), "covered": (950, 1000)}
    for name, hits, failing in (
        ("any", 90, "false alarms"), ("any", 10, "false alarms"),
        ("covered", 900, "coverage of all intervals together"),
    ):  # fmt: skip
        both = {**good, name: (hits, 1000)}
        counts = Counts({n: h for n, (h, _) in both.items()}, {n: t for n, (_, t) in both.items()})
        assert failing in [f.what for f in findings(cell, counts) if not f.holds]


class TestDraw:
    def test_the_truth_of_a_draw_is_the_stated_one(self, rng):
        cell = Cell("c", (3, 3), board_sd=2.0, mount_sd=1.0, take_sd=0.5, effect=4.0, ratio=3.0)
        _, rows = draw(cell, 900, rng)
        boards = rows.groupby(["feature", "specimen"])["value"].mean().unstack()
        assert len(rows) == 900 * 6 * 4
        below = 1.0 / 2 + 0.25 / 4
        assert boards["L1"].mean() == pytest.approx(-20.0, abs=0.7)
        assert boards["C1"].mean() == pytest.approx(-16.0, abs=0.3)
        assert boards["L1"].var() == pytest.approx(36.0 + below, rel=0.15)
        assert boards["C2"].var() == pytest.approx(4.0 + below, rel=0.15)

    def test_planks_missing_mounts_batches_and_drift(self, rng):
        named = Cell("c", (4, 4), planks="named")
        assert specimens_of(named)["source"].nunique() == 4
        assert specimens_of(Cell("c", (4, 4), planks="hidden"))["source"].nunique() == 8
        _, rows = draw(Cell("c", (4, 4), missing=0.5, mounts=3), 2, rng)
        mounts = rows.groupby(["feature", "specimen"])["mount"].nunique()
        assert mounts.min() >= 1
        assert mounts.mean() < 3
        _, rows = draw(Cell("c", (4, 4), batches=2, confounded=True), 1, rng)
        assert rows.groupby("batch")["specimen"].unique().map(
            lambda names: {n[0] for n in names}
        ).tolist() == [{"L"}, {"C"}]
        quiet = dict(board_sd=1e-9, mount_sd=1e-9, take_sd=1e-9, drift=4.0)
        _, turn = draw(Cell("c", (4, 4), **quiet), 1, rng)
        _, after = draw(Cell("c", (4, 4), in_turn=False, **quiet), 1, rng)
        for rows, gap in ((turn, 0.6), (after, 2.0)):
            means = rows.groupby(rows["specimen"].str[0])["value"].mean()
            assert abs(means["C"] - means["L"]) == pytest.approx(gap, abs=0.15)

    def test_features_of_one_board_go_together(self, rng):
        cell = Cell("c", (4, 4), features=3, alike=0.8, mount_sd=1e-6, take_sd=1e-6)
        _, rows = draw(cell, 300, rng)
        wide = rows.groupby(["feature", "specimen"], sort=False)["value"].mean().to_numpy()
        wide = wide.reshape(300, 3, 8)
        pair = np.corrcoef(wide[:, 0].ravel(), wide[:, 1].ravel())[0, 1]
        assert pair == pytest.approx(0.8, abs=0.05)


def test_the_page_names_what_failed_and_holds_every_count():
    cell = CELLS["normal, 4 4 4"]
    counts = Counts({"any": 90, "covered": 910, "pooled": 50}, dict.fromkeys(
        ("any", "covered", "pooled"), 1000))  # fmt: skip
    results = [(cell, counts)]
    text = page(results, findings(cell, counts), studies=1000)
    assert "What does not hold" in text
    assert "9.0 %" in text
    table = results_table(results)
    assert set(table["what"]) == {"any", "covered", "pooled"}
    assert table.set_index("what").loc["any", "rate"] == 0.09
    ((again, same),) = results_from(table, grid())
    assert again == cell
    assert (same.hits, same.trials) == (counts.hits, counts.trials)


def test_no_two_designs_share_a_name():
    assert len(CELLS) == len(grid())
