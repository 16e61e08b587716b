"""How to spend the minutes of a day: further boards, further mounts or further takes.

The classical optimum of nested sampling (Cochran, Sampling Techniques, 3rd ed. 1977, sections 10.6
and 10.8, recalled): with costs c1, c2, c3 of a board, a mount and a take and standard deviations
s1, s2, s3 between them, the variance of a wood's mean is smallest for its cost with

    mounts of a board = s2 / s1 sqrt(c1 / c2),   takes of a mount = s3 / s2 sqrt(c2 / c3)

and the rest of the money buys boards. What a mount and a take add is small beside the boards, so
whole numbers near the optimum do about as well; `best_splits` tries them all.

Functions: `optimum`, `best_splits`. Class: `Minutes`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from studylib.errors import InputError
from studylib.stats.spreads import Spreads, variance_of_source

MOST_MOUNTS, MOST_TAKES = 12, 12
SPLIT_COLUMNS = ("boards", "mounts", "takes", "minutes", "sd")


@dataclass(frozen=True)
class Minutes:
    """What one more board, one more mounting of it and one more take cost, in minutes."""

    board: float
    mount: float
    take: float


def optimum(spreads: Spreads, minutes: Minutes) -> tuple[float, float]:
    """Best mounts of a board and takes of a mount, as real numbers above 0.

    The spread of a board is that of its plank and its own together: each board is taken to come
    from a plank of its own.

    Raises
    ------
    InputError : a spread or a cost that is zero, for which the rule has no answer.
    """
    board = math.hypot(spreads.source, spreads.specimen)
    if not min(board, spreads.mount, spreads.take) > 0:
        raise InputError(
            f"{spreads.feature}: a spread of boards, mounts or takes is zero, so there is no best "
            "split of the minutes; give spreads above 0 or a pilot that tells them apart"
        )
    if not min(minutes.board, minutes.mount, minutes.take) > 0:
        raise InputError(
            "study.toml, [plan]: minutes_board, minutes_mount and minutes_take must be above 0 for "
            "the minutes of a day to be shared out"
        )
    mounts = spreads.mount / board * math.sqrt(minutes.board / minutes.mount)
    takes = spreads.take / spreads.mount * math.sqrt(minutes.mount / minutes.take)
    return mounts, takes


def best_splits(
    spreads: Spreads, minutes: Minutes, *, woods: int, budget: float, rows: int = 10
) -> pd.DataFrame:
    """Designs that fit into the minutes, the best first.

    Parameters
    ----------
    woods : number of woods, all with the same number of boards.
    budget : minutes for boards, mounts and takes of all woods together.
    rows : how many designs at most.

    Returns
    -------
    boards (a wood), mounts (a board), takes (a mount), minutes, sd (of a wood's mean, on the scale
    of analysis).

    Raises
    ------
    InputError : not even two boards of each wood fit.
    """
    found = []
    for mounts in range(1, MOST_MOUNTS + 1):
        for takes in range(1, MOST_TAKES + 1):
            each = minutes.board + mounts * (minutes.mount + takes * minutes.take)
            boards = int(budget // (woods * each))
            if boards >= 2:
                one = variance_of_source(spreads, boards=1, mounts=mounts, takes=takes)
                sd = math.sqrt(one / boards)
                found.append((boards, mounts, takes, woods * boards * each, sd))
    if not found:
        least = 2 * woods * (minutes.board + minutes.mount + minutes.take)
        raise InputError(
            f"{budget:.0f} minutes are too few: two boards of each of {woods} woods, mounted and "
            f"recorded once, take {least:.0f}; plan more sittings or correct the minutes"
        )
    table = pd.DataFrame(found, columns=list(SPLIT_COLUMNS))
    table = table.sort_values(["sd", "minutes"], kind="stable", ignore_index=True)
    # One line a number of boards and mounts: the takes that serve it best.
    table = table.drop_duplicates(["boards", "mounts"], ignore_index=True)
    return table.head(rows)
