"""What all boards share: the excess of every board against the others', harmonic by harmonic.

An excess that every board shows belongs to the bench before it can belong to a board. Boards are
the unit: mounts of one board are averaged. Each board's excess is held against the prediction
interval of the other boards (left out itself): mean m and variance t2 between boards from the
random-effects model of DerSimonian and Laird (1986), interval m +- t(n - 1) sqrt(t2 + u_m^2 + u^2)
at 99 % (Higgins, Thompson and Spiegelhalter 2009, with one degree of freedom more). The excess is
shared when every board lies inside, and the lower end of the common part, m - t(n - 1) u_m over all
boards, is above the margin.

Conventions: dB; a specimen of role `changed` is the reference once more and never one of the
others; inert specimens and the block are witnesses, not boards.

Contents: Shared, witnesses, shared_columns.
"""

from collections.abc import Mapping, Set
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from studylib.attribution import board_facts, controls, uncertainty
from studylib.sheets.files import grouped

FEWEST_OTHERS = 4  # below, no sharing is judged
QUANTILE = 0.995  # two sides at 99 %


class Shared(NamedTuple):
    """What a row is told of the other boards at its harmonic.

    others, boards : how many others, and boards in all.
    upper_db : the upper limit of the others' prediction interval, NaN below four.
    shared : every board shows it.  common_low_db : lower end of the common part.
    one_wood : most boards of this wood show it, and of another wood most do not; not where that
    was repeated with the board turned, the driver moved, and in another batch.
    """

    others: int
    boards: int
    upper_db: float
    shared: bool
    common_low_db: float
    one_wood: bool


def _model(e: np.ndarray, u: np.ndarray) -> tuple[float, float, float]:
    """(mean, its standard uncertainty, variance between boards) of the random-effects model."""
    w = 1.0 / u**2
    mean = (w * e).sum() / w.sum()
    scatter = (w * (e - mean) ** 2).sum() - (e.size - 1)
    between = max(0.0, scatter / (w.sum() - (w**2).sum() / w.sum())) if e.size > 1 else 0.0
    w = 1.0 / (u**2 + between)
    return float((w * e).sum() / w.sum()), float(w.sum() ** -0.5), float(between)


def _of_harmonic(
    boards: pd.DataFrame, *, margin_db: float, repeated: set[str]
) -> dict[str, Shared]:
    """`Shared` of every specimen at one harmonic; `boards`: specimen, wood, e, u, other.

    A wood for which it was repeated is held against the boards of the other woods alone.
    """
    own = boards[boards["other"]]
    e, u, names = own["e"].to_numpy(), own["u"].to_numpy(), own["specimen"].to_numpy()
    enough = e.size > FEWEST_OTHERS
    inside = np.ones(e.size, dtype=bool)
    common_low = np.nan
    if enough:
        mean, u_mean, _ = _model(e, u)
        common_low = mean - stdtrit(e.size - 1, QUANTILE) * u_mean
    limits, wood = {}, own["wood"].to_numpy()
    for name, mine in zip(boards["specimen"], boards["wood"], strict=True):
        rest = (names != name) & ~((wood == mine) & (mine in repeated))
        n = int(rest.sum())
        limits[name] = n, e.size, np.nan
        if n < FEWEST_OTHERS:
            continue
        mean, u_mean, between = _model(e[rest], u[rest])
        q = stdtrit(n - 1, QUANTILE)
        limits[name] = n, e.size, mean + q * np.hypot(u_mean, between**0.5)
        out = names == name
        reach = q * np.sqrt(between + u_mean**2 + u[out] ** 2)
        inside[out] = np.abs(e[out] - mean) <= reach
    shared = bool(enough and inside.all() and common_low > margin_db)
    shows = e - 2.0 * u > margin_db
    most = {name: shows[wood == name].mean() > 0.5 for name in set(wood)}
    woods = {name for name in most if most[name] and (wood == name).sum() > 1} - repeated
    partly = not all(most.values())
    return {
        name: Shared(*limits[name], shared, common_low, partly and wood in woods)
        for name, wood in zip(boards["specimen"], boards["wood"], strict=True)
    }


def witnesses(
    blocks: Mapping[str, controls.Block | None], spread: uncertainty.Spread
) -> dict[int, list[float]]:
    """Multiple -> the lower end of the excess on each batch's block in dB, at 99 %."""
    found = []
    for block in filter(None, blocks.values()):
        takes = uncertainty.or_zero(np.array(spread.level)) * sum(1.0 / n for n in block.n)
        q = float(stdtrit(max(spread.df, 1), 1.0 - uncertainty.ERROR / (2.0 * block.excess.size)))
        low = uncertainty.DB * (
            np.log(np.abs(block.excess)) - q * np.hypot(block.u_excess, takes**0.5)
        )
        found += [(k, value) for k, value in enumerate(low.tolist(), start=1) if np.isfinite(value)]
    return grouped(found)


def shared_columns(
    table: pd.DataFrame,
    facts: Mapping[str, board_facts.BoardFacts],
    *,
    margin_db: float,
    repeated: Set[tuple[str, int]] = frozenset(),
) -> pd.DataFrame:
    """A column for each field of `Shared`, row by row of a table of mounts.

    Parameters
    ----------
    table : columns specimen, harmonic, excess_db, u, counts (bool: the excess is one).
    facts : by specimen; one that is missing has no wood and is a board.
    repeated : (wood, multiple) where how the wood was driven is ruled out.
    """
    kept = table[table["counts"] & np.isfinite(table["excess_db"]) & np.isfinite(table["u"])]
    kept = kept.assign(square=kept["u"] ** 2)
    boards = kept.groupby(["harmonic", "specimen"], sort=False).agg(
        e=("excess_db", "mean"), square=("square", "mean")
    ).reset_index()  # fmt: skip
    of = {name: facts.get(name, board_facts.BoardFacts()) for name in table["specimen"].unique()}
    boards = boards.assign(
        u=np.sqrt(boards["square"]).clip(lower=1e-3),
        wood=[of[name].wood for name in boards["specimen"]],
        other=[of[name].role != "changed" and not of[name].inert for name in boards["specimen"]],
    )
    found = {
        (k, name): each
        for k, group in boards.groupby("harmonic")
        for name, each in _of_harmonic(
            group, margin_db=margin_db, repeated={wood for wood, of in repeated if of == k}
        ).items()
    }
    nothing = Shared(0, 0, np.nan, False, np.nan, False)
    rows = [
        found.get(key, nothing) for key in zip(table["harmonic"], table["specimen"], strict=True)
    ]
    return pd.DataFrame(rows, columns=Shared._fields, index=table.index)
