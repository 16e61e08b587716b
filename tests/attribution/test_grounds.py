"""On which ground a cause is named: repeats that agree, other boards, what a board could hide.

Outside references: roots and end receptance of the free bar in closed form (Bishop and Johnson,
The Mechanics of Vibration, recalled: a(0, 0) = -(cos b sinh b - sin b cosh b) / (b^3 (cos b cosh b
- 1)) for EI = L = 1); the random-effects model of DerSimonian and Laird in statsmodels.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.meta_analysis import combine_effects

from studylib.attribution import board_facts, rivals
from studylib.attribution.board_facts import (
    BoardFacts,
    BoardModes,
    Hidden,
    facts_of_study,
    forced_excess,
    noticed_shares,
)
from studylib.codes import code_of, fields_of
from studylib.codes.attribution import Control, Rival
from tests.attribution.hand_made import (
    DRIVE,
    PASSES,
    TONE_HZ,
    Bench,
    controls,
    linear_mount,
    other_boards,
    row,
)

TWICE = np.array([0, 0, PASSES[2] * DRIVE[2], 0])  # 6 dB at 3f, in phase
FAR = BoardModes(np.array([20.0]), np.array([0.01]))  # no mode near any harmonic


def mounts(bench: Bench, turn, *, repeats: int = 4) -> None:
    """Three mounts; `turn(repeat, k)` multiplies (response, drive) of a take."""
    k = np.arange(1, 5)
    for mount in (1, 2, 3):
        at = {"specimen": "larch1", "mount": mount}
        for repeat in range(repeats):
            a, b = turn(repeat, k)
            factor = (1.0, 1.01, 0.99, 1.0)[repeat]
            bench.add("tone", factor * PASSES * DRIVE * a, DRIVE * b, repeat=repeat + 1, **at)
        for multiple in (2, 3, 4):
            bench.add("tone", PASSES[multiple - 1] * 0.1, 0.1, k=multiple, **at)
    controls(bench)


# ------------------------------------------------------------------ agreement


def test_an_inverted_channel_leaves_nothing_to_explain():
    bench = Bench()
    # Against the phase of the inverted fundamental: (-1)^(k + 1) in the response, (-1)^k below.
    mounts(bench, lambda n, k: ((-1.0) ** (n * (k + 1)), (-1.0) ** (n * k)))
    table = bench.attribute().table
    assert set(table["verdict"]) == {"cannot tell"}
    assert {code_of(reason) for reason in table["reason"]} == {"attribution.apart"}
    assert {fields_of(reason)["looks"] for reason in table["reason"]} == {
        "attribution.looks_inverted"
    }
    assert table["excess_db"].isna().all()


def test_both_channels_inverted_show_at_the_even_harmonics():
    bench = Bench()
    mounts(bench, lambda n, k: ((-1.0) ** (n * (k + 1)),) * 2)
    found = bench.attribute()
    assert fields_of(row(found, 2).reason)["looks"] == "attribution.looks_both_inverted"
    assert row(found, 3).verdict == "driver"


@pytest.mark.parametrize(
    ("own", "looks"), [(False, "attribution.looks_wanders"), (True, "attribution.looks_line")]
)
def test_a_steady_line_beside_the_harmonic_is_no_boards(own, looks):
    bench = Bench()
    line = 2.0 * PASSES[2] * DRIVE[2]
    phase = np.exp(2j * np.pi * np.array([0.1, 0.45, 0.7, 0.9]))

    def beat(n, k):
        return np.where(k == 3, 1 + line * phase[n] / (PASSES[2] * DRIVE[2]), 1.0), 1.0

    mounts(bench, beat)
    if own:  # the amplifier brings it: a weak trace in the idle take names it
        bench.add("idle", [0, 0, 0.1 * abs(line), 0])
    found = bench.attribute()
    third = row(found, 3)
    assert (third.verdict, code_of(third.reason)) == ("cannot tell", "attribution.apart")
    assert fields_of(third.reason)["looks"] == looks
    assert row(found, 2).verdict == row(found, 4).verdict == "driver"


def test_probe_tones_that_disagree_are_named():
    bench = Bench()
    mounts(bench, lambda n, k: (1.0, 1.0))
    bench.add("tone", -PASSES[2] * 0.1, 0.1, k=3, repeat=2, specimen="larch1", mount=1)
    found = row(bench.attribute(), 3)
    assert code_of(found.reason) == "attribution.apart"
    assert fields_of(found.reason)["probes"] is True


def test_an_estimate_lies_in_its_interval_whatever_the_takes_do(rng):
    for _ in range(20):
        bench = Bench()
        turn = np.exp(rng.normal(0, 0.5, (4, 4)) + 0.09j * rng.uniform(-1, 1, (4, 4)))
        mounts(bench, lambda n, k, turn=turn: (turn[n], 1.0))
        told = bench.attribute().table.dropna(subset=["excess_db"])
        assert ((told["low"] <= told["excess_db"]) & (told["excess_db"] <= told["high"])).all()


def test_a_gain_that_falls_with_the_level_is_no_contact_that_opens():
    bench = Bench()
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
        low = DRIVE * 0.5 ** np.arange(1, 5)
        bench.add("tone", 1.6 * PASSES * low, low, specimen="larch1", mount=mount, drive_db=-6.0206)
    controls(bench)
    steps = bench.attribute().steps
    assert steps["difference_db"].to_numpy() == pytest.approx(-20 * np.log10(1.6), abs=0.1)
    assert set(steps["verdict"]) == {"cannot tell"}


# ------------------------------------------------------------------ what boards share


def sharing(boards: int, *, block: bool, woods=("larch",), only: str = "") -> Bench:
    """Boards with twice the third harmonic; `block`: the block shows it too."""
    bench = Bench()
    for number in range(1, boards + 1):
        wood = woods[number % len(woods)]
        extra = TWICE if not only or wood == only else 0.0
        for mount in (1, 2):
            linear_mount(bench, f"{wood}{number}", mount=mount, extra=extra)
    controls(bench, leave_out=("driver", "airborne"))
    for k in (2, 3, 4):
        bench.add("driver", 0.05, 0.1, k=k)
        bench.add("airborne", 1e-5, 0.1, k=k, specimen=f"{woods[0]}1", mount=1)
    bench.add(
        "driver", 0.5 * DRIVE * np.where(np.arange(4) == 2, 2.0 if block else 1.0, 1.0), DRIVE
    )
    return bench


def test_what_all_boards_and_the_block_show_is_the_benchs():
    table = sharing(6, block=True).attribute().table.query("harmonic == 3")
    assert set(table["verdict"]) == {"bench"}
    told = fields_of(table["reason"].iloc[0])
    assert told["boards"] == 6
    assert {Rival.LEVEL_CONTROL, Rival.MICROPHONE, Rival.ROCKING} <= set(told["rivals"])


@pytest.mark.parametrize(
    ("boards", "reason"), [(6, "attribution.shared"), (3, "attribution.few_boards")]
)
def test_without_a_witness_or_enough_boards_it_stays_open(boards, reason):
    table = sharing(boards, block=False).attribute().table.query("harmonic == 3")
    assert set(table["verdict"]) == {"cannot tell"}
    assert {code_of(each) for each in table["reason"]} == {reason}


def test_what_one_wood_shares_may_be_how_it_was_driven():
    bench = sharing(8, block=False, woods=("larch", "cherry"), only="cherry")
    facts = {f"{w}{n}": BoardFacts(w, modes=FAR) for n in range(9) for w in ("larch", "cherry")}
    table = bench.attribute(facts).table.query("harmonic == 3")
    cherry = table["specimen"].str.startswith("cherry")
    assert {code_of(reason) for reason in table.loc[cherry, "reason"]} == {"attribution.one_wood"}
    assert set(table.loc[~cherry, "verdict"]) == {"driver"}


@pytest.mark.parametrize("left_out", ["", "turned", "moved", "batch"])
def test_what_one_wood_shares_is_the_woods_once_it_was_repeated_in_every_way(left_out):
    bench = sharing(8, block=False, woods=("larch", "cherry"), only="cherry")
    batch = "day1" if left_out == "batch" else "day2"
    controls(bench, batch=batch)
    linear_mount(bench, "cherry1", mount=3, extra=TWICE, batch=batch)
    moved = len(bench.takes)
    for k, heard, drive in ((1, PASSES * DRIVE + TWICE, DRIVE), (3, PASSES[2] * 0.1, 0.1)):
        bench.add("tone", heard, drive, k=k, specimen="cherry1", mount=2)
    for i, take in enumerate(bench.takes):
        here = (take.specimen, take.mount) == ("cherry1", 3)
        how = {
            "moved_mm": 2.0 if i >= moved and left_out != "moved" else None,
            "turned": here and left_out != "turned",
        }
        bench.takes[i] = take.model_copy(update=how)
    facts = {f"{w}{n}": BoardFacts(w, modes=FAR) for n in range(9) for w in ("larch", "cherry")}
    table = bench.attribute(facts).table.query("harmonic == 3")
    reasons = {code_of(each) for each in table.loc[table["specimen"] == "cherry3", "reason"]}
    assert (reasons == {"attribution.one_wood"}) == bool(left_out)
    if not left_out:
        # The other wood is what it stands out from; the bench's own causes are still asked for.
        assert reasons == {"attribution.rivals_left"}


def test_one_board_is_beyond_only_with_steps_that_rule_out_the_bench():
    bench = Bench()
    for mount in (1, 2):
        linear_mount(bench, mount=mount, extra=2 * TWICE)
    other_boards(bench)
    controls(bench)
    found = row(bench.attribute(), 3)
    assert (found.verdict, code_of(found.reason)) == ("cannot tell", "attribution.rivals_left")
    assert Rival.ROCKING in fields_of(found.reason)["rivals"]
    assert found.settle == Control.STEPS


def test_the_model_between_boards_is_dersimonian_and_lairds(rng):
    e, u = 3 + rng.normal(0, 1.0, 8), rng.uniform(0.2, 0.8, 8)
    mean, u_mean, between = rivals._model(e, u)
    found = combine_effects(e, u**2, method_re="dl")
    assert mean == pytest.approx(found.mean_effect_re, rel=1e-9)
    assert u_mean == pytest.approx(found.sd_eff_w_re, rel=1e-9)
    assert between == pytest.approx(found.tau2, rel=1e-9)


def test_a_board_of_the_same_kind_lies_in_the_others_interval_as_promised(rng):
    outside = 0
    for _ in range(600):
        e = 3 + rng.normal(0, 1.0, 9)
        mean, u_mean, between = rivals._model(e[1:], np.full(8, 0.3))
        reach = stats.t.ppf(0.995, 7) * np.sqrt(between + u_mean**2 + 0.09)
        outside += abs(e[0] + rng.normal(0, 0.3) - mean) > reach
    assert outside <= 600 * 0.01 + 3 * np.sqrt(600 * 0.0099) + 6


# ------------------------------------------------------------------ what a board could hide


def test_the_bars_roots_and_receptance_are_those_of_the_books():
    assert board_facts._roots()[:3] == pytest.approx([4.730041, 7.853205, 10.995608], abs=1e-6)
    b = 6.0  # between the first two modes; EI = mass = L = 1, so that w = b^2
    closed = -(np.cos(b) * np.sinh(b) - np.sin(b) * np.cosh(b)) / (
        b**3 * (np.cos(b) * np.cosh(b) - 1)
    )
    shapes = board_facts._shapes(np.array([0.0]))[:, 0]
    modal = (shapes**2 / (np.r_[0, 0, board_facts._roots()] ** 4 - b**4)).sum()
    assert modal == pytest.approx(closed, rel=2e-3)


def rail(at_hz: float, **about) -> BoardModes:
    """A slender bar whose second mode lies at a frequency."""
    roots = board_facts._roots()[:6]
    return BoardModes(at_hz * (roots / roots[1]) ** 2, np.full(6, 0.01), **about)


@pytest.mark.parametrize("drive_at", [0.3, None])
def test_on_a_mode_the_driver_is_not_named_and_between_modes_it_is(drive_at):
    bench = Bench()
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
    controls(bench)
    third = 3 * TONE_HZ
    on, between = (
        {"larch1": BoardFacts("larch", modes=rail(at, drive_at=drive_at))}
        for at in (third * 1.002, third * 1.4)
    )
    hidden = row(bench.attribute(on), 3)
    assert (hidden.verdict, hidden.settle) == ("cannot tell", Control.ELSEWHERE)
    assert code_of(hidden.reason) == "attribution.hidden"
    assert fields_of(hidden.reason)["mode_hz"] == pytest.approx(third * 1.002)
    assert row(bench.attribute(between), 3).verdict == "driver"


def test_at_a_mode_driving_point_and_far_end_keep_one_ratio():
    modes = rail(500.0, drive_at=0.3)  # 0.13 is near a node of that mode
    near, far = forced_excess(modes, np.array([500.0, 700.0])).excess[0, 0]
    level = 20 * np.log10(np.abs([near, far]))
    assert np.median(np.abs(level[0])) < 1.0
    assert np.median(np.abs(level[1])) > 6.0


def read_of(level_db: float, made_alone: np.ndarray) -> np.ndarray:
    """The excess that is read (places, 48) where a part made on the board moves the far end
    by `level_db`, in 48 phases. Without the driver it would be read as `made_alone`: it shakes
    the driving point by 1 / made_alone of what the driver does, for as much at the far end."""
    part = 10 ** (level_db / 20) * np.exp(1j * np.arange(48) / 48 * 2 * np.pi) - 1
    return (1 + part) / (1 + part / made_alone[:, None])


@pytest.mark.parametrize("level_db", [2.0, -2.0, 4.0, -4.0])
def test_a_part_made_on_the_board_is_noticed_until_it_moves_the_level_by_three_decibels(
    level_db, rng
):
    alone = 10 ** (rng.uniform(-20, 20, 30) / 20) * np.exp(1j * rng.uniform(-3, 3, 30))
    alone = alone[np.abs(np.log(alone)) > 0.5]
    read = read_of(level_db, alone)
    away = np.abs(np.log(read / alone[:, None])) > 0.5  # else it would pass for made there alone
    for each, at in zip(alone, read * np.where(away, 1, np.nan), strict=True):
        at = at[np.isfinite(at)]
        hidden = Hidden(np.full((1, 1, at.size, 1), each), np.zeros(at.size, bool), at.real)
        # As exact as can be: no more than what the model itself may be off by.
        nothing = np.full(at.size, -board_facts.MODEL_DB + 1e-6)
        turn = nothing / board_facts.DB_PER_RATIO
        whole, part = noticed_shares(hidden, observed=at, down_db=nothing, up_db=nothing, turn=turn)
        assert (whole == 1.0).all()
        assert (part == (abs(level_db) < 3.0)).all()


def test_what_lies_in_the_interval_farthest_from_a_place_may_hide_a_part_as_well():
    # Made alone there 6 dB would be read. From -2 dB to 0 it is a part that takes 3.7 dB away.
    hidden = Hidden(np.full((1, 1, 1, 1), 2.0 + 0j), np.zeros(1, bool), np.ones(1))
    for down_db, share in ((2.0, 0.0), (0.5, 1.0)):
        whole, part = noticed_shares(
            hidden, observed=np.ones(1) + 0j, down_db=np.array([down_db]), up_db=np.zeros(1),
            turn=np.zeros(1),
        )  # fmt: skip
        assert (whole, part) == (1.0, share)


@pytest.mark.parametrize(
    ("odd", "told"), [((1, 2), True), ((1,), False), ((5, 6), False), ((1, 5), True)]
)
def test_what_other_boards_show_may_be_part_of_it_where_a_part_would_not_show(odd, told):
    # Boards 0 to 3 of larch, 4 to 7 of cherry; those that are odd make as much at 3f again.
    bench = Bench()
    for number in range(8):
        for mount in (1, 2):
            extra = TWICE if number in odd else 0.0
            linear_mount(bench, f"b{number}", mount=mount, extra=extra)
    controls(bench)
    modes = rail(3 * TONE_HZ * 1.4, drive_at=0.13)
    facts = {f"b{n}": BoardFacts("larch" if n < 4 else "cherry", modes=modes) for n in range(8)}
    found = row(bench.attribute(facts), 3, specimen="b0")
    assert found.verdict == ("cannot tell" if told else "driver")
    if told:
        assert code_of(found.reason) == "attribution.odd_beside"
        assert fields_of(found.reason)["boards"] == 2
        assert found.settle == Control.ELSEWHERE


def test_a_board_without_known_modes_is_tapped_first():
    bench = Bench()
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
    controls(bench)
    found = row(bench.attribute({"larch1": BoardFacts("larch")}), 3)
    assert (found.verdict, found.settle) == ("cannot tell", Control.TAPS)
    assert code_of(found.reason) == "attribution.modes_unknown"


def test_beside_a_harmonic_that_is_not_the_drivers_no_other_is_put_down_to_it():
    bench = Bench()
    linear_mount(bench, mount=1, extra=TWICE)
    linear_mount(bench, mount=2)
    linear_mount(bench, mount=3)
    controls(bench)
    found = bench.attribute({"larch1": BoardFacts("larch", modes=FAR)})
    assert code_of(row(found, 2, mount=1).reason) == "attribution.odd_beside"
    assert row(found, 2, mount=2).verdict == "driver"


def test_modes_of_the_bench_go_before_those_of_the_free_board(measured_demo):
    study, _ = measured_demo
    rows = [
        ("L1", "free", 505.0, 0.02), ("L1", "bench", 500.0, 0.01), ("L1", "free", 900.0, np.nan),
        ("L1", "bench", np.nan, np.nan), ("L2", "free", 700.0, 0.03),
    ]  # fmt: skip
    columns = ["specimen", "support", "frequency_hz", "loss_factor"]
    facts = facts_of_study(study, pd.DataFrame(rows, columns=columns))
    both, free = facts["L1"].modes, facts["L2"].modes
    assert both.frequency_hz == pytest.approx([500.0, 900.0])
    assert both.loss_factor == pytest.approx([0.01, np.nan], nan_ok=True)
    assert (both.loaded, free.loaded) == (True, False)
    assert (free.frequency_hz, free.loss_factor) == (700.0, 0.03)
    assert facts["REF"].modes is None


def test_a_reference_too_dense_for_wood_is_inert(measured_demo):
    study, gathered = measured_demo
    facts = facts_of_study(study, gathered.board_modes)
    assert not facts["REF"].inert
    reference = study.specimens[[s.specimen for s in study.specimens].index("REF")]
    assert 500 < reference.density_kg_m3 < 700
    heavy = reference.model_copy(update={"mass_g": 1400.0})
    assert heavy.density_kg_m3 > 2500
    assert facts["L1"].modes.loaded
    assert facts["L1"].modes.drive_at is None or 0 < facts["L1"].modes.drive_at < 1
