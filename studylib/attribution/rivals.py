"""What else may have made an excess: the bench's own causes, and what rules each of them out.

An excess that all boards share is the bench's; one that stands out from the other boards may still
come from the bench where a cause acts through a board's own mode or at one time only. Each of these
is ruled out by takes of the very mount, or by a bound that lies below the excess:

- rocking (the driver moves in a direction that the sensor does not feel), the sensor's own
  harmonic, the drive channel's gain: drive steps of that mount in which the harmonic does not grow
  as the sensed one. These causes go with the drive, or leave both alike.
- the microphone's own harmonic: a mount of the same batch that was as loud, in which what may have
  been added to the harmonic is less than half of what was added here.
- a line of the room or the amplifier: three tones that agree in phase.
- anything else that plays the signal (a loudspeaker left on, a cable beside another): an airborne
  take of the tone, beside this mount; or beside a board of the same wood in the batch, and the
  excess in another mount as well.
- a contact that settles and a resonance of the room that wanders, both between tone and probe tone:
  the change from probe tones before to those after the tones, or else what a new mounting moves.

What all boards share: the excess of every board against the others', harmonic by harmonic.

An excess that every board shows belongs to the bench before it can belong to a board. Boards are
the unit: mounts of one board are averaged. Each board's excess is held against the prediction
interval of the other boards (left out itself): mean m and variance t2 between boards from the
random-effects model of DerSimonian and Laird (1986), interval m +- t(n - 1) sqrt(t2 + u_m^2 + u^2)
at 99 % (Higgins, Thompson and Spiegelhalter 2009, with one degree of freedom more). The excess is
shared when every board lies inside, and the lower end of the common part, m - t(n - 1) u_m over all
boards, is above the margin.

Conventions: dB; a specimen of role `changed` is the reference once more and never one of the
others; inert specimens and the block are witnesses, not boards.

Contents: WithOthers, add_others, rivals_left, steps_of, SETTLES, Shared, witnesses, shared_columns.
"""

import math
from collections import Counter
from collections.abc import Mapping, Set
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from studylib.attribution import board_facts, controls, excess, uncertainty
from studylib.codes import holding
from studylib.codes.attribution import Control, Rival, StepVerdict
from studylib.sheets.files import grouped

AGREEING_TONES = 3
SETTLED_DB = 0.5  # what probe tones before and after may differ by where nothing settled
SETTLES = {
    Rival.LEVEL_CONTROL: Control.LEVELS,
    Rival.MICROPHONE: Control.FARTHER,
    Rival.SENSOR: Control.LEVELS,
    Rival.SETTLING: Control.PROBE_AFTER,
    Rival.ROCKING: Control.MOVED,
    Rival.ROOM: Control.FARTHER,
    Rival.LINE: Control.IDLE,
    Rival.DRIVE_GAIN: Control.LEVELS,
    Rival.OTHER: Control.AIRBORNE,
}
WITH_THE_DRIVE = (Rival.ROCKING, Rival.SENSOR, Rival.DRIVE_GAIN)
AS_LOUD_DB = 0.5
ODD_BOARDS = 2  # so many others tell of the wood or the bench; a single one may tell of itself
HALF_DB = 6.0


class WithOthers(NamedTuple):
    """What judges a row beside its own mount.

    facts : of each specimen.  witnesses : multiple -> lower ends of the excess on the blocks, dB.
    level_followed : the recorded level falls as far as the drive in the steps that there are.
    turned : mounts in which the board lies end for end.  moved_db : (specimen, multiple) -> excess
    in dB with the driver moved.
    """

    facts: Mapping[str, board_facts.BoardFacts] = {}
    witnesses: Mapping[int, list[float]] = {}
    level_followed: bool = False
    turned: frozenset[tuple[str, int]] = frozenset()
    moved_db: Mapping[tuple[str, int], float] = {}


def add_others(table: pd.DataFrame, others: WithOthers) -> pd.DataFrame:
    """A table of mounts with what the other boards, the inert ones and the block say of each row.

    Beside the fields of `shared.Shared`: level_followed as in `others`, odd_beside (see
    `_odd_beside`), odd_boards (see `_odd_boards`), comes_back (another mount of the board has the
    excess), as_loud_db (see `_as_loud`), witness (an inert one was measured), witnessed (it shows
    an excess), bench_rivals (what all boards may share and nothing rules out).
    """
    counts, odd = table["counts"], _odd(table)
    inert = {name for name, facts in others.facts.items() if facts.inert}
    told = grouped(
        (
            *((k, low) for k, lows in others.witnesses.items() for low in lows),
            *table.loc[table["specimen"].isin(inert) & counts, ["harmonic", "low"]].to_numpy(),
        )
    )
    steady = {
        k: drift.notna().mean() >= 0.5 and drift.median() <= SETTLED_DB
        for k, drift in table.loc[counts, "drift_db"].groupby(table["harmonic"])
    }
    out = {Rival.LEVEL_CONTROL} if others.level_followed else set()
    harmonic = table["harmonic"]
    rivals = {
        k: [
            rival
            for rival in Rival
            if rival not in out and not (rival == Rival.SETTLING and steady.get(k, False))
        ]
        for k in harmonic.unique()
    }
    shows = (counts & (table["low"] > excess.MARGIN_DB)).astype(int)
    told_of = pd.DataFrame(
        {
            "odd_beside": _odd_beside(table, odd),
            "odd_boards": _odd_boards(table, odd, others.facts),
            "level_followed": others.level_followed,
            "comes_back": shows.groupby([table["specimen"], harmonic]).transform("sum") - shows > 0,
            "as_loud_db": _as_loud(table[counts]).reindex(table.index),
            "witness": harmonic.isin(list(told)),
            "witnessed": [any(low > excess.MARGIN_DB for low in told.get(k, ())) for k in harmonic],
            "bench_rivals": harmonic.map(rivals),
        },
        index=table.index,
    )
    shared = shared_columns(
        table,
        others.facts,
        margin_db=excess.MARGIN_DB,
        repeated=_repeated(table[shows > 0], others),
    )
    return pd.concat([table, shared, told_of], axis=1)


def _repeated(shown: pd.DataFrame, others: WithOthers) -> set[tuple[str, int]]:
    """(wood, multiple) where how the wood was driven is ruled out: the excess came back with one of
    its boards turned, with the driver moved, and in another batch."""
    wood = {name: facts.wood for name, facts in others.facts.items()}
    turned = {
        (wood.get(row.specimen, ""), row.harmonic)
        for row in shown.itertuples()
        if (row.specimen, row.mount) in others.turned
    }
    moved = {
        (wood.get(name, ""), k)
        for (name, k), db in others.moved_db.items()
        if db > excess.MARGIN_DB
    }
    woods = shown["specimen"].map(lambda name: wood.get(name, ""))
    again = shown.groupby([woods, "harmonic"])["batch"].nunique()
    return turned & moved & set(again[again > 1].index)


def _as_loud(table: pd.DataFrame) -> pd.Series:
    """The most that may have been added to the harmonic, dB, in that mount of the same batch that
    was as loud and bounds it best; what a microphone adds hangs on the loudness alone."""
    ends = np.abs(1.0 - 10.0 ** (-table[["low", "high"]].to_numpy(float) / 20.0)).max(axis=1)
    added = ends + np.radians(np.abs(table["phase_deg"].to_numpy(float)))
    most = table["observed_db"].to_numpy(float) + 20.0 * np.log10(added)
    tone, out = table["tone_db"].to_numpy(float), np.full(len(table), np.nan)
    for rows in table.groupby(["batch", "harmonic"]).indices.values():
        as_loud = tone[rows] > tone[rows][:, None] - AS_LOUD_DB
        out[rows] = np.where(as_loud, most[rows], np.inf).min(axis=1)
    return pd.Series(out, table.index)


def _odd(table: pd.DataFrame) -> pd.Series:
    """1 where a harmonic is not the driver's alone beyond doubt, else 0."""
    outside = (table["low"] > excess.MARGIN_DB) | (table["high"] < -excess.MARGIN_DB)
    return ((outside | table["phase_off"]) & table["counts"]).astype(int)


def _odd_beside(table: pd.DataFrame, odd: pd.Series) -> pd.Series:
    """Rows beside which another harmonic of the mount, or of all the board's other mounts, is not
    the driver's alone: a cause on the board makes several, and is never noticed in all of them."""
    mount = odd.groupby([table["specimen"], table["mount"]])
    here = mount.transform("sum") - odd > 0
    first = mount.cumcount() == 0
    odd_mount = mount.transform("max") * first
    board = [part.groupby(table["specimen"]).transform("sum") for part in (odd_mount, first)]
    others = board[0] - mount.transform("max")
    return here | ((others > 0) & (others == board[1] - 1))


def _odd_boards(
    table: pd.DataFrame, odd: pd.Series, facts: Mapping[str, board_facts.BoardFacts]
) -> list[int]:
    """Row by row the other boards in which that harmonic is not the driver's alone, if any of them
    is of the same wood: what makes it there may do so here. What one wood shows says nothing of
    another."""
    nothing = board_facts.BoardFacts()
    wood = {name: facts.get(name, nothing).wood for name in table["specimen"].unique()}
    places = list(zip(table["harmonic"], table["specimen"], strict=True))
    shown = {place for place, own in zip(places, odd, strict=True) if own}
    boards = Counter(k for k, _ in shown)
    alike = Counter((k, wood[name]) for k, name in shown)
    return [
        (boards[k] - own) * (alike[k, wood[name]] > own)
        for k, name in places
        for own in [(k, name) in shown]
    ]


def rivals_left(row) -> dict[Rival, Control]:
    """What of the bench's causes the takes of this mount do not rule out, and which take would."""
    beside = 10.0 ** ((row.beside_most_db - row.observed_db) / 20.0)
    tested = beside < 1.0 and row.low + uncertainty.DB * math.log1p(-beside) > excess.MARGIN_DB
    heard_alike = row.beside or (row.comes_back and row.air_alike)
    added_db = row.observed_db + uncertainty.DB * math.log1p(-(10.0 ** (-row.low / 20.0)))
    bound = row.moves_db if math.isnan(row.drift_db) else row.drift_db
    left = holding(
        (not (tested and heard_alike), ((Rival.OTHER,), Control.AIRBORNE)),
        (
            row.steps != StepVerdict.NOT_WITH,
            # Steps that grow with the driver's harmonic speak for them: then the driver is moved.
            (WITH_THE_DRIVE, Control.MOVED if row.steps else Control.STEPS),
        ),
        (not row.as_loud_db < added_db - HALF_DB, ((Rival.MICROPHONE,), Control.FARTHER)),
        (row.tones < AGREEING_TONES, ((Rival.LINE,), Control.REPEATS)),
        (
            not row.low - excess.MARGIN_DB > bound,
            ((Rival.SETTLING, Rival.ROOM), Control.PROBE_AFTER),
        ),
    )
    return {rival: control for rivals, control in left for rival in rivals}


def steps_of(rows: list[tuple], size: int) -> np.ndarray:
    """One word for each multiple (size,): "" without steps; not with the driver if any step says
    so, else cannot tell or with it."""
    out = np.full(size, "", dtype=object)
    for row in rows:
        i, verdict = row[2] - 1, row[-1]
        if out[i] != StepVerdict.NOT_WITH and (not out[i] or verdict != StepVerdict.WITH):
            out[i] = verdict
    return out


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
    e, u = own["e"].to_numpy(), own["u"].to_numpy()
    places = {name: place for place, name in enumerate(own["specimen"])}
    enough = e.size > FEWEST_OTHERS
    inside = np.ones(e.size, dtype=bool)
    mean, u_mean, _ = _model(e, u) if enough else (np.nan,) * 3
    common_low = mean - stdtrit(max(e.size - 1, 1), QUANTILE) * u_mean
    limits, wood = {}, own["wood"].to_numpy(object)
    for name, mine in zip(boards["specimen"], boards["wood"], strict=True):
        at = places.get(name, [])  # an inert or changed one is none of the others
        rest = wood != mine if mine in repeated else np.ones(e.size, dtype=bool)
        rest[at] = False
        n = int(rest.sum())
        limits[name] = n, e.size, np.nan
        if n >= FEWEST_OTHERS:
            mean, u_mean, between = _model(e[rest], u[rest])
            q = stdtrit(n - 1, QUANTILE)
            limits[name] = n, e.size, mean + q * np.hypot(u_mean, between**0.5)
            inside[at] = np.abs(e[at] - mean) <= q * np.sqrt(between + u_mean**2 + u[at] ** 2)
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
    kept = table[
        table["counts"] & np.isfinite(table["excess_db"]) & np.isfinite(table["u"])
    ].assign(square=table["u"] ** 2)
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
    return pd.DataFrame(
        [found.get(key, nothing) for key in zip(table["harmonic"], table["specimen"], strict=True)],
        columns=Shared._fields,
        index=table.index,
    )
