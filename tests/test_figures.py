"""Figures: they show the very numbers they were given, legibly, and give the same bytes twice.

Outside references: the colours as Okabe and Ito published them (Color Universal Design, 2008);
notes of equal temperament at A4 = 440 Hz (ISO 16). All tables here are invented.
"""

from __future__ import annotations

import dataclasses
import io
from itertools import combinations
from types import SimpleNamespace

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from IPython.core.pylabtools import print_figure
from matplotlib import cbook
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from studylib import figures, register
from studylib.figures import style
from studylib.stats.samples import FeatureMeans
from studylib.words import say
from tests.invented_tables import FEATURES, Invention

AWKWARD = (
    "European larch from the north slope, lot 2024-17 $x_1$",
    "European larch from the north slope, lot 2024-18",
    "_thermally modified ash",
    "\u6f06 walnut $5",
    "black\ncherry",
    "<script>robinia</script>",
)


@pytest.fixture(autouse=True)
def _nothing_left_open():
    yield
    plt.close("all")


def invented(woods=("larch", "cherry", "robinia"), boards=4, primary=("tone.h3.rel_db",)):
    """A summary with hand-made effects: their values are stated in the tests that read them."""
    study, gathered = Invention(woods=woods, boards=boards, primary=primary).make()
    compared = {s.specimen for s in study.specimens if not s.role}
    rows = gathered.features[gathered.features["specimen"].isin(compared)]
    keys = ["feature", "wood", "specimen"]
    mounts = rows.groupby([*keys, "mount"], sort=False)["value"].mean().reset_index()
    means = mounts.groupby(keys, sort=False)["value"].mean().reset_index()

    def wood_means(feature: str) -> pd.DataFrame:
        own = means[means["feature"] == feature].groupby("wood", sort=False)["value"]
        table = own.agg(mean="mean", n="size").reset_index()
        return table.assign(low=table["mean"] - 1.0, high=table["mean"] + 1.5)

    pairs = list(combinations(woods, 2))
    effects = pd.DataFrame(
        [
            {
                "feature": feature,
                "role": "primary" if feature in primary else "exploratory",
                "wood_a": a,
                "wood_b": b,
                "difference": 1.0 + place,
                "unit": register.find(feature).difference_unit,
                "low": place - 0.5,
                "high": place + 2.5,
                "limit": 1.0,
                "g": 0.5 + place,
                "g_low": place - 0.25,
                "g_high": place + 1.25,
                "q": 0.1 * (place + 1),
                "verdict": ("beyond limit", "different", "within limit", "same", "open")[place % 5],
                "caveats": "",
            }
            for feature in FEATURES
            for place, (a, b) in enumerate(pairs)
        ]
    )
    variance = pd.DataFrame(
        {
            "feature": primary[0],
            "level": ["wood", "specimen", "mount", "take"],
            "share": [0.1, 0.6, 0.25, 0.05],
            "variance": np.square([0.5, 1.2, 0.8, 0.4]),
            "low": np.square([0.0, 0.8, 0.6, 0.35]),
            "high": np.square([2.0, 2.4, 1.2, 0.45]),
        }
    )
    control = pd.DataFrame(
        {
            "feature": primary,
            "changed": "ref-plus-7g",
            "reference": "ref",
            "difference": 3.0,
            "unit": "dB",
            "low": 1.0,
            "high": 5.0,
            "limit": 6.0,
            "detected": True,
        }
    )
    return SimpleNamespace(
        study=study,
        gathered=gathered,
        woods=study.woods,
        primary=primary,
        measured=primary,
        control=control,
        effects=effects,
        primary_effects=effects[effects["role"] == "primary"],
        variance=variance,
        means=lambda f: FeatureMeans(
            register.find(f),
            study.woods,
            means[means["feature"] == f],
            mounts[mounts["feature"] == f],
            wood_means(f),
            0.95,
        ),
    )


def invented_chart(summary):
    """Four mounts of the reference, the third outside; a few of other boards; one feature."""
    name = "tone.h3.rel_db"
    chart = pd.DataFrame(
        {
            "feature": name, "specimen": "ref", "batch": ["one", "one", "two", "two"],
            "mount": [1, 2, 3, 4], "number": [1, 5, 9, 13], "started": pd.NaT,
            "y": [2.0, 1.0, 5.0, 2.5], "centre": 2.0, "low": 0.0, "high": 4.0,
            "outside": [False, False, True, False],
        }
    )  # fmt: skip
    others = pd.DataFrame(
        {
            "feature": name,
            "batch": ["one", "two"],
            "number": [2, 10],
            "started": pd.to_datetime(["2026-03-07T09:30", "2026-03-08T10:15"]),
            "y": [0.4, -0.4],
        }
    )
    return chart, others, [register.find(name)]


def every_figure(summary, size=None) -> dict[str, Figure]:
    return {
        "boards": figures.boards_figure(summary.means("tone.h3.rel_db"), size=size),
        "effects": figures.effects_figure(summary.primary_effects, size=size),
        "drift": figures.drift_figure(*invented_chart(summary), size=size),
        "variance": figures.variance_figure(summary.variance, size=size),
        "spectra": figures.spectra_figure(summary.gathered.spectra, summary.study, size=size),
    }


def bars(axes) -> list[tuple[float, float, float]]:
    """Horizontal bars as (y, from, to)."""
    found = []
    for collection in axes.collections:
        if isinstance(collection, mpl.collections.LineCollection):
            found += [(s[0][1], s[0][0], s[1][0]) for s in collection.get_segments()]
    return found


def points(axes) -> list[tuple[float, float]]:
    return [
        (float(x), float(y))
        for line in axes.lines
        if line.get_linestyle() == "None" or line.get_marker() not in ("None", None, "")
        for x, y in zip(*line.get_data(), strict=True)
    ]


def overlaps(texts, figure) -> list[tuple[str, str]]:
    renderer = figure.canvas.get_renderer()
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts if t.get_text()]
    return [(a[0], b[0]) for a, b in combinations(boxes, 2) if a[1].overlaps(b[1])]


def sentence(figure) -> str:
    """What an empty figure says; it is a picture in a notebook, not the text `<Figure ...>`."""
    assert print_figure(figure)
    assert " ".join(figure.texts[0].get_text().split()) == figure.get_label()
    return style.alt_text(figure)


# ---------------------------------------------------------------- the look


def test_colours_are_those_published_by_okabe_and_ito():
    published = {
        (0, 0, 0), (230, 159, 0), (86, 180, 233), (0, 158, 115),
        (240, 228, 66), (0, 114, 178), (213, 94, 0), (204, 121, 167),
    }  # fmt: skip
    ours = {tuple(round(255 * part) for part in to_rgb(c)) for c in style.COLOURS}
    assert ours == published


def test_every_wood_differs_in_marker_as_well_as_colour():
    eight = style.looks([f"wood {i}" for i in range(8)])
    assert len({look.marker for look in eight.values()}) == 8
    many = style.looks([f"wood {i}" for i in range(64)])
    assert len(set(many.values())) == 64


@pytest.mark.parametrize(
    ("hertz", "note"),
    # Equal temperament at A4 = 440 Hz (ISO 16): C4 261.63, F3 174.61, E2 82.41, C8 4186.01 Hz.
    [(440, "A4"), (261.63, "C4"), (174.61, "F3"), (172.0, "F3"), (82.41, "E2"), (4186.01, "C8"),
     (27.5, "A0"), (466.16, "A#4")],
)  # fmt: skip
def test_note_names(hertz, note):
    assert style.note_name(hertz) == note


def test_frequency_ticks_carry_hertz_and_note():
    axes = plt.figure().subplots()
    style.frequency_axis(axes, 43.0, 8000.0)
    labels = [t.get_text() for t in axes.get_xticklabels()]
    assert labels == ["55\nA1", "110\nA2", "220\nA3", "440\nA4", "880\nA5", "1.76k\nA6",
                      "3.52k\nA7", "7.04k\nA8"]  # fmt: skip
    assert axes.get_xscale() == "log"
    assert "Hz" in axes.get_xlabel()


@pytest.mark.parametrize("text", ["$x_1$", "oak $5 or $6", r"a\$b", "{$\\frac$}", "plain"])
def test_text_from_the_sheets_never_becomes_a_formula(text):
    drawn = style.safe(text)
    # matplotlib's own test of what it takes for a formula, and its own way back.
    assert not cbook.is_math_text(drawn)
    assert drawn.replace(r"\$", "$") == text


def test_letters_that_the_font_lacks_and_line_breaks_are_replaced():
    assert style.safe("\u6f06\nlarch\t\x07x") == "\N{WHITE SQUARE} larch x"


def test_long_names_keep_both_ends_and_stay_within_their_lines():
    drawn = style.wrapped("European larch from the north slope, lot 2024-17", 14)
    lines = drawn.split("\n")
    assert len(lines) == 2
    assert all(len(line) <= 14 for line in lines)
    assert drawn.startswith("European")
    assert drawn.endswith("17")
    assert style.wrapped("short", 14) == "short"
    assert style.wrapped("", 5) == ""


# ---------------------------------------------------------------- files


def test_saved_files_have_the_sizes_promised_and_the_same_bytes_twice(tmp_path):
    summary = invented()

    def draw(size=None):
        return figures.boards_figure(summary.means("tone.h3.rel_db"), size=size)

    first, second = tmp_path / "a", tmp_path / "b"
    for folder in (first, second):
        folder.mkdir()
        figures.save_sizes(draw, folder, "boards")
    names = sorted(p.name for p in first.iterdir())
    assert names == ["boards.png", "boards.svg", "boards_16x9.png"]
    assert all((first / n).read_bytes() == (second / n).read_bytes() for n in names)
    frame = plt.imread(first / "boards_16x9.png")
    assert frame.shape[:2] == (1080, 1920)
    inside = np.ones((1080, 1920), dtype=bool)
    inside[32:-32, 58:-58] = False  # 3 % of each side
    assert (frame[inside] == 1.0).all(), "the rim of a video frame is white"
    svg = (first / "boards.svg").read_text(encoding="utf-8")
    assert "dc:date" not in svg
    assert not plt.get_fignums()


def test_a_figure_that_was_shown_gives_the_same_files_without_being_laid_out_again(tmp_path):
    summary = invented()
    calls = []

    def draw(size=None):
        calls.append(size)
        return figures.boards_figure(summary.means("tone.h3.rel_db"), size=size)

    page = draw()
    # As a notebook shows it: under the caller's settings, with its rim cut off, and then closed.
    page.savefig(io.BytesIO(), format="png", bbox_inches="tight")
    plt.close("all")
    for folder, given in (("shown", page), ("fresh", None)):
        (tmp_path / folder).mkdir()
        figures.save_sizes(draw, tmp_path / folder, "boards", given)
    assert calls == [None, style.VIDEO_SIZE, None, style.VIDEO_SIZE]
    for name in ("boards.png", "boards.svg", "boards_16x9.png"):
        shown, fresh = (tmp_path / folder / name for folder in ("shown", "fresh"))
        assert shown.read_bytes() == fresh.read_bytes()


def test_the_video_frame_is_laid_out_anew_and_not_stretched(tmp_path):
    summary = invented()
    sizes = []

    def draw(size=None):
        figure = figures.variance_figure(summary.variance, size=size)
        sizes.append(tuple(figure.get_size_inches()))
        return figure

    figures.save_sizes(draw, tmp_path, "variance")
    assert sizes[1] == style.VIDEO_SIZE
    assert sizes[0] != sizes[1]


def test_the_callers_settings_neither_count_nor_change():
    with mpl.rc_context({"font.size": 31, "axes.grid": True}):
        figure = figures.variance_figure(invented().variance)
        assert mpl.rcParams["font.size"] == 31
        assert not figure.axes[0].xaxis.get_gridlines()[0].get_visible()
    assert figure.axes[0].xaxis.label.get_fontsize() == style.STYLE["axes.labelsize"]


@pytest.mark.parametrize(
    ("woods", "boards", "size"),
    [
        (("larch", "cherry"), 2, None),
        (("larch", "cherry"), 24, style.VIDEO_SIZE),
        (AWKWARD, 10, None),
        (AWKWARD, 10, style.VIDEO_SIZE),
    ],
)
def test_no_text_runs_into_another(woods, boards, size):
    for name, figure in every_figure(invented(woods, boards), size).items():
        figure.draw_without_rendering()
        for axes in figure.axes:
            if not axes.get_visible():
                continue
            for labels in (axes.get_xticklabels(), axes.get_yticklabels(), axes.texts):
                assert not overlaps(labels, figure), name
            ticks = [t for t in axes.get_xticklabels() if t.get_text()]
            assert not overlaps([*ticks[:1], axes.xaxis.label], figure), name
            names = axes.get_legend().get_texts() if axes.get_legend() else []
            assert not overlaps([*names, *axes.texts], figure), name
        outside = [*(t for legend in figure.legends for t in legend.get_texts()), *figure.texts]
        shown = [a for a in figure.axes if a.get_visible()]
        titles = [t for a in shown for t in (a._left_title, a._right_title)]
        assert not overlaps([*outside, *titles], figure), name
        drawn = figure.get_tightbbox()
        width, height = figure.get_size_inches()
        assert drawn.x0 > -0.02, name
        assert drawn.y0 > -0.02, name
        assert drawn.x1 < width + 0.02, name
        assert drawn.y1 < height + 0.02, name
        plt.close(figure)


@pytest.mark.parametrize("size", [None, style.VIDEO_SIZE])
def test_many_small_effects_keep_their_ticks_apart(size):
    summary = invented(AWKWARD, 2, FEATURES)
    small = summary.primary_effects.copy()
    small[["difference", "low", "high"]] /= 1000
    figure = figures.effects_figure(small, size=size)
    figure.draw_without_rendering()
    assert len({round(a.get_position().y0, 3) for a in figure.axes}) == (1 if size else 2)
    for axes in figure.axes:
        low, high = axes.get_xlim()
        ticks = [t for t in axes.get_xticklabels() if low <= t.get_position()[0] <= high]
        assert len(ticks) >= 2
        assert not overlaps(ticks, figure)
        assert not overlaps(axes.get_yticklabels(), figure)
    assert not overlaps([a._left_title for a in figure.axes], figure)


def test_axes_name_quantity_and_unit():
    found = every_figure(invented())
    assert "(dB)" in found["boards"].axes[0].get_ylabel()
    assert found["effects"].axes[0].get_xlabel() == "difference (dB)"
    assert found["variance"].axes[0].get_xlabel() == "share of the spread (of the variance, %)"
    assert found["variance"].axes[1].get_xlabel() == "spread as a standard deviation (dB)"
    assert "full scale" in found["spectra"].get_supylabel()
    assert "Hz" in found["spectra"].axes[-1].get_xlabel()


# ---------------------------------------------------------------- what is drawn


def test_every_board_is_one_point_with_its_mounts_and_the_woods_interval():
    summary = invented()
    shown = summary.means("tone.h3.rel_db")
    axes = figures.boards_figure(shown).axes[0]
    boards = shown.boards
    assert sorted(y for _, y in points(axes)) == pytest.approx(sorted(boards["value"]))
    drawn = sorted(y for y, _, _ in bars(axes))
    mounts, means = shown.mounts["value"], shown.means
    expected = sorted([*mounts, *means["mean"], *means["low"], *means["high"]])
    assert drawn == pytest.approx(expected)
    assert len(boards) == 12


def test_a_wood_with_one_source_has_a_mean_but_no_interval():
    summary = invented(("larch", "cherry"), 1)
    shown = summary.means("tone.h3.rel_db")
    shown = dataclasses.replace(shown, means=shown.means.assign(low=np.nan, high=np.nan))
    axes = figures.boards_figure(shown).axes[0]
    assert len(bars(axes)) == 2 * 3 + 2  # the mounts, and a mean for each wood


def test_effects_show_primary_rows_with_interval_and_limit_and_nothing_exploratory():
    axes = figures.effects_figure(invented().primary_effects).axes
    assert len(axes) == 1
    assert bars(axes[0]) == [(0, -0.5, 2.5), (1, 0.5, 3.5), (2, 1.5, 4.5)]
    assert sorted(points(axes[0])) == [(1.0, 0.0), (2.0, 1.0), (3.0, 2.0)]
    band = axes[0].patches[0].get_extents().transformed(axes[0].transData.inverted())
    assert (band.x0, band.x1) == pytest.approx((-1.0, 1.0))


def test_declared_effects_are_filled_and_undeclared_ones_open():
    summary = invented(tuple(f"wood {i}" for i in range(4)), 2)
    axes = figures.effects_figure(summary.primary_effects).axes[0]
    filled = {
        int(line.get_ydata()[0]): line.get_markerfacecolor() != "white"
        for line in axes.lines
        if line.get_marker() not in ("None", "")
    }
    # In the order of `invented`: beyond limit, different, within limit, same, open, beyond limit.
    assert filled == {0: True, 1: True, 2: True, 3: False, 4: False, 5: True}


def test_a_mount_of_the_reference_outside_the_limits_is_ringed():
    chart, others, features = invented_chart(invented())
    axes = figures.drift_figure(chart, others, features).axes[0]
    rings = [line for line in axes.lines if line.get_markersize() > 10 and len(line.get_xdata())]
    assert [list(ring.get_xdata()) for ring in rings] == [[9]]
    (joined,) = [line for line in axes.lines if line.get_linestyle() == "-" and
                 line.get_marker() == "o"]  # fmt: skip
    assert list(joined.get_ydata()) == [0.0, -1.0, 3.0, 0.5]
    assert [t.get_text() for t in axes.texts] == ["one: 09:30 to 09:30", "two: 10:15 to 10:15"]


def test_a_power_of_ten_does_not_run_into_the_title_of_its_panel():
    chart, others, features = invented_chart(invented())
    for table in (chart, others):
        table[table.columns.intersection(["y", "centre", "low", "high"])] *= 1e-9
    (axes,) = figures.drift_figure(chart, others, features).axes
    axes.figure.draw_without_rendering()
    power = axes.yaxis.get_offset_text()
    assert power.get_text() == "1e−9"
    assert not power.get_window_extent().overlaps(axes._left_title.get_window_extent())


def test_of_many_batches_only_some_are_named_so_that_no_name_lies_on_the_next():
    chart, others, features = invented_chart(invented())
    many = pd.concat([
        one.assign(batch=f"sitting {i}", number=one["number"] + 20 * i)
        for i in range(36) for one in [chart.iloc[:2]]
    ])  # fmt: skip
    axes = figures.drift_figure(many, others.iloc[:0], features).axes[0]
    assert [t.get_text() for t in axes.texts] == [f"sitting {i}" for i in range(0, 36, 5)]


def test_effects_that_cannot_be_drawn_are_said_in_words():
    effects = invented().primary_effects.assign(verdict="boards only")
    said = sentence(figures.effects_figure(effects))
    assert said == say("figures_effects.nothing_compared")


def test_variance_shares_and_intervals():
    left, right = figures.variance_figure(invented().variance).axes
    assert [p.get_width() for p in left.patches] == pytest.approx([10, 60, 25, 5])
    assert [(low, high) for _, low, high in bars(right)] == [
        (0.0, 2.0), (0.8, 2.4), (0.6, 1.2), (0.35, 0.45),
    ]  # fmt: skip
    assert [t.get_text() for t in right.get_yticklabels()] == ["wood", "board", "mount", "take"]


def test_a_spread_of_woods_is_headed_so_where_it_was_declared_on_the_boards_own():
    """Shares in which wood is the largest: a headline of woods needs more than that."""
    variance = invented().variance.assign(share=[0.6, 0.2, 0.1, 0.1])
    clean = variance.assign(feature="tone.h1.response_db")
    told = "Woods spread more than boards of one wood do"
    for rows, declared, says in (
        (clean, {"tone.h1.response_db"}, True),
        (clean, (), False),
        (variance, {"tone.h3.rel_db"}, False),  # the driver's distortion is in it
        (clean.assign(share=[0.2, 0.6, 0.1, 0.1]), {"tone.h1.response_db"}, False),
    ):
        figure = figures.variance_figure(rows, declared=declared)
        assert (figure.get_suptitle() == told) == says
        assert style.alt_text(figure).startswith(figure.get_suptitle().split("\n")[0])


def test_a_picture_without_its_rim_keeps_its_headline():
    figure = figures.variance_figure(invented().variance)
    figure.draw_without_rendering()
    (headline,) = [text for text in figure.texts if text.get_text() == figure.get_suptitle()]
    top = headline.get_window_extent().y1 / figure.dpi
    assert top <= figure.get_tightbbox().y1 + 0.01


def test_spectra_keep_the_tone_and_leave_out_reference_and_changed():
    summary = invented()
    axes = figures.spectra_figure(summary.gathered.spectra, summary.study).axes
    labels = [a.get_legend().get_texts()[0].get_text() for a in axes]
    assert labels == ["larch, 4 boards", "cherry, 4 boards", "robinia, 4 boards"]
    for panel in axes:
        curve = panel.lines[0]
        highest = np.argmax(curve.get_ydata())
        assert curve.get_ydata()[highest] == -24.0  # the fundamental as `Invention` makes it
        assert curve.get_xdata()[highest] == pytest.approx(172.0, rel=0.02)


def test_nothing_measured_is_said_in_a_sentence():
    summary = invented()
    spectra = summary.gathered.spectra.head(0)
    assert sentence(figures.spectra_figure(spectra, summary.study)).startswith("No ")
