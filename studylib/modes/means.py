"""Means of modes over taps, takes, places and mounts, how well known they are; each board's own.

Taps are averaged within a take, takes within a place of the microphone, places within a mount,
mounts within a board, unweighted at each step, so that many taps of one mount do not pass for many
mounts. Frequencies and loss factors are averaged as logarithms, levels as they stand.

What a microphone hears of a decay has two uncertainties. One is each tap's own and shrinks with
their number. The other is the room's, the same for all taps of one place (the column
`loss_factor_place_u`): neither repeats nor takes shrink it, n places do by the root of n, as far as
they hear the room independently. In a diffuse field two points at distance d correlate by
sin(kd) / kd, k the wave number: places are taken to lie 0.3 m apart, as the bench sheet asks, so
that all of them count from 570 Hz on and hardly more than one below 150 Hz. A new mount leaves the
microphone at its places, so mounts do not shrink the room's part. Without a room it is zero.

Standard uncertainty of a mean (JCGM 100): the larger of two. Type A is the standard deviation of
the mean over its mounts; with one mount over its places, with one place over its takes, with one
take over its taps. The other is what the estimator states for each tap, carried through the same
means. The room's part is added to both wherever the spread cannot show it.

The room hides a decay where the 95 % interval of the mount's mean is wider than a quarter either
way and the room is the larger part of it. The frequency stands all the same.

Source: the correlation is that of a diffuse field (Kuttruff, Room Acoustics, chapter on diffuse
sound fields; recalled); the quarter is our own choice, no source.

`board_modes` has one row a board, support and mode number: the board's own frequency and loss
factor. Sweeps do not enter. The uncertainty is
that of the board's mean, so that the spread between its mounts is in it, over the root of their
number: `u` of a take (`modes.gathered`) never holds that spread. With two or three mounts it is
itself uncertain by half of its value or more (JCGM 100, E.4.3), and with one mount it holds nothing
of what a new mount would change: `n_mounts` says which it is.

A decay that the room hides in all mounts is not given, and the reason is; mounts in which it is
hidden take no part in the mean of the others.

Functions: `tap_rows`, `averaged`, `hidden_decays`, `room_hides`, `between_places`, `over_places`,
`board_modes`; `mode_counts` for those who count in the same way.
"""

import numpy as np
import pandas as pd

from studylib import codes, errors, tables
from studylib.sheets.files import grouped

BOARD = ["specimen", "support", "mode"]
MOUNT = [*BOARD, "mount"]
LOGS = ("log_f", "log_eta")
_MEANS, _ENDS = (*LOGS, "level_db"), ("s", "p", "p2", "within", "spread")
WIDEST = 0.25  # relative, either way
COVERAGE_95 = 1.96  # standard uncertainties
APART_M = 0.3  # between places of the microphone
SOUND_M_S = 343.0
_STEPS = {
    "take": [*MOUNT, "place", "take"],
    "place": [*MOUNT, "place"],
    "mount": MOUNT,
    "board": BOARD,
}


def tap_rows(numbered: pd.DataFrame) -> pd.DataFrame:
    """The numbered modes of taps with logarithms and relative uncertainties.

    Returns
    -------
    Frame sorted by board, mount, take, tap and mode; added columns log_f, log_eta (natural
    logarithms), u_f, u_eta (relative standard uncertainties; NaN where none is stated) and p_eta
    (the room's part of u_eta, 0 where there is none; NaN without a loss factor).
    """
    rows = numbered[(numbered["kind"] == "tap") & numbered["mode"].notna()].sort_values(
        ["specimen", "support", "mount", "take", "tap", "mode"], kind="stable"
    )
    eta = rows["loss_factor"].where(rows["loss_factor"] > 0).astype(float)
    return rows.assign(
        mode=rows["mode"].astype(int),
        log_f=np.log(rows["frequency_hz"].astype(float)),
        log_eta=np.log(eta),
        u_f=(rows["frequency_u"] / rows["frequency_hz"]).astype(float),
        u_eta=(rows["loss_factor_u"] / eta).astype(float),
        p_eta=rows["loss_factor_place_u"].astype(float).fillna(0.0) / eta,
    )


def between_places(frequency_hz):
    """Correlation of the room's part between two places of the microphone, 0 to 1.

    Where the field of the room is opposite at the two, none is counted.
    """
    return np.maximum(np.sinc(2.0 * APART_M * frequency_hz / SOUND_M_S), 0.0)


def over_places(room, places, frequency_hz):
    """The room's part of the mean over so many places, of which each has `room`."""
    shared = between_places(frequency_hz)
    return room * np.sqrt(shared + (1.0 - shared) / places)


def own_squared(u, room):
    """The square of what is each tap's own in its uncertainty."""
    return np.maximum(u**2 - room**2, 0.0)


def averaged(rows: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """The means after each step: "take", "place", "mount" and "board".

    Parameters
    ----------
    rows : from `tap_rows`.

    Returns
    -------
    Frames indexed by what they are means of (specimen, support, mode, mount, place, take; from the
    left). Columns log_f, log_eta, level_db; for each logarithm `x`: x_u, its standard uncertainty;
    x_p, the room's part in that; x_own, the rest. Mounts whose decay the room hides have
    `hidden` True and take no part in the board's log_eta.
    """
    step = rows.assign(
        log_f_s=rows["u_f"] ** 2, log_f_p=0.0, log_f_within=np.nan, log_f_spread=np.nan,
        log_eta_s=own_squared(rows["u_eta"], rows["p_eta"]), log_eta_p=rows["p_eta"],
        log_eta_within=np.nan, log_eta_spread=np.nan,
    )  # fmt: skip
    found = {}
    for level, keys in _STEPS.items():
        step = step.assign(**{f"{x}_p2": step[f"{x}_p"] ** 2 for x in LOGS})
        grouped = step.groupby(keys, sort=True)
        numbers = grouped[[*_MEANS, *(f"{x}_{end}" for x in LOGS for end in _ENDS)]]
        made = {name: getattr(numbers, name)() for name in ("mean", "count", "sem", "first")}
        made["sum"] = numbers.sum(min_count=1)
        made = {name: dict(zip(of, of.to_numpy().T, strict=True)) for name, of in made.items()}
        several = (grouped.size() > 1) | (level == "take")
        own = {name: made["mean"][name] for name in _MEANS}
        for name in LOGS:
            own |= _uncertainty(made, name, several.to_numpy(), level)
        mean = found[level] = pd.DataFrame(own, several.index)
        step = mean.reset_index()
        if level == "mount":
            mean["hidden"] = room_hides(mean["log_eta_u"], mean["log_eta_own"], mean["log_eta_p"])
            step.loc[mean["hidden"].to_numpy(), list(mean.filter(regex="^log_eta"))] = np.nan
    return found


@np.errstate(divide="ignore", invalid="ignore")
def _uncertainty(
    made: dict[str, dict[str, np.ndarray]], x: str, several: np.ndarray, level: str
) -> dict[str, np.ndarray]:
    """Columns x_s, x_p, x_within, x_spread, x_own, x_u of the means of one logarithm.

    x_s : variance of what is the taps' own.  x_p : the room's part.  x_within : the spread within
    places, over the root of the number.  x_spread : type A with what it cannot show.
    """
    mean, first, count, sem = made["mean"], made["first"], made["count"][x], made["sem"][x]
    # Of n independent values the mean's variance is their variances' sum over n squared.
    s = made["sum"][f"{x}_s"] / count**2
    p = unseen = mean[f"{x}_p"]
    within = np.where(several, np.nan if level == "mount" else sem, first[f"{x}_within"])
    if level == "mount":
        shared = between_places(np.exp(mean["log_f"]))
        # What all places have in common does not show in their spread; the rest does.
        unseen = p * np.sqrt(shared)
        p = np.hypot(unseen, np.sqrt((1.0 - shared) * made["sum"][f"{x}_p2"]) / count)
    spread = np.where(several, np.hypot(sem, unseen), first[f"{x}_spread"])
    stated = np.sqrt(s)
    return {
        f"{x}_s": s, f"{x}_p": p, f"{x}_within": within, f"{x}_spread": spread,
        f"{x}_own": np.fmax(within, stated), f"{x}_u": np.fmax(spread, np.hypot(stated, p)),
    }  # fmt: skip


def room_hides(u, own, room):
    """Whether the room hides a decay.

    Parameters
    ----------
    u : relative standard uncertainty of the decay; own : without the room; room : the room's part.
    """
    return (room > 0) & (COVERAGE_95 * u > WIDEST) & (2.0 * own**2 <= u**2)


def hidden_decays(rows: pd.DataFrame) -> dict[tuple[str, str, int, int], str]:
    """Notes of the decays that the room hides, by (specimen, support, mode, mount).

    Parameters
    ----------
    rows : from `tap_rows`.
    """
    return _hidden(rows, averaged(rows)["mount"]) if (rows["p_eta"] > 0).any() else {}


def _hidden(rows: pd.DataFrame, mounts: pd.DataFrame) -> dict[tuple[str, str, int, int], str]:
    mounts = mounts[mounts["hidden"]]
    heard = rows.groupby(MOUNT, sort=True)[["direct_db", "room_decay_s"]].median()
    return {
        key: codes.note(
            "modes.room_hides",
            percent=100.0 * COVERAGE_95 * float(u),
            **{name: float(x) for name, x in heard.loc[key].items() if np.isfinite(x)},
        )
        for key, u in mounts["log_eta_u"].items()
    }


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
    errors.InputError.refuse(strangers, "modes.unknown_boards", boards=strangers)
    rows = []
    about = specimens.drop_duplicates("specimen").set_index("specimen")
    means = {key: rest for key, *rest in _means(tap_rows(numbered)).itertuples(name=None)}
    for support, here in numbered[numbered["kind"] == "tap"].groupby("support"):
        modes = sorted(set(here["mode"].dropna().astype(int)))
        owned = dict(list(here.groupby("specimen")))
        for specimen in [name for name in about.index if name in owned]:
            told = (specimen, about.at[specimen, "wood"], about.at[specimen, "role"], support)
            rows += [
                (*told, mode, *means[key][:-1], False, means[key][-1])
                if (key := (specimen, support, mode)) in means
                else (
                    *told,
                    mode,
                    *[np.nan] * 5,
                    0,
                    0,
                    0,
                    True,
                    _why_missing(owned[specimen], mode),
                )
                for mode in modes
            ]
    return tables.typed("board_modes", rows)


def mode_counts(rows: pd.DataFrame) -> tuple[int, int]:
    """(taps in all, taps fit for use) of rows of the table of modes."""
    named = rows.drop_duplicates(["take", "tap"])
    return len(named), len(rows[rows["usable"].astype(bool)].drop_duplicates(["take", "tap"]))


def _means(rows: pd.DataFrame) -> pd.DataFrame:
    """Means and uncertainties by (specimen, support, mode), and why the decay is not given."""
    steps = averaged(rows)
    mean = steps["board"]
    frequency, eta = np.exp(mean["log_f"]), np.exp(mean["log_eta"])
    hidden = grouped(
        (tuple(board), why) for (*board, _), why in _hidden(rows, steps["mount"]).items()
    )
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
                else min(
                    hidden.get(key, [""]), key=lambda why: codes.fields_of(why).get("percent", 0.0)
                )
                for key, x in mean["log_eta"].items()
            ],
        }
    )


def _why_missing(own: pd.DataFrame, mode: int) -> str:
    taps, good = mode_counts(own)
    if not good:
        return codes.note("modes.no_usable_tap", taps=taps)
    return (
        "modes.not_numbered"
        if own["mode"].isna().all()
        else codes.note("modes.not_in_board", mode=mode, taps=good)
    )
