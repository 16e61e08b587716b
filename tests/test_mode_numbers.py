"""A mode keeps its number: invented studies whose every mode is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from studylib.codes import note
from studylib.errors import InputError
from studylib.modes import alignment, board_modes, number_modes, numbers
from tests.draws import draws
from tests.invented_modes import BAR, Study, invent

PLAIN = Study()
CLOSE = Study(ladder=(170.0, 175.1, 470.0, 920.0, 1520.0), board_sd=0.003, mode_sd=0.002)
LATERAL = Study(ladder=tuple(np.sort(np.r_[170.0 * BAR, 2.1 * 170.0 * BAR[:3]])))


def wrong_and_lost(study: Study, seed: int = 1) -> tuple[int, int, int]:
    """(real modes with a wrong number, without one, foreign ones with a number)."""
    modes, specimens = invent(study, seed)
    number = number_modes(modes, specimens)["mode"].to_numpy()
    truth = modes["truth"].to_numpy()
    real, numbered = np.isfinite(truth), np.isfinite(number)
    wrong = real & numbered & (number != truth)
    return int(wrong.sum()), int((real & ~numbered).sum()), int((~real & numbered).sum())


def test_the_invented_ladder_is_the_published_one():
    """Ratios of a bar with free ends: 1, 2.757, 5.404, 8.933 (Blevins 1979, table 8-1)."""
    assert pytest.approx([1, 2.757, 5.404, 8.933], abs=1e-3) == BAR


@pytest.mark.parametrize(
    "study",
    [
        PLAIN,
        replace(PLAIN, sizes=False),
        replace(PLAIN, support="free"),
        replace(PLAIN, boards=1),
        replace(PLAIN, boards=1, mounts=1, taps=1),
        replace(PLAIN, boards=2),
        replace(PLAIN, boards=3, mounts=1, taps=1),
        replace(PLAIN, mode_sd=0.01, board_sd=0.02),
        replace(PLAIN, mount_sd=0.02),
        replace(PLAIN, without=((2, 2), (5, 1), (6, 3))),
        replace(PLAIN, without=((2, 2), (5, 1), (6, 3)), sizes=False),
        replace(PLAIN, without=((2, 1), (2, 3), (2, 4))),
        replace(PLAIN, factors=(1, 1, 1, 0.67, 1.5, 1, 0.9, 1, 1.1)),
        replace(PLAIN, factors=(1, 1, 1, 0.67, 1.5, 1, 0.9, 1, 1.1), sizes=False),
        LATERAL,
        replace(LATERAL, sizes=False, without=((1, 2), (3, 3))),
        CLOSE,
        replace(CLOSE, sizes=False),
        replace(CLOSE, boards=1),
    ],
)  # fmt: skip
def test_every_mode_has_its_own_number(study):
    assert wrong_and_lost(study, 3) == (0, 0, 0)


def test_one_of_two_close_modes_is_not_taken_for_the_other():
    for seed in range(draws(8, share=4)):
        wrong, lost, _ = wrong_and_lost(replace(CLOSE, without=((2, 1), (5, 2))), seed)
        assert wrong == 0
        assert lost <= 18  # where both would serve, none is given


def test_foreign_modes_of_single_taps_get_no_number():
    study = replace(PLAIN, foreign=0.5, lost=0.1)
    studies = draws(10, share=5)
    rows = np.array([wrong_and_lost(study, seed) for seed in range(studies)])
    total = studies * len(invent(PLAIN)[0])
    assert rows[:, 0].sum() == 0
    assert rows[:, 1].sum() < 0.005 * total
    assert rows[:, 2].sum() < 0.005 * total


def test_few_numbers_are_wrong_in_many_invented_studies():
    """200 studies of 6 boards, 18,000 modes: none wrong, 28 without a number when last run.
    In pytest the first 15 of them."""
    wrong = lost = total = 0
    rng = np.random.default_rng(17)
    for seed in range(draws(200, share=15)):
        study = Study(
            boards=6, mounts=2, taps=2, sizes=bool(seed % 2), lost=0.03, foreign=0.2,
            board_sd=0.012, without=((int(rng.integers(1, 7)), int(rng.integers(1, 5))),),
        )  # fmt: skip
        a, b, _ = wrong_and_lost(study, seed)
        wrong, lost, total = wrong + a, lost + b, total + 6 * 2 * 2 * 4
    assert wrong == 0
    assert lost < 0.01 * total


@pytest.mark.parametrize("sizes", [True, False])
def test_a_few_boards_begin_the_ladder_of_many(monkeypatch, sizes):
    monkeypatch.setattr(numbers, "BEGUN_WITH", 8)
    lacking = tuple((board, board % 4 + 1) for board in range(1, 31))  # no board has all modes
    study = replace(PLAIN, boards=30, mounts=1, foreign=0.2, sizes=sizes, without=lacking)
    assert wrong_and_lost(study)[:2] == (0, 0)


def test_a_board_of_many_takes_leaves_the_others_as_they_are():
    modes, specimens = invent(replace(PLAIN, mounts=12))
    few = modes[(modes["mount"] <= 2) | (modes["specimen"] == "B3")].reset_index(drop=True)
    alike = modes[modes["mount"] <= 2].reset_index(drop=True)
    number, own = (number_modes(rows, specimens)["mode"] for rows in (few, alike))
    others = few["specimen"] != "B3"
    assert number[others].tolist() == own[alike["specimen"] != "B3"].tolist()
    assert (number[~others] == few.loc[~others, "truth"]).all()


def test_a_tap_that_lacks_a_mode_leaves_the_others_as_they_are():
    modes, specimens = invent(replace(PLAIN, boards=3))
    gone = (modes["take"] == "B1-2-1") & (modes["tap"] == 2) & (modes["truth"] == 2)
    left = number_modes(modes[~gone], specimens)
    assert (left["mode"] == left["truth"]).all()


def test_the_order_of_rows_does_not_matter():
    modes, specimens = invent(replace(PLAIN, foreign=0.5, lost=0.1), 4)
    first = number_modes(modes, specimens)["mode"]
    mixed = modes.sample(frac=1.0, random_state=3)
    again = number_modes(mixed, specimens.sample(frac=1.0, random_state=4))
    assert list(again.index) == list(mixed.index)
    pd.testing.assert_series_equal(again["mode"].sort_index(), first)


def test_a_mode_of_too_few_boards_has_no_number_and_stays():
    study = replace(LATERAL, without=tuple((b, 2) for b in range(1, 8)))  # held by two of nine
    modes, specimens = invent(study)
    numbered = number_modes(modes, specimens)
    rare = numbered["truth"] == 2
    assert rare.sum() == 18
    assert numbered.loc[rare, "mode"].isna().all()
    others = numbered[~rare]
    assert (others["mode"] == others["truth"] - (others["truth"] > 2)).all()


def test_supports_are_numbered_apart_and_sweeps_with_the_bench():
    bench, specimens = invent(replace(PLAIN, without=tuple((b, 1) for b in range(1, 10))))
    free, _ = invent(replace(PLAIN, support="free", mounts=1), 1)
    free["take"] = "free " + free["take"]
    sweeps = bench[bench["tap"] == 1].assign(kind="sweep", tap=0)
    sweeps["take"] = "sweep " + sweeps["take"]
    numbered = number_modes(pd.concat([bench, free, sweeps], ignore_index=True), specimens)
    on_bench = numbered["support"] == "bench"
    assert (numbered["mode"] == numbered["truth"] - on_bench).all()
    boards = board_modes(numbered, specimens)
    assert (boards["n_taps"] == np.where(boards["support"] == "bench", 9, 3)).all()


def test_a_refused_tap_has_no_number_and_no_effect():
    modes, specimens = invent(replace(PLAIN, boards=3))
    refused = modes.iloc[[0]].assign(
        tap=9, frequency_hz=np.nan, loss_factor=np.nan, usable=False, reason="it bounced twice"
    )
    numbered = number_modes(pd.concat([refused, modes], ignore_index=True), specimens)
    assert np.isnan(numbered["mode"][0])
    assert (numbered["mode"][1:] == numbered["truth"][1:]).all()


def test_a_mode_that_could_be_either_of_two_has_no_number():
    """One mode alone, halfway between two of the ladder, and no sizes to tell."""
    modes, specimens = invent(replace(PLAIN, sizes=False, factors=(1.0,) * 9))
    modes = modes[(modes["specimen"] != "B9") | (modes["truth"] == 3)].copy()
    own = modes["specimen"] == "B9"
    modes.loc[own, "frequency_hz"] *= np.sqrt(BAR[3] / BAR[2])
    numbered = number_modes(modes, specimens)
    assert numbered.loc[own, "mode"].isna().all()
    assert (numbered["mode"] == numbered["truth"])[~own].all()
    reasons = board_modes(numbered, specimens).query("specimen == 'B9'")
    assert set(reasons["reason"]) == {"modes.not_numbered"}


def test_sizes_tell_which_mode_a_board_with_a_single_one_has():
    alone = tuple((2, mode) for mode in range(1, 8) if mode != 2)
    study = replace(LATERAL, without=alone, speed_sd=0.0)
    assert wrong_and_lost(study, 2) == (0, 0, 0)


@pytest.mark.parametrize("off", [0.88, 1.12])
def test_a_mode_far_from_where_a_missing_one_would_be_does_not_take_its_place(off):
    modes, specimens = invent(PLAIN)
    stranger = (modes["specimen"] == "B3") & (modes["truth"] == 2)
    modes.loc[stranger, "frequency_hz"] *= off
    numbered = number_modes(modes, specimens)
    assert numbered.loc[stranger, "mode"].isna().all()
    assert (numbered["mode"] == numbered["truth"])[~stranger].all()


def test_an_empty_table_stays_empty():
    modes, specimens = invent(PLAIN)
    numbered = number_modes(modes.iloc[:0], specimens)
    assert list(numbered.columns) == [*modes.columns, "mode"]
    assert board_modes(numbered, specimens).empty


def test_taps_that_agree_on_nothing_get_no_number():
    modes, specimens = invent(replace(PLAIN, ladder=(170.0,), boards=1, mounts=1))
    modes["frequency_hz"] = [150.0, 190.0, 240.0]
    numbered = number_modes(modes, specimens)
    assert numbered["mode"].isna().all()
    assert board_modes(numbered, specimens).empty


def test_a_single_tap_of_two_takes_does_not_make_a_mode():
    modes, specimens = invent(replace(PLAIN, boards=1, mounts=2, taps=2))
    foreign = modes.iloc[[0]].assign(frequency_hz=1.5 * modes["frequency_hz"][0], truth=np.nan)
    numbered = number_modes(pd.concat([modes, foreign], ignore_index=True), specimens)
    assert numbered["mode"].equals(numbered["truth"])


def test_a_board_that_is_not_among_the_specimens_is_named():
    modes, specimens = invent(replace(PLAIN, boards=3))
    with pytest.raises(InputError) as caught:
        board_modes(number_modes(modes, specimens), specimens[specimens["specimen"] != "B2"])
    assert caught.value.notes == (note("modes.unknown_boards", boards=["B2"]),)


def test_boards_are_means_of_mounts_and_not_of_taps():
    """By hand: mounts of 1 and 3 taps weigh alike; u is the mounts' spread over root two."""
    modes, specimens = invent(replace(PLAIN, ladder=(170.0,), boards=1, mounts=2, taps=3))
    modes = modes.drop(index=[1, 2]).reset_index(drop=True)  # one tap is left of the first mount
    modes["frequency_hz"] = [100.0, 101.0, 102.0, 103.0]
    modes["frequency_u"] = 0.01
    modes["loss_factor"], modes["loss_factor_u"] = [0.01, 0.02, 0.02, 0.02], 0.004
    modes["level_db"] = [-30.0, -36.0, -38.0, -40.0]
    row = board_modes(modes.assign(mode=1.0), specimens).iloc[0]
    second = (101.0 * 102.0 * 103.0) ** (1 / 3)
    assert row["frequency_hz"] == pytest.approx(np.sqrt(100.0 * second))
    spread = abs(np.log(100.0 / second)) / np.sqrt(2) / np.sqrt(2)
    assert row["frequency_u"] == pytest.approx(row["frequency_hz"] * spread)
    assert row["loss_factor"] == pytest.approx(np.sqrt(0.01 * 0.02))
    assert row["level_db"] == pytest.approx(-34.0)
    assert (row["n_mounts"], row["n_takes"], row["n_taps"]) == (2, 2, 4)
    assert not row["missing"]


def test_uncertainty_is_never_below_the_estimators_own():
    """Two equal taps in each of two mounts: 0.4 % a tap is 0.2 % of the mean of four."""
    modes, specimens = invent(replace(PLAIN, ladder=(170.0,), boards=1, mounts=2, taps=2))
    modes = modes.assign(frequency_hz=100.0, frequency_u=0.4, loss_factor=0.01, mode=1.0)
    row = board_modes(modes.assign(loss_factor_u=0.001), specimens).iloc[0]
    assert row["frequency_u"] == pytest.approx(0.2)
    assert row["loss_factor_u"] == pytest.approx(0.0005)


def test_one_mount_takes_its_uncertainty_from_takes_and_one_take_from_taps():
    modes, specimens = invent(replace(PLAIN, ladder=(170.0,), boards=1, mounts=1, takes=2, taps=2))
    modes = modes.assign(frequency_hz=[99.0, 101.0, 109.0, 111.0], frequency_u=0.001, mode=1.0)
    row = board_modes(modes, specimens).iloc[0]
    takes = 0.5 * np.log([99.0 * 101.0, 109.0 * 111.0])
    assert row["frequency_u"] / row["frequency_hz"] == pytest.approx(np.diff(takes)[0] / 2)
    row = board_modes(modes.iloc[:2], specimens).iloc[0]
    assert row["frequency_u"] / row["frequency_hz"] == pytest.approx(np.log(101.0 / 99.0) / 2)


def test_a_board_without_a_mode_says_so():
    modes, specimens = invent(replace(PLAIN, boards=4, mounts=2, without=((2, 3),)))
    refused = modes["specimen"] == "B4"
    modes.loc[refused, ["usable", "reason"]] = [False, "it bounced twice"]
    boards = board_modes(number_modes(modes, specimens), specimens)
    assert list(boards["mode"]) == [1, 2, 3, 4] * 4
    lacking = boards[boards["missing"]]
    assert list(zip(lacking["specimen"], lacking["mode"], strict=True)) == [
        ("B2", 3), ("B4", 1), ("B4", 2), ("B4", 3), ("B4", 4),
    ]  # fmt: skip
    assert lacking["frequency_hz"].isna().all()
    assert lacking["reason"].iloc[0] == note("modes.not_in_board", mode=3, taps=6)
    assert lacking["reason"].iloc[1] == note("modes.no_usable_tap", taps=6)
    assert (boards["reason"] != "").eq(boards["missing"]).all()


def test_taps_are_numbered_alike_however_many_are_set_against_their_boards_at_once(monkeypatch):
    modes, specimens = invent(PLAIN)
    modes = modes.sample(frac=0.7, random_state=1)  # no two taps show the same modes
    whole = number_modes(modes, specimens)
    monkeypatch.setattr(alignment, "_AT_ONCE", 3)
    pd.testing.assert_frame_equal(number_modes(modes, specimens), whole)
