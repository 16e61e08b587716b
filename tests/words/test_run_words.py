"""Every code of a run, of the pages and of the front door as a sentence."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note, several
from studylib.codes.front import CallFault
from studylib.codes.pages import PageWords
from studylib.codes.run import BatchState, Doing, RunFault
from studylib.words import say

NOT_WRITTEN = note(RunFault.NOT_WRITTEN, file="tables/claims.csv")
FIELDS = {
    RunFault.NO_JOBS: {"jobs": 0},
    RunFault.NOTHING_RECORDED: {"study": "rails", "planned": 9},
    RunFault.NOTEBOOK_MISSING: {"name": "batch"},
    RunFault.STUDY_FOLDER: {"home": "reports/rails"},
    RunFault.NOT_WRITABLE: {"home": "reports/rails", "why": "permission denied"},
    RunFault.HELD: {"home": "reports/rails"},
    RunFault.STOPPED: {},
    RunFault.NO_PARAMETER: {"notebook": "batch.ipynb", "name": "kye", "known": []},
    RunFault.NOT_PLAIN: {"notebook": "batch.ipynb", "name": "key", "type": "set"},
    RunFault.CELL_REFUSED: {"said": "takes.csv, row 9: no file.", "more": 2},
    RunFault.CELL_FAILED: {
        "notebook": "batch.ipynb", "code": "1 / 0", "error": "ZeroDivisionError",
        "said": "division by zero",
    },
    RunFault.KERNEL_ENDED: {"notebook": "batch.ipynb", "error": "DeadKernelError", "said": "died"},
    RunFault.CELLS_NOT_RUN: {"notebook": "batch.ipynb", "cells": 1},
    RunFault.NO_PART: {},
    RunFault.NOT_WRITTEN: {"file": "figures"},
    RunFault.NO_RESULT: {},
    RunFault.NO_PAGE: {"why": NOT_WRITTEN},
    RunFault.OTHER: {"error": "OSError", "said": "no room"},
    BatchState.IN_SUMMARY: {},
    BatchState.NOT_RUN: {},
    BatchState.CHANGED: {},
    Doing.COMPARING: {},
    Doing.PLAN_TITLE: {"title": "Rails"},
    PageWords.NOTHING: {},
    PageWords.FIRST_ROWS: {"shown": 2, "of": 30},
    PageWords.NO_COLUMN: {"name": "m", "known": ["n"]},
    PageWords.LEVEL: {"level": 7},
    CallFault.ARGUMENT: {"name": "tone_hz", "given": "-1", "right": "give more than 0"},
    CallFault.NO_COLUMN: {"table": "features", "name": "value", "known": ["feature"]},
    CallFault.UNKNOWN_SPECIMENS: {"names": ["L1", "L2"]},
    CallFault.ONE_ROW_EACH: {"name": "L1"},
    CallFault.NO_BATCH: {},
}  # fmt: skip


@pytest.mark.parametrize("code", [*RunFault, *BatchState, *Doing, *PageWords, *CallFault])
def test_a_code_is_one_whole_sentence_with_what_it_was_given(code):
    fields = FIELDS[code]
    sentence = say(note(code, **fields))
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", sentence), sentence
    for value in fields.values():
        if isinstance(value, str | int) and not str(value).startswith("run."):
            assert str(value) in sentence


def test_words_that_go_with_a_number():
    assert "its one scheduled take has" in say(RunFault.NOTHING_RECORDED, study="r", planned=1)
    assert "its 2 scheduled takes has" in say(RunFault.NOTHING_RECORDED, study="r", planned=2)
    assert "1 of its code cells was" in say(RunFault.CELLS_NOT_RUN, notebook="n", cells=1)
    assert "2 of its code cells were" in say(RunFault.CELLS_NOT_RUN, notebook="n", cells=2)
    assert say(RunFault.CELL_REFUSED, said="No.", more=0) == "No."
    assert "has none" in say(RunFault.NO_PARAMETER, notebook="n", name="x", known=[])
    assert "which is not" in say(CallFault.UNKNOWN_SPECIMENS, names=["L1"])
    assert "which are not" in say(CallFault.UNKNOWN_SPECIMENS, names=["L1", "L2"])


@pytest.mark.parametrize("code", ["cli.failed", "cli.not_in_summary"])
def test_several_reasons_of_one_batch_are_all_said(code):
    reasons = several([NOT_WRITTEN, note(RunFault.NO_PART)])
    sentence = say(code, batch="day1", reason=reasons)
    assert say(NOT_WRITTEN) in sentence
    assert say(RunFault.NO_PART) in sentence
    assert "{" not in sentence
