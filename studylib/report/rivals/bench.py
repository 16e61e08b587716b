"""Rivals that lie in how boards were set up and driven: the mounting, the level, drift.

The spread between mounts is that of the variance table, the difference beside it that of the table
of effects. Levels of the drive are those of the sensed tone at full drive, re full scale. Drift is
the reference's last mount minus its first in run order, on the scale of analysis (dB or logarithm);
its uncertainty is that of two mounts: the spread between mounts of one specimen in one batch,
pooled over all but the reference (ISO 5725-2), with Student's interval.

Functions: mounting, level, drift.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats as distributions

from studylib.codes import code_of, note
from studylib.codes.attribution import Control
from studylib.codes.rivals import Rival, Says, TestedBy
from studylib.register import Feature, Kind, find
from studylib.report.rivals.basis import (
    Basis,
    Finding,
    board_takes,
    each_wood,
    gap_of_woods,
    known,
    mounts_of,
    no_tone,
    record,
    reported_spread,
    untested,
)
from studylib.sheets.study import recording_order
from studylib.stats import scales
from studylib.stats.boards import mount_cells

# ---------------------------------------------------------------- mounting


def mounting(basis: Basis) -> Finding:
    """How a board sits on the bench."""
    takes = [take for take in board_takes(basis) if take.kind == "tone"]
    mounts = pd.DataFrame([(t.specimen, t.mount) for t in takes], columns=["specimen", "mount"])
    each = mounts_of(mounts).groupby("specimen").size()
    span = {"least": each.min(), "most": each.max()} if len(each) else {"least": 0, "most": 0}
    tested_by = note(TestedBy.MOUNTING, **span, boards=len(each))
    return Finding(Rival.MOUNTING, tested_by, _mounting_says(basis))


def _mounting_says(basis: Basis) -> list[str]:
    spread = basis.summary.comparison.variance
    spread = spread[(spread["level"] == "mount") & spread["feature"].isin(basis.features)]
    said = [_mount_spread(basis, row) for row in spread.itertuples() if row.variance >= 0]
    if said:
        return [*said, note(Says.SPREAD_KEPT)]
    return [record(basis, Control.REMOUNT) if board_takes(basis) else no_tone(basis)]


def _mount_spread(basis: Basis, row) -> str:
    effects = basis.summary.comparison.effects
    own = effects[(effects["feature"] == row.feature) & np.isfinite(effects["difference"])]
    widest = {}
    if not own.empty:
        pair = own.loc[own["difference"].abs().idxmax()]
        widest = pair[["wood_a", "wood_b", "difference", "low", "high"]].to_dict()
    spread = reported_spread(row, basis.summary.describe(row.feature))
    return note(Says.MOUNT_SPREAD, feature=row.feature, **spread, widest=widest)


# ---------------------------------------------------------------- level


def level(basis: Basis) -> Finding:
    """A harder drive or a higher gain for some boards."""
    takes = [take for take in board_takes(basis) if take.kind == "tone"]
    tested_by = note(
        TestedBy.LEVEL,
        drive_kind=basis.drive_kind,
        gains=sum(take.gain_db != 0 for take in takes),
        drives=sum(take.drive_db != 0 for take in takes),
        takes=len(takes),
    )
    return Finding(Rival.LEVEL, tested_by, _level_says(basis))


def _level_says(basis: Basis) -> list[str]:
    values: dict[str, list[float]] = {}
    for (board, _), tone in basis.tones.items():
        size = abs(tone.drive[0])
        if math.isfinite(size) and size > 0:
            values.setdefault(board, []).append(20.0 * math.log10(size))
    woods = each_wood(basis, {board: float(np.mean(found)) for board, found in values.items()})
    if not woods:
        return [no_tone(basis) if basis.drive_kind else record(basis, Control.SENSOR)]
    cancels = [name for name in basis.features if _relative_to_drive(find(name))]
    stays = [name for name in basis.features if _follows_level(find(name))]
    return [
        note(Says.LEVEL_CANCELS, features=cancels) if cancels else "",
        note(Says.LEVEL_STAYS, features=stays) if stays else "",
        _level_gap(woods),
        "" if basis.sensed else note(Says.VOLTAGE),
    ]


def _relative_to_drive(feature: Feature) -> bool:
    """A response: the level of the drive cancels in it."""
    played = feature.kind in (Kind.TONE, Kind.PROBE, Kind.SWEEP) and feature.unit == "dB"
    return played and not (feature.driver or feature.drive_level or feature.noise)


def _follows_level(feature: Feature) -> bool:
    """A level, or what changes with it: distortion, and noise relative to the tone."""
    return feature.drive_level or feature.driver or feature.noise


def _level_gap(woods: dict[str, np.ndarray]) -> str:
    every = np.concatenate(list(woods.values()))
    sd_db = float(every.std(ddof=1)) if every.size > 1 else None
    gap = gap_of_woods(woods)
    if gap is None:
        return note(Says.LEVEL_OF_ONE_WOOD, sd_db=sd_db)
    higher, lower = (gap.b, gap.a) if gap.difference > 0 else (gap.a, gap.b)
    size = {"difference_db": abs(gap.difference), "u_db": known(gap.u), "sd_db": sd_db}
    return note(Says.LEVEL_GAP, higher=higher, lower=lower, **size)


# ---------------------------------------------------------------- drift


def drift(basis: Basis) -> Finding:
    """The bench, the air or the driver changing while boards come and go."""
    names = [s.specimen for s in basis.summary.study.specimens if s.role == "reference"]
    takes = [t for t in basis.takes if t.specimen in names and t.kind == "tone"]
    tested_by = note(
        TestedBy.DRIFT,
        references=names,
        mounts=len({(t.specimen, t.mount) for t in takes}),
        batches=len({t.batch for t in takes}),
    )
    notes, changes = [], set()
    for feature in basis.features if names else ():
        said, codes = _drift_of(basis, names, feature)
        notes += said
        changes |= codes
    if not notes:
        notes = [untested(note(Says.RECORD_REFERENCE, references=names))]
    if Says.CHANGE_OUTSIDE in changes:
        notes.append(note(Says.ODD_REFERENCE))
    if changes & {Says.CHANGE_INSIDE, Says.CHANGE_OUTSIDE}:
        notes.append(note(Says.DRIFT_LIMIT))
    return Finding(Rival.DRIFT, tested_by, notes)


def _drift_of(basis: Basis, names: list[str], feature: str) -> tuple[list[str], set[str]]:
    """Last minus first mount of the reference that was mounted most often; codes of the changes."""
    means = basis.summary.comparison.mount_means
    entry = basis.summary.describe(feature)
    rows = means[means["feature"] == feature]
    y = scales.analysis_values(rows["value"].to_numpy(float), np.full(len(rows), entry.scale))
    rows = rows.assign(y=y)[np.isfinite(y)]
    own = rows[rows["specimen"].isin(names)]
    if len(own) < 2:
        return [], set()
    name = own["specimen"].value_counts().idxmax()
    own = own[own["specimen"] == name]
    when = _run_order(basis, name)
    ranks = [when.get(key, len(when)) for key in zip(own["batch"], own["mount"], strict=True)]
    own = own.assign(when=ranks).sort_values("when", kind="stable")
    if len(own) < 2:
        return [], set()
    cells = mount_cells(rows[~rows["specimen"].isin(names)])
    u = math.sqrt(2.0 * cells.variance) if cells.df > 0 else math.nan
    confidence = basis.summary.confidence
    changes, within = [_change(own, u, cells.df, entry, confidence)], ""
    inside = [group for _, group in own.groupby("batch", sort=False) if len(group) > 1]
    if own["batch"].nunique() > 1 and inside:
        widest = max(inside, key=lambda group: abs(group["y"].iloc[-1] - group["y"].iloc[0]))
        # The widest of several batches was looked for: its interval holds for all of them.
        each = 1.0 - (1.0 - confidence) / len(inside)
        changes.append(_change(widest, u, cells.df, entry, each))
        within = note(Says.WITHIN_BATCH, change=changes[-1])
    elif own["batch"].nunique() > 1:
        within = note(Says.ONCE_A_BATCH)
    fields = {"feature": feature, "mounts": len(own), "specimen": name}
    said = note(Says.DRIFT, **fields, change=changes[0], within=within)
    return [said], {code_of(change) for change in changes}


def _change(own: pd.DataFrame, u: float, df: int, entry: Feature, confidence: float) -> str:
    """Last minus first with Student's interval, and what that can mean."""
    change = float(own["y"].iloc[-1] - own["y"].iloc[0])
    half = distributions.t.ppf(0.5 + confidence / 2.0, df) * u if math.isfinite(u) else math.nan
    value, low, high = (
        scales.reported_difference(each, entry) for each in (change, change - half, change + half)
    )
    if math.isnan(half):
        return note(Says.CHANGE_UNKNOWN, value=value, unit=entry.difference_unit)
    code = Says.CHANGE_INSIDE if abs(change) <= half else Says.CHANGE_OUTSIDE
    return note(code, value=value, low=low, high=high, unit=entry.difference_unit)


def _run_order(basis: Basis, specimen: str) -> dict[tuple[str, int], int]:
    """(batch, mount) -> rank in time."""
    own = recording_order(basis.summary.study.takes)
    own = own[own["specimen"] == specimen]
    return {key: rank for rank, key in enumerate(zip(own["batch"], own["mount"], strict=True))}
