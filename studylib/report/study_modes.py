"""What rings and what the wood is, over a whole study, held in one place for the report.

Function: modes_of_study. StudyModes.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from studylib.measure.parts import Gathered
from studylib.measure.sweep_rows import mount_responses
from studylib.sheets import Study
from studylib.wood import modes_near_tone, wood_features, wood_table, wood_warnings


@dataclass(frozen=True)
class StudyModes:
    """numbered : every mode of every tap and sweep, with its number.  boards : one row a board,
    support and number.  wood : properties of each board.  near : the mode nearest to each
    harmonic of the tone.  responses : each mount's response from its sweeps.  features : rows of
    the features table that the wood gives.  warnings : sentences."""

    numbered: pd.DataFrame
    boards: pd.DataFrame
    wood: pd.DataFrame
    near: pd.DataFrame
    responses: pd.DataFrame
    features: pd.DataFrame
    warnings: tuple[str, ...]


def modes_of_study(study: Study, gathered: Gathered) -> StudyModes:
    """Wood, modes near the tone and responses from what was gathered."""
    wood = wood_table(study, gathered.board_modes)
    measured = [batch for batch in study.batches if batch not in gathered.failed]
    takes = pd.DataFrame(
        [(t.take, t.specimen, t.mount) for t in study.takes if t.kind == "sweep"],
        columns=["take", "specimen", "mount"],
    )
    return StudyModes(
        numbered=gathered.modes,
        boards=gathered.board_modes,
        wood=wood,
        near=modes_near_tone(study, gathered.board_modes, wood),
        responses=mount_responses(gathered.sweeps, takes),
        features=wood_features(study, gathered.modes, batches=measured),
        warnings=tuple(wood_warnings(study, wood)),
    )
