"""A feature added the way the manual says carries its cautions by itself, wherever it is told.

The invented feature is the level of the even harmonics over the odd ones: one function, one entry
of the register, one template. Nothing else is told that the driver's distortion is in it.
"""

from __future__ import annotations

import dataclasses
import shutil

import matplotlib.pyplot as plt
import numpy as np
import pytest

from studylib import figures, register, words
from studylib.codes import code_of, each, fields_of
from studylib.codes.features import Caution
from studylib.register import Family, Kind
from studylib.report import text
from studylib.report.summary import summarise
from studylib.sheets.settings import Claim
from studylib.words import said, say
from tests.invented_tables import Invention

NAME = "tone.even_odd_db"
TEMPLATE = """
{% macro tone_even_odd_db() %} level of the even harmonics relative to the odd ones {% endmacro %}
"""


def even_odd_db(levels_db: np.ndarray) -> float:
    """Power of the even harmonics over that of the odd ones from the third up; 2f first, in dB."""
    power = 10 ** (np.asarray(levels_db) / 10)
    return float(10 * np.log10(power[0::2].sum() / power[1::2].sum()))


def entry(**carried) -> Family:
    plain = dict.fromkeys(("driver", "drive_level", "noise", "room"), False)
    return Family(
        pattern=NAME, numbers=None, unit="dB", scale="db", kind=Kind.TONE, harmonic=False,
        limit=None, limit_source="limits.level", **(plain | carried),
    )  # fmt: skip


@pytest.fixture
def added(monkeypatch, tmp_path):
    """A function that enters the feature; what it carries is the entry's own answer."""
    folder = tmp_path / "en"
    shutil.copytree(words.FOLDER, folder)
    with (folder / "features.j2").open("a", encoding="utf-8") as chapter:
        chapter.write(TEMPLATE)
    monkeypatch.setattr(words, "FOLDER", folder)
    _forget()

    def add(**carried):
        families = (*register.FAMILIES, entry(**carried))
        monkeypatch.setattr(register, "FAMILIES", families)

    yield add
    monkeypatch.undo()
    _forget()


def _forget() -> None:
    for kept in vars(words).values():
        if hasattr(kept, "cache_clear"):
            kept.cache_clear()


def summary_of_it():
    claim = Claim(
        text="Even ones prevail in robinia", feature=NAME, higher="robinia", lower="larch"
    )
    study, gathered = Invention(board_sd=0.3, steps={"robinia": 8.0}).make()
    features = gathered.features
    levels = features["value"].where(features["feature"] == "tone.h3.rel_db")
    features.loc[levels.notna(), "value"] = [
        even_odd_db([-20.0, -30.0, level]) for level in levels.dropna()
    ]
    features.loc[levels.notna(), "feature"] = NAME
    decide = study.settings.decide.model_copy(update={"primary": (NAME,), "limits": {}})
    settings = study.settings.model_copy(update={"decide": decide, "claims": (claim,)})
    return summarise(dataclasses.replace(study, settings=settings), gathered)


def test_the_function_is_right_on_levels_worked_by_hand():
    assert even_odd_db([-20.0, -30.0]) == pytest.approx(10.0)
    assert even_odd_db([-20.0, -17.0, -20.0]) == pytest.approx(10 * np.log10(2) - 3.0, abs=0.001)


@pytest.mark.parametrize(
    ("carried", "caution"),
    [("driver", Caution.DRIVER), ("noise", Caution.NOISE), ("drive_level", Caution.DRIVE_LEVEL)],
)
def test_what_the_register_says_it_carries_is_told_wherever_woods_are_compared(
    added, carried, caution
):
    added(**{carried: True})
    summary = summary_of_it()
    sentence = say(caution)
    pairs = text.take_home(summary)
    assert len(pairs) == 3
    for pair in pairs:
        assert fields_of(pair)["result"]["caveats"][0] == caution
        assert sentence[1:] in say(pair)
        assert say(pair)[:36] == "Level of the even harmonics relative"
    claim = summary.comparison.claims.loc[0]
    assert claim["verdict"] == "supported"
    assert code_of(claim["reason"]) == "claims.numbers"
    assert each(claim["caveats"])[0] == caution
    assert sentence in said(claim["caveats"])
    codes = {"driver": "driver_in", "noise": "whose_noise", "drive_level": "level_or_drive"}
    assert f"summary.{codes[carried]}" in map(code_of, text.cannot_say(summary))
    drawn = figures.effects_figure(summary.primary_effects())
    marked = say("figures_effects.marked", cautions=[caution])
    assert marked in drawn.get_supxlabel().splitlines()
    assert "*" in drawn.axes[0].get_title(loc="left")
    plt.close("all")


def test_a_feature_that_carries_nothing_else_has_no_caution(added):
    added()
    summary = summary_of_it()
    for pair in text.take_home(summary):
        assert not set(fields_of(pair)["result"]["caveats"]) & set(Caution)
    assert not set(each(summary.comparison.claims.loc[0, "reason"])) & set(Caution)
    drawn = figures.effects_figure(summary.primary_effects())
    assert "*" not in drawn.get_supxlabel()
    plt.close("all")


def test_an_entry_without_an_answer_is_refused():
    with pytest.raises(TypeError, match="driver"):
        Family(
            pattern=NAME, numbers=None, unit="dB", scale="db", kind=Kind.TONE, harmonic=False,
            drive_level=False, noise=False, room=False, limit=None, limit_source="limits.level",
        )  # fmt: skip
