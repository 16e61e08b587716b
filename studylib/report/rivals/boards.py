"""Rivals that lie in the boards: their sizes, their moisture, the planks they were cut from.

Source: the bending frequencies of a thin free-free beam go as thickness over length squared
(Euler-Bernoulli, any textbook on vibration), so a relative change of t/L^2 is, at first order, that
of every bending frequency; shear, width and what is fixed to the board are left out.

Two boards swapped at the bench: each mount is held against its own board.

The features are those measured on every mount: the response at the tone and at the probe tones
(without a sensed drive, the levels). The distance of two mounts is the largest of their differences
on these features, in units of the spread of such a difference within a board: a swap may show on
one feature alone, and a mean over features would hide it. The spread is pooled over the boards
other than the two in question, because a mix-up would widen its own yardstick. A mount's distance
from a board is that from the nearest of the board's (other) mounts in the same batch.

Without a mix-up each difference follows Student's t. The chance that any mount of a study lies
farther from its board than that is held at CHANCE over all mounts and features (Bonferroni), with
few degrees of freedom however many boards there are.

Functions: dimensions, moisture, planks, mixed_up, Distance, distances.
"""

import math
from collections import Counter
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from studylib import codes, register
from studylib.codes.attribution import Control
from studylib.report.rivals.basis import (
    Basis,
    Finding,
    board_takes,
    each_wood,
    gap_of_woods,
    known,
    no_tone,
    record,
    reported_spread,
    untested,
)
from studylib.sheets.files import grouped

SIZES = ("length_mm", "thickness_mm")
CLIMATE = {"temperature_c": "temperature", "humidity_pct": "humidity"}


def _column(basis: Basis, name: str) -> dict[str, float]:
    """Filled cells of a column of specimens.csv: board -> number."""
    return {
        s.specimen: float(getattr(s, name))
        for s in basis.summary.study.specimens
        if s.specimen in basis.boards and getattr(s, name) is not None
    }


def _means(basis: Basis, column: str, values: dict[str, float]) -> str:
    """Each wood's mean and spread, in the order of specimens.csv."""
    woods = [
        codes.note(
            "rivals.wood_mean",
            column=column,
            wood=wood,
            mean=float(found.mean()),
            sd=float(found.std(ddof=1)) if found.size > 1 else None,
        )
        for wood, found in each_wood(basis, values).items()
    ]
    return codes.note("rivals.means", column=column, woods=woods)


def _every_wood(basis: Basis, woods: dict[str, np.ndarray]) -> bool:
    return bool(woods) and set(woods) == set(basis.boards.values())


# ---------------------------------------------------------------- dimensions


def dimensions(basis: Basis) -> Finding:
    """Boards of one wood cut a little longer or thicker."""
    columns = {name: _column(basis, name) for name in SIZES}
    return Finding(
        "rivals.dimensions",
        codes.note(
            "rivals.by_sizes",
            **{name: len(cells) for name, cells in columns.items()},
            boards=len(basis.boards),
        ),
        _dimensions_say(basis, columns),
    )


def _dimensions_say(basis: Basis, columns: dict[str, dict[str, float]]) -> list[str]:
    length, thickness = columns.values()
    both = {b: math.log(thickness[b] / length[b] ** 2) for b in length if b in thickness}
    woods = each_wood(basis, both)
    short = [name for name, cells in columns.items() if len(cells) < len(basis.boards)]
    if not _every_wood(basis, woods):
        return [untested(codes.note("rivals.fill_in", columns=short or [SIZES[0]], measured=True))]
    said = [_means(basis, name, cells) for name, cells in columns.items()]
    gap = gap_of_woods(woods)
    if gap is None:
        return [*said, codes.note("rivals.one_wood")]
    alike = len(set(length.values())) == len(set(thickness.values())) == 1 < len(basis.boards)
    return [
        *said,
        codes.note("rivals.size_gap", **{name: _gap(basis, columns[name]) for name in SIZES}),
        codes.note(
            "rivals.bending", a=gap.a, b=gap.b, percent=100 * gap.difference, u=known(100 * gap.u)
        ),
        *codes.holding(
            (short, codes.note("rivals.sizes_lacking", columns=short)),
            (alike, codes.note("rivals.same_sizes")),
        ),
    ]


def _gap(basis: Basis, values: dict[str, float]) -> dict[str, float | None]:
    """Largest relative difference between woods, and its standard uncertainty."""
    logs = {board: math.log(value) for board, value in values.items()}
    gap = gap_of_woods(each_wood(basis, logs))
    return {"percent": 100 * abs(gap.difference), "u": known(100 * gap.u)}


# ---------------------------------------------------------------- moisture


def moisture(basis: Basis) -> Finding:
    """Boards of one wood drier than the others, or a day that was damper."""
    cells = _column(basis, "moisture_pct")
    return Finding(
        "rivals.moisture",
        codes.note("rivals.by_moisture", filled=len(cells), boards=len(basis.boards)),
        _moisture_says(basis, cells),
    )


def _moisture_says(basis: Basis, cells: dict[str, float]) -> list[str]:
    woods, climate = each_wood(basis, cells), _climate(basis)
    if not _every_wood(basis, woods):
        gap = untested(codes.note("rivals.fill_in", columns=["moisture_pct"], measured=False))
        return [gap, codes.note("rivals.climate", **climate, instead=True) if climate else ""]
    gap = gap_of_woods(woods)
    lacking = len(basis.boards) - len(cells)
    return [
        _means(basis, "moisture_pct", cells),
        codes.note("rivals.one_wood")
        if gap is None
        else codes.note(
            "rivals.moisture_gap", a=gap.a, b=gap.b, size=abs(gap.difference), u=known(gap.u)
        ),
        codes.note("rivals.moisture_lacking", boards=lacking) if lacking else "",
        codes.note("rivals.climate", **climate, instead=False) if climate else "",
    ]


def _climate(basis: Basis) -> dict[str, list[float] | None]:
    """Lowest and highest temperature and humidity over the takes; empty without any."""
    given = {
        name: [value for t in basis.takes if (value := getattr(t, column)) is not None]
        for column, name in CLIMATE.items()
    }
    found = {name: [min(values), max(values)] if values else None for name, values in given.items()}
    return found if any(found.values()) else {}


# ---------------------------------------------------------------- planks


def planks(basis: Basis) -> Finding:
    """Boards of one plank are alike, and counted alone they look like a wood."""
    own = [s for s in basis.summary.study.specimens if s.specimen in basis.boards]
    given = sum(not s.source_assumed for s in own)
    return Finding(
        "rivals.planks",
        codes.note("rivals.by_planks", given=given, boards=len(own)),
        _planks_say(basis, own, given),
    )


def _planks_say(basis: Basis, own: list, given: int) -> list[str]:
    if not given:
        return [
            untested(codes.note("rivals.fill_in", columns=["source"], measured=False)),
            codes.note("rivals.plank_assumed"),
        ]
    boards = {wood: Counter(of) for wood, of in grouped((s.wood, s.source) for s in own).items()}
    each = [
        codes.note(
            "rivals.wood_sources",
            wood=wood,
            sources=len(found),
            least=min(found.values()),
            most=max(found.values()),
        )
        for wood, found in boards.items()
    ]
    single = [wood for wood, found in boards.items() if len(found) == 1]
    return [
        codes.note("rivals.sources", woods=each),
        *codes.holding(
            (given < len(own), codes.note("rivals.some_assumed", boards=len(own) - given)),
            (single, codes.note("rivals.one_source", woods=single)),
        ),
        *(said for feature in basis.features for said in _source_spread(basis, feature)),
        codes.note("rivals.shared"),
    ]


def _source_spread(basis: Basis, feature: str) -> list[str]:
    """Spread between sources of a wood, else between boards, from the variance table."""
    table = basis.summary.comparison.variance
    known = table[(table["feature"] == feature) & np.isfinite(table["variance"])]
    levels = known[known["level"].isin(["source", "specimen"])].sort_values("level", kind="stable")
    return [
        codes.note(
            "rivals.source_spread",
            feature=feature,
            level=row.level,
            **reported_spread(row, register.find(feature)),
        )
        for row in levels.head(1).itertuples()
    ]


MATCH = 3.0  # distance within which a mount may be another board's
MOST_FREE = 8.0  # degrees of freedom that are believed: boards do not all spread alike
ROUNDING = 1e-9  # of the whole scatter: what is left of it is none
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
    error, whole = CHANCE / (mounts * len(kept)), (squares[kept].sum().to_numpy(), int(df.sum()))
    return [
        _of_mount(i, mount, board, names, np.abs(values - values[i]), (scatter, free, whole), error)
        for _, batch in table.groupby("batch", sort=False)
        for names, board in [np.unique(batch["specimen"].to_numpy(str), return_inverse=True)]
        for values in [batch[kept].to_numpy(float)]
        for scatter in [squares[kept].reindex(names).fillna(0.0).to_numpy()]
        for free in [df.reindex(names).fillna(0).to_numpy(int)]
        for several in [np.bincount(board)[board] > 1]
        for i, mount in enumerate(batch["mount"])
        if several[i]
    ]


def _of_mount(i, mount, board_of, names, apart, spreads, error) -> Distance:
    """Distances of the i-th mount of a batch; `apart` is how far the others lie, by feature."""
    board = board_of[i]
    mine = board_of == board
    own = mine & (np.arange(len(mine)) != i)
    sd, free = _spread(*spreads, [board])
    near = np.full(len(names), np.inf)
    np.minimum.at(near, board_of, np.where(mine, np.inf, (apart / sd).max(axis=1)))
    if len(names) > 1:
        # Of those that it may be, the one that scatters most: it may have been swapped with it.
        alike = (near <= MATCH) | (np.arange(len(near)) == near.argmin())
        scatter = np.where(alike, (spreads[0] / sd**2).max(axis=1), -1.0)
        sd, free = _spread(*spreads, [board, scatter.argmax()])
    far = (apart / sd).max(axis=1)
    others = np.where(mine, np.inf, far)
    other = str(names[board_of[others.argmin()]]) if len(names) > 1 else ""
    chance = float(special.stdtrit(min(free, MOST_FREE), 1.0 - error / 2.0)) if free else math.inf
    own_far, name = float(far[own].min()), str(names[board])
    return Distance(name, mount, own_far, float(others.min()), other, chance)


def _spread(
    scatter: np.ndarray, free: np.ndarray, whole: tuple[np.ndarray, int], left_out: list[int]
) -> tuple[np.ndarray, float]:
    """Standard deviation of a difference of two mounts, feature by feature, and its degrees of
    freedom, from the boards not left out; from all, with none, where those give no spread."""
    pooled, rest = whole[0] - scatter[left_out].sum(axis=0), whole[1] - free[left_out].sum()
    if rest and (pooled > ROUNDING * whole[0]).all():
        return np.sqrt(2.0 * pooled / rest), float(rest)
    return np.sqrt(2.0 * np.maximum(whole[0], 1e-300) / whole[1]), 0.0
