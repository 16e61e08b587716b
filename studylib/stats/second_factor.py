"""A second column of groups beside the wood: finish, thickness class, maker.

Both are fixed in the mixed model of the takes, with batches where they are a block; sources,
specimens and mounts are random, so a plank whose boards have different finishes is compared with
itself. Where every group of the one can be reached from every other through boards (a connected
design) both differences can be told apart; where it cannot, wood and the second column are
confounded, which is said and nothing computed. With boards in every cell it is also tested
whether the woods differ alike in every group (interaction).

Kenward-Roger standard errors and degrees of freedom; p and intervals hold for all pairs of one
column together (studentized range). Nothing here decides: the verdicts rest on the comparison of
woods alone.

Functions: `second_factor`, `boards_by_cell`; `SecondFactor`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from studylib.stats import scales, studentized
from studylib.stats.compare import Workings
from studylib.stats.mixed import contrast_test, fit_design, fixed_part, joint_test
from studylib.stats.reml import Reml
from studylib.stats.samples import Sample
from studylib.words.text import listed

COLUMNS = (
    *("feature", "column", "a", "b", "difference", "unit", "low", "high", "df", "p"),
    *("difference_without", "note"),
)
TOO_FEW = "no mount has two takes and no board two mounts, so boards cannot be told from takes"
NO_FREEDOM = "too few boards for this many groups"
NOT_ALIKE = "the woods do not differ alike in every group"


@dataclass(frozen=True)
class SecondFactor:
    """The second column beside the wood.

    name : of the column.  cells : boards of each wood (rows) in each group (columns).
    confounded : "" or what cannot be told apart.  table : see `COLUMNS`; empty when confounded.
    """

    name: str
    cells: pd.DataFrame
    confounded: str
    table: pd.DataFrame


def boards_by_cell(boards: pd.DataFrame) -> pd.DataFrame:
    """Number of boards: index wood, one column a group, both in the order of the sheet."""
    table = pd.crosstab(boards["wood"], boards["beside"])
    return table.reindex(index=boards["wood"].unique(), columns=boards["beside"].unique())


def second_factor(workings: Workings, boards: pd.DataFrame, *, name: str) -> SecondFactor:
    """Compare woods with the second column held equal, and its groups with the wood held equal.

    Parameters
    ----------
    workings : of the comparison of woods.
    boards : specimens under comparison: specimen, wood, beside.
    name : of the second column.
    """
    cells = boards_by_cell(boards)
    confounded = _confounded(cells, name)
    rows: list[dict] = []
    if not confounded and cells.shape[1] > 1:
        group = dict(zip(boards["specimen"], boards["beside"], strict=True))
        for feature in workings.compared:
            rows += _feature(workings, feature, group, list(cells.columns), name)
    return SecondFactor(name, cells, confounded, pd.DataFrame(rows, columns=list(COLUMNS)))


def _confounded(cells: pd.DataFrame, name: str) -> str:
    if cells.shape[1] < 2:
        return (
            f"All boards have the same {name}, so what it does is not asked and not known."
            if cells.size
            else ""
        )
    parts = _connected(cells.to_numpy() > 0)
    if len(parts) == 1:
        return ""
    said = "; ".join(
        f"{listed(cells.index[w])} only with {listed(cells.columns[g])}" for w, g in parts
    )
    return (
        f"Wood and {name} are confounded: {said}. A difference between these woods may be one of "
        f"{name}; no analysis can tell. Make boards of each wood with each {name}."
    )


def _connected(there: np.ndarray) -> list[tuple[list[int], list[int]]]:
    """Woods and groups that hang together through boards."""
    left, found = set(range(there.shape[0])), []
    while left:
        woods, groups = {min(left)}, set()
        while True:
            more = {int(g) for w in woods for g in np.flatnonzero(there[w])}
            wider = {int(w) for g in more for w in np.flatnonzero(there[:, g])} | woods
            if more == groups and wider == woods:
                break
            groups, woods = more, wider
        found.append((sorted(woods), sorted(groups)))
        left -= woods
    return found


def _feature(
    workings: Workings, feature: str, group: Mapping[str, str], groups, name
) -> list[dict]:
    sample = workings.samples[feature]
    design = sample.design
    if len(design.nested.levels) < 2:
        return [_empty(sample, name, TOO_FEW)]
    woods, base = list(design.present), fixed_part(design)
    specimen = sample.takes.groupby(design.nested.mount)["specimen"].first()
    label = pd.Index(groups).get_indexer([group[s] for s in specimen])
    beside = np.eye(len(groups))[label][:, 1:]
    fixed = np.column_stack([base, beside])
    if np.linalg.matrix_rank(fixed) < fixed.shape[1]:
        return [_empty(sample, name, f"wood, batch and {name} cannot be told apart here")]
    if _freedom(design, fixed) < 1:
        return [_empty(sample, name, NO_FREEDOM)]
    fit = fit_design(design, [sample], fixed)
    if not fit.converged[0]:
        return [_empty(sample, name, "the mixed model did not settle")]
    note = _interaction(design, sample, base, label, len(groups), workings.confidence)
    first = {(p.a, p.b): p.difference for p in workings.first[feature]}
    rows = []
    for a, b in combinations(design.woods, 2):
        weights = np.zeros(fixed.shape[1])
        weights[woods.index(a)], weights[woods.index(b)] = -1.0, 1.0
        plain = first.get((design.woods.index(a), design.woods.index(b)), float("nan"))
        what, k = ("wood", a, b), len(design.woods)
        rows.append(_row(sample, fit, weights, what, k, workings, plain, note))
    for i, j in combinations(range(len(groups)), 2):
        weights = np.zeros(fixed.shape[1])
        # The first group has no column of its own: its effect is zero.
        for place, sign in ((i, -1.0), (j, 1.0)):
            if place:
                weights[base.shape[1] + place - 1] = sign
        what = (name, groups[i], groups[j])
        rows.append(_row(sample, fit, weights, what, len(groups), workings, float("nan"), note))
    return rows


def _freedom(design, fixed: np.ndarray) -> int:
    """Boards less what the fixed part asks of them."""
    specimen = design.nested.groups["specimen"]
    means = np.array([fixed[specimen == s].mean(axis=0) for s in np.unique(specimen)])
    return len(means) - int(np.linalg.matrix_rank(means))


def _interaction(design, sample: Sample, base, label, groups: int, confidence: float) -> str:
    """A note where the woods differ otherwise in one group than in another."""
    wood = np.eye(len(design.present))[design.nested.wood]
    cells = (wood.T @ np.eye(groups)[label]) > 0
    if not cells.all():
        return ""
    beside = np.eye(groups)[label][:, 1:]
    product = (wood[:, 1:, np.newaxis] * beside[:, np.newaxis, :]).reshape(len(wood), -1)
    fixed = np.column_stack([base, beside, product])
    if np.linalg.matrix_rank(fixed) < fixed.shape[1] or _freedom(design, fixed) < 1:
        return ""
    fit = fit_design(design, [sample], fixed)
    if not fit.converged[0]:
        return ""
    contrasts = np.eye(fixed.shape[1])[-product.shape[1] :]
    test = joint_test(fit, contrasts)
    p = float(special.fdtrc(len(contrasts), test.df[0], max(float(test.f[0]), 0.0)))
    return f"{NOT_ALIKE} (p {p:.2g})" if p <= round(1 - confidence, 12) else ""


def _row(sample: Sample, fit: Reml, weights, what, k: int, workings: Workings, plain, note) -> dict:
    test, feature = contrast_test(fit, weights), sample.feature
    difference, se, df = float(test.difference[0]), float(test.se[0]), float(test.df[0])
    p = half = float("nan")
    if np.isfinite(df) and df >= 1 and se > 0:
        p = studentized.sf(abs(difference) / se * np.sqrt(2.0), k, df)
        half = studentized.quantile(workings.confidence, k, df) / np.sqrt(2.0) * se
    shown = {
        name: scales.reported_difference(value, feature)
        for name, value in (
            ("difference", difference),
            ("low", difference - half),
            ("high", difference + half),
            ("difference_without", plain),
        )
    }
    row = {"feature": feature.name, "column": what[0], "a": what[1], "b": what[2]}
    return row | shown | {"unit": feature.difference_unit, "df": df, "p": p, "note": note}


def _empty(sample: Sample, name: str, note: str) -> dict:
    row = dict.fromkeys(COLUMNS, float("nan"))
    return row | {"feature": sample.feature.name, "column": name, "a": "", "b": "",
                  "unit": sample.feature.difference_unit, "note": note}  # fmt: skip
