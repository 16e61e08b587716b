"""Every sentence on the comparison of woods can be said with the fields that its code sends."""

from __future__ import annotations

import re

import pytest

from studylib import words
from studylib.codes import code_of, note
from studylib.codes.features import Caution
from studylib.words import say
from tests.words import asked_for

QUIET = {"share": 0.05, "woods": [{"wood": "cherry", "below": 9, "judged": 36}]}
FEATURES = {"features": ["tone.h1.level_db", "tone.h3.rel_db"]}
AMOUNT = {
    "difference": -1.24,
    "low": -2.31,
    "high": -0.2,
    "unit": "%",
    "cents": [-21.6, -40.5, -3.5],
}
RESULT = {
    "verdict": "open", "caveats": [], "amount": AMOUNT, "n_a": 4, "n_b": 3, "unit": "board",
    "limit": 5.0, "own_limit": False, "needed": "8 to 22", "not_earned": False, "by_steps": True,
    "method": "", "confidence": 0.95, "same_level": 0.05, "least": 2,
    "named_boards": True, "unnamed": [],
}  # fmt: skip
PAIR = {
    "name": "tone.centroid_hz", "wood_a": "larch", "wood_b": "robinia", "result": RESULT,
    "harmonic": None, "response": None,
}  # fmt: skip
UNLIKE = {"higher": "larch", "lower": "robinia", "size_db": 2.4, "u_db": 0.3}
EVERY = [*Caution, *(f"caveats.{name}" for name in words.chapters()["caveats"])]
NEEDS = {
    "caveats.order": {"first": "larch", "last": "robinia", "rows": True},
    "caveats.clock": {"batch": "day1"},
    "caveats.harder": UNLIKE | {"voltage": False},
    "caveats.channel": UNLIKE,
    "caveats.lock": {"recorded": 3, "changes": 1},
    "caveats.looks": {"number": 3, "planned": 1, "rate": 0.107, "whole": True},
    "caveats.levels": {"found": "levels.with_wood"},
    "effects.verdict": {"verdict": "different", "caveats": EVERY},
    "control.too_large": {"limit": 1.0, "unit": "dB", "surely": False},
    "methods.below_noise": QUIET,
    "methods.hidden": QUIET,
    "methods.unsettled": QUIET,
    "methods.merged": {"levels": ["take", "mount"]},
    "methods.zero": {"estimate": -0.0631},
    "claims.numbers": {
        "first": "larch", "second": "robinia", "difference": -3.88, "low": -5.3, "high": -2.47,
        "unit": "dB", "confidence": 0.95, "p": 0.00067, "n_first": 4, "n_second": 1,
    },
    "claims.no_interval": {"higher": "robinia", "lower": "larch"},
    "claims.needed": {"needed": "8 to 22"},
    "comparison.pairs_left_out": {"boards": 834, "most": 100},
    "claims.other_woods": {"higher": "oak", "lower": "larch"},
    "claims.too_few": {"higher": "robinia", "lower": "larch", "n_higher": 4, "n_lower": 1},
    "control.below_noise": {"share": 0.05},
    "control.hidden": {"share": 0.05},
    "control.unsettled": {"share": 0.05},
    "control.unknown": {"reason": "control.no_changed"},
    "control.seen": {
        "name": "tone.thd_percent", "changed": "REFM", "reference": "REF", "amount": AMOUNT,
        "limit": None, "reason": "",
    },
    "control.missed": FEATURES,
    "control.unknown_on": {"feature": "tone.h3.rel_db", "reason": "control.no_mounts"},
    "comparison.confounded": {"missing": [{"wood": "larch", "batches": ["one", "two"]}] * 2},
    "comparison.not_measured": FEATURES,
    "comparison.no_take": FEATURES,
    "comparison.refused": {"refused": {"tone.h9.rel_db": note("methods.below_noise", **QUIET)}},
    "comparison.same": {"pairs": 1, "level": 0.05, "bound": 0.05},
    "comparison.confounded_on": FEATURES,
    "comparison.partly_confounded": FEATURES,
    "comparison.exploratory": {"count": 1, "alpha": 0.05},
    "comparison.plank_assumed": {"count": 3, "boards": 12},
    "comparison.shared_planks": {"woods": [{"wood": "larch", "boards": 4, "planks": 1}] * 2},
    "comparison.few_sources": {"woods": ["larch"], "least": 2},
    "comparison.limit_ratio": {"feature": "tone.thd_percent", "limit": 0.9},
    "comparison.limit_db": {"feature": "tone.h3.rel_db", "limit": 0.0},
    "effects.amount": AMOUNT,
    "effects.amount_between": AMOUNT,
    "effects.pair": PAIR,
    "effects.not_measured": {"name": "tap.m1.decay_time_s"},
    "effects.methods": FEATURES | {"method": "methods.welch\nmethods.blocked"},
    "effects.read_effect": {"unit": "board"},
    "effects.read_interval": {"confidence": 0.995},
    "effects.read_g": {"unit": "board"},
    "effects.read_p": {"alpha": 0.05},
    "effects.limit": {"limit": 1.0, "unit": "dB", "own": True},
    "summary.measured": {"woods": ["larch"], "boards": 1, "batches": 2, "takes": 9},
    "summary.none_set_aside": {"takes": 9},
    "summary.set_aside": {"count": 1, "takes": 9},
    "summary.blocked": FEATURES,
    "summary.confounded": FEATURES,
    "summary.failed_batch": {"batch": "one", "why": "no recordings."},
    "summary.batch_page": {"batch": "day1"},
    "summary.not_compared": FEATURES | {"share": 0.05},
    "summary.hidden": FEATURES | {"share": 0.05},
    "summary.unsettled": FEATURES | {"share": 0.05},
    "summary.untold_harmonics": {"count": 1},
    "summary.driver_in": FEATURES,
    "summary.level_or_drive": {"sensed": False},
    "trust.one_number": {"unit": "source"},
    "trust.too_wide": {"columns": 164, "most": 100},
    "trust.simulated": {
        "runs": 1000, "rate": note("trust.rate", percent=5.2, error=1), "alpha": 0.05,
        "feature": "tone.h3.rel_db",
    },
    "trust.shared": {"primary": 3},
    "trust.claims_decide": {"claims": 3},
    "trust.rate": {"percent": 5.2, "error": 1},
    "trust.agreement": {"agreed": 2, "pairs": 3},
    "trust.disagreement": {
        "feature": "tone.h3.rel_db", "wood_a": "larch", "wood_b": "robinia", "p": 0.01,
        "first_p": 0.07,
    },
    "trust.remark": {"note": "methods.carried_below"},
    "trust.p_and_df": {"p": 0.0001, "df": 6.86},
    "trust.few_woods": {"least": 3, "most": 3},
    "trust.many_woods": {"least": 6, "most": 7},
    "trust.another_wood": {
        "feature": "tap.m1.decay_time_s", "woods": 7, "sources": 3.7, "spread": 21.0,
        "spread_low": 9.0, "spread_high": 51.0, "spread_unit": "%", "mean": 0.61,
        "new_low": 0.35, "new_high": 1.1, "true_low": 0.4, "true_high": 1.0, "unit": "s",
        "source": "board", "confidence": 0.95,
    },
    "preregistration.locked": {
        "when": "2026-03-02 09:05", "sha256": "f00", "recorded": 1, "changes": 2,
    },
    "preregistration.other_lock": {
        "when": "2026-03-03", "sha256": "cd" * 32, "recorded": 3, "stage": 1, "amends": True,
    },
    "preregistration.touched": {"changes": 2},
    "preregistration.looks": {
        "number": 3, "planned": 1, "level": 0.05, "rate": 0.107, "whole": True, "last": "ab" * 32,
    },
    "preregistration.blind": {
        "boards": 12, "woods": 3, "coded": ["2026-03-02"], "opened": "2026-03-09",
        "after_run": True,
    },
    "preregistration.schedule": {"seeds": [1, 2], "waiting": 3},
    "figures_effects.effects_key": {"confidence": 0.95},
    "figures_effects.named": {"names": ["tone.h3.rel_db"]},
    "figures_effects.marked": {"cautions": list(Caution)},
    "figures_effects.no_board": {"name": "tone.h3.rel_db"},
    "figures_effects.heard_key": {"about": "one wood"},
    "figures_effects.heard_note": {"confidence": 0.95},
    "figures_effects.boards_key": {"confidence": 0.95},
}  # fmt: skip
CHAPTERS = (
    *("methods", "claims", "control", "comparison", "cautions", "caveats", "effects", "summary"),
    "trust",
    *("preregistration", "figures_effects"),
)
NAMES = sorted(
    f"{chapter}.{name}"
    for chapter in CHAPTERS
    for name in words.chapters()[chapter]
    if not name.startswith("_")
)


@pytest.mark.parametrize("code", NAMES)
def test_each_is_said_with_its_fields(code):
    sentence = say(code, **NEEDS.get(code, {}))
    assert sentence
    assert not re.search(r"  | [,;.:)]( |$)|\( |\{|\bNone\b(?! of)|\bnan\b", sentence), sentence


def test_every_code_of_the_comparison_is_among_them():
    assert asked_for(*CHAPTERS) <= set(NAMES) | {"summary.html", "summary.ipynb"}
    assert set(NEEDS) <= set(NAMES)


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"verdict": "beyond limit"}, "different, −1.2 % (−22 cents) (−2.3 to −0.2 %; 3 and 4"),
        ({"verdict": "beyond limit"}, "and by more than the published limit of 5 %."),
        ({"verdict": "within limit", "own_limit": True}, "less than the study's own limit of 5 %."),
        ({"verdict": "different"}, "exceeds the published limit of 5 % remains open."),
        ({"verdict": "different", "limit": None}, "nothing is said about whether it can be heard."),
        ({"verdict": "same"}, "The 90 % interval of this pair lies inside the limit;"),
        ({"verdict": "boards only", "amount": None}, "fewer than 2 boards with usable takes."),
        (
            {"verdict": "boards only", "amount": None, "unnamed": ["larch"]},
            "only about these boards, because the planks of larch are not named,",
        ),
        ({}, "With 8 to 22 boards of each wood, a true difference of 5 % would be declared in"),
        ({"verdict": "different"}, "Declared by steps: the interval is the one for all pairs"),
        ({"not_earned": True}, "so the woods are not called the same."),
        ({"amount": None, "method": "methods.too_few"}, "open, too few sources:"),
    ],
)
def test_each_verdict_has_its_sentence(changes, part):
    pair = note("effects.pair", **(PAIR | {"result": RESULT | changes}))
    assert code_of(pair) == "effects.pair"
    assert part in say(pair)


def test_what_the_boards_pass_on_stands_beside_a_harmonic():
    response = RESULT | {"exploratory": True, "verdict": "same"}
    beside = say("effects.pair", **(PAIR | {"harmonic": 3, "response": response}))
    assert "at 3 times the tone (exploratory, a hint only): the same within" in beside
    missing = say("effects.pair", **(PAIR | {"harmonic": 3}))
    assert "was not compared. Record probe tones there" in missing
