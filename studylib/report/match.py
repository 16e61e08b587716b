"""A board that is to answer like another: what to take off it, for the maker.

The boards' own numbers come from their sizes, their mass and their free taps, which are measured
here; no run is needed before. Nothing is taken from how they answered on the bench: what is
promised is what theory knows of the boards, with its interval.

Conventions: sizes in mm, as on a caliper; dB; intervals hold 95 % of what the measurements allow.

Functions: `match_boards`, `match_notes`, `write_match`. Class: `Match`.
"""

from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from studylib import codes, errors, sheets, writing
from studylib.modes import gathered
from studylib.wood import prediction

LEAST = 0.8
"""Of each present size, where no option says more: beyond a fifth it is another part, and a fifth
of the thickness is nearly four semitones (a stated choice)."""

_DECIDE = 240  # frequencies of a band that decide


class Match(NamedTuple):
    """What was asked, and what each cut does.

    boards : the board and the one that it is to be like.  span_hz : the band's ends, or a tone
    twice.  cuts : of each size that may be lowered (`prediction.best_cut`).  best : the one that
    comes nearest; None where none surely helps.
    """

    boards: tuple[str, str]
    span_hz: tuple[float, float]
    cuts: list[dict[str, Any]]
    best: dict[str, Any] | None


def match_boards(
    study: sheets.Study,
    board: str,
    like: str,
    *,
    least_mm: dict[str, float | None],
    low_hz: float | None = None,
    high_hz: float | None = None,
    tone_hz: float | None = None,
    progress: gathered.Progress = lambda *_: None,
) -> Match:
    """What taking wood off one board does to how far it is from another.

    Parameters
    ----------
    least_mm : of length, width and thickness the least that it may become; None for `LEAST` of the
        present one.
    low_hz, high_hz : the band; None for that of [curve], or of the sweep as far as the boards are
        bars.
    tone_hz : one frequency in place of a band.

    Raises
    ------
    InputError : a board that is not there or cannot be predicted, nothing to take off, or a
        frequency at which the boards are no bars.
    """
    errors.InputError.refuse(board == like, "match.same_board", board=board)
    mine, other, bench = _pair(study, board, like, progress)
    limit = min(prediction.highest_hz(one, bench.air) for one in (mine, other))
    low, high = _band(study.settings, low_hz, high_hz, tone_hz, limit_hz=limit)
    frequency, cuts = np.geomspace(low, high, _DECIDE if low < high else 1), []
    # What the bench needs of the length, with the place where the board is heard moved along.
    beyond = float(mine.length[0]) - (bench.heard_m or float(mine.length[0]))
    needed = 1000.0 * max(*bench.supports[0], beyond + float(bench.drive_m[0]), 0.0)
    for name, asked in least_mm.items():
        now = 1000.0 * float(getattr(mine, name)[0])
        errors.InputError.refuse(
            (asked or 0.0) >= now, "match.no_stock", size=name, least_mm=asked, now_mm=now
        )
        least = max(asked or LEAST * now, needed * (name == "length"))
        if least < now:
            progress(len(cuts), len(least_mm), name)
            cuts.append(
                prediction.best_cut(mine, other, bench, frequency, name=name, least_mm=least)
            )
    # Of two that come as near, the one that asks for less.
    best = min(
        (one for one in cuts if one["helps"]),
        key=lambda one: (round(one["after_db"], 1), one["off_mm"] / one["now_mm"]),
        default=None,
    )
    return Match((board, like), (low, high), cuts, best)


def _pair(study: sheets.Study, board: str, like: str, progress: gathered.Progress) -> tuple:
    """The numbers of both boards, and the bench."""
    pair = [study.specimen(name) for name in (board, like)]
    modes = gathered.free_modes_of(study, {board, like}, progress=progress)
    model = prediction.model_of(replace(study, specimens=tuple(pair)), modes)
    for one in pair:
        why = "match.changed" if one.role == "changed" else model.reasons.get(one.specimen)
        why = model.reasons.get("", why)
        errors.InputError.refuse(why, "match.no_numbers", board=one.specimen, reason=why)
    return model.numbers(board), model.numbers(like), model.bench


def _band(settings: sheets.Settings, low_hz, high_hz, tone_hz, *, limit_hz) -> tuple[float, float]:
    errors.InputError.refuse(tone_hz and (low_hz or high_hz), "match.band_and_tone")
    curve, sweep = settings.curve, settings.sweep
    low = tone_hz or low_hz or curve.lowest_hz or sweep.lowest_hz
    high = tone_hz or high_hz or min(curve.highest_hz or sweep.highest_hz or limit_hz, limit_hz)
    errors.InputError.refuse(low is None, "match.no_band")
    wrong = high > limit_hz or (low >= high and not tone_hz)
    errors.InputError.refuse(wrong, "match.beyond", low_hz=low, high_hz=high, limit_hz=limit_hz)
    return low, high


def match_notes(found: Match) -> list[str]:
    """How far apart the boards are, what each cut does, which is best, and the care to take."""
    about, rows = {"board": found.boards[0], "like": found.boards[1]}, found.cuts
    apart = [rows[0][f"before{end}_db"] for end in ("", "_low", "_high")]
    told = [codes.note("match.now", **about, span_hz=found.span_hz, apart=apart)]
    told += [codes.note("match.cut", **row) for row in rows]
    if found.best is None:
        near = min(row["after_db"] for row in rows)
        return [*told, codes.note("match.no_cut", **about, near_db=near)]
    cut = {name: found.best[name] for name in ("name", "now_mm", "to_mm", "off_mm", "after_db")}
    return [*told, codes.note("match.best", **about, **cut), "match.care"]


def write_match(found: Match, into: Path) -> Path:
    """Write the table into a folder of its own; say which."""

    def fill(new: Path) -> None:
        pd.DataFrame(found.cuts).to_csv(
            new / "cuts.csv", index=False, float_format="%.4g", lineterminator="\n"
        )

    folder = into / writing.slug("-like-".join(found.boards))
    writing.fill_folder(folder, fill)
    return folder
