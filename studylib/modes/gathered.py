"""All batches of a study in one place: every table that the summary works on.

Function: `gather`. Class: `Gathered`.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from studylib import tables
from studylib.codes import note
from studylib.codes.measure import BatchFault
from studylib.errors import StudyError
from studylib.measure.batch import BatchMeasurement, measure_batch
from studylib.measure.parts import TABLES, batch_slugs, saved_part
from studylib.modes.features import with_numbers
from studylib.sheets import Study

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Gathered:
    """All whole parts of a study, in the order of its batches; `failed` names the others.

    modes : with the number of each over the whole study (`modes.numbers`).  board_modes : one row
    a board and number (`modes.boards`).  features : with those of the numbered modes.  bench : with
    the batch of each fact.  failed : batch -> a note of why it is not among them.
    """

    quality: pd.DataFrame
    features: pd.DataFrame
    spectra: pd.DataFrame
    harmonics: pd.DataFrame
    modes: pd.DataFrame
    sweeps: pd.DataFrame
    bench: pd.DataFrame
    board_modes: pd.DataFrame
    failed: dict[str, str] = field(default_factory=dict)


def gather(
    study: Study, *, parts: Path | str | None = None, progress: Progress | None = None
) -> Gathered:
    """Everything the summary works on.

    Parameters
    ----------
    study : the study, from `read_study`.
    parts : the folder of parts that batch notebooks left; None or "" measures every batch here.
    progress : called with (batches done, batches in all, what is being done).

    Returns
    -------
    The tables of all batches, one below the other; `failed` has a note for each batch that is not
    among them.
    """
    slugs = batch_slugs(study.batches)
    whole: list[BatchMeasurement] = []
    failed: dict[str, str] = {}
    for done, batch in enumerate(study.batches):
        if progress is not None:
            progress(done, len(study.batches), f"batch {batch}")
        try:
            whole.append(
                saved_part(Path(parts) / slugs[batch]) if parts else measure_batch(study, batch)
            )
        except StudyError as error:
            failed[batch] = first_fault(error)
    frames = {name: _stacked(name, whole) for name in TABLES}
    modes = frames.pop("modes").drop(columns="mode")
    features, modes, boards = with_numbers(study, frames.pop("features"), modes)
    return Gathered(features=features, modes=modes, board_modes=boards, failed=failed, **frames)


def first_fault(error: StudyError) -> str:
    """The first fault of an error, and how many more it has, as one note."""
    first, *others = error.notes
    return note(BatchFault.FIRST_OF, fault=first, more=len(others)) if others else first


def _stacked(name: str, whole: list[BatchMeasurement]) -> pd.DataFrame:
    """One table of all batches, one below the other."""
    # An empty frame has no types of its own; beside full ones it would only spoil theirs.
    full = {part.batch: frame for part in whole if not (frame := getattr(part, name)).empty}
    found = pd.concat(full.values(), ignore_index=True) if full else tables.empty(name)
    if name != "bench":
        return tables.typed(name, found)
    batches = [batch for batch, frame in full.items() for _ in range(len(frame))]
    found.insert(0, "batch", pd.Series(batches, dtype=str))
    return found
