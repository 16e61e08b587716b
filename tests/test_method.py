"""The walk through the method: it shows what the demo holds, and the deck is one that can be shown.

How often wrong counting errs is held against the textbook in tests/stats/test_design_power.py.
"""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat

from studylib.report import method
from studylib.words import say

NOTEBOOK = Path(__file__).parents[1] / "notebooks" / "method.ipynb"
CELLS = nbformat.read(NOTEBOOK, as_version=4).cells


def test_the_demo_raises_false_alarms_when_its_takes_are_counted(demo_summary):
    alarms = method.counting(demo_summary)
    (right,) = method.counted_notes(alarms, counted="planks")
    (wrong,) = method.counted_notes(alarms, counted="takes")
    assert "wrong way" not in say(right)
    assert alarms["units"].tolist() == [4, 12, 36]
    assert "wrong way: takes of one board share that board" in say(wrong)
    assert alarms.set_index("counted").loc["takes", "rate"] > 0.5
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
