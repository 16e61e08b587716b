"""What every take holds at the multiples of the tone: complex amplitudes for the attribution.

One row a take and multiple k of the fundamental. A take at the fundamental gives all its
harmonics, a probe tone its own frequency alone, a sweep its Fourier sums, a room or idle take the
lines that stand out of its noise there. A take that is set aside keeps its rows, not usable.

Conventions: peak amplitudes re full scale, at the bench's gain; phases relative to k times the
phase of the response's fundamental (a sweep's are absolute: only its ratio of channels counts).
`response_u`, `drive_u`: standard uncertainty of the real part from the take's noise; in a sweep,
the bound on what rang on after its end; in a room take, what its noise would give a tone of the
analysed length. `offset_db` brings dB re full scale to `unit`. `off_cents`, `off_u_cents`: how far
the response's partial lies from the multiple of the take's own tone, where it stands out of the
noise. A partial off its multiple, two that beat, and a level that drifts away are not usable.

Functions: harmonic_rows, tone_multiple.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import repeat

import numpy as np

from studylib.measure.take import LevelScale, LineSums, TakeMeasurement
from studylib.sheets import Take
from studylib.sheets.settings import Settings
from studylib.signal.noise import room_lines
from studylib.signal.tone import ToneFit

FULL_SCALE_DB = -0.01  # a peak above this has touched the recorder's limit
STEADY = ("tone", "driver", "airborne", "loopback")
NEAR = 0.01  # a tone within 1 % of k times the fundamental is meant as that multiple


def tone_multiple(tone_hz: float | None, *, fundamental_hz: float) -> int | None:
    """k where the tone is k times the fundamental within 1 %, else None."""
    if tone_hz is None:
        return None
    k = round(tone_hz / fundamental_hz)
    return k if k >= 1 and abs(tone_hz / fundamental_hz / k - 1) < NEAR else None


def harmonic_rows(
    take: Take,
    measured: TakeMeasurement,
    *,
    settings: Settings,
    scale: LevelScale,
    usable: bool,
) -> Iterator[tuple]:
    """Rows of the table `harmonics` of one take; none for kinds that tell nothing there."""
    if take.support != "bench":
        return
    tone = settings.tone
    if take.kind in STEADY and measured.fit is not None:
        k = tone_multiple(take.tone_hz, fundamental_hz=tone.fundamental_hz)
        if k is None:
            return
        found = _of_fit(measured.fit, measured.names, k)
    elif take.kind == "sweep" and measured.lines is not None and "drive" in measured.names:
        found = _of_sweep(measured.lines, measured.names)
        # A resonance clips a sweep for a few samples, which the check for clipping lets pass.
        usable = usable and not any(
            row.check == "peak" and row.value > FULL_SCALE_DB for row in measured.checks
        )
    elif take.kind in ("room", "idle") and measured.density is not None:
        found = _of_room(measured, tone.fundamental_hz, tone.harmonics, tone.length_s)
    else:
        return
    gain = 10.0 ** (-take.gain_db / 20.0)
    response, drive = found.response * gain, found.drive * gain
    yield from zip(
        repeat(take.take),
        found.multiple.tolist(),
        found.frequency_hz.tolist(),
        repeat(found.seconds),
        response.real.tolist(),
        response.imag.tolist(),
        (found.u_response * gain).tolist(),
        drive.real.tolist(),
        drive.imag.tolist(),
        (found.u_drive * gain).tolist(),
        repeat(found.dof),
        repeat(scale.offset_db),
        repeat(scale.unit),
        (usable & found.settled).tolist(),
        found.off_cents.tolist(),
        found.off_u_cents.tolist(),
    )


@dataclass(frozen=True)
class _Found:
    """One take at the multiples it tells of: arrays (rows,), amplitudes complex, re full scale."""

    multiple: np.ndarray
    frequency_hz: np.ndarray
    seconds: float
    response: np.ndarray
    u_response: np.ndarray
    drive: np.ndarray
    u_drive: np.ndarray
    dof: int
    settled: np.ndarray
    off_cents: np.ndarray
    off_u_cents: np.ndarray


def _of_fit(fit: ToneFit, names: tuple[str, ...], multiple: int) -> _Found:
    """All harmonics of a take at the fundamental; the tone alone of a probe tone."""
    k = np.arange(1, (fit.amplitude.shape[1] if multiple == 1 else 1) + 1)
    nothing = np.full(k.size, np.nan)
    drive = names.index("drive") if "drive" in names else None
    cents, u_cents = fit.partials.cents(fit.frequency_hz)
    return _Found(
        multiple * k,
        fit.frequency_hz * k,
        fit.seconds,
        fit.amplitude[0, : k.size],
        fit.u_amplitude[0, : k.size],
        nothing + 0j if drive is None else fit.amplitude[drive, : k.size],
        nothing if drive is None else fit.u_amplitude[drive, : k.size],
        fit.dof,
        ~fit.partials.no_level[:, : k.size].any(axis=0),
        cents[0, : k.size],
        u_cents[0, : k.size],
    )


def _of_sweep(lines: LineSums, names: tuple[str, ...]) -> _Found:
    drive = names.index("drive")
    k = np.arange(1, lines.frequency_hz.size + 1)
    untold = np.full(k.size, np.nan)
    return _Found(
        k, lines.frequency_hz, lines.seconds, lines.value[0], lines.missing[0],
        lines.value[drive], lines.missing[drive], 0, k > 0, untold, untold,
    )  # fmt: skip


def _of_room(
    measured: TakeMeasurement, fundamental_hz: float, harmonics: int, length_s: float
) -> _Found:
    found = room_lines(
        measured.density,
        step_hz=measured.step_hz,
        frequencies_hz=fundamental_hz * np.arange(1, harmonics + 1),
        within_hz=1.5 / length_s,
    )
    frequency, amplitude, density = np.array(found, dtype=float).reshape(-1, 3).T
    nothing = np.full(frequency.size, np.nan)
    return _Found(
        np.arange(1, frequency.size + 1), frequency, length_s, amplitude + 0j,
        np.sqrt(density / length_s), nothing + 0j, nothing, 0, frequency > 0, nothing, nothing,
    )  # fmt: skip
