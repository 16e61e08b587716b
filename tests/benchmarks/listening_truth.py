"""How often does a blind test say something false, and how often does it find what is there?

A board is a point in two dimensions of hearing, in units of d'; boards of one wood spread about
their wood's place, and how far two boards lie apart, times the acuity of a listener, is the d' of
the unspecialised triangle (Frijters 1979; Ennis 1993), here by quadrature. False is

    "woods told apart"    where the woods' places are one (boards may differ),
    "boards told apart"   where the boards' places are one (takes may differ),
    "ruled out"           where the share of trials in which it is truly heard is what was to be
                          found, or more.

Coverage is that of the interval of the share of correct answers, for these boards and all such
listeners.

Run: python -m tests.benchmarks.listening_truth [tests a cell]
"""

from __future__ import annotations

import math
import sys
from collections import Counter
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import stats

from studylib.codes.comparison import Heard
from studylib.stats.listening import told_apart

TESTS, SHARE = 2000, 0.5
_U, _WEIGHT = np.polynomial.legendre.leggauss(120)
_U = 4.5 * (_U + 1)
_D = np.linspace(0.0, 14.0, 600)
_FAR = _D[:, None] * math.sqrt(2 / 3)
_RIGHT = (
    9.0
    * (
        (stats.norm.cdf(_FAR - math.sqrt(3) * _U) + stats.norm.cdf(-_FAR - math.sqrt(3) * _U))
        * stats.norm.pdf(_U)
    )
    @ _WEIGHT
)


@dataclass(frozen=True)
class Cell:
    """A kind of test.

    n : boards of each wood.  listeners, hidden : how many, and hidden trials of each.
    boards : spread of the boards.  woods : between the woods' places.  ears : spread of the
    logarithm of acuity.  takes : share of trials in which the odd take is told by itself.
    likes : share of guesses that are "2".
    """

    name: str
    n: int = 4
    listeners: int = 8
    hidden: int = 6
    boards: float = 0.0
    woods: float = 0.0
    ears: float = 0.3
    takes: float = 0.0
    likes: float = 1 / 3


CELLS = (
    Cell("nobody hears anything"),
    Cell("nobody hears anything, all like the second", likes=0.6),
    *(
        Cell(f"boards {spread:g} apart, woods not; {k} listeners, ears {ears:g}, {n} boards a wood",
             boards=spread, listeners=k, ears=ears, n=n)
        for spread in (0.7, 1.5, 3.0)
        for k, ears, n in ((8, 0.3, 4), (4, 0.6, 4), (16, 0.6, 5), (8, 0.3, 3))
    ),
    *(
        Cell(f"takes told in {takes:g} of trials, {hidden} hidden", takes=takes, hidden=hidden)
        for takes in (0.15, 0.3, 0.6)
        for hidden in (2, 6, 12)
    ),
    *(
        Cell(f"woods {apart:g} apart, boards {spread:g}", woods=apart, boards=spread)
        for apart in (2.0, 3.0, 4.0, 6.0)
        for spread in (0.5, 1.0)
    ),
)  # fmt: skip


def rates(cell: Cell, tests: int = TESTS, seed: int = 172) -> dict[str, float]:
    """Share of tests with each verdict, with a false one ("false"), and whose interval holds
    ("covers")."""
    rng, found, covers, false = np.random.default_rng(seed), Counter(), 0, 0
    for _ in range(tests):
        answers, share = _drawn(cell, rng)
        first = told_apart(answers, confidence=0.95, share=SHARE).iloc[0]
        found[first["verdict"]] += 1
        covers += first["share_low"] <= share <= first["share_high"]
        audible = 1.5 * (share - 1 / 3)
        false += {
            Heard.WOODS: cell.woods == 0,
            Heard.BOARDS: cell.woods == cell.boards == 0,
            Heard.RULED_OUT: audible >= SHARE,
        }.get(first["verdict"], False)
    counted = {verdict: found[verdict] / tests for verdict in Heard}
    return {**counted, "false": false / tests, "covers": covers / tests}


def _drawn(cell: Cell, rng: np.random.Generator) -> tuple[pd.DataFrame, float]:
    """Answers of one test, and the true share of correct ones between woods."""
    boards = [(wood, f"{wood}{i}") for wood in "AB" for i in range(cell.n)]
    place = cell.boards * rng.standard_normal((2 * cell.n, 2))
    place[cell.n :, 0] += cell.woods
    pairs = [
        *combinations(range(2 * cell.n), 2),
        *((i % (2 * cell.n),) * 2 for i in range(cell.hidden)),
    ]
    ends = np.array(pairs)
    d = np.linalg.norm(place[ends[:, 0]] - place[ends[:, 1]], axis=1)
    null = ends[:, 0] == ends[:, 1]
    trials = pd.DataFrame(
        [(*boards[a], *boards[b]) for a, b in pairs],
        columns=["wood_a", "board_a", "wood_b", "board_b"],
    ).assign(null=null)
    # As the test is drawn: each place of the odd one equally often in each kind of trial.
    kind = np.where(null, 2, trials["wood_a"] == trials["wood_b"])
    odd = np.empty(len(pairs), dtype=int)
    for one in np.unique(kind):
        odd[kind == one] = rng.permutation(np.arange((kind == one).sum()) + rng.integers(3)) % 3
    acuity = np.exp(cell.ears * rng.standard_normal(4000))
    apart = kind == 0
    every = _right(np.outer(acuity, d[apart]))
    truth = (1 - cell.takes) * every.mean() + cell.takes
    others = (1 - cell.likes) / 2
    parts = []
    for listener in range(cell.listeners):
        # What is heard, as a share of trials; what is not is guessed.
        hears = 1.5 * (_right(acuity[listener] * d) - 1 / 3)
        heard = rng.random(len(pairs)) < np.where(null, 0, hears) * (1 - cell.takes) + cell.takes
        guess = rng.choice(3, len(pairs), p=[others, cell.likes, others])
        parts.append(trials.assign(listener=f"e{listener}", correct=heard | (guess == odd)))
    return pd.concat(parts, ignore_index=True), float(truth)


def _right(d: np.ndarray) -> np.ndarray:
    return np.interp(d, _D, _RIGHT)


def main() -> None:
    """Print a line a cell."""
    tests = int(sys.argv[1]) if len(sys.argv) > 1 else TESTS
    for cell in CELLS:
        found = rates(cell, tests)
        print(f"{cell.name}: " + ", ".join(f"{k} {v:.3f}" for k, v in found.items()), flush=True)


if __name__ == "__main__":
    main()
