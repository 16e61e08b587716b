"""The first screen: which answer the verdicts come to, in every combination, and what is beside."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import pytest

from studylib.codes import code_of, each, fields_of, note
from studylib.codes.comparison import Verdict
from studylib.report import answer
from studylib.report.answer import Answer, answer_code
from studylib.words import say

DECLARED = {Verdict.BEYOND, Verdict.DIFFERENT, Verdict.WITHIN}
ABOUT = {
    "name": "tone.h1.response_db", "higher": "larch", "lower": "robinia", "unit": "dB",
    "difference": 3.9, "low": 2.4, "high": 5.4, "n": [4, 4], "same": ["tap.m1.decay_time_s"],
}  # fmt: skip
OTHERS = {
    "answer.nothing": {"one_wood": True},
    "answer.count": {
        "of": 9, "features": 3, "declared": 4, "same": 0, "open": 5, "boards_only": 0,
        "confidence": 0.95,
    },
    "answer.but_driver": {"name": "tone.h3.rel_db"},
    "answer.but_caveat": {"caveat": [note("caveats.drift")]},
    "answer.but_planks": {},
    "answer.but_control": {"name": "tone.h1.response_db"},
    "answer.but_lock": {},
    "answer.but_few": {"n": 4, "unit": "board"},
    "answer.next_planks": {"least": 2},
    "answer.next_more": {"needed": "11 to 26", "name": "tone.h1.response_db", "unit": "board"},
    "answer.next_limit": {},
    "answer.next_probe": {},
    "answer.next_size": {},
    "answer.next_again": {},
    "answer.claim": {"text": "Larch passes more", "outcome": "supported", "caveat": []},
    "answer.label_but": {},
    "answer.label_next": {},
    "answer.label_claims": {},
    "answer.no_figure": {},
}  # fmt: skip


def test_every_combination_of_verdicts_comes_to_the_answer_of_its_strongest():
    """Three woods and two features, one of them with the driver's distortion in it: 6^6 pages."""
    order = list(Verdict)  # strongest first, but for within and different
    seen = set()
    for clean in product(order, repeat=3):
        for laden in product(order, repeat=3):
            code = answer_code([(v, False) for v in clean] + [(v, True) for v in laden])
            seen.add(code)
            found = set(clean) & DECLARED
            # Nothing declared on a clean number: no sentence says that woods differ.
            claims = code in (Answer.BEYOND, Answer.DIFFERENT, Answer.WITHIN, Answer.ALL_WITHIN)
            assert claims == bool(found), (clean, laden)
            if Verdict.BEYOND in clean:
                assert code == Answer.BEYOND
            elif Verdict.DIFFERENT in clean:
                assert code == Answer.DIFFERENT
            elif not found and set(laden) & DECLARED:
                assert code == Answer.DRIVER_IN
            everything = {*clean, *laden}
            assert (code == Answer.SAME) == (everything == {Verdict.SAME})
            assert (code == Answer.BOARDS_ONLY) == (everything == {Verdict.BOARDS_ONLY})
            if code == Answer.ALL_WITHIN:
                assert set(clean) <= {Verdict.WITHIN, Verdict.SAME}
    assert seen == set(Answer) - {Answer.NOTHING}
    assert answer_code([]) == Answer.NOTHING


def test_a_weaker_page_never_gets_a_stronger_answer():
    rank = {code: i for i, code in enumerate(Answer)}
    strength = [
        Verdict.BEYOND,
        Verdict.DIFFERENT,
        Verdict.WITHIN,
        Verdict.OPEN,
        Verdict.BOARDS_ONLY,
    ]
    for page in product(range(len(strength)), repeat=3):
        code = answer_code((strength[i], False) for i in page)
        for place in range(3):
            weaker = list(page)
            weaker[place] = min(weaker[place] + 1, len(strength) - 1)
            other = answer_code((strength[i], False) for i in weaker)
            # "All within" says more than "within", and is not the weaker one.
            if {code, other} != {Answer.WITHIN, Answer.ALL_WITHIN}:
                assert rank[other] >= rank[code]


@pytest.mark.parametrize("code", [*(c.value for c in Answer if c != Answer.NOTHING), *OTHERS])
def test_a_code_is_one_or_two_whole_sentences(code):
    sentence = say(note(code, **OTHERS.get(code, ABOUT)))
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", sentence), sentence
    if code in {c.value for c in Answer}:
        assert sentence.count(". ") <= 1


def test_no_answer_of_an_open_page_sounds_like_a_finding():
    for code in (Answer.OPEN, Answer.BOARDS_ONLY, Answer.PARTLY_SAME, Answer.DRIVER_IN):
        said = say(note(code, **ABOUT))
        assert "The woods differ" not in said
        assert re.search(r"Not decided|Nothing can be said|No difference", said)


def test_a_difference_is_told_from_the_higher_wood():
    row = SimpleNamespace(
        feature="tap.m1.decay_time_s", wood_a="larch", wood_b="cherry", n_a=4, n_b=4, unit="%",
        difference=-20.0, low=-50.0, high=-10.0,
    )  # fmt: skip
    told = answer._difference(row)
    assert (told["higher"], told["lower"]) == ("larch", "cherry")
    # A fifth less is a quarter more.
    assert [told[k] for k in ("difference", "low", "high")] == pytest.approx([25.0, 100 / 9, 100.0])
    decibels = answer._difference(
        SimpleNamespace(**(vars(row) | {"unit": "dB", "feature": "tone.h1.response_db"}))
    )
    assert [decibels[k] for k in ("difference", "low", "high")] == [20.0, 10.0, 50.0]


def test_the_demo_answers_in_two_sentences(demo_summary):
    first, sure = answer.answer(demo_summary)
    count, way = each(sure)
    assert fields_of(way)["anchor"] == f"trace-{answer.lead(demo_summary).id}"
    assert code_of(first) == Answer.BEYOND
    assert {fields_of(first)[k] for k in ("higher", "lower")} == {"larch", "robinia"}
    assert fields_of(first)["difference"] == pytest.approx(3.88, abs=0.01)
    assert fields_of(count)["declared"] == 4
    assert len(f"{say(first)} {say(count)}".split()) <= 70


def test_beside_the_answer_stand_a_but_a_next_step_and_every_claim(demo_summary):
    beside = answer.beside(demo_summary)
    assert [len(lines) for lines in beside.values()] == [1, 1, 1]
    assert say(answer.heard(demo_summary)).startswith("Yes: 8 invented listeners told larch from")
    assert code_of(answer.but(demo_summary)) == "answer.but_lock"  # the demo was never locked
    told = [say(one) for one in answer.claims(demo_summary)["answer.label_claims"]]
    assert told[0].startswith("Supported: Larch passes more")
    assert "the bench did not stay steady" in told[1]
    assert told[3] == "Supported: Invented listeners tell robinia from larch"
    assert list(demo_summary.claims["verdict"])[3:] == ["supported"]


def test_without_a_blind_test_what_is_published_says_whether_it_is_heard(demo_summary, tmp_path):
    unheard = replace(demo_summary, study=replace(demo_summary.study, folder=tmp_path))
    assert code_of(answer.heard(unheard)) == "audible.above"


def test_a_file_keeps_its_name_at_the_beginning_of_a_sentence():
    order = {"first": "larch", "last": "robinia", "rows": True}
    said = say(note("answer.but_caveat", caveat=[note("caveats.order", **order)]))
    assert said.startswith("takes.csv has neither")
    assert say(note("answer.but_caveat", **OTHERS["answer.but_caveat"])).startswith("The bench")


def test_a_caveat_comes_before_a_missing_lock(demo_summary):
    effects = demo_summary.comparison.effects
    marked = effects.assign(caveats=[note("caveats.drift")] * len(effects))
    comparison = replace(demo_summary.comparison, effects=marked)
    assert code_of(answer.but(replace(demo_summary, comparison=comparison))) == "answer.but_caveat"


def test_a_bench_that_was_never_tried_is_not_said_to_have_missed_a_change(demo_summary):
    control = demo_summary.comparison.positive_control
    name = answer.lead(demo_summary).feature
    row = control["feature"] == name
    missed = control.assign(detected=control["detected"].where(~row, False))
    for tried, code in ((True, "answer.but_control"), (False, "answer.but_lock")):
        ends = missed["low"] if tried else missed["low"].where(~row)
        comparison = replace(demo_summary.comparison, positive_control=missed.assign(low=ends))
        assert code_of(answer.but(replace(demo_summary, comparison=comparison))) == code


def test_a_number_with_the_drivers_distortion_does_not_head_the_page(demo_summary):
    effects = demo_summary.comparison.effects
    laden = effects.assign(
        feature=effects["feature"].replace("tone.h1.response_db", "tone.h3.rel_db")
    )
    laden.loc[laden["feature"] == "tap.m1.decay_time_s", "verdict"] = Verdict.OPEN
    other = replace(demo_summary, comparison=replace(demo_summary.comparison, effects=laden))
    assert code_of(answer.answer(other)[0]) == Answer.DRIVER_IN
    left = laden[laden["feature"] != "tap.m1.decay_time_s"]
    other = replace(demo_summary, comparison=replace(demo_summary.comparison, effects=left))
    assert answer.lead(other).feature == "tone.h3.rel_db"
    assert answer.lead(other).verdict == Verdict.BEYOND
    assert code_of(answer.but(other)) == "answer.but_driver"
    assert answer.next_step(other) == "answer.next_probe"


def test_nothing_to_compare_says_so(demo_summary):
    none = replace(
        demo_summary,
        comparison=replace(demo_summary.comparison, effects=demo_summary.comparison.effects[:0]),
    )
    assert [code_of(one) for one in answer.answer(none)] == [Answer.NOTHING]
    assert answer.but(none) == ""
    assert code_of(answer.next_step(none)) == "answer.next_planks"
    answer.answer_figure(none)
