"""A law for levels: what was recorded, against drive_db and gain_db, over time and between takes.

In dB, a level at the bench's gain is the drive plus something that belongs to the mount and the
signal. Four things break that law, and each leaves a mark of its own:

- *Level control*: the level falls less than drive_db says, at every step.
- *A ceiling* (clipping that noise hides, a limiter): the highest step alone falls short.
- *A change in time*: from one take on, or in one take or mount alone, levels of the same signal are
  others. In both channels it is a gain or the amplifier, in the response a gain or the microphone,
  in the drive channel a gain or a sensor that came loose.
- *A step with one wood*: the drive channel differs by the same number of dB at every multiple, in
  every board of one wood. A load that differs does so by another amount at each multiple.

A change in time is looked for twice: between the takes of one signal in one mount, and between the
mounts of one board (what the boards are drops out of both). Every place for a step and
every single take or mount is tried; the best one counts if its t is beyond what chance gives once
in a thousand studies, over all that was tried, and if a steady drift would not explain as much.

Conventions: levels in dB re full scale at the bench's gain; "response", "drive": the channels; a
channel that was not recorded is NaN. `k`: multiple of the tone that the take plays.
Source: least squares with group means taken out, Bonferroni's inequality; the smallest changes that
are told are common practice, no source (`LEAST_*`).

Functions: levels_of, level_findings.
"""

from collections.abc import Iterable, Iterator
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.special import ndtri, stdtrit

from studylib import codes, sheets
from studylib.measure.features import tone_multiple
from studylib.sheets import files, study

CHANNELS = ["response", "drive"]
DB = 20.0 / np.log(10.0)
CHANCE = 0.001  # that a clean study is told of any of these, each
LEAST_DB = {"take": 1.0, "mount": 1.5, "wood": 1.5}  # a smaller change is not told
ALIKE_DB = 1.5  # steps at several multiples that lie closer are one
LEAST_SHORT = 0.1  # dB a dB by which the level must fall short
LEAST_SHORT_DB = 0.5  # at the highest step
TAKE_SD_DB = 0.3  # stands for the spread of takes where none was repeated
NOISY_DB = 0.5  # a level less certain than this tells nothing
MOST_CHANGES = 6
LEAST_DOF = 5
FEWEST = 2  # cases of level control or a ceiling: one alone may be a knob between two steps
BOARD = ["kind", "specimen"]
MOUNT = ["batch", *BOARD, "mount"]
SIGNAL = ["k", "drive_db"]
CASE = [*MOUNT, "wood", "k"]
OF_THE_DRIVE = ("levels.control", "levels.ceiling")


def levels_of(
    harmonics: pd.DataFrame,
    takes: Iterable[sheets.Take],
    specimens: Iterable[sheets.Specimen],
    *,
    fundamental_hz: float,
) -> pd.DataFrame:
    """The levels of all tones on boards and on the block, in the order of recording.

    Parameters
    ----------
    harmonics : the table of that name.
    takes : rows of takes.csv; those that test a cause on purpose are left out.
    specimens : rows of specimens.csv; those with a role are in no comparison of woods.

    Returns
    -------
    one row a take: take, batch, kind, specimen, mount, wood, k, drive_db, gain_db, mass_db (of the
    board, NaN where not known); response, drive, response_noise, drive_noise (dB); a level less
    certain than `NOISY_DB` is NaN.
    """
    batches = files.grouped(
        (take.batch, take) for take in takes if take.kind in ("tone", "driver") and not take.is_test
    )
    boards = {s.specimen: (s.wood, s.mass_g or np.nan) for s in specimens if not s.role}
    rows = [
        (
            *(take.take, take.batch, take.kind, take.specimen or "", take.mount or 0, wood),
            tone_multiple(take.tone_hz, fundamental_hz=fundamental_hz) or 0,
            *(take.drive_db, take.gain_db, DB * np.log(mass)),
        )
        for own in batches.values()
        for take in study.in_batch_order(own)[1]
        for wood, mass in [boards.get(take.specimen, ("", np.nan))]
    ]
    names = ["take", "batch", "kind", "specimen", "mount", "wood", *SIGNAL, "gain_db", "mass_db"]
    usable = harmonics[harmonics["usable"].astype(bool)].rename(columns={"harmonic": "k"})
    table = pd.DataFrame(rows, columns=names).merge(usable, on=["take", "k"], how="inner")
    with np.errstate(divide="ignore", invalid="ignore"):
        for name in CHANNELS:
            size, u = np.hypot(table[f"{name}_re"], table[f"{name}_im"]), table[f"{name}_u"]
            table[name] = (DB * np.log(size)).where(DB * u / size < NOISY_DB)
            table[f"{name}_noise"] = DB * np.log(u)
    return table[[*names, *CHANNELS, *(f"{name}_noise" for name in CHANNELS)]]


def level_findings(levels: pd.DataFrame) -> list[str]:
    """What is wrong with the levels of a study, as notes; none where all is well.

    levels : from `levels_of`.

    The fields of the notes (channel is "response", "drive" or "both"):
    levels.control : channel; share (dB recorded for each dB of drive), low, high; noise (its rise
        for each dB that the drive falls); cases, of (mounts or the block at one multiple), woods
        (these alone).
    levels.ceiling : channel, short_db (worst, at the highest drive), low, cases, of, woods.
    levels.knob : channel, take (the first), batch, wood (on the bench then), step_db, u_db, extent
        ("take", "mount", "rest"), gain_db (change of that column there), woods (with all takes on
        one side). levels.loose has the same; the drive channel alone falls.
    levels.with_wood : channel, wood, step_db, low, high (over the multiples), multiples, beyond_db
        (what the boards' mass does not explain).
    """
    found = [*_with_wood(levels)]
    for gather, least_db in ((_takes, LEAST_DB["take"]), (_mounts, LEAST_DB["mount"])):
        for _ in range(MOST_CHANGES):
            change = _change(levels, gather(levels), least_db)
            if change is None:
                break
            found.append(_told(levels, change))
            # What comes after is looked at as it was without this change.
            levels = levels.assign(**(levels[CHANNELS] - np.outer(change.on, change.told)))
    return [*_law(levels), *found]


# ---------------------------------------------------------------- levels and drive


def _law(levels: pd.DataFrame) -> Iterator[str]:
    """Level control and ceilings: each told once, of both channels where both show it."""
    found = [(channel, *one) for channel in CHANNELS for one in _short(levels, channel)]
    for code in OF_THE_DRIVE:
        own = [(channel, fields) for channel, each, fields in found if each == code]
        if own:
            yield codes.note(code, channel="both" if len(own) > 1 else own[0][0], **own[0][1])


def _short(levels: pd.DataFrame, channel: str) -> Iterator[tuple[str, dict]]:
    """How a channel falls short of the drive, at all steps or at the highest alone; a case is one
    mount (or the block) at one multiple."""
    own = levels[levels[channel].notna()]
    repeats = own.groupby([*MOUNT, *SIGNAL])[channel]
    dof = len(own) - repeats.ngroups
    sd = np.sqrt(repeats.var().mul(repeats.count() - 1).sum() / dof) if dof > 3 else TAKE_SD_DB
    rank = own.groupby(CASE)["drive_db"].rank("dense", ascending=False)
    cases = _slopes(own, channel, sd).join(
        _slopes(own, f"{channel}_noise", sd)["slope"].rename("noise")
    )
    cases = cases.join(_slopes(own[rank > 1], channel, sd)["slope"].rename("below"))
    top = _slopes(own[rank < 3], channel, sd)
    low = cases["below"].fillna(-1.0) < -LEAST_SHORT / 2
    control = cases[low & (cases["slope"] + cases["reach"] < -LEAST_SHORT)]
    if len(control) >= min(FEWEST, len(cases)) > 0:
        middle = control.median()
        yield (
            "levels.control",
            {
                "share": 1 + middle["slope"],
                "low": 1 + middle["slope"] - middle["reach"],
                "high": 1 + middle["slope"] + middle["reach"],
                "noise": -1 - middle["noise"],
            }
            | _where(control, cases),
        )
    short = top[["slope", "reach"]].mul(-top["span"], axis=0)
    short = short[~low & (short["slope"] + short["reach"] > LEAST_SHORT_DB)]
    if len(short) >= min(FEWEST, len(top)) > 0:
        worst = short["slope"].idxmax()
        yield (
            "levels.ceiling",
            {"short_db": short["slope"][worst], "low": short.sum(axis=1)[worst]}
            | _where(short, cases),
        )


def _slopes(own: pd.DataFrame, column: str, sd: float) -> pd.DataFrame:
    """One row a case with two drive levels: the slope of what exceeds the drive, how far chance
    may move it, and the span of the drive in dB."""
    groups = own.groupby(CASE)["drive_db"]
    away = own["drive_db"] - groups.transform("mean")
    parts = own.assign(square=away**2, slope=away * (own[column] - own["drive_db"]))
    sums = parts.groupby(CASE)[["square", "slope"]].sum()
    sums = sums.assign(span=groups.max() - groups.min()).query("square > 0")
    return sums.assign(
        slope=sums["slope"] / sums["square"],
        reach=-ndtri(CHANCE / max(len(sums), 1)) * sd / np.sqrt(sums["square"]),
    )


def _where(shown: pd.DataFrame, cases: pd.DataFrame) -> dict:
    """How many cases show it, and which woods alone do."""
    there, all_of = (set(part.index.unique("wood")) - {""} for part in (shown, cases))
    return {"cases": len(shown), "of": len(cases), "woods": sorted(there) if there < all_of else []}


# ---------------------------------------------------------------- changes in time


class _Change(NamedTuple):
    """From row `at` of levels on, levels are others in the rows `on`.

    extent : "take" (from there to the end of the mount), "mount" (in it alone), "rest" (from there
    on).  step, u, told : per channel; what was found, its u, and what of it is sure (else 0).
    """

    at: int
    extent: str
    on: np.ndarray
    step: np.ndarray
    u: np.ndarray
    told: np.ndarray


def _takes(levels: pd.DataFrame) -> pd.DataFrame:
    """One row a take: `group` holds what should not differ; `first` is its row, `last` the last one
    that a change reaches; `alone`: whether one row alone may be told."""
    last = levels.assign(last=levels.index).groupby(MOUNT)["last"].transform("max")
    own = levels[["k", *CHANNELS]].assign(group=levels.groupby([*MOUNT, *SIGNAL]).ngroup())
    return own.assign(first=levels.index, last=last, alone=False)


def _mounts(levels: pd.DataFrame) -> pd.DataFrame:
    """One row a mount of a board: what its levels have over those of the board's other mounts."""
    tones = levels[levels["kind"] == "tone"].assign(row=levels.index[levels["kind"] == "tone"])
    cells = tones.groupby([*MOUNT, *SIGNAL])[CHANNELS].mean()
    away = cells - cells.groupby([*BOARD, *SIGNAL]).transform("mean")
    rows = tones.groupby(MOUNT)["row"].agg(first="min", last="max")
    table = away.groupby(MOUNT).median().join(rows).sort_values("first").reset_index()
    return table.assign(k=1, alone=True, group=table.groupby(BOARD).ngroup())


def _change(levels: pd.DataFrame, table: pd.DataFrame, least_db: float) -> _Change | None:
    """The surest change that chance does not give, a step or one row alone; None without any."""
    n, group = len(table), table["group"]
    dof = n - group.nunique()
    if dof < LEAST_DOF:
        return None
    size = group.map(group.value_counts()).to_numpy()
    after = group.groupby(group).cumcount(ascending=False).to_numpy()
    y = table.assign(time=np.arange(n))[[*CHANNELS, "time"]]
    centred = (y - y.groupby(group).transform("mean")).fillna(0.0).to_numpy()
    rest, time = centred[:, :2], centred[:, 2:]
    # Each multiple by its own spread: a line or noise may shake one of them alone.
    own = pd.DataFrame(np.column_stack([rest**2, 1 - 1 / size])).groupby(table["k"].to_numpy())
    sums, whole = own.transform("sum").to_numpy(), (rest**2).sum(axis=0) / dof
    weight = (sums[:, 2:] + LEAST_DOF) / (sums[:, :2] + LEAST_DOF * whole).clip(1e-6)
    moved = (size - 2 * after - 1) / size
    tried = np.concatenate([_from_here(moved), table["alone"] * (size > 2)]) > 0.45
    square = np.concatenate([_from_here((weight.T * moved).T), (weight.T * (1 - 1 / size)).T])
    shift = np.concatenate([_from_here(weight * rest), weight * rest])
    step = shift / square.clip(1e-9)
    gain = shift * step
    total = (weight * rest**2).sum(axis=0)
    u = np.sqrt((total - gain).clip(0.0) / (dof - 1) / square.clip(1e-9))
    drift = (weight * time * rest).sum(axis=0) ** 2 / (weight * time**2).sum(axis=0)
    reach = -stdtrit(dof - 1, CHANCE / 4 / tried.sum())
    sure = (np.abs(step) > np.maximum(reach * u, least_db)) & (gain > 1.1 * drift) & tried[:, None]
    if not sure.any():
        return None
    best = int(np.argmax(np.where(sure, np.abs(step) / u.clip(1e-9), 0.0).max(axis=1)))
    row, rows = table.iloc[best % n], levels.index
    extent = "take" if not row["alone"] else "rest" if best < n else "mount"
    at = int(row["first"])
    on = (rows >= at) & ((extent == "rest") | (rows <= row["last"]))
    return _Change(at, extent, on, step[best], u[best], np.where(sure[best], step[best], 0.0))


def _from_here(values: np.ndarray) -> np.ndarray:
    """Sums over each row and all that come after it."""
    return np.cumsum(values[::-1], axis=0)[::-1]


def _told(levels: pd.DataFrame, change: _Change) -> str:
    """The note of a change; which woods lie on one side of it alone."""
    row, on = levels.loc[change.at], change.on & (change.extent == "rest")
    split = pd.Series(on, levels["wood"]).groupby("wood").nunique().drop("", errors="ignore")
    (response, drive), u = change.step, change.u
    alike = abs(response - drive) < 0.5 * np.abs(change.told).max()
    which = int(np.argmax(np.abs(change.told)))
    return codes.note(
        "levels.loose" if which == 1 and drive < 0 and not alike else "levels.knob",
        channel="both" if alike else CHANNELS[which],
        extent=change.extent,
        **row[["take", "batch", "wood"]],
        step_db=change.step[which],
        u_db=u[which],
        gain_db=row["gain_db"] - levels["gain_db"].shift(fill_value=row["gain_db"])[change.at],
        woods=list(split.index[split == 1]) if on.any() else [],
    )


# ---------------------------------------------------------------- with one wood


def _with_wood(levels: pd.DataFrame) -> Iterator[str]:
    """The wood whose drive channel differs by one number of dB at the multiples where its boards
    agree, and by more than their mass can make of it (from nothing to the ratio of masses)."""
    own = levels[(levels["kind"] == "tone") & (levels["wood"] != "")]
    own = own.assign(drive=own["drive"] - own["drive_db"])
    boards = own.pivot_table("drive", ["wood", "specimen"], "k").dropna(axis=1)
    mass = own.groupby(["wood", "specimen"])["mass_db"].first().reindex(boards.index)
    woods = boards.index.get_level_values("wood")
    dof = len(boards) - woods.nunique()
    if woods.nunique() < 2 or dof < 2:
        return
    sd = np.sqrt(((boards - boards.groupby("wood").transform("mean")) ** 2).sum() / dof)
    found = []
    for wood in dict.fromkeys(woods):
        mine = woods == wood
        reach = sd * np.sqrt(1 / mine.sum() + 1 / (~mine).sum()) * -stdtrit(dof, CHANCE / 2)
        step = (boards[mine].mean() - boards[~mine].mean())[reach < LEAST_DB["mount"]]
        heavier = np.nan_to_num(mass[mine].mean() - mass[~mine].mean())
        beyond = step.mean() - np.clip(step.mean(), *sorted([0.0, -heavier]))
        if len(step) > 1 and np.ptp(step) < ALIKE_DB and abs(beyond) > LEAST_DB["wood"]:
            found.append(
                {
                    "step_db": step.mean(),
                    "beyond_db": beyond,
                    "low": step.min(),
                    "high": step.max(),
                    "wood": wood,
                    "multiples": len(step),
                }
            )
    if found:
        most = max(found, key=lambda told: abs(told["beyond_db"]))
        yield codes.note("levels.with_wood", channel="drive", **most)
