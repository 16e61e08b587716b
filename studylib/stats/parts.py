"""What a comparison was made from, kept for whoever asks it further questions.

Class: `Parts`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from studylib.stats import units as unit_steps
from studylib.stats.mixed_model import Fitted
from studylib.stats.pairs import Pair
from studylib.stats.samples import Sample


@dataclass(frozen=True)
class Parts:
    """The steps of one comparison.

    Attributes
    ----------
    takes, mounts : rows of stats.units of the specimens under comparison.
    all_mounts : the same of every specimen, controls included.
    samples, first, fits : by feature: the sample, its pairs of woods, the mixed model.
    woods, primary, smallest_n, confidence, refused, limits, told_apart : as the effects took them.
    """

    takes: pd.DataFrame
    mounts: pd.DataFrame
    all_mounts: pd.DataFrame
    samples: Mapping[str, Sample]
    first: Mapping[str, list[Pair]]
    fits: Mapping[str, Fitted]
    woods: tuple[str, ...]
    primary: tuple[str, ...]
    smallest_n: int
    confidence: float
    refused: Mapping[str, str]
    limits: Mapping[str, float]
    told_apart: frozenset[str]

    @property
    def compared(self) -> list[str]:
        """Primary features of which any pair of woods was compared."""
        return [name for name in self.primary if self.first.get(name)]

    @property
    def usable(self) -> list[str]:
        """Primary features with usable takes that may be compared, of one wood or more."""
        return [n for n in self.primary if n in self.samples and n not in self.refused]

    def without(self, feature: str, ids: set[str]) -> tuple[pd.DataFrame, pd.DataFrame]:
        """Takes and mounts of one feature without the rows of these ids."""
        takes = self.takes[self.takes["feature"] == feature]
        takes = takes[~takes["id"].astype(str).isin(ids)]
        mounts = unit_steps.mount_means(takes)
        if "place" in self.mounts:
            places = self.mounts.drop_duplicates(unit_steps.MOUNT)
            mounts = unit_steps.with_places(mounts, places)
        return takes, mounts
