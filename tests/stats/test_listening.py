"""Triangles: published numbers first, then simulated listeners whose truth is stated.

Outside references, in `tests/reference/`: `triangle_critical.csv`, smallest numbers of correct
answers by the exact binomial, whose rows for 10 to 60 answers agree with those quoted from ISO
4120:2021; `triangle_dprime.csv` and `triangle_share.csv`, d' of the unspecialised triangle by its
published formula, at d' 1 to 4 equal to published values. The formula itself (Frijters 1979; Ennis
1993) by quadrature here; SciPy's intervals of a proportion; by hand where it says so.
"""

from __future__ import annotations

import csv
import math
from itertools import combinations, permutations
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats

from studylib.codes import code_of, fields_of
from studylib.codes.comparison import Heard
from studylib.stats import listening
from studylib.stats.listening import (
    able,
    answers_needed,
    by_chance,
    d_prime,
    share_interval,
    told_apart,
    told_by_boards,
    triangle_share,
)
from tests.benchmarks.listening_truth import Cell, rates
from tests.draws import draws

REFERENCE = Path(__file__).parents[1] / "reference"
# As quoted from ISO 4120:2021: answers -> smallest numbers at 5, 1 and 0.1 %.
ISO_4120 = {
    10: (7, 8, 9), 15: (9, 10, 12), 20: (11, 13, 14), 25: (13, 15, 17), 30: (15, 17, 19),
    35: (17, 19, 22), 40: (19, 21, 24), 50: (23, 26, 28), 60: (27, 30, 33),
}  # fmt: skip


def read(name: str) -> list[dict[str, float]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return [{k: float(v or "nan") for k, v in row.items()} for row in csv.DictReader(file)]


# ---------------------------------------------------------------- published numbers


def test_chance_gives_the_critical_numbers_of_the_standard():
    rows = read("triangle_critical.csv")
    assert {n: [r for r in rows if r["answers"] == n] != [] for n in ISO_4120} == dict.fromkeys(
        ISO_4120, True
    )
    for row in rows:
        n = int(row["answers"])
        for level, name in zip((0.05, 0.01, 0.001), ("at_05", "at_01", "at_001"), strict=True):
            if math.isfinite(row[name]):
                fewest = int(row[name])
                assert by_chance(fewest, n) <= level < by_chance(fewest - 1, n)
        assert by_chance(int(row["at_05"]), n) == pytest.approx(row["p_at_05"], abs=5e-7)
        if n in ISO_4120:
            assert (row["at_05"], row["at_01"], row["at_001"]) == ISO_4120[n]
    assert by_chance(0, 12) == 1.0


def test_d_prime_is_that_of_the_published_table():
    for row in read("triangle_dprime.csv"):
        assert triangle_share(row["dprime"]) == pytest.approx(row["share"], abs=6e-9)
    for row in read("triangle_share.csv"):
        assert d_prime(row["share"]) == pytest.approx(row["dprime"], abs=2e-6)
    published = {
        1: 0.418046674796045,
        2: 0.604806932920651,
        3: 0.781427598857822,
        4: 0.897660380694802,
    }
    for d, share in published.items():
        assert triangle_share(d) == pytest.approx(share, abs=1e-9)
    assert d_prime(10 / 15) == pytest.approx(2.321361980, abs=2e-5)  # 10 of 15 correct


@pytest.mark.parametrize("d", [0.0, 1e-5, 0.03, 0.7, 2.3, 5.5, 11.0])
def test_the_share_is_the_integral_of_the_formula(d):
    def both(u):
        ends = (sign * d * math.sqrt(2 / 3) - u * math.sqrt(3) for sign in (1, -1))
        return sum(map(stats.norm.cdf, ends)) * stats.norm.pdf(u)

    share = 2 * integrate.quad(both, 0, 9, epsabs=1e-13, epsrel=1e-13)[0]
    assert triangle_share(d) == pytest.approx(share, abs=1e-11)
    if d > 0.01:
        assert d_prime(share) == pytest.approx(d, rel=1e-4)


def test_d_prime_and_who_can_tell_are_nothing_below_chance_and_all_at_the_top():
    assert (d_prime(0.1), d_prime(1 / 3), able(0.2), able(1 / 3)) == (0.0, 0.0, 0.0, 0.0)
    assert d_prime(1 / 3 + 1e-8) > 0
    assert (d_prime(1.0), able(1.0)) == (math.inf, 1.0)
    assert able(2 / 3) == pytest.approx(0.5)  # Abbott: p = 1/3 + 2/3 able


def test_the_answers_that_are_needed_stay_enough():
    assert [answers_needed(share) for share in (0.5, 0.3, 0.2)] == [16, 42, 94]
    for share in (1.0, 0.6, 0.37, 0.1):
        n = answers_needed(share, confidence=0.99, power=0.9)
        power = [
            stats.binom.sf(stats.binom.isf(0.01, m, 1 / 3), m, 1 / 3 + 2 / 3 * share)
            for m in range(n - 1, 2 * n)
        ]
        assert power[0] < 0.9 <= min(power[1:])


def answers(correct, listeners) -> pd.DataFrame:
    return pd.DataFrame({"correct": np.array(correct, dtype=bool), "listener": listeners})


def test_the_interval_of_one_listener_is_the_exact_one():
    own = answers([1] * 7 + [0] * 5, ["a"] * 12)
    exact = stats.binomtest(7, 12).proportion_ci(confidence_level=0.95, method="exact")
    assert share_interval(own, confidence=0.95) == pytest.approx((exact.low, exact.high))
    for correct, low, high in ((1, 0.025 ** (1 / 12), 1.0), (0, 0.0, 1 - 0.025 ** (1 / 12))):
        found = share_interval(answers([correct] * 12, ["a"] * 12), confidence=0.95)
        assert found == pytest.approx((low, high))  # rule of three, exact


def test_listeners_who_differ_widen_the_interval_and_alike_ones_do_not_narrow_it():
    # By hand: 4 listeners of 10, right in 9, 9, 3, 3: share 0.6; sums of residuals 3, 3, -3, -3.
    effect = 36 * (4 / 3) / (40 * 0.6 * 0.4)
    worth = 40 / effect / (stats.t.isf(0.025, 3) / stats.t.isf(0.025, 39)) ** 2
    unlike = [right for k in (9, 9, 3, 3) for right in [1] * k + [0] * (10 - k)]
    names = [n for n in "abcd" for _ in range(10)]
    found = share_interval(answers(unlike, names), confidence=0.95)
    assert found == pytest.approx(
        (
            stats.beta.ppf(0.025, 0.6 * worth, 0.4 * worth + 1),
            stats.beta.ppf(0.975, 0.6 * worth + 1, 0.4 * worth),
        )
    )
    alike = [right for k in (6, 6, 6, 6) for right in [1] * k + [0] * (10 - k)]
    narrow = share_interval(answers(alike, names), confidence=0.95)
    plain = stats.binomtest(24, 40).proportion_ci(method="exact")
    assert found[0] < narrow[0] < plain.low < plain.high < narrow[1] < found[1]


# ---------------------------------------------------------------- boards as units


def asked(shares: dict[tuple[str, str], float], wood, *, each=10) -> pd.DataFrame:
    """`each` answers to every pair of boards, a share of them correct."""
    rows = [
        (i < round(share * each), wood(a), a, wood(b), b)
        for (a, b), share in shares.items()
        for i in range(each)
    ]
    return pd.DataFrame(rows, columns=["correct", "wood_a", "board_a", "wood_b", "board_b"])


def wood_of(board: str) -> str:
    return {"L": "larch", "R": "robinia"}[board[0]]


BOARDS = ["L1", "L2", "L3", "L4", "R1", "R2", "R3", "R4"]
PAIRS = list(combinations(BOARDS, 2))


def test_the_smallest_p_is_one_of_all_labellings():
    """Every pair of woods told apart, none of one wood: 2 of the 70 ways to name 8 boards."""
    shares = {(a, b): float(a[0] != b[0]) for a, b in PAIRS}
    assert told_by_boards(asked(shares, wood_of)) == pytest.approx(1 / 35, abs=0.004)


def test_the_p_is_that_of_all_permutations():
    """3 and 2 boards: all 120 orders, gone through by hand."""
    boards = ["L1", "L2", "L3", "R1", "R2"]
    rng = np.random.default_rng(5)
    shares = {pair: float(rng.integers(0, 11) / 10) for pair in combinations(boards, 2)}

    def lead(names) -> float:
        woods = dict(zip(boards, names, strict=True))
        apart = [s for (a, b), s in shares.items() if woods[a] != woods[b]]
        alike = [s for (a, b), s in shares.items() if woods[a] == woods[b]]
        return float(np.mean(apart) - np.mean(alike))

    own = lead("LLLRR")
    every = np.mean([lead(names) >= own - 1e-9 for names in permutations("LLLRR")])
    assert told_by_boards(asked(shares, wood_of)) == pytest.approx(every, abs=0.012)


def test_a_pair_that_nobody_was_asked_leaves_the_woods_unknown():
    shares = {(a, b): 0.5 for a, b in PAIRS}
    assert math.isfinite(told_by_boards(asked(shares, wood_of)))
    del shares["L1", "R4"]
    assert math.isnan(told_by_boards(asked(shares, wood_of)))
    only_woods = {(a, b): 1.0 for a, b in PAIRS if a[0] != b[0]}
    assert math.isnan(told_by_boards(asked(only_woods, wood_of)))
    assert math.isnan(told_by_boards(asked({("L1", "R1"): 1.0}, wood_of)))


# ---------------------------------------------------------------- the verdict


def table_of(shares, *, nulls=(2, 7), listeners=2, each=6, share=0.5) -> pd.DataFrame:
    """`shares` by pair of boards; `nulls` correct of so many hidden trials, for each listener."""
    parts = []
    for name in range(listeners):
        own = asked(shares, wood_of, each=each).assign(null=False)
        hidden = pd.DataFrame(
            [(i < nulls[0], "larch", "L1", "larch", "L1", True) for i in range(nulls[1])],
            columns=[*own.columns],
        )
        parts.append(pd.concat([own, hidden]).assign(listener=f"e{name}"))
    whole = pd.concat(parts, ignore_index=True)
    whole[["correct", "null"]] = whole[["correct", "null"]].astype(bool)
    return told_apart(whole, confidence=0.95, share=share)


def between(apart: float, alike: float) -> dict:
    return {(a, b): apart if a[0] != b[0] else alike for a, b in PAIRS}


@pytest.mark.parametrize(
    ("shares", "options", "verdict", "reason"),
    [
        (between(1, 0.3), {}, Heard.WOODS, "heard.more_than_boards"),
        (between(1, 1), {}, Heard.BOARDS, "heard.these_boards"),
        ({("L1", "R1"): 1.0}, {}, Heard.BOARDS, "heard.these_boards"),
        (between(1, 0.3), {"nulls": (5, 7)}, Heard.VOID, "heard.takes_told"),
        (between(0.5, 0.5), {"nulls": (1, 2)}, Heard.OPEN, "heard.perhaps_takes"),
        (between(0.5, 0.5), {"nulls": (0, 0)}, Heard.OPEN, "heard.perhaps_takes"),
        (between(1 / 3, 1 / 3), {"listeners": 8}, Heard.RULED_OUT, "heard.below"),
        (between(1 / 3, 1 / 3), {"listeners": 8, "share": 0.05}, Heard.OPEN, "heard.not_told"),
        ({("L1", "R1"): 2 / 6}, {}, Heard.OPEN, "heard.not_told"),
    ],
)
def test_the_verdict_rests_on_chance_takes_and_boards_in_this_order(
    shares, options, verdict, reason
):
    first = table_of(shares, **options).iloc[0]
    assert (first["verdict"], code_of(first["reason"])) == (verdict, reason)


def test_forty_answers_about_one_pair_of_boards_are_one_pair_of_boards():
    first = table_of({("L1", "R1"): 1.0}, each=20).iloc[0]
    assert (first["answers"], first["verdict"]) == (40, Heard.BOARDS)
    assert math.isnan(first["p_woods"])
    assert math.isnan(fields_of(first["reason"])["p"])


def test_each_row_is_of_its_own_answers():
    table = table_of(between(0.5, 1 / 3), nulls=(1, 7))
    rows = {(row.about, row.listener): (row.correct, row.answers) for row in table.itertuples()}
    assert rows == {
        ("woods", ""): (96, 192), ("woods", "e0"): (48, 96), ("woods", "e1"): (48, 96),
        ("one wood", ""): (48, 144), ("one wood", "e0"): (24, 72), ("one wood", "e1"): (24, 72),
        ("one board", ""): (2, 14), ("one board", "e0"): (1, 7), ("one board", "e1"): (1, 7),
    }  # fmt: skip
    for row in table.itertuples():
        assert row.share_low <= row.share <= row.share_high
        assert row.able_low <= row.able <= row.able_high
        assert row.d_prime_low <= row.d_prime <= row.d_prime_high
    alone = table.query("about == 'woods' and listener != ''")
    assert list(alone["p_adjusted"]) == pytest.approx([2 * p for p in alone["p"]])  # Holm, equal p


# ---------------------------------------------------------------- simulated listeners


RUNS = draws(2000, share=100)


def at_most(rate: float) -> float:
    """What a count at this rate exceeds once in 10,000 times."""
    return stats.binom.isf(1e-4, RUNS, rate) / RUNS


@pytest.mark.parametrize(
    "cell",
    [
        Cell("nobody hears anything, all like the second", likes=0.6),
        Cell("boards differ, woods do not", boards=2.0, ears=0.5),
        Cell("takes are told apart, boards and woods are not", takes=0.25, hidden=12),
    ],
    ids=lambda cell: cell.name,
)
def test_nothing_false_is_said_more_often_than_promised(cell, monkeypatch):
    monkeypatch.setattr(listening, "LABELLINGS", 400)
    found = rates(cell, RUNS)
    assert found["false"] <= at_most(0.05), found


def test_woods_that_differ_are_found(monkeypatch):
    monkeypatch.setattr(listening, "LABELLINGS", 400)
    found = rates(Cell("woods far apart", boards=0.5, woods=4.0), RUNS)
    assert found[Heard.WOODS] >= 0.8 - (0.8 - stats.binom.ppf(1e-4, RUNS, 0.8) / RUNS), found
