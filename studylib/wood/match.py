"""One board cut so that it answers like another: how far apart they are, and what cutting does.

How far apart two boards are is the root of the mean square over the band of the difference of their
levels, in dB. The channels' constant is the same for both and drops out; no other is taken out.
One size is lowered; density, stiffness and loss stay what they are, and what comes off is the same
in all draws of the model. A board is shortened at its far end: the driver and the supports keep
their places from the end at the driver, and the place where it is heard keeps its distance from the
far end. The size that is chosen has the smallest mean square over all boards that the measurements
allow, not that of the best estimate alone, which would promise too much: two boards that are known
to a decibel are never nothing apart.

A board is a bar as long as its waves are long beside its width. The limit is the one that holds for
whole boards: at `boards.WIDEST` the first mode's wave, 1.33 of the length, is 6.6 widths long.

Conventions: sizes in mm; a triple is (middle, low, high): the root mean square over the draws, and
the ends that hold 95 % of them.

Functions: `best_cut`, `cut`, `highest_hz`. Class: `Cut`.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np

from studylib.wood import beams
from studylib.wood.prediction import Numbers, OnBench, levels_db

ENDS = (2.5, 97.5)
NOTHING_DB = 0.1
"""A size that moves the answer by less over its whole stock does nothing, and a gain below it is
none (a stated choice)."""

_WAVE = 6.6  # widths
_SIZES = 81  # looked at


class Cut(NamedTuple):
    """What lowering one size does.

    row : for the maker: name, now_mm, to_mm (the best size) and off_mm; keeps_low_mm and
    keeps_high_mm, between which at least half of the gain is left; best_low_mm and best_high_mm,
    between which the best size lies in 95 of 100 draws; before_db, after_db and gain_db (how far
    apart the boards are now and then, and the difference), each with _low and _high; helps, where
    the gain is sure to exceed `NOTHING_DB`; at_end, where all comes off that may; idle, where the
    size does nothing.
    off_percent, course : what is taken off, of the size, and how far apart the boards are then,
    triples, (sizes, 3).
    """

    row: dict[str, str | float | bool]
    off_percent: np.ndarray
    course: np.ndarray


def highest_hz(board: Numbers, air: float) -> float:
    """Up to which frequency a board is a bar, by its best estimate; air in kg/m3."""
    one = board.draw(slice(1))
    wave2, radius2 = (2.0 * np.pi / (_WAVE * one.width)) ** 2, one.thickness**2 / 12.0
    heavy = one.density + np.pi / 4.0 * air * one.width / one.thickness
    turning = 1.0 + wave2 * radius2 * (1.0 + one.shear_ratio / beams.SHEAR_COEFFICIENT)
    square = wave2**2 * radius2 * one.youngs_modulus / heavy / turning
    return float(np.sqrt(square[0]) / (2.0 * np.pi))


def cut(board: Numbers, bench: OnBench, name: str, off_mm: float) -> tuple[Numbers, OnBench]:
    """The board with this much off one size, and the bench that it then has."""
    off = off_mm / 1000.0
    heard = bench.heard_m and bench.heard_m - off * (name == "length")
    lower = replace(board, **{name: getattr(board, name) - off})
    return lower, replace(bench, heard_m=heard)


def best_cut(
    board: Numbers,
    like: Numbers,
    bench: OnBench,
    frequency_hz: np.ndarray,
    *,
    name: str,
    least_mm: float,
) -> Cut:
    """The cut of one size that makes a board answer most like another.

    Parameters
    ----------
    board, like : as `prediction.model_of` gives them, draw by draw.
    frequency_hz : one, or the band's, evenly over its logarithm.
    name : length, width or thickness.  least_mm : below the present size, above 0.
    """
    now, others = 1000.0 * float(getattr(board, name)[0]), levels_db(like, frequency_hz, bench)
    at, found = np.linspace(now, least_mm, _SIZES), np.empty((_SIZES, len(others)))
    for i, size in enumerate(at):
        lower, placed = cut(board, bench, name, now - size)
        found[i] = np.sqrt(np.mean((levels_db(lower, frequency_hz, placed) - others) ** 2, axis=1))
    course = np.array([np.sqrt(np.mean(found**2, axis=1)), *np.percentile(found, ENDS, axis=1)]).T
    best, step = int(course[:, 0].argmin()), at[0] - at[1]
    (first, *_), (last, *_) = course[[0, best]]
    gain = np.array([first - last, *np.percentile(found[0] - found[best], ENDS)])
    over = at[course[:, 0] > last + gain[0] / 2.0]
    mm = {
        "now": now, "to": at[best], "off": now - at[best],
        "keeps_low": max(over[over < at[best]], default=least_mm - step) + step,
        "keeps_high": min(over[over > at[best]], default=now + step) - step,
    }  # fmt: skip
    mm |= zip(("best_low", "best_high"), np.percentile(at[found.argmin(axis=0)], ENDS), strict=True)
    db = {
        what + end: value
        for what, triple in {"before": course[0], "after": course[best], "gain": gain}.items()
        for end, value in zip(("", "_low", "_high"), triple, strict=True)
    }
    row = {
        "name": name,
        **{f"{key}_mm": float(value) for key, value in mm.items()},
        **{f"{key}_db": float(value) for key, value in db.items()},
        "helps": bool(gain[1] > NOTHING_DB),
        "at_end": best == _SIZES - 1,
        "idle": bool(np.ptp(course[:, 0]) < NOTHING_DB),
    }
    return Cut(row, 100.0 * (1.0 - at / now), course)
