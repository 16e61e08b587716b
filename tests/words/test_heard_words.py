"""Every sentence about the blind test, with what it was given; none says more than its verdict."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note
from studylib.words import chapters, say

ONE = {"answers": 128, "correct": 78, "share": 78 / 128}
CAME = {
    "wood_a": "larch", "wood_b": "robinia", "able_low": 0.25, "able_high": 0.57, "p_woods": 0.029,
    "told": {
        "woods": ONE,
        "one wood": {"answers": 96, "correct": 38, "share": 38 / 96},
        "one board": {"answers": 32, "correct": 20, "share": 20 / 32},
    },
    "who": "players", "listeners": 8,
}  # fmt: skip
ENDS = {
    f"{of}{end}": value
    for of, values in {
        "share": (0.61, 0.5, 0.71), "able": (0.41, 0.25, 0.57), "d_prime": (2.02, 1.47, 2.56),
    }.items()
    for end, value in zip(("", "_low", "_high"), values, strict=True)
}  # fmt: skip
HIDDEN = {"correct": 20, "answers": 32, "p": 0.0009}
SAID = {
    "woods": (CAME, "Yes: 8 players told larch from robinia in 78 of 128 blind trials (61 %; "
              "guessing gives 33 %), and two boards of one wood in 40 %."),
    "boards": (CAME, "Of these boards, yes: 8 players told larch from robinia in 78 of 128 blind "
               "trials (61 %; guessing gives 33 %). That it is the wood is not shown: two "
               "boards of one wood were told apart in 40 %."),
    "ruled_out": (CAME, "so it is truly heard in at most 57 % of trials with these boards."),
    "open": (CAME, "Not decided: 8 players told larch from robinia in 78 of 128 blind trials "
             "(61 %; guessing gives 33 %), so it may be truly heard in 25 to 57 % of trials with "
             "these boards."),
    "void": (CAME, "The blind test says nothing: in its hidden trials 8 players told takes of one "
             "board apart in 20 of 32 (62 %; guessing gives 33 %)."),
    "because": ({"reason": note("heard.below", share=0.5)},
                "Not told apart more often than by chance; that it is truly heard in 50 % of "
                "trials, which the test was to find, is ruled out."),
    "takes_told": (HIDDEN, "were told apart (20 of 32 hidden trials, p < 0.001)"),
    "perhaps_takes": (HIDDEN, "(20 of 32): it may be the takes that were told apart"),
    "below": ({"share": 0.5}, "is ruled out"),
    "not_told": ({}, "too few answers to rule out what the test was to find"),
    "more_than_boards": ({"p": 0.029}, "more often than two boards of one wood (p = 0.029"),
    "these_boards": ({"p": 0.31}, "not shown to be told apart more often than two boards of one "
                     "wood (p = 0.310"),
    "numbers": ({"answers": 128, "correct": 78, "p": 1e-9, "confidence": 0.95, **ENDS},
                "Truly heard, the rest guessed: 41 % (25 to 57 %)."),
    "alone": ({"of": 8, "beyond": 1}, "1 of 8 listeners does better than guessing"),
    "only_these": ({}, "The marks in a result tell of slips and changes by hand, not of forgery."),
    "left_out": ({"file": "ear3.csv", "listener": "ear3",
                  "why": note("heard.unfinished", answered=20, of=32)},
                 "Left out: ear3.csv (ear3): not finished: 20 of 32 trials are answered"),
    "no_result": ({"file": "x.csv", "columns": ["test", "mark"]},
                  "x.csv is no result of a blind test: its columns must be test and mark"),
    "other_test": ({"file": "x.csv", "row": 2, "test": "ab12"}, "another test than ab12"),
    "edited": ({"file": "x.csv", "row": 7}, "row 7 is the first that is not as it was"),
    "unfinished": ({"answered": 20, "of": 32}, "20 of 32 trials are answered"),
    "one_answer": ({"answer": "2"}, "the same answer, 2, in every trial"),
    "saved_before": ({"files": ["a.csv", "b.csv"], "longest": "b.csv"}, "on the way to b.csv"),
    "two_results": ({"files": ["a.csv", "b.csv"], "longest": "b.csv"},
                    "one listener has a.csv and b.csv"),
    "spoiled": ({"takes": {"L1-r1": "gone", "L1-r2": "unfit", "L2-r1": "changed"}},
                "L1-r1 is no longer in takes.csv; L1-r2 is not fit for use; L2-r1 is another "
                "recording than the one that was cut for the test"),
    "no_result_yet": ({}, "Nobody has taken the blind test yet."),
    "everybody": ({}, "everybody"),
}  # fmt: skip


def test_every_sentence_is_among_them():
    assert set(SAID) == {name for name in chapters()["heard"] if not name.startswith("_")}


@pytest.mark.parametrize("name", SAID)
def test_a_sentence_says_what_it_was_given(name):
    fields, text = SAID[name]
    sentence = say(note(f"heard.{name}", **fields))
    assert text in sentence
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|\bNone\b|undefined|\.\.", sentence), sentence


def test_no_sentence_calls_boards_woods_or_silence_sameness():
    for name in ("boards", "ruled_out", "open", "void"):
        sentence = say(note(f"heard.{name}", **CAME))
        assert not re.search(r"^Yes|no difference|the same|cannot be heard|inaudible", sentence)
    without = CAME | {"told": {"woods": ONE}}
    assert say(note("heard.boards", **without)).endswith("That it is the wood is not shown.")
    unknown = say(note("heard.these_boards", p=float("nan")))
    assert "was not asked of every pair" in unknown
