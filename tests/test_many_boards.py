"""Studies of many boards: what is left out says so, and what is worked out without large matrices
is what these would give.

References: dense least squares (NumPy's pseudo-inverse) and SciPy's prominences of peaks.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from scipy.signal import find_peaks, peak_prominences

from studylib.codes import code_of, fields_of
from studylib.figures.boards import MOST_LINES, MOST_NAMED_BOARDS, ODD_LINES
from studylib.figures.style import looks
from studylib.report.summary import summarise
from studylib.signal.decay_search import DIP, _prominent
from studylib.stats import blocks, boards
from studylib.stats.samples import _Averaging, _Left
from tests.invented_tables import Invention

MANY = MOST_NAMED_BOARDS + 8  # of each wood


@pytest.fixture(scope="module")
def many():
    plan = Invention(woods=("larch", "robinia"), boards=MANY, mounts=2, takes=1, step_hz=20.0)
    return summarise(*plan.make())


def test_of_many_boards_each_is_compared_with_the_reference_alone(many, monkeypatch):
    rows = many.comparison.boards
    feature = rows["feature"].iloc[0]
    own = rows[rows["feature"] == feature]
    assert set(own["specimen_a"]) | set(own["specimen_b"]) > {"ref"}
    assert ((own["specimen_a"] == "ref") | (own["specimen_b"] == "ref")).all()
    assert 0 < len(own) <= 2 * MANY + 1
    told = next(n for n in many.comparison.notes if code_of(n) == "comparison.pairs_left_out")
    assert fields_of(told) == {"boards": 2 * MANY + 2, "most": boards.MOST_PAIRED}
    monkeypatch.setattr(boards, "MOST_PAIRED", 10_000)
    study, gathered = Invention(
        woods=("larch", "robinia"), boards=MANY, mounts=2, takes=1, step_hz=20.0
    ).make()
    every = summarise(study, gathered).comparison.boards
    keys = ["feature", "specimen_a", "specimen_b"]
    both = rows.merge(every, on=keys, suffixes=("", "_every"))
    assert len(both) == len(rows) < len(every)
    for column in ("difference", "low", "high"):
        assert both[column].to_numpy() == pytest.approx(both[f"{column}_every"].to_numpy())


def test_many_boards_stand_in_the_order_of_their_values_with_the_ends_named(many):
    figure = many.figure(next(name for name in many.drawings if name.startswith("boards_")))
    (axes,) = figure.axes
    look = looks(("larch", "robinia"))["larch"]
    (points,) = (line for line in axes.lines if line.get_marker() == look.marker)
    values = points.get_ydata()
    assert len(values) == MANY
    assert (np.diff(values) >= 0).all()
    means = many.means(many.measured[0]).boards
    own = means[means["wood"] == "larch"].set_index("specimen")["value"]
    assert {own.idxmin(), own.idxmax()} <= {text.get_text() for text in axes.texts}


def test_spectra_of_many_boards_are_a_band_and_the_odd_ones(many):
    figure = many.figure("spectra")
    for axes in (axes for axes in figure.axes if axes.get_visible()):
        lines = [line for line in axes.lines if len(line.get_xdata())]
        assert len(lines) == ODD_LINES + 1
        assert f"{MANY} boards" in axes.get_legend().get_texts()[0].get_text()
    few = Invention(woods=("larch", "robinia"), boards=MOST_LINES, mounts=1, takes=1, step_hz=20.0)
    axes = summarise(*few.make()).figure("spectra").axes[0]
    assert len([line for line in axes.lines if len(line.get_xdata())]) == MOST_LINES + 1


def test_what_is_left_of_groups_and_batches_is_that_of_dense_least_squares():
    rng = np.random.default_rng(172)
    index = np.repeat(np.arange(12), rng.integers(1, 6, 12))
    batch = np.eye(4)[rng.integers(0, 4, index.size)]
    design = np.hstack([np.eye(12)[index], batch[:, 1:]])
    dense = np.eye(index.size) - design @ np.linalg.pinv(design)
    averaging, y = _Averaging(index), rng.standard_normal((index.size, 3))
    left = _Left(averaging, batch)
    assert left.left(y) == pytest.approx(dense @ y, abs=1e-12)
    assert left.diagonal == pytest.approx(np.diag(dense), abs=1e-12)
    member = np.eye(12)[index].T
    assert averaging @ y == pytest.approx(member / member.sum(axis=1, keepdims=True) @ y)
    alone = _Left(averaging, np.ones((index.size, 1)))  # one batch is no block
    assert alone.left(y) == pytest.approx(y - (averaging @ y)[index])


@pytest.mark.parametrize("batches", [1, 2, 5])
def test_the_model_of_woods_and_batches_is_that_of_dense_least_squares(batches):
    rng = np.random.default_rng(batches)
    group = np.repeat(np.arange(3), [7, 12, 9])
    shares = rng.dirichlet(np.ones(batches), group.size)
    shares[::2] = np.eye(batches)[rng.integers(0, batches, group[::2].size)]
    place, y = rng.standard_normal(group.size), rng.standard_normal((4, group.size)) + 5.0
    model = blocks.wood_model(group, shares, block=batches > 1, place=place)
    member = np.eye(3)[group]
    others = np.hstack([np.ones((group.size, 1)), shares[:, 1:], place[:, np.newaxis]])
    full = np.hstack([member, others[:, 1:]])
    hat = full @ np.linalg.pinv(full)
    left, between = np.eye(group.size) - hat, hat - others @ np.linalg.pinv(others)
    assert pytest.approx(y @ left, abs=1e-12) == model.left(y.T).T
    assert model.diagonal == pytest.approx(np.diag(left), abs=1e-12)
    assert model.df == group.size - 3 - batches
    assert model.between(y) == pytest.approx(np.sum((y @ between) * y, axis=1) / 2)
    fitted = np.linalg.pinv(full) @ y.T
    assert model.contrast(0, 2) @ y.T == pytest.approx(fitted[2] - fitted[0])
    assert model.slopes @ y.T == pytest.approx(fitted[-1:])
    assert model.mixing == pytest.approx(member.T @ left**2 @ member)
    forms = [left @ np.diag(member[:, g]) @ left for g in range(3)]
    for g, f, h, i in np.ndindex(3, 3, 3, 3):
        dense = np.trace(forms[g] @ np.diag(member[:, h]) @ forms[f] @ np.diag(member[:, i]))
        assert model._traces[g, f, h, i] == pytest.approx(dense, abs=1e-12)


def test_nothing_is_as_large_as_units_times_units():
    group, shares = np.arange(3000) % 3, np.eye(20)[np.arange(3000) // 150]
    y = np.random.default_rng(172).standard_normal((2, 3000))
    tracemalloc.start()
    model = blocks.wood_model(group, shares, block=True)
    model.variance_of(model.contrast(0, 1), model.wood_variances(y))
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert model.blocked
    assert most < 3000**2  # bytes: an eighth of one such matrix


@pytest.mark.parametrize("reach", [4, 33, 500])
def test_prominent_peaks_are_those_of_the_library_that_was_too_slow_to_import(reach):
    size = np.random.default_rng(reach).uniform(4.0, 8.0, 400)
    peaks, _ = find_peaks(size)
    theirs, *_ = peak_prominences(size, peaks, wlen=2 * reach + 1)
    prominent = theirs > (1.0 - DIP) * size[peaks]
    assert 0.2 < prominent.mean() < 0.98
    assert (_prominent(size, peaks, reach) == prominent).all()
