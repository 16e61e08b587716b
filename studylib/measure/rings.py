"""What a take that rings gives, tap or sweep: measured once, checked, and put into rows.

Taps and sweeps are analysed as a whole, over the response channel from the first sample to the
last; a sweep only when its shape is written down in study.toml ([sweep]). Rows are made after
the take has been judged, so that one set aside keeps its rows and carries its reason.

One row a mode; a tap that was refused, or a take without any, is one row without numbers and with
its reason, so that nothing that was recorded goes missing. Numbers of modes come later, over the
whole study (`modes.numbers`).

Conventions: levels in dB re a full-scale sine at the bench's gain, at the start of the ring that
was analysed (for the eye: twice the mean square of a block). A mode's uncertainties are the
estimator's, for this one ring.

Functions: measure_ring, taps_of, tap_view, first_tap. Classes: Ring, TapView.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.fft import rfft

from studylib import codes, errors, recordings, sheets, tables
from studylib.measure.features import FeatureValue
from studylib.measure.sweep_rows import (
    SweepMeasurement,
    curve_feature_values,
    curve_rows,
    measure_sweep,
    sweep_feature_values,
)
from studylib.measure.take import LevelScale, step_of
from studylib.signal import gain_moves, harmonics, quality, samples
from studylib.signal.decays import Decays, find_decays
from studylib.signal.sweep import SweepShape, mode_band, usable_band
from studylib.signal.tap import Room, Tap, measure_taps, ring_through_air

LONGEST_S = 120.0
BLOCK_S = 0.004  # of a level for the eye
_BLANK = (*(np.nan,) * 7, False)
_NO_ROOM = (np.nan,) * 3


@dataclass(frozen=True)
class Ring:
    """What one take gave. taps : of a tap take.  gain : its `gate_db` and `recovery_db`.
    sweep, decays, room : of a sweep.  reason : a note of why there is neither; "" when there is."""

    taps: list[Tap] | None = None
    sweep: SweepMeasurement | None = None
    decays: Decays | None = None
    reason: str = ""
    room: Room | None = None
    gain: tuple[float | None, float | None] = (None, None)

    def checks(self, table: Mapping[str, quality.Entry]) -> list[quality.Check]:
        """What the ring itself says about the take's fitness."""
        refused = [tap.reason for tap in self.taps or () if tap.decays is None]
        found = (
            (("sweep_unlike", float(bool(self.reason)), [self.reason]),)
            if self.taps is None
            else (
                ("taps", len(self.taps) - len(refused), [self.reason]),
                ("taps_refused", len(refused), refused),
            )
        )
        return [
            *(
                _with_reasons(quality.check(name, count, table, channel="response"), reasons)
                for name, count, reasons in found
            ),
            *quality.gain_checks(*self.gain, table),
        ]

    def modes(self, take: sheets.Take, *, wood: str, content: str, aside: str) -> list[tuple]:
        """Rows of the part table `modes`: all its columns but the number of the mode.

        content : a mark of the recording's content.  aside : why the take is set aside, or "".
        Modes of a sweep are those of the board with the driver on it, as in a tap on the bench;
        their levels are brought to full drive, their `tap` is 0.
        """
        head = (
            take.take, take.batch, take.kind, take.specimen, wood, take.mount, take.repeat,
            take.support or "bench",
        )  # fmt: skip
        swept = self.decays is not None
        offset_db = -take.gain_db - (take.drive_db or 0.0) * swept
        rings = [(number, tap) for number, tap in enumerate(self.taps or [], start=1)]
        rings += [(0, Tap(0.0, 0.0, self.decays, room=self.room))] if swept else []
        rows = []
        for number, tap in rings:
            signs = codes.several(codes.note("modes.sign", **sign._asdict()) for sign in tap.signs)
            found = (
                [(_BLANK, np.nan, aside or tap.reason)]
                if tap.decays is None
                else [(*one, aside) for one in _of_decays(tap.decays, offset_db)]
            )
            for i, (values, place_u, why) in enumerate(found):
                told = "" if i else signs  # once
                beside = (not why, why, take.place, place_u, *_room(tap.room), told, content)
                rows.append((*head, number, *values, *beside))
        reason = codes.several([aside, self.reason])
        reason = reason or ("taps.no_modes" if swept else "taps.no_tap")
        blank = (*_BLANK, False, reason, take.place, np.nan, *_NO_ROOM, "", content)
        return rows or [(*head, 0, *blank)]

    def curve(
        self, take: sheets.Take, *, study: sheets.Study, scale: LevelScale, aside: str
    ) -> pd.DataFrame:
        """Rows of the part table `curves`; levels at the bench's gain and brought to full drive."""
        if self.sweep is None:
            return tables.empty("curves")
        return curve_rows(
            take.take, self.sweep, usable=not aside, sensed=self._sensed(study),
            offset_db=scale.offset_db - take.gain_db - take.drive_db,
        )  # fmt: skip

    def features(
        self, curve: pd.DataFrame, *, study: sheets.Study, scale: LevelScale
    ) -> list[FeatureValue]:
        """`sweep.*` and `curve.*` of the take, from its `curve`."""
        if self.sweep is None:
            return []
        sensed, band = self._sensed(study), study.settings.curve
        low, high = usable_band(self.sweep.shape)
        return [
            *(sweep_feature_values(self.sweep) if sensed else ()),
            *curve_feature_values(
                curve, sensed=sensed, unit=scale.unit,
                low_hz=band.lowest_hz or low, high_hz=band.highest_hz or high,
            ),
        ]  # fmt: skip

    def _sensed(self, study: sheets.Study) -> bool:
        """Levels are relative to a drive channel that senses force or acceleration."""
        return study.settings.channels.sensed and "drive" in self.sweep.names


def measure_ring(
    study: sheets.Study,
    take: sheets.Take,
    info: recordings.RecordingInfo,
    *,
    channels: Mapping[str, int],
) -> Ring | None:
    """The taps or the sweep of one take that can be read; None for every other kind.

    channels : name -> 0-based number in the file, "response" first.
    """
    sweep, shape = study.settings.sweep, None
    if take.kind == "sweep" and sweep.known:
        shape = SweepShape(sweep.lowest_hz, sweep.highest_hz, sweep.length_s)
    if take.kind != "tap" and shape is None:
        return None
    nothing = [] if take.kind == "tap" else None
    if info.frames > LONGEST_S * info.rate_hz:
        return Ring(taps=nothing, reason=codes.note("taps.too_long", limit_s=LONGEST_S))
    whole = recordings.read_window(study.path_of(take), start=0, frames=info.frames)
    x = whole[list(channels.values())]
    if not all(map(samples.is_sound, x)):
        return Ring(taps=nothing, reason="taps.not_numbers")
    if take.kind != "tap":
        return _sweep(x, info.rate_hz, study, shape, tuple(channels))
    floors = gain_moves.noise_floors(
        x[0], rate_hz=info.rate_hz, step=samples.smallest_step(x[0], step_of(info))
    )
    return Ring(
        taps=taps_of(x[0], info.rate_hz, study),
        gain=(gain_moves.gate_db(*floors), gain_moves.recovery_db(*floors)),
    )


def taps_of(x: np.ndarray, rate_hz: int, study: sheets.Study) -> list[Tap]:
    """The taps in the samples of a response, as study.toml has them looked for."""
    tap = study.settings.tap
    return measure_taps(
        x, rate_hz=rate_hz, lowest_hz=tap.lowest_hz, highest_hz=tap.highest_hz,
        most=tap.most_modes, through_air=_through_air(study),
    )  # fmt: skip


def _sweep(
    x: np.ndarray, rate_hz: int, study: sheets.Study, shape: SweepShape, names: tuple[str, ...]
) -> Ring:
    tone, tap = study.settings.tone, study.settings.tap
    try:
        measured = measure_sweep(
            x, rate_hz=rate_hz, shape=shape, names=names,
            fundamental_hz=tone.fundamental_hz, harmonics=tone.harmonics,
        )  # fmt: skip
    except errors.InputError as error:
        return Ring(reason=codes.several(error.notes))
    low, high = mode_band(shape)
    band = {
        "rate_hz": rate_hz, "lowest_hz": max(low, tap.lowest_hz),
        "highest_hz": min(high, tap.highest_hz or high), "most": tap.most_modes,
    }  # fmt: skip
    if _through_air(study):
        decays, room = ring_through_air(measured.decay, **band)
    else:
        decays, room = find_decays(rfft(measured.decay), n=len(measured.decay), **band), None
    return Ring(sweep=measured, decays=decays, room=room)


def _through_air(study: sheets.Study) -> bool:
    """A microphone hears the room with the board; a sensor on the board does not."""
    return study.settings.channels.response_kind == "microphone"


def _with_reasons(row: quality.Check, reasons: list[str]) -> quality.Check:
    """A check that carries its reasons where its limit's source would stand."""
    why = codes.several(reasons)
    return row._replace(source=why) if why and row.verdict != "pass" else row


def _room(room: Room | None) -> tuple[float, float, float]:
    """Decay time in s, its standard uncertainty, and the level of the direct sound above it."""
    return (
        (room.decay_time_s, room.u_relative * room.decay_time_s, room.ratio_db)
        if room is not None
        else _NO_ROOM
    )


def _of_decays(decays: Decays, offset_db: float) -> Iterator[tuple[tuple, float]]:
    """The columns of each mode from frequency_hz to close, and the room's part of its loss."""
    shared = np.zeros(len(decays.frequency_hz)) if decays.u_place is None else decays.u_place
    for i, frequency in enumerate(decays.frequency_hz):
        amplitude = decays.amplitude[i]
        yield (
            float(frequency), float(decays.u_frequency_hz[i]),
            float(decays.loss_factor[i]), float(decays.u_loss_factor[i]),
            20.0 * float(np.log10(amplitude)) + offset_db,
            harmonics.DB_PER_RATIO * float(decays.u_amplitude[i] / amplitude),
            float(decays.snr_db[i]), bool(decays.close[i]),
        ), float(shared[i])  # fmt: skip


@dataclass(frozen=True)
class TapView:
    """A take. time_s, level_db : arrays, one value a block.  taps : in order."""

    take: str
    time_s: np.ndarray
    level_db: np.ndarray
    taps: tuple[Tap, ...]


def tap_view(study: sheets.Study, take: sheets.Take) -> TapView:
    """Read a tap take and measure it again, as the batch does.

    Raises
    ------
    InputError : the recording cannot be read.
    """
    path, channel = study.path_of(take), study.settings.channels.response - 1
    info = recordings.probe(path)
    x = recordings.read_window(path, start=0, frames=info.frames)[channel]
    block = max(1, round(BLOCK_S * info.rate_hz))
    count = len(x) // block
    level = 10.0 * np.log10(
        np.maximum(2.0 * np.square(x[: count * block]).reshape(count, block).mean(axis=1), 1e-20)
    )
    return TapView(
        take.take,
        (np.arange(count) + 0.5) * block / info.rate_hz,
        level,
        tuple(taps_of(x, info.rate_hz, study)),
    )


def first_tap(study: sheets.Study, batch: str, modes: pd.DataFrame | None = None) -> TapView | None:
    """The batch's first tap take of a board on the bench that can be read; None without one.

    modes : the table `modes` of the batch; where it is given, takes with a refused tap come first,
        so that the picture shows what a refusal rests on.
    """
    taps = [t for t in study.takes_of(batch) if t.kind == "tap" and not t.exclude]
    refused = set() if modes is None else set(modes.loc[~modes["usable"].astype(bool), "take"])
    for take in sorted(taps, key=lambda t: (t.take not in refused, t.support != "bench")):
        try:
            return tap_view(study, take)
        except errors.InputError:
            continue  # the quality table says why
    return None
