"""A blind test by triangles: who tells what apart, and how much a test can rule out.

Of three excerpts one is the odd one out; whoever hears nothing finds it once in three (`CHANCE`).
While nobody hears anything that holds for every listener and every pair of boards, so the exact
binomial test of all answers together is valid however listeners and boards differ. Everything else
is not so simple, and is told in three steps, each resting on the one before:

    one board   Two takes of one board (hidden trials). Above chance, takes or mountings are told
                apart and the test says nothing of boards: it is void.
    boards      Boards of two woods are told apart: more often than chance, and more often than
                takes of one board (Fisher's exact test), so that hidden trials too few to notice
                anything cannot let takes pass for boards. It is true of these boards.
    woods       More often than two boards of one wood. Boards are the units (planks, where several
                come from one): the woods' names are given to them anew in every way, and the share
                told apart between woods less that within them is compared (the permutation test of
                distances; Mielke and Berry 2001, from memory). It needs every pair of boards.

The share of correct answers on these boards has an interval with listeners at random, as a
beta-binomial has: the exact interval (Clopper and Pearson 1934) for as many answers as all are
worth, which is their number over the design effect, with the degrees of freedom of the listeners
(Korn and Graubard 1998, Survey Methodology 24, 193; from memory); never narrower than that of
single answers.

The share of trials in which the odd one is truly heard is (3 share - 1) / 2: the rest is guessed
(Abbott 1925). d' is that of the unspecialised triangle (Frijters 1979; Ennis 1993), share =
2 int_0^inf [Phi(-u sqrt 3 + d' sqrt(2/3)) + Phi(-u sqrt 3 - d' sqrt(2/3))] phi(u) du, which is the
noncentral F distribution with 1 and 1 degrees of freedom beyond 3 (Bi and O'Mahony 2013, from
memory; the tests hold it to the integral). Both are ways to read the share, and have its interval.

Functions: `by_chance`, `answers_needed`, `able`, `triangle_share`, `d_prime`, `share_interval`,
`told_by_boards`, `told_apart`.
"""

import math
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy import optimize, special

from studylib import codes, tables
from studylib.codes.comparison import Heard
from studylib.stats.families import holm

CHANCE = 1 / 3
ABOUT = ("woods", "one wood", "one board")
POWER = 0.8
MOST_D = 12.0  # above, no answer is wrong any more
LABELLINGS = 20_000


def by_chance(correct: int, answers: int) -> float:
    """The chance of at least so many correct answers when nobody hears anything."""
    return float(special.bdtrc(correct - 1, answers, CHANCE))


def answers_needed(share: float, *, confidence: float = 0.95, power: float = POWER) -> int:
    """How many answers find what is truly heard in a share of trials, and so do more of them.

    share : of trials in which it is truly heard, in (0.01, 1].
    """
    sizes = np.arange(1, math.ceil(20 / share**2) + 20)
    fewest = np.ceil(special.bdtrik(confidence, sizes, CHANCE)) + 1
    found = special.bdtrc(fewest - 1, sizes, CHANCE + (1 - CHANCE) * share)
    return int(sizes[found < power][-1]) + 1


def able(share: float) -> float:
    """The share of trials in which it is truly heard, where the others are guessed, 0 to 1."""
    return min(max((share - CHANCE) / (1 - CHANCE), 0.0), 1.0)


def triangle_share(d: float) -> float:
    """The share of correct answers at d', from a third to 1."""
    return float(1 - special.ncfdtr(1, 1, 2 * max(d, 1e-6) ** 2 / 3, 3.0))


@lru_cache(maxsize=1024)
def d_prime(share: float) -> float:
    """d' behind a share of correct answers: 0 up to chance, infinite where all are correct."""
    if share <= CHANCE + 1e-9:
        return 0.0
    if share >= triangle_share(MOST_D):
        return math.inf
    return float(optimize.brentq(lambda d: triangle_share(d) - share, 0.0, MOST_D, xtol=1e-9))


def share_interval(answers: pd.DataFrame, *, confidence: float) -> tuple[float, float]:
    """The interval of the share of correct answers, listeners at random where they are several.

    answers : columns listener, correct.
    """
    n, share, tail = len(answers), answers["correct"].mean(), (1 - confidence) / 2
    sums = (answers["correct"] - share).groupby(answers["listener"]).sum()
    worth, k = float(n), len(sums)
    if k > 1 and 0 < share < 1:
        effect = (sums**2).sum() * k / (k - 1) / (n * share * (1 - share))
        worth /= max(effect, 1.0) * np.divide(*special.stdtrit([k - 1, n - 1], tail)) ** 2
    found, missed = worth * share, worth * (1 - share)
    return (
        float(special.betaincinv(found, missed + 1, tail)) if found else 0.0,
        float(special.betainccinv(found + 1, missed, tail)) if missed else 1.0,
    )


def told_by_boards(answers: pd.DataFrame, *, seed: int = 1) -> float:
    """p of the woods' names: whether two woods are told apart more often than boards of one wood.

    NaN where not every pair of boards was asked, which no exchange of names leaves as it is.

    Parameters
    ----------
    answers : columns correct, wood_a, board_a, wood_b, board_b.
    seed : of the orders of the names that are drawn.
    """
    turned = {f"{what}_{a}": f"{what}_{b}" for what in ("wood", "board") for a, b in ("ab", "ba")}
    sides = pd.concat([answers, answers.rename(columns=turned)])
    first, second = np.triu_indices(sides["board_a"].nunique(), 1)
    shares = sides.pivot_table("correct", "board_a", "board_b").to_numpy()[first, second]
    own = sides.groupby("board_a")["wood_a"].first().factorize()[0]
    names = np.random.default_rng(seed).permuted(np.tile(own, (LABELLINGS, 1)), axis=1)
    names[0] = own
    apart = names[:, first] != names[:, second]
    if np.isnan(shares).any() or apart.all():  # or each wood is one board
        return math.nan
    more = apart @ shares / apart.sum(axis=1) - ~apart @ shares / (~apart).sum(axis=1)
    return float(np.mean(more >= more[0] - 1e-12))


def told_apart(answers: pd.DataFrame, *, confidence: float, share: float) -> pd.DataFrame:
    """The table `listening` of a test: what was told apart, by whom, and what that rests on.

    Parameters
    ----------
    answers : one row an answer that counts: listener, null, correct, wood_a, board_a, wood_b,
        board_b; a board is a plank where several come from one.
    confidence : of intervals, in (0.5, 1); above 1 - confidence nothing counts as heard.
    share : of trials in which it must be truly heard; a test whose interval ends below it has
        ruled that out.

    Returns
    -------
    Rows about "woods", "one wood" and "one board", as far as there are answers: of everybody, with
    the verdict on the woods, then of each listener.
    """
    of_one = [answers["null"], answers["wood_a"] == answers["wood_b"]]
    asked = pd.Series(np.select(of_one, ABOUT[:0:-1], ABOUT[0]), answers.index)
    rows = [
        _row(own, about, listener, confidence)
        for about in ABOUT
        for part in [answers[asked == about]]
        for listener, own in [("", part), *part.groupby("listener")]
        if len(own)
    ]
    table = tables.typed("listening", rows)
    alone = (table["about"] == "woods") & (table["listener"] != "")
    table.loc[alone, "p_adjusted"] = holm(table.loc[alone, "p"])
    if alone.any():
        table.loc[0, "p_woods"] = told_by_boards(answers[~answers["null"]])
        table.loc[0, ["verdict", "reason"]] = _verdict(
            table.loc[0], answers.loc[answers["null"], "correct"], 1 - confidence, share
        )
    return table


def _verdict(woods: pd.Series, nulls: pd.Series, alpha: float, share: float) -> tuple[Heard, str]:
    """What may be said of the woods, and what that rests on, a note."""
    found, missed = int(nulls.sum()), int((~nulls).sum())
    by_takes, p = by_chance(found, len(nulls)), woods["p_woods"]
    hidden = {"correct": found, "answers": len(nulls), "p": by_takes}
    more = _more_often(int(woods["correct"]), int(woods["answers"]), found, found + missed)
    told, little = woods["p"] <= alpha, woods["able_high"] < share
    return codes.holding(
        (by_takes <= alpha, (Heard.VOID, codes.note("heard.takes_told", **hidden))),
        (not told and little, (Heard.RULED_OUT, codes.note("heard.below", share=share))),
        (not told, (Heard.OPEN, "heard.not_told")),
        (more > alpha, (Heard.OPEN, codes.note("heard.perhaps_takes", **hidden))),
        (p <= alpha, (Heard.WOODS, codes.note("heard.more_than_boards", p=p))),
        (True, (Heard.BOARDS, codes.note("heard.these_boards", p=p))),
    )[0]


def _more_often(correct: int, answers: int, found: int, nulls: int) -> float:
    """p of Fisher's exact test: so many or more of the first, where the marks fall at random."""
    return sum(
        math.comb(answers, k) * math.comb(nulls, correct + found - k)
        for k in range(correct, min(answers, correct + found) + 1)
    ) / math.comb(answers + nulls, correct + found)


def _row(own: pd.DataFrame, about: str, listener: str, confidence: float) -> dict:
    """Numbers of some answers."""
    low, high = share_interval(own, confidence=confidence)
    correct, answers = int(own["correct"].sum()), len(own)
    p = by_chance(correct, answers)
    ends = {"": correct / answers, "_low": low, "_high": high}
    return {
        **{n: own[n].iloc[0] if about == "woods" else "" for n in ("wood_a", "wood_b")},
        **dict.fromkeys(("file", "verdict", "reason"), ""),
        **{"about": about, "listener": listener, "answers": answers, "correct": correct},
        **{"p": p, "p_adjusted": p, "p_woods": math.nan, "used": True},
        **{f"share{end}": value for end, value in ends.items()},
        **{f"able{end}": able(value) for end, value in ends.items()},
        **{f"d_prime{end}": d_prime(value) for end, value in ends.items()},
    }
