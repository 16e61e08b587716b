"""Figures and words on taps, modes, sweeps and wood hold what the tables hold."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest

from studylib import figures, tables
from studylib.codes import code_of, fields_of, has, note
from studylib.codes.features import ModeBasis
from studylib.measure.rings import TapView, first_tap
from studylib.report import modes as report
from studylib.report.summary import summarise
from studylib.signal.damping import LN_1000, loss_factor
from studylib.signal.decays import no_decays
from studylib.signal.tap import Room as Heard
from studylib.signal.tap import Sign, Tap
from studylib.words import say
from studylib.words.numbers import with_uncertainty
from tests.invented_modes import Study, invent
from tests.invented_tables import Invention
from tests.test_rings import LOSS, MODULUS, free_modes


@pytest.fixture(scope="module")
def summary(rung):
    """Two woods of two boards, one hand."""
    return summarise(*rung)


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
                    "frequency_hz": 172.0 * k, "basis": ModeBasis.PREDICTED, "mode": k,
                    "mode_hz": 160.0 * k, "distance_percent": 5.0, "distance_bandwidths": off,
                    "gain_db": db, "gain_low": db - 1, "gain_high": db + 1, "lifted": db > 6,
                    "loss_factor": 0.01, "loss_basis": "wood.own_loss", **changed,
                }
            )  # fmt: skip
    return pd.DataFrame(rows, columns=tables.TABLES["modes_near_tone"].names)


def test_taps_are_counted_and_refused_ones_named(summary):
    found, refused = report.tap_sentences(summary.modes.numbered)
    supports = {"bench": 24, "free": 12}
    assert found == note("modes_report.taps_found", taps=36, takes=12, supports=supports)
    assert say(found).startswith("36 taps in 12 takes: 24 taps on the bench and 12 taps freely")
    assert refused == note("modes_report.refused", taps=1, woods={"larch": 1})
    table = report.refused_table(summary.modes.numbered)
    assert table[["take", "board", "tap"]].to_numpy().tolist() == [["L1-m1", "L1", 2]]
    assert has(table["reason"].item(), "taps.faster_than_another")


def test_the_four_names_of_damping_say_the_same(summary):
    table = report.modes_table(summary.modes.boards, support="free")
    row = table[(table["board"] == "R1") & (table["mode"] == 1)].iloc[0]
    f, loss = free_modes("robinia")[0], LOSS["robinia"]
    truth = {
        "frequency Hz": f, "loss factor": loss, "Q": 1 / loss, "decrement": np.pi * loss,
        "decay time s": np.log(1000) / (np.pi * f * loss),
    }  # fmt: skip
    for name, value in truth.items():
        shown, u = (float(part) for part in row[name].split(" ± "))
        # What holding a board adds to its decay is 2 %, where it was set up once.
        assert abs(shown - value) < 4 * u < 0.1 * value, name


@pytest.mark.parametrize(
    ("value", "u", "written"),
    [(13.8277, 0.127, "13.83 ± 0.13"), (162.849, 0.0884, "162.85 ± 0.09"),
     (0.0152, 6.8e-5, "0.01520 ± 0.00007"), (4933.6, 17.03, "4934 ± 17"),
     (0.0, 1.0, "0"), (5.0, 0.0, "5"), (float("nan"), 1.0, "–")],
)  # fmt: skip
def test_a_value_is_written_with_what_its_uncertainty_allows(value, u, written):
    assert with_uncertainty(value, u) == written


def test_harmonics_and_modes_by_wood():
    table = report.near_table(near())
    assert table[["harmonic", "wood", "nearest mode", "lifted in"]].to_numpy().tolist() == [
        ["f", "larch", "1", "2 of 2 boards"], ["2f", "larch", "2", "1 of 2 boards"],
    ]  # fmt: skip
    assert table["gain dB"].tolist() == ["12.0", "2.0 to 9.0"]
    assert table["gain range dB"].tolist() == ["11.0 to 13.0", "1.0 to 10.0"]
    assert report.near_table(near()[:0]).empty


def test_what_is_found_in_a_batch_is_the_first_usable_tap(summary):
    table = report.found_table(summary.modes.numbered)
    assert table.groupby("take").size().eq(6).all()
    own = table[table["take"] == "L1-m1"]
    assert own["level dB"].is_monotonic_decreasing
    found = [float(cell.split(" ± ")[0]) for cell in own["frequency Hz"]]
    assert set(np.round(found)) == set(np.round(0.99 * free_modes("larch")))


def test_size_lifts_in_all_boards_and_in_some():
    in_all, in_some, nearest = report.size_sentences(near())
    about = {"boards": 2, "basis": ModeBasis.PREDICTED, "lifted_db": 6.0}
    assert in_all == note("modes_report.lifted_in_all", harmonics=[1], **about)
    assert say(in_all).startswith("In all 2 boards a mode lifts the tone itself (f), as predicted")
    assert in_some == note("modes_report.lifted_in_some", harmonics=[2])
    assert nearest == note(
        "modes_report.nearest_mode", harmonic=1, frequency_hz=172.0, modes=[1],
        bandwidths=[2.5, 2.5], gain_db=[12.0, 12.0], basis=ModeBasis.PREDICTED,
    )  # fmt: skip
    none = report.size_sentences(near(lifted=False))
    assert none[0] == note("modes_report.lifted_in_none", **about)
    assert report.size_sentences(near(role="reference")) == ["modes_report.modes_unknown"]


def test_without_a_gain_nothing_is_said_to_be_lifted():
    (said,) = report.size_sentences(near(gain_db=np.nan, lifted=False))
    assert said == "modes_report.gain_unknown"
    assert "drive_at_mm under [bench]" in say(said)
    # A way of knowing the modes that gives a gain comes before one that gives none.
    both = pd.concat([near(gain_db=np.nan, lifted=False), near(basis=ModeBasis.HELD)])
    in_all, _, nearest = report.size_sentences(both)
    assert "board held at the driving point" in say(in_all)
    assert "the far end moves 12 dB more than the driving point" in say(nearest)


def test_a_missing_mode_is_named_with_its_board():
    boards = pd.DataFrame(
        [{"specimen": "L2", "support": "bench", "mode": 5, "missing": True},
         {"specimen": "L1", "support": "bench", "mode": 5, "missing": False}]
    )  # fmt: skip
    missing, why = report.missing_sentences(boards)
    assert missing == note("modes_report.missing", mode=5, support="bench", boards=["L2"])
    assert why == "modes_report.why_missing"
    assert report.missing_sentences(boards[:0]) == []


def test_bench_against_free(summary):
    (found,) = report.bench_sentence(summary.modes.boards)
    fields = fields_of(found)
    # Bench mounts were made 1 % and 0 % lower than free: half a percent on average.
    assert fields["frequency_percent"] == pytest.approx([-0.5, -0.5], abs=0.05)
    assert fields["boards"] == 4


def test_sweeps_say_what_is_not_known(summary, bare):
    study = summary.study
    found = note("modes_report.sweeps_found", sweeps=4, mounts=4)
    assert report.sweep_sentences(study) == [found]
    assert report.sweep_sentences(bare.study) == ["modes_report.no_sweeps"]
    unknown = dataclasses.replace(
        study, settings=study.settings.model_copy(update={"sweep": bare.study.settings.sweep})
    )
    assert report.sweep_sentences(unknown) == ["modes_report.sweep_shape_unknown"]


def test_the_wood_in_words_and_numbers(summary, bare):
    said = {code_of(found): fields_of(found) for found in report.wood_sentences(summary.modes)}
    assert next(iter(said)) == "modes_report.stiffness_known"
    assert said["modes_report.stiffness_known"] == {"boards": 4}
    assert list(said)[-1] == "modes_report.limits_of_stiffness"
    table = report.properties_table(summary.modes.wood).set_index("board")
    value, u = (float(part) for part in table.loc["R1", "Young's modulus GPa"].split(" ± "))
    assert abs(value - MODULUS["robinia"] / 1e9) < 2 * u
    assert report.wood_sentences(bare.modes)[0] == "modes_report.stiffness_unknown"
    moist = pd.DataFrame(
        {"quantity": ["moisture_pct"] * 2 + ["equilibrium_moisture_pct"], "value": [8.1, 9.4, 9.2]}
    )
    assert say(report._moisture(moist)[0]).startswith(
        "Moisture of the boards: 8.1 to 9.4 % as measured; 9.2 to 9.2 % as wood"
    )
    assert say(report._moisture(moist[:2])[0]).endswith("8.1 to 9.4 % as measured.")


def test_a_tap_is_drawn_with_its_decay_and_a_refused_one_with_its_reason(summary):
    view = first_tap(summary.study, "day1")
    assert view.take == "L1-m1"
    assert [bool(tap.reason) for tap in view.taps] == [False, True, False]
    axes, foot = figures.tap_figure(view).axes
    assert foot.texts[0].get_text().startswith("1: refused: it dies away")
    line = next(line for line in axes.lines if "s to −60 dB" in line.get_label())
    (start, end), (top, foot) = line.get_xdata(), line.get_ydata()
    seconds = float(line.get_label().split(", ")[1].split(" ")[0])
    assert (top - foot) / (end - start) == pytest.approx(60.0 / seconds, rel=0.02)


def in_a_room(*, places: int, room: float) -> pd.DataFrame:
    """Taps of two boards at so many places, the room's part of their loss factors as given."""
    study = Study(ladder=(600.0, 1650.0), boards=2, mounts=1, takes=places, taps=1)
    modes, _ = invent(study)
    modes = modes.assign(mode=modes["truth"], loss_factor=0.01, signs="", place=modes["repeat"])
    u = 0.01 * np.hypot(0.02, room)
    modes = modes.assign(loss_factor_u=u, loss_factor_place_u=0.01 * room)
    return modes.assign(room_decay_s=0.42, room_decay_u=0.021, direct_db=11.0)


def test_the_room_is_said_with_its_decay_what_it_hides_and_what_helps():
    said = report.tap_sentences(in_a_room(places=1, room=0.2))[2:]
    codes = list(map(code_of, said))
    assert codes[:3] == [
        "modes_report.room_heard", "modes_report.one_place", "modes_report.room_hides"
    ]  # fmt: skip
    assert codes[3:] == ["room.near", "room.moved", "room.damped", "room.contact"]
    reach = np.exp(1.96 * 0.05)
    assert fields_of(said[0]) == {
        "taps": 2, "of": 2, "room_s": 0.42, "direct_db": 11.0,
        "low_s": pytest.approx(0.42 / reach), "high_s": pytest.approx(0.42 * reach),
    }  # fmt: skip
    assert "0.42 s to −60 dB (95 % interval 0.38 to 0.46 s)" in say(said[0])
    assert fields_of(said[1]) == {"boards": ["B1", "B2"]}
    assert fields_of(said[2]) == {"hidden": 4, "decays": 4}
    three = report.tap_sentences(in_a_room(places=3, room=0.2))
    assert list(map(code_of, three[2:])) == [
        "modes_report.room_heard", "modes_report.many_places"
    ]  # fmt: skip
    batch = report.tap_sentences(in_a_room(places=1, room=0.2).assign(mode=np.nan))
    assert "room.near" in batch
    assert not any("room_hides" in one for one in batch)
    for one in said:
        assert say(one).endswith("."), one


def test_a_refused_tap_shows_its_evidence_where_there_is_any(summary):
    modes = summary.modes.numbered
    assert "evidence" not in report.refused_table(modes)
    sign = note("modes.sign", what="", at_s=1.2, low_hz=1.0, high_hz=2.0, level_db=-9.0)
    shown = report.refused_table(modes.assign(signs=sign))
    assert shown["evidence"].tolist() == [sign]


def test_a_tap_figure_marks_every_sign_and_the_rooms_decay():
    sign = Sign("taps.breaks_off", 0.15, 500.0, 900.0, -23.0)
    mode = SimpleNamespace(
        frequency_hz=np.array([172.0]),
        amplitude=np.array([0.1]),
        loss_factor=loss_factor(172.0, LN_1000 / np.array([0.8])),
    )
    taps = (
        Tap(0.1, 0.8, mode, signs=(sign,), room=Heard(0.4, 0.1, 12.0)),
        Tap(1.1, 0.8, None, note("taps.second_knock", after_ms=9.0), (sign._replace(at_s=1.2),)),
    )
    time_s = np.arange(0.0, 2.0, 0.004)
    level = np.where(time_s < 0.1, -80.0, -20.0)
    for size in (None, (9.6, 5.4)):
        figure = figures.tap_figure(TapView("t", time_s, level, taps), size=size)
        axes, foot = figure.axes
        marks = sorted((text.get_text(), text.get_position()[0]) for text in axes.texts)
        assert marks == [("1", 0.15), ("2", 1.1), ("3", 1.2)]
        lines = foot.texts[0].get_text().split("\n")
        assert lines[0].startswith("1: the ring is cut off too soon (at 0.150 s, 500 to 900 Hz")
        assert lines[1].startswith("2: refused: a second knock came 9 ms after the first")
        names = [text.get_text() for text in figure.legends[0].get_texts()]
        assert {"used", "not used", "the room, 0.40 s to −60 dB"} <= set(names)
        room = axes.lines[[line.get_label() for line in axes.lines].index(
            "the room, 0.40 s to −60 dB")]  # fmt: skip
        (start, end), (top, low) = room.get_xdata(), room.get_ydata()
        assert top == -32.0
        assert (top - low) / (end - start) == pytest.approx(60 / 0.4)


def test_a_tap_figure_keeps_reasons_of_refusals_before_other_signs():
    many = tuple(Sign("taps.breaks_off", 0.1 * n, 500.0, 900.0, -23.0) for n in range(1, 9))
    none = no_decays(rate_hz=24_000, most=4, limits_hz=(40.0, 8000.0))
    refused = Tap(1.1, 0.8, None, note("taps.second_knock", after_ms=9.0))
    time_s = np.arange(0.0, 2.0, 0.004)
    view = TapView("t", time_s, 0.0 * time_s, (Tap(0.1, 0.8, none, signs=many), refused))
    lines = figures.tap_figure(view).axes[1].texts[0].get_text().split("\n")
    assert len(lines) == 8
    assert lines[6].startswith("7: refused: a second knock")
    assert lines[7] == say("figures_modes.more_signs", more=2)


def test_the_picture_of_a_batch_is_of_a_take_with_a_refused_tap(summary):
    modes = summary.modes.numbered
    other = modes["take"].eq("R2-m2") & modes["tap"].eq(1)
    view = first_tap(summary.study, "day1", modes.assign(usable=~other))
    assert view.take == "R2-m2"


@pytest.mark.parametrize("size", [None, (9.6, 5.4)])
def test_without_taps_and_sweeps_figures_and_words_say_so(bare, size):
    assert len(figures.tap_figure(None, size=size).texts) == 1
    assert report.tap_sentences(tables.empty("modes")) == ["modes_report.no_taps"]
    assert report.bench_sentence(tables.empty("board_modes")) == []
    assert len(report.properties_table(bare.modes.wood).columns) >= 2


def test_every_sentence_of_the_report_is_one_of_the_words_room(summary, bare):
    """All that the functions above return, said: no field missing, none too many."""
    boards = pd.DataFrame([{"specimen": "L2", "support": "free", "mode": 5, "missing": True}])
    found = [
        *report.tap_sentences(summary.modes.numbered), *report.missing_sentences(boards),
        *report.tap_sentences(tables.empty("modes")),
        *report.tap_sentences(summary.modes.numbered.query("take == 'L2-m1'")),
        *report.bench_sentence(summary.modes.boards), *report.size_sentences(near()),
        *report.size_sentences(near(lifted=False, basis=ModeBasis.BENCH)),
        *report.size_sentences(near(role="reference")),
        *report.sweep_sentences(summary.study),
        *report.wood_sentences(summary.modes), *report.wood_sentences(bare.modes),
    ]  # fmt: skip
    for one in found:
        assert say(one).endswith("."), one
        assert "_" not in say(one).replace("moisture_pct", ""), one
