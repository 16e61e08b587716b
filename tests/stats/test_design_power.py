"""Power, smallest designs, allocation, miscounting: against tables and the real comparison."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.power import TTestIndPower

from studylib.codes import code_of, fields_of
from studylib.codes.comparison import Verdict
from studylib.errors import InputError
from studylib.stats import decisions
from studylib.stats.blocks import wood_model
from studylib.stats.compare import compare
from studylib.stats.families import holm
from studylib.stats.pairs import all_pairs
from studylib.stats.planning import (
    Minutes,
    Nest,
    Spreads,
    best_splits,
    common_spreads,
    false_alarms,
    never_beyond,
    pilot_spreads,
)
from studylib.stats.power import (
    Decision,
    drawing_error,
    fewest_sources,
    limit_for_same,
    pair_power,
    sources_for_same,
    sources_to_declare,
    verdict_chances,
)
from tests.draws import draws
from tests.stats.simulate import WOODS, features_table, specimens_table


def spreads(source=1.5, mount=1.0, take=0.5, specimen=0.0) -> Spreads:
    return Spreads(source, specimen, mount, take, source / 2, 2 * source, "")


# ------------------------------------------------------------------ chances of the verdicts


def test_two_equal_woods_are_nearly_students_t_test():
    """Of two woods of one size and spread Welch's t finds a little less than Student's, whose power
    statsmodels has exactly."""
    for n, d, less in ((4, 2.5, 0.07), (8, 1.5, 0.02), (20, 1.0, 0.01)):
        found = verdict_chances([0, d], [1.0, 1.0], [n, n], limit=None, draws=100_000)
        exact = TTestIndPower().power(d, n, 0.05)
        assert exact - less < found.declared < exact


def test_the_share_declared_is_at_least_that_of_the_approximation_used_for_needed():
    for n, d, primary in ((4, 3.5, 1), (8, 2.0, 3), (20, 1.0, 3)):
        found = verdict_chances([0, d, d / 2], [1.0] * 3, [n] * 3, limit=None, primary=primary)
        args = dict(difference=d, variance_a=1.0, variance_b=1.0, woods=3, alpha=0.05 / primary)
        # With four planks the approximation, which knows the spreads' df only on average, is
        # optimistic by 4 points.
        assert -0.05 < found.declared - pair_power(n, **args) < 0.04


def test_a_locked_claim_is_found_more_often():
    """One of three claims against one of nine comparisons; 3 woods x 4 boards, 3 spreads apart."""
    ask = ([0.0, 3.0, 0.0], [1.0] * 3, [4, 4, 4])
    everything = verdict_chances(*ask, limit=None, primary=3)
    claimed = verdict_chances(*ask, limit=None, primary=3, claims=3)
    assert claimed.declared > everything.declared + 0.08
    # The only claim of all is Welch's t at its own level.
    one = verdict_chances([0.0, 3.0], [1.0] * 2, [4, 4], limit=None)
    alone = verdict_chances(*ask, limit=None, claims=1)
    assert alone.declared == pytest.approx(one.declared, abs=4 * drawing_error(0.8))


def test_the_limit_that_same_needs():
    """80 %: about 3.7 spreads at 3 boards, 2.4 at 4 and 1.8 at 6 (a trial by other code)."""
    assert limit_for_same(2, woods=2) == math.inf
    for n, spreads_wide in ((3, 3.7), (4, 2.4), (6, 1.8)):
        found = limit_for_same(n, woods=2)
        assert found == pytest.approx(spreads_wide, rel=0.06)
        chance = verdict_chances([0, 0], [1.0, 1.0], [n, n], limit=found).of[Verdict.SAME]
        assert chance == pytest.approx(0.8, abs=1e-3)


def test_every_verdict_is_as_frequent_as_the_report_gives_it():
    """25 studies (all: 120) drawn as tables of features and put through the whole comparison."""
    rng = np.random.default_rng(7)
    specimens = specimens_table((5, 5, 5))
    difference, sd, limit, runs = 2.6, 1.0, 1.0, draws(120, share=25)
    counted = dict.fromkeys((Verdict.BEYOND, Verdict.DIFFERENT, Verdict.OPEN), 0)
    for _ in range(runs):
        table = features_table(
            specimens, rng, effect={"cherry": difference, "robinia": difference / 2},
            board_sd=sd, mount_sd=0.0, take_sd=0.0, mounts=1, takes=1,
        )  # fmt: skip
        effects = compare(
            table, specimens, woods=WOODS, primary=["tone.h3.rel_db"],
            limits={"tone.h3.rel_db": limit}, own_limits={"tone.h3.rel_db"},
        ).effects  # fmt: skip
        row = effects[(effects["wood_a"] == "larch") & (effects["wood_b"] == "cherry")].iloc[0]
        counted[row["verdict"]] += 1
    found = verdict_chances(
        [0, difference, difference / 2], [sd**2] * 3, [5] * 3, limit=limit, same_possible=False
    )
    for word, count in counted.items():
        p = found.of[word]
        assert count / runs == pytest.approx(p, abs=3.5 * math.sqrt(p * (1 - p) / runs)), word


@pytest.mark.parametrize(
    ("n", "difference", "limit"), [(3, 0.0, 1.9), (6, 0.0, 1.9), (6, 2.4, 0.5), (3, 4.0, 1.0)]
)
def test_every_word_is_as_frequent_as_single_comparisons_give_it(n, difference, limit):
    """By the pairs of the report on drawn boards, for equal and for different woods."""
    rng, runs = np.random.default_rng(11), draws(2000, share=800)
    model = wood_model(np.repeat([0, 1, 2], n), np.ones((3 * n, 1)), block=False)
    means = np.repeat([0.0, difference, difference / 2], n)
    pairs = all_pairs(model, means + rng.standard_normal((runs, 3 * n)))
    p = [pairs.closed, holm(pairs.beyond(limit)), holm(pairs.within(limit)), pairs.same(limit)]
    p[1] = np.maximum(p[1], p[0])
    words = decisions.verdicts(*(each[:, 0] for each in p), confidence=0.95).tolist()
    found = verdict_chances([0, difference, difference / 2], [1.0] * 3, [n] * 3, limit=limit)
    for word, p in found.of.items():
        share = words.count(word) / runs
        assert share == pytest.approx(p, abs=4 * math.sqrt(max(p * (1 - p), 1e-3) / runs)), word


def test_a_block_costs_and_unequal_numbers_count():
    def declared(**options):
        return verdict_chances([0, 2.5, 1.2], [1.0] * 3, limit=None, **options).declared

    assert declared(sources=[4, 4, 4], block_columns=3) < declared(sources=[4, 4, 4]) - 0.02
    assert declared(sources=[4, 4, 4]) < declared(sources=[4, 8, 4])


@pytest.mark.parametrize(
    ("variances", "sources", "fault"),
    [([1.0, 1.0], [1, 4], "plan.one_source"), ([1.0, 0.0], [4, 4], "plan.zero_spread")],
)
def test_a_design_without_planks_or_spread_is_refused(variances, sources, fault):
    with pytest.raises(InputError) as caught:
        verdict_chances([0, 1], variances, sources, limit=None)
    assert caught.value.codes == (fault,)


# ------------------------------------------------------------------ smallest designs


def test_the_smallest_design_is_the_smallest_and_needed_agrees():
    for difference in (0.8, 1.5, 3.0):
        found = sources_to_declare(difference, 1.0, Decision(woods=3))
        before = verdict_chances(
            [0, difference, difference / 2], [1.0] * 3, [found.sources - 1] * 3, limit=None
        )
        assert found.chance >= 0.8 > before.declared
        args = dict(difference=difference, variance_a=1.0, variance_b=1.0, woods=3, alpha=0.05)
        about = fewest_sources(lambda n, args=args: pair_power(n, **args)).sources
        assert abs(found.sources - about) <= max(1, 0.04 * about)


def test_same_is_dear_and_its_number_is_that_of_two_one_sided_tests():
    """Known variance, alpha 5 %, power 80 %: n = 2 (1.645 + 1.282)^2 (sd/limit)^2 a wood (Chow,
    Shao and Wang, Sample Size Calculations in Clinical Research; recalled)."""
    found = sources_for_same(0.5, 1.0, Decision(woods=2))
    assert found.sources == pytest.approx(2 * (1.645 + 1.2816) ** 2 / 0.25, rel=0.04)
    assert sources_for_same(0.01, 1.0, Decision(woods=2)).sources is None


def test_the_smallest_design_is_asked_for_without_batches():
    """How many sources are enough does not hang on how many batches this design has."""
    blocked, free = Decision(woods=3, block_columns=2), Decision(woods=3)
    assert sources_to_declare(1.5, 1.0, blocked) == sources_to_declare(1.5, 1.0, free)
    assert sources_for_same(1.0, 1.0, blocked) == sources_for_same(1.0, 1.0, free)
    assert never_beyond(1.0, 1.0, blocked) == never_beyond(1.0, 1.0, free)


def test_the_one_search_gives_the_first_number_that_is_enough_and_counts_what_it_asks():
    for first in (2, 3, 4, 5, 70, 999, 1000):
        asked = []

        def chance(n, first=first, asked=asked):
            asked.append(n)
            return 0.9 if n >= first else 0.1

        found = fewest_sources(chance)
        assert (found.sources, found.chance) == (first, 0.9)
        assert len(asked) == len(set(asked)) <= 12
    none = fewest_sources(lambda n: n / 2000)
    assert (none.sources, none.chance) == (None, 0.5)


# ------------------------------------------------------------------ spreads and allocation


def test_variance_of_a_plank_by_hand():
    # 1.5^2 + (0.4^2 + 1/3 + 0.25/6) / 2
    found = Nest(2, 3, 2).variance(spreads(specimen=0.4))
    assert found == pytest.approx(2.25 + (0.16 + 1 / 3 + 0.25 / 6) / 2)
    assert Nest(1, math.inf, 1).variance(spreads()) == 2.25


def test_the_best_split_lies_near_the_rule_of_nested_sampling():
    """Cochran's rule by hand: 1.5/1 sqrt(60/2) = 8.2 mounts of a board, 1.5/1.5 sqrt(2/0.4) = 2.2
    takes of a mount; with minutes for many boards the best whole numbers are the nearest."""
    one = spreads(source=1.0, mount=1.5, take=1.5)
    best = best_splits(one, Minutes(60.0, 2.0, 0.4), woods=2, budget=1e5).iloc[0]
    assert (best["mounts"], best["takes"]) == (8, 2)


def test_the_best_split_is_that_of_all_designs_that_fit():
    one, minutes = spreads(), Minutes(15.0, 8.0, 0.8)
    table = best_splits(one, minutes, woods=3, budget=600.0)
    assert (table["minutes"] <= 600.0).all()
    assert list(table["sd"]) == sorted(table["sd"])
    every = [
        (Nest(1, m, r).variance(one) / n) ** 0.5
        for n in range(2, 20)
        for m in range(1, 13)
        for r in range(1, 13)
        if 3 * n * (15 + m * (8 + 0.8 * r)) <= 600
    ]
    assert table["sd"].iloc[0] == pytest.approx(min(every))


def test_minutes_that_are_too_few_are_one_fault():
    with pytest.raises(InputError) as caught:
        best_splits(spreads(), Minutes(15, 8, 0.8), woods=3, budget=40.0)
    assert caught.value.codes == ("plan.few_minutes",)
    fields = fields_of(caught.value.notes[0])
    assert (fields["budget"], fields["woods"]) == (40.0, 3)
    assert fields["least"] == pytest.approx(2 * 3 * (15 + 8 + 0.8))
    assert str(caught.value).startswith("40 minutes are too few")


def variance_rows(**levels):
    rows = [("tone.h1.level_db", n, v, v / 2, v * 4) for n, v in levels.items()]
    return pd.DataFrame(rows, columns=["feature", "level", "variance", "low", "high"])


def test_a_pilot_gives_its_spreads_with_their_interval():
    found = pilot_spreads(
        variance_rows(specimen=4.0, mount=1.0, take=0.25), "tone.h1.level_db", name="variance.csv"
    )
    assert (found.source, found.specimen, found.mount, found.take) == (2.0, 0.0, 1.0, 0.5)
    assert found.source_low == pytest.approx(2**0.5)
    assert found.source_high == 4.0
    found = pilot_spreads(
        variance_rows(source=4.0, specimen=1.0, take=0.25), "tone.h1.level_db", name="variance.csv"
    )
    assert (found.source, found.specimen, found.mount) == (2.0, 1.0, 0.0)
    assert code_of(found.origin) == "plan.pilot"
    assert fields_of(found.origin) == {"name": "variance.csv", "unseen": ["mount"]}


@pytest.mark.parametrize(
    ("table", "fault", "fields"),
    [
        (variance_rows(specimen=0.0, take=1.0), "plan.pilot_flat", {}),
        (variance_rows(take=1.0), "plan.pilot_flat", {}),
        (variance_rows(specimen=1.0).assign(feature="tone.h2.rel_db"), "plan.pilot_lacks", {}),
        (
            variance_rows(specimen=1.0).drop(columns="high"),
            "plan.pilot_columns",
            {"missing": ["high"]},
        ),
    ],
)
def test_a_pilot_that_does_not_serve_is_told(table, fault, fields):
    with pytest.raises(InputError) as caught:
        pilot_spreads(table, "tone.h1.level_db", name="variance.csv")
    assert caught.value.codes == (fault,)
    told = fields_of(caught.value.notes[0])
    assert told == {"name": "variance.csv", **(fields or {"feature": "tone.h1.level_db"})}


def test_common_spreads_say_where_they_are_from():
    found = common_spreads("tone.h1.level_db")
    assert code_of(found.origin) == "plan.common"
    assert fields_of(found.origin) == {"board": 1.5, "mount": 1.0, "take": 0.5, "unit": "dB"}
    found = common_spreads("tap.m1.decay_time_s")
    assert found.source == pytest.approx(0.15)
    assert fields_of(found.origin) == {"board": 15.0, "mount": 6.0, "take": 3.0, "unit": "%"}


# ------------------------------------------------------------------ what counts as one


def test_counting_takes_as_boards_is_wrong_in_two_of_three_studies_and_planks_keep_the_promise():
    """With the spreads 1.5, 1.0 and 0.5 dB and 4 boards, 3 mounts, 3 takes, an analysis of single
    takes errs in about two of three studies; over planks in no more than one of twenty."""
    table = false_alarms(spreads(), woods=3, planks=4, boards=1, mounts=3, takes=3, runs=300)
    rate = dict(zip(table["counted"], table["rate"], strict=True))
    assert rate["planks"] <= 0.05 + 3 * math.sqrt(0.05 * 0.95 / 300)
    assert 0.58 < rate["takes"] < 0.78
    assert rate["planks"] == rate["boards"]
    assert list(table["units"]) == [4, 4, 12, 36]


def test_boards_of_one_plank_counted_as_planks_break_the_promise():
    shared = spreads(source=1.5, specimen=0.3)
    table = false_alarms(shared, woods=3, planks=3, boards=4, mounts=2, takes=2, runs=200)
    assert all(a < b for a, b in pairwise(table["rate"]))
    assert table["rate"].iloc[1] > 0.3
