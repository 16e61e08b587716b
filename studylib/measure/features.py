"""What one measured take gives: its features, and rows at the multiples of the tone.

Features: which numbers its kind gives, with unit and uncertainty.

A steady tone on the bench at the study's fundamental and full drive gives `tone.*`; at a
multiple k of it, a probe tone, `probe.k{k}.*`, also at lower drive where the drive is sensed: the
ratio does not ask for the level. Otherwise a tone at lower drive gives nothing, nor does one with
the bench changed on purpose (`Take.is_test`): these takes serve the attribution only. A take that
is set aside keeps its rows, unusable and with the reason.

To add a feature: compute it in `signal/`, yield it here, and register it in `register.py`; a take
that could not be measured gets its empty row from the register.

For the attribution, what a take holds at the multiples of the tone, and beside them. One row a take
and multiple k of the fundamental. A take at the fundamental gives all its harmonics, a probe tone
its own frequency alone, a sweep its Fourier sums, a room or idle take the lines that stand out of
its noise there. A take that is set aside keeps its rows, not usable.

Conventions: peak amplitudes re full scale, at the bench's gain; phases relative to k times the
phase of the response's fundamental (a sweep's are absolute: only its ratio of channels counts).
`response_u`, `drive_u`: standard uncertainty of the real part from the take's noise; in a sweep,
the bound on what rang on after its end; in a room take, what its noise would give a tone of the
analysed length. `offset_db` brings dB re full scale to `unit`. `off_cents`, `off_u_cents`: how far
the response's partial lies from the multiple of the take's own tone, where it stands out of the
noise. A partial off its multiple, two that beat, and a level that drifts away are not usable.

Beside the multiples: lines that are none of the tone's harmonics, mains and anything else. A take
at the fundamental hides what lies within two bins of its harmonics (`signal.partials` sees it beat,
where it is far enough). Probe tones, controls and silent takes leave most multiples free: there a
line shows, with the amplifier on and the board mounted as they were. What is found is held against
the harmonic itself, as the batch's tones have it. Near is within two bins of the analysed length. A
line more than 20 dB below a harmonic moves its level by less than 1 dB (20 lg 1.1) and is not told.

Functions: tone_order, tone_features, probe_features, empty_features,
harmonic_rows, tone_multiple, lines_of, line_notes.
"""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import repeat
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from studylib import codes, register, sheets
from studylib.measure.take import LevelScale, LineSums, TakeMeasurement, hum_of
from studylib.sheets.rows import TONE_KINDS
from studylib.sheets.settings import MAINS_HZ, NEAR_BINS, Settings, Tone
from studylib.signal import harmonics, noise, tone
from studylib.signal.bands import octave_bands
from studylib.signal.partials import Kind as Partial

FOREIGN_SHARE = 0.01  # of the power behind a sum over harmonics: partials that are none spoil it


class FeatureValue(NamedTuple):
    """One feature of one take; usable where there is no reason against it and a number."""

    feature: str
    value: float
    u: float
    unit: str
    reason: str


def tone_order(take: sheets.Take, settings: Settings) -> int | None:
    """1 for a tone at the fundamental, k for a probe tone at k times it, None for the rest."""
    if take.kind != "tone" or take.support != "bench" or take.is_test:
        return None
    k = tone_multiple(take.tone_hz, fundamental_hz=settings.tone.fundamental_hz)
    return (
        k if take.drive_db == 0 or (k is not None and k > 1 and settings.channels.sensed) else None
    )


def tone_features(
    measured: TakeMeasurement, *, scale: LevelScale, gain_db: float, settings: Settings
) -> Iterator[FeatureValue]:
    """`tone.*` of one take with a fit. Levels are brought to the bench's gain."""
    fit, channel = measured.fit, 0
    offset = scale.offset_db - gain_db
    present = fit.present[channel]
    foreign = [_unsettled(fit, channel, k) for k in range(1, present.size + 1)]
    for k, why in enumerate(foreign, start=1):
        reason = why or ("" if present[k - 1] else "takes.below_noise")
        level = harmonics.level_db(fit, channel=channel, harmonic=k)
        yield FeatureValue(f"tone.h{k}.level_db", level.value + offset, level.u, scale.unit, reason)
        if k > 1:
            ratio = harmonics.relative_db(fit, channel=channel, harmonic=k)
            yield FeatureValue(f"tone.h{k}.rel_db", *ratio, "dB", reason or foreign[0])
    if settings.channels.sensed:
        yield from _response("tone.h1", measured)
    distortion = harmonics.distortion_percent(fit, channel=channel)
    heard = bool(present[1:].any()) and distortion.value > 0
    reason = foreign[0] or _of_sum(fit, channel, foreign, first=2)
    reason = reason or ("" if heard else "takes.below_noise")
    yield FeatureValue("tone.thd_percent", *distortion, "%", reason)
    base = 0.5 * abs(fit.amplitude[channel, 0]) ** 2
    for band in measured.noise.bands():
        if band.power > 0:
            value = 10.0 * float(np.log10(band.power / base))
            reason = foreign[0] or ("" if band.told else "takes.band_filled")
            yield FeatureValue(
                f"tone.band{band.nominal}.rel_db", value,
                10.0 / float(np.log(10.0)) * band.u_relative, "dB", reason,
            )  # fmt: skip
    centroid = harmonics.centroid_hz(fit, channel=channel)
    reason = _of_sum(fit, channel, foreign, first=1)
    yield FeatureValue("tone.centroid_hz", *centroid, "Hz", reason)
    frequency = (fit.frequency_hz, fit.u_frequency_hz)
    yield FeatureValue("tone.frequency_hz", *frequency, "Hz", foreign[0])


def _unsettled(fit: tone.ToneFit, channel: int, k: int) -> str:
    """Why the level at the k-th multiple is no harmonic's, as a note; "" where it may be one."""
    partials, at = fit.partials, (channel, k - 1)
    if not partials.no_level[at]:
        return ""
    if partials.kind[at] == Partial.OFF:
        cents, u = partials.cents(fit.frequency_hz)
        return codes.note("takes.off_multiple", harmonic=k, cents=float(cents[at]), u=float(u[at]))
    swing, apart = float(partials.swing_db[at]), float(partials.apart_hz[at])
    return (
        codes.note("takes.drifts", harmonic=k, change_db=swing)
        if partials.kind[at] == Partial.DRIFTING
        else codes.note("takes.beats", harmonic=k, swing_db=swing, apart_hz=apart)
    )


def _of_sum(fit: tone.ToneFit, channel: int, foreign: Sequence[str], *, first: int) -> str:
    """Why a sum over the harmonics from `first` on is none, as its strongest foreign one says."""
    power = np.abs(fit.amplitude[channel, first - 1 :]) ** 2
    none = np.where(np.array(foreign[first - 1 :]) != "", power, 0.0)
    return (
        foreign[first - 1 + int(np.argmax(none))]
        if none.sum() > FOREIGN_SHARE * power.sum()
        else ""
    )


def probe_features(
    measured: TakeMeasurement,
    *,
    k: int,
    scale: LevelScale,
    gain_db: float,
    settings: Settings,
) -> Iterator[FeatureValue]:
    """`probe.k{k}.*` of one probe tone: relative to a sensed drive, else a level."""
    if settings.channels.sensed:
        yield from _response(f"probe.k{k}", measured)
        return
    level = harmonics.level_db(measured.fit, channel=0, harmonic=1)
    reason = _unsettled(measured.fit, 0, 1) or (
        "" if measured.fit.present[0, 0] else "takes.below_noise"
    )
    yield FeatureValue(
        f"probe.k{k}.level_db", level.value + scale.offset_db - gain_db, level.u, scale.unit,
        reason,
    )  # fmt: skip


def _response(stem: str, measured: TakeMeasurement) -> Iterator[FeatureValue]:
    """Response over drive at the take's own tone.

    The recorder's gain acts on all channels alike, so that it leaves the ratio alone.
    """
    ratio, phase = harmonics.response(measured.fit, response=0, drive=measured.names.index("drive"))
    fit = measured.fit
    reason = "" if fit.present[:, 0].all() else "takes.below_noise"
    reason = next(filter(None, (_unsettled(fit, c, 1) for c in range(len(fit.present)))), reason)
    yield FeatureValue(f"{stem}.response_db", *ratio, "dB", reason)
    yield FeatureValue(f"{stem}.response_deg", *phase, "deg", reason)


def empty_features(k: int, settings: Settings, *, rate_hz: int) -> Iterator[FeatureValue]:
    """The same names without values, for a take that could not be measured at all.

    k : order of the take's tone, 1 for the fundamental.
    """
    highest = min(settings.tone.harmonics, int(rate_hz / 2 / settings.tone.fundamental_hz * 0.999))
    bands = [band.nominal for band in octave_bands(rate_hz)]
    sensed = settings.channels.sensed
    for family in register.of_kind(register.Kind.TONE if k == 1 else register.Kind.PROBE):
        # Relative to a sensed drive at the tone itself; a probe tone's level where none is sensed.
        relative = family.pattern.endswith((".response_db", ".response_deg"))
        all_of_tone = k == 1 and not relative
        orders = range(1, highest + 1) if all_of_tone else [k] * (relative == sensed)
        numbers = map(str, orders) if family.harmonic else bands if family.numbers else ("",)
        for name in dict.fromkeys(family.pattern.format(number) for number in numbers):
            if family.match(name):
                yield FeatureValue(name, math.nan, math.nan, "", "")


FULL_SCALE_DB = -0.01  # a peak above this has touched the recorder's limit
NEAR = 0.01  # a tone within 1 % of k times the fundamental is meant as that multiple


def tone_multiple(tone_hz: float | None, *, fundamental_hz: float) -> int | None:
    """k where the tone is k times the fundamental within 1 %, else None."""
    if tone_hz is None:
        return None
    k = round(tone_hz / fundamental_hz)
    return k if k >= 1 and abs(tone_hz / fundamental_hz / k - 1) < NEAR else None


def harmonic_rows(
    take: sheets.Take,
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
    k = tone_multiple(take.tone_hz, fundamental_hz=tone.fundamental_hz)
    if take.kind in TONE_KINDS and measured.fit is not None and k is not None:
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
    response, drive = found["response"] * gain, found["drive"] * gain
    yield from zip(
        repeat(take.take),
        found["multiple"].tolist(),
        found["frequency_hz"].tolist(),
        repeat(found["seconds"]),
        response.real.tolist(),
        response.imag.tolist(),
        (found["u_response"] * gain).tolist(),
        drive.real.tolist(),
        drive.imag.tolist(),
        (found["u_drive"] * gain).tolist(),
        repeat(found["dof"]),
        repeat(scale.offset_db),
        repeat(scale.unit),
        (usable & found["settled"]).tolist(),
        found["off_cents"].tolist(),
        found["off_u_cents"].tolist(),
    )


def _of_fit(fit: tone.ToneFit, names: tuple[str, ...], multiple: int) -> dict[str, Any]:
    """All harmonics of a take at the fundamental; the tone alone of a probe tone. By name: arrays
    (rows,), amplitudes complex, re full scale; seconds and dof are one number."""
    k = np.arange(1, (fit.amplitude.shape[1] if multiple == 1 else 1) + 1)
    nothing = np.full(k.size, np.nan)
    drive = names.index("drive") if "drive" in names else None
    cents, u_cents = fit.partials.cents(fit.frequency_hz)
    return {
        "multiple": multiple * k,
        "frequency_hz": fit.frequency_hz * k,
        "seconds": fit.seconds,
        "response": fit.amplitude[0, : k.size],
        "u_response": fit.u_amplitude[0, : k.size],
        "drive": nothing + 0j if drive is None else fit.amplitude[drive, : k.size],
        "u_drive": nothing if drive is None else fit.u_amplitude[drive, : k.size],
        "dof": fit.dof,
        "settled": ~fit.partials.no_level[:, : k.size].any(axis=0),
        "off_cents": cents[0, : k.size],
        "off_u_cents": u_cents[0, : k.size],
    }


def _of_sweep(lines: LineSums, names: tuple[str, ...]) -> dict[str, Any]:
    drive, (frequency, value, missing, seconds) = names.index("drive"), lines
    k = np.arange(1, frequency.size + 1)
    untold = np.full(k.size, np.nan)
    return {
        "multiple": k, "frequency_hz": frequency, "seconds": seconds,
        "response": value[0], "u_response": missing[0],
        "drive": value[drive], "u_drive": missing[drive],
        "dof": 0, "settled": k > 0, "off_cents": untold, "off_u_cents": untold,
    }  # fmt: skip


def _of_room(
    measured: TakeMeasurement, fundamental_hz: float, harmonics: int, length_s: float
) -> dict[str, Any]:
    frequency, amplitude, density = noise.room_lines(
        measured.density,
        step_hz=measured.noise.step_hz,
        frequencies_hz=fundamental_hz * np.arange(1, harmonics + 1),
        within_hz=1.5 / length_s,
    )
    nothing = np.full(frequency.size, np.nan)
    return {
        "multiple": np.arange(1, frequency.size + 1), "frequency_hz": frequency,
        "seconds": length_s, "response": amplitude + 0j, "u_response": np.sqrt(density / length_s),
        "drive": nothing + 0j, "u_drive": nothing, "dof": 0, "settled": frequency > 0,
        "off_cents": nothing, "off_u_cents": nothing,
    }  # fmt: skip


# ---------------------------------------------------------------- lines beside the multiples


KINDS = ("tone", "driver", "airborne", "room", "idle")
LOWEST_DB = -20.0
MOST_NAMED = 3
FEWEST = 3  # takes with a hum line: noise alone looks like one in a take of a hundred studies


def lines_of(
    take: sheets.Take, measured: TakeMeasurement, tone: Tone
) -> tuple[str, dict[int, float], float | None] | None:
    """Its id, the amplitude of the line at each free multiple (k -> amplitude), and the mains
    frequency of its strongest hum line, None where there is none or 50 and 60 Hz share it; None for
    a kind of take that shows no lines."""
    own = tone_multiple(take.tone_hz, fundamental_hz=tone.fundamental_hz)
    silent = take.tone_hz is None
    if take.kind not in KINDS or measured.density is None or not (own or silent):
        return None
    free = [k for k in range(1, tone.harmonics + 1) if silent or k % own]
    _, held, _ = noise.room_lines(
        measured.density,
        step_hz=measured.noise.step_hz,
        frequencies_hz=tone.fundamental_hz * np.array(free),
        within_hz=NEAR_BINS / tone.length_s,
    )
    gain = 10.0 ** (-take.gain_db / 20.0)
    lines = {k: gain * line for k, line in zip(free, held.tolist(), strict=False) if line}
    _, hum_hz = hum_of(measured)
    family = [mains for mains in MAINS_HZ if hum_hz and hum_hz % mains == 0]
    return take.take, lines, family[0] if len(family) == 1 else None


def line_notes(
    found: Sequence[tuple], harmonics: pd.DataFrame, tones: Sequence[str], settings: Settings
) -> list[str]:
    """What to warn of: multiples where the mains of these takes lie, and lines that matter.

    found : from `lines_of`.  harmonics : the batch's table.  tones : ids of its tones at the
    fundamental and full drive.
    """
    tone = settings.tone
    mains = Counter(hz for _, _, hz in found if hz)
    mains_hz, takes = max(mains.items(), key=lambda item: item[1], default=(0.0, 0))
    multiples = settings.on_mains(mains_hz) if takes >= FEWEST else []
    about = {
        "mains_hz": mains_hz, "takes": takes, "multiples": multiples,
        "at_hz": [tone.fundamental_hz * k for k in multiples],
    }  # fmt: skip
    notes = codes.holding((multiples, codes.note("measure.mains", **about)))
    own = harmonics[harmonics["take"].isin(tones) & harmonics["usable"].astype(bool)]
    size = pd.Series(np.hypot(own["response_re"], own["response_im"]).to_numpy(), own["harmonic"])
    for k, level in size.groupby(level=0).median().items():
        heard = {take: lines[k] for take, lines, _ in found if k in lines}
        ratio_db = 20.0 * np.log10(max(heard.values(), default=0.0) / level + 1e-20)
        named = sorted(heard, key=heard.get, reverse=True)[:MOST_NAMED]
        about = {"multiple": int(k), "at_hz": tone.fundamental_hz * k, "ratio_db": ratio_db}
        notes += codes.holding(
            (
                ratio_db > LOWEST_DB,
                codes.note("measure.line", **about, takes=named, more=len(heard) - len(named)),
            )
        )
    return notes
