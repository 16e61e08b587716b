"""Verdicts against the truth of simulated studies, seeded; the long form is
tests.benchmarks.attribution_truth. Limits are the promised ones plus three Monte Carlo errors.

Outside the project: the harmonics of a polynomial driven by a cosine (trigonometric identities:
cos^2 = (1 + cos 2x)/2, cos^3 = (3 cos x + cos 3x)/4, cos^4 = (3 + 4 cos 2x + cos 4x)/8).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.attribution.amplitudes import SCENARIOS, draw_plan, simulate
from tests.attribution.audio import AUDIO_SCENARIOS
from tests.attribution.hand_made import PASSES, Bench, controls, row
from tests.benchmarks import attribution_truth as truth
from tests.draws import draws

STUDIES = draws(13, share=8) * len(SCENARIOS)  # 136 of 221
SEED = 2026


@pytest.fixture(scope="module")
def simulated():
    return truth.studies(STUDIES, SEED)


@pytest.fixture(scope="module")
def recorded():
    """One study of each kind through real files."""
    return truth.audio_studies(len(AUDIO_SCENARIOS))


def three_errors(rate: float, count: int) -> float:
    return 3 * np.sqrt(rate * (1 - rate) / count)


def clustered_errors(hit: pd.Series, studies: pd.Series, rate: float) -> float:
    """Three standard errors of a share whose rows hang together within studies."""
    off = (hit.astype(float) - rate).groupby(studies.to_numpy()).sum()
    return 3 * np.sqrt((off**2).sum()) / len(hit)


# ------------------------------------------------------- complex amplitudes


def test_clear_harmonics_are_judged_right(simulated):
    clear = truth.clear_rows(simulated[0])
    assert len(clear) > 9 * STUDIES
    # Two takes of one mount alone say too little of their spread: there the interval is wide.
    clear = clear[clear["df"] > 16]
    right = clear["outcome"] == "right"
    assert right.mean() > 0.99 - clustered_errors(right, clear["study"], right.mean())
    beyond = clear[clear["true_buzz"]]
    assert len(beyond) > 0.23 * STUDIES
    right = beyond["outcome"] == "right"
    assert right.mean() > 0.99 - clustered_errors(right, beyond["study"], right.mean())


def test_no_clear_harmonic_gets_a_false_cause(simulated):
    assert (truth.clear_rows(simulated[0])["outcome"] != "wrong").all()


def test_a_false_cause_is_rare_at_any_uncertainty(simulated):
    rows = simulated[0]
    # A harmonic passes for present in its noise once in a hundred.
    assert len(truth.falsely_named(rows)) < 0.01 * len(rows)


def test_linear_boards_are_not_called_beyond_the_driver(simulated):
    linear = truth.linear_boards(simulated[0])
    assert len(linear) > 1.4 * STUDIES
    assert linear.mean() <= 0.01 + three_errors(0.01, len(linear))


def test_no_cause_is_named_without_its_control(simulated):
    assert truth.named_without_control(simulated[0]).empty


def test_intervals_hold_the_truth_of_a_whole_board(simulated):
    rows = simulated[0]
    for part in (truth.clean(rows[rows["sensed"]]), rows[~rows["sensed"]]):
        held = truth.covered_boards(part)
        assert len(held) > 0.23 * STUDIES
        assert held.mean() >= 0.99 - three_errors(0.01, len(held))


def test_without_a_motion_channel_nothing_is_beyond_the_driver(simulated):
    rows = simulated[0]
    blind = rows[~rows["sensed"]]
    assert len(blind) > 1.4 * STUDIES
    assert not blind["verdict"].isin(["driver", "beyond the driver"]).any()


def test_drive_steps_find_the_contact_that_falls_silent(simulated):
    steps = simulated[1]
    steps = steps[steps["sensed"]]
    buzz = steps[(steps["true_excess_db"] > 3) & (truth.leak_at_step(steps) < -20)]
    assert len(buzz) > 0.14 * STUDIES
    assert (buzz["verdict"] != "with the driver").all()
    boards = (buzz["verdict"] == "not with the driver").groupby([buzz["study"], buzz["specimen"]])
    assert boards.any().mean() > 0.8


def test_drive_steps_leave_linear_boards_alone(simulated):
    steps = simulated[1]
    # The harmonic falls k dB a dB; a leak that does not fall with it stands out at the lower drive.
    far = truth.leak_at_step(steps) < -20
    linear = steps[steps["sensed"] & ~steps["true_buzz"] & far]
    boards = (linear["verdict"] == "not with the driver").groupby(
        [linear["study"], linear["specimen"]]
    )
    assert boards.ngroups > 0.45 * STUDIES
    assert boards.any().mean() <= 0.01 + three_errors(0.01, boards.ngroups)


def test_the_same_seed_gives_the_same_study():
    first, again = (
        simulate(draw_plan(rng, "buzz"), rng)
        for rng in (np.random.default_rng(3), np.random.default_rng(3))
    )
    pd.testing.assert_frame_equal(first.harmonics, again.harmonics)


# --------------------------------------------------------- through real files


def test_recorded_studies_are_judged_right(recorded):
    clear = truth.clear_rows(recorded[0])
    # The recorder's mixtures of tone and harmonics are in no loopback take of the bare tone.
    clear = clear[clear["true_recorder_db"].lt(-25) & clear["true_drive_recorder_db"].lt(-25)]
    assert len(clear) > 100
    # Two boards and few takes: one in seven is left open, as what a board could hide is not told.
    assert (clear["outcome"] == "right").mean() >= 0.8
    assert (clear["outcome"] != "wrong").all()
    assert clear.loc[clear["true_buzz"], "outcome"].eq("right").sum() > 10


def test_recorded_studies_get_no_false_cause(recorded):
    rows = recorded[0]
    assert truth.falsely_named(rows).empty
    assert truth.named_without_control(rows).empty
    assert not truth.linear_boards(rows).any()


@pytest.mark.parametrize(
    ("scenario", "leak", "verdict"),
    [("air", "air", "air"), ("recorder", "recorder", "recorder"), ("hum", "hum", "noise")],
)
def test_recorded_leaks_are_named(recorded, scenario, leak, verdict):
    rows = recorded[0]
    # From 4 dB below the sum on, beyond doubt of where 6 dB lies.
    near = rows[(rows["scenario"] == scenario) & (rows[f"true_{leak}_db"] > -4)]
    if leak == "recorder":
        near = near[near["harmonic"] <= 3]  # what a loopback take of the tone holds
    assert len(near) >= 3
    # The airborne take was made beside the first board; another wood is not judged by it.
    beside = near[near["specimen"] == "board1"] if leak == "air" else near
    assert set(beside["verdict"]) == {verdict}
    assert set(near["verdict"]) <= {verdict, "cannot tell"}


def test_the_recorded_contact_is_found_in_its_mount_and_by_its_steps(recorded):
    rows, steps = recorded
    # Two boards are too few to call it beyond the driver, but the excess is told.
    found = rows[(rows["scenario"] == "steps") & (rows["low"] > 1.5)]
    assert set(zip(found["specimen"], found["mount"], strict=True)) == {("board1", 1)}
    assert set(found["verdict"]) == {"cannot tell"}
    steps = steps[steps["scenario"] == "steps"]
    buzzing = (steps["specimen"] == "board1") & (steps["mount"] == 1)
    assert (steps.loc[buzzing, "verdict"] == "not with the driver").sum() >= 3
    assert not (steps.loc[buzzing, "verdict"] == "with the driver").any()
    assert not (steps.loc[~buzzing, "verdict"] == "not with the driver").any()
    assert (steps.loc[~buzzing, "verdict"] == "with the driver").sum() >= 5


# ------------------------------------------------ polynomial nonlinearity


SQUARE, CUBE, FOURTH = 0.05, 0.3, 0.2
AMPLITUDE = 0.2


def harmonics_of(amplitude: float) -> np.ndarray:
    """Harmonics 1 .. 4 of a + SQUARE a^2 + CUBE a^3 + FOURTH a^4 for a cosine, from its samples."""
    n = 64
    a = amplitude * np.cos(2 * np.pi * np.arange(n) / n)
    wave = a + SQUARE * a**2 + CUBE * a**3 + FOURTH * a**4
    return 2.0 * np.fft.rfft(wave)[1:5] / n


def polynomial_bench(steps: tuple[float, ...] = ()) -> Bench:
    """A driver with that polynomial under a linear board."""
    bench = Bench(u=1e-10)
    for mount in (1, 2, 3):
        at = {"specimen": "larch1", "mount": mount}
        for drive_db in (0.0, *steps):
            drive = harmonics_of(AMPLITUDE * 10 ** (drive_db / 20))
            for repeat, factor in enumerate((1.0, 1.01, 0.99), start=1):
                bench.add("tone", factor * PASSES * drive, drive, repeat=repeat,
                          drive_db=drive_db, **at)  # fmt: skip
        for k in (2, 3, 4):
            bench.add("tone", PASSES[k - 1] * 0.1, 0.1, k=k, **at)
    controls(bench)
    return bench


def test_a_polynomial_drivers_harmonics_through_a_linear_board_are_the_drivers():
    a = AMPLITUDE
    analytic = {2: SQUARE * a**2 / 2 + FOURTH * a**4 / 2, 3: CUBE * a**3 / 4, 4: FOURTH * a**4 / 8}
    found = polynomial_bench().attribute()
    for k, amplitude in analytic.items():
        each = row(found, k)
        assert each.verdict == "driver"
        expected = 20 * np.log10(amplitude * abs(PASSES[k - 1]))
        assert each.predicted_db == pytest.approx(expected, abs=1e-6)
        assert each.observed_db == pytest.approx(expected, abs=1e-6)
        assert each.excess_db == pytest.approx(0.0, abs=1e-6)


def test_the_third_grows_three_and_the_second_two_decibels_a_decibel():
    steps = polynomial_bench(steps=(-6.0, -12.0)).attribute().steps
    assert len(steps) == 3 * 3 * 2
    assert (steps["verdict"] == "with the driver").all()
    assert steps["own_growth_db"].tolist() == (-steps["drive_db"] * steps["harmonic"]).tolist()
    assert steps["growth_db"].to_numpy() == pytest.approx(steps["sensed_growth_db"].to_numpy())
    for k, tolerance in ((3, 1e-6), (4, 1e-6)):
        one = steps[steps["harmonic"] == k]
        assert one["sensed_growth_db"].to_numpy() == pytest.approx(
            one["own_growth_db"].to_numpy(), abs=tolerance
        )
    # The fourth-order term adds FOURTH a^2 / SQUARE to the second harmonic: 16 % at full drive.
    second = steps[(steps["harmonic"] == 2) & (steps["drive_db"] == -6.0)]
    low = AMPLITUDE * 10 ** (-6 / 20)
    expected = 12 + 20 * np.log10(
        (1 + FOURTH * AMPLITUDE**2 / SQUARE) / (1 + FOURTH * low**2 / SQUARE)
    )
    assert second["sensed_growth_db"].to_numpy() == pytest.approx(expected, abs=1e-6)


def test_a_polynomial_in_the_recorder_is_named_from_its_loopback_take():
    # Driver without distortion; the recorder's cube gives CUBE A^3 / 4 at 3f in every take.
    bench = Bench(u=1e-10)
    clean = np.array([AMPLITUDE, 1e-6, 1e-6, 1e-6])
    heard = PASSES * clean
    third = CUBE * abs(heard[0]) ** 3 / 4
    for mount in (1, 2):
        at = {"specimen": "larch1", "mount": mount}
        for repeat, factor in enumerate((1.0, 1.01, 0.99), start=1):
            bench.add(
                "tone", factor * (heard + third * (np.arange(4) == 2)), clean, repeat=repeat, **at
            )
        for k in (2, 3, 4):
            bench.add("tone", PASSES[k - 1] * 0.1, 0.1, k=k, **at)
    controls(bench, leave_out=("loopback",))
    level = 2 * abs(heard[0])  # twice as loud: eight times the third harmonic
    bench.add("loopback", [level, 1e-9, CUBE * level**3 / 4, 1e-9])
    found = row(bench.attribute(), 3)
    assert found.verdict == "recorder"
    assert found.recorder_db == pytest.approx(20 * np.log10(third), abs=1e-6)
