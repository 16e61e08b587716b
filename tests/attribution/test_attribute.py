"""Attribution of hand-made takes: the truth of each is worked out on paper.

Definitions and rules are those of the project's own method (attribution of a harmonic); the levels
are 20 lg of amplitudes, the shift by a coherent leak 20 lg(1 +- 10^(-L/20)), JCGM 100 for the
combined uncertainty.
"""

from __future__ import annotations

from importlib import import_module
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from studylib.attribution import Attribution, attribute
from studylib.attribution.lines import Lines
from studylib.codes import code_of, each, fields_of, has, note
from studylib.codes.attribution import Cause, Control, Rival
from studylib.tables import TABLES
from studylib.words import said
from tests.attribution.hand_made import (
    DRIVE,
    PASSES,
    SECONDS,
    TONE_HZ,
    Bench,
    controls,
    in_the_air,
    linear_mount,
    other_boards,
    row,
    silent_step,
)


def linear(**plan) -> Bench:
    """Three mounts of one board, so that the spread between takes has 6 degrees of freedom."""
    bench = Bench(**plan)
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
    controls(bench)
    return bench


def cause(found) -> str:
    """What makes the interval of a row wide, or is least excluded."""
    return code_of(fields_of(found.reason)["cause"])


def db(amplitude: complex) -> float:
    return 20 * np.log10(abs(amplitude))


@pytest.mark.parametrize("k", [2, 3, 4])
def test_a_linear_boards_harmonics_are_the_drivers(k):
    found = row(linear().attribute(), k)
    assert found.verdict == "driver"
    assert found.excess_db == pytest.approx(0.0, abs=1e-9)
    assert found.observed_db == pytest.approx(db(PASSES[k - 1] * DRIVE[k - 1]), abs=1e-9)
    assert found.predicted_db == pytest.approx(found.observed_db, abs=1e-9)
    assert found.route == "attribution.probe"
    assert code_of(found.reason) == "attribution.driver"


def test_the_uncertainty_is_that_of_the_guide():
    # One probe, three takes: u^2 = s^2 (1/3 + 1) + noise of the four amplitudes, in nepers;
    # s^2 pooled from three groups of three takes (ln 1, ln 1.01, ln 0.99), 2 df each.
    found = linear().attribute()
    s2 = np.var(np.log([1.0, 1.01, 0.99]), ddof=1)
    assert found.take_spread.level == pytest.approx(s2, rel=1e-3)
    assert found.take_spread.df == 6
    k, u = 3, 1e-6
    noise = (u / abs(PASSES[2] * DRIVE[2])) ** 2 / 3 + (u / abs(DRIVE[2])) ** 2 / 3
    noise += (u / abs(PASSES[2] * 0.1)) ** 2 + (u / 0.1) ** 2
    expected = 20 / np.log(10) * np.sqrt(s2 * (1 / 3 + 1) + noise)
    assert row(found, k).u == pytest.approx(expected, rel=0.01)


def test_the_interval_is_corrected_for_the_rows_of_the_specimen():
    wide = {}
    for mounts in (2, 6):
        bench = Bench(u=1e-8)
        for mount in range(1, mounts + 1):
            linear_mount(bench, mount=mount)
        controls(bench)
        found = bench.attribute()
        wide[mounts] = row(found, 3)
        df = found.take_spread.df
        q = stats.t.ppf(1 - 0.01 / (2 * 3 * mounts), df)
        assert (wide[mounts].high - wide[mounts].low) / 2 == pytest.approx(
            q * wide[mounts].u, rel=0.05
        )


def test_an_excess_in_one_mount_is_beyond_the_driver_and_gone_after_remounting():
    bench = Bench()
    # Twice as much again at 3f, in phase: 20 lg 3.
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    linear_mount(bench, mount=1)
    linear_mount(bench, mount=2, extra=extra)
    linear_mount(bench, mount=3)
    other_boards(bench)
    silent_step(bench, mount=2)
    controls(bench)
    found = bench.attribute()
    beyond = row(found, 3, mount=2)
    assert beyond.verdict == "beyond the driver"
    assert beyond.excess_db == pytest.approx(20 * np.log10(3), abs=0.01)
    assert beyond.low < 20 * np.log10(3) < beyond.high
    why, mounts = each(beyond.reason)
    assert code_of(why) == "attribution.beyond"
    assert mounts == note("attribution.in_this_mount", mounts=3, without=2)
    others = found.table[found.table["verdict"] != "driver"]
    assert len(others) == 1


def test_an_excess_in_most_mounts_is_not_put_down_to_a_mounting():
    bench = Bench()
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    for mount in (1, 2, 3, 4):
        linear_mount(bench, mount=mount, extra=extra if mount < 4 else 0.0)
        silent_step(bench, mount=mount)
    other_boards(bench)
    controls(bench)
    mounts = each(row(bench.attribute(), 3).reason)[1]
    assert mounts == note("attribution.in_some_mounts", mounts=4, beyond=3, without=1)


def test_an_excess_in_every_mount_stays_with_the_board():
    bench = Bench()
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    for mount in (1, 2):
        linear_mount(bench, mount=mount, extra=extra)
        silent_step(bench, mount=mount)
    other_boards(bench)
    controls(bench)
    assert each(row(bench.attribute(), 3).reason)[1] == note("attribution.in_all_mounts", mounts=2)


def test_an_excess_of_a_board_mounted_once_asks_for_a_second_mount():
    bench = Bench()
    linear_mount(bench, extra=np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0]))
    other_boards(bench)
    silent_step(bench)
    controls(bench)
    assert each(row(bench.attribute(), 3).reason)[1] == note("attribution.mounted_once")


def test_a_level_that_agrees_with_a_wrong_phase_explains_nothing():
    # P + B with B = P (exp(i 130 deg) - 1): the same level, and B stronger than P.
    bench = Bench()
    extra = np.array([0, 0, PASSES[2] * DRIVE[2] * (np.exp(2.27j) - 1), 0])
    linear_mount(bench, extra=extra)
    linear_mount(bench, mount=2)
    controls(bench)
    found = row(bench.attribute(), 3)
    assert found.excess_db == pytest.approx(0.0, abs=0.01)
    assert found.verdict == "cannot tell"
    assert code_of(found.reason) == "attribution.phase"
    assert fields_of(found.reason)["phase_deg"] == pytest.approx(np.degrees(2.27), abs=0.5)


def test_weaker_than_the_driver_is_not_explained_either():
    bench = Bench()
    linear_mount(bench, extra=np.array([0, -0.8 * PASSES[1] * DRIVE[1], 0, 0]))
    linear_mount(bench, mount=2)
    controls(bench)
    found = row(bench.attribute(), 2)
    assert (found.verdict, found.settle) == ("cannot tell", Control.REMOUNT)
    assert code_of(found.reason) == "attribution.weaker"


@pytest.mark.parametrize("control", [Control.AIRBORNE, Control.LOOPBACK])
def test_nothing_is_beyond_the_driver_before_the_other_causes_are_tested(control):
    bench = Bench()
    linear_mount(bench, extra=np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0]))
    linear_mount(bench, mount=2)
    controls(bench, leave_out=(control.name.lower(),))
    found = row(bench.attribute(), 3)
    assert (found.verdict, found.settle) == ("cannot tell", control)
    assert code_of(found.reason) == "attribution.not_ruled_out"
    (asked,) = fields_of(found.reason)["missing"]
    assert code_of(asked) == control
    assert fields_of(asked)["at_hz"] == 3 * TONE_HZ


def test_a_board_without_a_probe_tone_asks_for_one():
    bench = Bench()
    linear_mount(bench, probes=(2,))
    controls(bench)
    found = row(bench.attribute(), 3)
    assert (found.verdict, found.route, found.settle) == ("cannot tell", "", Control.PROBE)
    assert found.reason == note("attribution.not_probed", at_hz=3 * TONE_HZ, tone_hz=TONE_HZ)
    assert "record a probe tone at 516 Hz in this mount" in said(found.reason)
    assert np.isnan(found.predicted_db)


def test_another_mounts_probe_carries_the_remount_spread():
    bench = Bench()
    # Three mounts with probes, T at 3f 10 % apart from mount to mount; the fourth has none there.
    for mount, factor in enumerate((0.9, 1.0, 1.1), start=1):
        linear_mount(bench, mount=mount, passes=PASSES * factor)
    linear_mount(bench, mount=4, probes=(2,))
    controls(bench)
    found = bench.attribute()
    own, borrowed = row(found, 3, mount=1), row(found, 3, mount=4)
    assert borrowed.route == "attribution.other_probe"
    s = np.std(np.log([0.9, 1.0, 1.1]), ddof=1)
    assert borrowed.u == pytest.approx(
        np.hypot(own.u, 20 / np.log(10) * s * np.sqrt(1 + 1 / 3)), rel=0.05
    )
    assert borrowed.high - borrowed.low > 5 * (own.high - own.low)


def test_a_sweep_gives_what_no_probe_tone_does():
    bench = Bench()
    linear_mount(bench, probes=(2,))
    sweep_drive = np.array([1e-3, 8e-4, 6e-4, 5e-4]) * np.exp(0.3j)
    bench.add("sweep", PASSES * sweep_drive, sweep_drive, specimen="larch1", mount=1, u=1e-9)
    controls(bench)
    found = bench.attribute()
    assert row(found, 2).route == "attribution.probe"
    swept = row(found, 3)
    assert (swept.route, swept.verdict) == ("attribution.sweep", "driver")
    assert swept.excess_db == pytest.approx(0.0, abs=1e-6)


def test_a_sweep_that_ends_too_soon_is_trusted_less():
    bench = Bench()
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount, probes=(2,))
        drive = np.array([1e-3, 8e-4, 6e-4, 5e-4])
        # Of the third harmonic's sum (1.8e-4 in the response) 1.5e-4 may still ring.
        bench.add("sweep", PASSES * drive, drive, specimen="larch1", mount=mount, u=1.5e-4)
    controls(bench)
    found = row(bench.attribute(), 3)
    assert (found.route, found.verdict) == ("attribution.sweep", "cannot tell")
    assert (cause(found), found.settle) == (Cause.SWEEP, Control.SWEEP)


def test_a_probe_beside_the_frequency_is_trusted_less():
    near, off = Bench(), Bench()
    for bench, apart in ((near, 1e-5), (off, 2e-3)):
        linear_mount(bench, probes=(2, 4))
        linear_mount(bench, mount=2)
        linear_mount(bench, mount=3)
        bench.add("tone", PASSES[2] * 0.1, 0.1, k=3, specimen="larch1", mount=1, apart=apart)
        controls(bench)
    assert row(near.attribute(), 3).verdict == "driver"
    beside = row(off.attribute(), 3)
    assert beside.verdict == "cannot tell"
    assert (cause(beside), beside.settle) == (Cause.FREQUENCY, Control.PROBE)


# ------------------------------------------------------------------ leaks


def with_leak(share: float, *, kind: str = "airborne") -> Attribution:
    """A linear board with a leak of `share` of the observed third harmonic, in phase."""
    bench = Bench()
    board = PASSES[2] * DRIVE[2]
    leak = share * board / (1 - share)
    for mount in (1, 2):
        # Of tone and probe tone alike: both sound through the air.
        linear_mount(bench, mount=mount, passes=PASSES + np.array([0, 0, leak / DRIVE[2], 0]))
    controls(bench, leave_out=(kind,))
    # The mounted harmonic is |D3| / 0.1 of full drive at 3f: the driver in the air is as loud.
    full = abs(leak) / (abs(DRIVE[2]) / 0.1)
    in_the_air(bench, [1e-6, 1e-6, full, 1e-6], 0.3)
    silent_step(bench)
    return bench.attribute()


def test_the_leak_is_the_airborne_probe_scaled_to_the_mounted_drivers_harmonic():
    found = row(with_leak(0.1), 3)
    assert found.air_db - found.observed_db == pytest.approx(-20.0, abs=0.05)
    assert not found.air_is_limit


@pytest.mark.parametrize(("share", "verdict"), [(0.6, "air"), (0.55, "air"), (0.01, "driver")])
def test_a_leak_within_six_decibels_is_the_cause(share, verdict):
    assert row(with_leak(share), 3).verdict == verdict


def test_air_is_not_named_where_the_tone_itself_is_not_heard_in_the_air():
    # A loudspeaker left on plays airborne takes of 3f, and has nothing of the driver's harmonic.
    bench = Bench()
    for mount in (1, 2):
        linear_mount(bench, mount=mount)
    controls(bench, leave_out=("airborne",))
    full = abs(PASSES[2] * DRIVE[2]) / (abs(DRIVE[2]) / 0.1)
    bench.add("airborne", full, 0.3, k=3, specimen="larch1", mount=1)
    # Without a step nothing shows that quiet takes are recorded as loud ones are.
    assert code_of(row(bench.attribute(), 3).reason) == "attribution.air_level"
    silent_step(bench)
    assert code_of(row(bench.attribute(), 3).reason) == "attribution.air_elsewhere"
    bench.add("airborne", np.full(4, 1e-6), DRIVE, specimen="larch1", mount=1)
    assert code_of(row(bench.attribute(), 3).reason) == "attribution.air_elsewhere"
    heard = np.r_[0.0, 1e-6, DRIVE[2] * full / 0.3, 1e-6]
    bench.add("airborne", heard, DRIVE, specimen="larch1", mount=1)
    assert row(bench.attribute(), 3).verdict == "air"


def test_air_is_not_named_where_the_tone_in_the_air_has_another_phase():
    # As loud as the driver's own sound would be, from another place.
    for turned in (1.0, 1j):
        bench = Bench()
        for mount in (1, 2):
            linear_mount(bench, mount=mount)
        controls(bench, leave_out=("airborne",))
        full = abs(PASSES[2] * DRIVE[2]) / (abs(DRIVE[2]) / 0.1)
        bench.add("airborne", full, 0.3, k=3, specimen="larch1", mount=1)
        heard = np.r_[0.0, 1e-6, turned * DRIVE[2] * full / 0.3, 1e-6]
        bench.add("airborne", heard, DRIVE, specimen="larch1", mount=1)
        silent_step(bench)
        found = row(bench.attribute(), 3)
        assert code_of(found.reason) == f"attribution.air{'' if turned == 1 else '_elsewhere'}"


@pytest.mark.parametrize(
    ("shares", "u", "code"),
    [
        # The same at two other frequencies, or grown as the frequency: also what channels leak.
        ([1.0, 1.0, 1.0, 1.0], None, "air_or_leak"),
        ([1 / 3, 2 / 3, 1.0, 4 / 3], None, "air_or_leak"),
        ([0.1, 0.9, 1.0, 1.1], None, "air_or_leak"),
        ([1.0, 1.0, 1.0, -1.0], None, "air_or_leak"),
        # At a single one it may be chance, unless no more are known.
        ([-1.0, 1.0, 1.0, -1.0], None, "air"),
        ([1e-5, 1.0, 1.0, 1e-5], None, "air_or_leak"),
        ([1e-5, 1.6, 1.0, 1e-5], None, "air"),
        # The same for all that is known, as loud as both are above noise.
        ([1e-5, 1.6, 1.0, 1e-5], 0.12, "air_or_leak"),
        ([1e-5, 1e-5, 1.0, 1e-5], None, "air"),
    ],
)
def test_air_is_not_named_where_the_drive_channel_may_leak_as_much(shares, u, code):
    bench = Bench()
    for mount in (1, 2):
        linear_mount(bench, mount=mount)
    controls(bench, leave_out=("airborne",))
    full = abs(PASSES[2] * DRIVE[2]) / (abs(DRIVE[2]) / 0.1)
    in_the_air(bench, full * np.array(shares), 0.3, u=u and u * full)
    silent_step(bench)
    found = row(bench.attribute(), 3)
    assert code_of(found.reason) == f"attribution.{code}"
    assert found.verdict == ("air" if code == "air" else "cannot tell")


@pytest.mark.parametrize("added", [0.5, -0.5, np.exp(0.6j) - 1])
def test_air_is_not_named_where_the_probe_tone_did_not_hold_the_same_share(added):
    # The driver's own sound is a part of the probe tone as it is of the harmonic, and the excess 0.
    leak = 0.9 * PASSES[2] * DRIVE[2]
    for share in (0.0, added):
        bench = Bench()
        for mount in (1, 2):
            extra = np.array([0, 0, share * PASSES[2] * DRIVE[2], 0])
            linear_mount(bench, mount=mount, extra=extra)
        controls(bench, leave_out=("airborne",))
        in_the_air(bench, [1e-6, 1e-6, abs(leak) / (abs(DRIVE[2]) / 0.1), 1e-6], 0.3)
        silent_step(bench)
        reason = code_of(row(bench.attribute(), 3).reason)
        assert reason == f"attribution.air{'_elsewhere' if share else ''}"


@pytest.mark.parametrize(("beside", "again"), [(1, 0), (3, 0), (3, 2)])
def test_an_excess_of_one_mount_needs_an_airborne_tone_beside_it_or_comes_back(beside, again):
    # A loudspeaker that is on while one mount is measured makes an excess there as a buzz does.
    bench = Bench()
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount, extra=extra if mount in (1, again) else 0.0)
    other_boards(bench)
    silent_step(bench)
    controls(bench, leave_out=("airborne",))
    in_the_air(bench, np.full(4, 1e-5), 0.1, mount=beside)
    found = row(bench.attribute(), 3)
    if beside == 1 or again:
        assert found.verdict == "beyond the driver"
    else:
        assert code_of(found.reason) == "attribution.rivals_left"
        assert fields_of(found.reason)["rivals"] == [note(Rival.OTHER)]


@pytest.mark.parametrize("louder", [1.0, 4.0])
def test_a_microphone_is_ruled_out_by_a_mount_that_is_as_loud(louder):
    bench = Bench()
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    linear_mount(bench, passes=louder * PASSES, extra=louder * extra)
    linear_mount(bench, mount=2)
    other_boards(bench)
    controls(bench)
    reason = row(bench.attribute(), 3).reason
    assert (note(Rival.MICROPHONE) in fields_of(reason)["rivals"]) == (louder > 1)


def test_a_drift_between_probe_tones_before_and_after_widens_the_interval():
    # One probe tone is 20 % larger. Before the tones it says that T moved, and in between it lay
    # somewhere in these 1.58 dB; after them the two are repeats of one thing.
    width = {}
    for early in (True, False):
        bench = Bench()
        for late in (False, True):
            if early is not late:
                bench.add("tone", 1.2 * PASSES[2] * 0.1, 0.1, k=3, specimen="larch1", mount=1)
            if not late:
                for mount in (1, 2, 3):
                    linear_mount(bench, mount=mount)
        found = row(bench.attribute(), 3)
        width[early] = found.high - found.low
    assert width[True] - width[False] == pytest.approx(20 * np.log10(1.2), abs=0.02)


def test_a_leak_is_found_from_twice_the_limit_of_noise_on():
    held = {"response": np.array([1.5, 2.5]), "u_response": np.ones(2)}
    found, most = Lines.found.func(SimpleNamespace(**held, presence=lambda u: u))
    np.testing.assert_array_equal(found, [np.nan, 2.5])
    np.testing.assert_array_equal(most, [2.5, 4.5])


def test_a_weaker_leak_widens_the_interval_by_its_coherent_bound():
    # 20 lg(1 +- 10^(-L/20)) at L = 20 dB: +0.828 and -0.915 dB.
    plain, leaky = row(with_leak(1e-6), 3), row(with_leak(0.1), 3)
    shift = leaky.excess_db - plain.excess_db
    assert leaky.high - plain.high - shift == pytest.approx(0.828, abs=0.01)
    assert plain.low - leaky.low + shift == pytest.approx(0.915, abs=0.01)


@pytest.mark.parametrize(("level", "verdict"), [(0.6, "recorder"), (0.01, "driver")])
def test_the_recorders_own_distortion_is_named_from_the_loopback(level, verdict):
    # Loopback at the very level of the take: both laws of growth agree.
    bench = Bench(u=1e-8)
    leak = level / (1 - level) * PASSES[2] * DRIVE[2]
    for mount in (1, 2):
        linear_mount(bench, mount=mount, extra=np.array([0, 0, leak, 0]))
    controls(bench, leave_out=("loopback",))
    own = np.full(4, 1e-9)
    own[0], own[2] = abs(PASSES[0] * DRIVE[0]), abs(leak)
    bench.add("loopback", own)
    found = row(bench.attribute(), 3)
    assert found.verdict == verdict
    assert found.recorder_db - found.observed_db == pytest.approx(20 * np.log10(level), abs=0.01)
    assert not found.recorder_is_limit


@pytest.mark.parametrize(
    ("moved", "reason"),
    [(1.0, "recorder_or_player"), (1.4, "recorder"), (0.7, "recorder"),
     (np.exp(0.6j), "recorder")],
)  # fmt: skip
def test_what_the_driver_gives_is_not_the_recorders_though_the_loopback_holds_as_much(
    moved, reason
):
    # What plays the tone distorts: the driver gets its harmonics, and so does the loopback take.
    bench = Bench(u=1e-8)
    board = PASSES[2] * DRIVE[2]
    for mount in (1, 2):
        linear_mount(bench, mount=mount, extra=np.array([0, 0, (moved - 1.0) * board, 0]))
    controls(bench, leave_out=("loopback",))
    bench.add("loopback", [abs(PASSES[0] * DRIVE[0]), 1e-9, 0.9 * abs(board), 1e-9])
    assert code_of(row(bench.attribute(), 3).reason) == f"attribution.{reason}"


def test_the_recorder_distorts_what_comes_after_its_gain():
    # A loopback recorded at 20 dB less gain: ten times the tone at the bench's gain, and the very
    # same signal inside the recorder.
    bench = Bench(u=1e-8)
    leak = 1.5 * PASSES[2] * DRIVE[2]
    for mount in (1, 2):
        linear_mount(bench, mount=mount, extra=np.array([0, 0, leak, 0]))
    controls(bench, leave_out=("loopback",))
    tone = abs(PASSES[0] * DRIVE[0])
    bench.add("loopback", [10 * tone, 1e-9, 10 * abs(leak), 1e-9], gain_db=-20.0)
    found = row(bench.attribute(), 3)
    assert found.verdict == "recorder"
    assert found.recorder_db - found.observed_db == pytest.approx(20 * np.log10(0.6), abs=0.01)


def test_a_loopback_at_another_level_names_less_and_rules_out_less():
    # 20 dB more level in the loopback: its third harmonic, taken 1:1 down, lies 20 dB lower; taken
    # with the cube, 60 dB. It is bounded by the larger and named by the smaller.
    bench = Bench()
    linear_mount(bench)
    linear_mount(bench, mount=2)
    controls(bench, leave_out=("loopback",))
    tone = abs(PASSES[0] * DRIVE[0])
    observed = abs(PASSES[2] * DRIVE[2])
    bench.add("loopback", [10 * tone, 1e-7, 8 * observed, 1e-7])
    found = row(bench.attribute(), 3)
    assert found.recorder_db - found.observed_db == pytest.approx(20 * np.log10(0.008), abs=0.01)
    assert found.verdict == "cannot tell"  # 1:1 it could be 0.8 of it
    assert found.low < -13


@pytest.mark.parametrize(("share", "verdict"), [(0.6, "noise"), (0.01, "driver")])
def test_a_mains_line_in_the_very_bin_is_bounded_from_the_room(share, verdict):
    bench = Bench()
    linear_mount(bench)
    linear_mount(bench, mount=2)
    controls(bench, leave_out=("room",))
    bench.add("room", [0, 0, share * abs(PASSES[2] * DRIVE[2]), 0])
    found = row(bench.attribute(), 3)
    assert found.verdict == verdict
    assert has(found.reason, "attribution.mains") == (verdict == "noise")


def test_below_the_noise_of_its_bin_there_is_nothing_to_explain():
    # F(2, 192; 99 %) = 4.71: noise of u = 1e-6 / sqrt 3 passes 1.77e-6 once in a hundred.
    bench = Bench()
    linear_mount(bench, extra=np.array([0, 0, -PASSES[2] * DRIVE[2] + 1.5e-6, 0]))
    linear_mount(bench, mount=2, extra=np.array([0, 0, -PASSES[2] * DRIVE[2] + 2.5e-6, 0]))
    controls(bench)
    found = bench.attribute()
    limit = 1e-6 / np.sqrt(3) * np.sqrt(2 * stats.f.ppf(0.99, 2, 3 * 64))
    quiet, loud = row(found, 3), row(found, 3, mount=2)
    assert quiet.verdict == "noise"
    assert quiet.noise_db == pytest.approx(db(limit), abs=0.01)
    assert code_of(quiet.reason) == "attribution.below_noise"
    assert fields_of(quiet.reason)["bin_hz"] == 1 / SECONDS
    assert np.isnan(quiet.excess_db)
    assert loud.verdict != "noise"


def test_a_noisier_room_hides_what_the_take_alone_would_show():
    bench = Bench()
    linear_mount(bench)
    controls(bench, leave_out=("room",))
    bench.add("room", np.zeros(4), u=1e-3)
    assert row(bench.attribute(), 3).verdict == "noise"


def test_the_probe_tone_was_heard_through_the_same_air():
    # A buzz that makes 12.04 dB of true excess, and a leak of 0.3 of what the board passes on, in
    # both the harmonic and the probe tone: read is (4 - 0.3) / (1 - 0.3), 14.5 dB.
    bench = Bench(u=1e-8)
    passed, leak = PASSES[2] * DRIVE[2], -0.3
    for mount, times in ((1, 4.0), (2, 1.0), (3, 1.0)):
        at = {"specimen": "larch1", "mount": mount}
        for number, factor in enumerate((1.0, 1.01, 0.99), start=1):
            heard = factor * PASSES * DRIVE
            heard[2] = factor * times * passed + leak * passed
            bench.add("tone", heard, DRIVE, repeat=number, **at)
        for k in (2, 3, 4):
            through = 1 + leak if k == 3 else 1
            bench.add("tone", PASSES[k - 1] * through * 0.1, 0.1, k=k, **at)
    other_boards(bench)
    silent_step(bench)
    controls(bench, leave_out=("airborne",))
    in_the_air(bench, [1e-9, 1e-9, abs(PASSES[2] * leak) * 0.1, 1e-9], 0.3)
    found = bench.attribute()
    buzz, plain = row(found, 3), row(found, 3, mount=2)
    assert buzz.excess_db == pytest.approx(20 * np.log10(3.7 / 0.7), abs=0.02)
    assert buzz.low < 20 * np.log10(4) < buzz.high
    assert buzz.verdict == "beyond the driver"
    # On the linear mount the two leaks cancel.
    assert plain.excess_db == pytest.approx(0.0, abs=0.02)
    assert plain.verdict == "cannot tell"


def test_the_recorder_mixes_harmonics_with_the_tone():
    # y + a y^2: of 2f alone the loopback shows a A / 2; f and 3f make 2 a A |y3| / 2 at 4f.
    n, a = 256, 0.02
    turns = 2 * np.pi * np.arange(n) / n
    drive, passes = np.array([0.2, 2e-3j, 2e-2, 1e-5]), np.array([0.5, 0.3, 0.4, 0.3])

    def recorded(lines: np.ndarray) -> np.ndarray:
        wave = sum((c * np.exp(1j * (i + 1) * turns)).real for i, c in enumerate(lines))
        return 2 * np.fft.rfft(wave + a * wave**2)[1:5] / n

    bench = Bench(u=1e-8)
    for mount in (1, 2, 3):
        at = {"specimen": "larch1", "mount": mount}
        for number, factor in enumerate((1.0, 1.01, 0.99), start=1):
            bench.add("tone", recorded(factor * passes * drive), drive, repeat=number, **at)
        for k in (2, 3, 4):
            bench.add("tone", passes[k - 1] * 0.1, 0.1, k=k, **at)
    controls(bench, leave_out=("loopback",))
    bench.add("loopback", recorded(np.array([0.1, 0, 0, 0])))
    fourth = row(bench.attribute(), 4)
    assert fourth.low > 10  # far more than the driver's, and yet no board's
    assert fourth.verdict == "cannot tell"
    assert fourth.settle == Control.LOOPBACK


@pytest.mark.parametrize("order", [(0.0, -20.0), (-20.0, 0.0)])
def test_probes_at_two_drive_levels_scale_the_air_alike(order):
    # A linear board and half as much again through the air: whichever probe comes first.
    bench = Bench(u=1e-8)
    leak = np.array([0, 0, 1.5 * PASSES[2] * DRIVE[2], 0])
    heard = PASSES * [1.0, 1.0, 2.5, 1.0]
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount, passes=heard, probes=(2, 4))
        for repeat, drive_db in enumerate(order, start=1):
            drive = 0.1 * 10 ** (drive_db / 20)
            bench.add("tone", heard[2] * drive, drive, k=3, specimen="larch1", mount=mount,
                      repeat=repeat, drive_db=drive_db)  # fmt: skip
    controls(bench, leave_out=("airborne",))
    in_the_air(bench, [1e-8, 1e-8, abs(leak[2]) / (abs(DRIVE[2]) / 0.1), 1e-8], 0.1)
    silent_step(bench)
    found = row(bench.attribute(), 3)
    assert found.verdict == "air"
    assert found.air_db == pytest.approx(db(leak[2]), abs=0.05)


def test_air_is_not_named_from_the_noise_of_the_drive_channel():
    bench = Bench(u=1e-6)
    for mount in (1, 2, 3):
        at = {"specimen": "larch1", "mount": mount}
        for number, factor in enumerate((1.0, 1.01, 0.99), start=1):
            silent = np.array([0.2, 5e-7, 5e-7, 5e-7])
            bench.add("tone", factor * np.full(4, 1e-4), silent, repeat=number, **at)
        for k in (2, 3, 4):
            bench.add("tone", 0.05, 0.1, k=k, **at)
    controls(bench, leave_out=("airborne",))
    in_the_air(bench, np.full(4, 30.0), 0.1)
    assert "air" not in set(bench.attribute().table["verdict"])


def test_air_is_not_named_from_another_mounts_weaker_probe():
    bench = Bench()
    linear_mount(bench, mount=1)
    linear_mount(bench, mount=2, probes=(2, 4))
    bench.add("tone", PASSES[2] * 0.01, 0.01, k=3, specimen="larch1", mount=2)
    linear_mount(bench, mount=3, probes=(2, 4))
    controls(bench, leave_out=("airborne",))
    in_the_air(bench, np.full(4, 3e-3), 0.1)
    assert row(bench.attribute(), 3, mount=3).verdict != "air"


def test_a_mount_is_held_against_what_is_heard_beside_it_before_anything_louder():
    bench = Bench()
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
    controls(bench, leave_out=("airborne",))
    for mount, heard in ((1, 1e-4), (2, 1e-3)):
        for k in (2, 3, 4):
            bench.add("airborne", heard, 0.1, k=k, specimen="larch1", mount=mount)
    found = bench.attribute()
    beside, louder, elsewhere = (row(found, 3, mount=mount).air_db for mount in (1, 2, 3))
    assert louder - beside == pytest.approx(20.0)
    assert elsewhere == pytest.approx(louder)


@pytest.mark.parametrize(("times", "verdict"), [(2.0, "air"), (10.0, "cannot tell")])
def test_a_tone_in_the_air_whose_drive_is_not_felt_is_held_against_the_probe_tones(times, verdict):
    # A sensor of force feels nothing of a driver that hangs free.
    bench = Bench()
    for mount in (1, 2):
        linear_mount(bench, mount=mount)
    silent_step(bench)
    controls(bench, leave_out=("airborne",))
    leak = abs(PASSES[2] * DRIVE[2])
    bench.add("airborne", leak / (abs(DRIVE[2]) / 0.1), 0.3, k=3, specimen="larch1", mount=1)
    bench.add("airborne", np.r_[0.1, 1e-6, times * leak, 1e-6], specimen="larch1", mount=1)
    assert row(bench.attribute(), 3).verdict == verdict


@pytest.mark.parametrize(
    ("drive_db", "verdict"), [(0.0, "beyond the driver"), (-20.0, "cannot tell")]
)
def test_a_tone_in_the_air_at_lower_drive_rules_out_k_times_as_much_less(drive_db, verdict):
    bench = Bench()
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    linear_mount(bench, extra=extra)
    for mount in (2, 3):
        linear_mount(bench, mount=mount)
    other_boards(bench)
    silent_step(bench)
    controls(bench, leave_out=("airborne",))
    at = {"specimen": "larch1", "mount": 1}
    for k in (2, 3, 4):
        bench.add("airborne", 1e-5, 0.1, k=k, **at)
    bench.add("airborne", np.r_[1e-3, np.full(3, 2e-6)], DRIVE, drive_db=drive_db, **at)
    assert row(bench.attribute(), 3).verdict == verdict


def test_a_loopback_of_silence_tests_nothing():
    bench = linear()
    bench.takes = [take for take in bench.takes if take.kind != "loopback"]
    kept = {take.take for take in bench.takes}
    bench.rows = [r for r in bench.rows if r[0] in kept]
    # Three names went with the loopback take; the next ones must not repeat them.
    bench.takes += [bench.takes[0]] * 3
    bench.add("loopback", np.full(4, 1e-9))
    assert row(bench.attribute(), 3).recorder_db != row(bench.attribute(), 3).recorder_db  # NaN


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("sensed", [True, False])
def test_silent_channels_break_nothing(sensed):
    bench = Bench(sensed=sensed)
    linear_mount(bench)
    at = {"specimen": "larch2", "mount": 1}
    for repeat in (1, 2):
        bench.add("tone", np.zeros(4), np.zeros(4) if sensed else None, repeat=repeat, **at)
        bench.add("tone", 0.1, 0.0 if sensed else None, k=2, repeat=repeat, **at)
        bench.add("tone", 0.0, 0.1 if sensed else None, k=3, repeat=repeat, **at)
    silent = [0.1, 0, 0, 0]
    bench.add("tone", silent, silent if sensed else None, drive_db=-6.0, **at)
    bench.add("tone", silent, silent if sensed else None, drive_db=-6.0, specimen="larch1", mount=1)
    bench.add("driver", silent, silent if sensed else None, drive_db=-6.0)
    controls(bench)
    assert set(bench.attribute().table.query("specimen == 'larch2'")["verdict"]) <= {
        "noise", "cannot tell",
    }  # fmt: skip


@pytest.mark.filterwarnings("error")
def test_a_repeat_without_its_drive_does_not_spoil_the_spread():
    bench = linear()
    at = {"specimen": "larch2", "mount": 1}
    bench.add("tone", PASSES * DRIVE, DRIVE, repeat=1, **at)
    bench.add("tone", PASSES * DRIVE, None, repeat=2, **at)
    found = bench.attribute()
    assert found.take_spread.df == 6
    assert row(found, 3).verdict == "driver"
    # Where nothing else was repeated, such a pair tells nothing of the spread either.
    alone = Bench()
    alone.add("tone", PASSES * DRIVE, DRIVE, repeat=1, **at)
    alone.add("tone", PASSES * DRIVE, None, repeat=2, **at)
    assert alone.attribute().take_spread.df == 0


def test_noisy_repeats_do_not_pass_for_the_spread_between_takes():
    rng = np.random.default_rng(1)
    bench = linear()
    for mount in (1, 2, 3):
        for repeat in (2, 3, 4):
            noise = 2e-3 * (rng.standard_normal() + 1j * rng.standard_normal())
            bench.add("tone", PASSES[3] * 0.1 + noise, 0.1, k=4, specimen="larch1", mount=mount,
                      repeat=repeat, u=2e-3)  # fmt: skip
    expected = np.var(np.log([1.0, 1.01, 0.99]), ddof=1)
    assert bench.attribute().take_spread.level == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("noise", "verdict"), [(1e-6, "beyond the driver"), (1e-3, "cannot tell")])
def test_an_airborne_take_that_hears_nothing_rules_out_no_more_than_its_noise(noise, verdict):
    # 20 lg 3 of excess; an airborne take at full drive of noise u hides a leak of about 3 u times
    # the share of full drive (|D3| / 0.1 = 1 %), against 9e-4 recorded.
    bench = Bench(u=1e-8)
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    linear_mount(bench, extra=extra)
    linear_mount(bench, mount=2)
    other_boards(bench)
    silent_step(bench)
    controls(bench, leave_out=("airborne",))
    in_the_air(bench, np.full(4, 0.5 * noise), 0.3, u=20 * noise)
    found = row(bench.attribute(), 3)
    assert found.air_is_limit
    assert found.verdict == verdict
    if verdict == "cannot tell":
        assert code_of(found.reason) == "attribution.room_left"
        assert (cause(found), found.settle) == (Cause.AIR, Control.AIRBORNE)


def test_air_is_not_named_where_the_recorder_may_have_made_the_sensed_harmonic():
    # The leak is scaled by the sensed harmonic; here the recorder alone could have made that.
    bench = Bench(u=1e-8)
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
    controls(bench, leave_out=("airborne", "loopback"))
    bench.add("loopback", [0.2, 1e-9, 1.1 * abs(DRIVE[2]), 1e-9])
    full = abs(PASSES[2] * DRIVE[2]) / (abs(DRIVE[2]) / 0.1)
    in_the_air(bench, np.full(4, full), 0.3)
    assert row(bench.attribute(), 3).verdict != "air"


def test_a_driver_explains_it_although_the_air_was_not_tested_and_that_is_said():
    bench = Bench()
    for mount in (1, 2, 3):
        linear_mount(bench, mount=mount)
    controls(bench, leave_out=("airborne",))
    found = row(bench.attribute(), 3)
    assert found.verdict == "driver"
    assert fields_of(found.reason)["air_tested"] is False
    assert fields_of(row(linear().attribute(), 3).reason)["air_tested"] is True


# ------------------------------------------------------- what is not known


def test_without_a_motion_channel_and_without_driver_takes_nothing_is_said():
    bench = Bench(sensed=False)
    linear_mount(bench)
    controls(bench, leave_out=("driver",))
    found = row(bench.attribute(), 2)
    assert (found.verdict, found.settle) == ("cannot tell", Control.SENSOR)
    assert found.reason == note("attribution.no_driver_take", at_hz=2 * TONE_HZ, tone_hz=TONE_HZ)
    assert "the driver on the inert block at 172 Hz and at 344 Hz" in said(found.reason)


@pytest.mark.parametrize("factor", [1.0, 2.0, 100.0])
def test_driver_takes_alone_never_say_beyond_the_driver(factor):
    bench = Bench(sensed=False)
    extra = (factor - 1) * PASSES * DRIVE
    linear_mount(bench, extra=extra)
    linear_mount(bench, mount=2, extra=extra)
    controls(bench)
    found = bench.attribute()
    assert set(found.table["verdict"]) == {"cannot tell"}
    # Prediction by hand: board's probe + block's harmonic - block's probe.
    predicted = abs(PASSES[1]) * 0.1 * abs(0.5 * DRIVE[1]) / 0.05
    second = row(found, 2)
    assert second.predicted_db == pytest.approx(db(predicted), abs=0.01)
    # -2 to +13 dB at 2f.
    assert second.high - second.low > 15.0
    assert code_of(second.reason) == "attribution.load"
    loads = [fields_of(second.reason)[f"load_{end}_db"] for end in ("low", "high")]
    assert loads == [-2.0, 13.0]


def test_without_repeats_nothing_is_judged():
    bench = Bench()
    linear_mount(bench, repeats=(1.0,))
    controls(bench)
    found = row(bench.attribute(), 2)
    assert (found.verdict, found.settle) == ("cannot tell", Control.REPEATS)


def test_mounts_stand_in_where_no_take_was_repeated():
    bench = Bench()
    for mount, factor in enumerate((0.97, 1.0, 1.03), start=1):
        linear_mount(bench, mount=mount, passes=PASSES * factor, repeats=(1.0,))
    controls(bench)
    found = bench.attribute()
    assert found.take_spread.level == pytest.approx(
        np.var(np.log([0.97, 1, 1.03]), ddof=1), rel=0.01
    )


def test_a_sensed_harmonic_below_its_noise_predicts_at_most():
    bench = Bench()
    at = {"specimen": "larch1", "mount": 1}
    for number, factor in enumerate((1.0, 1.01, 0.99), start=1):
        heard = factor * np.array([0.1, 1e-4, 1e-4])
        bench.add("tone", heard, [0.2, 2e-3, 5e-7], repeat=number, **at)
    for k in (2, 3):
        bench.add("tone", 0.05 * 0.1, 0.1, k=k, **at)
    bench.size = 3
    controls(bench)
    found = row(bench.attribute(), 3)
    assert found.high == np.inf
    # Observed 1e-4 against at most 0.05 x (5e-7 + a few 1e-6): far beyond all the same.
    assert found.low > 30
    assert code_of(found.reason) == "attribution.few_boards"


def test_takes_that_disagree_widen_to_every_single_one():
    bench = Bench()
    for mount, buzz in ((1, (0.0, 3.0, 0.0)), (2, (0.0, 0.0, 0.0))):
        at = {"specimen": "larch1", "mount": mount}
        for number, (factor, add) in enumerate(zip((1.0, 1.01, 0.99), buzz, strict=True), start=1):
            heard = factor * PASSES * DRIVE
            heard[2] += add * PASSES[2] * DRIVE[2]
            bench.add("tone", heard, DRIVE, repeat=number, **at)
        for k in (2, 3, 4):
            bench.add("tone", PASSES[k - 1] * 0.1, 0.1, k=k, **at)
    controls(bench)
    found = row(bench.attribute(), 3)
    assert found.verdict == "cannot tell"
    assert found.low < 0 < 20 * np.log10(4) < found.high + 0.1


def test_set_aside_takes_are_not_used_and_leave_a_row():
    bench = linear()
    bench.add("tone", np.ones(4), np.ones(4), specimen="larch2", mount=1, usable=False)
    found = bench.attribute()
    left_out = row(found, 2, specimen="larch2")
    assert left_out.verdict == "cannot tell"
    assert left_out.reason == "attribution.unusable"
    assert row(found, 2).verdict == "driver"


@pytest.mark.parametrize("lost", [1, 3])
def test_a_multiple_without_a_level_leaves_its_row_and_the_other_takes(lost):
    bench = linear()
    table = bench.table()
    tones = [take.take for take in bench.takes if take.kind == "tone" and take.tone_hz == 172.0]
    at = table["take"].isin(tones[:lost]) & (table["harmonic"] == 3)
    # What stands there is something else and far too strong.
    table.loc[at, "response_re"] += 0.1
    table.loc[at, "usable"] = False
    about = {"fundamental_hz": 172.0, "harmonics_kept": bench.size, "sensed": bench.sensed}
    found, untouched = attribute(table, bench.takes, **about), bench.attribute()
    assert len(found.table) == len(untouched.table)
    spoilt = row(found, 3)
    if lost == 3:
        assert (spoilt.verdict, spoilt.reason) == ("cannot tell", "attribution.unsettled")
    else:
        assert spoilt.verdict == "driver"
        assert spoilt.observed_db == pytest.approx(row(untouched, 3).observed_db, abs=0.1)
    assert row(found, 2).verdict == row(untouched, 2).verdict == "driver"


def test_controls_hold_for_their_batch_only():
    bench = Bench()
    extra = np.array([0, 0, 2 * PASSES[2] * DRIVE[2], 0])
    linear_mount(bench, "larch1", extra=extra, batch="day1")
    linear_mount(bench, "larch2", extra=0.1 * extra, batch="day2")
    other_boards(bench)
    silent_step(bench)
    controls(bench, batch="day1")
    found = bench.attribute()
    assert row(found, 3, "larch1").verdict == "beyond the driver"
    assert np.isfinite(row(found, 3, "larch1").air_db)
    assert np.isnan(row(found, 3, "larch2").air_db)


def test_the_order_of_the_rows_changes_nothing_but_theirs():
    bench = linear()
    linear_mount(bench, "larch2")
    names = bench.table()["take"].unique()
    shuffled = [bench.table()[bench.table()["take"] == name] for name in names[::-1]]
    straight = bench.attribute().table
    bench.rows = [tuple(r) for r in pd.concat(shuffled).itertuples(index=False)]
    back = bench.attribute().table
    codes = [[code_of(reason) for reason in table.pop("reason")] for table in (straight, back)]
    assert codes[0] == codes[1]
    pd.testing.assert_frame_equal(straight, back)


@pytest.mark.parametrize("sensed", [True, False])
def test_a_mount_is_attributed_by_itself_as_beside_any_others(sensed, monkeypatch):
    # Mounts that differ in whatever is one number for all harmonics of a mount: takes, degrees of
    # freedom of their noise, mounts of their board, the block of their batch.
    bench = Bench(sensed=sensed, u=2e-5)
    linear_mount(bench, mount=1)
    linear_mount(bench, mount=2, repeats=(1.0, 1.03))
    pair = [take.take for take in bench.takes[-5:-3]]
    linear_mount(bench, mount=3, repeats=(1.01, 0.98, 1.0))
    few = bench.takes[-6].take
    linear_mount(bench, "larch2", extra=[0, 0, 0.01, 0])
    for batch in ("day1", "day2"):
        linear_mount(bench, f"larch {batch}", batch=batch)
    bench.add("tone", np.ones(4), np.ones(4), specimen="larch2", mount=2, usable=False)
    silent_step(bench)
    silent_step(bench, "larch2")
    controls(bench)
    controls(bench, batch="day2")
    bench.add("driver", 0.7 * DRIVE, DRIVE, batch="day2")
    table = bench.table()
    table.loc[table["take"] == few, "dof"] = 3
    table.loc[table["take"].isin(pair), "dof"] = 96  # as many as three takes of 64

    def attributed() -> Attribution:
        return attribute(
            table, bench.takes, fundamental_hz=TONE_HZ, harmonics_kept=4, sensed=sensed
        )

    together = attributed()
    monkeypatch.setattr(import_module("studylib.attribution.attribute"), "AT_ONCE", 1)
    alone = attributed()
    assert len(together.steps) == 6
    pd.testing.assert_frame_equal(together.steps, alone.steps, rtol=1e-12)
    codes = [[code_of(note) for note in found.table.pop("reason")] for found in (together, alone)]
    assert codes[0] == codes[1]
    pd.testing.assert_frame_equal(together.table, alone.table, rtol=1e-12)


def test_levels_carry_their_unit_and_offset():
    plain, loud = row(linear().attribute(), 2), row(linear(offset_db=112.0).attribute(), 2)
    assert loud.observed_db - plain.observed_db == pytest.approx(112.0)
    assert loud.excess_db == pytest.approx(plain.excess_db, abs=1e-9)
    assert loud.recorder_db - plain.recorder_db == pytest.approx(112.0)
    assert loud.air_db - plain.air_db == pytest.approx(112.0)


def test_nothing_at_all_gives_an_empty_table():
    found = Bench().attribute()
    assert list(found.table.columns) == TABLES["attribution"].names
    assert found.table.empty
    assert found.steps.empty


def test_every_row_of_every_mount_is_there_once():
    bench = linear()
    table = bench.attribute().table
    assert list(table["harmonic"]) == [2, 3, 4] * 3
    assert all(len(said(reason)) > 20 for reason in table["reason"])
    assert TONE_HZ == 172.0
