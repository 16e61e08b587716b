"""Means as a reader sees them: in the feature's own unit, in the order of the sheets.

The interval of a wood's mean is Student's, from its sources alone; it is there to be looked at, and
no verdict hangs on it (the verdicts use simultaneous intervals of differences).

Functions: `reported_means`, `unit_means`, `wood_means`. Class: `FeatureMeans`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from studylib import register, tables
from studylib.register import Feature
from studylib.stats import scales
from studylib.stats.samples import Sample


@dataclass(frozen=True)
class FeatureMeans:
    """One feature of every compared board, in the feature's unit.

    woods : all woods under comparison, in order.
    boards : specimen, wood, value; one row a board.  mounts : specimen, mount, value.
    means : of woods, see `wood_means`.
    """

    feature: Feature
    woods: tuple[str, ...]
    boards: pd.DataFrame
    mounts: pd.DataFrame
    means: pd.DataFrame
    confidence: float


def reported_means(
    name: str, means: pd.DataFrame, *, order: Sequence[str], specimens: pd.DataFrame
) -> pd.DataFrame:
    """Means of specimens or mounts, the table `name`.

    Rows go by feature in `order`, then specimen as in the sheet, then batch and mount.
    """
    out = _with_units(means)
    out["_feature"] = pd.Index(order).get_indexer(out["feature"])
    out["_specimen"] = pd.Index(specimens["specimen"]).get_indexer(out["specimen"])
    out = out.sort_values(["_feature", "_specimen"], kind="stable")
    return tables.typed(name, out.reset_index(drop=True))


def unit_means(samples: Mapping[str, Sample]) -> pd.DataFrame:
    """Means of sources, the table `unit_means`; `adjusted` has the batch effects removed."""
    if not samples:
        return tables.empty("unit_means")
    frames = [
        sample.units.assign(feature=name, _adjusted=sample.adjusted())
        for name, sample in samples.items()
    ]
    out = _with_units(pd.concat(frames, ignore_index=True))
    adjusted = _with_units(out.assign(y=out["_adjusted"]))["value"]
    return tables.typed("unit_means", out.assign(adjusted=adjusted))


def wood_means(units: pd.DataFrame, feature: Feature, *, confidence: float) -> pd.DataFrame:
    """Each wood's mean over its sources with Student's interval: wood, mean, low, high, n.

    The interval is NaN for a wood with a single source.  units : the table `unit_means`.
    """
    rows = []
    for wood, own in units[units["feature"] == feature.name].groupby("wood", sort=False):
        values = own["value"].to_numpy(float)
        y = np.log(values) if feature.scale == "log" else values
        half = np.nan
        if y.size > 1:
            error = y.std(ddof=1) / np.sqrt(y.size)
            half = special.stdtrit(y.size - 1, 0.5 + confidence / 2) * error
        ends = pd.Series([y.mean(), y.mean() - half, y.mean() + half])
        rows.append((wood, *scales.reported_values(ends, feature), y.size))
    return tables.typed("wood_means", rows)


def _with_units(means: pd.DataFrame) -> pd.DataFrame:
    """`y` on the scale of analysis as `value` in the feature's unit, with that unit."""
    known = {name: register.find(name) for name in means["feature"].unique()}
    out = means.assign(unit=means["feature"].map({n: f.unit for n, f in known.items()}))
    out["value"] = 0.0
    for name, index in out.groupby("feature").groups.items():
        out.loc[index, "value"] = scales.reported_values(out.loc[index, "y"], known[name])
    return out
