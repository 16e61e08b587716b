"""Figures and words on taps, modes, sweeps and wood hold what the tables hold."""

from __future__ import annotations

import dataclasses

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from studylib import figures
from studylib.measure.parts import gather
from studylib.measure.rings import MODE_COLUMNS, first_tap
from studylib.measure.sweep_rows import RESPONSE_COLUMNS
from studylib.modes.boards import COLUMNS as BOARD_COLUMNS
from studylib.report import ringing, wood_words
from studylib.report.summary import summarise
from studylib.sheets import read_study
from studylib.wood.near_tone import COLUMNS as NEAR_COLUMNS
from studylib.words.numbers import with_uncertainty
from tests.invented_tables import Invention
from tests.test_rings import LOSS, MODULUS, Files, free_modes, write_study


@pytest.fixture(scope="module")
def summary(tmp_path_factory):
    """Two woods of two boards, one bounce and one mode missing in one take."""
    study = read_study(write_study(tmp_path_factory.mktemp("ringing") / "s", Files("bounce")))
    return summarise(study, gather(study))


@pytest.fixture(scope="module")
def bare():
    """A study without taps, sweeps or sizes."""
    return summarise(*Invention(boards=2, mounts=1, takes=1).make())


@pytest.fixture(autouse=True)
def _closed():
    yield
    plt.close("all")


def near(**changed) -> pd.DataFrame:
    """Two boards, harmonics 1 and 2: f lifted in both, 2f in one."""
    rows = []
    for board, gain in (("L1", 9.0), ("R1", 2.0)):
        for k, db, off in ((1, 12.0, -2.5), (2, gain, 7.0)):
            rows.append(
                {
                    "specimen": board, "wood": "larch", "role": "", "harmonic": k,
                    "frequency_hz": 172.0 * k, "basis": ringing.PREDICTED, "mode": k,
                    "mode_hz": 160.0 * k, "distance_percent": 5.0, "distance_bandwidths": off,
                    "gain_db": db, "gain_low": db - 1, "gain_high": db + 1, "lifted": db > 6,
                    "loss_factor": 0.01, "loss_basis": "measured", **changed,
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=NEAR_COLUMNS)


def test_taps_are_counted_and_refused_ones_named(summary):
    said = ringing.tap_sentences(summary.modes.numbered)
    assert said[0].startswith("36 taps in 12 takes: 24 taps on the bench and 12 taps freely hung.")
    assert said[1].startswith("1 tap is not used (1 of larch)")
    table = ringing.refused_table(summary.modes.numbered)
    assert table[["take", "board", "tap"]].to_numpy().tolist() == [["L1-m1", "L1", 2]]
    assert table["reason"].item().startswith("a second knock came 3")


def test_the_four_names_of_damping_say_the_same(summary):
    table = ringing.modes_table(summary.modes.boards, support="free")
    row = table[(table["board"] == "R1") & (table["mode"] == 1)].iloc[0]
    f, loss = free_modes("robinia")[0], LOSS["robinia"]
    truth = {
        "frequency Hz": f, "loss factor": loss, "Q": 1 / loss, "decrement": np.pi * loss,
        "decay time s": np.log(1000) / (np.pi * f * loss),
    }  # fmt: skip
    for name, value in truth.items():
        shown, u = (float(part) for part in row[name].split(" ± "))
        assert abs(shown - value) < 4 * u < 0.02 * value, name


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [(13.8277, 0.127, "13.83 ± 0.13"), (162.849, 0.0884, "162.85 ± 0.09"),
     (0.0152, 6.8e-5, "0.01520 ± 0.00007"), (4933.6, 17.03, "4934 ± 17"),
     (0.0, 1.0, "0"), (5.0, 0.0, "5"), (float("nan"), 1.0, "–")],
)  # fmt: skip
def test_a_value_is_written_with_what_its_uncertainty_allows(value, u, written):
    assert with_uncertainty(value, u) == written


def test_harmonics_and_modes_by_wood():
    table = ringing.near_table(near())
    assert table[["harmonic", "wood", "nearest mode", "lifted in"]].to_numpy().tolist() == [
        ["f", "larch", "1", "2 of 2 boards"], ["2f", "larch", "2", "1 of 2 boards"],
    ]  # fmt: skip
    assert table["gain dB"].tolist() == ["12.0", "2.0 to 9.0"]
    assert table["least to most"].tolist() == ["11.0 to 13.0", "1.0 to 10.0"]
    assert ringing.near_table(near()[:0]).empty


def test_what_is_found_in_a_batch_is_the_first_usable_tap(summary):
    table = ringing.found_table(summary.modes.numbered)
    assert table.groupby("take").size().eq(6).all()
    own = table[table["take"] == "L1-m1"]
    assert own["level dB"].is_monotonic_decreasing
    found = [float(cell.split(" ± ")[0]) for cell in own["frequency Hz"]]
    assert set(np.round(found)) == set(np.round(0.99 * free_modes("larch")))


def test_size_lifts_in_all_boards_and_in_some():
    said = ringing.size_sentences(near())
    assert said[0].startswith("In all 2 boards a mode lifts the tone itself (f), as predicted")
    assert said[1].startswith("In some boards and not in others a mode lifts 2f")
    assert said[2] == (
        "f = 172 Hz lies 2.5 bandwidths from mode 1, which adds 12 dB (lowest to highest over "
        "the boards)."
    )
    assert ringing.size_sentences(near(lifted=False))[0].startswith("No harmonic is lifted by a")
    assert "is not known" in ringing.size_sentences(near(role="reference"))[0]


def test_a_missing_mode_is_named_with_its_board():
    boards = pd.DataFrame(
        [{"specimen": "L2", "support": "bench", "mode": 5, "missing": True},
         {"specimen": "L1", "support": "bench", "mode": 5, "missing": False}]
    )  # fmt: skip
    said = ringing.missing_sentences(boards)
    assert said[0] == "Mode 5 on the bench was not found in L2."
    assert "not from the board" in said[1]
    assert ringing.missing_sentences(boards[:0]) == []


def test_bench_against_free(summary):
    (said,) = ringing.bench_sentence(summary.modes.boards)
    # Bench mounts were made 1 % and 0 % lower than free: half a percent on average.
    assert "moves the first mode by −0.5 %" in said
    assert "(4 boards" in said


def test_sweeps_say_what_is_not_known(summary, bare):
    said = ringing.sweep_sentences(summary)
    assert said[0].startswith("4 sweeps; responses of 4 mounts.")
    assert "coherence" in said[1]
    assert "Record two or three a mount" in said[1]
    assert ringing.sweep_sentences(bare) == ["No sweep was recorded."]
    found = summary.modes.responses.assign(coherence=0.5, n_repeats=2)
    again = dataclasses.replace(summary, modes=dataclasses.replace(summary.modes, responses=found))
    assert "lies below 0.9 in 100 % of the band" in ringing.sweep_sentences(again)[1]


def test_the_wood_in_words_and_numbers(summary, bare):
    said = wood_words.wood_sentences(summary)
    assert said[0].startswith("Stiffness of 4 boards, from taps of the freely hung boards alone")
    assert any("ASTM E1876" in s and "lower values" in s for s in said)
    assert said[-1].startswith("What this cannot say")
    table = wood_words.properties_table(summary.modes.wood).set_index("board")
    value, u = (float(part) for part in table.loc["R1", "Young's modulus GPa"].split(" ± "))
    assert abs(value - MODULUS["robinia"] / 1e9) < 2 * u
    assert wood_words.wood_sentences(bare)[0].startswith("Stiffness is not known")
    moist = pd.DataFrame(
        {"quantity": ["moisture_pct"] * 2 + ["equilibrium_moisture_pct"], "value": [8.1, 9.4, 9.2]}
    )
    assert wood_words._moisture(moist)[0].startswith(
        "Moisture of the boards: 8.1 to 9.4 % as measured; 9.2 to 9.2 % as the air"
    )


def test_figures_draw_what_the_tables_hold(summary):
    modes, study = summary.modes, summary.study
    ladder = figures.ladder_figure(modes.boards, study)
    drawn = sum(len(c.lines[0].get_xdata()) for axes in ladder.axes for c in axes.containers)
    known = modes.boards[~modes.boards["missing"] & (modes.boards["role"] == "")]
    assert drawn == len(known)
    stiff = figures.stiffness_figure(modes.wood, study).axes[0]
    y = np.concatenate([c.lines[0].get_ydata() for c in stiff.containers])
    truth = modes.wood.query("quantity == 'wood.youngs_modulus_gpa'")["value"]
    assert sorted(y) == sorted(truth)
    assert stiff.get_xlabel() == "density (kg/m³)"
    response = figures.responses_figure(modes.responses, study)
    assert [a.get_title(loc="left") for a in response.axes] == [
        "larch: 2 boards, 2 mounts", "robinia: 2 boards, 2 mounts",
    ]  # fmt: skip
    over = figures.tone_and_modes_figure(
        modes.near, modes.boards, pd.DataFrame(columns=["specimen", "frequency_hz", "level_db"]),
        study,
    )  # fmt: skip
    bench = known[(known["specimen"] == "L1") & (known["support"] == "bench")]["frequency_hz"]
    low, high = over.axes[0].get_xlim()
    marks = [line.get_xdata() for line in over.axes[0].lines if line.get_marker() == "o"]
    assert any(list(x) == list(bench[bench.between(low, high)]) for x in marks)


def test_a_tap_is_drawn_with_its_decay_and_a_refused_one_with_its_reason(summary):
    view = first_tap(summary.study, "day1")
    assert view.take == "L1-m1"
    assert [bool(tap.reason) for tap in view.taps] == [False, True, False]
    axes = figures.tap_figure(view).axes[0]
    assert any(
        "refused: a second knock" in text.get_text().replace("\n", " ") for text in axes.texts
    )
    line = next(line for line in axes.lines if "s to −60 dB" in line.get_label())
    (start, end), (top, foot) = line.get_xdata(), line.get_ydata()
    seconds = float(line.get_label().split(", ")[1].split(" ")[0])
    assert (top - foot) / (end - start) == pytest.approx(60.0 / seconds, rel=0.02)


@pytest.mark.parametrize("size", [None, (9.6, 5.4)])
def test_without_taps_and_sweeps_figures_and_words_say_so(bare, size):
    study = bare.study
    boards = pd.DataFrame(columns=BOARD_COLUMNS).astype({"missing": bool})
    empty = pd.DataFrame(columns=NEAR_COLUMNS)
    drawn = [
        figures.ladder_figure(boards, study, size=size),
        figures.stiffness_figure(bare.modes.wood, study, size=size),
        figures.responses_figure(pd.DataFrame(columns=RESPONSE_COLUMNS), study, size=size),
        figures.tone_and_modes_figure(empty, boards, bare.gathered.spectra, study, size=size),
        figures.tap_figure(None, size=size),
    ]
    assert all(len(figure.texts) == 1 for figure in drawn)
    assert ringing.tap_sentences(pd.DataFrame(columns=MODE_COLUMNS)) == [ringing.NO_TAPS]
    assert ringing.bench_sentence(boards) == []
    assert len(wood_words.properties_table(bare.modes.wood).columns) >= 2
