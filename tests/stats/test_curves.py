"""Curves of woods over frequency: the band, the test for all frequencies, the spreads.

Outside references: scipy's permutation test, which enumerates on its own; the smallest p as a
fraction of binomial coefficients; the length of path of a stationary Gaussian field (its derivative
has the variance 1 / (2 l^2) where white noise is smoothed by a Gaussian of width l: definition);
the plain t quantile, to which a band over one frequency comes down. The truths of the simulations
stand beside them.
"""

from __future__ import annotations

from itertools import product
from math import comb, factorial

import numpy as np
import pytest
from scipy import stats

from studylib.stats import curves
from studylib.stats.blocks import wood_model
from tests.draws import draws

F = 200


def fields(rng, number, *, width=6, length=F):
    """Stationary Gaussian curves of unit variance, shape (number, length)."""
    weight = np.exp(-0.5 * (np.arange(-4 * width, 4 * width + 1) / width) ** 2)
    white = rng.standard_normal((number, length + 8 * width))
    smooth = [np.convolve(row, weight, "valid") for row in white]
    return np.array(smooth)[:, :length] / np.sqrt(np.sum(weight**2))


def plain(n, woods=3):
    return wood_model(np.repeat(np.arange(woods), n), np.ones((n * woods, 1)), block=False)


def in_batches(n, batches, woods=3):
    """`n` sources of each wood in each batch: the model and the shares."""
    group = np.tile(np.repeat(np.arange(woods), n), batches)
    shares = np.eye(batches)[np.repeat(np.arange(batches), n * woods)]
    return wood_model(group, shares, block=batches > 1), shares


@pytest.mark.parametrize(
    ("batches", "each", "smallest"),
    [
        (4, 1, 2 / 2**4),
        (2, 2, 2 / comb(4, 2) ** 2),
        (6, 1, 2 / 2**6),
        (3, 2, 2 / comb(4, 2) ** 3),
        (1, 4, 2 / comb(8, 4)),
    ],
)
def test_smallest_p_is_known_before_anything_is_recorded(rng, batches, each, smallest):
    counts = np.full((batches, 2), each)
    assert curves.smallest_p(counts) == pytest.approx(smallest)
    model, shares = in_batches(each, batches, woods=2)
    y = fields(rng, len(shares)) + 100.0 * model.group[:, None]
    (found,) = curves.curve_tests(model, y, shares)
    assert found.p == pytest.approx(smallest)
    assert found.smallest == pytest.approx(smallest)


def test_many_woods_are_counted_not_tried():
    assert curves.smallest_p(np.full((1, 12), 2)) == pytest.approx(
        factorial(12) / (factorial(24) / 2**12)
    )


def test_woods_that_share_no_batch_are_not_told_apart(rng):
    model, shares = plain(2, woods=2), np.eye(4)
    (found,) = curves.curve_tests(model, fields(rng, 4) + 50.0 * model.group[:, None], shares)
    assert (found.p, found.smallest, found.labellings) == (1.0, 1.0, 1)


def test_unequal_numbers_cannot_be_renamed():
    assert curves.smallest_p(np.array([[2, 3]])) == pytest.approx(1 / comb(5, 2))


def test_p_is_that_of_scipy_over_all_labellings(rng):
    y = fields(rng, 9)

    def studentised(a, b, axis=-1):
        a, b = (y[np.asarray(one, int)] for one in (a, b))
        spread = sum(np.sum(one.var(axis=0, ddof=1)) / len(one) for one in (a, b))
        return np.sum((a.mean(axis=0) - b.mean(axis=0)) ** 2) / spread

    theirs = stats.permutation_test(
        (np.arange(4), np.arange(4, 9)), studentised, vectorized=False, alternative="greater",
        n_resamples=np.inf,
    )  # fmt: skip
    model = wood_model(np.repeat([0, 1], [4, 5]), np.ones((9, 1)), block=False)
    (ours,) = curves.curve_tests(model, y, np.ones((9, 1)))
    assert ours.p == pytest.approx(theirs.pvalue)
    assert ours.labellings == comb(9, 4)


def test_three_woods_are_closed(rng):
    model, shares = in_batches(2, 2)
    y = fields(rng, 12) + 50.0 * (model.group == 2)[:, None]
    whole, *pairs = curves.curve_tests(model, y, shares)
    # (6! / 2!^3)^2 labellings; exchanging the two woods that are alike changes next to nothing.
    assert whole.labellings == 8100
    assert whole.woods == (0, 1, 2)
    assert [t.woods for t in pairs] == [(0, 1), (0, 2), (1, 2)]
    assert all(pair.p >= whole.p for pair in pairs)
    assert pairs[1].p == pytest.approx(2 / 36)


def test_a_batch_is_taken_out_before_labels_are_permuted(rng):
    model, shares = in_batches(2, 2)
    y = fields(rng, 12)
    moved = y + 30.0 * shares[:, :1]
    before, after = (curves.curve_tests(model, values, shares) for values in (y, moved))
    assert [t.p for t in before] == [t.p for t in after]


def test_many_labellings_are_drawn_and_the_same_each_time(rng):
    y = fields(rng, 30, length=40)
    ones = np.ones((30, 1))
    first, again = (curves.curve_tests(plain(10), y, ones)[0] for _ in range(2))
    assert first == again
    assert first.labellings == curves.MOST_LABELLINGS
    assert first.smallest == pytest.approx(1 / curves.MOST_LABELLINGS)


def test_p_is_uniform_where_woods_are_alike(rng):
    count = draws(2000, share=200)
    model, shares = in_batches(1, 4)
    p = np.array(
        [curves.curve_tests(model, fields(rng, 12, length=30), shares)[0].p for _ in range(count)]
    )
    for level in (0.05, 0.2, 0.5):
        assert np.mean(p <= level) <= level + 3.0 * np.sqrt(level * (1 - level) / count)


def test_one_frequency_has_the_plain_quantile_of_t(rng):
    model = plain(4, woods=2)
    y = rng.standard_normal((8, 1)) * np.ones((1, 3))  # the same at all frequencies: no path
    (band,) = curves.curve_bands(model, y, confidence=0.95)
    # Each wood over its own spread: the shape is exactly one. All frequencies move as one, which is
    # told from eight boards only in part: between the pooled interval and Welch's.
    first, second = y[:4, 0], y[4:, 0]
    welch = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.95)
    pooled = stats.t.ppf(0.975, 6) * np.sqrt((first.var(ddof=1) + second.var(ddof=1)) / 4)
    assert np.all(band.half > pooled * (1 - 1e-9))
    assert np.all(band.half < (welch.high - welch.low) / 2 * (1 + 1e-9))
    assert band.difference == pytest.approx(y[4:, 0].mean() - y[:4, 0].mean())


def test_path_is_that_of_the_field(rng):
    width, found = 6, []
    for _ in range(20):
        y = fields(rng, 60, width=width, length=400)
        residual = y - y.mean(axis=0)
        unit = residual / np.sqrt(np.sum(residual**2, axis=0))
        found.append(np.sum(np.sqrt(np.sum(np.diff(unit, axis=1) ** 2, axis=0))))
    truth = 399 / (np.sqrt(2.0) * width)
    assert np.mean(found) == pytest.approx(truth, rel=0.02)
    # And the band uses it: half of the field has half of the path, and a lower critical value.
    whole, half = (curves._critical(path, 9, 0.05 / 3) for path in (truth, truth / 2))
    assert half < whole


@pytest.mark.parametrize("own", [0.0, 4.0])
@pytest.mark.parametrize("spreads", [(1.0, 1.0, 1.0), (3.0, 1.0, 1.0)])
def test_band_covers_all_pairs_at_all_frequencies(rng, spreads, own):
    """own : a level of each board's own, so that all frequencies move nearly as one."""
    count = draws(2000, share=150)
    model = plain(4)
    scale = np.array(spreads)[model.group][:, None]
    held = []
    for _ in range(count):
        y = scale * (fields(rng, 12, length=60) + own * rng.standard_normal((12, 1)))
        bands = curves.curve_bands(model, y, confidence=0.95)
        held.append(all(np.all(np.abs(band.difference) <= band.half) for band in bands))
    assert np.mean(held) >= 0.94 - 3.0 * np.sqrt(0.06 * 0.94 / count)


def test_a_band_is_wider_where_all_frequencies_move_as_one(rng, monkeypatch):
    """Such boards are as good as one number each: the degrees of freedom go towards Welch's."""
    model, smooth = plain(4), fields(rng, 12, length=400)
    as_one = fields(rng, 12, length=14) + 50.0 * rng.standard_normal((12, 1))
    halves = [curves.curve_bands(model, y, confidence=0.95)[0].half for y in (smooth, as_one)]
    monkeypatch.setattr(curves, "_alike", lambda *_: 0.0)  # the whole design's for all
    pooled = [curves.curve_bands(model, y, confidence=0.95)[0].half for y in (smooth, as_one)]
    assert np.all(halves[0] < 1.06 * pooled[0])
    assert np.all(halves[1] > 1.15 * pooled[1])


def test_half_width_is_what_a_plan_expects(rng):
    model, found = plain(6), []
    for _ in range(40):
        bands = curves.curve_bands(model, 2.0 * fields(rng, 18), confidence=0.95)
        found += [float(np.mean(band.half)) for band in bands]
    path = (F - 1) / (np.sqrt(2.0) * 6)
    planned = curves.half_width(path, sources=6, woods=3, batches=1, confidence=0.95)
    assert np.mean(found) == pytest.approx(2.0 * planned, rel=0.05)


def test_band_with_batches_leaves_them_out(rng):
    model, shares = in_batches(2, 2)
    y = fields(rng, 12)
    before, after = (
        curves.curve_bands(model, values, confidence=0.95)[0]
        for values in (y, y + 9.0 * shares[:, :1])
    )
    assert after.difference == pytest.approx(before.difference)
    assert after.half == pytest.approx(before.half)
    assert model.df == 8


def test_spreads_of_every_level_are_found(rng):
    import pandas as pd

    from studylib.stats.samples import NestedDesign

    rows = pd.DataFrame(
        [
            (f"w{w}", f"{w}-{b}", f"{w}-{b}", "day", m)
            for w, b, m, _ in product(range(3), range(60), range(3), range(2))
        ],
        columns=["wood", "source", "specimen", "batch", "mount"],
    )
    units = rows[["wood", "source"]].drop_duplicates().reset_index(drop=True)
    model = wood_model(pd.factorize(units["wood"])[0], np.ones((180, 1)), block=False)
    nested = NestedDesign(rows, units, model, rows.drop_duplicates(["specimen", "mount"]))
    board = rng.standard_normal((180, 30)) * 2.0
    mount = rng.standard_normal((540, 30)) * 1.0
    take = rng.standard_normal((1080, 30)) * 0.5
    wood = np.array([0.0, 3.0, -3.0])[:, None]
    y = board.repeat(6, axis=0) + mount.repeat(2, axis=0) + take + wood.repeat(360, axis=0)
    sources = y.reshape(180, 6, 30).mean(axis=1)
    found = {
        level: v.mean() for level, v in curves.curve_spreads(nested, model, y, sources).items()
    }
    assert list(found) == ["wood", "specimen", "mount", "take"]
    assert found["take"] == pytest.approx(0.25, rel=0.05)
    assert found["mount"] == pytest.approx(1.0, rel=0.05)
    assert found["specimen"] == pytest.approx(4.0, rel=0.1)
    assert found["wood"] == pytest.approx(9.0, rel=0.1)


def test_spreads_over_the_band_lie_in_their_intervals(rng):
    """300 studies of 3 woods x 4 boards x 2 mounts x 2 takes whose curves are smooth."""
    import pandas as pd

    from studylib.stats.samples import NestedDesign

    rows = pd.DataFrame(
        [(f"w{w}", f"{w}-{b}", f"{w}-{b}", "day", m)
         for w, b, m, _ in product(range(3), range(4), range(2), range(2))],
        columns=["wood", "source", "specimen", "batch", "mount"],
    )  # fmt: skip
    units = rows[["wood", "source"]].drop_duplicates().reset_index(drop=True)
    model = wood_model(pd.factorize(units["wood"])[0], np.ones((12, 1)), block=False)
    nested = NestedDesign(rows, units, model, rows.drop_duplicates(["specimen", "mount"]))
    smooth = np.exp(-0.5 * ((np.arange(60)[:, None] - np.arange(60)) / 4.0) ** 2)
    smooth /= np.linalg.norm(smooth, axis=0)
    truth = {"wood": 9.0, "specimen": 4.0, "mount": 1.0, "take": 0.25}
    inside = dict.fromkeys(truth, 0)
    for _ in range(300):
        board, mount, take = (
            sd * rng.standard_normal((n, 60)) @ smooth for sd, n in ((2, 12), (1, 24), (0.5, 48))
        )
        wood = np.array([0.0, 3.0, -3.0])[:, None]
        y = board.repeat(4, axis=0) + mount.repeat(2, axis=0) + take + wood.repeat(16, axis=0)
        found = curves.band_spreads(
            nested, model, y, y.reshape(12, 4, 60).mean(axis=1), confidence=0.95
        )
        for level, (low, high) in found.items():
            inside[level] += low <= truth[level] <= high
    # 95 % promised, 1.3 % Monte Carlo error; smoothness itself is estimated.
    assert min(inside.values()) > 0.9 * 300, inside
    assert min(inside.values()) < 0.995 * 300, inside
