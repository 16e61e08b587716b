"""Sweep takes as rows, against known filters and against the demo's steady tones.

Outside references: scipy.signal's `freqz`; the Fourier sums of the whole demo takes; the demo's
probe tones, which are other recordings of the same mounts.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import signal
from scipy.fft import rfft

from studylib.measure.sweep_rows import (
    curve_feature_values,
    curve_rows,
    measure_sweep,
    resolved,
    sweep_feature_values,
)
from studylib.recordings import probe, read_window
from studylib.register import is_known
from studylib.signal.bands import third_octave_bands
from studylib.signal.line_sums import line_sums
from studylib.signal.sweep import SweepShape, sweep_signal, usable_band
from studylib.signal.tone import fit_tone
from tests.draws import draws

DEMO = Path(__file__).parents[1] / "data_demo"
RATE, SHAPE = 24_000, SweepShape(60.0, 8000.0, 2.0)
B, A = signal.butter(2, [150.0, 3000.0], btype="band", fs=RATE)


def a_take(rng, *, level=0.5, noise=(1e-5, 1e-5), after_s=0.5, b=B, a=A):
    wave = level * np.pad(sweep_signal(SHAPE, rate_hz=RATE, fade_s=0.01), (3000, 0))
    wave = np.pad(wave, (0, round(after_s * RATE)))
    x = np.stack([signal.lfilter(b, a, wave), wave])
    return x + np.array(noise)[:, None] * rng.standard_normal(x.shape)


def measured_of(x, names=("response", "drive"), shape=SHAPE, rate=RATE, harmonics=20):
    return measure_sweep(
        x, rate_hz=rate, shape=shape, names=names, fundamental_hz=172.0, harmonics=harmonics
    )


def features_of(measured, *, sensed, offset_db=0.0, unit="dB"):
    curve = curve_rows("t1", measured, sensed=sensed, offset_db=offset_db)
    low, high = usable_band(SHAPE)
    bands = curve_feature_values(curve, low_hz=low, high_hz=high, sensed=sensed, unit=unit)
    found = [*(sweep_feature_values(measured) if sensed else ()), *bands]
    return {each.feature: each for each in found if each.feature.startswith("sweep.")}


def test_responses_at_the_multiples_are_the_filters(rng):
    found = features_of(measured_of(a_take(rng)), sensed=True)
    for k in range(1, 21):
        truth = signal.freqz(B, A, worN=[172.0 * k], fs=RATE)[1][0]
        db, deg = found[f"sweep.k{k}.response_db"], found[f"sweep.k{k}.response_deg"]
        assert not db.reason
        assert db.value == pytest.approx(20 * np.log10(abs(truth)), abs=0.02)
        assert deg.value == pytest.approx(np.degrees(np.angle(truth)), abs=0.2)
    assert all(is_known(name) for name in found)


def test_bands_hold_the_mean_level_over_the_logarithm_of_frequency(rng):
    pole = np.exp((-np.pi * 500 * 0.01 + 2j * np.pi * 500) / RATE)  # a mode in the 500 Hz band
    b, a = [0.01, 0.005], [1.0, -2 * pole.real, abs(pole) ** 2]
    measured = measured_of(a_take(rng, b=b, a=a))
    found = features_of(measured, sensed=True)
    bands = third_octave_bands(*usable_band(SHAPE))
    assert {f"sweep.band{band.nominal}.response_db" for band in bands} <= set(found)
    for band in bands:
        f = np.geomspace(band.low_hz, band.high_hz, 4001)
        level = np.mean(20 * np.log10(np.abs(signal.freqz(b, a, worN=f, fs=RATE)[1])))
        value = found[f"sweep.band{band.nominal}.response_db"].value
        assert value == pytest.approx(level, abs=0.35)  # the grid's steps at the edges


def test_without_a_sensed_drive_there_are_levels_in_bands_only(rng):
    x = a_take(rng)
    for measured in (measured_of(x[:1], ("response",)), measured_of(x)):
        found = features_of(measured, sensed=False, offset_db=112.0, unit="dB SPL")
        assert all(name.endswith(".level_db") and is_known(name) for name in found)
        # In the pass band: a sweep of amplitude 0.5 and a filter of gain 1.
        level = found["sweep.band630.level_db"]
        assert level.value == pytest.approx(112.0 + 20 * np.log10(0.5), abs=0.1)
        assert level.unit == "dB SPL"
        assert not level.reason


@pytest.mark.parametrize("noise", [(0.01, 1e-5), (1e-5, 0.01), (0.01, 0.01)])
def test_uncertainties_hold_the_noise_of_both_channels(rng, noise):
    truth = features_of(measured_of(a_take(rng, noise=(0, 0))), sensed=True)
    z, takes = [], draws(25, share=12)
    for _ in range(takes):
        found = features_of(measured_of(a_take(rng, noise=noise), harmonics=12), sensed=True)
        z += [(each.value - truth[name].value) / each.u for name, each in found.items()
              if name.startswith("sweep.k")]  # fmt: skip
    z = np.array(z)
    # Harmonics of one take share its noise, so the room grows with the root of the takes.
    wider = np.sqrt(25 / takes)
    assert np.sqrt(np.mean(z**2)) == pytest.approx(1.0, abs=0.15 * wider)
    assert np.mean(np.abs(z) < 1.96) == pytest.approx(0.95, abs=0.03 * wider)


def test_uncertainties_of_bands_cover_the_noise(rng):
    truth = features_of(measured_of(a_take(rng, noise=(0, 0))), sensed=True)
    z = []
    for _ in range(draws(25, share=8)):
        found = features_of(measured_of(a_take(rng, noise=(0.003, 0.003))), sensed=True)
        z += [(each.value - truth[name].value) / each.u for name, each in found.items()
              if "band" in name and not each.reason]  # fmt: skip
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.2


def test_values_at_the_edges_of_the_band_are_not_used(rng):
    found = list(sweep_feature_values(measured_of(a_take(rng), harmonics=46)))
    high = usable_band(SHAPE)[1]
    assert [each.reason for each in found] == [
        "sweeps.at_the_edge" if 172.0 * k > high else "" for k in range(1, 47) for _ in range(2)
    ]


def test_a_board_that_rings_on_at_the_end_is_not_usable_there(rng):
    f_hz = 7224.0  # 42 times the fundamental, passed 42 ms before the sweep's end
    pole = np.exp((-np.pi * f_hz * 0.001 + 2j * np.pi * f_hz) / RATE)
    b, a = [0.01, 0.005], [1.0, -2 * pole.real, abs(pole) ** 2]
    for after_s, reason in ((0.0, "sweeps.ends_too_soon"), (1.5, "")):
        measured = measured_of(a_take(rng, after_s=after_s, b=b, a=a), harmonics=45)
        found = {each.feature: each for each in sweep_feature_values(measured)}
        assert found["sweep.k42.response_db"].reason == reason


# ---------------------------------------------------------------------------- the demo
DEMO_SHAPE = SweepShape(60.0, 8000.0, 0.9)


@pytest.fixture(scope="module")
def demo():
    takes = pd.read_csv(DEMO / "takes.csv")
    takes["drive_db"] = takes["drive_db"].fillna(0.0)
    return takes[takes["support"].isna() & takes["specimen"].notna()]


def samples(row):
    path = DEMO / row["file"]
    return read_window(path, start=0, frames=probe(path).frames)


@pytest.mark.parametrize("specimen", ["L1", "C2", "R1", "REF"])
def test_the_demos_multiples_agree_with_sums_and_probe_tones(demo, specimen):
    here = demo[(demo["specimen"] == specimen) & (demo["mount"] == 1)]
    row = here[here["kind"] == "sweep"].iloc[0]
    x = samples(row)
    measured = measured_of(x, shape=DEMO_SHAPE)
    found = features_of(measured, sensed=True)
    assert measured.response.start == pytest.approx(0.02 * RATE, abs=2)
    # All of the take's Fourier sums: no window, hence a little more noise.
    at = tuple(172.0 * k for k in range(1, 21))
    sums = line_sums(x, rate_hz=RATE, frequencies_hz=at)
    whole = 20 * np.log10(np.abs(sums[0] / sums[1]))
    ours = np.array([found[f"sweep.k{k}.response_db"].value for k in range(1, 21)])
    assert np.abs(ours - whole).max() < 0.3
    for k in (1, 2, 3):
        tones = here[(here["kind"] == "tone") & (here["tone_hz"] == 172 * k)]
        steady = []
        for _, tone in tones[tones["drive_db"] == 0].iterrows():
            y = samples(tone)[:, :24_000]
            fit = fit_tone(rfft(y, axis=1), n=24_000, rate_hz=RATE, nominal_hz=172.0 * k,
                           harmonics=1)  # fmt: skip
            steady.append(abs(fit.amplitude[0, 0] / fit.amplitude[1, 0]))
        feature = found[f"sweep.k{k}.response_db"]
        # The microphone's jitter from take to take is 0.12 dB (one SD) by the demo's own values.
        allowed = 3 * np.hypot(feature.u, 0.12 * np.sqrt(1 + 1 / len(steady)))
        assert feature.value == pytest.approx(20 * np.log10(np.mean(steady)), abs=allowed)


def _rings_at(f: float, shape: SweepShape) -> bool:
    """Whether a mode of the lowest loss, alone in a take with its silence, is refused at any
    frequency down to 20 dB below its peak."""
    tau = 1.0 / (np.pi * f * 0.005)
    pole = np.exp(-1.0 / (tau * RATE) + 2j * np.pi * f / RATE)
    mode = [1.0], [1.0, -2.0 * pole.real, abs(pole) ** 2]
    wave = np.pad(sweep_signal(shape, rate_hz=RATE, fade_s=0.01), (0, RATE))
    x = np.stack([1e-3 * signal.lfilter(*mode, wave), wave])
    curve = curve_rows("t1", measured_of(x, shape=shape), sensed=True, offset_db=0.0)
    near = curve[(curve["frequency_hz"] / f - 1.0).abs() < 0.025]  # 2 x 0.025 / 0.005 is 10
    return (near["reason"] == "sweeps.ends_too_soon").any()


@pytest.mark.parametrize("seconds", [0.9, 1.6, 2.5])
def test_from_the_frequency_that_is_said_modes_ring_out(seconds):
    shape = SweepShape(60.0, 8000.0, seconds)
    from_hz, least_s = resolved(60.0, 8000.0, seconds)
    assert 75.0 < from_hz < 170.0
    assert _rings_at(0.85 * from_hz, shape)
    assert not _rings_at(1.15 * from_hz, shape)
    assert seconds < least_s < 4.0


def test_a_sweep_as_long_as_is_said_lets_all_modes_ring_out():
    _, least_s = resolved(60.0, 8000.0, 0.9)
    assert resolved(60.0, 8000.0, 1.001 * least_s)[0] == pytest.approx(60.0)
    assert not _rings_at(70.0, SweepShape(60.0, 8000.0, 1.05 * least_s))
    # By hand at 60 Hz: ln(10 / 0.12) / (pi 0.005 60 Hz), less a second of silence.
    assert least_s == pytest.approx(np.log(10 / 0.12) / (np.pi * 0.005 * 60.0) - 1.0)


def test_modes_that_no_window_holds_are_no_reason_for_a_longer_sweep():
    from_hz, least_s = resolved(20.0, 8000.0, 20.0)
    assert from_hz == pytest.approx(np.log(10 / 0.12) / (np.pi * 0.005 * 5.0))
    assert least_s < 6.0
