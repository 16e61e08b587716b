"""Modes from a sweep that a microphone heard in a room, against the filter that was swept.

Truth: three resonators with stated poles, and rooms that state their decay time and ratio
(tests/signal/rooms.py). Decays in noise alone, as a sensor on the board is read, find sixteen
modes here, or none.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from studylib.measure.sweep_rows import measure_sweep
from studylib.signal.sweep import SweepShape
from studylib.signal.tap import ring_through_air
from tests.signal.rings import RATE
from tests.signal.rooms import Room, response

MODES = ((300.0, 0.012), (830.0, 0.010), (1620.0, 0.013))
SHAPE = SweepShape(60.0, 8000.0, 2.0)


def swept(room: Room, rng) -> np.ndarray:
    """(2, n): the far end, heard in the room, and the drive itself."""
    growth = SHAPE.seconds / np.log(SHAPE.highest_hz / SHAPE.lowest_hz)
    t = np.arange(round(SHAPE.seconds * RATE)) / RATE
    x = 0.3 * np.sin(2 * np.pi * SHAPE.lowest_hz * growth * np.expm1(t / growth))
    x = np.concatenate([np.zeros(1000), x, np.zeros(RATE)])
    board = np.zeros(len(x))
    for f, loss in MODES:
        pole = np.exp((-np.pi * f * loss + 2j * np.pi * f) / RATE)
        gain = f / 100.0 * 2.0 * np.pi * f * loss / RATE
        board += signal.lfilter([gain], np.poly([pole, np.conj(pole)]).real, x)
    heard = signal.fftconvolve(board, response(room, rng))[: len(x)]
    return np.stack([heard, x]) + 1e-5 * rng.standard_normal((2, len(x)))


@pytest.mark.parametrize("seed", [0, 1, 4, 5])
def test_the_modes_of_the_board_come_back_and_the_room_is_no_mode(seed):
    x = swept(Room(0.4, 15.0), np.random.default_rng(seed))
    taken = measure_sweep(
        x, rate_hz=RATE, shape=SHAPE, names=("response", "drive"), fundamental_hz=172.0,
        harmonics=10,
    )  # fmt: skip
    decays, room = ring_through_air(
        taken.decay, rate_hz=RATE, lowest_hz=100.0, highest_hz=7000.0, most=16
    )
    assert room.ratio_db == pytest.approx(15.0, abs=5.0)
    strong = decays.amplitude > 0.1 * decays.amplitude.max()
    assert strong.sum() == len(MODES)
    for (f, loss), i in zip(MODES, np.flatnonzero(strong), strict=True):
        assert decays.frequency_hz[i] == pytest.approx(f, abs=3.0 * decays.u_frequency_hz[i])
        assert decays.loss_factor[i] == pytest.approx(loss, abs=3.0 * decays.u_loss_factor[i])
        assert decays.u_place[i] > 0.0
