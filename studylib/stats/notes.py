"""What a comparison cannot say and how its numbers are to be read, as notes.

Functions: `comparison_notes`, `design_notes`.
"""

from collections.abc import Mapping, Sequence

import pandas as pd

from studylib.codes import has, note
from studylib.codes.comparison import Estimate, Method, Remark, Role, Verdict
from studylib.stats.pairs import method_for, tukey_kramer_rate
from studylib.stats.samples import Sample

_UNBALANCED = (Estimate.MEAN_SQUARES, Estimate.REML)


def comparison_notes(
    samples: Mapping[str, Sample],
    found: pd.DataFrame,
    variance: pd.DataFrame,
    *,
    order: Sequence[str],
    primary: Sequence[str],
    refused: Mapping[str, str],
    confounded: bool,
    confidence: float,
) -> list[str]:
    """Notes on the table of effects `found` and the table of variance components.

    `order` has the features of which there is any row, usable or not; `confounded` says that
    wood and batch are confounded by the plan, which has a note of its own.
    """
    compared = {name: sample.design for name, sample in samples.items() if name not in refused}
    missing = [name for name in primary if name not in order]
    unusable = [n for n in primary if n in order and n not in samples and n not in refused]
    apart = [name for name, design in compared.items() if not design.complete]
    partly = [name for name, design in compared.items() if design.model and design.model.dropped]
    asked = (
        (missing, Remark.NOT_MEASURED, {"features": missing}),
        (unusable, Remark.NO_TAKE, {"features": unusable}),
        (refused, Remark.REFUSED, {"refused": dict(refused)}),
    )
    about_batch = (
        (apart and not confounded, Remark.CONFOUNDED_ON, {"features": apart}),
        (partly, Remark.PARTLY_CONFOUNDED, {"features": partly}),
    )
    return [
        *(note(code, **fields) for there, code, fields in asked if there),
        *_pooled(compared, confidence),
        *(note(code, **fields) for there, code, fields in about_batch if there),
        *_verdict_notes(found, 1 - confidence),
        *[Remark.UNBALANCED]
        * any(has(cell, Estimate.MEAN_SQUARES, Estimate.REML) for cell in variance["method"]),
    ]


def _pooled(compared: Mapping, confidence: float) -> list[str]:
    """What pooling costs where one wood spreads more, for each set of numbers of sources."""
    models = {id(design.model): design.model for design in compared.values() if design.model}
    worst: dict[tuple[int, ...], float] = {}
    features: dict[tuple[int, ...], list[str]] = {}
    for number, model in models.items():
        if model.k > 1 and model.df >= 1 and method_for(model) == Method.TUKEY_KRAMER:
            counts = tuple(int(n) for n in model.counts)
            worst[counts] = max(worst.get(counts, 0.0), tukey_kramer_rate(model, confidence))
            features.setdefault(counts, []).extend(
                [name for name, design in compared.items() if id(design.model) == number]
            )
    return [
        note(
            Remark.POOLED, features=features[counts], counts=counts, rate=rate, alpha=1 - confidence
        )
        for counts, rate in sorted(worst.items())
        if round(100 * rate) > 100 * (1 - confidence)
    ]


def _verdict_notes(found: pd.DataFrame, alpha: float) -> list[str]:
    hints = int(found.loc[found["role"] == Role.EXPLORATORY, "feature"].nunique())
    asked = (
        ((found["verdict"] == Verdict.SAME).any(), Remark.SAME),
        (any(has(cell, Method.NOT_EARNED) for cell in found["method"]), Remark.NOT_EARNED),
        ((found["needed"] != "").any(), Remark.NEEDED),
        (hints, note(Remark.EXPLORATORY, count=hints, alpha=alpha)),
    )
    return [remark for there, remark in asked if there]


def design_notes(
    specimens: pd.DataFrame,
    mounts: pd.DataFrame,
    *,
    woods: Sequence[str],
    smallest_n: int,
    listening: bool,
) -> list[str]:
    """What these specimens, batches and mounts leave open.

    Parameters
    ----------
    specimens : specimens under comparison (wood, specimen, source, source_assumed).
    mounts : their mounts over all features: wood, specimen, batch, mount, n_takes.
    """
    batches = mounts["batch"].nunique()
    per_board = mounts.drop_duplicates(["specimen", "batch", "mount"]).groupby("specimen").size()
    asked = (
        (batches == 1, Remark.ONE_BATCH),
        (batches > 1, Remark.NOT_PAIRED),
        (len(per_board) and per_board.max() == 1, Remark.MOUNTED_ONCE),
        (len(mounts) and mounts["n_takes"].max() == 1, Remark.ONE_TAKE),
        (not listening, Remark.NOT_HEARD),
    )
    return [
        Remark.THESE_BOARDS,
        *_source_notes(specimens, woods, max(2, smallest_n)),
        *(remark for there, remark in asked if there),
    ]


def _source_notes(specimens: pd.DataFrame, woods: Sequence[str], least: int) -> list[str]:
    notes = []
    if "source_assumed" in specimens and specimens["source_assumed"].astype(bool).any():
        count = int(specimens["source_assumed"].astype(bool).sum())
        notes.append(note(Remark.PLANK_ASSUMED, count=count, boards=len(specimens)))
    sources = specimens.groupby("wood")["source"].nunique()
    boards = specimens.groupby("wood").size()
    shared = [
        {"wood": wood, "boards": boards[wood], "planks": sources[wood]}
        for wood in woods
        if wood in boards and sources[wood] < boards[wood]
    ]
    if shared:
        notes.append(note(Remark.SHARED_PLANKS, woods=shared))
    few = [wood for wood in woods if sources.get(wood, 0) < least]
    if few:
        notes.append(note(Remark.FEW_SOURCES, woods=few, least=least))
    return notes
