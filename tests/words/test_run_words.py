"""Every code of a run, of the pages and of the front door as a sentence."""

from __future__ import annotations

import re

import pytest

from studylib.codes import note, several
from studylib.words import say
from tests.words import asked_for

NOT_WRITTEN = note("run.not_written", file="tables/claims.csv")
DIFFERS = {"changed": ["code-01", "code-02"], "added": [], "removed": ["words-03"], "moved": []}
FIELDS = {
    "run.no_notebook": {"file": "batch.ipynb"},
    "run.not_trusted": {"cells": [note("run.own_cells", name="batch", **DIFFERS)]},
    "run.own_cells": {"name": "batch", **DIFFERS},
    "run.own_title": {},
    "run.own_notebooks": {},
    "run.no_jobs": {"jobs": 0},
    "run.nothing_recorded": {"study": "rails", "planned": 9},
    "run.notebook_missing": {"name": "batch"},
    "run.study_folder": {"home": "reports/rails"},
    "run.not_writable": {"home": "reports/rails", "why": "permission denied"},
    "run.held": {"home": "reports/rails"},
    "run.stopped": {},
    "run.no_cluster_extra": {},
    "run.no_cluster": {"address": "tcp://bench:8786", "why": "timed out"},
    "run.no_workers": {"address": "tcp://bench:8786"},
    "run.other_library": {"place": "bench2 (417)", "parts": ["numpy", "studylib"]},
    "run.unseen": {"place": "bench2 (417)", "folders": ["/shared/rails"]},
    "run.worker_lost": {"task": "day 1", "error": "KilledWorker", "said": "memory"},
    "run.no_parameter": {"notebook": "batch.ipynb", "name": "kye", "known": []},
    "run.not_plain": {"notebook": "batch.ipynb", "name": "key", "type": "set"},
    "run.cell_refused": {"said": "takes.csv, row 9: no file.", "more": 2},
    "run.cell_failed": {
        "notebook": "batch.ipynb", "code": "1 / 0", "error": "ZeroDivisionError",
        "said": "division by zero",
    },
    "run.kernel_ended": {"notebook": "batch.ipynb", "error": "DeadKernelError", "said": "died"},
    "run.cells_not_run": {"notebook": "batch.ipynb", "cells": 1},
    "run.no_part": {},
    "run.replaced": {"files": ["takes.csv", "recordings/a.wav"]},
    "run.not_written": {"file": "figures"},
    "run.no_result": {},
    "run.no_page": {"why": NOT_WRITTEN},
    "run.other": {"error": "OSError", "said": "no room"},
    "run.in_summary": {},
    "run.not_run": {},
    "run.changed": {},
    "run.comparing": {},
    "run.title_of": {"page": "Listening", "title": "Rails"},
    "pages.nothing": {},
    "pages.first_rows": {"shown": 2, "of": 30},
    "pages.no_column": {"name": "m", "known": ["n"]},
    "pages.link": {"text": "day 1", "place": "", "anchor": ""},
    "trace.way": {"id": "89f824e35ad0"},
    "trace.of_feature": {"name": "tone.h1.response_db"},
    "trace.effect": {"a": "larch", "b": "robinia", "id": "89f824e35ad0"},
    "trace.claim": {"number": 1, "text": "Larch passes more", "outcome": "supported"},
    "trace.difference": {
        "difference": -3.88, "low": -5.38, "high": -2.39, "unit": "dB", "verdict": "beyond limit",
        "n_a": 4, "n_b": 3, "confidence": 0.95,
    },
    "trace.woods": {}, "trace.sources": {}, "trace.boards": {}, "trace.mounts": {},
    "trace.takes": {}, "trace.limits": {}, "trace.whole": {},
    "trace.take": {"take": "t1", "id": "f7ed294bb9e8"},
    "trace.value": {"name": "tone.h1.level_db", "value": 97.6, "u": 0.0001, "unit": "dB SPL"},
    "trace.aside": {"reason": [note("takes.excluded", reason="a door")]},
    "trace.role": {"role": "reference"},
    "trace.file": {"file": "recordings/t1.wav", "sha": "3a99", "run": "3a99"},
    "trace.window": {"start_s": 0.1, "end_s": 0.9},
    "trace.line": {
        "frequency_hz": 172.0018, "level_db": 97.643, "noise_db": -3.1, "over_db": 100.7,
        "unit": "dB SPL", "bare_db": -14.357, "drive_db": -12.7,
    },
    "trace.ringing": {"taps": 3, "frequency_hz": 151.72, "loss_factor": 0.0155},
    "trace.settings": {"section": "tone", "values": {"length_s": 0.8, "skip_s": None}},
    "trace.made": {"versions": {"numpy": "2.4.6"}, "library": "3a99"},
    "trace.not_run": {"study": "rails", "home": "reports/rails"},
    "trace.changed": {"study": "rails", "files": ["takes.csv"]},
    "trace.other_run": {"study": "rails"},
    "trace.unknown": {"wanted": "12ab", "claims": ["Larch passes more"], "named": None},
    "front.argument": {"name": "tone_hz", "given": "-1", "right": "give more than 0"},
    "front.no_column": {"table": "features", "name": "value", "known": ["feature"]},
    "front.unknown_specimens": {"names": ["L1", "L2"]},
    "front.one_row_each": {"name": "L1"},
    "front.no_batch": {},
}  # fmt: skip


@pytest.mark.parametrize("code", sorted(asked_for("run", "pages", "front", "trace")))
def test_a_code_is_one_whole_sentence_with_what_it_was_given(code):
    fields = FIELDS[code]
    sentence = say(note(code, **fields))
    assert not re.search(r"[{}]|\s[,.;:)]|\s\s|None|undefined", sentence), sentence
    for value in fields.values():
        if isinstance(value, str | int) and not str(value).startswith("run."):
            assert str(value) in sentence


def test_words_that_go_with_a_number():
    assert "its one scheduled take has" in say("run.nothing_recorded", study="r", planned=1)
    assert "its 2 scheduled takes has" in say("run.nothing_recorded", study="r", planned=2)
    assert "1 of its code cells was" in say("run.cells_not_run", notebook="n", cells=1)
    assert "2 of its code cells were" in say("run.cells_not_run", notebook="n", cells=2)
    assert say("run.cell_refused", said="No.", more=0) == "No."
    assert "has none" in say("run.no_parameter", notebook="n", name="x", known=[])
    assert "which is not" in say("front.unknown_specimens", names=["L1"])
    assert "which are not" in say("front.unknown_specimens", names=["L1", "L2"])


@pytest.mark.parametrize("code", ["cli.failed", "cli.not_in_summary"])
def test_several_reasons_of_one_batch_are_all_said(code):
    reasons = several([NOT_WRITTEN, note("run.no_part")])
    sentence = say(code, batch="day1", reason=reasons)
    assert say(NOT_WRITTEN) in sentence
    assert say("run.no_part") in sentence
    assert "{" not in sentence


def test_a_trail_says_what_is_not_as_at_the_run_and_what_is_missing():
    assert "is not the one that was run" in say("trace.file", file="t1.wav", sha="1", run="2")
    none = {"low": float("nan"), "high": float("nan"), "unit": "dB", "n_a": 1, "n_b": 1}
    none |= {"difference": float("nan"), "verdict": "boards only", "confidence": 0.95}
    assert say("trace.difference", **none) == "No difference was formed; verdict: boards only."
    assert "has no effect yet" in say("trace.unknown", wanted="1", claims=["x"], named=1)
    assert "begins 2 claims" in say("trace.unknown", wanted="L", claims=["x", "y"], named=2)
    assert say("trace.aside", reason=[]) == "Not used."
