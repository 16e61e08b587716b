"""Wood properties as rows of the features table.

Density stands once for each specimen, with the batch and mount of its first take. Stiffness and
what follows from it stands once for each mount in which the board was tapped while it hung free,
from the mean of that mount's taps: so the spread between mounts shows, and a board's value is the
mean of its mounts like that of any other feature.

Functions: `wood_features`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator

import pandas as pd

from studylib.sheets import Specimen, Study, Take
from studylib.wood.boards import Board, free_modes, reckon
from studylib.wood.study_wood import STIFFNESS

COLUMNS = [
    "id", "take", "batch", "kind", "specimen", "wood", "mount", "repeat",
    "feature", "value", "unit", "u", "usable", "reason",
]  # fmt: skip
_NAN = float("nan")


def wood_features(
    study: Study, numbered: pd.DataFrame, *, batches: Collection[str] | None = None
) -> pd.DataFrame:
    """Feature rows of every specimen's wood; `take` is "", `kind` is "wood".

    Parameters
    ----------
    numbered : one row a mode of a tap with its number: columns specimen, mount, support, mode,
        usable, frequency_hz, frequency_u, loss_factor, loss_factor_u at least.
    batches : only rows of these batches; None for all.

    Returns
    -------
    DataFrame with `COLUMNS`. What cannot be told is NaN, not usable, with its reason; a study
    without any free tap has no rows of stiffness.
    """
    rows = []
    any_free = any(_is_free(take) for take in study.takes)
    for specimen in study.specimens:
        takes = [take for take in study.takes if take.specimen == specimen.specimen]
        if takes:
            rows += _specimen_rows(study, specimen, takes, numbered, any_free=any_free)
    table = pd.DataFrame(rows, columns=COLUMNS)
    table = table.astype({"value": float, "u": float, "usable": bool})
    if batches is not None:
        table = table[table["batch"].isin(list(batches))].reset_index(drop=True)
    return table


def _is_free(take: Take) -> bool:
    return take.kind == "tap" and take.support == "free"


def _specimen_rows(
    study: Study,
    specimen: Specimen,
    takes: list[Take],
    numbered: pd.DataFrame,
    *,
    any_free: bool,
) -> Iterator[tuple]:
    wood, nothing = study.settings.wood, numbered.iloc[:0]
    board = reckon(specimen, free_modes(nothing), wood)
    yield _row(specimen, takes[0], "wood.density_kg_m3", board.density, "kg/m3", board.size_reason)
    first_of: dict[int, Take] = {}
    for take in filter(_is_free, takes):
        first_of.setdefault(take.mount, take)
    own = numbered[numbered["specimen"] == specimen.specimen]
    for mount, take in first_of.items():
        why = f"no usable mode in the free taps of mount {mount}"
        modes = free_modes(own[own["mount"] == mount])
        yield from _stiffness_rows(specimen, take, reckon(specimen, modes, wood, no_modes=why))
    if any_free and not first_of:
        why = "the board was not tapped hanging free"
        yield from _stiffness_rows(
            specimen, takes[0], reckon(specimen, free_modes(nothing), wood, no_modes=why)
        )


def _stiffness_rows(specimen: Specimen, take: Take, board: Board) -> Iterator[tuple]:
    for name, unit in STIFFNESS.items():
        reason = board.shear_reason if name == "wood.shear_modulus_gpa" else ""
        yield _row(specimen, take, name, board.values.get(name), unit, board.reason or reason)
    yield _row(specimen, take, "wood.loss_factor", board.loss, "1", board.loss_reason)


def _row(specimen: Specimen, take: Take, feature: str, value, unit: str, reason: str) -> tuple:
    number, u = (value.value, value.u) if value is not None and not reason else (_NAN, _NAN)
    text = f"{specimen.specimen}|{take.batch}|{take.mount}|{feature}|{number!r}"
    key = hashlib.sha256(text.encode()).hexdigest()[:12]
    return (
        key, "", take.batch, "wood", specimen.specimen, specimen.wood, take.mount, 1,
        feature, number, unit, u, not reason, reason,
    )  # fmt: skip
