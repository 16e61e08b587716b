"""The figures of the attribution: right numbers drawn, and nothing breaks them."""

from __future__ import annotations

import warnings
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from studylib import figures, tables
from studylib.attribution import attribute_study
from studylib.figures.attribution import VERDICT_LOOKS
from studylib.figures.style import VIDEO_SIZE
from tests.invented_tables import Invention

DEMO = Path(__file__).parents[1] / "data_demo"


@pytest.fixture(scope="module")
def study(measured_demo):
    return measured_demo[0]


@pytest.fixture(scope="module")
def found(measured_demo):
    study, gathered = measured_demo
    return attribute_study(study, gathered.harmonics, board_modes=gathered.board_modes)


@pytest.fixture(autouse=True)
def _close():
    yield
    plt.close("all")


def made_up(specimens=("larch-1",), mounts=1, size=6, **columns) -> pd.DataFrame:
    """Rows that no study gave, for looks alone: everything is the driver's unless said else."""
    rows = [
        {
            "specimen": specimen, "mount": mount, "harmonic": k, "observed_db": 60.0 - 6 * k,
            "predicted_db": 60.0 - 6 * k, "excess_db": 0.1, "low": -0.6, "high": 0.8,
            "verdict": "driver", "reason": "", "unit": "dB SPL", "u": 0.2, "phase_deg": 0.0,
            "route": "attribution.probe", "noise_db": -5.0, "air_db": 10.0, "air_is_limit": False,
            "recorder_db": -8.0, "recorder_is_limit": True, "hum_db": -np.inf, "settle": "",
            "batch": "day1", **columns,
        }
        for specimen in specimens
        for mount in range(1, mounts + 1)
        for k in range(2, size + 1)
    ]  # fmt: skip
    return tables.typed("attribution", rows)


def points(axes, marker: str) -> list[tuple[float, float]]:
    """Places of every mark of that kind."""
    found = []
    for line in axes.lines:
        if line.get_marker() == marker and line.get_linestyle() == "None":
            found += list(zip(line.get_xdata(), line.get_ydata(), strict=True))
    return [(float(x), float(y)) for x, y in found]


# ------------------------------------------------------------------ the story


def test_the_story_draws_what_was_recorded_and_what_the_driver_gives(found):
    rows = found.table[found.table["specimen"] == "C3"]
    panels = figures.story_figure(found.table, "C3").axes
    assert [axes.get_title(loc="left") for axes in panels] == [f"C3, mount {m}" for m in (1, 2, 3)]
    second = rows[rows["mount"] == 2]
    heard = second[second["verdict"] != "noise"]
    drawn = points(panels[1], "o")
    for r in heard.itertuples():
        assert (r.harmonic, pytest.approx(r.observed_db)) in drawn
    told = heard[np.isfinite(heard["excess_db"])]
    predicted = dict(points(panels[1], "_"))
    for r in told.itertuples():
        assert predicted[r.harmonic] == pytest.approx(r.observed_db - r.excess_db)
    # The bar reaches over the interval of the excess, upside down.
    bars = panels[1].collections[0].get_segments()
    first = told.iloc[0]
    assert bars[0][0][1] == pytest.approx(first["observed_db"] - first["high"])
    assert bars[0][1][1] == pytest.approx(first["observed_db"] - first["low"])


def test_every_verdict_has_a_mark_of_its_own(found):
    figure = figures.story_figure(found.table, "C3")
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert {"verdict: driver", "verdict: beyond the driver", "verdict: cannot tell"} <= set(labels)

    markers = [marker for _, marker, _ in VERDICT_LOOKS.values()]
    assert len(set(markers)) == len(markers) == 7


def test_upper_limits_are_open_triangles(found):
    panel = figures.story_figure(made_up(), "larch-1").axes[0]
    open_ones = [line for line in panel.lines if line.get_marker() == "v" and len(line.get_xdata())]
    assert all(line.get_markerfacecolor() == "none" for line in open_ones)
    assert len(points(panel, "v")) == 5  # the recorder is only bounded
    assert len(points(panel, "D")) == 5  # the air was found


# ------------------------------------------------------------- all the study


def test_the_excess_of_every_mount_is_drawn_and_the_contact_named(found, study):
    figure = figures.excess_figure(found.table, study)
    upper, lower = figure.axes
    names = [text.get_text() for text in upper.texts]
    assert names == ["C3, mount 2"]
    rings = [line for line in upper.lines if line.get_markersize() == 11]
    beyond = found.table[found.table["verdict"] == "beyond the driver"]
    ringed = sorted(y for line in rings for y in line.get_ydata())
    assert ringed == pytest.approx(sorted(beyond["excess_db"]))
    counts = pd.crosstab(found.table["harmonic"], found.table["verdict"])
    heights = {bars.get_label(): [b.get_height() for b in bars] for bars in lower.containers}
    assert heights["driver"] == counts["driver"].loc[2:6].tolist()
    assert "599 of 616 readings below the noise" in lower.get_xlabel()


def test_of_many_mounts_each_wood_is_drawn_as_one(found, study, monkeypatch):
    """Its median and the middle nine tenths, and what is beyond the driver by name."""
    monkeypatch.setattr("studylib.figures.attribution.MOST_SINGLE", 10)
    figure = figures.excess_figure(found.table, study)
    upper, wood = figure.axes[0], {s.specimen: s.wood for s in study.specimens if not s.role}
    names = {text.get_text() for text in upper.texts}
    assert names == {"C3, mount 2"}
    own = found.table[(found.table["harmonic"] == 2) & found.table["excess_db"].notna()]
    of_wood = own.groupby(own["specimen"].map(wood))["excess_db"]
    drawn = {y for x, y in points(upper, "^") if x < 2.5}
    assert list(drawn) == [pytest.approx(of_wood.median()["robinia"])]
    ends = [path.vertices[:, 1] for bars in upper.collections[1:] for path in bars.get_paths()]
    wanted = [of_wood.quantile(share)["robinia"] for share in (0.05, 0.95)]
    assert any(own == pytest.approx(wanted) for own in ends if len(own) == 2)
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert "median; line: nine mounts of ten" in labels
    assert "cannot tell" not in labels


def test_reference_and_changed_are_told_from_the_boards(found, study):
    figure = figures.excess_figure(found.table, study)
    labels = [text.get_text() for text in figure.legends[0].get_texts()]
    assert labels[:4] == ["larch", "cherry", "robinia", "reference, changed"]


# ----------------------------------------------------------- whatever may come


@pytest.mark.parametrize("size", [None, VIDEO_SIZE])
@pytest.mark.parametrize(
    "table",
    [
        made_up(),
        made_up(verdict="noise", excess_db=np.nan, low=np.nan, high=np.nan),
        made_up(low=-np.inf, high=np.inf, verdict="cannot tell", air_db=np.inf),
        made_up(excess_db=np.nan, low=np.nan, high=np.nan, air_db=np.nan, recorder_db=np.nan,
                noise_db=np.nan, hum_db=np.nan, verdict="cannot tell", route=""),
        made_up(hum_db=52.0, verdict="noise", excess_db=np.nan),
        made_up(mounts=30, size=20),
        made_up(specimens=("a_$x^2$ \u00e4\u00f6\u00fc " * 8,), mounts=3),
        made_up(observed_db=np.nan, verdict="cannot tell", excess_db=np.nan),
    ],
    ids=["plain", "noise", "endless", "untested", "mains", "thirty mounts", "odd name", "unusable"],
)  # fmt: skip
def test_nothing_breaks_the_figures(table, size, study):
    name = table["specimen"].iloc[0]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        figures.story_figure(table, name, size=size).canvas.draw()
        invented, _ = Invention().make()
        figures.excess_figure(table, invented, size=size).canvas.draw()


def test_more_mounts_than_fit_are_said_to_be_left_out():
    figure = figures.story_figure(made_up(mounts=30), "larch-1")
    assert figure.legends[0].get_title().get_text() == "the first 12 of 30 mounts"
    assert sum(axes.get_visible() for axes in figure.axes) == 12


def test_the_grid_has_no_empty_panels():
    axes = figures.story_figure(made_up(mounts=5), "larch-1").axes
    assert [one.get_visible() for one in axes] == [True] * 5 + [False] * 3


def test_an_empty_table_is_said_in_words(study):
    empty = made_up().head(0)
    for figure in (
        figures.story_figure(empty, "L1"),
        figures.excess_figure(empty, study),
    ):
        assert len(figure.texts) == 1
