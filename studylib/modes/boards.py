"""One row a board, support and mode number: the board's own frequency and loss factor.

Means and their uncertainties are those of `modes.means`; sweeps do not enter. The uncertainty is
that of the board's mean, so that the spread between its mounts is in it, over the root of their
number: `u` of a take (`modes.features`) never holds that spread. With two or three mounts it is
itself uncertain by half of its value or more (JCGM 100, E.4.3), and with one mount it holds nothing
of what a new mount would change: `n_mounts` says which it is.

A decay that the room hides in all mounts is not given, and the reason is; mounts in which it is
hidden take no part in the mean of the others.

Functions: `board_modes`; `mode_counts` for those who count in the same way.
"""

import numpy as np
import pandas as pd

from studylib import tables
from studylib.codes import fields_of, note
from studylib.codes.modes import ModeReason
from studylib.errors import InputError
from studylib.modes.means import BOARD, averaged, hidden_decays, tap_rows


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
    missing, numbers are NaN, counts 0, `missing` True, and `reason` a note; where the room hides
    the decay, the loss factor is NaN and `reason` says so. Units: Hz and 1 with standard
    uncertainties in the same unit, dB re full scale.

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
                    rows.append((*told, mode, *mean[:-1], False, mean["reason"]))
                else:
                    nothing = (*[np.nan] * 5, 0, 0, 0)
                    rows.append((*told, mode, *nothing, True, _why_missing(own, mode)))
    return tables.typed("board_modes", rows)


def mode_counts(rows: pd.DataFrame) -> tuple[int, int]:
    """(taps in all, taps fit for use) of rows of the table of modes."""
    named = rows.drop_duplicates(["take", "tap"])
    return len(named), len(rows[rows["usable"].astype(bool)].drop_duplicates(["take", "tap"]))


def _means(rows: pd.DataFrame) -> pd.DataFrame:
    """Means and uncertainties by (specimen, support, mode), and why the decay is not given."""
    mean = averaged(rows)["board"]
    frequency, eta = np.exp(mean["log_f"]), np.exp(mean["log_eta"])
    hidden: dict[tuple, list[str]] = {}
    for (*board, _), why in hidden_decays(rows).items():
        hidden.setdefault(tuple(board), []).append(why)
    counted = rows.groupby(BOARD)
    return pd.DataFrame(
        {
            "frequency_hz": frequency,
            "frequency_u": frequency * mean["log_f_u"],
            "loss_factor": eta,
            "loss_factor_u": eta * mean["log_eta_u"],
            "level_db": mean["level_db"],
            "n_mounts": counted["mount"].nunique().astype(int),
            "n_takes": counted["take"].nunique().astype(int),
            "n_taps": counted.size().astype(int),
            "reason": [
                # The mount in which the room hides least.
                ""
                if np.isfinite(x)
                else min(hidden.get(key, [""]), key=lambda why: fields_of(why).get("percent", 0.0))
                for key, x in mean["log_eta"].items()
            ],
        }
    )


def _why_missing(own: pd.DataFrame, mode: int) -> str:
    taps, good = mode_counts(own)
    if not good:
        return note(ModeReason.NO_USABLE_TAP, taps=taps)
    if own["mode"].isna().all():
        return ModeReason.NOT_NUMBERED
    return note(ModeReason.NOT_IN_BOARD, mode=mode, taps=good)
