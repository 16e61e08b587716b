"""The designs that are simulated: a fractional grid, one line a cell.

All spreads are in dB. Boards of all woods are drawn from one distribution with mean 0 and standard
deviation `board_sd` (times `ratio` in one wood), so that a difference between woods is nothing but
chance, unless `effect` says otherwise:

    normal   Gaussian
    skewed   gamma with shape 4, shifted: skewness 1, excess kurtosis 1.5
    strong   exponential, shifted: skewness 2, excess kurtosis 6
    heavy    Student's t with 5 degrees of freedom: excess kurtosis 6

`promise` says what is promised: "holds" (at most 6 % false alarms), "full" (at least 3 % as well),
"named" (no analysis could hold it; the
report names the fault in the design), "power" (at least 90 % of the power of the F test), "same"
(a true difference as large as the limit is called the same in at most 5 %).

Function: `grid`; class `Cell`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import stats
from scipy.optimize import brentq

F_POWER = 0.8
WOODS = ("larch", "cherry", "robinia", "spare")


@dataclass(frozen=True)
class Cell:
    """One design and its truth.

    counts : boards of each wood.  boards : the distribution.  ratio : how much wider the wood
    number `wide` spreads.  outlier : one board of the study lies so many board_sd away.
    planks : "own" (a plank each), "named" or "hidden" (`per_plank` boards share one; their common
    part has half of the variance), written into the sheet or not.
    missing : share of mounts that were lost.  batches : 1, or 2 with `batch_sd` between; boards go
    to them in turn, or wood by wood when `confounded`.  drift : dB from the first take to the last;
    `in_turn` has the woods alternate, otherwise they are measured one wood after the other;
    `taken_out` has the analysis take the drift out, as a study may ask for.
    effect : the second wood's shift against the first; the others lie halfway.
    """

    name: str
    counts: tuple[int, ...] = (4, 4, 4)
    boards: str = "normal"
    board_sd: float = 1.5
    mount_sd: float = 0.5
    take_sd: float = 0.5
    mounts: int = 2
    takes: int = 2
    ratio: float = 1.0
    wide: int = 0
    outlier: float = 0.0
    planks: str = "own"
    per_plank: int = 2
    missing: float = 0.0
    batches: int = 1
    batch_sd: float = 0.0
    confounded: bool = False
    drift: float = 0.0
    in_turn: bool = True
    taken_out: bool = False
    effect: float = 0.0
    features: int = 1
    alike: float = 0.5
    promise: str = "holds"

    @property
    def mean_sd(self) -> float:
        """Standard deviation of the means of boards of one wood."""
        below = self.mount_sd**2 / self.mounts + self.take_sd**2 / (self.mounts * self.takes)
        return float(np.sqrt(self.board_sd**2 + below))

    @property
    def woods(self) -> tuple[str, ...]:
        return WOODS[: len(self.counts)]


def grid() -> tuple[Cell, ...]:
    """Every cell that is run."""
    # The seed of a cell is its place here: new ones go to the end.
    parts = (_plain, _spreads, _shapes, _designs, _few, _defeated, _effects, _corrected)
    return tuple(cell for part in parts for cell in part())


def _plain() -> list[Cell]:
    cells = []
    for counts in ((4, 4), (4, 4, 4), (4, 4, 4, 4), (6, 6, 6), (10, 10), (10, 10, 10), (4, 6, 10)):
        cells.append(Cell(f"normal, {_n(counts)}", counts, promise="full"))
    return cells


def _spreads() -> list[Cell]:
    cells = [
        Cell(f"boards {times} x takes, 4 4 4", board_sd=0.5 * times,
             promise="full" if times >= 1 else "holds")
        for times in (0, 1, 5)
    ]  # fmt: skip
    cells += [
        Cell(f"{_one(counts, wide)} three times as wide, {_n(counts)}", counts, ratio=3.0,
             wide=wide)
        for counts, wide in (((4, 4), 0), ((4, 4, 4), 0), ((4, 4, 4, 4), 0), ((6, 6, 6), 0),
                             ((10, 10, 10), 0), ((4, 6, 10), 0), ((4, 6, 10), 2))
    ]  # fmt: skip
    return cells


_SHAPES = {"skewed": "skewed", "strong": "strongly skewed", "heavy": "heavy-tailed"}


def _shapes() -> list[Cell]:
    cells = [
        Cell(f"{_SHAPES[shape]} boards, {_n(counts)}", counts, boards=shape)
        for shape, counts in (("skewed", (4, 4, 4)), ("skewed", (10, 10)), ("skewed", (4, 6, 10)),
                              ("strong", (6, 6, 6)), ("heavy", (4, 4, 4)), ("heavy", (10, 10, 10)))
    ]  # fmt: skip
    cells += [
        Cell(f"one outlying board (6 SD), {_n(counts)}", counts, outlier=6.0)
        for counts in ((4, 4, 4), (10, 10))
    ]
    cells += [
        Cell(f"{_SHAPES[shape]} and three times as wide, {_n(counts)}", counts, boards=shape,
             ratio=3.0)
        for shape, counts in (("skewed", (4, 4, 4)), ("skewed", (4, 10)), ("strong", (10, 10, 10)),
                              ("heavy", (6, 6, 6)))
    ]  # fmt: skip
    return cells


def _designs() -> list[Cell]:
    return [
        Cell("two batches crossed, 4 4", (4, 4), batches=2, batch_sd=2.0, promise="full"),
        Cell("two batches crossed, 4 4 4", batches=2, batch_sd=2.0, promise="full"),
        Cell("two batches crossed, 4 4 4 4", (4, 4, 4, 4), batches=2, batch_sd=2.0, promise="full"),
        Cell("two batches crossed, 4 6 10", (4, 6, 10), batches=2, batch_sd=2.0, promise="full"),
        Cell("two batches crossed, three times as wide, 4 4 4", batches=2, batch_sd=2.0, ratio=3.0),
        Cell("shared planks, named, 8 8 8 boards of 4 planks", (8, 8, 8), planks="named"),
        Cell("a quarter of the mounts missing, 4 4 4", missing=0.25, mounts=3, promise="full"),
        Cell("half of the mounts missing, boards spread little, 6 6 6", (6, 6, 6), missing=0.5,
             mounts=3, mount_sd=1.5, board_sd=0.5),
        Cell("drift of 4 dB, woods in turn, 4 4 4", drift=4.0),
        Cell("three primary features, 4 4 4", features=3),
        Cell("three primary features, unrelated, 6 6", (6, 6), features=3, alike=0.0),
    ]  # fmt: skip


def _few() -> list[Cell]:
    cells = [
        Cell(f"normal, {_n(counts)}", counts, promise="holds")
        for counts in ((2, 2), (2, 2, 2), (3, 3, 3), (3, 3, 3, 3), (2, 3, 6))
    ]
    cells += [
        Cell(f"{_one(counts, 0)} three times as wide, {_n(counts)}", counts, ratio=3.0)
        for counts in ((2, 2, 2), (3, 3, 3), (2, 3, 6))
    ]  # fmt: skip
    return cells


def _defeated() -> list[Cell]:
    return [
        Cell("shared planks, hidden, 8 8 8 boards of 4 planks", (8, 8, 8), planks="hidden",
             promise="named"),
        Cell("wood and batch confounded, 4 4 4", batches=3, batch_sd=1.0, confounded=True,
             promise="named"),
        Cell("drift of 4 dB, one wood after the other, 4 4 4", drift=4.0, in_turn=False,
             promise="named"),
    ]  # fmt: skip


def _effects() -> list[Cell]:
    """A difference that the F test of the boards' means sees in four studies of five."""
    cells = []
    for counts in ((3, 3, 3), (4, 4), (4, 4, 4), (4, 4, 4, 4), (6, 6, 6), (10, 10, 10)):
        cell = Cell(f"a true difference, {_n(counts)}", counts, promise="power")
        cells.append(replace(cell, effect=_seen(cell)))
    # With unequal spreads; a larger difference would be declared, and never be called the same.
    cells += [
        Cell(f"a true difference, {_one(counts, 0)} three times as wide, {_n(counts)}", counts,
             ratio=3.0, effect=effect, promise="same")
        for counts, effect in (((4, 4, 4), 9.0), ((4, 10), 9.0), ((10, 10, 10), 6.0))
    ]  # fmt: skip
    return cells


def _corrected() -> list[Cell]:
    """A drift that the study asks to be taken out."""
    return [
        Cell("drift of 4 dB taken out, woods in turn, 4 4 4", drift=4.0, taken_out=True,
             promise="full"),
        Cell("drift of 4 dB taken out, one wood after the other, 6 6 6", (6, 6, 6), drift=4.0,
             in_turn=False, taken_out=True),
    ]  # fmt: skip


def _seen(cell: Cell) -> float:
    """The difference between the first two woods, the others halfway, with power 0.8."""
    n, k = cell.counts[0], len(cell.counts)
    means = np.array([0.0, 1.0, *[0.5] * (k - 2)])
    one = float(np.std(means))  # Cohen's f of a difference of one standard deviation
    between, within = k - 1, k * (n - 1)
    critical = stats.f.ppf(0.95, between, within)
    found = brentq(
        lambda d: stats.ncf.sf(critical, between, within, (d * one) ** 2 * k * n) - F_POWER, 0.1, 9
    )
    return found * cell.mean_sd


def _one(counts: tuple[int, ...], wide: int) -> str:
    """The wider wood, named by its boards where that tells it from the others."""
    return "one wood" if len(set(counts)) == 1 else f"the wood of {counts[wide]} boards"


def _n(counts: tuple[int, ...]) -> str:
    return " ".join(map(str, counts))
