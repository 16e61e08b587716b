"""Uncertainty budgets: what a feature's value is not known by, term by term, and where it cancels.

A take's own uncertainty (`u` in the table of features) is the noise beside its lines or around its
ring. What changes from take to take, from mount to mount, from sitting to sitting, and what never
changes in a study, stands here: each term with its standard uncertainty and what it is common over.
In a comparison, terms common to both sides cancel: within a mount, the driver's place and the
calibration do; between the boards of one batch, what is the batch's and the study's; between two
studies nothing does.

A spread that was measured holds whatever acts on that level. So that nothing counts twice, what
stands beside it is taken out of it: the room out of what a ring is known by, the background out of
the spread between takes, the driver's place out of that between mounts. Where what is stated of a
part exceeds the whole that was measured, the part stays as stated. Spreads are pooled over the
boards under comparison: the reference and the changed board, which is no other, are left out. A
term that nobody measured or stated has no number, and every sum with it is a lower bound.

Conventions: dB for levels, percent for all else, as differences are reported.
Sources: JCGM 100 (5.1, sums of squares; 5.2, common terms); temperature and moisture from the Wood
Handbook FPL-GTR-282: modulus -0.11 % for each degree Fahrenheit (table 5-16), some 1.5 % for each
percent of moisture (Eq 5-3 with larch), density 0.4 % (Eq 4-13 and 4-14), a frequency half of
modulus over mass; nothing fit was found for losses. A class 2 calibrator holds its level within
0.40 dB (IEC 60942), taken as a rectangle.

Functions: `make_budgets`, `combined`.
"""

from functools import partial

import numpy as np
import pandas as pd

from studylib import codes, register, tables
from studylib.codes.features import ModeBasis, Term
from studylib.measure.features import tone_multiple
from studylib.stats import scales
from studylib.wood.boards import HELD
from studylib.wood.study_wood import U_MOISTURE_PCT

FINER = ("take", "mount", "specimen", "batch", "study")
"""What a term may be common over, from one take up."""

USES = {"mount": FINER[:1], "batch": FINER[:3], "": FINER}
"""What two compared values share (nothing: two studies) -> the terms that stay."""

_COMMON = {
    Term.REPEAT: "take", Term.BACKGROUND: "take", Term.MOUNT: "mount", Term.POSITION: "mount",
    Term.SIZES: "specimen", Term.MOISTURE: "specimen", Term.TEMPERATURE: "batch",
    Term.PLACE: "batch", Term.CALIBRATION: "study",
}  # fmt: skip
# A term's own spread holds the other, which is taken out of it; in this order.
_WITHIN = {
    Term.BACKGROUND: Term.PLACE, Term.REPEAT: Term.BACKGROUND, Term.MOUNT: Term.POSITION,
}  # fmt: skip
# Percent of a quantity for each degree Celsius, and for each percent of moisture.
_CLIMATE = {
    "frequency_hz": (0.1, 1.0), "youngs_modulus_gpa": (0.2, 1.5), "shear_modulus_gpa": (0.2, 1.5),
    "sound_speed_m_s": (0.1, 1.0), "radiation_m4_kg_s": (0.1, 1.4), "impedance_pa_s_m": (0.1, 0.6),
    "density_kg_m3": (0.0, 0.4),
}  # fmt: skip
_CALIBRATOR_DB = 0.40 / np.sqrt(3.0)
_UNKNOWN = (np.nan, "budgets.unknown")
_Size = tuple[float, str]


def make_budgets(given) -> pd.DataFrame:
    """The table `budgets`: every compared feature with a usable take, term by term.

    given : `report.summary.Summary`, of which study, gathered, comparison and modes are read.
    """
    spreads, slopes, rows = _spreads(given), _slopes(given), []
    for name, spread in spreads.iterrows():
        feature = register.find(name)
        size = {
            term: _spread(feature, spread, term)
            if term in _WITHIN
            else _SIZES[term](given, feature, slopes)
            for term in feature.terms
        }
        for term in filter(size.get, _WITHIN):
            (u, basis), (inner, _) = size[term], size.get(_WITHIN[term], _UNKNOWN)
            size[term] = float(np.sqrt(np.maximum(u**2 - np.nan_to_num(inner) ** 2, 0.0))), basis
        for term, (u, basis) in size.items():
            common = "batch" if basis == "budgets.calibrator" else _COMMON[term]
            rows.append((name, term, u, feature.difference_unit, common, basis))
    return tables.typed("budgets", rows)


def _rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else np.nan


def _spreads(given) -> pd.DataFrame:
    """By feature, on the scale of analysis: variance between takes of a mount and between mounts of
    a board, each with its degrees of freedom, and mean square of the takes' own uncertainty."""
    rows = given.comparison.workings.takes
    rows = rows[rows["state"] == "used"].merge(given.gathered.features[["id", "u"]], on="id")
    level = rows["feature"].isin(
        [f for f in set(rows["feature"]) if register.find(f).scale == "db"]
    )
    own = rows["u"].where(level, rows["u"] / rows["value"])
    board = ["feature", "specimen", "batch"]
    mounts = rows.groupby([*board, "mount"])["y"].agg(["var", "size", "mean"])
    boards = mounts.groupby(board)["mean"].agg(["var", "size"])
    found = {"background": (own**2).groupby(rows["feature"]).mean()}
    for name, cells in ((Term.REPEAT, mounts), (Term.MOUNT, boards)):
        df = cells["size"] - 1
        total = (df * cells["var"].fillna(0.0)).groupby("feature").sum()
        found[f"{name}_df"] = df.groupby("feature").sum()
        found[name] = total / found[f"{name}_df"].where(found[f"{name}_df"] > 0)
    # A mean of n takes holds an nth of the spread between takes.
    share = (1.0 / mounts["size"]).groupby("feature").mean()
    found[Term.MOUNT] = (found[Term.MOUNT] - (share * found[Term.REPEAT]).fillna(0.0)).clip(lower=0)
    return pd.DataFrame(found)


def _spread(feature: register.Feature, spread: pd.Series, term: Term) -> _Size:
    """What the takes themselves show of a term; for a decay set up once, what is assumed."""
    if term == Term.BACKGROUND and np.isfinite(spread["background"]):
        return scales.reported_sd(spread["background"], feature), "budgets.estimated"
    if spread.get(f"{term}_df", 0) > 0:
        df = int(spread[f"{term}_df"])
        return scales.reported_sd(spread[term], feature), codes.note("budgets.spread", df=df)
    return (
        (100.0 * HELD, codes.note("budgets.assumed", share=HELD))
        if term == Term.MOUNT and feature.name.endswith(("loss_factor", "decay_time_s"))
        else _UNKNOWN
    )


def _slopes(given) -> pd.DataFrame:
    """By harmonic, over the boards: dB for each mm of the driver's place and for each percent of
    the modes' frequencies as predicted; dB for each mm as measured, and with how many takes."""
    near = given.modes.near
    held = near[(near["basis"] == ModeBasis.HELD) & (near["role"] == "")].groupby("harmonic")
    return held[["per_mm_db", "per_percent_db"]].agg(_rms).join(_moved(given), how="outer")


def _moved(given) -> pd.DataFrame:
    """A take with the driver moved stands against the others of its mount at the same frequency."""
    f = given.study.settings.tone.fundamental_hz
    takes = [
        (t.take, t.specimen, t.mount, tone_multiple(t.tone_hz, fundamental_hz=f), t.moved_mm)
        for t in given.study.takes
        if t.kind == "tone" and not (t.exclude or t.turned or t.mic_times)
    ]
    known = (
        pd.DataFrame(takes, columns=["take", "specimen", "mount", "harmonic", "mm"])
        .astype({"harmonic": float, "mm": float})
        .dropna(subset="harmonic")
    )
    lines = given.gathered.harmonics
    lines = lines[
        lines["usable"].astype(bool) & (lines["drive_re"] ** 2 + lines["drive_im"] ** 2 > 0)
    ]
    rows = lines.merge(known, on=["take", "harmonic"])
    response = np.hypot(rows["response_re"], rows["response_im"])
    rows["db"] = 20.0 * np.log10(response / np.hypot(rows["drive_re"], rows["drive_im"]))
    place = ["specimen", "mount", "harmonic"]
    here = rows[rows["mm"].isna()].groupby(place)["db"].mean().rename("here")
    rows = rows[rows["mm"].notna()].join(here, on=place).dropna(subset="here")
    slope = ((rows["db"] - rows["here"]) / rows["mm"]).groupby(rows["harmonic"])
    return slope.agg([_rms, "size"]).set_axis(["moved_db", "moved"], axis=1)


def _position(given, feature: register.Feature, slopes: pd.DataFrame) -> _Size:
    u_mm = given.study.settings.bench.u_drive_at_mm
    if not feature.name.endswith(".response_db") or feature.harmonic not in slopes.index:
        return _UNKNOWN
    slope = slopes.loc[feature.harmonic]
    moved, model = slope["moved_db"], slope["per_mm_db"]
    if np.isfinite(moved):
        told = codes.note("budgets.moved", u_mm=u_mm, per_mm_db=moved, takes=int(slope["moved"]))
        return moved * u_mm, told
    told = codes.note("budgets.model", per_mm_db=model, u_mm=u_mm)
    return (model * u_mm, told) if np.isfinite(model * u_mm) else _UNKNOWN


def _sizes(given, feature: register.Feature, _: pd.DataFrame) -> _Size:
    wood = given.modes.wood
    rows = wood[(wood["quantity"] == feature.name) & (wood["role"] == "") & wood["value"].notna()]
    return 100.0 * _rms(rows["u_shared"] / rows["value"]), "budgets.stated"


def _climate(given, feature: register.Feature, slopes: pd.DataFrame, *, at: int) -> _Size:
    """at : 0 for temperature, by how much it wanders; 1 for moisture, as well as it is known."""
    noted = [t.temperature_c for t in given.study.takes if t.temperature_c is not None]
    known = all(s.moisture_pct is not None for s in given.study.specimens if not s.role)
    u = (float(np.std(noted or np.nan)), U_MOISTURE_PCT if known else np.nan)[at]
    slope = _CLIMATE.get(feature.name.rpartition(".")[2], (np.nan, np.nan))[at]
    if feature.name.endswith(".response_db") and feature.harmonic in slopes.index:
        slope = _CLIMATE["frequency_hz"][at] * slopes.loc[feature.harmonic, "per_percent_db"]
    facts = {"slope": slope, "unit": feature.difference_unit, "moisture": at == 1, "u": u}
    return (
        (slope * u, codes.note("budgets.handbook", **facts)) if np.isfinite(slope * u) else _UNKNOWN
    )


def _place(given, feature: register.Feature, _: pd.DataFrame) -> _Size:
    """What the room does to a decay heard by a microphone; to a level it is not known."""
    if given.study.settings.channels.response_kind != "microphone":
        return 0.0, "budgets.estimated"
    modes = given.modes.numbered
    support = {
        register.Kind.TAP: "bench",
        register.Kind.FREE: "free",
        register.Kind.WOOD: "free",
    }.get(feature.kind)
    number = int(feature.number or 1) if support else 0
    own = modes[(modes["mode"] == number) & (modes["support"] == support)]
    share = (own["loss_factor_place_u"] / own["loss_factor"]).dropna()
    return (100.0 * _rms(share), "budgets.estimated") if len(share) else _UNKNOWN


def _calibration(given, feature: register.Feature, _: pd.DataFrame) -> _Size:
    settings = given.study.settings
    if settings.bench.u_calibration_db is not None:
        return settings.bench.u_calibration_db, "budgets.stated"
    rated = feature.name.endswith(".level_db") and settings.channels.calibrator_db is not None
    return (_CALIBRATOR_DB, "budgets.calibrator") if rated else _UNKNOWN


_SIZES = {
    Term.POSITION: _position, Term.SIZES: _sizes, Term.TEMPERATURE: partial(_climate, at=0),
    Term.MOISTURE: partial(_climate, at=1), Term.PLACE: _place, Term.CALIBRATION: _calibration,
}  # fmt: skip


def combined(budget: pd.DataFrame, *, shared: str) -> tuple[float, bool]:
    """Root sum of squares of the terms of one feature that do not cancel, and whether all of them
    are known; without, it is a lower bound.

    shared : what both values have in common: "mount", "batch" or "" for nothing.
    """
    u = budget.loc[budget["common"].isin(USES[shared]), "u"]
    return float(np.sqrt((u**2).sum())), bool(u.notna().all())
