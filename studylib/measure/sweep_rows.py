"""One sweep take as rows: its curve over frequency and its features.

`measure_sweep` takes the samples of one take; the part table `curves` keeps its response, 96
frequencies an octave, narrower than a mode of wood. What speaks against a value is looked at 24
times an octave and at the multiples of the fundamental. `sweep.*` and `curve.*` features are
relative to the drive channel where that senses force or acceleration, otherwise levels of the
response as the sweep passes. The ratio of the channels does not depend on how loud the sweep was or
how it was faded; a level does.

Conventions: amplitudes are peak values re full scale, as in `signal.sweep_response`; ratios and
uncertainties hold the noise of both channels.

A mode of loss factor eta falls by e^-1 in 1 / (pi f eta) s after the sweep has passed it. At the
end of the recording that level counts against all frequencies near by, so that the mode's skirts
are refused for longest. `SKIRT` below its peak they stay within `LARGEST_END` once ln(SKIRT /
LARGEST_END) of that time is over: with the lowest loss of wood 282 cycles. The sweep goes on
meanwhile, L ln(f2/f) s, and then the silence.

Functions: measure_sweep, curve_rows, sweep_feature_values, curve_feature_values, resolved.
Class: SweepMeasurement.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import tables
from studylib.measure.features import FeatureValue
from studylib.signal import bands, line_sums, stimuli, sweep, sweep_response
from studylib.signal.harmonics import DB_PER_RATIO

PER_OCTAVE = 24
CURVE_PER_OCTAVE = 96
MOST_BELOW, MOST_RINGING = 0.05, 0.5  # of a stretch of a curve, for its features
LARGEST_CUT = 0.06  # of an amplitude, beyond a window: half a decibel
LARGEST_END = 0.12  # of an amplitude, after the end of the recording at worst: a decibel
SKIRT = 10.0  # as a ratio: 20 dB
CYCLES = float(np.log(SKIRT / LARGEST_END)) / (np.pi * line_sums.LOWEST_LOSS_FACTOR)


@dataclass(frozen=True)
class SweepMeasurement:
    """What one sweep take gave: F frequencies, C channels, "response" first.

    response : signal.sweep_response.Response.  ends : (C, F) bound on what rings on after the
    recording, as a share of the amplitude.  is_multiple : (F,) k where the frequency is k times
    the fundamental, else 0.  decay : the response after its direct pulse,
    deconvolved by the nominal sweep, for finding modes (signal.sweep.free_decay).
    """

    names: tuple[str, ...]
    shape: sweep.SweepShape
    response: sweep_response.Response
    ends: np.ndarray
    is_multiple: np.ndarray
    decay: np.ndarray


def measure_sweep(
    x: np.ndarray,
    *,
    rate_hz: float,
    shape: sweep.SweepShape,
    names: tuple[str, ...],
    fundamental_hz: float,
    harmonics: int,
) -> SweepMeasurement:
    """Measure the samples of one sweep take.

    Parameters
    ----------
    x : (C, n) samples of the whole take.  names : of the channels, "response" first, then
        "drive" where there is one.
    shape : the sweep that was played.

    Raises
    ------
    InputError : no such sweep in the recording, or it is cut off (one sentence).
    """
    frequency, multiple = _frequencies(shape, fundamental_hz, harmonics)
    response = sweep_response.measure_response(
        x, shape=shape, rate_hz=rate_hz, frequency_hz=frequency,
        timing=names.index("drive") if "drive" in names else 0,
    )  # fmt: skip
    decay, _ = sweep.free_decay(
        response.spectrum,
        shape=shape,
        rate_hz=rate_hz,
        length=response.length,
        start=response.begins,
        frames=response.held,
    )
    ends = sweep_response.ends_too_soon(x, response, shape=shape, rate_hz=rate_hz)
    return SweepMeasurement(names, shape, response, ends, multiple, decay)


def _frequencies(
    shape: sweep.SweepShape, fundamental_hz: float, harmonics: int
) -> tuple[np.ndarray, np.ndarray]:
    """Excitation frequencies, rising, and which multiple of the fundamental each is (0: none)."""
    count = int(PER_OCTAVE * np.log2(shape.highest_hz / shape.lowest_hz) + 1e-9)
    grid = shape.lowest_hz * 2.0 ** (np.arange(count + 1) / PER_OCTAVE)
    k = np.arange(1, harmonics + 1)
    k = k[(k * fundamental_hz >= shape.lowest_hz) & (k * fundamental_hz <= shape.highest_hz)]
    multiples = k * fundamental_hz
    grid = grid[~np.isclose(grid[:, None], multiples, rtol=1e-6, atol=0).any(axis=1)]
    both = np.concatenate([grid, multiples])
    place = np.argsort(both)
    return both[place], np.concatenate([np.zeros(grid.size, int), k])[place]


def _reasons(measured: SweepMeasurement) -> np.ndarray:
    """(F,) why a value is not usable; "" where it is."""
    found, (low, high) = measured.response, sweep.usable_band(measured.shape)
    soon = (found.cut > LARGEST_CUT) | (measured.ends > LARGEST_END)
    reasons = {
        "sweeps.at_the_edge": (found.frequency_hz < low) | (found.frequency_hz > high),
        "takes.below_noise": ~found.present.all(axis=0),
        "sweeps.ends_too_soon": soon.any(axis=0),
    }
    return np.select([*reasons.values()], [*reasons], default="").astype(object)


def sweep_feature_values(measured: SweepMeasurement) -> Iterator[FeatureValue]:
    """`sweep.k*` of one take with a sensed drive: its response at each multiple of the tone."""
    response, drive = measured.response.amplitude
    relative = _relative_u(measured.response.u, measured.response.amplitude)
    reasons = _reasons(measured)
    for i in np.flatnonzero(measured.is_multiple):
        stem, ratio = f"sweep.k{measured.is_multiple[i]}", response[i] / drive[i]
        u, reason = float(relative[i]), str(reasons[i])
        db, deg = 20.0 * float(np.log10(abs(ratio))), float(np.degrees(np.angle(ratio)))
        yield FeatureValue(f"{stem}.response_db", db, DB_PER_RATIO * u, "dB", reason)
        yield FeatureValue(f"{stem}.response_deg", deg, float(np.degrees(u)), "deg", reason)


def curve_rows(
    take: str, measured: SweepMeasurement, *, sensed: bool, offset_db: float, usable: bool = True
) -> pd.DataFrame:
    """The part table `curves` of one take: its response in dB within the usable band, at the same
    frequencies whatever the sweep. Most of what a study's tables hold are these rows: digits beyond
    a millionth of a decibel are left out.

    Parameters
    ----------
    sensed : levels are relative to the drive channel, which senses force or acceleration.
    offset_db : brings dB re full scale to the study's levels, without a sensed drive.
    usable : the take as a whole.
    """
    found, (low, high) = measured.response, np.log2(sweep.usable_band(measured.shape))
    step = np.arange(np.ceil(CURVE_PER_OCTAVE * low), np.floor(CURVE_PER_OCTAVE * high) + 1)
    grid, count = 2.0 ** (step / CURVE_PER_OCTAVE), 1 + sensed
    fine, u = found.fine[:count], found.fine_u[:count]
    levels = [np.interp(grid, found.fine_hz, 20.0 * np.log10(np.abs(one))) for one in fine]
    relative = np.interp(grid, found.fine_hz, _relative_u(np.array(u), np.array(fine)))
    log_f = np.log(found.frequency_hz)
    nearest = np.searchsorted((log_f[1:] + log_f[:-1]) / 2.0, np.log(grid))
    reason = _reasons(measured)[nearest]
    level = levels[0] - levels[1] if count > 1 else levels[0] + offset_db
    return pd.DataFrame(
        {
            "take": take, "frequency_hz": grid, "level_db": level, "u_db": DB_PER_RATIO * relative,
            "usable": usable & (reason == ""), "reason": reason,
        },
        columns=tables.TABLES["curves"].names,
    ).round({"level_db": 6, "u_db": 6})  # fmt: skip


def curve_feature_values(
    curve: pd.DataFrame, *, low_hz: float, high_hz: float, sensed: bool, unit: str = "dB"
) -> Iterator[FeatureValue]:
    """`curve.*` and the third octaves `sweep.band*` of one take, from its rows of `curves`.

    Parameters
    ----------
    low_hz, high_hz : the band of `curve.*`.
    sensed : levels are relative to the drive channel; without it they have this unit.

    Levels are means over the logarithm of frequency; the notch is counted below a straight line
    fitted through all, and the line's slope is per octave. What rings on after the recording counts
    with the value that it has.
    """
    name, unit = ("response_db", "dB") if sensed else ("level_db", unit)
    columns = [curve[name].to_numpy() for name in ("frequency_hz", "level_db", "u_db", "reason")]
    for band in bands.third_octave_bands(columns[0].min(), columns[0].max()):
        octave, level, u, reason = _between(columns, band.low_hz, band.high_hz)
        found = (level.mean(), _u_mean(u)) if octave.size else (np.nan, np.nan)
        yield FeatureValue(f"sweep.band{band.nominal}.{name}", *map(float, found), unit, reason)
    octave, level, u, reason = _between(columns, low_hz, high_hz)
    values = [(np.nan, np.nan)] * 3
    if octave.size >= CURVE_PER_OCTAVE * np.log2(high_hz / low_hz) - 1.0 and octave.size > 1:
        slope, start = np.polyfit(octave, level, 1)
        below, u_mean = start + slope * octave - level, _u_mean(u)
        deepest = np.argmax(below)
        values = [
            (level.mean(), u_mean), (slope, u_mean / np.std(octave)), (below[deepest], u[deepest])
        ]  # fmt: skip
    else:
        reason = "sweeps.band_beyond"
    units = {name: unit, "slope_db": "dB", "notch_db": "dB"}
    for (end, own), found in zip(units.items(), values, strict=True):
        yield FeatureValue(f"curve.{end}", *map(float, found), own, reason)


def _between(columns: list[np.ndarray], low_hz: float, high_hz: float) -> tuple:
    """Octaves, levels and their uncertainties between two frequencies, and why not to use them.

    columns : frequency, level, its uncertainty, and reason of a curve's rows.
    """
    hz = columns[0]
    inside = (hz >= low_hz * (1 - 1e-9)) & (hz <= high_hz * (1 + 1e-9))
    own, level, u, why = (column[inside] for column in columns)
    most = {"takes.below_noise": MOST_BELOW, "sweeps.ends_too_soon": MOST_RINGING}
    reasons = [code for code, share in most.items() if np.sum(why == code) > share * own.size]
    return np.log2(own), level, u, (*reasons, "")[0]


def _u_mean(u: np.ndarray) -> float:
    return float(np.sqrt(np.mean(u**2) / u.size))


def _relative_u(u: np.ndarray, amplitude: np.ndarray) -> np.ndarray:
    """Of a ratio of the two channels, or of one channel alone: relative standard uncertainty."""
    return np.sqrt(((u / np.abs(amplitude)) ** 2).sum(axis=0))


def resolved(lowest_hz: float, highest_hz: float, seconds: float) -> tuple[float, float]:
    """From which frequency on a sweep and its silence let every mode of wood ring out, in Hz, and
    how long a sweep would do so from its lowest frequency on, in s.

    Modes so low that they ring for longer than any window (`sweep.LONGEST_S`) are left out.
    """
    f = np.geomspace(max(lowest_hz, CYCLES / sweep.LONGEST_S), highest_hz, 500)[:-1]
    to_come = np.log(highest_hz / f) / np.log(highest_hz / lowest_hz)
    needed = (CYCLES / f - stimuli.SILENCE_AFTER_S) / to_come
    return float(max(f[needed > seconds], default=f[0])), float(needed.max())
