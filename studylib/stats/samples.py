"""One feature made ready for comparison: its units, its takes, models and mean squares.

Features of the same takes have the same design, so the linear algebra is done once for each
distinct set of takes. A `NestedDesign` has the mean squares of sources, boards, mounts and takes.

Each stratum is a vector of means (takes; means of mounts; of specimens; of sources) with the
next stratum up taken out by least squares, together with batch where that is possible:
v = y'My / tr M on tr M degrees of freedom. Its expectation is a weighted sum of the components
at and below the stratum, with weights tr(M K_c) / tr M, K_c the diagonal covariance of the means
under component c. These are the unweighted mean squares of Burdick & Graybill (1992), which
reduce to harmonic means of the numbers below; in a balanced design they are the usual mean
squares divided by the number of takes behind each mean.

A stratum without degrees of freedom (one take a mount, one mount a specimen, one specimen a
source) is left out, and its component is part of the next one up.

Means as a reader sees them are in the feature's own unit, in the order of the sheets. The interval
of a wood's mean is Student's, from its sources alone; it is there to be looked at, and no verdict
hangs on it (the verdicts use simultaneous intervals of differences).

Functions: `make_samples`, `of_woods`, `linear_model`; `reported_means`, `unit_means`, `wood_means`.
Classes: `Design`, `Sample`, `NestedDesign`, `Stratum`, `FeatureMeans`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise

import numpy as np
import pandas as pd
from scipy import special

from studylib import register, tables
from studylib.stats import blocks, scales
from studylib.stats import units as unit_steps

LEVELS = ("take", "mount", "specimen", "source")
KEYS = {
    "mount": ["wood", "source", "specimen", "batch", "mount"],
    "specimen": ["wood", "source", "specimen"],
    "source": ["wood", "source"],
}


@dataclass(frozen=True)
class Stratum:
    """One mean square: `expectation` maps component names to their weights in E[v]."""

    level: str
    v: float
    df: int
    expectation: dict[str, float]


class NestedDesign:
    """The strata of one set of takes.

    Parameters
    ----------
    takes : used takes of the compared woods: wood, source, specimen, batch, mount.
    units : the sources in the order of `model`: wood, source.
    mounts : rows of the mounts, with a column place where drift is taken out.
    model : linear model of the sources' means (stats.blocks).

    Attributes
    ----------
    levels : levels that can be told apart, lowest first.
    merged : for each of them the lower levels that cannot be told from it.
    balanced : whether the numbers of takes, mounts and specimens are equal throughout.
    mount : the mount of every take, shape (takes,).
    groups : level -> group of every mount, shape (mounts,).
    wood, batch : of every mount: number of the wood, shape (mounts,); indicators of the batches.
    place : of every mount in the order of recording, where drift is taken out; else None.
    """

    def __init__(
        self,
        takes: pd.DataFrame,
        units: pd.DataFrame,
        model: blocks.WoodModel,
        mounts: pd.DataFrame,
    ):
        place = mounts.set_index(KEYS["mount"])["place"] if "place" in mounts else None
        self.mount, mounts = _group(takes, KEYS["mount"])
        by_mount = pd.MultiIndex.from_frame(mounts[KEYS["mount"]])
        self.place = None if place is None else place.reindex(by_mount).to_numpy()
        specimen, specimens = _group(mounts, KEYS["specimen"])
        order = pd.MultiIndex.from_frame(units[KEYS["source"]])
        unit = order.get_indexer(pd.MultiIndex.from_frame(specimens[KEYS["source"]]))
        batch = pd.get_dummies(mounts["batch"]).to_numpy(float)
        self.groups = {
            "mount": np.arange(len(mounts)), "specimen": specimen, "source": unit[specimen]
        }  # fmt: skip
        self.wood, self.batch = pd.factorize(units["wood"])[0][unit[specimen]], batch
        self._averaging = (_Averaging(self.mount), _Averaging(specimen), _Averaging(unit))
        self._left = (
            _Left(self._averaging[0], np.empty((len(takes), 0))),
            _Left(self._averaging[1], batch),
            _Left(self._averaging[2], self._averaging[1] @ batch),
            model,
        )
        diagonals = self._diagonals()
        self._df = {
            level: round(float(left.diagonal.sum()))
            for level, left in zip(LEVELS, self._left, strict=True)
        }
        self.levels = tuple(level for level in LEVELS if self._df[level] > 0)
        ends = [0, *(LEVELS.index(level) + 1 for level in self.levels)]
        self.merged = {LEVELS[end - 1]: LEVELS[start : end - 1] for start, end in pairwise(ends)}
        self.balanced = all(np.ptp(k) < 1e-12 for named in diagonals for k in named.values())
        self._expectations = {"take": {"take": 1.0}} | {
            level: {
                name: float(left.diagonal @ k) / max(self._df[level], 1)
                for name, k in named.items()
                if name in self.levels
            }
            for level, left, named in zip(LEVELS[1:], self._left[1:], diagonals, strict=True)
        }

    def strata(self, y: np.ndarray) -> tuple[Stratum, ...]:
        """Mean squares of values y, shape (takes,), lowest level first."""
        return tuple(
            Stratum(level, float(np.sum(own**2)) / df, df, self._expectations[level])
            for level, (own, df) in self.residuals(y).items()
        )

    def residuals(self, y: np.ndarray) -> dict[str, tuple[np.ndarray, int]]:
        """By level, lowest first: what is left of the means of its units, (units,) or (units, ...)
        for y of shape (takes, ...), and the degrees of freedom."""
        means = accumulate(self._averaging, lambda below, own: own @ below, initial=y)
        return {
            level: (left.left(own), self._df[level])
            for level, left, own in zip(LEVELS, self._left, means, strict=True)
            if level in self.levels
        }

    def mount_means(self, y: np.ndarray) -> np.ndarray:
        """Means of the mounts for values y of shape (..., takes)."""
        return (self._averaging[0] @ y.T).T

    def source_means(self, mounts: np.ndarray) -> np.ndarray:
        """Means of the sources for values of the mounts, (..., mounts)."""
        return (self._averaging[2] @ (self._averaging[1] @ mounts.T)).T

    def _diagonals(self) -> list[dict[str, np.ndarray]]:
        """Variance of each mean for a unit of each component, from mounts upwards."""
        named, out = {"take": np.ones(self.mount.size)}, []
        for level, averaging in zip(LEVELS[1:], self._averaging, strict=True):
            named = {name: averaging @ k / averaging.counts for name, k in named.items()}
            named[level] = np.ones(averaging.counts.size)
            out.append(named)
        return out


def _group(frame: pd.DataFrame, keys: list[str]) -> tuple[np.ndarray, pd.DataFrame]:
    index = frame.groupby(keys, sort=True, dropna=False).ngroup().to_numpy()
    return index, frame.iloc[np.unique(index, return_index=True)[1]].reset_index(drop=True)


class _Averaging:
    """Means of groups, as `averaging @ values`; sums, as a matrix would have groups times rows."""

    def __init__(self, index: np.ndarray) -> None:
        self.index, self.counts = index, np.bincount(index)
        self._order = np.argsort(index, kind="stable")
        self._first = np.cumsum(self.counts) - self.counts

    def __matmul__(self, values: np.ndarray) -> np.ndarray:
        sums = np.add.reduceat(values[self._order], self._first, axis=0)
        return (sums.T / self.counts).T


class _Left:
    """What is left of values, as `left(values)`, of the means of their groups and of the shares of
    the batches within these; `diagonal` is that of the matrix."""

    def __init__(self, averaging: _Averaging, shares: np.ndarray) -> None:
        self._averaging, self._rows, self._basis = averaging, np.arange(0), np.empty((0, 0))
        within = self.left(shares[:, 1:])
        # A group that lies in one batch tells nothing of the others.
        self._rows = np.flatnonzero(within.any(axis=1))
        vectors, sizes, _ = np.linalg.svd(within[self._rows], full_matrices=False)
        self._basis = vectors[:, sizes > 1e-9]
        self.diagonal = 1.0 - 1.0 / averaging.counts[averaging.index]
        self.diagonal[self._rows] -= np.sum(self._basis**2, axis=1)

    def left(self, values: np.ndarray) -> np.ndarray:
        within = values - (self._averaging @ values)[self._averaging.index]
        within[self._rows] -= self._basis @ (self._basis.T @ within[self._rows])
        return within


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
    model: blocks.WoodModel | None
    complete: bool
    all_model: blocks.WoodModel
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

    feature: register.Feature
    units: pd.DataFrame
    takes: pd.DataFrame
    y: np.ndarray
    design: Design

    def adjusted(self) -> np.ndarray:
        """Unit means with the batch effects taken off, shape (units,); NaN outside the model."""
        out = np.full(len(self.units), np.nan)
        model = self.design.model
        if model is not None:
            out[self.design.in_model] = (model.weights @ self.y)[model.group] + model.left(self.y)
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
    by_feature = [
        dict(list(of_woods(frame, woods).groupby("feature")))
        for frame in (
            takes[takes["state"] == "used"],
            mounts,
            unit_steps.unit_means(unit_steps.specimen_means(mounts)),
        )
    ]
    seen: dict[tuple, Design] = {}
    samples = {}
    for name in (name for name in order if name in by_feature[0]):
        takes, mounts, units = (frames[name] for frames in by_feature)
        takes, units = takes.reset_index(drop=True), units.reset_index(drop=True)
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
    place = _averaged(mounts[["place"]], mounts, units)[:, 0] if "place" in mounts else None
    in_model = units["wood"].isin(list(woods)).to_numpy()
    model, complete = None, True
    if woods:
        inside = None if place is None else place[in_model]
        model, complete = linear_model(units["wood"][in_model], woods, shares[in_model], inside)
    all_model = (
        model if present == woods else linear_model(units["wood"], present, shares, place)[0]
    )
    return Design(
        *(counts, woods, present, in_model, model, complete, all_model),
        nested=NestedDesign(takes, units, all_model, mounts),
    )


def of_woods(frame: pd.DataFrame, woods: Sequence[str]) -> pd.DataFrame:
    """Rows of these woods, woods in their given order, other order kept."""
    rank = pd.Index(woods).get_indexer(frame["wood"])
    keep = np.flatnonzero(rank >= 0)
    return frame.iloc[keep[np.argsort(rank[keep], kind="stable")]]


def linear_model(
    wood: pd.Series, woods: Sequence[str], shares: np.ndarray, place: np.ndarray | None = None
) -> tuple[blocks.WoodModel, bool]:
    """The model of sources of these woods, and whether every wood occurs in every batch.

    wood : of each source.  shares : (sources, batches).  place : see `blocks.wood_model`.
    """
    group = pd.Index(woods).get_indexer(wood)
    shares = shares[:, shares.sum(axis=0) > 0]
    block = blocks.has_block(group, shares)
    return (
        blocks.wood_model(group, shares, block=block, place=place),
        block or shares.shape[1] < 2,
    )


def _averaged(columns: pd.DataFrame, mounts: pd.DataFrame, units: pd.DataFrame) -> np.ndarray:
    """Columns of the mounts averaged over specimens, then units, shape (units, columns)."""
    specimen = columns.groupby([mounts[key] for key in ("wood", "source", "specimen")]).mean()
    unit = specimen.groupby(level=["wood", "source"]).mean()
    return unit.reindex(pd.MultiIndex.from_frame(units[["wood", "source"]])).to_numpy(float)


@dataclass(frozen=True)
class FeatureMeans:
    """One feature of every compared board, in the feature's unit.

    woods : all woods under comparison, in order.
    boards : specimen, wood, value; one row a board.  mounts : specimen, mount, value.
    means : of woods, see `wood_means`.  effects : its rows of the table `effects`.
    """

    feature: register.Feature
    woods: tuple[str, ...]
    boards: pd.DataFrame
    mounts: pd.DataFrame
    means: pd.DataFrame
    confidence: float
    effects: pd.DataFrame = field(default_factory=lambda: tables.empty("effects"))


def reported_means(
    name: str, means: pd.DataFrame, *, order: Sequence[str], specimens: pd.DataFrame
) -> pd.DataFrame:
    """Means of specimens or mounts, the table `name`.

    Rows go by feature in `order`, then specimen as in the sheet, then batch and mount.
    """
    out = _with_units(means).assign(
        _feature=pd.Index(order).get_indexer(means["feature"]),
        _specimen=pd.Index(specimens["specimen"]).get_indexer(means["specimen"]),
    )
    out = out.sort_values(["_feature", "_specimen"], kind="stable")
    return tables.typed(name, out.reset_index(drop=True))


def unit_means(samples: Mapping[str, Sample]) -> pd.DataFrame:
    """Means of sources, the table `unit_means`; `adjusted` has the batch effects removed."""
    if not samples:
        return tables.empty("unit_means")
    frames = [
        sample.units.assign(feature=name, adjusted=sample.adjusted())
        for name, sample in samples.items()
    ]
    out = _with_units(pd.concat(frames, ignore_index=True))
    out["adjusted"] = _with_units(out.assign(y=out["adjusted"]))["value"]
    return tables.typed("unit_means", out)


def wood_means(
    units: pd.DataFrame, feature: register.Feature, *, confidence: float
) -> pd.DataFrame:
    """Each wood's mean over its sources with Student's interval: wood, mean, low, high, n.

    The interval is NaN for a wood with a single source.  units : the table `unit_means`.
    """
    own = units[units["feature"] == feature.name].astype({"value": float})
    y = np.log(own["value"]) if feature.scale == "log" else own["value"]
    n, mean, sd = (y.groupby(own["wood"], sort=False).agg(of) for of in ("size", "mean", "std"))
    half = special.stdtrit(n - 1, 0.5 + confidence / 2) * sd / np.sqrt(n)
    ends = pd.DataFrame({"mean": mean, "low": mean - half, "high": mean + half})
    shown = scales.reported_values(ends, feature).assign(n=n)
    return tables.typed("wood_means", shown.rename_axis("wood").reset_index())


def _with_units(means: pd.DataFrame) -> pd.DataFrame:
    """`y` on the scale of analysis as `value` in the feature's unit, with that unit."""
    known = {name: register.find(name) for name in means["feature"].unique()}
    logs = means["feature"].isin([name for name, own in known.items() if own.scale == "log"])
    units = {name: own.unit for name, own in known.items()}
    return means.assign(
        unit=means["feature"].map(units),
        value=np.exp(means["y"].where(logs)).where(logs, means["y"]),
    )
