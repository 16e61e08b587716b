"""Every headline of a figure, with what it was given; none says more than the verdicts do."""

from __future__ import annotations

import re
from itertools import product
from types import SimpleNamespace

import pandas as pd
import pytest

from studylib.codes import code_of, fields_of, note
from studylib.codes.comparison import Verdict
from studylib.figures.effects import STRENGTH, pairs_apart
from studylib.words import chapters, say

WOODS = ["larch", "cherry"]
APART = {
    "name": "tone.h1.response_db", "within": False, "caveats": False, "higher": ["larch"],
    "lower": ["cherry", "robinia"], "more": 0,
}  # fmt: skip
OPEN = {"features": ["tone.h3.rel_db"], "laden": False, "of": 3, "same": 0, "boards_only": False}
HARMONICS = {"specimen": "", "of": 237, "driver": 151, "beyond": 2, "undecided": 84}
FIELDS = {
    "apart": APART,
    "none_apart": OPEN,
    "spread": {"of": 3, "wood": 2},
    "harmonics": HARMONICS,
    "reference": {"measured": True, "known": True, "outside": ["tone.h3.rel_db"]},
    "curves": {"pairs": [["larch", "cherry"], ["larch", "robinia"]]},
    "predicted": {"share": 0.89},
    "split": {"over": "tone", "most": {"density": 2, "stiffness": 1}},
    "spectra": {"gap": 52.3},
    "heard": {
        "verdict": "woods told apart",
        "wood_a": "larch",
        "wood_b": "robinia",
        "share": 0.61,
    },
    "line": {"take": "L1-m1-r1"},
    "tap": {"take": "L1-tap", "used": 2, "of": 3},
    "counting": {"rates": {"planks": 0.02, "takes": 0.83}},
    "power": {"planks": 4, "chances": [0.02, 0.12]},
    "lines": {"present": 5, "of": 20},
}


def said(headline: str, /, **more) -> str:
    return say(note(f"figures_headlines.{headline}", **(FIELDS[headline] | more)))


def test_every_headline_is_among_them():
    assert set(FIELDS) == {n for n in chapters()["figures_headlines"] if not n.startswith("_")}


@pytest.mark.parametrize(
    ("headline", "more", "text"),
    [
        ("heard", {}, "Listeners told larch from robinia, more often than boards of one wood"),
        ("heard", {"verdict": "boards told apart"},
         "Listeners told these boards of larch and robinia apart; that it is the wood is not"
         " shown"),
        ("heard", {"verdict": "ruled out"},
         "Listeners seldom, if ever, tell these boards of larch and robinia apart"),
        ("heard", {"verdict": "open"}, "Whether listeners tell larch from robinia is not decided"),
        ("heard", {"verdict": "void"},
         "Takes of one board were told apart: the blind test says nothing of woods"),
        ("apart", {}, "Larch passes on more of the tone than cherry and robinia"),
        ("apart", {"name": "probe.k3.response_db", "higher": WOODS, "lower": ["robinia"]},
         "Larch and cherry pass on more at 3 times the tone than robinia"),
        ("apart", {"name": "tone.h1.level_db", "within": True},
         "Larch is stronger at the tone than cherry and robinia, but by less than the limit"),
        ("apart", {"name": "tap.m1.decay_time_s", "caveats": True, "more": 2},
         "Larch rings longer in mode 1 than cherry and robinia; read what speaks against it; "
         "2 more differences stand out"),
        ("apart", {"name": "tap.m2.frequency_hz", "more": 1},
         "Larch rings higher in mode 2 than cherry and robinia; 1 more difference stands out"),
        ("apart", {"name": "wood.density_kg_m3", "lower": ["cherry"]},
         "Larch lies above cherry in the density"),
        ("none_apart", {}, "No difference between the woods stands out in the level of harmonic 3 "
         "relative to the fundamental"),
        ("none_apart", {"features": ["a", "b"], "same": 1},
         "No difference between the woods stands out; 1 of 3 pairs is the same within the limit"),
        ("none_apart", {"features": ["a", "b"], "same": 3},
         "The woods are the same within the limit"),
        ("none_apart", {"laden": True}, "No difference of the woods is shown: the driver's own "
         "distortion is in what stands out"),
        ("none_apart", {"boards_only": True},
         "Too few planks of a wood: nothing is said about woods here"),
        ("none_apart", {"of": 0}, "The boards, not yet compared by wood"),
        ("spread", {}, "Woods spread more than boards of one wood do on 2 of 3 features"),
        ("spread", {"wood": 0},
         "No spread between woods is shown beside that of boards, mounts and takes"),
        ("harmonics", {}, "The driver explains 151 of 237 harmonics above the noise; "
         "2 need another cause; 84 are undecided"),
        ("harmonics", {"specimen": "L1", "of": 9, "driver": 9, "beyond": 0, "undecided": 0},
         "L1: the driver explains all 9 harmonics above the noise"),
        ("reference", {}, "The reference left its limits in the level of harmonic 3 relative to "
         "the fundamental"),
        ("reference", {"outside": []}, "The reference stayed within its limits throughout"),
        ("reference", {"outside": [], "known": False},
         "The reference was measured too seldom for limits"),
        ("reference", {"measured": False}, "No reference shows how steady the bench was; here are "
         "the other boards alone"),
        ("curves", {}, "Cherry and larch, and robinia and larch, differ at some frequencies"),
        ("curves", {"pairs": [WOODS]}, "Cherry and larch differ at some frequencies"),
        ("curves", {"pairs": []}, "At no frequency does a difference between woods stand out"),
        ("split", {}, "By the theory of the bar, density does most for 2 pairs of woods and "
         "stiffness for 1 at the tone"),
        ("spectra", {}, "On every board the tone stands 52 dB or more above all that is higher"),
        ("spectra", {"gap": -1.0}, "On some board the tone is not the strongest line"),
        ("tap", {}, "2 of 3 taps of L1-tap are used"),
        ("counting", {}, "Equal woods are called different in 83 % of studies that count takes, in "
         "2 % of those that count planks"),
        ("power", {}, "With 4 planks of each wood, a difference of this size is found in 2 % and "
         "12 % of studies"),
    ],
)  # fmt: skip
def test_headlines(headline, more, text):
    assert said(headline, **more) == text


@pytest.mark.parametrize("name", sorted(FIELDS))
def test_a_headline_is_one_clause_without_a_gap(name):
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined|\.$", said(name)), said(name)


def row(feature: str, a: str, b: str, verdict: Verdict, difference: float = 1.0, caveats: str = ""):
    return vars(SimpleNamespace(feature=feature, wood_a=a, wood_b=b, verdict=verdict,
                                difference=difference, caveats=caveats))  # fmt: skip


def test_a_headline_claims_what_was_declared_on_a_clean_number_and_nothing_else():
    """Every verdict of two pairs on two features, one with the driver's distortion in it."""
    for clean, other, laden in product(Verdict, repeat=3):
        table = [
            row("tone.h1.response_db", "larch", "cherry", clean, -1.0),
            row("tone.h1.response_db", "larch", "robinia", other),
            row("tone.h3.rel_db", "larch", "robinia", laden),
        ]
        told = pairs_apart(pd.DataFrame(table))
        declared = {("larch", "cherry"): clean, ("robinia", "larch"): other}
        declared = {pair: verdict for pair, verdict in declared.items() if verdict in STRENGTH}
        fields = fields_of(told)
        assert (code_of(told) == "figures_headlines.apart") == bool(declared)
        if declared:
            claimed = set(product(fields["higher"], fields["lower"]))
            assert fields["name"] == "tone.h1.response_db"
            assert claimed <= set(declared)
            assert fields["within"] == all(declared[pair] == Verdict.WITHIN for pair in claimed)
        else:
            assert fields["laden"] == (laden in STRENGTH)
            assert "more" not in say(told)


def test_woods_on_one_side_are_told_together_and_caveats_are_not_forgotten():
    table = [
        row("tap.m1.decay_time_s", "larch", "cherry", Verdict.OPEN, -1.0),
        row("tap.m1.decay_time_s", "larch", "robinia", Verdict.DIFFERENT),
        row("tap.m1.decay_time_s", "cherry", "robinia", Verdict.DIFFERENT),
        row("tone.h1.response_db", "larch", "cherry", Verdict.DIFFERENT, caveats="caveats.drift"),
    ]
    fields = fields_of(pairs_apart(pd.DataFrame(table)))
    assert (fields["higher"], fields["lower"]) == (["robinia"], ["larch", "cherry"])
    assert (fields["more"], fields["caveats"]) == (1, False)
    assert fields_of(pairs_apart(pd.DataFrame(table[3:])))["caveats"]
    # One caveat of two keeps the pair that has it out of the sentence.
    table[2]["caveats"] = "caveats.drift"
    assert fields_of(pairs_apart(pd.DataFrame(table)))["lower"] == ["larch"]
