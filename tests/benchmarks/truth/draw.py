"""Many studies of one cell as one features table: each study is a set of features.

Functions: `draw`, `specimens_of`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.benchmarks.truth.cells import Cell

SHAPES = {
    "normal": lambda rng, size: rng.standard_normal(size),
    "skewed": lambda rng, size: (rng.gamma(4.0, 1.0, size) - 4.0) / 2.0,
    "strong": lambda rng, size: rng.exponential(1.0, size) - 1.0,
    "heavy": lambda rng, size: rng.standard_t(5, size) / np.sqrt(5 / 3),
}


def specimens_of(cell: Cell) -> pd.DataFrame:
    """The sheet of boards: specimen, wood, source, source_assumed, role."""
    rows = []
    for wood, count in zip(cell.woods, cell.counts, strict=True):
        for i in range(count):
            name = f"{wood[0].upper()}{i + 1}"
            plank = f"{wood}-{i // cell.per_plank}" if cell.planks == "named" else name
            rows.append((name, wood, plank, cell.planks != "named", ""))
    return pd.DataFrame(rows, columns=["specimen", "wood", "source", "source_assumed", "role"])


def draw(cell: Cell, studies: int, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Specimens and features table; study s has the features h(2 + s m) to h(1 + (s + 1) m)."""
    specimens = specimens_of(cell)
    layout = _layout(cell, specimens, rng)
    board, mount = layout["board"].to_numpy(), layout["mount_number"].to_numpy()
    count = studies * cell.features
    values = -20.0 + _boards(cell, specimens, studies, rng)[:, board]
    values += cell.mount_sd * rng.standard_normal((count, mount.max() + 1))[:, mount]
    values += cell.take_sd * rng.standard_normal((count, len(layout)))
    values += cell.drift * np.linspace(0.0, 1.0, len(layout))[layout["when"].to_numpy()]
    shifts = cell.batch_sd * rng.standard_normal((count, cell.batches))
    values += shifts[:, layout["batch_number"].to_numpy()]
    names = [f"tone.h{k}.rel_db" for k in range(2, count + 2)]
    table = pd.DataFrame(
        {
            "feature": np.repeat(np.array(names, dtype=object), len(layout)),
            "value": values.ravel(),
            **{
                name: np.tile(layout[name].to_numpy(), count)
                for name in ("take", "batch", "specimen", "mount", "place")
            },
        }
    )
    table["id"] = np.arange(len(table)).astype(str)
    table["usable"], table["reason"] = True, ""
    return specimens, table


def _boards(cell: Cell, specimens: pd.DataFrame, studies: int, rng) -> np.ndarray:
    """What each board adds, shape (features, boards)."""
    wood = pd.Index(cell.woods).get_indexer(specimens["wood"])
    size, m = len(specimens), cell.features
    shape = SHAPES[cell.boards]
    own = shape(rng, (studies, m, size))
    if m > 1:
        # Features of one board go together: `alike` is their correlation (normal boards).
        common = shape(rng, (studies, 1, size))
        own = np.sqrt(cell.alike) * common + np.sqrt(1 - cell.alike) * own
    if cell.planks != "own":
        first = np.concatenate([[0], np.cumsum(cell.counts)[:-1]])[wood]
        plank = first + (np.arange(size) - first) // cell.per_plank
        own = np.sqrt(0.5) * (own + shape(rng, (studies, m, size))[..., plank])
    if cell.outlier:
        which = rng.integers(0, size, studies)
        side = np.where(rng.random(studies) < 0.5, -1.0, 1.0)
        own[np.arange(studies), :, which] += cell.outlier * side[:, np.newaxis]
    spread = cell.board_sd * np.where(wood == cell.wide, cell.ratio, 1.0)
    means = np.full(len(cell.counts), 0.5 * cell.effect)
    means[0], means[1] = 0.0, cell.effect
    return (own * spread + means[wood]).reshape(studies * m, size)


def _layout(cell: Cell, specimens: pd.DataFrame, rng) -> pd.DataFrame:
    """One row a take: board, batch, mount, and its place in the order of recording."""
    wood = pd.Index(cell.woods).get_indexer(specimens["wood"])
    turn = np.concatenate([np.arange(n) for n in cell.counts])
    batch = wood % cell.batches if cell.confounded else turn % cell.batches
    rows = []
    for board in range(len(specimens)):
        lost = rng.permutation(cell.mounts)[: round(_lost(cell, rng))]
        for mount in range(cell.mounts):
            if mount in lost:
                continue
            for take in range(cell.takes):
                when = (turn[board], wood[board]) if cell.in_turn else (wood[board], turn[board])
                rows.append((board, batch[board], mount + 1, take, *when))
    table = pd.DataFrame(rows, columns=["board", "batch_number", "mount", "repeat", "one", "two"])
    table["mount_number"] = table.groupby(["board", "mount"], sort=False).ngroup()
    place = np.lexsort((table["repeat"], table["mount"], table["two"], table["one"]))
    table["when"] = np.empty(len(table), dtype=int)
    table.loc[place, "when"] = np.arange(len(table))
    table["place"] = table["when"] / max(len(table) - 1, 1)
    table["specimen"] = specimens["specimen"].to_numpy()[table["board"]]
    table["batch"] = [f"day {b + 1}" for b in table["batch_number"]]
    table["take"] = [f"t{i}" for i in range(len(table))]
    return table


def _lost(cell: Cell, rng) -> int:
    """How many mounts of a board were lost; one is always left."""
    return min(rng.binomial(cell.mounts, cell.missing), cell.mounts - 1)
