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
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats as distributions

from studylib.codes import note
from studylib.codes.attribution import Control
from studylib.codes.rivals import Rival, Says, TestedBy
from studylib.register import Kind, find
from studylib.report.rivals.basis import Basis, Finding, board_takes, no_tone, record

WORTH = 0.4  # of the degrees of freedom behind a median spread
CHANCE = 0.05  # that any mount of a study is this far from its board without a mix-up


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


def mixed_up(basis: Basis) -> Finding:
    """A mount of one board entered under another's name."""
    table, features = _table(basis)
    tested_by = note(TestedBy.MIX_UP, mounts=len(table), features=features)
    return Finding(Rival.MIX_UP, tested_by, _says(basis, distances(table, features)))


def _table(basis: Basis) -> tuple[pd.DataFrame, list[str]]:
    """Mounts of boards (specimen, batch, mount) with the features that all of them have.

    Of the tone itself and the probe tones: the responses, else the levels.
    """
    means = basis.summary.comparison.mount_means
    means = means[means["specimen"].isin(list(basis.boards))]
    means = means[np.isfinite(means["value"].astype(float))]
    known = [find(name) for name in means["feature"].unique()]
    played = [
        each
        for each in known
        if each.unit == "dB"
        and (each.kind == Kind.PROBE or (each.kind == Kind.TONE and each.harmonic == 1))
    ]
    for of_level in (False, True):
        wanted = [each.name for each in played if each.drive_level is of_level]
        wide = means[means["feature"].isin(wanted)].pivot_table(
            index=["specimen", "batch", "mount"], columns="feature", values="value"
        )
        whole = [feature for feature in wanted if wide[feature].notna().all()]
        if whole:
            return wide[whole].reset_index(), whole
    return pd.DataFrame(columns=["specimen", "batch", "mount"]), []


def _says(basis: Basis, found: list[Distance]) -> list[str]:
    if not found:
        return [record(basis, Control.REMOUNT) if board_takes(basis) else no_tone(basis)]
    far = max(found, key=lambda each: each.own)
    place = {"specimen": far.board, "mount": far.mount}
    said = [note(Says.FARTHEST, mounts=len(found), **place, times=far.own, chance=far.chance)]
    if not any(each.other for each in found):
        return [*said, note(Says.NO_SECOND_BOARD)]
    near = [each for each in found if each.near < each.own]
    woods = sum(basis.boards[each.other] != basis.boards[each.board] for each in near)
    suspects = [
        note(Says.SUSPECT, specimen=each.board, mount=each.mount, other=each.other)
        for each in near
        if each.own > each.chance
    ]
    return [
        *said,
        note(Says.NEARER, near=len(near), mounts=len(found), other_wood=woods),
        note(Says.CHECK, suspects=suspects) if suspects else note(Says.NO_SUSPECT),
        note(Says.MIX_UP_LIMIT),
    ]


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
