"""The walk through the method: what it counts is right, and the deck is one that can be shown.

Outside: under no difference between woods the sums of squares of a balanced nested design are
independent multiples of chi-squared (Searle, Casella & McCulloch, Variance Components, chapter 4,
recalled), from which the false alarms of counting takes follow without drawing a single take.
"""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat
import numpy as np
import pytest
from scipy import stats

from studylib.report import method
from studylib.stats.miscounted import COUNTED, false_alarms
from studylib.words import say

NOTEBOOK = Path(__file__).parents[1] / "notebooks" / "method.ipynb"
BOARD, MOUNT, TAKE = SPREADS = (1.5, 1.0, 0.5)
WOODS, BOARDS, MOUNTS, TAKES = 3, 4, 3, 3
CELLS = nbformat.read(NOTEBOOK, as_version=4).cells


def rate_of_takes() -> float:
    """The chance that F over single takes exceeds its 5 % point, by the sums of squares alone."""
    rng = np.random.default_rng(11)
    take = TAKE**2
    mount = take + TAKES * MOUNT**2
    board = mount + MOUNTS * TAKES * BOARD**2
    degrees = (WOODS - 1, WOODS * (BOARDS - 1), WOODS * BOARDS * (MOUNTS - 1),
               WOODS * BOARDS * MOUNTS * (TAKES - 1))  # fmt: skip
    sums = [
        square * rng.chisquare(df, 400_000)
        for square, df in zip((board, board, mount, take), degrees, strict=True)
    ]
    within = sum(degrees[1:])
    ratio = (sums[0] / degrees[0]) / (sum(sums[1:]) / within)
    return float(np.mean(ratio > stats.f.ppf(0.95, degrees[0], within)))


def test_boards_keep_the_promise_and_takes_break_it_as_theory_says():
    rates = false_alarms(SPREADS, studies=20_000).set_index("counted")
    assert list(rates.index) == list(COUNTED)
    assert list(rates["numbers"]) == [BOARDS, BOARDS * MOUNTS, BOARDS * MOUNTS * TAKES]
    assert rates.loc["board", "low"] < 0.05 < rates.loc["board", "high"]
    assert rates.loc["take", "rate"] == pytest.approx(rate_of_takes(), abs=0.012)
    assert rates.loc["take", "rate"] > 0.6  # two of three studies


def test_without_spread_between_boards_and_mounts_every_way_is_right():
    rates = false_alarms((0.0, 0.0, 1.0), studies=20_000)
    assert (abs(rates["rate"] - 0.05) < 0.006).all()


def test_the_demo_raises_false_alarms_when_its_takes_are_counted(demo_summary):
    alarms = method.counting(demo_summary)
    (right,) = method.counted_notes(alarms, counted="board")
    (wrong,) = method.counted_notes(alarms, counted="take")
    assert "wrong way" not in say(right)
    assert "wrong way: takes of one board share that board" in say(wrong)
    assert alarms.set_index("counted").loc["take", "rate"] > 0.5
    lines = method.lines(demo_summary)
    assert list(lines["harmonic"]) == list(range(1, len(lines) + 1))


def test_the_deck_has_twelve_slides_each_with_one_call_and_few_words():
    kinds = [cell.metadata["slideshow"]["slide_type"] for cell in CELLS]
    assert set(kinds) == {"slide", "-", "skip"}
    assert kinds.count("slide") == 12
    for cell, kind in zip(CELLS, kinds, strict=True):
        if cell.cell_type == "markdown":
            assert len(cell.source.split()) <= 90
        elif kind == "-":
            assert len(ast.parse(cell.source).body) <= 3
    numbered = [c.source for c in CELLS if c.cell_type == "markdown"][1:]
    assert [one.partition(".")[0] for one in numbered] == [f"## {n}" for n in range(1, 12)]
