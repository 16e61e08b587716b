"""Means and limits as a reader sees them: in the feature's own unit, in the order of the sheets.

Functions: `limits_table`, `limits_of`, `reported`, `unit_means_table`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from studylib import register
from studylib.stats import scales
from studylib.stats.samples import Sample
from studylib.stats.units import natural_key
from studylib.words import say

LIMIT_COLUMNS = ("feature", "limit", "unit", "own", "source")
SPECIMEN_COLUMNS = (
    *("feature", "specimen", "wood", "source", "role", "value", "unit"),
    *("n_mounts", "n_takes"),
)
MOUNT_COLUMNS = (
    *("feature", "specimen", "wood", "source", "role", "batch", "mount", "value", "unit"),
    "n_takes",
)
UNIT_COLUMNS = (
    *("feature", "wood", "source", "value", "adjusted", "unit"),
    *("n_specimens", "n_mounts", "n_takes", "batches"),
)
OWN = "the study's own choice (study.toml)"


def limits_table(
    names: Sequence[str],
    limits: Mapping[str, float],
    *,
    own_limits: Collection[str],
    listening: bool,
) -> pd.DataFrame:
    """Limits in use: feature, limit (dB, or the ratio), unit ("dB" or "ratio"), own, source.

    A default of the register is a listening limit and holds only for a microphone
    (`listening`); the study's own limits hold always.

    Raises
    ------
    InputError : a limit that is not above 0 dB, or not a ratio above 1; an unknown feature.
    """
    for name, limit in limits.items():
        scales.analysis_limit(limit, register.find(name))
    rows = []
    for name in names:
        feature = register.find(name)
        limit = limits.get(name, feature.limit)
        own = name in own_limits or (name in limits and limit != feature.limit)
        if limit is None or not (own or listening):
            continue
        unit = "ratio" if feature.scale == "log" else "dB"
        rows.append((name, float(limit), unit, own, OWN if own else say(feature.limit_source)))
    return pd.DataFrame(rows, columns=list(LIMIT_COLUMNS))


def limits_of(table: pd.DataFrame) -> dict[str, float]:
    """Feature name -> limit in dB or as a ratio."""
    return dict(zip(table["feature"], table["limit"], strict=True))


def reported(
    means: pd.DataFrame, columns: Sequence[str], order: Sequence[str], specimens: pd.DataFrame
) -> pd.DataFrame:
    """Means of specimens or mounts in the feature's own unit.

    Rows go by feature in `order`, then specimen as in the sheet, then batch and mount.
    """
    out = _with_units(means)
    out["_feature"] = pd.Index(order).get_indexer(out["feature"])
    out["_specimen"] = pd.Index(specimens["specimen"]).get_indexer(out["specimen"])
    out = out.sort_values(["_feature", "_specimen"], kind="stable")
    return out[list(columns)].reset_index(drop=True)


def unit_means_table(samples: Mapping[str, Sample], mounts: pd.DataFrame) -> pd.DataFrame:
    """Means of sources; `adjusted` has the batch effects taken off, `batches` names them."""
    if not samples:
        return pd.DataFrame(columns=list(UNIT_COLUMNS))
    frames = [
        sample.units.assign(feature=name, _adjusted=sample.adjusted())
        for name, sample in samples.items()
    ]
    out = _with_units(pd.concat(frames, ignore_index=True))
    adjusted = _with_units(out.assign(y=out["_adjusted"]))["value"]
    batches: dict[tuple, set[str]] = {}
    seen = mounts[["feature", "wood", "source", "batch"]].drop_duplicates()
    for feature, wood, source, batch in seen.itertuples(index=False):
        batches.setdefault((feature, wood, source), set()).add(str(batch))
    keys = zip(out["feature"], out["wood"], out["source"], strict=True)
    named = ["; ".join(sorted(batches[key], key=natural_key)) for key in keys]
    return out.assign(adjusted=adjusted, batches=named)[list(UNIT_COLUMNS)]


def _with_units(means: pd.DataFrame) -> pd.DataFrame:
    """`y` on the scale of analysis as `value` in the feature's unit, with that unit."""
    known = {name: register.find(name) for name in means["feature"].unique()}
    out = means.assign(unit=means["feature"].map({n: f.unit for n, f in known.items()}))
    out["value"] = 0.0
    for name, index in out.groupby("feature").groups.items():
        out.loc[index, "value"] = scales.reported_values(out.loc[index, "y"], known[name])
    return out
