"""One feature made ready for comparison: its units, its takes and the models they share.

Features of the same takes have the same design, so the linear algebra is done once for each
distinct set of takes.

Function: `make_samples`. Classes: `Design`, `Sample`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import register
from studylib.register import Feature
from studylib.stats import units as unit_steps
from studylib.stats.blocks import WoodModel, has_block, wood_model
from studylib.stats.strata import NestedDesign

# Features whose mounts agree in these have one design.
_MAKES_A_DESIGN = ("wood", "source", "specimen", "batch", "mount", "n_takes")


@dataclass(frozen=True)
class Design:
    """Models of one set of takes, shared by every feature measured on just these takes.

    Attributes
    ----------
    counts : number of sources of every wood of the study, zero included.
    woods : woods with enough sources to be spoken of.
    present : woods with any source.
    in_model : which units belong to them.
    model : linear model of those units; None where there is no such wood.
    complete : False where a wood is missing from a batch, so that batch could not be a block.
    all_model : linear model of all units.
    nested : the strata below the units.
    """

    counts: dict[str, int]
    woods: tuple[str, ...]
    present: tuple[str, ...]
    in_model: np.ndarray
    model: WoodModel | None
    complete: bool
    all_model: WoodModel
    nested: NestedDesign


@dataclass(frozen=True)
class Sample:
    """One feature of the specimens under comparison, on the scale of analysis.

    Attributes
    ----------
    units : wood, source, y, n_specimens, ...: one row a source, woods in order; all woods that
        have data.
    takes : used takes of those woods.
    y : means of the units in `design.model`.
    design : what depends on the rows only (see `Design`).
    """

    feature: Feature
    units: pd.DataFrame
    takes: pd.DataFrame
    y: np.ndarray
    design: Design

    def adjusted(self) -> np.ndarray:
        """Unit means with the batch effects taken off, shape (units,); NaN outside the model."""
        out = np.full(len(self.units), np.nan)
        model = self.design.model
        if model is not None:
            out[self.design.in_model] = (model.weights @ self.y)[model.group] + (
                model.residual @ self.y
            )
        return out

    def ids(self, woods: Sequence[str]) -> list[str]:
        """Ids of the feature rows of these woods that were used."""
        return sorted(self.takes.loc[self.takes["wood"].isin(list(woods)), "id"].astype(str))


def make_samples(
    takes: pd.DataFrame,
    mounts: pd.DataFrame,
    *,
    order: Sequence[str],
    woods: Sequence[str],
    smallest_n: int,
) -> dict[str, Sample]:
    """Features that have usable takes, in order.

    Parameters
    ----------
    takes : rows of `units.tidy` of the specimens under comparison.
    mounts : their `units.mount_means`.
    woods : woods of the study, in order; smallest_n : sources a wood to be spoken of.
    """
    used = takes[takes["state"] == "used"]
    by_feature = [
        dict(list(_of_woods(frame, woods).groupby("feature")))
        for frame in (used, mounts, unit_steps.unit_means(unit_steps.specimen_means(mounts)))
    ]
    seen: dict[tuple, Design] = {}
    samples = {}
    for name in (name for name in order if name in by_feature[0]):
        takes, mounts, units = (frames[name].reset_index(drop=True) for frames in by_feature)
        key = tuple(tuple(mounts[column]) for column in _MAKES_A_DESIGN)
        if key not in seen:
            seen[key] = _design(takes, mounts, units, tuple(woods), max(2, int(smallest_n)))
        design, y = seen[key], units["y"].to_numpy(float)
        samples[name] = Sample(register.find(name), units, takes, y[design.in_model], design)
    return samples


def _design(takes, mounts, units, all_woods: tuple[str, ...], least: int) -> Design:
    counts = {wood: int((units["wood"] == wood).sum()) for wood in all_woods}
    woods = tuple(wood for wood in all_woods if counts[wood] >= least)
    present = tuple(wood for wood in all_woods if counts[wood])
    # The part of each unit's mean that was measured in each batch.
    shares = _averaged(pd.get_dummies(mounts["batch"]).astype(float), mounts, units)
    place = _places(mounts, units)
    in_model = units["wood"].isin(list(woods)).to_numpy()
    model, complete = None, True
    if woods:
        inside = None if place is None else place[in_model]
        model, complete = _model(units["wood"][in_model], woods, shares[in_model], inside)
    all_model = model
    if present != woods:
        all_model, _ = _model(units["wood"], present, shares, place)
    nested = NestedDesign(takes, units, all_model, mounts)
    return Design(counts, woods, present, in_model, model, complete, all_model, nested)


def _of_woods(frame: pd.DataFrame, woods: Sequence[str]) -> pd.DataFrame:
    """Rows of these woods, woods in their given order, other order kept."""
    rank = pd.Index(woods).get_indexer(frame["wood"])
    keep = np.flatnonzero(rank >= 0)
    return frame.iloc[keep[np.argsort(rank[keep], kind="stable")]]


def _model(
    wood: pd.Series, woods: Sequence[str], shares: np.ndarray, place: np.ndarray | None
) -> tuple[WoodModel, bool]:
    """The model, and whether every wood occurs in every batch."""
    group = pd.Index(woods).get_indexer(wood)
    shares = shares[:, shares.sum(axis=0) > 0]
    complete = shares.shape[1] < 2 or has_block(group, shares)
    return wood_model(group, shares, block=has_block(group, shares), place=place), complete


def _places(mounts: pd.DataFrame, units: pd.DataFrame) -> np.ndarray | None:
    """Mean place of each unit in the order of recording, shape (units,); None where none is
    given (the column `place` is there only when the study asks for drift to be taken out)."""
    return _averaged(mounts[["place"]], mounts, units)[:, 0] if "place" in mounts else None


def _averaged(columns: pd.DataFrame, mounts: pd.DataFrame, units: pd.DataFrame) -> np.ndarray:
    """Columns of the mounts averaged over specimens, then units, shape (units, columns)."""
    specimen = columns.groupby([mounts[key] for key in ("wood", "source", "specimen")]).mean()
    unit = specimen.groupby(level=["wood", "source"]).mean()
    return unit.reindex(pd.MultiIndex.from_frame(units[["wood", "source"]])).to_numpy(float)
