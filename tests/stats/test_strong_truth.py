"""The bench of strong control in short: a few of its designs, 4,000 studies each."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.stats import families
from tests.benchmarks.strong_truth import FAR, Cell, count, drawn, grid, holds

STUDIES = 4000
ONES = (1.0, 1.0, 1.0, 1.0)
SHORT = (
    Cell((2, 40), (3.0, 1.0), (0.0, 0.0)),
    Cell((3, 40), (1.0, 1.0), (0.0, 0.0)),
    Cell((3, 3, 40), (3.0, 1.0, 1.0), (0.0, 0.0, 0.0)),
    Cell((4, 4, 4, 40), (3.0, 1.0, 1.0, 1.0), (0.0, 0.0, FAR, FAR)),
    Cell((6, 6, 6, 6), ONES, (0.0, 0.0, 0.0, FAR), 6),
    Cell((3, 20), (3.0, 1.0), (0.0, 3.0), limit=3.0),
    Cell((4, 4, 4), (1.0, 1.0, 3.0), (0.0, 3.0, 6.0), 2, 3.0),
    Cell((4, 4, 4), ONES[:3], (0.0, 0.0, FAR), 3, claims=((0, 0, 1), (0, 0, 2), (1, 1, 2))),
)


@pytest.mark.parametrize("cell", SHORT, ids=lambda cell: cell.name)
def test_nothing_false_is_declared_more_often_than_promised(cell):
    rates = count(cell, STUDIES)
    assert {name: rate for name, rate in rates.items() if not holds(name, rate, STUDIES)} == {}
    assert "covered" in rates


def test_pairs_at_their_own_level_once_their_feature_is_declared_would_be_noticed():
    # One wood far off, six features: each pair only needed 5 % then.
    cell = SHORT[4]
    rng = np.random.default_rng(3)
    found = [drawn(cell, STUDIES, rng) for _ in range(cell.features)]
    p = np.stack([each.p for each in found], axis=1)
    first = families.holm(p.min(axis=2))[..., np.newaxis]
    alike = [a != 3 and b != 3 for a, b in found[0].woods]
    hits = (np.maximum(p, first)[:, :, alike] <= 0.05).any(axis=(1, 2))
    assert hits.mean() > 0.3


def test_no_two_designs_share_a_name():
    names = [cell.name for cell in grid()]
    assert len(names) == len(set(names))
