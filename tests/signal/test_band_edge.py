"""A spectrum cut off: found in codings and resamplings of recorded strokes, nowhere else.

Outside references: the encoders of libsndfile (LAME, Vorbis, Opus) and a long windowed-sinc filter,
whose edges are known; recordings of real strokes (tests/reference/strokes), none of them cut off.
Whether a coding can be seen at all is told by a plain averaged periodogram of the original: it must
hold more than rounding where the coder cuts.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, firwin, oaconvolve, resample, sosfilt, welch

from studylib.signal.band_edge import band_edge, frame_levels

STROKES = sorted((Path(__file__).parents[1] / "reference" / "strokes").glob("*.flac"))
RATE = 48_000
BITS = {16: 2.0**-15, 24: 2.0**-23}


def edge_of(x, rate_hz, step):
    return band_edge(frame_levels(x, rate_hz=rate_hz), rate_hz=rate_hz, step=step)


def stored(x, bits, rng=None):
    """As a file of that depth holds it; with a generator, under triangular dither."""
    dither = 0.0 if rng is None else rng.uniform(-0.5, 0.5, (2, len(x))).sum(axis=0)
    return np.round(x / BITS[bits] + dither) * BITS[bits]


def coded(x, rate_hz, container, subtype, **options):
    """Through an encoder of libsndfile and back."""
    held = io.BytesIO()
    soundfile.write(held, x, rate_hz, format=container, subtype=subtype, **options)
    held.seek(0)
    return soundfile.read(held)


def noise(rng, level, seconds=1.5, rate_hz=RATE):
    return level * rng.standard_normal(round(seconds * rate_hz))


def knifed(x, cut_hz, rate_hz=RATE):
    """Nothing above the cut: 100 dB down within some 300 Hz."""
    return oaconvolve(x, firwin(1001, cut_hz, fs=rate_hz, window=("kaiser", 10.0)), mode="same")


@pytest.mark.parametrize("path", STROKES, ids=lambda path: path.stem)
def test_recorded_strokes_are_not_cut_off(path):
    x, rate = soundfile.read(path)
    assert edge_of(x, rate, BITS[16]) is None


@pytest.mark.parametrize("bits", BITS)
@pytest.mark.parametrize(
    ("container", "subtype", "options", "edges"),
    [
        ("MP3", "MPEG_LAYER_III", {}, (15_000, 18_000)),
        ("OGG", "VORBIS", {"compression_level": 0.9}, (14_500, 18_900)),
    ],
    ids=["MP3", "Vorbis"],
)
def test_codings_of_recorded_strokes_are_seen_where_the_stroke_reaches_so_high(
    container, subtype, options, edges, bits
):
    seen = {}
    for path in STROKES:
        x, rate = soundfile.read(path)
        f, density = welch(x, rate, nperseg=2048)
        reach = density[(f > 13_000) & (f < 15_000)].min() * rate / 2
        if reach > 10**3 * BITS[16] ** 2 / 12:  # 30 dB over rounding
            y, rate = coded(x, rate, container, subtype, **options)
            seen[path.stem] = edge_of(stored(y, bits), rate, BITS[bits])
    assert len(seen) >= 3
    missed = [name for name, edge in seen.items() if edge is None]
    assert missed == []
    assert all(edges[0] < edge < edges[1] for edge in seen.values()), seen


@pytest.mark.parametrize("factor", [(1, 2), (1, 3), (2, 3), (147, 160)])
def test_noise_of_a_lower_rate_is_seen_at_half_that_rate(rng, factor):
    low = noise(rng, 1e-3, rate_hz=round(RATE * factor[0] / factor[1]))
    x = stored(resample(low, round(1.5 * RATE)), 24)
    edge, half = edge_of(x, RATE, BITS[24]), 0.5 * RATE * factor[0] / factor[1]
    if half > 0.43 * RATE:  # too near the filters of recorders
        assert edge is None
    else:
        assert 0.8 * half < edge < 1.02 * half


@pytest.mark.parametrize("cut_hz", [5_000, 11_000, 16_000, 19_000])
def test_an_edge_is_seen_where_it_is(rng, cut_hz):
    x = knifed(noise(rng, 1e-2), cut_hz)
    for bits, dither in ((16, None), (16, rng), (24, None)):
        assert abs(edge_of(stored(x, bits, dither), RATE, BITS[bits]) - cut_hz) < 400


@pytest.mark.parametrize(("above", "seen"), [(4e-7, True), (5e-6, False)])
def test_what_lies_above_an_edge_is_no_recorders_noise_below_minus_120_db(rng, above, seen):
    x = knifed(noise(rng, 1e-3), 11_000) + noise(rng, above)
    assert (edge_of(stored(x, 24), RATE, BITS[24]) is not None) == seen


def test_an_edge_in_the_pauses_is_seen_under_strokes_that_reach_beyond_it(rng):
    x = knifed(noise(rng, 1e-4), 11_000)
    x[RATE // 2 : RATE // 2 + 2000] += noise(rng, 0.1)[:2000]
    assert abs(edge_of(stored(x, 24), RATE, BITS[24]) - 11_000) < 400


def test_what_is_quiet_or_goes_on_or_ends_gradually_is_no_edge(rng):
    steep = butter(8, 6_000, fs=RATE, output="sos")
    t = np.arange(RATE) / RATE
    stroke = np.zeros(RATE)
    stroke[20_000:32_000] = (knifed(noise(rng, 0.05), 9_000) + noise(rng, 0.005))[:12_000]
    harmonics = sum(np.sin(2 * np.pi * 172 * k * t + k * k) / k for k in range(1, 60))
    takes = {
        "digital silence": (np.zeros(RATE), 16),
        "16 bit of dither": (stored(noise(rng, 0.0), 16, rng), 16),
        "next to nothing": (stored(noise(rng, 2e-5), 16), 16),
        "a low-pass of order 8": (stored(sosfilt(steep, noise(rng, 0.05)), 16, rng), 16),
        "the same, 24 bit": (stored(sosfilt(steep, noise(rng, 0.05)), 24), 24),
        "cut, but the noise goes on": (
            stored(knifed(noise(rng, 0.05), 8_000) + noise(rng, 1e-4), 24), 24,
        ),
        "the same, 16 bit": (
            stored(knifed(noise(rng, 0.05), 8_000) + noise(rng, 1e-4), 16), 16,
        ),
        "a recorder's own filter": (stored(knifed(noise(rng, 1e-3), 0.455 * RATE), 24), 24),
        "one that begins early": (stored(knifed(noise(rng, 1e-3), 0.435 * RATE), 24), 24),
        "a stroke that leaves something above": (stored(stroke, 16, rng), 16),
        "a tone that ends at 10 kHz": (stored(0.05 * harmonics + noise(rng, 1e-5)[:RATE], 16), 16),
    }  # fmt: skip
    found = {name: edge_of(x, RATE, BITS[bits]) for name, (x, bits) in takes.items()}
    assert {name: edge for name, edge in found.items() if edge is not None} == {}


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 22_050, 96_000, 192_000])
def test_every_rate_and_length_is_looked_at_and_white_noise_goes_on(rng, rate_hz):
    assert frame_levels(noise(rng, 0.1, 0.01, rate_hz), rate_hz=rate_hz) is None
    for seconds in (0.1, 1.0):
        assert edge_of(noise(rng, 0.1, seconds, rate_hz), rate_hz, BITS[24]) is None
    if rate_hz > 12_000:
        x = knifed(noise(rng, 0.01, 1.0, rate_hz), 0.3 * rate_hz, rate_hz)
        assert abs(edge_of(stored(x, 24), rate_hz, BITS[24]) / rate_hz - 0.3) < 0.02
