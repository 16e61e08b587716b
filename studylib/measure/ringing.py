"""What rings, over the whole study: modes with their numbers, boards' modes, features of taps.

A number is one for all batches, so it can only be given when they are together: the parts keep
modes without numbers, and this file adds them when parts are gathered.

Taps lay down the numbers. A sweep's modes take over those of the same board's taps; where no
board was tapped on the bench, the sweeps are numbered by themselves.

Functions: with_numbers.
"""

from __future__ import annotations

import pandas as pd

from studylib.measure.mode_boards import COLUMNS as BOARD_COLUMNS
from studylib.measure.mode_boards import board_modes
from studylib.measure.mode_features import mode_feature_rows
from studylib.measure.mode_numbers import number_modes
from studylib.sheets import Study

_TAKE = [
    "take", "batch", "kind", "specimen", "wood", "mount", "repeat", "support", "content",
]  # fmt: skip
SAME_MODE = 0.015  # relative: a sweep's and the taps' frequency of one mode on the bench
ASIDE = ("set aside", "excluded")


def with_numbers(
    study: Study, features: pd.DataFrame, modes: pd.DataFrame
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """(features with those of taps, numbered modes, boards' modes).

    Parameters
    ----------
    features, modes : the parts' tables of these names, all batches.
    """
    if modes.empty:
        none = modes.assign(mode=pd.Series(dtype=float))
        return features, none, pd.DataFrame(columns=BOARD_COLUMNS)
    specimens = _specimens(study)
    numbered = _numbered(modes, specimens)
    rows = mode_feature_rows(numbered, _takes(modes))
    if rows.empty:
        both = features
    else:
        both = rows if features.empty else pd.concat([features, rows], ignore_index=True)
    return both, numbered, board_modes(numbered, specimens)


def _numbered(modes: pd.DataFrame, specimens: pd.DataFrame) -> pd.DataFrame:
    taps, sweeps = modes["kind"] == "tap", modes["kind"] == "sweep"
    tapped = (taps & (modes["support"] == "bench") & modes["usable"].astype(bool)).any()
    if not sweeps.any() or not tapped:
        return number_modes(modes, specimens)
    laid = number_modes(modes[taps].reset_index(drop=True), specimens)
    boards = board_modes(laid, specimens)
    boards = boards[(boards["support"] == "bench") & ~boards["missing"]]
    taken = modes[sweeps].reset_index(drop=True)
    taken = taken.assign(mode=_nearest_numbers(taken, boards))
    return pd.concat([laid, taken], ignore_index=True)


def _nearest_numbers(sweeps: pd.DataFrame, boards: pd.DataFrame) -> pd.Series:
    """The number of the same board's nearest tapped mode; each only once a sweep."""
    pairs = sweeps.reset_index().merge(
        boards[["specimen", "mode", "frequency_hz"]], on="specimen", suffixes=("", "_tap")
    )
    pairs["off"] = (pairs["frequency_hz"] / pairs["frequency_hz_tap"] - 1.0).abs()
    pairs = pairs[pairs["usable"].astype(bool) & (pairs["off"] < SAME_MODE)]
    pairs = pairs.sort_values("off", kind="stable")
    pairs = pairs.drop_duplicates(["index"]).drop_duplicates(["take", "mode"])
    return pairs.set_index("index")["mode"].astype(float).reindex(sweeps.index)


def _specimens(study: Study) -> pd.DataFrame:
    columns = ["specimen", "wood", "role", "length_mm", "thickness_mm"]
    rows = [
        (s.specimen, s.wood, s.role or "", s.length_mm, s.thickness_mm) for s in study.specimens
    ]
    return pd.DataFrame(rows, columns=columns).astype({"length_mm": float, "thickness_mm": float})


def _takes(modes: pd.DataFrame) -> pd.DataFrame:
    """One row a take, with why it is set aside ("" if it is not)."""
    takes = modes.drop_duplicates("take").reset_index(drop=True)
    said = takes["reason"].where(takes["reason"].str.startswith(ASIDE), "")
    return takes[_TAKE].assign(aside=said)
