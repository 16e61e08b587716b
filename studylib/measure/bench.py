"""The facts of one sitting at the bench, as a table of items and values.

Functions: bench_table.
"""

from __future__ import annotations

from collections import Counter

import numpy as np
import pandas as pd

from studylib.measure.calibration import LevelScale
from studylib.measure.take import NoiseLevels
from studylib.sheets import Study

NOT_GIVEN = "not given"


def bench_table(
    study: Study, batch: str, *, rate_hz: int, scale: LevelScale, room: NoiseLevels | None
) -> pd.DataFrame:
    """Columns item, value (text): what was recorded, with which channels, levels and air."""
    takes = study.takes_of(batch)
    channels, tone = study.settings.channels, study.settings.tone
    kinds = Counter(take.kind for take in takes)
    specimens = list(dict.fromkeys(take.specimen for take in takes if take.specimen))
    drive = f"{channels.drive_kind}, channel {channels.drive}" if channels.drive else "none"
    rate_basis = "as set" if channels.rate_hz else "the commonest of the takes"
    rows = [
        ("batch", batch),
        ("takes", ", ".join(f"{count} {kind}" for kind, count in kinds.items())),
        ("specimens", ", ".join(specimens)),
        ("tone", f"{tone.fundamental_hz:g} Hz, {tone.length_s:g} s after {tone.skip_s:g} s"),
        ("sampling rate", f"{rate_hz} Hz ({rate_basis})"),
        ("response", f"{channels.response_kind}, channel {channels.response}"),
        ("drive", drive),
        ("levels", scale.basis),
        ("room noise", _room_text(room, scale)),
        ("temperature", _range([take.temperature_c for take in takes], "°C")),
        ("humidity", _range([take.humidity_pct for take in takes], "%")),
        ("started", _started(takes)),
    ]
    if scale.warning:
        rows.append(("warning", scale.warning))
    return pd.DataFrame(rows, columns=["item", "value"])


def _room_text(room: NoiseLevels | None, scale: LevelScale) -> str:
    if room is None:
        return "not measured: record a room take with everything set and the driver silent"
    plain = 10 * np.log10(max(2 * room.power, 1e-40)) + scale.offset_db
    text = f"{plain:.1f} {scale.unit}"
    if scale.absolute:
        weighted = 10 * np.log10(max(2 * room.weighted, 1e-40)) + scale.offset_db
        text += f", {weighted:.1f} dB(A)"
    return text


def _range(values: list[float | None], unit: str) -> str:
    given = [value for value in values if value is not None]
    if not given:
        return NOT_GIVEN
    low, high = min(given), max(given)
    return f"{low:g} {unit}" if low == high else f"{low:g} to {high:g} {unit}"


def _started(takes: tuple) -> str:
    given = [take.started for take in takes if take.started is not None]
    if not given:
        return NOT_GIVEN
    return f"{min(given).isoformat(sep=' ')} to {max(given).isoformat(sep=' ')}"
