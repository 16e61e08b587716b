"""One row a board, support and mode number: the board's own frequency and loss factor.

Taps are averaged within a take, takes within a mount, mounts within a board, unweighted at each
step, so that many taps of one mount do not pass for many mounts. Frequencies and loss factors are
averaged as logarithms, levels as they stand. Sweeps do not enter.

Standard uncertainty of a board's mean (JCGM 100): the larger of two. Type A is the standard
deviation of the mean over the mounts; with one mount over its takes, with one take over its taps.
The other is what the estimator states for each tap, carried through the same means. With two or
three mounts the first is itself uncertain by half of its value or more (JCGM 100, E.4.3), and
with one mount it holds nothing of what a new mount would change: `n_mounts` says which it is.

Functions: `board_modes`; `tap_rows`, `mode_counts` for those who count in the same way.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studylib import tables
from studylib.codes import note
from studylib.codes.modes import ModeReason
from studylib.errors import InputError

_LOGS = ("log_f", "log_eta")


def board_modes(numbered: pd.DataFrame, specimens: pd.DataFrame) -> pd.DataFrame:
    """Each board's modes, as the top of this file says.

    Parameters
    ----------
    numbered : from `number_modes`.
    specimens : columns specimen, wood, role.

    Returns
    -------
    The table `board_modes`, sorted by support, the order of `specimens`, and mode. A board that was
    tapped has a row for every number that any tap of that support has; where the mode is
    missing, numbers are NaN, counts 0, `missing` True, and `reason` a note. Units: Hz
    and 1 with standard uncertainties in the same unit, dB re full scale.

    Raises
    ------
    InputError : a tapped specimen is not among the specimens.
    """
    strangers = sorted(set(numbered["specimen"]) - set(specimens["specimen"]))
    if strangers:
        raise InputError(note(ModeReason.UNKNOWN_BOARDS, boards=strangers))
    rows = []
    about = specimens.drop_duplicates("specimen").set_index("specimen")
    taps = numbered[numbered["kind"] == "tap"]
    means = _means(tap_rows(numbered))
    for support in sorted(set(taps["support"])):
        here = taps[taps["support"] == support]
        modes = sorted(set(here["mode"].dropna().astype(int)))
        for specimen in [name for name in about.index if name in set(here["specimen"])]:
            own = here[here["specimen"] == specimen]
            told = (specimen, about.at[specimen, "wood"], about.at[specimen, "role"], support)
            for mode in modes:
                if (specimen, support, mode) in means.index:
                    mean = means.loc[(specimen, support, mode)]
                    rows.append((*told, mode, *mean, False, ""))
                else:
                    nothing = (*[np.nan] * 5, 0, 0, 0)
                    rows.append((*told, mode, *nothing, True, _why_missing(own, mode)))
    return tables.typed("board_modes", rows)


def tap_rows(numbered: pd.DataFrame) -> pd.DataFrame:
    """The numbered modes of taps with logarithms and relative uncertainties.

    Returns
    -------
    Frame sorted by board, mount, take, tap and mode; added columns log_f, log_eta (natural
    logarithms) and u_f, u_eta (relative standard uncertainties; NaN where none is stated).
    """
    rows = numbered[(numbered["kind"] == "tap") & numbered["mode"].notna()]
    rows = rows.sort_values(["specimen", "support", "mount", "take", "tap", "mode"], kind="stable")
    eta = rows["loss_factor"].where(rows["loss_factor"] > 0)
    return rows.assign(
        mode=rows["mode"].astype(int),
        log_f=np.log(rows["frequency_hz"].astype(float)),
        log_eta=np.log(eta.astype(float)),
        u_f=(rows["frequency_u"] / rows["frequency_hz"]).astype(float),
        u_eta=(rows["loss_factor_u"] / eta).astype(float),
    )


def mode_counts(rows: pd.DataFrame) -> tuple[int, int]:
    """(taps in all, taps fit for use) of rows of the table of modes."""
    named = rows.drop_duplicates(["take", "tap"])
    return len(named), len(rows[rows["usable"].astype(bool)].drop_duplicates(["take", "tap"]))


def _means(rows: pd.DataFrame) -> pd.DataFrame:
    """Means and uncertainties by (specimen, support, mode)."""
    board = ["specimen", "support", "mode"]
    values = [*_LOGS, "level_db"]
    own = rows.assign(log_f_s=rows["u_f"] ** 2, log_eta_s=rows["u_eta"] ** 2)
    spreads = []
    step = own
    for keys in ([*board, "mount", "take"], [*board, "mount"], board):
        grouped = step.groupby(keys, sort=True)
        spreads.append(grouped[list(_LOGS)].sem())
        mean = grouped[values].mean()
        for name in _LOGS:
            # Of n independent values the mean's variance is their variances' sum over n squared.
            mean[f"{name}_s"] = grouped[f"{name}_s"].sum(min_count=1) / grouped[name].count() ** 2
        step = mean.reset_index()
    mean = step.set_index(board)
    counts = pd.DataFrame(
        {
            "n_mounts": rows.groupby(board)["mount"].nunique(),
            "n_takes": rows.groupby(board)["take"].nunique(),
            "n_taps": rows.groupby(board).size(),
        }
    )
    by_take, by_mount, by_board = spreads
    u = {}
    for name in _LOGS:
        # One mount: its takes; one take: its taps. With one group the first is the only one.
        within = by_mount[name].groupby(board).first()
        innermost = by_take[name].groupby(board).first()
        spread = by_board[name].where(counts["n_mounts"] > 1, within)
        spread = spread.where(counts["n_takes"] > 1, innermost)
        u[name] = np.fmax(spread, np.sqrt(mean[f"{name}_s"]))
    frequency, eta = np.exp(mean["log_f"]), np.exp(mean["log_eta"])
    return pd.DataFrame(
        {
            "frequency_hz": frequency,
            "frequency_u": frequency * u["log_f"],
            "loss_factor": eta,
            "loss_factor_u": eta * u["log_eta"],
            "level_db": mean["level_db"],
        }
    ).join(counts.astype(int))


def _why_missing(own: pd.DataFrame, mode: int) -> str:
    taps, good = mode_counts(own)
    if not good:
        return note(ModeReason.NO_USABLE_TAP, taps=taps)
    if own["mode"].isna().all():
        return ModeReason.NOT_NUMBERED
    return note(ModeReason.NOT_IN_BOARD, mode=mode, taps=good)
