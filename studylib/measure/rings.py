"""What a take that rings gives, tap or sweep: measured once, checked, and put into rows.

Taps and sweeps are analysed as a whole, over the response channel from the first sample to the
last; a sweep only when its shape is written down in study.toml ([sweep]). Rows are made after
the take has been judged, so that one set aside keeps its rows and carries its reason.

Functions: measure_ring, taps_of. Ring.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.fft import rfft

from studylib.errors import InputError
from studylib.measure.calibration import LevelScale
from studylib.measure.features import FeatureValue, has_sensed_drive
from studylib.measure.mode_rows import no_modes, sweep_modes, tap_modes
from studylib.measure.sweep_rows import (
    SWEEP_COLUMNS,
    SweepMeasurement,
    measure_sweep,
    sweep_feature_values,
    sweep_rows,
)
from studylib.recordings import RecordingInfo, windows
from studylib.sheets import Study, Take
from studylib.signal import quality
from studylib.signal.decays import Decays, find_decays
from studylib.signal.limits import Limit
from studylib.signal.samples import is_sound
from studylib.signal.sweep import SweepShape, mode_band
from studylib.signal.tap import Tap, measure_taps

LONGEST_S = 120.0
TOO_LONG = f"longer than {LONGEST_S:.0f} s; cut the recording into takes"


@dataclass(frozen=True)
class Ring:
    """What one take gave. taps : of a tap take.  sweep, decays : of a sweep.  said : why there
    is neither; "" when there is."""

    taps: list[Tap] | None = None
    sweep: SweepMeasurement | None = None
    decays: Decays | None = None
    said: str = ""

    def checks(self, table: Mapping[str, Limit]) -> list[quality.Check]:
        """What the ring itself says about the take's fitness."""
        if self.taps is not None:
            refused = [tap.reason for tap in self.taps if tap.decays is None]
            found = quality.check("taps", len(self.taps) - len(refused), table, channel="response")
            lost = quality.check("taps_refused", len(refused), table, channel="response")
            return [_saying(found, [self.said] if self.said else []), _saying(lost, refused)]
        row = quality.check("sweep_unlike", float(bool(self.said)), table, channel="response")
        return [_saying(row, [self.said] if self.said else [])]

    def modes(self, take: Take, *, wood: str, content: str, aside: str) -> list[tuple]:
        """Rows of the part table `modes`."""
        about = {"wood": wood, "content": content}
        if self.taps is not None and not self.said:
            return tap_modes(take, self.taps, aside=aside, **about)
        if self.decays is not None:
            return sweep_modes(take, self.decays, aside=aside, **about)
        said = f"{aside} ({self.said})" if aside and self.said else aside or self.said
        return no_modes(take, reason=said, **about)

    def sweeps(self, take: Take, *, aside: str) -> pd.DataFrame:
        """Rows of the part table `sweeps`."""
        if self.sweep is None:
            return pd.DataFrame(columns=SWEEP_COLUMNS)
        return sweep_rows(take.take, self.sweep, usable=not aside)

    def features(self, take: Take, *, study: Study, scale: LevelScale) -> list[FeatureValue]:
        """`sweep.*` of the take; levels at the bench's gain and brought to full drive."""
        if self.sweep is None:
            return []
        return list(
            sweep_feature_values(
                self.sweep,
                sensed=has_sensed_drive(study.settings),
                offset_db=scale.offset_db - take.gain_db - take.drive_db,
                unit=scale.unit,
            )
        )


def measure_ring(
    study: Study, take: Take, info: RecordingInfo, *, channels: Mapping[str, int]
) -> Ring | None:
    """The taps or the sweep of one take that can be read; None for every other kind.

    channels : name -> 0-based number in the file, "response" first.
    """
    shape = _shape(study) if take.kind == "sweep" else None
    if take.kind != "tap" and shape is None:
        return None
    if info.frames > LONGEST_S * info.rate_hz:
        return Ring(taps=[] if take.kind == "tap" else None, said=TOO_LONG)
    x = next(windows(study.path_of(take), start=0, frames_each=info.frames, count=1))
    x = x[list(channels.values())]
    if not all(map(is_sound, x)):
        return Ring(taps=[] if take.kind == "tap" else None, said="samples that are no numbers")
    if take.kind == "tap":
        return Ring(taps=taps_of(x[0], info.rate_hz, study))
    return _sweep(x, info.rate_hz, study, shape, tuple(channels))


def _shape(study: Study) -> SweepShape | None:
    """What was played, as study.toml says; None when it does not."""
    sweep = study.settings.sweep
    if not sweep.known:
        return None
    return SweepShape(sweep.lowest_hz, sweep.highest_hz, sweep.length_s)


def taps_of(x: np.ndarray, rate_hz: int, study: Study) -> list[Tap]:
    """The taps in the samples of a response, as study.toml has them looked for."""
    tap = study.settings.tap
    return measure_taps(
        x, rate_hz=rate_hz, lowest_hz=tap.lowest_hz, highest_hz=tap.highest_hz,
        most=tap.most_modes,
    )  # fmt: skip


def _sweep(
    x: np.ndarray, rate_hz: int, study: Study, shape: SweepShape, names: tuple[str, ...]
) -> Ring:
    tone, tap = study.settings.tone, study.settings.tap
    try:
        measured = measure_sweep(
            x, rate_hz=rate_hz, shape=shape, names=names,
            fundamental_hz=tone.fundamental_hz, harmonics=tone.harmonics,
        )  # fmt: skip
    except InputError as error:
        return Ring(said=" ".join(error.faults))
    low, high = mode_band(shape)
    decays = find_decays(
        rfft(measured.decay),
        n=len(measured.decay),
        rate_hz=rate_hz,
        lowest_hz=max(low, tap.lowest_hz),
        highest_hz=min(high, tap.highest_hz or high),
        most=tap.most_modes,
    )
    return Ring(sweep=measured, decays=decays)


def _saying(row: quality.Check, reasons: list[str]) -> quality.Check:
    """A check that carries its reasons where its limit's source would stand."""
    if row.verdict == "pass" or not reasons:
        return row
    return row._replace(source="; ".join(dict.fromkeys(reasons)))
