"""What the boards should do, said before they are recorded, and what came of it.

`study lock` keeps beside the claims what theory of the bar expects of each pair of woods: their
difference at the tone, and over the band of the curves. Stiffness comes from the free taps where
those are there already, else from the density, as published (`wood.boards.untapped`). By density
each board strays by `boards.SCATTER`, and the boards of a wood together as much again: no figure is
published for how far a species lies off the line, and half of the distance between softwoods' and
hardwoods' lines, a tenth at most, is in it. What the boards of a wood differ by counts as well (a t
with as many degrees of freedom): they are a sample.

Conventions: dB; wood b minus wood a; intervals hold 95 % of the draws.

Functions: `expected`, `expected_notes`, `prediction_table`.
"""

from dataclasses import replace
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd

from studylib import codes, sheets
from studylib.measure.features import has_sensed_drive
from studylib.modes.gathered import free_modes_of
from studylib.signal.sweep import SweepShape, usable_band
from studylib.wood import boards, match, prediction

_BAND, _ENDS = 120, (50.0, 2.5, 97.5)  # frequencies of the band; percentiles


def expected(study: sheets.Study) -> dict[str, Any]:
    """What a lock holds of it, as plain data: `rows` (feature, wood_a, wood_b, difference, low,
    high), `by_density` (the boards without free taps), and `notes` of what is not expected.

    study : the boards of one stage.
    """
    own = replace(study, specimens=study.with_role(""))
    modes = free_modes_of(study, {s.specimen for s in own.specimens})
    model = prediction.model_of(own, modes, by_density=True)
    free = set(modes.loc[modes["support"] == "free", "specimen"])
    if model.reasons or not model.boards:
        why = model.reasons.get("") or codes.note("sealed.nothing", boards=model.reasons)
        return {"rows": [], "by_density": [], "notes": [why] * bool(model.reasons)}
    spans = _spans(study.settings)
    limit = min(match.highest_hz(one, model.bench.air) for one in model.boards.values())
    rng, woods = np.random.default_rng(1), {}
    for wood, members in own.boards_by_wood.items():
        shared = np.exp(boards.SCATTER * rng.standard_normal(prediction.DRAWS + 1))
        numbers = [
            replace(
                one, youngs_modulus=one.youngs_modulus * (1.0 if s.specimen in free else shared)
            )
            for s in members
            for one in [model.boards[s.specimen]]
        ]
        woods[wood] = {
            feature: _mean(
                [prediction.levels_db(one, hz, model.bench).mean(axis=1) for one in numbers], rng
            )
            for feature, hz in spans.items()
            if hz[-1] <= limit
        }
    return {
        "rows": [
            [feature, a, b, *np.percentile(other[feature] - one[feature], _ENDS).tolist()]
            for (a, one), (b, other) in combinations(woods.items(), 2)
            for feature in one
        ],
        "by_density": sorted(model.boards.keys() - free),
        "notes": [
            codes.note("sealed.beyond", feature=feature, high_hz=hz[-1], limit_hz=limit)
            for feature, hz in spans.items()
            if hz[-1] > limit
        ],
    }


def _mean(boards_db: list[np.ndarray], rng: np.random.Generator) -> np.ndarray:
    """Of a wood of which these boards are a sample, draw by draw; one board tells nothing of it."""
    many, mean = len(boards_db), np.mean(boards_db, axis=0)
    spread = np.std([one[0] for one in boards_db], ddof=min(1, many - 1)) / np.sqrt(many)
    return mean + spread * rng.standard_t(max(many - 1, 1), mean.size)


def _spans(settings: sheets.Settings) -> dict[str, np.ndarray]:
    """Feature -> the frequencies that it is the mean over: the tone; the band of the curves."""
    unit = "response_db" if has_sensed_drive(settings) else "level_db"
    spans = {f"tone.h1.{unit}": np.array([settings.tone.fundamental_hz])}
    sweep, curve = settings.sweep, settings.curve
    if sweep.known:
        low, high = usable_band(SweepShape(sweep.lowest_hz, sweep.highest_hz, sweep.length_s))
        ends = curve.lowest_hz or low, curve.highest_hz or high
        spans[f"curve.{unit}"] = np.geomspace(*ends, _BAND)
    return spans


def expected_notes(found: dict[str, Any]) -> list[str]:
    """The same for a reader: each pair of woods, what it rests on, and what is not expected."""
    rows = [
        codes.note("sealed.row", feature=feature, a=a, b=b, difference=middle, low=low, high=high)
        for feature, a, b, middle, low, high in found["rows"]
    ]
    by = codes.note("sealed.by", by_density=found["by_density"])
    return [*[by] * bool(rows), *rows, *found["notes"]]


def prediction_table(study: sheets.Study, effects: pd.DataFrame) -> pd.DataFrame:
    """What the lock that counts expected, beside what was measured.

    effects : the table of that name.

    Returns
    -------
    One row a feature and pair of woods: feature, wood_a, wood_b; expected, expected_low,
    expected_high; difference, low, high as measured (NaN where they were not); outcome, a code.
    """
    lock, keys = study.compared.lock, ["feature", "wood_a", "wood_b"]
    rows = lock.content.get("expected", {"rows": []})["rows"] if lock else []
    # A key that was opened since gives the woods their names.
    named = {own.wood: now.wood for own, now in zip(study.written, study.specimens, strict=True)}
    both = pd.DataFrame(
        [[feature, named.get(a, a), named.get(b, b), *ends] for feature, a, b, *ends in rows],
        columns=[*keys, "expected", "expected_low", "expected_high"],
    ).merge(effects[[*keys, "difference", "low", "high"]], how="left", on=keys)
    low, high = both["expected_low"], both["expected_high"]
    apart = (both["low"] > high) | (both["high"] < low)
    known = [both["difference"].between(low, high), apart, both["difference"].isna()]
    outcomes = ["sealed.inside", "sealed.outside", "sealed.not_measured"]
    return both.assign(outcome=np.select(known, outcomes, "sealed.open"))
