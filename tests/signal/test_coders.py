"""What coding with loss leaves of a tone's harmonics and of a stroke's modes.

The coders are libsndfile's own (LAME, libvorbis, libopus), at what they need for one channel: about
80, 90 and 260 kbit/s at the best setting, 22 to 34 kbit/s at 0.9. The tones and modes are invented,
their truth is stated. What is measured here is why `quality.hides_weak_lines` refuses harmonics.
"""

from __future__ import annotations

import io

import numpy as np
import pytest
import soundfile

from studylib.signal.tap import measure_taps

RATE, TONE_HZ = 48_000, 172.0
CODERS = (("MP3", "MPEG_LAYER_III"), ("OGG", "VORBIS"), ("OGG", "OPUS"))
MODES = ((210.0, 0.012), (580.0, 0.010), (1130.0, 0.009), (1850.0, 0.011))
EDGE = RATE // 2


def coded(x: np.ndarray, container: str, subtype: str, setting: float) -> np.ndarray:
    held = io.BytesIO()
    soundfile.write(
        held, x, RATE, format=container, subtype=subtype, compression_level=setting
    )  # fmt: skip
    held.seek(0)
    return soundfile.read(held)[0]


def level_db(x: np.ndarray, frequency_hz: float) -> float:
    """Of a line in the middle of a record, by a Hann window's sum."""
    x = x[EDGE : 7 * EDGE]
    turn = np.exp(-2j * np.pi * frequency_hz * np.arange(x.size) / RATE)
    return float(20 * np.log10(2 * abs(np.sum(np.hanning(x.size) * x * turn)) / (x.size / 2)))


def tone(harmonics_db: float, rng: np.random.Generator) -> np.ndarray:
    """A tone with eleven harmonics of one level below it, and a recorder's noise."""
    t = np.arange(4 * RATE) / RATE
    parts = [
        (1.0 if k == 1 else 10 ** (harmonics_db / 20)) * np.cos(2 * np.pi * TONE_HZ * k * t + k)
        for k in range(1, 13)
    ]
    return 0.3 * np.sum(parts, axis=0) + 1e-4 * rng.standard_normal(t.size)


@pytest.mark.parametrize("coder", CODERS, ids=lambda coder: coder[1])
def test_the_tone_stays_and_what_is_weak_beside_it_does_not(coder, rng):
    worst = {}
    for below in (-30.0, -70.0):
        x = tone(below, rng)
        y = coded(x, *coder, 0.9)
        off = [level_db(y, TONE_HZ * k) - level_db(x, TONE_HZ * k) for k in range(1, 13)]
        assert abs(off[0]) < 0.25
        worst[below] = np.max(np.abs(off[1:]))
    # Seen: 0.6 to 1.9 dB, and 3.5 to 76 dB.
    assert worst[-30.0] > 0.5
    assert worst[-70.0] > 3.0


@pytest.mark.parametrize("coder", CODERS, ids=lambda coder: coder[1])
@pytest.mark.parametrize(("setting", "decay"), [(0.0, 0.005), (0.5, 0.015)])
def test_at_usual_rates_frequencies_and_decays_stay(coder, setting, decay, rng):
    t = np.arange(3 * EDGE) / RATE
    x = np.zeros(4 * EDGE)
    for f, eta in MODES:
        x[EDGE:] += 0.2 * np.exp(-np.pi * f * eta * t) * np.sin(2 * np.pi * f * t)
    x += 2e-5 * rng.standard_normal(x.size)
    (tap,) = measure_taps(
        coded(x, *coder, setting), rate_hz=RATE, lowest_hz=40.0, highest_hz=4000.0, most=16,
        through_air=True,
    )  # fmt: skip
    for f, eta in MODES:
        at = int(np.argmin(np.abs(tap.decays.frequency_hz - f)))
        assert tap.decays.frequency_hz[at] == pytest.approx(f, rel=1e-3)
        assert tap.decays.loss_factor[at] == pytest.approx(eta, rel=decay)
