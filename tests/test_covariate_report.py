"""What the reader is told about a property held equal: sentences, table and figure.

All boards here are invented, their truth is stated; no figure is compared with an earlier picture.
"""

from __future__ import annotations

import re

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from studylib.figures.covariates import covariates_figure, shown_covariates
from studylib.figures.style import COLOURS, MARKERS, VIDEO_SIZE, save_sizes
from studylib.report.covariates import about_covariates, covariate_sentences, covariates_table
from studylib.stats.compare import compare
from studylib.stats.covariates import Covariates, analyse_covariates
from tests.stats.simulate import WOODS, features_table, specimens_table

LEVEL, LOG = "tone.h3.rel_db", "tap.m1.decay_time_s"
DENSITY, STIFFNESS = "wood.density_kg_m3", "wood.youngs_modulus_gpa"


@pytest.fixture(autouse=True)
def _nothing_left_open():
    yield
    plt.close("all")


def invented(*, counts=(4, 4, 4), densities=(580.0, 560.0, 770.0), slope=0.0, seed=172):
    """A study: density 20 kg/m3 between boards of a wood; levels change by `slope` dB per kg/m3.

    Thickness is 18 mm give or take 0.05 mm, in every wood.
    """
    rng = np.random.default_rng(seed)
    specimens = specimens_table(counts)
    count = len(specimens)
    specimens["thickness_mm"] = rng.normal(18.0, 0.05, count)
    density = np.repeat(densities, counts) + rng.normal(0.0, 20.0, count)
    rows = features_table(specimens, rng, names=(LEVEL, LOG), board_sd=0.2, mount_sd=0.1)
    more = rows["specimen"].map(dict(zip(specimens["specimen"], density, strict=True)))
    rows.loc[rows["feature"] == LEVEL, "value"] += slope * (more - 600.0)
    own = pd.DataFrame({"specimen": specimens["specimen"], "covariate": DENSITY, "value": density})
    comparison = compare(rows, specimens, woods=WOODS, primary=[LEVEL, LOG])
    return analyse_covariates(
        comparison, specimens, own, woods=WOODS, features=[LEVEL, LOG], confidence=0.95
    )


@pytest.fixture(scope="module")
def apart():
    """Three woods whose densities lie far apart."""
    return invented(densities=(500.0, 650.0, 800.0))


@pytest.fixture(scope="module")
def shared():
    """Density alone makes the difference: 0.05 dB per kg/m3, woods 20 kg/m3 apart."""
    return invented(counts=(12, 12, 12), densities=(560.0, 580.0, 600.0), slope=0.05)


def sentence(found: Covariates, feature: str, covariate: str) -> str:
    own = found.table[found.table["feature"] == feature]
    return covariate_sentences(Covariates(own, found.points, found.lines), covariates=[covariate])[
        0
    ]


class TestSentences:
    def test_no_overlap_is_said_after_the_numbers(self, apart):
        said = sentence(apart, LEVEL, DENSITY)
        assert said.startswith("Level of harmonic 3 relative to the fundamental, with density held")
        numbers, caution = said.split(" But ")
        assert numbers.count(" instead of ") == 3
        assert "the woods do not overlap in density (cherry against larch, robinia" in caution
        assert "cannot be told apart in these boards, whatever the numbers say" in caution
        # Where wood and density cannot be told apart, neither is called the reason.
        assert "the reason" not in said
        assert "stays" not in said
        assert "either way" not in said

    def test_a_difference_that_density_makes_is_no_longer_shown(self, shared):
        rows = shared.table
        row = rows[(rows["feature"] == LEVEL) & (rows["covariate"] == DENSITY)].iloc[1]
        assert row["low_without"] > 0 > row["low_with"]
        said = sentence(shared, LEVEL, DENSITY)
        assert "No longer shown to differ with density held equal" in said
        assert "does not prove that density is the reason" in said
        assert "But the woods" not in said
        assert "degrees of freedom left" not in said  # 36 - 3 - 1 = 32

    def test_a_difference_that_stays(self, shared):
        said = sentence(shared, LEVEL, "thickness_mm")
        assert "A difference stays with thickness held equal" in said

    def test_the_slope_has_its_unit_and_interval(self, shared):
        # Truth: 0.05 dB per kg/m3, so 0.5 dB per 10 kg/m3.
        said = sentence(shared, LEVEL, DENSITY)
        found = re.search(r"changes by (\S+) dB per 10 kg/m3 \((\S+) to (\S+) dB\)", said)
        slope, low, high = (float(number) for number in found.groups())
        assert low < 0.5 < high
        assert slope == pytest.approx(0.5, abs=0.06)
        assert "not told apart from no change" not in said

    def test_few_boards_are_warned_of(self, apart):
        assert "With only 8 degrees of freedom left" in sentence(apart, LEVEL, DENSITY)
        small = invented(counts=(3, 3, 2))
        said = sentence(small, LEVEL, DENSITY)
        assert "With only 3 degrees of freedom left" in said
        assert "hardly more than a guess" in said
        assert "robinia against larch: no answer; fewer than 3 sources" in said

    def test_percent_for_a_decay_time(self, shared):
        said = sentence(shared, LOG, DENSITY).removeprefix("Decay time of mode 1 to −60 dB")
        assert " % (" in said
        assert " dB" not in said

    def test_the_driver_is_never_credited_to_the_board(self, shared):
        assert "the driver works and its own distortion" in sentence(shared, LEVEL, DENSITY)
        assert "driver" not in sentence(shared, LOG, DENSITY)

    def test_nothing_to_hold_equal(self, apart):
        empty = Covariates(apart.table.iloc[:0], apart.points.iloc[:0], apart.lines.iloc[:0])
        assert covariate_sentences(empty)[0].startswith("No property of the boards")
        assert about_covariates(empty) == covariate_sentences(empty)
        assert covariates_table(empty).empty

    def test_no_sentence_decides_or_counts_takes(self, shared, apart):
        for found in (shared, apart):
            text = " ".join([*about_covariates(found), *covariate_sentences(found)])
            assert "takes" not in text
            assert "proves" not in text
            assert "-" not in text.replace("Tukey-Kramer", "")  # minus signs are real ones
            assert "nan" not in text.lower().split()


class TestTable:
    def test_one_row_a_feature_property_and_pair(self, apart):
        shown = covariates_table(apart)
        assert len(shown) == 2 * 2 * 3
        assert list(shown["held equal"].head(4)) == ["density"] * 3 + ["thickness"]
        row, raw = shown.iloc[0], apart.table[apart.table["covariate"] == DENSITY].iloc[0]
        assert row["pair"] == "cherry minus larch"
        assert float(row["with"].removesuffix(" dB").replace("−", "-")) == pytest.approx(
            raw["difference_with"], abs=0.1
        )
        assert row["overlap"] == "0 %"
        assert row["boards"] == "4 and 4"


class TestFigure:
    def test_a_panel_each_with_quantity_and_unit(self, apart):
        figure = covariates_figure(apart, WOODS)
        assert len(figure.axes) == 4
        assert [a.get_xlabel() for a in figure.axes[2:]] == ["density (kg/m3)", "thickness (mm)"]
        assert figure.axes[0].get_ylabel().endswith("(dB)")
        assert figure.axes[2].get_ylabel().endswith("(s)")

    def test_one_point_a_board_in_the_woods_colour_and_marker(self, apart):
        axes = covariates_figure(apart, WOODS).axes[0]
        drawn = {line.get_marker(): line for line in axes.lines if line.get_marker() != "None"}
        assert list(drawn) == list(MARKERS[:3])
        for place, wood in enumerate(WOODS):
            line = drawn[MARKERS[place]]
            rows = apart.points
            own = rows[
                (rows["wood"] == wood) & (rows["feature"] == LEVEL) & (rows["covariate"] == DENSITY)
            ]
            assert line.get_color() == COLOURS[place]
            assert list(line.get_xdata()) == list(own["x"])
            assert list(line.get_ydata()) == list(own["value"])

    def test_lines_share_one_slope_and_stay_with_their_boards(self, shared):
        axes = covariates_figure(shared, WOODS).axes[0]
        lines = [line for line in axes.lines if line.get_marker() == "None"]
        slopes = [np.polyfit(line.get_xdata(), line.get_ydata(), 1)[0] for line in lines]
        assert len(lines) == 3
        assert slopes == pytest.approx([slopes[0]] * 3)
        assert slopes[0] == pytest.approx(0.05, abs=0.01)
        own = shared.points[
            (shared.points["wood"] == "larch") & (shared.points["feature"] == LEVEL)
        ]
        own = own[own["covariate"] == DENSITY]["x"]
        assert (min(lines[0].get_xdata()), max(lines[0].get_xdata())) == (own.min(), own.max())

    def test_the_panel_says_that_woods_do_not_overlap(self, apart, shared):
        assert covariates_figure(apart, WOODS).axes[0].get_title(loc="left").startswith("no overl")
        assert covariates_figure(shared, WOODS).axes[0].get_title(loc="left").startswith("all pai")

    def test_density_stiffness_thickness_come_first(self):
        names = ["length_mm", "mass_g", "thickness_mm", STIFFNESS, DENSITY]
        table = pd.DataFrame({"covariate": names, "difference_with": 1.0})
        assert shown_covariates(table) == (DENSITY, STIFFNESS, "thickness_mm")
        table.loc[4, "difference_with"] = np.nan
        assert shown_covariates(table) == (STIFFNESS, "thickness_mm", "mass_g")

    def test_video_size_and_nothing_to_draw(self, apart, tmp_path):
        files = save_sizes(
            lambda **size: covariates_figure(apart, WOODS, **size), tmp_path, "covariates"
        )
        assert [file.name for file in files][-1] == "covariates_16x9.png"
        empty = Covariates(apart.table.iloc[:0], apart.points.iloc[:0], apart.lines.iloc[:0])
        figure = covariates_figure(empty, WOODS, size=VIDEO_SIZE)
        assert "No property" in figure.texts[0].get_text()
