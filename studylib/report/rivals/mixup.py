"""Rival: two boards swapped at the bench. Each mount is held against its own board.

The features are those measured on every mount: the response at the tone and at the probe tones
(without a sensed drive, the levels). The distance of two mounts is the largest of their differences
on these features, in units of the spread of such a difference within a board: a swap may show on
one feature alone, and a mean over features would hide it. The spread is pooled over the boards
other than the two in question, because a mix-up would widen its own yardstick. A mount's distance
from a board is that from the nearest of the board's (other) mounts in the same batch.

Without a mix-up each difference follows Student's t. The chance that any mount of a study lies
farther from its board than that is held at CHANCE over all mounts and features (Bonferroni), with
few degrees of freedom however many boards there are.

Contents: mixed_up, Distance, distances.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from studylib import codes, register
from studylib.codes.attribution import Control
from studylib.report.rivals.basis import Basis, Finding, board_takes, known, no_tone, record

MATCH = 3.0  # distance within which a mount may be another board's
MOST_FREE = 8.0  # degrees of freedom that are believed: boards do not all spread alike
CHANCE = 0.01  # that any mount of a study is this far from its board without a mix-up


class Distance(NamedTuple):
    """One mount: how far from the nearest other mount of its board, and of another board.

    chance : the distance that some mount of the study exceeds in at most CHANCE of studies without
        a mix-up; infinite where no third board gives a spread.
    other : the board nearest in the batch, "" without one.
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
    return Finding(
        "rivals.mix_up",
        codes.note("rivals.by_mix_up", mounts=len(table), features=features),
        _says(basis, distances(table, features)),
    )


def _table(basis: Basis) -> tuple[pd.DataFrame, list[str]]:
    """Mounts of boards (specimen, batch, mount) with the features that all of them have.

    Of the tone itself and the probe tones: the responses, else the levels.
    """
    means = basis.summary.comparison.mount_means
    means = means[
        means["specimen"].isin(list(basis.boards)) & np.isfinite(means["value"].astype(float))
    ]
    known = [register.find(name) for name in means["feature"].unique()]
    played = [
        each
        for each in known
        if each.unit == "dB"
        and (
            each.kind == register.Kind.PROBE
            or (each.kind == register.Kind.TONE and each.harmonic == 1)
        )
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
    said = [
        codes.note(
            "rivals.farthest",
            mounts=len(found),
            specimen=far.board,
            mount=far.mount,
            times=far.own,
            chance=known(far.chance),
        )
    ]
    if not any(each.other for each in found):
        return [*said, codes.note("rivals.no_second_board")]
    near = [each for each in found if each.near < each.own]
    woods = sum(basis.boards[each.other] != basis.boards[each.board] for each in near)
    suspects = [
        codes.note("rivals.suspect", specimen=each.board, mount=each.mount, other=each.other)
        for each in near
        if each.own > each.chance
    ]
    return [
        *said,
        codes.note("rivals.nearer", near=len(near), mounts=len(found), other_wood=woods),
        codes.note("rivals.check", suspects=suspects)
        if suspects
        else codes.note("rivals.no_suspect"),
        codes.note("rivals.mix_up_limit"),
    ]


def distances(table: pd.DataFrame, features: Sequence[str]) -> list[Distance]:
    """Every mount whose board has another mount in the batch; none without a spread.

    Parameters
    ----------
    table : specimen, batch, mount and one finite column a feature, one row a mount.
    """
    cells = table.groupby(["specimen", "batch"], sort=False)
    squares = (
        pd.DataFrame(
            {f: (table[f] - cells[f].transform("mean")) ** 2 for f in features}, index=table.index
        )
        .groupby(table["specimen"], sort=False)
        .sum()
    )
    df = (cells.size() - 1).groupby(level="specimen", sort=False).sum()
    squares, df = squares[df > 0], df[df > 0]
    kept = [f for f in features if (squares[f] > 0).any()]
    if not kept:
        return []
    mounts = int((cells["mount"].transform("size") > 1).sum())
    error = CHANCE / (mounts * len(kept))
    return [
        _of_mount(i, mount, boards, np.abs(values - values[i]), squares[kept], df, error)
        for _, batch in table.groupby("batch", sort=False)
        for values, boards in [(batch[kept].to_numpy(float), batch["specimen"].to_numpy())]
        for i, mount in enumerate(batch["mount"])
        if (boards == boards[i]).sum() > 1
    ]


def _of_mount(i, mount, boards, apart, squares, df, error) -> Distance:
    """Distances of the i-th mount of a batch; `apart` is how far the others lie, by feature."""
    board = boards[i]
    own = (boards == board) & (np.arange(len(boards)) != i)
    sd, free = _spread(squares, df, [board])
    others = pd.Series((apart / sd).max(axis=1)[boards != board], boards[boards != board])
    near = others.groupby(level=0, sort=False).min()
    if len(near):
        # Of those that it may be, the one that scatters most: it may have been swapped with it.
        alike = near.index[near <= MATCH].union([near.idxmin()])
        scatter = (squares.reindex(alike).fillna(0.0) / sd**2).max(axis=1)
        sd, free = _spread(squares, df, [board, scatter.idxmax()])
    far = (apart / sd).max(axis=1)
    others = np.where(boards == board, np.inf, far)
    other = str(boards[others.argmin()]) if len(near) else ""
    chance = float(special.stdtrit(min(free, MOST_FREE), 1.0 - error / 2.0)) if free else math.inf
    return Distance(board, mount, float(far[own].min()), float(others.min()), other, chance)


def _spread(squares: pd.DataFrame, df: pd.Series, left_out: list[str]) -> tuple[np.ndarray, float]:
    """Standard deviation of a difference of two mounts, feature by feature, and its degrees of
    freedom, from the boards not left out; from all, with none, where those give no spread."""
    rest = ~squares.index.isin(left_out)
    pooled, free = squares[rest].sum().to_numpy(), float(df[rest].sum())
    if free and (pooled > 0).all():
        return np.sqrt(2.0 * pooled / free), free
    whole = np.maximum(squares.sum().to_numpy(), 1e-300)
    return np.sqrt(2.0 * whole / float(df.sum())), 0.0
