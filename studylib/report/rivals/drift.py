"""Rival: the bench, the driver or the weather changing while boards come and go.

Drift is the reference's last mount minus its first in run order, on the scale of analysis (dB or
logarithm). Its uncertainty is that of two mounts: the spread between mounts of one specimen in one
batch, pooled over all but the reference (ISO 5725-2), with Student's interval.

Function: drift.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from scipy import stats as distributions

from studylib.register import Feature
from studylib.report.rivals.parts import Ground, Rival, not_tested
from studylib.sheets.study import run_order
from studylib.stats import scales
from studylib.stats.boards import mount_cells
from studylib.words.numbers import between, counted, rounded, signed
from studylib.words.text import listed

INSIDE, OUTSIDE = "as two mountings may differ", "more than two mountings differ by chance"
REACH = (
    "A drift inside these intervals is not ruled out: boards measured at different times may "
    "differ by that much."
)
ODD = (
    "Where it is more, the bench drifted or one mounting of the reference was unlike the others: "
    "only more mounts of it tell which."
)


def drift(ground: Ground) -> Rival:
    """The bench, the air or the driver changing while boards come and go."""
    looks = "boards measured later differ from those measured earlier, whatever their wood"
    study = ground.summary.study
    names = [s.specimen for s in study.specimens if s.role == "reference"]
    takes = [t for t in ground.takes if t.specimen in names and t.kind == "tone"]
    mounts = {(t.specimen, t.mount) for t in takes}
    tested = "role reference in specimens.csv: none"
    if names:
        batches = len({t.batch for t in takes})
        tested = (
            f"the reference {listed(names)}: {counted(len(mounts), 'mount')} in "
            f"{counted(batches, 'batch', 'batches')}"
        )
    ask = "record {} at the start, in the middle and at the end of each batch."
    if not names:
        says = not_tested(ask.format("one board with the role reference"))
    else:
        said = [_drift_of(ground, names, feature) for feature in ground.features]
        says = " ".join(filter(None, said)) or not_tested(ask.format("the reference"))
        if OUTSIDE in says:
            says = f"{says} {ODD}"
        if OUTSIDE in says or INSIDE in says:
            says = f"{says} {REACH}"
    return Rival("drift over the session", looks, tested, says)


def _drift_of(ground: Ground, names: list[str], feature: str) -> str:
    """Last minus first mount of the reference that was mounted most often; or ""."""
    means = ground.summary.comparison.mount_means
    known = ground.summary.describe(feature)
    rows = means[means["feature"] == feature]
    y = scales.analysis_values(rows["value"].to_numpy(float), np.full(len(rows), known.scale))
    rows = rows.assign(y=y)[np.isfinite(y)]
    own = rows[rows["specimen"].isin(names)]
    if own.empty:
        return ""
    name = own["specimen"].value_counts().idxmax()
    own = own[own["specimen"] == name]
    when = _run_order(ground, name)
    ranks = [when.get(key, len(when)) for key in zip(own["batch"], own["mount"], strict=True)]
    own = own.assign(when=ranks).sort_values("when", kind="stable")
    if len(own) < 2:
        return ""
    cells = mount_cells(rows[~rows["specimen"].isin(names)])
    u = math.sqrt(2.0 * cells.variance) if cells.df > 0 else math.nan
    confidence = ground.summary.confidence
    overall = _change(own, u, cells.df, known, confidence)
    said = [f"{feature}: last minus first of {counted(len(own), 'mount')} of {name} {overall}"]
    inside = [group for _, group in own.groupby("batch", sort=False) if len(group) > 1]
    if own["batch"].nunique() > 1 and inside:
        widest = max(inside, key=lambda group: abs(group["y"].iloc[-1] - group["y"].iloc[0]))
        # The widest of several batches was looked for: its interval holds for all of them.
        each = 1.0 - (1.0 - confidence) / len(inside)
        said.append(f"most within one batch {_change(widest, u, cells.df, known, each)}")
    elif own["batch"].nunique() > 1:
        said.append("mounted once a batch, so drift within a batch is not tested")
    return "; ".join(said) + "."


def _change(own: pd.DataFrame, u: float, df: int, known: Feature, confidence: float) -> str:
    """Last minus first with Student's interval, and what that can mean."""
    change, unit = float(own["y"].iloc[-1] - own["y"].iloc[0]), known.difference_unit
    if not math.isfinite(u):
        return (
            f"{rounded(scales.reported_difference(change, known))} {unit}, its uncertainty not "
            "known because no other specimen was mounted twice in a batch"
        )
    half = distributions.t.ppf(0.5 + confidence / 2.0, df) * u
    value, low, high = (
        scales.reported_difference(each, known) for each in (change, change - half, change + half)
    )
    means = INSIDE if abs(change) <= half else OUTSIDE
    return f"{signed(value, low, high)} {unit} ({between(low, high, unit)}), {means}"


def _run_order(ground: Ground, specimen: str) -> dict[tuple[str, int], int]:
    """(batch, mount) -> rank in time."""
    own = run_order(ground.summary.study.takes)
    own = own[own["specimen"] == specimen]
    return {key: rank for rank, key in enumerate(zip(own["batch"], own["mount"], strict=True))}
