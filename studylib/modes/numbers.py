"""A mode keeps its number across taps, takes, mounts and boards.

Numbers are given per support ("bench", "free") over the whole study, from the lowest frequency
up; taps and sweeps on the bench share one numbering. Four steps, each by `modes.alignment`:

1. taps of a take: by frequency; a take holds a mode that at least half of its good taps show;
2. takes of a board: by frequency, each take shifted by a percent or two at most (a new mount);
   a board holds a mode that at least half of its takes of one kind and a third of their taps
   show;
3. boards: each board's modes are a scale factor times a common ladder with small deviations.
   A first guess of the factor is thickness over length squared, the scaling of a bar in
   bending; without sizes it is free;
4. every tap anew against its board's modes, so that a mode too weak for half of the taps of one
   take still has its number in the tap that shows it.

A mode that fewer than a third of the boards hold (of three boards or more: fewer than two) gets
no number, and neither does one for which two numbers would serve nearly as well: no number is
better than a wrong one.

Functions: `number_modes`.
"""

import math
from functools import partial

import numpy as np
import pandas as pd

from studylib import elsewhere
from studylib.modes import alignment

TAP_SPREAD = alignment.Spread(
    0.004, 0.002, 0.006
)  # about 1 % either way, with the density of `alignment`
TAKE_SPREAD = alignment.Spread(0.008, 0.005, 0.015)
BOARD_SPREAD = alignment.Spread(0.02, 0.01, 0.035)
MOUNT_SHIFT = 0.015  # a new mount moves all modes by so much, relative, one standard deviation
TAP_SHIFT = 0.002
# How far a board's factor may be from what its sizes say: woods differ in the speed of sound by
# ten percent or so, sizes that were not given by more.
SCALE_KNOWN, SCALE_HALF_KNOWN, SCALE_UNKNOWN = 0.12, 0.25, 0.3
LEAST_LEAD = math.log(10.0)  # one number must be ten times likelier than another board's factor's
SEEDS = 3  # boards from which the common ladder is begun, the best result kept
BEGUN_WITH = 200  # boards at most; a mode that a third of all hold is among theirs


def number_modes(modes: pd.DataFrame, specimens: pd.DataFrame) -> pd.DataFrame:
    """The table of modes with a column `mode`: 1.0, 2.0, ..., NaN for a mode without number.

    Parameters
    ----------
    modes : one row a mode of a tap or sweep; columns take, kind, specimen, mount, support, tap,
        frequency_hz, frequency_u, loss_factor, level_db, usable at least. Rows that are not
        usable, or have no frequency above 0, get no number.
    specimens : columns specimen, length_mm, thickness_mm (NaN where not known).

    Returns
    -------
    The same rows in the same order with the same index. The numbers depend on what the rows hold
    and not on their order.
    """
    number = np.full(len(modes), np.nan)
    frequency = modes["frequency_hz"].to_numpy(float)
    good = modes["usable"].to_numpy(bool) & np.isfinite(frequency) & (frequency > 0)
    for support in sorted(set(modes.loc[good, "support"])):
        at = np.flatnonzero(good & (modes["support"] == support).to_numpy())
        part = modes.iloc[at].reset_index(drop=True)
        keys = ["specimen", "mount", "take", "tap", "frequency_hz", "loss_factor", "level_db"]
        order = part.sort_values(keys, kind="stable").index.to_numpy()
        number[at[order]] = _numbers(part.iloc[order].reset_index(drop=True), specimens)
    return modes.assign(mode=number)


def _numbers(rows: pd.DataFrame, specimens: pd.DataFrame) -> np.ndarray:
    """Numbers of the good rows of one support, sorted by board, mount, take, tap, frequency."""
    taps = _groups(rows, ["specimen", "take"], ["tap"])
    takes = rows.iloc[np.unique(taps.group, return_index=True)[1]].reset_index(drop=True)
    in_take = _tap_lists(rows, taps)
    by_take = alignment.build(in_take, TAP_SPREAD)
    heard = 2 * by_take.count >= in_take.there.sum(axis=1)[:, None]
    boards = _groups(takes, ["specimen"], ["take"])
    in_board = _upper_lists(in_take, by_take, heard, boards)
    in_board = alignment.shifted(in_board, centre=np.zeros(in_board.x.shape[:2]), width=MOUNT_SHIFT)
    by_board = alignment.build(in_board, TAKE_SPREAD)
    held = _held(
        by_board,
        _carried(by_take.count, _rising(by_take, heard), boards),
        takes.assign(taps=in_take.there.sum(axis=1)),
        boards,
    )
    if not held.any():
        return np.full(len(rows), np.nan)
    rung_number = _number_boards(
        in_board, by_board, held, takes.groupby(boards.group)["specimen"].first(), specimens
    )
    return _number_taps(taps, boards, in_take, by_board, held, rung_number)


class _Places:
    """Where each row of a sorted table stands: group, list within the group, entry in the list."""

    def __init__(self, group: np.ndarray, item: np.ndarray, entry: np.ndarray) -> None:
        self.group, self.item, self.entry = group, item, entry
        self.shape = tuple(int(a.max(initial=-1)) + 1 for a in (group, item, entry))

    def spread_out(self, values: np.ndarray, empty: float = np.nan) -> np.ndarray:
        """(G, R, n) of a column."""
        return alignment.scattered(
            self.shape, (self.group, self.item, self.entry), values, empty=empty
        )


def _groups(rows: pd.DataFrame, outer: list[str], inner: list[str]) -> _Places:
    group = rows.groupby(outer, sort=False).ngroup().to_numpy()
    whole = rows.groupby(outer + inner, sort=False).ngroup().to_numpy()
    first = pd.Series(whole).groupby(group).transform("min").to_numpy()
    return _Places(
        group, whole - first, rows.groupby(outer + inner, sort=False).cumcount().to_numpy()
    )


def _tap_lists(rows: pd.DataFrame, taps: _Places) -> alignment.Lists:
    frequency = rows["frequency_hz"].to_numpy(float)
    own_u = np.nan_to_num(rows["frequency_u"].to_numpy(float)) / frequency
    # Half a bandwidth is the tolerance, about two and a half standard deviations.
    band = np.nan_to_num(rows["loss_factor"].to_numpy(float)) / 5.0
    sigma = np.minimum(np.hypot(own_u, band), 0.02)
    held = np.zeros(taps.shape[:2])
    return alignment.Lists(
        taps.spread_out(np.log(frequency)),
        taps.spread_out(sigma, 0.0),
        _loudness(taps.spread_out(rows["level_db"].to_numpy(float))),
        *(held, held),
    )


def _loudness(level: np.ndarray) -> np.ndarray:
    """A mode 20 dB above the middle of its list is e times less likely a foreign one."""
    known = np.isfinite(level)
    middle = np.maximum(known.sum(axis=-1, keepdims=True) - 1, 0) // 2
    typical = np.take_along_axis(np.sort(level, axis=-1), middle, axis=-1)  # NaN last
    return np.where(known, np.clip((level - np.nan_to_num(typical)) / 20.0, -1.0, 1.0), 0.0)


def _upper_lists(
    lists: alignment.Lists, built: alignment.Built, keep: np.ndarray, above: _Places
) -> alignment.Lists:
    """The kept rungs of each group as one list of the level above (prior left open)."""
    x = np.where(keep, built.ladder.place, np.nan)
    sigma, gain = (
        alignment.median_on_rungs(a, built.rung, x.shape[1]) for a in (lists.sigma, lists.gain)
    )
    order = _rising(built, keep)
    x, sigma, gain = (_carried(a, order, above) for a in (x, sigma, gain))
    there = np.isfinite(x)
    prior = np.zeros(x.shape[:2])
    return alignment.Lists(x, np.where(there, sigma, 0.0), np.where(there, gain, 0.0), prior, prior)


def _rising(built: alignment.Built, keep: np.ndarray) -> np.ndarray:
    """(G, m) the kept rungs' places in rising order, the others last."""
    return np.argsort(np.where(keep, built.ladder.place, np.nan), axis=1, kind="stable")


def _carried(values: np.ndarray, order: np.ndarray, above: _Places) -> np.ndarray:
    """Values of the rungs (G, m) as entries of the lists of the level above."""
    rising = np.take_along_axis(values, order, axis=1)
    shape = *above.shape[:2], values.shape[1]
    return alignment.scattered(shape, (above.group, above.item), rising, empty=np.nan)


def _held(
    built: alignment.Built, shown: np.ndarray, takes: pd.DataFrame, boards: _Places
) -> np.ndarray:
    """(boards, m) modes that at least half of a board's takes and a third of its taps show.

    Tap takes and sweeps are counted apart; one of the two is enough. `shown` (boards, takes, n):
    how many taps of the take show the entry. The third is there because one tap of two in one
    take of two would else make a mode of the board.
    """
    on = alignment.on_rungs(shown, built.rung, built.ladder.place.shape[1])
    held = np.zeros(built.ladder.place.shape, dtype=bool)
    for kind in ("tap", "sweep"):
        such, taps = (
            alignment.scattered(boards.shape[:2], (boards.group, boards.item), values, empty=empty)
            for values, empty in ((takes["kind"] == kind, False), (takes["taps"], 0.0))
        )
        mine = (on > -np.inf) & such[:, :, None]
        count, seen = mine.sum(axis=1), np.where(mine, on, 0.0).sum(axis=1)
        held |= (
            (count > 0)
            & (2 * count >= such.sum(axis=1)[:, None])
            & (3 * seen >= (taps * such).sum(axis=1)[:, None])
        )
    return held


def _number_boards(
    lists: alignment.Lists,
    built: alignment.Built,
    held: np.ndarray,
    names: pd.Series,
    specimens: pd.DataFrame,
) -> np.ndarray:
    """(boards, m) number of each board's rung; NaN for none."""
    boards, m = held.shape
    centre, width = _scales(names, specimens)
    above = _Places(np.zeros(boards, int), np.arange(boards), np.zeros(boards, int))
    of_boards = alignment.shifted(
        _upper_lists(lists, built, held, above), centre=centre[None], width=width[None]
    )
    # Ordinary boards are taken up first; each of a few is tried as the first.
    entries = np.isfinite(of_boards.x[0]).sum(axis=1)
    order = np.argsort(np.abs(entries - np.median(entries[entries > 0])), kind="stable")
    order = order[:: -(-len(order) // BEGUN_WITH)]
    orders = (np.r_[order[k], np.delete(order, k)] for k in range(min(SEEDS, len(order))))
    begun = (partial(alignment.build, of_boards, BOARD_SPREAD, order=one) for one in orders)
    best = max(elsewhere.each(begun), key=lambda found: found.score[0])
    flat, ladder = of_boards.at(0), best.ladder.of(np.zeros(boards, int))
    again = alignment.align(flat, ladder, lead=True)
    sure = alignment.clear(flat, ladder, again) & (again.lead >= LEAST_LEAD)
    rung = np.where(sure, again.rung, -1)
    count = np.bincount(rung[rung >= 0], minlength=ladder.place.shape[1])
    # A third of the boards must hold a mode, and two where there are three or more.
    holding = int(held.any(axis=1).sum())
    kept = count >= max(min(2, holding - 1), math.ceil(holding / 3), 1)
    name = np.where(kept, np.cumsum(kept), np.nan)
    number = np.where(rung >= 0, name[np.maximum(rung, 0)] if name.size else np.nan, np.nan)
    # Entries stand in the order of the board's kept rungs; back to the rungs themselves.
    out = np.full((boards, m), np.nan)
    np.put_along_axis(out, _rising(built, held), number, axis=1)
    return out


def _scales(names: pd.Series, specimens: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """First guess of each board's log scale factor, and how far off it may be."""
    rows = specimens.drop_duplicates("specimen").set_index("specimen").reindex(list(names))
    sizes = rows[["length_mm", "thickness_mm"]].apply(pd.to_numeric, errors="coerce")
    length, thickness = np.log(sizes.where(sizes > 0)).to_numpy(float).T
    half = np.isfinite(length) & ~np.isfinite(thickness)
    usual = np.median(thickness[np.isfinite(thickness)]) if np.isfinite(thickness).any() else 0.0
    guess = np.where(half, usual, thickness) - 2 * length
    known = np.isfinite(guess)
    middle = np.median(guess[known]) if known.any() else 0.0
    width = np.where(half, SCALE_HALF_KNOWN, np.where(known, SCALE_KNOWN, SCALE_UNKNOWN))
    return np.where(known, guess - middle, 0.0), width


def _number_taps(
    taps: _Places,
    boards: _Places,
    in_take: alignment.Lists,
    by_board: alignment.Built,
    held: np.ndarray,
    rung_number: np.ndarray,
) -> np.ndarray:
    """Numbers of the rows: every tap against the modes of its board, at its take's shift."""
    ladder, at = by_board.ladder, np.nonzero(in_take.there)
    board = boards.group[at[0]]
    own = alignment.Ladder(
        *(np.where(held, a, np.nan)[board] for a in (ladder.place, ladder.sigma, ladder.present))
    )
    centre = np.broadcast_to(by_board.shift[boards.group, boards.item][:, None], taps.shape[:2])
    flat = alignment.shifted(in_take, centre=centre, width=TAP_SHIFT).at(*at)
    found = alignment.align(flat, own)
    rung = np.where(alignment.clear(flat, own, found), found.rung, -1)
    number = np.full(in_take.x.shape, np.nan)
    number[at] = np.where(rung >= 0, rung_number[board[:, None], np.maximum(rung, 0)], np.nan)
    return number[taps.group, taps.item, taps.entry]
