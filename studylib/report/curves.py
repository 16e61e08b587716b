"""The answer over frequency: the woods' curves, where they differ, and the luck of one tone.

Every number comes from `stats.curves`; here a study's takes become its curves, and what was found
becomes tables and notes. A frequency at which any take of a compared board is not usable is left
out for all of them, never filled in.

Conventions: dB, relative to the drive channel where it senses force or acceleration; wood b minus
wood a; third octaves as in IEC 61260-1, here means over the logarithm of frequency.

Functions: `curves_of`, `levels_of`, `curve_notes`, `luck_notes`. Class: `Curves`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import codes, register, sheets, tables
from studylib.measure.sweep_rows import CURVE_PER_OCTAVE
from studylib.signal.bands import third_octave_bands
from studylib.stats import compare, samples
from studylib.stats.curves import band_spreads, curve_bands, curve_spreads, curve_tests

FEATURES = ("curve.response_db", "curve.level_db")
FINE, THIRD = "fine", "third octave"
LEAST_DF = 2  # with fewer, a band about a curve has no end
TONE_REACH = 0.10  # of the tone, up and down
AT_THE_TONE = 0.01  # a frequency as near to it stands for it
GAP = 2.0  # times the grid's step: a wider one ends a stretch


@dataclass(frozen=True)
class Curves:
    """What a study's sweeps say of its woods over frequency.

    woods : those that are compared.  boards : one row a source and frequency (wood, source,
    frequency_hz, level_db).  differences, tests, spreads : the tables `curve_differences`,
    `curve_tests` and `curve_spreads`.  left_out : frequencies at which a take was not usable.
    reason : a note of why there is no comparison; "" where there is one.
    levels : dB, a row a take and a column a frequency usable in all takes.
    spread_ends : level -> interval of its variance averaged over the band.
    sample : of the `curve.*` feature that has the same takes; None where there are none.
    """

    woods: tuple[str, ...]
    boards: pd.DataFrame
    differences: pd.DataFrame
    tests: pd.DataFrame
    spreads: pd.DataFrame
    left_out: int
    reason: str
    levels: pd.DataFrame
    sample: samples.Sample | None
    spread_ends: dict[str, tuple[float, float]]


def curves_of(study: sheets.Study, curves: pd.DataFrame, comparison: compare.Comparison) -> Curves:
    """The woods' curves and what sets them apart.

    curves : the part table `curves`.  comparison : of the same takes' `curve.*` features.
    """
    workings = comparison.workings
    compared = [name for name in FEATURES if name in workings.samples.keys() - workings.refused]
    sample = workings.samples[compared[0]] if compared else None
    names = [] if sample is None else list(sample.takes["take"])
    levels, left_out = levels_of(study, curves, names)
    model = sample and sample.design.model
    few = model is None or model.k < 2 or model.df < LEAST_DF
    if few or comparison.confounded:
        nothing = (
            tables.empty(f"curve_{n}") for n in ("boards", "differences", "tests", "spreads")
        )
        reason = codes.holding(
            (not sample, "curves.no_sweeps"), (few, "curves.one_wood"), (True, "curves.confounded")
        )[0]
        return Curves((), *nothing, 0, reason, levels, sample, {})
    takes, frequency = levels.to_numpy(), levels.columns.to_numpy(float)
    design, nested = sample.design, sample.design.nested
    y = nested.source_means(nested.mount_means(takes.T)).T[design.in_model]
    shares = nested.source_means(nested.batch.T).T[design.in_model]
    woods, units = design.woods, sample.units[design.in_model]
    thirds = [
        (one.mid_hz, inside)
        for one in third_octave_bands(float(frequency[0]), float(frequency[-1]))
        if (inside := (frequency >= one.low_hz) & (frequency < one.high_hz)).any()
    ]
    grids = {FINE: (frequency, y)}
    if len(thirds) > 1:
        grids[THIRD] = (
            np.array([mid for mid, _ in thirds]),
            np.stack([y[:, own].mean(axis=1) for _, own in thirds], axis=1),
        )
    rows = [
        (woods[one.a], woods[one.b], f, name, d, d - half, d + half, bool(abs(d) > half))
        for name, (at, values) in grids.items()
        for one in curve_bands(design.model, values, confidence=workings.confidence)
        for f, d, half in zip(at, one.difference, one.half, strict=True)
    ]
    tests = [
        (", ".join(woods[i] for i in one.woods), one.p, one.smallest, one.labellings)
        for one in curve_tests(design.model, y, shares)
    ]
    spreads = curve_spreads(nested, design.model, takes, y)
    named = (units[[c]].to_numpy().repeat(frequency.size, axis=0)[:, 0] for c in ("wood", "source"))
    return Curves(
        woods,
        pd.DataFrame(dict(zip(("wood", "source"), named, strict=True))).assign(
            frequency_hz=np.tile(frequency, len(y)), level_db=y.ravel()
        ),
        tables.typed("curve_differences", rows),
        tables.typed("curve_tests", tests),
        tables.typed(
            "curve_spreads",
            [
                (f, level, v)
                for level, own in spreads.items()
                for f, v in zip(frequency, own, strict=True)
            ],
        ),
        left_out,
        "",
        levels,
        sample,
        band_spreads(nested, design.model, takes, y, confidence=workings.confidence),
    )


def levels_of(
    study: sheets.Study, curves: pd.DataFrame, takes: Sequence[str]
) -> tuple[pd.DataFrame, int]:
    """Levels of these takes in dB at the frequencies of the study's band that are usable in all of
    them, a row a take and a column a frequency; and how many frequencies are not.

    curves : the part table `curves`.
    """
    low, high = study.settings.curve.lowest_hz or 0.0, study.settings.curve.highest_hz or np.inf
    inside = curves[curves["frequency_hz"].between(low, high)]
    usable = inside.assign(level_db=inside["level_db"].where(inside["usable"]))
    wide = usable.pivot(index="take", columns="frequency_hz", values="level_db").reindex(takes)
    known = wide.notna().all()
    return wide.loc[:, known], int(np.sum(~known))


def curve_notes(curves: Curves, *, confidence: float) -> list[str]:
    """Whether the woods differ anywhere, where, and how much of the curve is wood."""
    if curves.reason:
        return [curves.reason]
    fine = curves.differences[curves.differences["band"] == FINE]
    pairs = dict(list(fine.groupby(["wood_a", "wood_b"], sort=False)))
    step = float(np.min(np.diff(np.log(np.unique(fine["frequency_hz"])))))
    rms = {
        level: np.sqrt(2.0 * np.maximum([own.mean(), *curves.spread_ends[level]], 0.0))
        for level, own in curves.spreads.groupby("level", sort=False)["variance"]
    }
    about = {"low_hz": fine["frequency_hz"].min(), "high_hz": fine["frequency_hz"].max()}
    half = float((fine["high"] - fine["difference"]).median())
    names = [curves.woods, *pairs]  # the order of the tests; two woods have one
    whole, *others = (
        {"woods": list(woods), "p": one.p, "smallest": one.smallest_p}
        for woods, one in zip(names, curves.tests.itertuples(), strict=False)
    )
    clear = {names: _stretches(pair, GAP * step) for names, pair in pairs.items()}
    changes = [
        {"a": a, "b": b, "count": int(np.sum(np.diff(np.sign(own["difference"])) != 0))}
        for (a, b), own in pairs.items()
    ]
    return [
        codes.note("curves.band", **about, left_out=curves.left_out, half_db=half),
        codes.note("curves.test", **whole, alpha=1.0 - confidence, pairs=others),
        *(
            codes.note("curves.stretches", a=a, b=b, stretches=found, confidence=confidence)
            for (a, b), found in clear.items()
            if found
        ),
        *([] if any(clear.values()) else [codes.note("curves.no_stretch", confidence=confidence)]),
        codes.note("curves.signs", changes=changes),
        codes.note("curves.rms", spreads=rms),
        "curves.read",
    ]


def _stretches(pair: pd.DataFrame, gap: float) -> list[dict]:
    """Where the band of one pair leaves zero, from its rows of `curve_differences`."""
    rows = pair[pair["clear"]]
    log_f, sign = np.log(rows["frequency_hz"].to_numpy()), np.sign(rows["difference"].to_numpy())
    new = np.r_[True, (np.diff(log_f) > gap) | (np.diff(sign) != 0)][: len(rows)]
    return [
        {
            "louder": most["wood_b"] if most["difference"] > 0 else most["wood_a"],
            "span_hz": [float(own["frequency_hz"].min()), float(own["frequency_hz"].max())],
            "at_hz": float(most["frequency_hz"]),
            "difference_db": float(abs(most["difference"])),
            "ends_db": sorted(abs(float(most[end])) for end in ("low", "high")),
        }
        for _, own in rows.groupby(np.cumsum(new))
        for most in [own.loc[own["difference"].abs().idxmax()]]
    ]


def luck_notes(curves: Curves, study: sheets.Study) -> list[str]:
    """How far the woods' differences at the tone would move with a tone up to a tenth higher or
    lower; nothing where the study rests on no level of its tone."""
    tone = study.settings.tone.fundamental_hz
    rests = any(
        (feature := register.find(name)).kind == register.Kind.TONE and feature.harmonic == 1
        for name in study.settings.decide.primary
    )
    if not rests:
        return []
    fine = curves.differences[curves.differences["band"] == FINE]
    near = fine[(fine["frequency_hz"] / tone - 1.0).abs() <= TONE_REACH]
    away = (near["frequency_hz"] / tone - 1.0).abs()
    if near.empty or away.min() > AT_THE_TONE or away.max() < TONE_REACH / 2.0:
        return [codes.note("curves.luck_unknown", tone_hz=tone)]
    steps = np.log((1.0 + TONE_REACH) / (1.0 - TONE_REACH)) / np.log(2.0) * CURVE_PER_OCTAVE
    return [
        codes.note(
            "curves.luck", a=a, b=b, tone_hz=tone,
            at_db=over_hz.iloc[np.abs(over_hz.index / tone - 1.0).argmin()],
            span_db=[over_hz.min(), over_hz.max()],
            span_hz=[over_hz.idxmin(), over_hz.idxmax()],
            missing=max(1.0 - len(own) / np.floor(steps), 0.0),
        )
        for (a, b), own in near.groupby(["wood_a", "wood_b"], sort=False)
        for over_hz in [own.set_index("frequency_hz")["difference"]]
    ]  # fmt: skip
