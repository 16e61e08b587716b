"""Invented studies with a known truth, as rows of the features table.

Everything here is simulated: wood means, spreads of boards, mounts and takes, and batch shifts
are stated by the caller.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from studylib.stats.blocks import WoodModel
from studylib.stats.pairs import Pair, all_pairs

WOODS = ("larch", "cherry", "robinia")


def specimens_table(
    counts=(4, 4, 4), *, woods=WOODS, sources=None, reference=False
) -> pd.DataFrame:
    """Boards L1, L2, ... of each wood; `sources` maps a specimen to its plank."""
    rows = []
    for wood, count in zip(woods, counts, strict=True):
        rows += [(f"{wood[0].upper()}{i + 1}", wood, "") for i in range(count)]
    if reference:
        rows += [("REF", woods[0], "reference"), ("REF+10g", woods[0], "changed")]
    table = pd.DataFrame(rows, columns=["specimen", "wood", "role"])
    table["source"] = [(sources or {}).get(name, name) for name in table["specimen"]]
    table["source_assumed"] = [name not in (sources or {}) for name in table["specimen"]]
    return table


def features_table(
    specimens: pd.DataFrame,
    rng: np.random.Generator,
    *,
    names=("tone.h3.rel_db",),
    effect=None,
    board_sd=1.5,
    mount_sd=1.0,
    take_sd=0.5,
    mounts=3,
    takes=3,
    batches=1,
    batch_shift=0.0,
    change=0.0,
    level=-20.0,
) -> pd.DataFrame:
    """Rows of the features table.

    With several batches the boards of a wood go to the batches in turn; reference and changed
    are measured in every batch, `change` apart. `batch_shift` is added once a batch.
    `effect` maps a wood to its shift. "log" features get exp() of the same numbers.
    """
    rows = []
    turn: dict[str, int] = {}
    base = dict.fromkeys(names, None)
    for name in names:
        base[name] = float(rng.normal(0, board_sd))  # the reference board
    for specimen in specimens.itertuples():
        if specimen.role:
            where = range(batches)
        else:
            where = [turn.get(specimen.wood, 0) % batches]
            turn[specimen.wood] = turn.get(specimen.wood, 0) + 1
        for name in names:
            board = base[name] + change * (specimen.role == "changed")
            if not specimen.role:
                board = rng.normal(0, board_sd) + (effect or {}).get(specimen.wood, 0.0)
            mount_number = 0
            for batch in where:
                for _ in range(mounts):
                    mount_number += 1
                    mount = board + batch * batch_shift + rng.normal(0, mount_sd)
                    for take in range(takes):
                        value = level + mount + rng.normal(0, take_sd)
                        key = f"{specimen.specimen}-{batch}-{mount_number}-{take}"
                        rows.append((key, f"day {batch + 1}", specimen.specimen, specimen.wood,
                                     mount_number, take + 1, name, value))  # fmt: skip
    table = pd.DataFrame(
        rows,
        columns=["take", "batch", "specimen", "wood", "mount", "repeat", "feature", "value"],
    )
    table["id"] = table["take"] + ":" + table["feature"]
    table["kind"], table["unit"], table["u"] = "tone", "dB", 0.05
    table["usable"], table["reason"] = True, ""
    logs = table["feature"].isin(["tone.thd_percent", "tone.centroid_hz", "tap.m1.decay_time_s"])
    table.loc[logs, "value"] = np.exp(table.loc[logs, "value"] / 10)
    return table


def compare_pairs(model: WoodModel, y: np.ndarray, *, confidence: float) -> list[Pair]:
    """Every pair of woods on one feature, y of shape (n,)."""
    return all_pairs(model, np.asarray(y)[np.newaxis]).by_feature(confidence)[0]
