"""The faults that are planted to try the tests: each changes one expression and nothing else."""

from __future__ import annotations

import ast
import shutil

import pytest

from tests.mutations.__main__ import ROOT, Executed, draw
from tests.mutations.operators import OPERATORS, planted, sites, statements

SOURCE = b'''"""A module."""
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    LATER = 1 + 1
__all__ = ["f"]
LIMIT: int = 3


def f(x: int, *, often=2) -> int:
    # \xc3\xa4: positions are counted in bytes
    if x < LIMIT and not often == 2:
        x += 1
    return x * 2 if x else f"{x + 1}"
'''


def changed(operator):
    """Every line that differs with such a fault, as it reads then."""
    for site in sites(SOURCE):
        if site.operator == operator:
            before, after = SOURCE.splitlines(), planted(SOURCE, site).splitlines()
            (line,) = (b for a, b in zip(before, after, strict=True) if a != b)
            yield line.decode().strip()


@pytest.mark.parametrize(
    ("operator", "lines"),
    [
        ("comparison swapped", ["if (x > LIMIT) and not often == 2:",
                                "if x < LIMIT and not (often != 2):"]),
        ("boundary moved", ["if (x <= LIMIT) and not often == 2:"]),
        ("arithmetic swapped", ["x -= 1", 'return (x / 2) if x else f"{x + 1}"']),
        ("boolean negated", ["if (x < LIMIT or not often == 2):",
                             "if x < LIMIT and (often == 2):"]),
        ("nothing returned", ["return None"]),
        ("condition forced", ["if False:", "if True:",
                              'return x * 2 if True else f"{x + 1}"',
                              'return x * 2 if False else f"{x + 1}"']),
    ],
)  # fmt: skip
def test_each_operator_changes_what_it_says(operator, lines):
    assert list(changed(operator)) == lines


def test_constants_move_both_ways_and_annotations_stay():
    lines = list(changed("constant off by one"))
    assert lines[:4] == [
        "LIMIT: int = (4)",
        "LIMIT: int = (2)",
        "def f(x: int, *, often=(3)) -> int:",
        "def f(x: int, *, often=(1)) -> int:",
    ]
    assert len(lines) == 10
    assert {site.operator for site in sites(SOURCE)} == set(OPERATORS)
    assert [site.at_import for site in sites(SOURCE)][:3] == [True, True, True]
    assert statements(SOURCE) == 9


@pytest.fixture(scope="module")
def tree(tmp_path_factory):
    """One room of the library, which is quickly gone through."""
    place = tmp_path_factory.mktemp("tree")
    shutil.copytree(ROOT / "studylib" / "wood", place / "studylib" / "wood")
    return place


def test_the_sample_is_the_same_again_and_its_beginning_too(tree):
    few, more = (draw(tree, seed=172, count=count) for count in (5, 8))
    assert few == more[:5]
    for fault in more:
        source = (ROOT / fault.module).read_bytes()
        tree = ast.dump(ast.parse(planted(source, fault.site)))
        assert tree != ast.dump(ast.parse(source)), fault


def test_a_fault_is_tried_by_the_tests_that_execute_its_line(tree):
    (fault,) = draw(tree, seed=172, count=1)
    line = fault.site.last_line
    told = {
        "tests": ["a.py::1", "a.py::2", "b.py::1", "c.py::1"],
        "cost": [0.1, 50.0, 0.2, 0.3],
        "shared": [0.0, 0.0, 0.0, 0.0],
        "demo": [],
        "lines": {fault.module: {"own": {line: [0, 1], line + 999: [3]}, "shared": {line: [2]}}},
    }
    chosen, cost = Executed(told).chosen(fault)
    # The slow one is left out; so is the one that runs another line.
    assert chosen == [2, 0]
    assert cost == pytest.approx(0.3)
