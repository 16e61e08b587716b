"""What a cable tells: latency, clocks and changed samples, against signals with a stated truth."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import resample_poly

from studylib.bench.recording_session import probe_signal, probed, remarks, time_jump
from studylib.codes import code_of
from studylib.errors import InputError

PEAK = 10.0 ** (-32 / 20)


def cable(rng, rate_hz, *, delay_s=0.3125, gain=1.0, noise=1e-6, change=lambda x: x):
    """(before, heard) of the probe signal through a cable; noise is white, re full scale."""
    signal = change(probe_signal(rate_hz, peak=PEAK))
    heard = np.concatenate(
        [np.zeros(round(delay_s * rate_hz)), gain * signal, np.zeros(rate_hz // 2)]
    )
    before = noise * rng.standard_normal(rate_hz // 2)
    return before, heard + noise * rng.standard_normal(heard.size)


def told(found, rate_hz):
    return [code_of(note) for note in remarks(found, rate_hz=rate_hz)]


@pytest.mark.parametrize("rate_hz", [8000, 44100, 48000, 96000, 192000])
@pytest.mark.parametrize("gain", [1.0, -0.5])
def test_a_clean_cable_gives_its_latency_gain_and_noise(rng, rate_hz, gain):
    """Truth: 0.3125 s; noise of 1e-6 lies 20 lg(1e-6 sqrt 2 / (peak |gain|)) below the tone."""
    before, heard = cable(rng, rate_hz, gain=gain)
    found = probed(before, heard, rate_hz, peak=PEAK)
    assert found["latency_s"] == pytest.approx(0.3125, abs=0.5 / rate_hz)
    assert found["gain_db"] == pytest.approx(20 * np.log10(abs(gain)), abs=1e-3)
    noise_db = 20 * np.log10(1e-6 * np.sqrt(2) / (PEAK * abs(gain)))
    assert found["noise_db"] == pytest.approx(noise_db, abs=0.3)
    assert found["residual_db"] == pytest.approx(noise_db, abs=0.3)
    assert abs(found["clocks_ppm"]) < 0.05
    assert told(found, rate_hz) == []


def test_distortion_and_noise_of_an_ordinary_input_are_not_taken_for_a_converter(rng):
    """Harmonics of -66 and -72 dB, a recorder's noise of -110 dB re full scale."""

    def bent(x):
        return x + 1e-3 / PEAK * x**2 + 1e-3 / PEAK**2 * x**3

    before, heard = cable(rng, 48000, noise=10 ** (-110 / 20) / np.sqrt(2), change=bent)
    assert told(probed(before, heard, 48000, peak=PEAK), 48000) == []


def test_a_converter_to_another_rate_and_back_is_told(rng):
    """Short filters, as a server uses them by default."""

    def twice(x):
        there = resample_poly(x, 147, 160, window=("kaiser", 3.0))
        return resample_poly(there, 160, 147, window=("kaiser", 3.0))[: x.size]

    before, heard = cable(rng, 48000, change=twice)
    found = probed(before, heard, 48000, peak=PEAK)
    assert -90 < found["residual_db"] < -40
    assert told(found, 48000) == ["record.converted"]


@pytest.mark.parametrize("ppm", [-40.0, 12.0])
def test_two_clocks_are_told_apart(rng, ppm):
    """The input's clock is off by so many millionths."""
    rate_hz = 48000

    def stretched(x):
        at = np.arange(x.size) * (1 + ppm * 1e-6)
        # Half a sample of a 997 Hz tone needs no better than cubic steps at four times the rate.
        fine = resample_poly(x, 8, 1)
        return np.interp(8 * at, np.arange(fine.size), fine)

    before, heard = cable(rng, rate_hz, noise=1e-5, change=stretched)
    found = probed(before, heard, rate_hz, peak=PEAK)
    assert found["clocks_ppm"] == pytest.approx(ppm, abs=0.2)
    assert "record.two_clocks" in told(found, rate_hz)


@pytest.mark.parametrize("what", ["silence", "noise", "cut"])
def test_a_cable_that_is_not_there_is_said_so(rng, what):
    before, heard = cable(rng, 48000)
    if what == "cut":
        heard = heard[: 48000 * 2]
    else:
        heard = {"silence": 0.0, "noise": 1e-3}[what] * rng.standard_normal(heard.size)
    with pytest.raises(InputError) as caught:
        probed(before, heard, 48000, peak=PEAK)
    assert caught.value.codes == ("record.no_loopback",)


def tone(rate_hz=48000, seconds=2.0, hz=172.0):
    return 0.1 * np.sin(2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz)


@pytest.mark.parametrize("hz", [172.0, 516.0])
@pytest.mark.parametrize("lost", [5, 32, -48])
def test_lost_and_repeated_samples_are_counted(rng, hz, lost):
    x = tone(seconds=2.1, hz=hz) + 1e-4 * rng.standard_normal(round(2.1 * 48000))
    at = 50_000
    x = np.concatenate([x[:at], x[at + lost :]])
    period = 48000 / hz
    found = time_jump(x, rate_hz=48000, tone_hz=hz)
    # Known up to whole periods.
    assert (found - lost + period / 2) % period - period / 2 == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize("trouble", ["none", "noise", "knock", "drift", "wander", "silence"])
def test_what_is_no_jump_is_not_called_one(rng, trouble):
    x = tone()
    t = np.arange(x.size) / 48000
    if trouble == "noise":
        x = x + 0.02 * rng.standard_normal(x.size)
    elif trouble == "knock":
        x[40_000:40_500] += 0.5 * rng.standard_normal(500)
    elif trouble == "drift":  # 100 ppm off, and 50 ppm a second more
        x = 0.1 * np.sin(2 * np.pi * 172 * (t + 1e-4 * t + 2.5e-5 * t**2))
    elif trouble == "wander":  # 20 ppm each way, three times a second
        x = 0.1 * np.sin(2 * np.pi * 172 * (t + 2e-5 / (6 * np.pi) * np.sin(6 * np.pi * t)))
    elif trouble == "silence":
        x = np.zeros(x.size)
    assert time_jump(x, rate_hz=48000, tone_hz=172.0) == 0.0


def test_too_short_a_tone_tells_nothing():
    assert time_jump(tone(seconds=0.2), rate_hz=48000, tone_hz=172.0) == 0.0
