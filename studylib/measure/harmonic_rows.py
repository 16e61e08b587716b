"""What every take holds at the multiples of the tone: complex amplitudes for the attribution.

One row a take and multiple k of the fundamental. A take at the fundamental gives all its
harmonics, a probe tone its own frequency alone, a sweep its Fourier sums, a room take the lines
that stand out of its noise there. A take that is set aside keeps its rows, not usable.

Conventions: peak amplitudes re full scale, at the bench's gain; phases relative to k times the
phase of the response's fundamental (a sweep's are absolute: only its ratio of channels counts).
`response_u`, `drive_u`: standard uncertainty of the real part from the take's noise; in a sweep,
the bound on what rang on after its end; in a room take, what its noise would give a tone of the
analysed length. `offset_db` brings dB re full scale to `unit`.

Functions: harmonic_rows, tone_multiple.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from studylib.measure.calibration import LevelScale
from studylib.measure.take import LineSums, TakeMeasurement
from studylib.sheets import Take
from studylib.sheets.settings import Settings
from studylib.signal.noise import room_lines
from studylib.signal.tone import ToneFit

HARMONIC_COLUMNS = [
    "take", "harmonic", "frequency_hz", "seconds", "response_re", "response_im", "response_u",
    "drive_re", "drive_im", "drive_u", "dof", "offset_db", "unit", "usable",
]  # fmt: skip
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
    """Rows (HARMONIC_COLUMNS) of one take; none for kinds that tell nothing at the multiples."""
    if take.support != "bench":
        return
    tone = settings.tone
    if take.kind in STEADY and measured.fit is not None:
        k = tone_multiple(take.tone_hz, fundamental_hz=tone.fundamental_hz)
        found = _of_fit(measured.fit, measured.names, k) if k else ()
    elif take.kind == "sweep" and measured.lines is not None and "drive" in measured.names:
        found = _of_sweep(measured.lines, measured.names)
        # A resonance clips a sweep for a few samples, which the check for clipping lets pass.
        usable = usable and not _at_full_scale(measured)
    elif take.kind == "room" and measured.density is not None:
        found = _of_room(measured, tone.fundamental_hz, tone.harmonics, tone.length_s)
    else:
        return
    gain = 10.0 ** (-take.gain_db / 20.0)
    for k, frequency, seconds, response, u_response, drive, u_drive, dof in found:
        yield (
            take.take, k, frequency, seconds,
            response.real * gain, response.imag * gain, u_response * gain,
            drive.real * gain, drive.imag * gain, u_drive * gain,
            dof, scale.offset_db, scale.unit, usable,
        )  # fmt: skip


def _at_full_scale(measured: TakeMeasurement) -> bool:
    return any(row.check == "peak" and row.value > FULL_SCALE_DB for row in measured.checks)


def _of_fit(fit: ToneFit, names: tuple[str, ...], multiple: int) -> Iterator[tuple]:
    """All harmonics of a take at the fundamental; the tone alone of a probe tone."""
    count = fit.amplitude.shape[1] if multiple == 1 else 1
    drive = names.index("drive") if "drive" in names else None
    nothing = np.full(count, np.nan)
    yield from zip(
        (multiple * np.arange(1, count + 1)).tolist(),
        (fit.frequency_hz * np.arange(1, count + 1)).tolist(),
        [fit.seconds] * count,
        fit.amplitude[0, :count].tolist(),
        fit.u_amplitude[0, :count].tolist(),
        (nothing + 0j if drive is None else fit.amplitude[drive, :count]).tolist(),
        (nothing if drive is None else fit.u_amplitude[drive, :count]).tolist(),
        [fit.dof] * count,
        strict=True,
    )


def _of_sweep(lines: LineSums, names: tuple[str, ...]) -> Iterator[tuple]:
    drive = names.index("drive")
    for index, frequency in enumerate(lines.frequency_hz.tolist()):
        yield (
            index + 1, frequency, lines.seconds,
            complex(lines.value[0, index]), float(lines.missing[0, index]),
            complex(lines.value[drive, index]), float(lines.missing[drive, index]), 0,
        )  # fmt: skip


def _of_room(
    measured: TakeMeasurement, fundamental_hz: float, harmonics: int, length_s: float
) -> Iterator[tuple]:
    found = room_lines(
        measured.density,
        step_hz=measured.step_hz,
        frequencies_hz=fundamental_hz * np.arange(1, harmonics + 1),
        within_hz=1.5 / length_s,
    )
    for k, (frequency, amplitude, density) in enumerate(found, start=1):
        u = float(np.sqrt(density / length_s))
        yield (k, frequency, length_s, complex(amplitude), u, complex(np.nan), np.nan, 0)
