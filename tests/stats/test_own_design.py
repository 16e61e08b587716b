"""What this very design can do: held to the comparison itself and to the plan's own reckoning."""

from __future__ import annotations

import numpy as np
import pytest

from studylib.stats.blocks import wood_model
from studylib.stats.pairs import all_pairs
from studylib.stats.power import drawing_error, own_design, verdict_chances


def plain(*counts):
    group = np.repeat(np.arange(len(counts)), counts)
    return wood_model(group, np.ones((group.size, 1)), block=False)


def spreading(rng, model, sds):
    """Means with exactly these sample standard deviations."""
    y = rng.standard_normal(model.group.size)
    for g, sd in enumerate(sds):
        own = y[model.group == g]
        y[model.group == g] = sd * (own - own.mean()) / own.std(ddof=1)
    return y


ASK = dict(limit=2.0, confidence=0.95, primary=1, same_possible=True)


class TestAgainst:
    def test_the_plan(self, rng):
        # The same chances, drawn in another way for a study that is planned.
        model = plain(6, 6, 6)
        y = spreading(rng, model, (1.0, 1.5, 0.7))
        found = own_design(model, y, runs=4000, **ASK)
        for pair in ((0, 1), (0, 2), (1, 2)):
            means = np.zeros(3)
            means[pair[1]] = 2.0
            chances = verdict_chances(
                means, np.square([1.0, 1.5, 0.7]), [6, 6, 6], limit=2.0, pair=pair
            )
            se = np.hypot(
                drawing_error(found.at_limit[pair], found.runs), drawing_error(chances.declared)
            )
            assert found.at_limit[pair] == pytest.approx(chances.declared, abs=4 * se)
            alike = verdict_chances(
                [0, 0, 0], np.square([1.0, 1.5, 0.7]), [6, 6, 6], limit=2.0, pair=pair
            )
            assert found.same[pair] == pytest.approx(alike.of["same"], abs=4 * se + 0.02)

    def test_the_comparison_itself_with_batches(self, rng):
        group, batch = np.repeat([0, 1, 2], 4), np.tile([0, 0, 1, 1], 3)
        model = wood_model(group, np.eye(2)[batch], block=True)
        y = rng.normal(0, 1.0, 12)
        found = own_design(model, y, runs=4000, **ASK)
        sd = np.sqrt(model.wood_variances(y))
        drawn = rng.standard_normal((4000, 12)) * sd[group] + 7.0 * batch
        p = all_pairs(model, drawn).closed
        error = np.sqrt(2 * 0.05 * 0.95 / 4000)
        assert found.own_spreads == pytest.approx(np.mean(p.min(axis=1) <= 0.05), abs=4 * error)

    def test_what_is_seen_is_declared_in_four_of_five(self, rng):
        model = plain(5, 5)
        y = spreading(rng, model, (1.0, 1.0))
        seen = own_design(model, y, runs=4000, **ASK).seen[0, 1]
        drawn = rng.standard_normal((4000, 10)) + seen * model.group
        p = all_pairs(model, drawn).p
        assert np.mean(p <= 0.05) == pytest.approx(0.8, abs=0.03)


class TestReadings:
    def test_three_boards_keep_the_rate_and_two_are_far_below_it(self, rng):
        found = own_design(plain(3, 3, 3), rng.normal(0, 1, 9), **ASK)
        assert found.alike == pytest.approx(0.04, abs=3 * drawing_error(0.05, found.runs))
        assert found.own_spreads < 0.06 + 3 * drawing_error(0.06, found.runs)
        assert own_design(plain(2, 2, 2), rng.normal(0, 1, 6), **ASK).alike < 0.02

    def test_more_primary_features_see_less(self, rng):
        y = rng.normal(0, 1, 12)
        one = own_design(plain(4, 4, 4), y, **ASK)
        three = own_design(plain(4, 4, 4), y, **{**ASK, "primary": 3})
        assert all(three.seen[pair] > one.seen[pair] for pair in one.seen)
        assert three.alike == one.alike

    def test_without_a_limit_or_a_right_to_say_same(self, rng):
        y = rng.normal(0, 1, 12)
        assert np.isnan(own_design(plain(4, 4, 4), y, **{**ASK, "limit": None}).at_limit[0, 1])
        assert np.isnan(own_design(plain(4, 4, 4), y, **{**ASK, "same_possible": False}).same[0, 1])

    def test_the_same_study_prints_the_same_numbers(self, rng):
        y = rng.normal(0, 1, 12)
        assert own_design(plain(4, 4, 4), y, **ASK) == own_design(plain(4, 4, 4), y, **ASK)

    def test_nothing_to_compare(self):
        assert own_design(plain(4), np.arange(4.0), **ASK) is None
        assert own_design(plain(1, 1), np.arange(2.0), **ASK) is None
        assert own_design(plain(3, 3), np.zeros(6), **ASK) is None
