"""A second column of groups beside the wood: finish, thickness class, maker.

Both are fixed in the mixed model of the takes, with batches where they are a block; sources,
specimens and mounts are random, so a plank whose boards have different finishes is compared with
itself. Where every group of the one can be reached from every other through boards (a connected
design) both differences can be separated; where it cannot, wood and the second column are
confounded, which is said and nothing computed. With boards in every cell it is also tested
whether the woods differ alike in every group (interaction).

Kenward-Roger standard errors and degrees of freedom; p and intervals hold for all pairs of one
column together (studentized range). Nothing here decides: the verdicts rest on the comparison of
woods alone.

Functions: `second_column`; `SecondColumn`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special
from scipy.sparse.csgraph import connected_components

from studylib import codes, tables
from studylib.stats import compare, mixed, reml, samples, scales


@dataclass(frozen=True)
class SecondColumn:
    """The second column beside the wood.

    name : of the column.  cells : boards of each wood (rows) in each group (columns).
    confounded : a note of what cannot be separated, or "".
    table : the table "second_column"; empty when confounded.
    """

    name: str
    cells: pd.DataFrame
    confounded: str
    table: pd.DataFrame


def second_column(workings: compare.Workings, boards: pd.DataFrame, *, name: str) -> SecondColumn:
    """Compare woods with the second column held equal, and its groups with the wood held equal.

    Parameters
    ----------
    workings : of the comparison of woods.
    boards : specimens under comparison: specimen, wood, beside.
    name : of the second column.
    """
    # Both in the order of the sheet.
    cells = pd.crosstab(boards["wood"], boards["beside"]).reindex(
        index=boards["wood"].unique(), columns=boards["beside"].unique()
    )
    confounded = _confounded(cells, name)
    rows: list[dict] = []
    if not confounded and cells.shape[1] > 1:
        group = dict(zip(boards["specimen"], boards["beside"], strict=True))
        for feature in workings.compared:
            rows += _feature(workings, feature, group, list(cells.columns), name)
    return SecondColumn(name, cells, confounded, tables.typed("second_column", rows))


def _confounded(cells: pd.DataFrame, name: str) -> str:
    if cells.shape[1] < 2:
        return codes.note("second_column.one_group", name=name) if cells.size else ""
    parts = _connected(cells.to_numpy() > 0)
    if len(parts) == 1:
        return ""
    return codes.note(
        "second_column.confounded",
        name=name,
        parts=[{"woods": list(cells.index[w]), "groups": list(cells.columns[g])} for w, g in parts],
    )


def _connected(there: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Woods and groups that hang together through boards."""
    woods, groups = there.shape
    joined = np.zeros((woods + groups, woods + groups))
    joined[:woods, woods:] = there
    count, part = connected_components(joined, directed=False)
    return [
        (np.flatnonzero(part[:woods] == i), np.flatnonzero(part[woods:] == i)) for i in range(count)
    ]


def _feature(
    workings: compare.Workings, feature: str, group: Mapping[str, str], groups, name
) -> list[dict]:
    sample = workings.samples[feature]
    design = sample.design
    woods, base = list(design.present), mixed.fixed_part(design)
    specimen = sample.takes.groupby(design.nested.mount)["specimen"].first()
    label = pd.Index(groups).get_indexer([group[s] for s in specimen])
    fixed = np.column_stack([base, np.eye(len(groups))[label][:, 1:]])
    inseparable = np.linalg.matrix_rank(fixed) < fixed.shape[1]
    if why := codes.holding(
        (len(design.nested.levels) < 2, "second_column.too_few"),
        (inseparable, codes.note("second_column.inseparable", name=name)),
        (_freedom(design, fixed) < 1, "second_column.no_freedom"),
    ):
        return [_empty(sample, name, why[0])]
    fit = mixed.fit_design(design, [sample], fixed)
    if not fit.converged[0]:
        return [_empty(sample, name, codes.note("second_column.not_converged"))]
    remark = _interaction(design, sample, base, label, len(groups), workings.confidence)
    columns = np.eye(fixed.shape[1])
    # The first group has no column of its own: its effect is zero.
    of_groups = np.vstack([np.zeros(len(columns)), columns[base.shape[1] :]])
    sides = {
        "wood": {wood: columns[woods.index(wood)] for wood in design.woods},
        name: dict(zip(groups, of_groups, strict=True)),
    }
    plain = {
        ("wood", design.woods[p.a], design.woods[p.b]): p.difference
        for p in workings.first[feature]
    }
    return [
        _row(
            sample,
            fit,
            of[b] - of[a],
            what,
            len(of),
            workings,
            plain.get(what, float("nan")),
            remark,
        )
        for side, of in sides.items()
        for a, b in combinations(of, 2)
        for what in [(side, a, b)]
    ]


def _freedom(design, fixed: np.ndarray) -> int:
    """Boards less what the fixed part asks of them."""
    specimen = design.nested.groups["specimen"]
    means = np.array([fixed[specimen == s].mean(axis=0) for s in np.unique(specimen)])
    return len(means) - int(np.linalg.matrix_rank(means))


def _interaction(
    design, sample: samples.Sample, base, label, groups: int, confidence: float
) -> str:
    """A note where the woods differ otherwise in one group than in another."""
    wood = np.eye(len(design.present))[design.nested.wood]
    own = np.eye(groups)[label]
    every_cell, beside = ((wood.T @ own) > 0).all(), own[:, 1:]
    product = (wood[:, 1:, np.newaxis] * beside[:, np.newaxis, :]).reshape(len(wood), -1)
    fixed = np.column_stack([base, beside, product])
    separable = np.linalg.matrix_rank(fixed) == fixed.shape[1]
    if not (every_cell and separable and _freedom(design, fixed) >= 1):
        return ""
    fit = mixed.fit_design(design, [sample], fixed)
    if not fit.converged[0]:
        return ""
    contrasts = np.eye(fixed.shape[1])[-product.shape[1] :]
    f, df = mixed.joint_test(fit, contrasts)
    p = float(special.fdtrc(len(contrasts), df, max(f, 0.0)))
    return codes.note("second_column.not_alike", p=p) if p <= round(1 - confidence, 12) else ""


def _row(
    sample: samples.Sample,
    fit: reml.Reml,
    weights,
    what,
    k: int,
    workings: compare.Workings,
    plain,
    remark,
) -> dict:
    test, feature = mixed.pair_test(fit, weights, k, workings.confidence), sample.feature
    difference, half = float(test.own.difference[0]), float(test.half[0])
    df, p = float(test.own.df[0]), float(test.p[0])
    values = {
        "difference": difference, "low": difference - half, "high": difference + half,
        "difference_without": plain,
    }  # fmt: skip
    return {
        **{"feature": feature.name, "column": what[0], "a": what[1], "b": what[2]},
        **{end: scales.reported_difference(value, feature) for end, value in values.items()},
        **{"unit": feature.difference_unit, "df": df, "p": p, "note": remark},
    }


def _empty(sample: samples.Sample, name: str, remark: str) -> dict:
    return dict.fromkeys(tables.TABLES["second_column"].of_type("number"), float("nan")) | {
        "feature": sample.feature.name, "column": name, "a": "", "b": "",
        "unit": sample.feature.difference_unit, "note": remark,
    }  # fmt: skip
