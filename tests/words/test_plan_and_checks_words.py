"""Every code of a plan, of covariates and of the checks as a sentence, with its fields."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.codes.attribution import Control
from studylib.codes.comparison import Line
from studylib.codes.features import Caution
from studylib.words import say
from tests.words import asked_for

SWEEP = {"least_s": 3.69, "ends_hz": [60.0, 8000.0], "loss": 0.005}
H3 = "tone.h3.rel_db"
PAIR = {"wood_a": "larch", "wood_b": "robinia"}
BOTH = {
    f"{part}_{which}": number
    for which in ("with", "without")
    for part, number in (("difference", 1.25), ("low", -0.5), ("high", 3.0))
}
THICK = "covariates.thickness"
FAR = {"most": 1.95, "limit": 1.74, "unit": "dB"}
CHART = {"feature": H3, "specimen": "REF", "mounts": 4}
SLOPE = {
    "held": THICK, "slope": 0.42, "low": -0.3, "high": 1.1, "unit": "dB",
    "slope_unit": "dB per 0.1 mm", "flat": True, "p": 0.0004, "left_out": 1, "reliability": 0.62,
}  # fmt: skip
PROPERTIES = (
    *("length", "width", "thickness", "mass", "moisture"),
    *("stiffness", "sound_speed", "impedance", "shear"),
)
OUTCOMES = [
    f"covariates.{name}"
    for name in (
        *("without_interval", "turned", "stays", "gone", "appears", "neither"),
        "errors_unknown",
    )
]
# Words of a cell, names of files.
IN_TABLES = {
    *("plan.range", "plan.html", "plan.ipynb"),
    *(f"outliers.{level}" for level in ("take", "mount", "specimen", "source")),
}

FIELDS: list[tuple[str, dict, str]] = [
    # a plan
    ("plan.one_source", {}, "fewer than 2 sources"),
    ("plan.zero_spread", {}, "is zero, which no wood has"),
    ("plan.pilot_columns", {"name": "a.csv", "missing": ["low", "high"]}, "no column low or"),
    ("plan.pilot_lacks", {"name": "a.csv", "feature": H3}, f"holds nothing on {H3}"),
    ("plan.pilot_flat", {"name": "a.csv", "feature": H3}, "too few boards"),
    ("plan.few_minutes", {"budget": 40.0, "woods": 3, "least": 142.8}, "40 minutes are too few"),
    ("plan.one_wood", {}, "only one wood"),
    ("plan.no_pilot", {"name": "a.csv"}, "there is no file a.csv;"),
    ("plan.pilot_unreadable", {"name": "a.csv"}, "cannot be read as a table"),
    ("plan.common", {"board": 1.5, "mount": 1.0, "take": 0.5, "unit": "dB"}, "mounts 1 dB, takes"),
    ("plan.pilot", {"name": "a.csv", "unseen": ["mount", "take"]}, "not show mount and take"),
    ("plan.pilot", {"name": "a.csv", "unseen": []}, "a.csv, with the interval"),
    *((code, {}, "") for code in Line),
    (
        "plan.design",
        {"planks": {"larch": 4, "cherry": 1}, "boards": 2.0, "mounts": 1, "takes": 3,
         "batches": 2, "primary": 1, "assumed": True},
        "4 planks of larch and 1 plank of cherry (2 boards of each), 1 mount of each board, 3 "
        "takes of each mount, in 2 batches; 1 primary feature.",
    ),
    (
        "plan.detected",
        {"feature": H3, "size": "1.00 dB", "limited": True, "declared": 0.017, "low": 0.0069,
         "high": 0.0464, "unlimited": 0.25},
        "is declared in 1.7 % of such studies (0.7 % to 4.6 % for",
    ),
    (
        "plan.needed",
        {"feature": H3, "wanted": 0.8, "declare": [70, 26, None], "same": [], "most": 1000},
        "takes 70 planks of each wood (26 to more than 1000 for",
    ),
    (
        "plan.needed",
        {"feature": H3, "wanted": 0.8, "declare": [70, 26, None], "same": [], "most": 1000,
         "size": "1.00 dB", "limited": True},
        "a true difference of 1.00 dB (the limit) in 80 % of studies takes 70 planks",
    ),
    (
        "plan.needed",
        {"feature": H3, "wanted": 0.8, "declare": [70, 26, 244], "same": [46, 17, 162],
         "most": 1000},
        "calling two equal woods the same takes 46 planks (17 to 162 for",
    ),
    (
        "plan.locked",
        {"feature": H3, "claims": 3, "locked": 0.84, "free": 0.5},
        "of a study locked before recording, that difference is declared in 84 %",
    ),
    (
        "plan.looks",
        {"looks": 3, "level": 0.022, "wanted": 0.8, "planks": 12, "once": 10.29, "mean": 8.42},
        "12 planks of each wood at the last look find what 10.3 would find at a single one",
    ),
    (
        "plan.same_limit",
        {"feature": H3, "planks": 4, "spreads": 2.46, "size": "4.02 dB", "limit": "1.00 dB"},
        "only if the limit is at least 4.02 dB (2.5 times the spread",
    ),
    (
        "plan.curves",
        {"planks": 4, "fine": 5.73, "third": 4.32, "smallest": 0.056, "alpha": 0.05},
        "exceeds about 5.7 standard deviations between planks at that frequency, or 4.3 in third",
    ),
    (
        "plan.sweep",
        {**SWEEP, "seconds": 0.9, "from_hz": 158.3},
        "A sweep of 0.9 s, with the second of silence that `study signals` puts behind it, is sure "
        "to let such modes ring out only from 160 Hz up; from 60 Hz on it would take 3.7 s",
    ),
    (
        "plan.sweep",
        {**SWEEP, "seconds": 5.0, "from_hz": 60.0},
        "puts behind it, lets such modes ring out at all frequencies from 60 to 8000 Hz.",
    ),
    ("plan.same_refused", {"feature": H3, "planks": 2}, "2 planks of a wood no woods are called"),
    (
        "plan.minutes",
        {"feature": H3, "spent": 571.2, "boards": 7, "mounts": 1, "takes": 3},
        "(571, to cut and measure the boards counted, controls not) are best spent on",
    ),
    ("plan.aim_detect", {"size": "1.00 dB"}, "to detect 1.00 dB"),
    ("plan.aim_same", {"size": "1.00 dB"}, "the same within 1.00 dB"),
    ("plan.written", {}, "plan/"),
    ("plan.not_written", {}, "Nothing was written"),
    (
        "plan.never_wood",
        {"woods": ["larch", "oak"], "least": 2},
        'anything about "larch" and "oak" as a',
    ),
    ("plan.never_same", {}, "two woods are the same"),
    ("plan.never_beyond", {"feature": H3, "share": 0.0102}, "in 1.0 % of studies"),
    ("plan.never_driver", {}, "beyond the driver"),
    (
        "plan.never_ruled_out",
        {"kinds": ["room", "airborne"]},
        "the kinds room and airborne: that hum and noise of the room or sound",
    ),
    ("plan.never_why", {}, "why two woods differ"),
    (
        "plan.never_test",
        {"control": Control.IDLE, "minutes": 2.0, "key": "idle = 1", "planned": False},
        "not planned: idle = 1 under [plan]",
    ),
    # covariates
    *((f"covariates.{name}", {}, "") for name in PROPERTIES),
    ("covariates.quantity", {"name": "wood.density_kg_m3"}, "density"),
    ("covariates.column", {"name": "ring width"}, "ring width"),
    ("covariates.two_values", {"specimen": "L1", "covariate": "mass_g"}, "two values"),
    ("covariates.few_sources", {"smallest": 3, "held": THICK}, "so thickness cannot be held"),
    ("covariates.same_for_all", {"held": THICK}, "thickness is the same for all boards"),
    ("covariates.same_in_wood", {"held": THICK}, "does not vary within a wood"),
    ("covariates.only_between_batches", {"held": THICK}, "only between the batches"),
    ("covariates.no_overlap", {"held": THICK}, "no overlap in thickness"),
    ("covariates.little_overlap", {"held": THICK, "overlap": 0.375}, "only 38 % of the sources"),
    ("covariates.left_out", {"boards": 2, "held": THICK}, "2 boards without thickness are left"),
    ("covariates.not_compared", {"reason": "covariates.mass"}, "not compared: mass"),
    ("covariates.no_freedom", {}, "no degree of freedom"),
    ("covariates.unreliable", {"held": THICK}, "by no more than it can be off"),
    ("covariates.no_uncertainty", {"held": THICK}, "errors in thickness were not allowed for"),
    ("covariates.no_interval", {}, "no interval"),
    ("covariates.confounded", {}, "confounded"),
    ("covariates.about", {}, "analysis of covariance (one"),
    ("covariates.intervals", {}, "a spread of its own"),
    ("covariates.family", {"comparisons": 1, "confidence": 0.95}, "One difference"),
    (
        "covariates.family",
        {"comparisons": 27, "confidence": 0.95},
        "27 differences are told here with a property held equal; the sentence on each is said at "
        "95 % confidence over all of them together (Holm",
    ),
    ("covariates.cannot_say", {}, "What this cannot say"),
    ("covariates.nothing", {}, "could be held equal"),
    (
        "covariates.paragraph",
        {"name": H3, "held": THICK, "parts": ["covariates.nothing", "covariates.confounded"]},
        "Level of harmonic 3 relative to the fundamental, with thickness held equal: No property",
    ),
    (
        "covariates.pairs",
        {"pairs": [{**PAIR, **BOTH}, {**PAIR, **BOTH}], "unit": "dB"},
        "robinia minus larch +1.2 dB (−0.5 to 3.0 dB) instead of +1.2 dB (−0.5 to 3.0 dB); rob",
    ),
    ("covariates.no_answer", {"pair": None, "why": "covariates.no_freedom"}, "no answer; too few"),
    (
        "covariates.no_answer",
        {"pair": PAIR, "why": "covariates.confounded"},
        "robinia versus larch:",
    ),
    (
        "covariates.outcome",
        {"outcome": "covariates.stays", "held": THICK, "pairs": [PAIR, PAIR]},
        "so thickness alone, in a straight line, is not the reason: robinia versus larch and "
        "robinia versus larch.",
    ),
    ("covariates.apart", {"held": THICK, "pairs": [PAIR]}, "whatever the numbers say"),
    (
        "covariates.slope",
        SLOPE,
        "Within a wood, the feature changes by +0.42 dB per 0.1 mm (−0.30 to 1.10 dB), which "
        "cannot be distinguished from no change. The woods do not seem to share one slope "
        "(p < 0.001), so the difference depends on the thickness at which it is taken. By its "
        "uncertainty, as little as 62 % of what thickness varies within a wood may be real. 1 ",
    ),
    (
        "covariates.slope",
        SLOPE | {"flat": False, "p": None, "left_out": 0, "reliability": None},
        "(−0.30 to 1.10 dB). Errors in thickness were not allowed for.",
    ),
    (
        "covariates.slope",
        SLOPE | {"flat": False, "p": None, "left_out": 0, "reliability": 1.0},
        "(−0.30 to 1.10 dB).",
    ),
    *((code, {"held": "thickness"}, "") for code in OUTCOMES),
    *(("covariates.caution", {"caution": caution}, "") for caution in Caution),
    # beside the verdicts
    ("outliers.too_few", {}, "too few boards"),
    ("outliers.tests", {"tests": 13, "expected": 0.65, "found": 1}, "0.65 findings on average"),
    ("outliers.nothing", {}, "Nothing stands out."),
    ("outliers.found", {"items": 2, "outliers": 1}, "2 items stand out; beyond the 1 % point: 1."),
    (
        "outliers.pair",
        {"feature": H3, "level": "mount", "of": "L2, day 1, ", "names": ["1", "2"],
         "values": [-20.14, -60.3], "unit": "dB", "apart": 40.16, "apart_unit": "dB"},
        "L2, day 1, mount 1 says −20.1 dB, mount 2 says −60.3 dB; they lie 40.2 dB apart. Which",
    ),
    ("outliers.no_change", {}, "changes no verdict"),
    (
        "outliers.changes",
        {"feature": H3, "item": "C2",
         "pairs": [{**PAIR, "verdict": "open", "verdict_without": "different"}] * 2},
        'robinia versus larch is "open" with it and "different" without it; robinia versus',
    ),
    ("drift.order_unknown", {}, "It is not known whether"),
    ("drift.order_mixed", {"correlation": 0.237, "p": 0.772}, "(correlation 0.24, p = 0.772 if"),
    (
        "drift.order_confounded",
        {"correlation": 0.95, "p": 0.0001, "first": "larch", "last": "oak"},
        "correlation 0.95, p < 0.001 if",
    ),
    ("drift.no_chart", {}, "no reference specimen"),
    ("drift.no_limits", CHART, f"{H3}: 4 mounts of REF, no control limits"),
    ("drift.inside", CHART | FAR, "all inside the control limits: up to 1.95 dB from its mean"),
    (
        "drift.outside",
        {**CHART, **FAR, "outside": [{"mount": 1, "batch": "day1"}, {"mount": 2, "batch": "day2"}]},
        "outside the control limits: mount 1 (day1) and mount 2 (day2). It lies",
    ),
    *(
        (
            "drift.change",
            {"feature": H3, "change": 1.234, "low": 0.4, "high": 2.1, "unit": "dB",
             "batch": batch, "removed": removed},
            said,
        )
        for batch, removed, said in (
            ("", True, "It is removed from the effects"),
            ("", False, "take_out_drift = true"),
            ("day1", False, "drifts over batch day1 by +1.23 dB"),
        )
    ),
    (
        "drift.none_larger",
        {"feature": H3, "most": 2.04, "unit": "dB"},
        "That does not mean that there is none: only one of more than 2.04 dB is ruled out",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("code", "fields", "said"), FIELDS)
def test_each_code_has_a_clean_sentence_with_its_fields(code, fields, said):
    sentence = say(note(code, **fields))
    assert said in sentence
    assert sentence == re.sub(r"\s+", " ", sentence).strip()
    assert not re.search(r"[{}_]{2}|\s[,;:)]|\(\s|\s\.(?!\d)|None|undefined|nan\b", sentence)


def test_every_code_of_these_files_is_asked_for():
    asked = asked_for("plan", "covariates", "outliers", "drift")
    assert {code for code, _, _ in FIELDS} == asked - IN_TABLES
