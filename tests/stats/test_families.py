"""Many pairs and many features: against published tables, and closed testing by brute force."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.multitest import multipletests

from studylib.stats.families import (
    alike_at_most,
    false_discovery_rate,
    holm,
    over_features,
    shaffer,
)
from tests.stats.reference import table


def groupings(woods: tuple[int, ...]):
    """Every way to put woods into groups of equals."""
    if not woods:
        yield []
        return
    first, rest = woods[0], woods[1:]
    for size in range(len(rest) + 1):
        for beside in combinations(rest, size):
            left = tuple(w for w in rest if w not in beside)
            for others in groupings(left):
                yield [(first, *beside), *others]


def alike_in(grouping) -> frozenset[tuple[int, int]]:
    return frozenset(pair for group in grouping for pair in combinations(group, 2))


@pytest.mark.parametrize(
    ("woods", "numbers"),
    [
        # Shaffer (1986), JASA 81, 826: from memory.
        (3, (3, 1, 1)),
        (4, (6, 3, 3, 3, 2, 1)),
        (5, (10, 6, 6, 6, 6, 4, 4, 3, 2, 1)),
        (6, (15, 10, 10, 10, 10, 10, 7, 7, 7, 6, 4, 4, 3, 2, 1)),
    ],
)
def test_numbers_of_pairs_alike_are_shaffers(woods, numbers):
    assert alike_at_most(woods) == numbers


@pytest.mark.parametrize("woods", [2, 3, 4, 5, 6, 7])
def test_numbers_of_pairs_alike_by_writing_out_every_grouping(woods):
    possible = {len(alike_in(g)) for g in groupings(tuple(range(woods)))}
    pairs = woods * (woods - 1) // 2
    most = [max(n for n in possible if n <= pairs - unlike) for unlike in range(pairs)]
    assert alike_at_most(woods) == tuple(most)


@pytest.mark.parametrize("woods", [3, 4, 5])
def test_shaffer_declares_nothing_that_closed_testing_does_not(rng, woods):
    """Closed testing written out: a pair is declared when every grouping with it is rejected, by
    Bonferroni over the pairs that are alike in it."""
    pairs = list(combinations(range(woods), 2))
    p = rng.random((200, len(pairs))) ** 4
    closed = np.zeros_like(p)
    for grouping in groupings(tuple(range(woods))):
        inside = [i for i, pair in enumerate(pairs) if pair in alike_in(grouping)]
        if inside:
            own = len(inside) * p[:, inside].min(axis=1, keepdims=True)
            closed[:, inside] = np.maximum(closed[:, inside], own)
    found = shaffer(p, woods)
    assert np.all(found >= np.minimum(closed, 1.0) - 1e-12)
    assert np.all(found <= holm(p))
    # And it is no empty promise: most of what closed testing declares it declares too.
    assert np.sum(found <= 0.05) > 0.9 * np.sum(closed <= 0.05)


@pytest.mark.parametrize(("features", "woods"), [(2, 2), (4, 2), (2, 3), (3, 3)])
def test_features_share_the_error_as_closed_testing_over_all_of_them(rng, features, woods):
    """Every combination of groupings, one a feature, tested by Bonferroni over the features in
    which anything is alike; within three woods the range test decides on all three."""
    pairs = list(combinations(range(woods), 2))
    for _ in range(40):
        own = rng.random((features, len(pairs))) ** 4
        together = np.minimum(own.min(axis=1) * (1.7 if woods == 3 else 1.0), 1.0)
        expected = np.zeros_like(own)
        local = [
            [
                (alike_in(g), together[f] if len(alike_in(g)) > 1 else
                 max([own[f, pairs.index(pair)] for pair in alike_in(g)], default=1.0))
                for g in groupings(tuple(range(woods)))
            ]
            for f in range(features)
        ]  # fmt: skip
        for combination in product(*local):
            several = [(f, alike, p) for f, (alike, p) in enumerate(combination) if alike]
            if not several:
                continue
            p = len(several) * min(p for _, _, p in several)
            for f, alike, _ in several:
                for pair in alike:
                    at = f, pairs.index(pair)
                    expected[at] = max(expected[at], p)
        closed = np.maximum(own, together[:, np.newaxis])
        assert over_features(closed) == pytest.approx(np.minimum(expected, 1.0))


def test_over_features_of_two_woods_is_holm(rng):
    p = rng.random((300, 5)) ** 3
    assert over_features(p[..., np.newaxis])[..., 0] == pytest.approx(holm(p))


def test_a_pair_that_is_not_compared_neither_counts_nor_is_declared():
    closed = np.array([[0.01, np.nan, np.nan], [0.04, 0.02, 0.3]])
    found = over_features(closed)
    assert np.isnan(found[0, 1:]).all()
    # The first feature is wholly declared at 0.02, and the second then has the whole error.
    assert found[1] == pytest.approx([0.04, 0.02, 0.3])
    assert found[0, 0] == 0.02


def test_holm_on_a_published_example():
    rows = table("bh1995_pvalues.csv")
    adjusted = holm(rows["p"].to_numpy())
    assert adjusted == pytest.approx(rows["holm"].to_numpy(), abs=5e-7)
    assert (adjusted <= 0.05).sum() == 3


def test_benjamini_hochberg_1995():
    # Benjamini & Hochberg (1995), 15 p-values: 4 rejected at 0.05.
    rows = table("bh1995_pvalues.csv")
    q = false_discovery_rate(rows["p"])
    assert q.to_numpy() == pytest.approx(rows["bh"].to_numpy(), abs=5e-7)
    assert (q <= 0.05).sum() == 4


def test_both_against_statsmodels(rng):
    for n in (1, 2, 7, 40):
        p = np.round(rng.random(n) ** 3, 2)  # with ties
        assert holm(p) == pytest.approx(multipletests(p, method="holm")[1])
        q = false_discovery_rate(pd.Series(p)).to_numpy()
        assert q == pytest.approx(multipletests(p, method="fdr_bh")[1])


def test_tests_that_find_nothing_still_count():
    assert holm(np.array([0.01, 0.02]), among=6) == pytest.approx([0.06, 0.10])


def test_missing_p_do_not_count():
    p = pd.Series([0.01, np.nan, 0.02])
    assert false_discovery_rate(p).to_numpy()[[0, 2]] == pytest.approx([0.02, 0.02])
    assert false_discovery_rate(pd.Series([np.nan])).isna().all()
