"""The bench of covariates in short: a few of its designs, and that a page says what it counts."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from studylib.codes import code_of, fields_of
from studylib.report.covariates import covariate_notes
from studylib.stats.covariates import analyse_covariates
from studylib.stats.families import over_features
from tests.benchmarks.covariates_truth import Cell, boards, count, fitted, holds
from tests.draws import draws
from tests.stats.simulate import WOODS

FEATURES = ("tone.h1.level_db", "tone.h2.rel_db", "tone.h3.rel_db")
COLUMNS = ("thickness_mm", "width_mm", "mass_g")
SAID = ("covariates.stays", "covariates.turned", "covariates.appears")
NULL = {"moved": (0.0, 0.0, 0.0), "slope": 0.0}
SHORT = (
    Cell((4, 4, 4), (3.0, 1.0, 1.0), moved=(0.0, 0.5, 1.0)),
    Cell((6, 6, 6), (1.0, 1.0, 3.0), moved=(0.0, 0.5, 1.0), blocked=True),
    Cell((6, 6, 6), error=1.0, stated=1.0),
    Cell((12, 12, 12), error=1.0, stated=1.0),
    Cell((6, 6, 6), error=1.0, stated=None),
    Cell((6, 6, 6), (0.9, 0.3, 0.3), error=0.5, stated=0.5, blocked=True),
    Cell((12, 12, 12), varied=(3.0, 1.0, 1.0), error=1.0, stated=1.0),
)


@pytest.mark.parametrize("cell", SHORT, ids=lambda cell: cell.name)
def test_intervals_and_sentences_are_wrong_no_more_often_than_promised(cell):
    studies = draws(2000, share=100)
    rates = count(cell, studies)
    assert {name: r for name, r in rates.items() if not holds(cell, name, r, studies)} == {}
    assert rates["held"] > 0.5


def test_nine_features_and_properties_are_one_family():
    cell, studies = Cell((4, 4, 4), **NULL, many=True), draws(1000, share=30)
    rates = count(cell, studies)
    assert holds(cell, "reason", rates["reason"], studies)
    assert holds(cell, "slopes", rates["slopes"], studies)


def test_an_error_that_is_passed_over_would_be_noticed():
    # The property is the whole cause, and read with an error as large as its spread.
    cell, studies = Cell((12, 12, 12), error=1.0, stated=0.0), draws(1000, share=40)
    assert count(cell, studies)["reason"] > 0.3


def test_what_holds_allows_is_what_is_promised():
    cell = Cell((4, 4, 4))
    for name, kept, broken in (("missed", 0.06, 0.09), ("reason", 0.05, 0.08)):
        assert holds(cell, name, kept, 1000)
        assert not holds(cell, name, broken, 1000)
    assert holds(Cell((4, 4, 4), many=True), "missed", 0.3, 1000)


def shown(cell, seed):
    """What the page says of one study, from its sheets: the pairs shown to differ with a property
    held equal, and the features and properties whose slopes differ."""
    group, batch, y, x = boards(cell, np.random.default_rng(seed))
    names = [f"B{i}" for i in range(group.size)]
    own = {"specimen": names, "wood": np.take(WOODS, group), "role": ""}
    means = pd.concat(
        pd.DataFrame({**own, "source": names, "batch": batch.astype(str), "mount": 1}).assign(
            feature=feature, value=value
        )
        for feature, value in zip(FEATURES, y, strict=False)
    )
    kinds = len(y)
    coverage = {"feature": FEATURES[:kinds], "wood": "all", "compared": True, "reason": ""}
    found = analyse_covariates(
        SimpleNamespace(mount_means=means, coverage=pd.DataFrame(coverage)),
        pd.DataFrame(own | dict(zip(COLUMNS, x, strict=False))),
        woods=WOODS,
        features=FEATURES[:kinds],
        uncertainties=dict.fromkeys(COLUMNS, cell.stated),
    )
    differ, slopes = set(), set()
    for paragraph in map(fields_of, covariate_notes(found, covariates=COLUMNS[:kinds])):
        case = (paragraph["name"], code_of(paragraph["held"]))
        for part in paragraph["parts"]:
            told = fields_of(part)
            if code_of(part) == "covariates.outcome" and told["outcome"] in SAID:
                differ |= {(*case, pair["wood_a"], pair["wood_b"]) for pair in told["pairs"]}
            if code_of(part) == "covariates.slope" and told["p"] is not None:
                slopes.add(case)
    return differ, slopes


def test_a_page_says_what_the_bench_counts():
    # Truth: each feature follows a property of its own, and the woods differ in all three, so that
    # eighteen of the 27 sentences on pairs may say so.
    cell = Cell((20, 20, 20), moved=(0.0, 0.7, 1.4), error=0.2, stated=0.2, many=True)
    seen = 0
    for seed in range(2):
        differ, slopes = shown(cell, seed)
        fits = fitted(cell, np.random.default_rng(seed))
        held = [f"covariates.{name}" for name in ("thickness", "width", "mass")]
        cases = [(feature, name) for feature in FEATURES for name in held]
        assert all(fit.reliability > 0 for fit in fits)
        p = over_features(np.array([fit.spans(0.95)["p"] for fit in fits]))
        pairs = [(WOODS[a], WOODS[b]) for a, b in ((0, 1), (0, 2), (1, 2))]
        expected = {
            (*case, *pair)
            for case, row in zip(cases, p, strict=True)
            for pair, one in zip(pairs, row, strict=True)
            if one <= 0.05
        }
        assert differ == expected
        apart = over_features(np.array([[fit.p_slopes_differ()] for fit in fits]))[:, 0]
        assert slopes == {case for case, one in zip(cases, apart, strict=True) if one <= 0.05}
        seen += len(differ)
    assert seen > 0
