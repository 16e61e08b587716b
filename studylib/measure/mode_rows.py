"""The modes of one take as rows: of its taps, or of the response that a sweep gave.

One row a mode; a tap that was refused, or a take without any, is one row without numbers and with
its reason, so that nothing that was recorded goes missing. Numbers of modes come later, over the
whole study (`mode_numbers`).

Conventions: levels in dB re a full-scale sine at the bench's gain, at the start of the ring that
was analysed. A mode's uncertainties are the estimator's, for this one ring.

Functions: tap_modes, sweep_modes, no_modes.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studylib.sheets import Take
from studylib.signal.decays import Decays
from studylib.signal.harmonics import DB_PER_RATIO
from studylib.signal.tap import Tap

MODE_COLUMNS = [
    "take", "batch", "kind", "specimen", "wood", "mount", "repeat", "support", "tap",
    "frequency_hz", "frequency_u", "loss_factor", "loss_factor_u", "level_db", "level_u",
    "snr_db", "close", "usable", "reason", "content",
]  # fmt: skip
NO_TAP = "no tap was found"


def tap_modes(take: Take, taps: list[Tap], *, wood: str, content: str, aside: str) -> list[tuple]:
    """Rows (MODE_COLUMNS) of a tap take.

    Parameters
    ----------
    taps : from `signal.tap.measure_taps`.
    content : a mark of the recording's content.  aside : why the take is set aside, or "".
    """
    if not taps:
        return no_modes(take, wood=wood, content=content, reason=aside or NO_TAP)
    rows: list[tuple] = []
    for number, tap in enumerate(taps, start=1):
        rows += _of_tap(take, wood, number, tap, content, aside)
    return rows


def _of_tap(
    take: Take, wood: str, number: int, tap: Tap, content: str, aside: str
) -> Iterator[tuple]:
    head = (*_head(take, wood), number)
    if tap.decays is None:
        yield (*head, *(np.nan,) * 7, False, False, aside or tap.reason, content)
        return
    for values in _of_decays(tap.decays, -take.gain_db):
        yield (*head, *values, not aside, aside, content)


def _of_decays(decays: Decays, offset_db: float) -> Iterator[tuple]:
    for i, frequency in enumerate(decays.frequency_hz):
        amplitude = decays.amplitude[i]
        yield (
            float(frequency), float(decays.u_frequency_hz[i]),
            float(decays.loss_factor[i]), float(decays.u_loss_factor[i]),
            20.0 * float(np.log10(amplitude)) + offset_db,
            DB_PER_RATIO * float(decays.u_amplitude[i] / amplitude),
            float(decays.snr_db[i]), bool(decays.close[i]),
        )  # fmt: skip


def sweep_modes(take: Take, decays: Decays, *, wood: str, content: str, aside: str) -> list[tuple]:
    """Rows (MODE_COLUMNS, tap 0) of the modes in what a sweep gave.

    They are the modes of the board with the driver on it, as in a tap on the bench. Levels are
    brought to full drive.
    """
    head, offset = (*_head(take, wood), 0), -take.gain_db - (take.drive_db or 0.0)
    rows = [(*head, *values, not aside, aside, content) for values in _of_decays(decays, offset)]
    said = aside or "no mode stands out of the noise"
    return rows or no_modes(take, wood=wood, content=content, reason=said)


def no_modes(take: Take, *, wood: str, content: str, reason: str) -> list[tuple]:
    """The one row of a take without modes."""
    return [(*_head(take, wood), 0, *(np.nan,) * 7, False, False, reason, content)]


def _head(take: Take, wood: str) -> tuple:
    return (
        take.take, take.batch, take.kind, take.specimen, wood, take.mount, take.repeat,
        take.support or "bench",
    )  # fmt: skip
