"""Recorded drums, bells and a plucked string, against a plain FFT and a straight line.

Recordings: tests/reference/strokes (README there). Outside references, made here from the samples
alone: the peak of a long zero-padded FFT under a Hann window, by a parabola through three bins;
the slope of a straight line through the logarithm of the Hilbert envelope of the band-passed
recording, over a stated stretch.

What is compared, and why. Real strokes are no sums of perfect decays: a drum's head is tight
while it swings widely and its pitch sinks, a bell's modes come in pairs that beat, and everything
dies a little faster at first. Such a mode is fitted by two or three decays at nearly one
frequency. A single one of them is not what an envelope shows; their sum is. So the envelope's
slope is held against the slope of the sum of all decays in the band, and one decay alone only
where it carries nearly all of the mode. The analysis begins 50 ms after the peak: before, the
pitch glides.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
import soundfile
from scipy.fft import rfft
from scipy.signal import butter, hilbert, sosfiltfilt

from studylib.signal.damping import decay_rate
from studylib.signal.decays import Decays, find_decays
from studylib.signal.tap import measure_taps

STROKES = Path(__file__).parents[1] / "reference" / "strokes"
HALF_BAND = 0.05  # of the frequency
STRETCH = (0.05, 0.6)  # of the analysed record: where the line is laid


class Stroke(NamedTuple):
    """samples from 50 ms after the peak on, and what was found in them."""

    samples: np.ndarray
    rate_hz: float
    decays: Decays

    @property
    def times(self):
        return np.arange(len(self.samples)) / self.rate_hz

    def peak_of_fft(self, near_hz: float) -> float:
        n = len(self.samples)
        size = np.abs(np.fft.rfft(self.samples * np.hanning(n), 16 * n))
        f = np.fft.rfftfreq(16 * n, 1.0 / self.rate_hz)
        inside = np.flatnonzero(np.abs(f / near_hz - 1.0) < 0.02)
        k = inside[np.argmax(size[inside])]
        left, middle, right = np.log(size[k - 1 : k + 2])
        return f[k] + 0.5 * (left - right) / (left - 2.0 * middle + right) * f[1]

    def slope_of(self, envelope) -> float:
        """Decay in 1/s."""
        inside = (self.times >= STRETCH[0] * self.times[-1]) & (
            self.times <= STRETCH[1] * self.times[-1]
        )
        return -np.polyfit(self.times[inside], np.log(envelope[inside]), 1)[0]

    def slope_of_recording(self, f_hz: float) -> float:
        band = [(1 - HALF_BAND) * f_hz, (1 + HALF_BAND) * f_hz]
        sos = butter(2, band, "bandpass", fs=self.rate_hz, output="sos")
        return self.slope_of(np.abs(hilbert(sosfiltfilt(sos, self.samples))))

    def slope_of_decays(self, f_hz: float) -> float:
        found = self.decays
        f = found.poles.imag * self.rate_hz / (2 * np.pi)
        near = np.abs(f / f_hz - 1.0) < HALF_BAND
        powers = np.exp(np.outer(found.poles[near], np.arange(len(self.samples))))
        return self.slope_of(np.abs(found.amplitudes[near] @ powers))

    def strongest(self, near_hz: float) -> int:
        """Of the modes near a frequency the one with most energy."""
        found = self.decays
        energy = found.amplitude**2 / decay_rate(found.frequency_hz, found.loss_factor)
        return int(np.argmax(energy * (np.abs(found.frequency_hz / near_hz - 1.0) < 0.02)))


def recorded(name: str) -> tuple[np.ndarray, float]:
    samples, rate = soundfile.read(STROKES / f"{name}.flac")
    return samples, float(rate)


@pytest.fixture(scope="module")
def strokes() -> dict[str, Stroke]:
    found = {}
    for name in dict.fromkeys(name for name, *_ in LOUDEST):
        samples, rate = recorded(name)
        first = int(np.argmax(np.abs(samples)) + 0.05 * rate)
        ring = samples[first : len(samples) - (len(samples) - first) % 2]
        facts = {"rate_hz": rate, "lowest_hz": 40.0, "highest_hz": 8000.0, "most": 16}
        found[name] = Stroke(ring, rate, find_decays(rfft(ring), n=len(ring), **facts))
    return found


# File, Hz as read off its spectrum, tolerance of the frequency, of the slope.
LOUDEST = [
    ("tabla_tun1", 314.7, 5e-4, 0.02),
    ("tabla_tun2", 315.5, 5e-4, 0.02),
    ("tabla_tun3", 315.6, 5e-4, 0.02),
    ("tabla_na_o", 311.8, 5e-4, 0.02),
    ("tabla_tas3", 559.5, 1e-3, 0.02),
    ("perc_bell", 6748.6, 5e-4, 0.02),  # a pair that beats: the line averages over the beats
    ("perc_bell", 3620.9, 5e-4, 0.06),  # the same, and it hardly dies within the cut
    ("guit_harmonics", 492.2, 5e-4, 0.04),
    ("drum_cowbell", 1611.3, 1e-3, 0.04),  # 0.28 s of it: a bin is 3.6 Hz wide
]


@pytest.mark.parametrize(("name", "f_hz", "tolerance", "_"), LOUDEST)
def test_the_loudest_modes_stand_where_a_plain_fft_has_its_peak(strokes, name, f_hz, tolerance, _):
    stroke = strokes[name]
    found = stroke.decays.frequency_hz[stroke.strongest(f_hz)]
    assert found == pytest.approx(stroke.peak_of_fft(f_hz), rel=tolerance)
    assert found == pytest.approx(f_hz, rel=2e-3)


@pytest.mark.parametrize(("name", "f_hz", "_", "tolerance"), LOUDEST)
def test_they_die_as_a_straight_line_through_the_envelope_says(strokes, name, f_hz, _, tolerance):
    stroke = strokes[name]
    line = stroke.slope_of_recording(f_hz)
    assert stroke.slope_of_decays(f_hz) == pytest.approx(line, rel=tolerance)


@pytest.mark.parametrize(("name", "tolerance"), [("tabla_tun1", 0.05), ("tabla_tun3", 0.02)])
def test_where_one_decay_is_nearly_all_of_the_mode_its_own_loss_factor_is_the_slope(
    strokes, name, tolerance
):
    stroke = strokes[name]
    i = stroke.strongest(315.0)
    own = decay_rate(stroke.decays.frequency_hz[i], stroke.decays.loss_factor[i])
    assert own == pytest.approx(stroke.slope_of_recording(315.0), rel=tolerance)


@pytest.mark.parametrize("name", ["tabla_tun1", "tabla_tun2", "tabla_tun3", "perc_bell"])
def test_the_decays_explain_nearly_all_that_sounds(strokes, name):
    assert strokes[name].decays.unexplained < 0.005


@pytest.mark.parametrize("name", ["tabla_tun1", "tabla_tun2", "perc_bell", "drum_cowbell"])
def test_modes_that_are_no_perfect_decays_are_flagged(strokes, name):
    stroke = strokes[name]
    i = int(np.argmax(stroke.decays.amplitude))
    assert stroke.decays.misfit[i]


def test_strokes_of_one_drum_agree(strokes):
    # Three open strokes: a player's hand, so no better than half a per cent in frequency. Their
    # decays differ by how hard the drum was struck; a tenth covers it.
    open_strokes = [strokes[f"tabla_tun{k}"] for k in (1, 2, 3)]
    for near_hz in (315.0, 559.0, 850.0):
        found = [s.decays.frequency_hz[s.strongest(near_hz)] for s in open_strokes]
        assert np.ptp(found) < 0.005 * near_hz, found
    slopes = [stroke.slope_of_decays(315.0) for stroke in open_strokes]
    assert np.ptp(slopes) < 0.15 * np.mean(slopes), slopes


def test_a_stroke_of_another_kind_is_told_apart(strokes):
    # The edge stroke sounds four times as loud at 838 Hz as at 559 Hz; the open one is all 315 Hz.
    edge, open_stroke = strokes["tabla_na_o"].decays, strokes["tabla_tun3"].decays
    level = [
        d.amplitude[np.abs(d.frequency_hz / 838 - 1) < 0.02].max() / d.amplitude.max()
        for d in (edge, open_stroke)
    ]
    assert level[0] > 3.0 * level[1]


@pytest.mark.parametrize("name", ["tabla_tun3", "tabla_na_o", "perc_bell"])
def test_the_knock_is_found_and_taken_or_refused_with_a_reason(name):
    # The cuts begin with the attack; a recording of taps has silence before it.
    samples, rate = recorded(name)
    x = np.concatenate([np.zeros(round(0.2 * rate)), samples])
    taps = measure_taps(x, rate_hz=rate, lowest_hz=40.0, highest_hz=None, most=16, through_air=True)
    attack = 0.2 + np.argmax(np.abs(samples) > 0.05 * np.abs(samples).max()) / rate
    assert abs(taps[0].start_s - attack) < 0.03
    for tap in taps:
        assert (tap.decays is None) == bool(tap.reason)
