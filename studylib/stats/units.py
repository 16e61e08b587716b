"""From single takes to one number a source: the data on which woods are compared.

Takes are averaged within a mount, mounts within a specimen, specimens within a source,
unweighted at each step, on the scale of analysis (dB or natural logarithm). Responses that
come with a phase are averaged within a mount as complex ratios.

A row counts as a single take's value of one feature. Its `state` is
    "used"   usable and finite (and positive where the scale is logarithmic),
    "below"  below the noise,
    "aside"  set aside or excluded,
    "hidden" a decay that the room hides,
    "unsettled" no harmonic, or none with a single level,
    "other"  not usable for another reason.

Functions: `tidy`, `mount_means`, `specimen_means`, `unit_means`, `with_places`,
`natural_key`.
"""

import re

import numpy as np
import pandas as pd

from studylib import codes, register
from studylib.codes.takes import ASIDE, UNSETTLED
from studylib.stats import scales

MOUNT = ["specimen", "batch", "mount"]
KEYS = ("specimen", "wood", "source", "role")


def natural_key(text: str) -> list:
    """Sort key that puts h2 before h10."""
    return [int(part) if part.isdigit() else part for part in re.split(r"([0-9]+)", str(text))]


def tidy(features: pd.DataFrame, specimens: pd.DataFrame) -> pd.DataFrame:
    """Rows of features that can be compared, joined to their specimens, in a fixed order.

    Parameters
    ----------
    features : the features table (id, take, batch, specimen, mount, feature, value, usable,
        reason, ...). Rows without a specimen (controls) are left out, as are features that
        are never compared.
    specimens : one row a specimen: specimen, wood, source, role.

    Returns
    -------
    feature, id, take, specimen, wood, source, role, batch, mount, value, y, state, y_mount; y is
    the value on the scale of analysis, NaN unless the state is "used", and y_mount what enters
    the mean of its mount. The order does not depend on the order of the rows that came in.

    Raises
    ------
    InputError : a feature that the register does not know.
    """
    columns = ["feature", "id", "take", *KEYS, "batch", "mount", "value", "y", "state", "y_mount"]
    known = {name: register.find(name).scale for name in features["feature"].unique()}
    rows = features[features["specimen"].isin(specimens["specimen"])].reset_index(drop=True)
    rows["scale"] = rows["feature"].map(known)
    rows = rows[rows["scale"] != "none"]
    if rows.empty:
        return pd.DataFrame(columns=columns)
    by_name = specimens.set_index("specimen")
    rows = rows.assign(
        wood=rows["specimen"].map(by_name["wood"]),
        source=rows["specimen"].map(_sources(by_name)),
        role=rows["specimen"].map(by_name["role"].fillna("")),
        y=scales.analysis_values(rows["value"].to_numpy(float), rows["scale"].to_numpy()),
    )
    rows["state"] = _state(rows)
    rows.loc[rows["state"] != "used", "y"] = np.nan
    rows = rows.sort_values(["feature", *KEYS, "batch", "mount", "take", "id"], ignore_index=True)
    rows["y_mount"] = _complex_means(features, rows)
    return rows[columns]


def _sources(by_name: pd.DataFrame) -> pd.Series:
    source = by_name["source"].astype("object") if "source" in by_name else None
    own = pd.Series(by_name.index, index=by_name.index, dtype="object")
    return (
        source.where(source.notna() & (source.astype(str).str.strip() != ""), own).astype(str)
        if source is not None
        else own
    )


def _state(rows: pd.DataFrame) -> np.ndarray:
    usable = rows["usable"].astype(str).str.lower().isin(["true", "1", "1.0"]).to_numpy()
    code = rows["reason"].fillna("").map(codes.code_of)
    states = {
        "used": usable & np.isfinite(rows["y"].to_numpy()),
        "below": ~usable & code.eq("takes.below_noise").to_numpy(),
        "aside": ~usable & code.isin(ASIDE).to_numpy(),
        "hidden": ~usable & code.eq("modes.room_hides").to_numpy(),
        "unsettled": ~usable & code.isin(UNSETTLED).to_numpy(),
    }
    return np.select(list(states.values()), list(states), "other")


def _complex_means(features: pd.DataFrame, rows: pd.DataFrame) -> pd.Series:
    """y of every row, a level being that of its mount's complex mean where there is a phase.

    Every take of a mount gets the same level, so that the plain mean over them is that level.
    A mount in which any used take lacks its phase keeps its levels.
    """
    level_of = {
        feature.phase: feature.name
        for feature in map(register.find, rows["feature"].unique())
        if feature.phase
    }
    phases = features[features["feature"].isin(list(level_of))]
    used = rows[rows["feature"].isin(list(level_of.values())) & (rows["state"] == "used")]
    if phases.empty or used.empty:
        return rows["y"]
    phase_of = pd.Series(
        phases["value"].to_numpy(float),
        index=pd.MultiIndex.from_arrays([phases["take"], phases["feature"].map(level_of)]),
    )
    phase_of = phase_of[~phase_of.index.duplicated()]
    degrees = phase_of.reindex(pd.MultiIndex.from_arrays([used["take"], used["feature"]]))
    value = 10 ** (used["y"].to_numpy() / 20) * np.exp(1j * np.deg2rad(degrees.to_numpy()))
    mount = used.groupby(["feature", *MOUNT], sort=False).ngroup().to_numpy()
    # A take without its phase leaves its mount without a mean.
    real, imag = (np.bincount(mount, part) for part in (value.real, value.imag))
    size = (np.hypot(real, imag) / np.bincount(mount))[mount]
    out = rows["y"].copy()
    good = np.isfinite(size) & (size > 0)
    out.loc[used.index[good]] = 20 * np.log10(size[good])
    return out


def mount_means(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a feature, specimen, batch and mount: y and n_takes."""
    return (
        rows[rows["state"] == "used"]
        .groupby(["feature", *KEYS, "batch", "mount"], sort=True, observed=True, dropna=False)[
            "y_mount"
        ]
        .agg(y="mean", n_takes="size")
        .reset_index()
    )


def with_places(mounts: pd.DataFrame, places: pd.DataFrame) -> pd.DataFrame:
    """Mounts with the column place, their place in the order of recording; NaN where not known."""
    return mounts.merge(places[[*MOUNT, "place"]], on=MOUNT, how="left", validate="m:1")


def specimen_means(mounts: pd.DataFrame) -> pd.DataFrame:
    """One row a feature and specimen: y, n_mounts, n_takes."""
    return (
        mounts.groupby(["feature", *KEYS], sort=True, observed=True)
        .agg(y=("y", "mean"), n_mounts=("y", "size"), n_takes=("n_takes", "sum"))[
            ["y", "n_mounts", "n_takes"]
        ]
        .reset_index()
    )


def unit_means(specimens: pd.DataFrame) -> pd.DataFrame:
    """One row a feature, wood and source: y, n_specimens, n_mounts, n_takes."""
    return (
        specimens.groupby(["feature", "wood", "source"], sort=True, observed=True)
        .agg(
            y=("y", "mean"),
            n_specimens=("y", "size"),
            n_mounts=("n_mounts", "sum"),
            n_takes=("n_takes", "sum"),
        )
        .reset_index()
    )
