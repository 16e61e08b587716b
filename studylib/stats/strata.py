"""Mean squares of a nested design: sources, specimens, mounts and takes.

Each stratum is a vector of means (takes; means of mounts; of specimens; of sources) with the
next stratum up taken out by least squares, together with batch where that is possible:
v = y'My / tr M on tr M degrees of freedom. Its expectation is a weighted sum of the components
at and below the stratum, with weights tr(M K_c) / tr M, K_c the diagonal covariance of the means
under component c. These are the unweighted mean squares of Burdick & Graybill (1992), which
reduce to harmonic means of the numbers below; in a balanced design they are the usual mean
squares divided by the number of takes behind each mean.

A stratum without degrees of freedom (one take a mount, one mount a specimen, one specimen a
source) is left out, and its component is part of the next one up.

A `NestedDesign` holds what depends on the rows only, so that many features of the same takes
share it.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib.stats.blocks import WoodModel

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
        self, takes: pd.DataFrame, units: pd.DataFrame, model: WoodModel, mounts: pd.DataFrame
    ):
        place = mounts.set_index(KEYS["mount"])["place"] if "place" in mounts else None
        self.mount, mounts = _group(takes, KEYS["mount"])
        self.place = None
        if place is not None:
            self.place = place.reindex(pd.MultiIndex.from_frame(mounts[KEYS["mount"]])).to_numpy()
        specimen, specimens = _group(mounts, KEYS["specimen"])
        order = pd.MultiIndex.from_frame(units[KEYS["source"]])
        unit = order.get_indexer(pd.MultiIndex.from_frame(specimens[KEYS["source"]]))
        batch = pd.get_dummies(mounts["batch"]).to_numpy(float)
        self.groups = {
            "mount": np.arange(len(mounts)), "specimen": specimen, "source": unit[specimen]
        }  # fmt: skip
        self.wood, self.batch = pd.factorize(units["wood"])[0][unit[specimen]], batch
        self._averaging = (_averaging(specimen), _averaging(unit))
        self._projections = (
            _residual(specimen, batch),
            _residual(unit, self._averaging[0] @ batch),
            model.residual,
        )
        diagonals = self._diagonals(np.bincount(self.mount))
        df = [len(takes) - len(mounts)]
        df += [round(float(np.trace(projection))) for projection in self._projections]
        self._df = dict(zip(LEVELS, df, strict=True))
        self.levels = tuple(level for level in LEVELS if self._df[level] > 0)
        self.merged = self._merged()
        self.balanced = all(np.ptp(k) < 1e-12 for named in diagonals for k in named.values())
        self._expectations = {"take": {"take": 1.0}}
        for level, projection, named in zip(LEVELS[1:], self._projections, diagonals, strict=True):
            self._expectations[level] = {
                name: float(np.diag(projection) @ k) / max(self._df[level], 1)
                for name, k in named.items()
                if name in self.levels
            }

    def strata(self, y: np.ndarray) -> tuple[Stratum, ...]:
        """Mean squares of values y, shape (takes,), lowest level first."""
        means = self.mount_means(y)
        squares = {"take": float(np.sum((y - means[self.mount]) ** 2))}
        for level, projection, averaging in zip(
            LEVELS[1:], self._projections, (*self._averaging, None), strict=True
        ):
            squares[level] = max(float(means @ projection @ means), 0.0)
            means = means if averaging is None else averaging @ means
        return tuple(
            Stratum(
                level, squares[level] / self._df[level], self._df[level], self._expectations[level]
            )
            for level in self.levels
        )

    def mount_means(self, y: np.ndarray) -> np.ndarray:
        """Means of the mounts for values y of shape (..., takes)."""
        order = np.argsort(self.mount, kind="stable")
        first = np.searchsorted(self.mount[order], np.arange(self.mount.max() + 1))
        return np.add.reduceat(y[..., order], first, axis=-1) / np.bincount(self.mount)

    def _diagonals(self, counts: np.ndarray) -> list[dict[str, np.ndarray]]:
        """Variance of each mean for a unit of each component, from mounts upwards."""
        named = {"take": 1.0 / counts, "mount": np.ones(counts.size)}
        out = [named]
        for level, averaging in zip(LEVELS[2:], self._averaging, strict=True):
            named = {name: averaging**2 @ k for name, k in named.items()}
            named[level] = np.ones(averaging.shape[0])
            out.append(named)
        return out

    def _merged(self) -> dict[str, tuple[str, ...]]:
        merged: dict[str, tuple[str, ...]] = {}
        waiting: tuple[str, ...] = ()
        for level in LEVELS:
            if self._df[level] > 0:
                merged[level], waiting = waiting, ()
            else:
                waiting += (level,)
        return merged


def _group(frame: pd.DataFrame, keys: list[str]) -> tuple[np.ndarray, pd.DataFrame]:
    index = frame.groupby(keys, sort=True, dropna=False).ngroup().to_numpy()
    return index, frame.iloc[np.unique(index, return_index=True)[1]].reset_index(drop=True)


def _averaging(index: np.ndarray) -> np.ndarray:
    member = np.eye(int(index.max()) + 1)[index].T
    return member / member.sum(axis=1, keepdims=True)


def _residual(index: np.ndarray, shares: np.ndarray) -> np.ndarray:
    design = np.hstack([np.eye(int(index.max()) + 1)[index], shares[:, 1:]])
    return np.eye(index.size) - design @ np.linalg.pinv(design)
