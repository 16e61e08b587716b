"""Recorders that turn their own gain, against simulated ones of stated truth and honest takes.

The processors (tests/signal/processors.py) and the rooms (tests/signal/rooms.py) are ours; the
strokes of tests/reference/strokes and of tests/recorded are not.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from studylib.signal.gain_moves import gate_db, masked_db, noise_floors, recovery_db
from tests.signal.processors import automatic_gain, gate, rounded, suppressed
from tests.signal.rings import pink
from tests.signal.rooms import Room, Stroke, a_board, heard, response, struck

RATE = 48_000
STROKES = Path(__file__).parents[1] / "reference" / "strokes"


def taps(rng, *, noise_db, taps=3, decay_time_s=0.3, ratio_db=10.0, hand=None, click=0.5):
    """Strokes of one board in a room; the loudest sample is half of full scale."""
    h, board = response(Room(decay_time_s, ratio_db), rng), a_board(rng, loss=(0.01, 0.03))
    strokes = [Stroke(struck(board, rng), hand=hand) for _ in range(taps)]
    x = heard(strokes, h, rng, noise_db=noise_db, click=click)
    return 0.5 * x / np.abs(x).max()


def found(x, bits=24, rate_hz=RATE):
    """(fall of a gate, rise of a gain) of a take of taps, dB."""
    floors = noise_floors(x, rate_hz=rate_hz, step=2.0 ** (1 - bits))
    return gate_db(*floors), recovery_db(*floors)


@pytest.mark.parametrize("seed", range(5))
def test_no_honest_take_of_taps_is_called_processed(seed):
    """Rooms from dry to live, loud noise and faint, hands on the board, dither or none."""
    rng = np.random.default_rng(seed)
    hand = [None, (0.3, 20.0), (0.6, 8.0)][seed % 3]
    x = taps(
        rng, noise_db=rng.uniform(-75, -35), taps=seed, hand=hand, ratio_db=rng.uniform(0, 20),
        decay_time_s=rng.uniform(0.2, 1.5),
    ) if seed else 0.01 * rng.standard_normal(3 * RATE)  # fmt: skip
    assert found(x) == (None, None)
    for dither in (True, False):
        for level in (1.0, 0.01, 0.001):  # a quiet room, below the file's step at last
            assert found(rounded(level * x, rng, bits=16, dither=dither), 16) == (None, None)
    # A recorder that begins with nothing, and one that fades in.
    rise = np.clip((np.arange(x.size) - 0.1 * RATE) / RATE, 0.0, 1.0)
    assert found(x * (rise > 0.0)) == found(x * rise) == (None, None)


@pytest.mark.parametrize("bursts", [0, 6])
def test_steady_noise_with_short_sounds_in_it_is_no_gain_that_moves(bursts):
    """Knocks as white as the noise, so that every band rises by one number where they begin; and
    quiet rustles between them, which stop and begin as a gain might."""
    for seed in range(3):
        rng = np.random.default_rng([seed, bursts])
        x = 3e-4 * rng.standard_normal(5 * RATE)
        for n in range(3 + bursts):
            first = round(RATE * (0.9 + 1.2 * n if n < 3 else rng.uniform(0.0, 4.5)))
            level, decay_s = (0.3, 0.06) if n < 3 else (0.01, rng.uniform(0.02, 0.2))
            since = np.arange(min(x.size - first, round(rng.uniform(0.1, 0.4) * RATE))) / RATE
            x[first : first + since.size] += (
                level * rng.standard_normal(since.size) * np.exp(-since / decay_s)
            )
        assert found(x) == (None, None)


@pytest.mark.parametrize("path", sorted(STROKES.glob("*.flac")), ids=lambda path: path.stem)
def test_no_recorded_stroke_is_called_processed(path):
    """Cut and faded by their makers, some of them to digital silence."""
    x, rate_hz = soundfile.read(path)
    assert found(x, 16, rate_hz) == (None, None)


@pytest.mark.parametrize("seed", range(3))
def test_one_stroke_that_its_maker_faded_out_is_no_gate(seed):
    rng = np.random.default_rng(seed)
    x = taps(rng, noise_db=-50.0, taps=1)[round(0.3 * RATE) :]
    fade = np.clip((1.2 * RATE - np.arange(x.size)) / (0.2 * RATE), 0.0, 1.0)
    assert found(x * fade) == (None, None)


@pytest.mark.parametrize(
    ("hold_s", "release_s", "range_db", "noise_db", "bits"),
    [(0.15, 0.02, 25, -45, 24), (0.3, 0.05, 60, -50, 16), (0.5, 0.1, 90, -60, 24),
     (0.25, 0.12, 40, -35, 16), (0.4, 0.03, 200, -65, 24)],
)  # fmt: skip
def test_a_gate_is_told_by_noise_that_holds_and_falls(hold_s, release_s, range_db, noise_db, bits):
    rng = np.random.default_rng(round(1000 * hold_s))
    x = taps(rng, noise_db=noise_db, taps=2)
    floor_db = 20 * np.log10(np.std(x[: RATE // 5]))
    gated = gate(
        x, rate_hz=RATE, threshold_db=floor_db + 8.0, hold_s=hold_s, release_s=release_s,
        range_db=range_db,
    )  # fmt: skip
    fall, _ = found(rounded(gated, rng, bits=bits, dither=range_db < 100), bits)
    assert fall is not None
    assert 20.0 < fall < range_db + 3.0


@pytest.mark.parametrize(("smooth_s", "hold_s", "told"), [(0.03, 0.3, True), (0.1, 0.0, False)])
def test_suppression_is_told_where_it_holds_the_noise_after_a_sound(smooth_s, hold_s, told):
    """Without a hold, each frequency falls with its own sound: nothing tells that from decay."""
    rng = np.random.default_rng(4)
    x = taps(rng, noise_db=-45.0, ratio_db=20.0, click=2.0)
    y = suppressed(x, rate_hz=RATE, floor_db=-30.0, smooth_s=smooth_s, hold_s=hold_s)
    assert (found(y)[0] is not None) == told


@pytest.mark.parametrize(
    ("attack_s", "release_s", "ratio", "most_db", "noise_db"),
    [(0.005, 0.5, 20, 20, -45), (0.02, 1.0, 8, 25, -50), (0.1, 0.8, 4, 30, -40),
     (0.01, 2.0, 10, 15, -55)],
)  # fmt: skip
def test_automatic_gain_is_told_by_noise_that_sinks_and_rises(
    attack_s, release_s, ratio, most_db, noise_db
):
    rng = np.random.default_rng(most_db)
    x = taps(rng, noise_db=noise_db, ratio_db=20.0)
    y = automatic_gain(
        x, rate_hz=RATE, attack_s=attack_s, release_s=release_s, ratio=ratio, most_db=most_db
    )
    fall, rise = found(rounded(0.3 * y, rng, bits=16, dither=True), 16)
    assert fall is None
    assert 5.0 < rise < 2.0 * most_db


PARTS_S = (0.0, 1.4), (2.5, 4.0), (3.75, 5.5)


def late_tone(rng, *, noise=3e-4, rattle=0.0, seconds=3.0):
    """A tone with harmonics that fades in after 1.5 s and stops 1 s before the end."""
    t = np.arange(round((seconds + 2.5) * RATE)) / RATE
    on = np.clip((t - 1.5) / 0.05, 0.0, 1.0) * (t < 1.5 + seconds)
    tone = sum(10 ** (-k / 2) * np.sin(2 * np.pi * 172 * k * t + k) for k in range(1, 12))
    hiss = rng.standard_normal(t.size) + pink(t.size, rng, rate_hz=RATE)
    return on * (0.3 * tone + rattle * rng.standard_normal(t.size)) + noise * hiss


def of_tone(x):
    """(fall of a gate after the tone, fall of the noise in it), dB."""
    at = {"rate_hz": RATE, "step": 2.0**-23}
    before, during, after = (x[round(RATE * a) : round(RATE * b)] for a, b in PARTS_S)
    noise = [noise_floors(part, **at, tone_hz=172.0)[0] for part in (before, during)]
    return gate_db(*noise_floors(np.concatenate([before, after]), **at)), masked_db(*noise)


@pytest.mark.parametrize("rattle", [0.0, 3e-4, 0.02])
def test_an_honest_tone_that_starts_late_is_not_called_processed(rng, rattle):
    assert of_tone(late_tone(rng, rattle=rattle)) == (None, None)


@pytest.mark.parametrize(("ratio", "attack_s"), [(20.0, 0.01), (3.0, 0.3)])
def test_gain_that_sinks_when_the_tone_starts_is_told_by_the_noise(rng, ratio, attack_s):
    x = late_tone(rng)
    y = automatic_gain(x, rate_hz=RATE, ratio=ratio, attack_s=attack_s, most_db=20.0)
    block = slice(round(2.5 * RATE), round(3.5 * RATE))
    truth = 20 * np.log10(np.std(x[block]) / np.std(y[block])) + 20.0
    assert of_tone(y)[1] == pytest.approx(truth, abs=1.5)


def test_a_gate_that_closes_after_the_tone_is_told(rng):
    x = gate(late_tone(rng), rate_hz=RATE, threshold_db=-55.0, hold_s=0.25, range_db=40.0)
    fall, sunk = of_tone(x)
    assert fall == pytest.approx(35.0, abs=6.0)
    assert sunk is None
