"""Drive steps: the growth of a harmonic against that of the sensed one.

Outside reference: harmonics of a polynomial. With x = A cos(wt), b x^2 gives b A^2 / 2 at 2w and
c x^3 gives c A^3 / 4 at 3w (power-reduction formulas), so that they grow 2 and 3 dB a dB.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.attribution.hand_made import PASSES, Bench, controls, linear_mount

STEPS = (-6.0, -12.0)


def polynomial(amplitude: float, *, b: float = 0.05, c: float = 0.02) -> np.ndarray:
    """Cosine amplitudes at w, 2w, 3w of x + b x^2 + c x^3, read off a discrete Fourier sum."""
    x = amplitude * np.cos(2 * np.pi * np.arange(64) / 64)
    return 2 / 64 * np.fft.rfft(x + b * x**2 + c * x**3)[1:4]


def stepped(bench: Bench, *, extra=lambda drive: np.zeros(3), steps=STEPS, mount=1) -> Bench:
    """Tones at full drive (three takes) and lower, of a linear board under a polynomial driver."""
    at = {"specimen": "larch1", "mount": mount}
    bench.size = 3
    for drive_db in (0.0, *steps):
        amplitude = 0.2 * 10 ** (drive_db / 20)
        drive = polynomial(amplitude)
        heard = PASSES[:3] * drive + extra(amplitude)
        repeats = (1.0, 1.01, 0.99) if drive_db == 0 else (1.0,)
        for number, factor in enumerate(repeats, start=1):
            bench.add(
                "tone", factor * heard, drive if bench.sensed else None,
                repeat=number, drive_db=drive_db, **at,
            )  # fmt: skip
    for k in (2, 3):
        bench.add("tone", PASSES[k - 1] * 0.1, 0.1 if bench.sensed else None, k=k, **at)
    return bench


def test_the_polynomials_harmonics_are_the_analytic_ones():
    found = polynomial(0.2, b=0.05, c=0.02)
    assert found[1].real == pytest.approx(0.05 * 0.2**2 / 2, rel=1e-12)
    assert found[2].real == pytest.approx(0.02 * 0.2**3 / 4, rel=1e-12)


@pytest.mark.parametrize("k", [2, 3])
def test_a_drivers_harmonic_grows_k_for_one_and_the_board_follows(k):
    bench = stepped(stepped(Bench(u=1e-9)), mount=2)
    controls(bench)
    steps = bench.attribute().steps
    rows = steps[steps["harmonic"] == k]
    assert list(rows["drive_db"]) == [-6.0, -12.0] * 2
    for r in rows.itertuples():
        assert r.own_growth_db == -k * r.drive_db
        assert r.sensed_growth_db == pytest.approx(-k * r.drive_db, abs=1e-6)
        assert r.growth_db == pytest.approx(r.sensed_growth_db, abs=0.01)
        assert r.difference_db == pytest.approx(0.0, abs=0.01)
        assert r.low < 0 < r.high
        assert r.verdict == "with the driver"


def test_a_contact_that_opens_at_lower_drive_does_not_follow():
    # It adds twice the driver's third harmonic at full drive, nothing below.
    def rattle(amplitude):
        return np.array([0, 0, 2 * PASSES[2] * polynomial(0.2)[2] if amplitude > 0.15 else 0])

    bench = stepped(stepped(Bench(u=1e-9), extra=rattle), mount=2)
    controls(bench)
    steps = bench.attribute().steps
    odd = steps[steps["verdict"] == "not with the driver"]
    assert set(zip(odd["mount"], odd["harmonic"], strict=True)) == {(1, 3)}
    assert odd["difference_db"].tolist() == pytest.approx([20 * np.log10(3)] * 2, abs=0.01)


def test_below_the_noise_at_lower_drive_nothing_is_said():
    bench = stepped(stepped(Bench(u=1e-6), steps=(-30.0,)), steps=(-30.0,), mount=2)
    controls(bench)
    third = bench.attribute().steps.query("harmonic == 3")
    assert set(third["verdict"]) == {"cannot tell"}
    assert third["growth_db"].isna().all()


def test_without_a_sensor_the_growth_stands_beside_the_blocks():
    bench = stepped(stepped(Bench(u=1e-9, sensed=False)), mount=2)
    for drive_db in (0.0, *STEPS):
        bench.add("driver", 0.5 * polynomial(0.2 * 10 ** (drive_db / 20)), drive_db=drive_db)
    steps = bench.attribute().steps
    assert set(steps["verdict"]) == {"cannot tell"}
    second = steps[(steps["harmonic"] == 2) & (steps["drive_db"] == -6.0)].iloc[0]
    assert second["block_growth_db"] == pytest.approx(12.0, abs=1e-6)
    assert second["growth_db"] == pytest.approx(12.0, abs=0.01)
    assert np.isnan(second["difference_db"])


def test_a_mount_without_steps_has_no_rows():
    bench = Bench()
    linear_mount(bench)
    assert bench.attribute().steps.empty


@pytest.mark.parametrize("what", ["mains hum", "recorder"])
def test_what_does_not_fall_with_the_drive_is_not_put_down_to_the_board(what):
    # 2 % of the third harmonic at full drive is a mains line, or the recorder's at 1 dB a dB.
    part = 0.02 * PASSES[2] * polynomial(0.2)[2]

    def added(amplitude):
        return np.array([0, 0, part * (1 if what == "mains hum" else amplitude / 0.2)])

    bench = stepped(stepped(Bench(u=1e-9), extra=added), extra=added, mount=2)
    left_out = "room" if what == "mains hum" else "loopback"
    controls(bench, leave_out=(left_out,))
    if what == "mains hum":
        bench.add("room", [0, 0, abs(part)])
    else:
        bench.add("loopback", [abs(PASSES[0]) * 0.2, 1e-10, abs(part)])
    third = bench.attribute().steps.query("harmonic == 3")
    assert set(third["verdict"]) == {"cannot tell"}
    assert (third["difference_db"].abs() > 0.02).any()
    assert ((third["low"] < 0) & (third["high"] > 0)).all()


def test_nothing_is_said_not_to_follow_before_the_recorder_was_tested():
    def rattle(amplitude):
        return np.array([0, 0, 2 * PASSES[2] * polynomial(0.2)[2] if amplitude > 0.15 else 0])

    bench = stepped(stepped(Bench(u=1e-9), extra=rattle), mount=2)
    controls(bench, leave_out=("loopback",))
    assert "not with the driver" not in set(bench.attribute().steps["verdict"])
