"""Rival: two boards swapped at the bench. Each mount is held against its own board.

The features are those measured on every mount: the response at the tone and at the probe tones
(without a sensed drive, the levels). The distance of two mounts is the root mean square over these
features of their difference, in units of the spread of such a difference within a board. The spread
is the median over the other boards, because a mix-up would widen a mean spread, its own yardstick.
A mount's distance from a board is that from the nearest of the board's (other) mounts in the same
batch. Without a mix-up its square is taken to follow F at most, with the features as independent.

Source: the median of a mean square is about (chi-square's median) / df times its variance; such a
median is worth some 0.37 to 0.64 of the degrees of freedom (df 1 to many), here taken as 0.4.

Contents: mixed_up, Distance, distances.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats as distributions

from studylib.report.rivals.parts import Ground, Rival, board_takes, no_tone, record
from studylib.words.numbers import counted, rounded
from studylib.words.text import listed

NAMES = r"(tone\.h1|probe\.k\d+)"
WORTH = 0.4  # of the degrees of freedom behind a median spread
CHANCE = 0.05  # that any mount of a study is this far from its board without a mix-up
LIMITS = (
    "Boards of one wood may be too alike for this to tell, and a board labelled wrongly from the "
    "start leaves no trace: weigh boards against the sheet before each batch."
)


class Distance(NamedTuple):
    """One mount: how far from the nearest other mount of its board, and of another board.

    chance : the distance that some mount of the study exceeds in at most one of twenty studies
        without a mix-up.  other : the board nearest in the batch, "" without one.
    """

    board: str
    mount: int
    own: float
    near: float
    other: str
    chance: float


def mixed_up(ground: Ground) -> Rival:
    """A mount of one board entered under another's name."""
    looks = "one mount of a board far from the board's others, and near another board"
    table, features = _table(ground)
    tested = "no feature measured on every mount"
    if features:
        tested = f"{counted(len(table), 'mount')} of boards, on {listed(features)}"
    return Rival("mix-up of boards", looks, tested, _says(ground, distances(table, features)))


def _table(ground: Ground) -> tuple[pd.DataFrame, list[str]]:
    """Mounts of boards (specimen, batch, mount) with the features that all of them have."""
    means = ground.summary.comparison.mount_means
    means = means[means["specimen"].isin(list(ground.boards))]
    means = means[np.isfinite(means["value"].astype(float))]
    for ending in ("response_db", "level_db"):
        wanted = [f for f in means["feature"].unique() if re.fullmatch(f"{NAMES}\\.{ending}", f)]
        wide = means[means["feature"].isin(wanted)].pivot_table(
            index=["specimen", "batch", "mount"], columns="feature", values="value"
        )
        whole = [feature for feature in wanted if wide[feature].notna().all()]
        if whole:
            return wide[whole].reset_index(), whole
    return pd.DataFrame(columns=["specimen", "batch", "mount"]), []


def _says(ground: Ground, found: list[Distance]) -> str:
    if not found:
        return f"{record(ground, 'remount')}." if board_takes(ground) else no_tone(ground)
    far = max(found, key=lambda each: each.own)
    said = [
        f"The farthest of {counted(len(found), 'mount')} from all other mounts of its board is "
        f"{far.board} mount {far.mount}: {rounded(far.own, digits=2)} times the spread between "
        f"mounts (without a mix-up one lies beyond {rounded(far.chance, digits=2)} in at most one "
        "study of twenty)."
    ]
    if not any(each.other for each in found):
        return " ".join([*said, "There is no second board in its batch to mix it up with."])
    near = [each for each in found if each.near < each.own]
    woods = [each for each in near if ground.boards[each.other] != ground.boards[each.board]]
    said.append(
        f"{len(near)} of {len(found)} lie nearer to a mount of another board than to their own, "
        f"{len(woods)} of them to one of another wood."
    )
    both = [f"{e.board} mount {e.mount} (nearer to {e.other})" for e in near if e.own > e.chance]
    said.append(
        f"Check {listed(both)}: farther from the board's other mounts than chance explains."
        if both
        else "None of these is farther from its own board than chance explains."
    )
    return " ".join([*said, LIMITS])


def distances(table: pd.DataFrame, features: Sequence[str]) -> list[Distance]:
    """Every mount whose board has another mount in the batch; none without a spread.

    Parameters
    ----------
    table : specimen, batch, mount and one finite column a feature, one row a mount.
    """
    cells = table.groupby(["specimen", "batch"], sort=False)
    squares = pd.DataFrame(
        {f: (table[f] - cells[f].transform("mean")) ** 2 for f in features}, index=table.index
    )
    squares = squares.groupby(table["specimen"], sort=False).sum()
    df = (cells.size() - 1).groupby(level="specimen", sort=False).sum()
    squares, df = squares[df > 0], df[df > 0]
    kept = [f for f in features if (squares[f] > 0).any()]
    if not kept:
        return []
    found = []
    for _, batch in table.groupby("batch", sort=False):
        found += _in_batch(batch, squares[kept], df)
    return [each._replace(chance=_chance(each.chance, len(kept), len(found))) for each in found]


def _in_batch(batch: pd.DataFrame, squares: pd.DataFrame, df: pd.Series) -> list[Distance]:
    """Distances within one batch; `chance` still holds the degrees of freedom."""
    values, boards = batch[list(squares)].to_numpy(float), batch["specimen"].to_numpy()
    measures = {board: _yardstick(squares, df, board) for board in dict.fromkeys(boards)}
    found = []
    for i, (board, mount) in enumerate(zip(boards, batch["mount"], strict=True)):
        mine = (np.arange(len(boards)) != i) & (boards == board)
        if not mine.any():
            continue
        variance, free = measures[board]
        apart = np.sqrt(np.mean((values - values[i]) ** 2 / (2.0 * variance), axis=1))
        others = np.where(boards == board, np.inf, apart)
        near, other = float(others.min()), str(boards[others.argmin()])
        if not math.isfinite(near):
            other = ""
        found.append(Distance(board, mount, float(apart[mine].min()), near, other, free))
    return found


def _yardstick(squares: pd.DataFrame, df: pd.Series, board: str) -> tuple[np.ndarray, float]:
    """Variance between mounts of each feature from the other boards, and its degrees of freedom."""
    rest = squares.index != board
    each = squares[rest].div(distributions.chi2.median(df[rest]), axis=0).median().to_numpy()
    if rest.any() and (each > 0).all():
        return each, max(WORTH * float(df[rest].sum()), 1.0)
    pooled = squares.sum().to_numpy() / df.sum()
    return pooled, float(df.sum())


def _chance(df: float, features: int, mounts: int) -> float:
    return math.sqrt(distributions.f.ppf(1.0 - CHANCE / mounts, features, df))
