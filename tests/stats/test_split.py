"""What a difference acts through: parts that add up, the textbook values of a small game, the
jackknife where it is known, and errors of measurement."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from scipy import stats

from studylib.stats import split
from studylib.wood import prediction

HZ = np.array([120.0, 172.0, 700.0])
NODES = prediction._NODES_HZ.size


def board(length=0.745, thickness=0.018, density=590.0, e=13e9, ratio=15.0, loss=0.01, draws=1):
    return prediction.Numbers(
        *(np.full(draws, value) for value in (length, 0.038, thickness, density, e, ratio)),
        loss=np.full((draws, NODES), loss), uneven=np.zeros((draws, NODES)),
    )  # fmt: skip


def bench(draws=1):
    return prediction.OnBench("acceleration", np.full(draws, 0.1), None, 0.0, ((), 0.0), 1.2)


def test_the_parts_of_two_boards_add_up_and_are_those_of_the_game_by_hand():
    one, other = board(), board(thickness=0.0182, density=690.0, e=10e9, ratio=12.0, loss=0.007)
    found = split.changes(one, other, HZ, bench())[:, 0]
    worth = {}

    def value(groups):
        key = frozenset(groups)
        if key not in worth:
            between = prediction.swapped(one, other, [key])
            worth[key] = prediction.levels_db(between, HZ, bench())[0]
        return worth[key]

    whole = value(prediction.GROUPS) - value([])
    np.testing.assert_allclose(found.sum(axis=0), whole, atol=1e-9)
    # Two players, sizes and material (Shapley 1953): half what sizes do first, half what they do
    # last.
    sizes, material = ["sizes"], ["density", "stiffness", "loss"]
    by_hand = (value(sizes) - value([]) + whole - (value(material) - value([]))) / 2
    np.testing.assert_allclose(found[0], by_hand, atol=1e-9)
    # Within the material, Shapley's value of three players with the sizes of either board.
    loss = np.zeros(HZ.size)
    for first in ([], sizes):
        for order in permutations(material):
            before = [*first, *order[: order.index("loss")]]
            loss += (value([*before, "loss"]) - value(before)) / 12
    np.testing.assert_allclose(found[3], loss, atol=1e-9)


def test_boards_that_differ_in_one_thing_differ_by_that_alone():
    changed = {"thickness": 0.02}, {"density": 700.0}, {"e": 11e9}, {"loss": 0.02}
    for place, change in enumerate(changed):
        found = split.changes(board(), board(**change), HZ, bench())[:, 0]
        own = np.abs(found).max(axis=1)
        assert own[place] > 1e-6
        assert np.delete(own, place) == pytest.approx(0.0, abs=1e-9)


def woods(rng, n, *, draws=2, density=(590.0, 690.0)):
    """Two woods of n boards that differ in density alone, each a source of its own."""
    boards = {}
    for wood, mean in zip("ab", density, strict=True):
        for i in range(n):
            own = mean * np.exp(0.03 * rng.standard_normal())
            boards[f"{wood}{i}"] = board(density=own, draws=draws + 1)
    names = list(boards)
    levels = np.array(
        [prediction.levels_db(one.draw(slice(0, 1)), HZ, bench())[0] for one in boards.values()]
    )
    a, b = ({name: names.index(name) for name in names if name[0] == wood} for wood in "ab")
    return boards, a, b, levels


def parts(rng, n, measured=None, *, at=slice(1, 2), **more):
    boards, a, b, levels = woods(rng, n, **more)
    pairing = split.paired(boards, bench(3), a, b, HZ).at(at)
    measured = levels if measured is None else levels + measured
    members = np.array(list(a.values())), np.array(list(b.values()))
    found, rest = split.split(pairing, measured[:, at], *members, confidence=0.95)
    return {one.name: one for one in found}, rest, levels


def test_at_one_frequency_the_parts_add_up_to_the_measured_difference(rng):
    noise = 0.5 * rng.standard_normal((10, 3))
    found, _, levels = parts(rng, 5, noise)
    names = [name for name in split.PARTS if name not in ("material", "difference")]
    total = sum(found[name].value for name in names)
    measured = (levels + noise)[5:, 1].mean() - (levels + noise)[:5, 1].mean()
    assert found["difference"].value == pytest.approx(measured)
    assert total == pytest.approx(measured)
    assert found["material"].value == pytest.approx(
        sum(found[name].value for name in split.MATERIAL)
    )


def test_the_interval_of_a_difference_is_welchs(rng):
    # The jackknife of a difference of means is exact: Welch's, here against scipy's.
    noise = np.array([0.3] * 4 + [1.5] * 4)[:, None] * rng.standard_normal((8, 1))
    found, _, levels = parts(rng, 4, noise)
    y = levels[:, 1] + noise[:, 0]
    welch = stats.ttest_ind(y[4:], y[:4], equal_var=False).confidence_interval(0.95)
    assert [found["difference"].low, found["difference"].high] == pytest.approx([*welch], rel=1e-6)


def test_over_a_band_the_parts_add_up_to_the_root_mean_square(rng):
    found, rest, _ = parts(rng, 4, rng.standard_normal((8, 3)), at=slice(None))
    names = [name for name in split.PARTS if name not in ("material", "difference")]
    assert sum(found[name].value for name in names) == pytest.approx(found["difference"].value)
    assert rest.low <= rest.value <= rest.high


def test_what_the_model_does_not_know_is_not_explained(rng):
    beyond = np.repeat([0.0, 3.0], 6)[:, None] + 0.1 * rng.standard_normal((12, 1))
    found, *_ = parts(rng, 6, beyond, at=slice(1, 2))
    assert found["not explained"].low < 3.0 < found["not explained"].high
    assert found["not explained"].low > 2.0


def test_each_board_meets_a_few_of_many_and_all_alike(rng, monkeypatch):
    monkeypatch.setattr(split, "MOST_PAIRS", 10)
    boards, a, b, levels = woods(rng, 5)
    pairing = split.paired(boards, bench(3), a, b, HZ)
    assert len(pairing.a) == 10
    assert np.bincount(pairing.a).tolist() == [2] * 5
    assert np.bincount(pairing.b)[5:].tolist() == [2] * 5
    change = np.average(pairing.change[..., 0, :], axis=0, weights=pairing.weight).sum(axis=0)
    np.testing.assert_allclose(change, levels[5:].mean(axis=0) - levels[:5].mean(axis=0), atol=1e-9)


def test_planks_count_alike_however_many_boards_each_gave():
    names = {"a": {"a1": 0, "a2": 0, "a3": 0, "a4": 1}, "b": {"b1": 2, "b2": 3, "b3": 3}}
    made = {n: board(e=(11 + 0.4 * i) * 1e9) for i, n in enumerate(names["a"] | names["b"])}
    pairing = split.paired(made, bench(), names["a"], names["b"], HZ)
    change = np.average(pairing.change[..., 0, :], axis=0, weights=pairing.weight).sum(axis=0)
    mean = {}
    for wood, own in names.items():
        level = {n: prediction.levels_db(made[n], HZ, bench())[0] for n in own}
        planks = [[level[n] for n in own if own[n] == plank] for plank in set(own.values())]
        mean[wood] = np.mean([np.mean(one, axis=0) for one in planks], axis=0)
    np.testing.assert_allclose(change, mean["b"] - mean["a"], atol=1e-9)


def test_errors_of_measurement_widen_the_intervals(rng):
    boards, a, b, levels = woods(rng, 5, draws=24)
    members = np.array(list(a.values())), np.array(list(b.values()))
    sure = split.paired(boards, bench(25), a, b, HZ).at(slice(1, 2))
    for one in boards.values():
        one.density[1:] *= np.exp(0.05 * rng.standard_normal(24))
    unsure = split.paired(boards, bench(25), a, b, HZ).at(slice(1, 2))
    width = [
        np.ptp([(one := split.split(pairing, levels[:, 1:2], *members, confidence=0.95)[0][1]).low,
                one.high])
        for pairing in (sure, unsure)
    ]  # fmt: skip
    assert width[1] > 1.2 * width[0]


def test_chance_alone_is_neither_a_difference_nor_unexplained():
    """200 studies of two woods that are alike, 5 boards each, with smooth curves."""
    rng = np.random.default_rng(3)
    smooth = np.exp(-0.5 * ((np.arange(40)[:, None] - np.arange(40)) / 3.0) ** 2)
    smooth /= np.linalg.norm(smooth, axis=0)
    a, b = np.arange(5), np.arange(5, 10)
    nothing = split.Pairing(np.repeat(a, 5), np.tile(b, 5), np.ones(25), np.zeros((25, 4, 3, 40)))
    found = []
    for _ in range(200):
        curves = rng.standard_normal((10, 40)) @ smooth
        parts, _ = split.split(nothing, curves, a, b, confidence=0.95)
        raw = np.sqrt(np.mean((curves[b].mean(axis=0) - curves[a].mean(axis=0)) ** 2))
        rest = next(one for one in parts if one.name == split.REST)
        found.append((parts[-1].value, raw, rest.low > 0.0))
    value, raw, above = np.array(found).T
    assert raw.mean() > 0.5
    assert abs(value.mean()) < 0.15 * raw.mean()
    assert above.mean() < 0.025


def test_draws_of_some_pairs_stand_for_all(rng, monkeypatch):
    boards, a, b, levels = woods(rng, 5, draws=24)
    for one in boards.values():
        one.density[1:] *= np.exp(0.05 * rng.standard_normal(24))
    members, found = (np.array(list(a.values())), np.array(list(b.values()))), {}
    for most in (5, 3):
        monkeypatch.setattr(split, "MOST_PAIRS", most)
        pairing = split.paired(boards, bench(25), a, b, HZ)
        assert np.isfinite(pairing.change[:, :, 0]).all()
        assert np.isnan(pairing.change[:, 0, 1, 0]).tolist() == [i >= most for i in range(5)]
        found[most] = split.split(
            pairing.at(slice(1, 2)), levels[:, 1:2], *members, confidence=0.95
        )
    for one, other in zip(found[5][0], found[3][0], strict=True):
        assert other.value == pytest.approx(one.value)
        assert other.low <= other.value <= other.high
    assert found[3][0][1].high - found[3][0][1].low > 0.5 * np.ptp(
        [found[5][0][1].low, found[5][0][1].high]
    )
