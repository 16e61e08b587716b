"""One sweep take as rows: its response order by order, its curve and its features.

`measure_sweep` takes the samples of one take; the part table `sweeps` keeps what it found, one
row an order and excitation frequency (24 an octave in the swept band, and the multiples of the
fundamental), the part table `curves` order 1 alone, 96 an octave, narrower than a mode of wood.
`sweep.*` and `curve.*` features come from order 1: relative to the drive channel where that
senses force or acceleration, otherwise as levels of the response as the sweep passes. The ratio
of the channels does not depend on how loud the sweep was or how it was faded; a level does.

Conventions: amplitudes are peak values re full scale, as in `signal.sweep_orders`; ratios and
uncertainties hold the noise of both channels.

Functions: measure_sweep, sweep_rows, curve_rows, sweep_feature_values,
curve_feature_values. Class: SweepMeasurement.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from studylib import tables
from studylib.measure.features import FeatureValue
from studylib.signal import sweep, sweep_orders
from studylib.signal.bands import band_means, third_octave_bands
from studylib.signal.harmonics import DB_PER_RATIO

SWEEP_COLUMNS = tables.TABLES["sweeps"].names
PER_OCTAVE = 24
CURVE_PER_OCTAVE = 96
MOST_BELOW = 0.05  # of a curve below the noise, for its features
LARGEST_CUT = 0.06  # of an amplitude, beyond a window: half a decibel
LARGEST_END = 0.12  # of an amplitude, after the end of the recording at worst: a decibel


@dataclass(frozen=True)
class SweepMeasurement:
    """What one sweep take gave: F excitation frequencies, C channels, "response" first.

    orders : signal.sweep_orders.Orders.  ends : (C, F) bound on what rings on after the
    recording, as a share of the amplitude.  is_multiple : (F,) k where the frequency is k times
    the fundamental, else 0.  decay : the response after its direct pulse,
    deconvolved by the nominal sweep, for finding modes (signal.sweep.free_decay).
    """

    names: tuple[str, ...]
    shape: sweep.SweepShape
    rate_hz: float
    orders: sweep_orders.Orders
    ends: np.ndarray
    is_multiple: np.ndarray
    decay: np.ndarray

    @property
    def has_drive(self) -> bool:
        """A drive channel was recorded."""
        return "drive" in self.names


def measure_sweep(
    x: np.ndarray,
    *,
    rate_hz: float,
    shape: sweep.SweepShape,
    names: Sequence[str],
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
    names = tuple(names)
    frequency, multiple = _frequencies(shape, fundamental_hz, harmonics)
    timing = names.index("drive") if "drive" in names else 0
    orders = sweep_orders.measure_orders(
        x, shape=shape, rate_hz=rate_hz, frequency_hz=frequency, timing=timing
    )
    decay, _ = sweep.free_decay(
        orders.spectrum,
        shape=shape,
        rate_hz=rate_hz,
        length=orders.length,
        start=orders.begins,
        frames=orders.held,
    )
    ends = sweep_orders.ends_too_soon(x, orders, shape=shape, rate_hz=rate_hz)
    return SweepMeasurement(names, shape, rate_hz, orders, ends, multiple, decay)


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


def _reasons(measured: SweepMeasurement, order: int) -> np.ndarray:
    """(F,) why a value of an order is not usable; "" where it is."""
    orders, low_high = measured.orders, sweep.usable_band(measured.shape)
    f, k = orders.frequency_hz, order - 1
    reason, soon = np.full(f.size, "", dtype=object), "sweeps.ends_too_soon"
    reason[~orders.present[k].all(axis=0)] = "takes.below_noise"
    reason[(orders.cut[k] > LARGEST_CUT).any(axis=0) & (reason == "")] = (
        soon if order == 1 else "sweeps.too_short"
    )
    if order == 1:
        reason[(measured.ends > LARGEST_END).any(axis=0) & (reason == "")] = soon
    reason[(f < low_high[0]) | (f > low_high[1])] = "sweeps.at_the_edge"
    return reason


def sweep_rows(take: str, measured: SweepMeasurement, *, usable: bool = True) -> pd.DataFrame:
    """The part table `sweeps` of one take (SWEEP_COLUMNS).

    Orders whose harmonic lies above what the recorder passes have no rows. `response_u`,
    `drive_u`: standard uncertainty of the real part. usable : the take as a whole.
    """
    orders, parts = measured.orders, []
    nothing = np.full(orders.frequency_hz.size, np.nan)
    for order in range(1, sweep.ORDERS + 1):
        amplitude, u = orders.amplitude[order - 1], orders.u[order - 1]
        drive = amplitude[1] if measured.has_drive else nothing + 1j * np.nan
        reason = _reasons(measured, order)
        part = pd.DataFrame(
            {
                "take": take, "order": order, "frequency_hz": orders.frequency_hz,
                "response_re": amplitude[0].real, "response_im": amplitude[0].imag,
                "drive_re": drive.real, "drive_im": drive.imag, "response_u": u[0],
                "drive_u": u[1] if measured.has_drive else nothing,
                "usable": usable & (reason == ""), "reason": reason,
            },
            columns=SWEEP_COLUMNS,
        )  # fmt: skip
        parts.append(part[np.isfinite(amplitude[0])])
    return pd.concat(parts, ignore_index=True)


def sweep_feature_values(
    measured: SweepMeasurement, *, sensed: bool, offset_db: float = 0.0, unit: str = "dB"
) -> Iterator[FeatureValue]:
    """`sweep.*` of one take.

    Parameters
    ----------
    sensed : the drive channel senses force or acceleration; responses are relative to it.
    offset_db, unit : bring dB re full scale to the study's levels (without a sensed drive).
    """
    sensed = sensed and measured.has_drive
    if sensed:
        yield from _at_multiples(measured)
    yield from _in_bands(measured, sensed=sensed, offset_db=offset_db, unit=unit)


def _at_multiples(measured: SweepMeasurement) -> Iterator[FeatureValue]:
    response, drive = measured.orders.amplitude[0]
    relative = _relative_u(measured.orders.u[0], measured.orders.amplitude[0])
    reasons = _reasons(measured, 1)
    for i in np.flatnonzero(measured.is_multiple):
        stem, ratio = f"sweep.k{measured.is_multiple[i]}", response[i] / drive[i]
        u, usable, reason = float(relative[i]), reasons[i] == "", str(reasons[i])
        db, deg = 20.0 * float(np.log10(abs(ratio))), float(np.degrees(np.angle(ratio)))
        yield FeatureValue(f"{stem}.response_db", db, "dB", DB_PER_RATIO * u, usable, reason)
        yield FeatureValue(f"{stem}.response_deg", deg, "deg", float(np.degrees(u)), usable, reason)


def curve_rows(
    take: str, measured: SweepMeasurement, *, sensed: bool, offset_db: float, usable: bool = True
) -> pd.DataFrame:
    """The part table `curves` of one take: its response in dB within the usable band, at the same
    frequencies whatever the sweep.

    sensed, offset_db : as in `sweep_feature_values`.  usable : the take as a whole.
    """
    orders, (low, high) = measured.orders, np.log2(sweep.usable_band(measured.shape))
    step = np.arange(np.ceil(CURVE_PER_OCTAVE * low), np.floor(CURVE_PER_OCTAVE * high) + 1)
    grid, count = 2.0 ** (step / CURVE_PER_OCTAVE), 1 + (sensed and measured.has_drive)
    fine, u = orders.fine[:count], orders.fine_u[:count]
    levels = [np.interp(grid, orders.fine_hz, 20.0 * np.log10(np.abs(one))) for one in fine]
    relative = np.interp(grid, orders.fine_hz, _relative_u(np.array(u), np.array(fine)))
    log_f = np.log(orders.frequency_hz)
    nearest = np.searchsorted((log_f[1:] + log_f[:-1]) / 2.0, np.log(grid))
    reason = _reasons(measured, 1)[nearest]
    level = levels[0] - levels[1] if count > 1 else levels[0] + offset_db
    return pd.DataFrame(
        {
            "take": take, "frequency_hz": grid, "level_db": level, "u_db": DB_PER_RATIO * relative,
            "usable": usable & (reason == ""), "reason": reason,
        },
        columns=tables.TABLES["curves"].names,
    )  # fmt: skip


def curve_feature_values(
    curve: pd.DataFrame, *, low_hz: float, high_hz: float, sensed: bool
) -> Iterator[FeatureValue]:
    """`curve.*` of one take, from its rows of `curves` between two frequencies.

    sensed : levels are relative to the drive channel. The mean is taken over the logarithm of
    frequency; the notch is counted below a straight line fitted through all, and the line's slope
    is per octave. What rings on after the recording counts with the value that it has.
    """
    own = curve[curve["frequency_hz"].between(low_hz * (1 - 1e-9), high_hz * (1 + 1e-9))]
    octave, level, u = (
        np.log2(own["frequency_hz"].to_numpy()),
        *own[["level_db", "u_db"]].to_numpy().T,
    )
    beyond = own.empty or octave.size < CURVE_PER_OCTAVE * np.log2(high_hz / low_hz) - 1.0
    noisy = not beyond and np.mean(own["reason"] == "takes.below_noise") > MOST_BELOW
    reason = "sweeps.band_beyond" if beyond else "takes.below_noise" if noisy else ""
    values = np.full((3, 2), np.nan)
    if not reason:
        slope, start = np.polyfit(octave, level, 1)
        below, u_mean = start + slope * octave - level, np.sqrt(np.mean(u**2) / u.size)
        deepest = np.argmax(below)
        values = [
            (level.mean(), u_mean),
            (slope, u_mean / np.std(octave)),
            (below[deepest], u[deepest]),
        ]
    names = ("response" if sensed else "level", "slope", "notch")
    for name, (value, own_u) in zip(names, values, strict=True):
        yield FeatureValue(f"curve.{name}_db", float(value), "dB", float(own_u), not reason, reason)


def _relative_u(u: np.ndarray, amplitude: np.ndarray) -> np.ndarray:
    """Of a ratio of the two channels, or of one channel alone: relative standard uncertainty."""
    return np.sqrt(((u / np.abs(amplitude)) ** 2).sum(axis=0))


def _in_bands(
    measured: SweepMeasurement, *, sensed: bool, offset_db: float, unit: str
) -> Iterator[FeatureValue]:
    """Power means over third octaves that lie wholly within the usable band."""
    orders, bands = measured.orders, third_octave_bands(*sweep.usable_band(measured.shape))
    values, u = (orders.fine, orders.fine_u) if sensed else (orders.fine[:1], orders.fine_u[:1])
    power = np.abs(values[0]) ** 2 / (np.abs(values[1]) ** 2 if sensed else 1.0)
    share = _relative_u(u, values)
    means = band_means(orders.fine_hz, power, bands)
    # What noise adds to a squared magnitude on average: twice the variance of one part.
    noise = band_means(orders.fine_hz, 2.0 * power * (u[0] / np.abs(values[0])) ** 2, bands)
    spread = band_means(orders.fine_hz, (power * share) ** 2 * orders.fine_apart_hz, bands)
    reasons, name = _reasons(measured, 1), "response_db" if sensed else "level_db"
    for band, mean, extra, variance in zip(bands, means, noise, spread, strict=True):
        inside = (orders.frequency_hz >= band.low_hz) & (orders.frequency_hz < band.high_hz)
        below = mean < 2.0 * extra
        rings_on = np.mean(reasons[inside] == "sweeps.ends_too_soon") > 0.5
        reason = "sweeps.ends_too_soon" if rings_on else "takes.below_noise" if below else ""
        level = mean if reason == "takes.below_noise" else mean - extra
        u_db = DB_PER_RATIO * float(np.sqrt(variance / (band.high_hz - band.low_hz))) / level
        yield FeatureValue(
            f"sweep.band{band.nominal}.{name}",
            10.0 * float(np.log10(level)) + (0.0 if sensed else offset_db),
            "dB" if sensed else unit,
            u_db,
            reason == "",
            reason,
        )
