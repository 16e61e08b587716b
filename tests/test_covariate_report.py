"""What the reader is told about a property held equal: sentences and table.

All boards here are invented, their truth is stated.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studylib.codes import code_of, fields_of, has
from studylib.codes.features import Caution
from studylib.report.covariates import (
    about_covariates,
    covariate_notes,
    covariates_table,
    shown_covariates,
)
from studylib.stats.compare import compare
from studylib.stats.covariates import Covariates, analyse_covariates, covariate_quantity
from studylib.words import say
from tests.stats.simulate import WOODS, features_table, specimens_table

LEVEL, LOG = "tone.h3.rel_db", "tap.m1.decay_time_s"
DENSITY, STIFFNESS = "wood.density_kg_m3", "wood.youngs_modulus_gpa"


def invented(*, counts=(4, 4, 4), densities=(580.0, 560.0, 770.0), slope=0.0, seed=172):
    """A study: density 20 kg/m3 between boards of a wood; levels change by `slope` dB per kg/m3.

    Thickness is 18 mm give or take 0.05 mm in every wood, and measured to 0.01 mm; density to
    2 kg/m3. How well knots were counted is not known.
    """
    rng = np.random.default_rng(seed)
    specimens = specimens_table(counts)
    count = len(specimens)
    specimens["thickness_mm"] = rng.normal(18.0, 0.05, count)
    specimens["knots"] = rng.poisson(9.0, count)
    density = np.repeat(densities, counts) + rng.normal(0.0, 20.0, count)
    rows = features_table(specimens, rng, names=(LEVEL, LOG), board_sd=0.2, mount_sd=0.1)
    more = rows["specimen"].map(dict(zip(specimens["specimen"], density, strict=True)))
    rows.loc[rows["feature"] == LEVEL, "value"] += slope * (more - 600.0)
    own = pd.DataFrame({"specimen": specimens["specimen"], "covariate": DENSITY, "value": density})
    own["u"] = 2.0
    comparison = compare(rows, specimens, woods=WOODS, primary=[LEVEL, LOG])
    return analyse_covariates(
        comparison, specimens, own, woods=WOODS, features=[LEVEL, LOG], confidence=0.95,
        uncertainties={"thickness_mm": 0.01},
    )  # fmt: skip


@pytest.fixture(scope="module")
def apart():
    """Three woods whose densities lie far apart."""
    return invented(densities=(500.0, 650.0, 800.0))


@pytest.fixture(scope="module")
def shared():
    """Density alone makes the difference: 0.05 dB per kg/m3, woods 20 kg/m3 apart."""
    return invented(counts=(12, 12, 12), densities=(560.0, 580.0, 600.0), slope=0.05)


def emptied(found: Covariates) -> Covariates:
    return replace(found, table=found.table.iloc[:0])


def parts(found: Covariates, feature: str, covariate: str) -> dict[str, list[dict]]:
    """The parts of one paragraph: code -> the fields of its notes."""
    own = found.table[found.table["feature"] == feature]
    (paragraph,) = covariate_notes(replace(found, table=own), covariates=[covariate])
    assert code_of(paragraph) == "covariates.paragraph"
    told = fields_of(paragraph)
    assert told["name"] == feature
    out: dict[str, list[dict]] = {}
    for part in told["parts"]:
        out.setdefault(code_of(part), []).append(fields_of(part))
    return out


def outcomes(told) -> set[str]:
    return {fields["outcome"] for fields in told.get("covariates.outcome", ())}


class TestNotes:
    def test_no_overlap_is_said_after_the_numbers(self, apart):
        told = parts(apart, LEVEL, DENSITY)
        assert list(told)[:2] == ["covariates.pairs", "covariates.apart"]
        assert len(told["covariates.pairs"][0]["pairs"]) == 3
        (caution,) = told["covariates.apart"]
        assert caution["held"] == covariate_quantity(DENSITY).short
        assert caution["pairs"][0] == {"wood_a": "larch", "wood_b": "cherry"}
        # Where the two cannot be separated, neither is called the reason.
        assert "covariates.outcome" not in told

    def test_a_difference_that_density_makes_is_no_longer_shown(self, shared):
        rows = shared.table
        row = rows[(rows["feature"] == LEVEL) & (rows["covariate"] == DENSITY)].iloc[1]
        assert row["low_without"] > 0 > row["low_with"]
        told = parts(shared, LEVEL, DENSITY)
        assert "covariates.gone" in outcomes(told)
        assert "whether density is the reason cannot be" in say("covariates.gone", held="density")
        assert "covariates.apart" not in told

    def test_a_difference_that_stays(self, shared):
        assert "covariates.stays" in outcomes(parts(shared, LEVEL, "thickness_mm"))

    def test_the_slope_has_its_unit_and_interval(self, shared):
        # Truth: 0.05 dB per kg/m3, so 0.5 dB per 10 kg/m3.
        (slope,) = parts(shared, LEVEL, DENSITY)["covariates.slope"]
        assert slope["slope_unit"] == "dB per 10 kg/m3"
        assert slope["low"] < 0.5 < slope["high"]
        assert slope["slope"] == pytest.approx(0.5, abs=0.06)
        assert 0.9 < slope["reliability"] < 0.995
        assert not slope["flat"]
        said = say("covariates.slope", **slope)
        assert re.search(r"changes by \S+ dB per 10 kg/m3 \(\S+ to \S+ dB\)\.", said)

    def test_a_wood_of_few_boards_gets_no_answer(self):
        told = parts(invented(counts=(3, 3, 2)), LEVEL, DENSITY)
        first = told["covariates.no_answer"][0]
        assert first["pair"] == {"wood_a": "larch", "wood_b": "robinia"}
        assert has(first["why"], "covariates.few_sources")

    def test_nothing_is_no_reason_whose_errors_are_not_known(self, shared):
        # Knots have nothing to do with the level here, so the difference is there as before.
        told = parts(shared, LEVEL, "knots")
        assert "covariates.errors_unknown" in outcomes(told)
        assert not outcomes(told) & {"covariates.stays", "covariates.turned", "covariates.appears"}
        assert told["covariates.slope"][0]["reliability"] is None

    def test_sentences_are_said_over_all_that_are_shown(self, shared):
        # Two pairs are shown to differ with thickness held equal at 5 % each; not at 5 % over
        # four families when the p of one pair is 2 %.
        def told(p, covariates):
            table = shared.table.copy()
            own = (table["feature"] == LEVEL) & (table["covariate"] == "thickness_mm")
            table.loc[:, "p_with"] = 0.9
            table.loc[own, "p_with"] = [p, 0.5, 0.5]
            table.loc[own, "p_slopes_differ"] = p
            table.loc[~own, "p_slopes_differ"] = 0.9
            found = replace(shared, table=table)
            text = [one for one in covariate_notes(found, covariates=covariates)]
            parts = [part for one in text for part in fields_of(one)["parts"]]
            slopes = [fields_of(one)["p"] for one in parts if code_of(one) == "covariates.slope"]
            said = {fields_of(one)["outcome"] for one in parts
                    if code_of(one) == "covariates.outcome"}  # fmt: skip
            return bool(said & {"covariates.stays", "covariates.appears"}), any(slopes)

        assert told(0.02, ["thickness_mm"]) == (True, True)  # two features: 4 %
        assert told(0.02, ["thickness_mm", DENSITY]) == (False, False)  # four families: 8 %
        assert told(0.01, ["thickness_mm", DENSITY]) == (True, True)
        assert told(0.01, ["thickness_mm", DENSITY, "knots"]) == (False, False)

    def test_how_many_sentences_there_are_is_said(self, shared):
        family = next(one for one in about_covariates(shared) if code_of(one) != one)
        assert fields_of(family) == {"comparisons": 2 * 3 * 3, "confidence": 0.95}

    def test_percent_for_a_decay_time(self, shared):
        told = parts(shared, LOG, DENSITY)
        assert told["covariates.pairs"][0]["unit"] == "%"
        assert told["covariates.slope"][0]["unit"] == "%"

    def test_the_driver_is_never_credited_to_the_board(self, shared):
        told = parts(shared, LEVEL, DENSITY)
        assert {"caution": Caution.DRIVER} in told["covariates.caution"]
        assert "covariates.caution" not in parts(shared, LOG, DENSITY)

    def test_nothing_to_hold_equal(self, apart):
        empty = emptied(apart)
        assert covariate_notes(empty) == about_covariates(empty) == ["covariates.nothing"]
        assert covariates_table(empty).empty

    def test_no_sentence_decides_or_counts_takes(self, shared, apart):
        for found in (shared, apart):
            text = " ".join(map(say, [*about_covariates(found), *covariate_notes(found)]))
            assert "takes" not in text
            assert "proves" not in text
            assert "-" not in text  # minus signs are real ones
            assert "nan" not in text.lower().split()

    @pytest.mark.parametrize(
        ("p_without", "p_with", "difference", "reliability", "outcome"),
        [
            (0.01, 0.01, 1.0, 0.9, "covariates.stays"),
            (0.01, 0.01, -1.0, 0.9, "covariates.turned"),
            (0.01, 0.09, 1.0, 0.9, "covariates.gone"),
            (0.09, 0.01, -1.0, 0.9, "covariates.appears"),
            (0.09, 0.09, 1.0, 0.9, "covariates.neither"),
            (0.01, np.nan, 1.0, 0.9, "covariates.without_interval"),
            (0.01, 0.01, 1.0, np.nan, "covariates.errors_unknown"),
            (0.09, 0.01, 1.0, np.nan, "covariates.errors_unknown"),
            (0.01, 0.09, 1.0, np.nan, "covariates.gone"),
        ],
    )
    def test_each_outcome_has_its_code_and_its_words(
        self, shared, p_without, p_with, difference, reliability, outcome
    ):
        rows = shared.table
        rows = rows[(rows["feature"] == LEVEL) & (rows["covariate"] == DENSITY)].head(1).copy()
        rows[["p_without", "p_with", "reliability"]] = (p_without, p_with, reliability)
        rows[["difference_without", "difference_with"]] = (1.0, difference)
        told = parts(replace(shared, table=rows), LEVEL, DENSITY)
        assert outcomes(told) == {outcome}
        said = say("covariates.outcome", **told["covariates.outcome"][0])
        assert said == f"{say(outcome, held='density')}: cherry versus larch."


class TestTable:
    def test_one_row_a_feature_property_and_pair(self, apart):
        shown = covariates_table(apart)
        assert len(shown) == 2 * 3 * 3
        held = [say(cell) for cell in shown["held equal"].head(4)]
        assert held == ["density"] * 3 + ["thickness"]
        row, raw = shown.iloc[0], apart.table[apart.table["covariate"] == DENSITY].iloc[0]
        assert row["pair"] == "cherry minus larch"
        assert float(row["with"].removesuffix(" dB").replace("−", "-")) == pytest.approx(
            raw["difference_with"], abs=0.1
        )
        assert row["overlap"] == "0 %"
        assert row["boards"] == "4 and 4"


def test_density_stiffness_thickness_come_first():
    names = ["length_mm", "mass_g", "thickness_mm", STIFFNESS, DENSITY]
    table = pd.DataFrame({"covariate": names, "difference_with": 1.0})
    assert shown_covariates(table) == (DENSITY, STIFFNESS, "thickness_mm")
    table.loc[4, "difference_with"] = np.nan
    assert shown_covariates(table) == (STIFFNESS, "thickness_mm", "mass_g")
