"""Measure one take: read it once, transform it once, and work out all that follows.

The recording is read in coherent pieces of at most 10 s, so that memory does not grow with
its length. Arrays and checks come out; tables are made elsewhere (batch.py).

What is analysed of a steady tone starts a moment after the start of the take. Where the tone does
not hold there, it is looked for in the whole take (signal.tone_window) and analysed a moment after
its own start.

Here also stands what is added to dB re full scale to make it a level.

Conventions: a full-scale sine is 0 dB re full scale. With a microphone, `full_scale_db` or a
sound calibrator make levels sound pressure levels (dB re 20 uPa); otherwise they stay relative.
The recorder's gain of a take (`gain_db`) is taken off, so that all takes of a bench agree.

Functions: measure_take, step_of, unreadable, hum_of, level_scale, calibrator_tone.
Source: IEC 60942 (calibrators sound between 160 and 1250 Hz; class 2 holds its level within
0.40 dB and its distortion and noise below 3 %, 30 dB under the tone). That the tone stands 20 dB
above all other sound of the recording, and that two readings more than 0.5 dB apart are
reported, is common practice without a source.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce
from itertools import chain
from pathlib import Path

import numpy as np
from scipy.fft import rfft

from studylib import codes, errors, recordings, words
from studylib.codes.checks import Verdict
from studylib.sheets.settings import Channels
from studylib.signal import gain_moves, quality, samples, tone, tone_window
from studylib.signal.band_edge import band_edge, frame_levels
from studylib.signal.harmonics import level_db
from studylib.signal.line_sums import end_levels, line_sums, missing_tail
from studylib.signal.noise import NoiseSpectrum, noise_spectrum, strongest_line, windowed_density

# Where each kind of take must hold the tone; a control may have none in the response.
TONE_ON = {
    "tone": ("response", "drive"),
    "driver": ("drive",),
    "airborne": ("drive",),
    "loopback": ("response",),
}
SHORTEST_S = 0.1  # of a take that is analysed whole
SETTLE_S = 0.1  # left out after the start of a take, and of a tone, where study.toml sets nothing
BLOCKS_AT_ONCE = 64  # read: some 1 s, so that memory does not grow with a take
BESIDE_S = 1.5  # of noise that is looked at before, in and after a tone
STEP_BITS = {
    "PCM_S8": 7, "PCM_U8": 7, "PCM_16": 15, "PCM_24": 23, "PCM_32": 31,
    "ULAW": 5, "ALAW": 5,  # at a crest, where coarse steps must not pass for clipping
}  # fmt: skip


@dataclass(frozen=True)
class Expectation:
    """What a take should hold.

    channels : name -> 0-based number in the file, "response" first.
    tone_hz : the tone, or None;  tone_on : names of the channels that must hold it.
    harmonics : highest harmonic to fit.
    skip_s : left out at the start; None for SETTLE_S, and a tone that starts later is then found.
    length_s : what is analysed; None for all of it.
    may_be_silent : nothing needs to sound.  lines_hz : frequencies at which a take
    without a steady tone is summed (signal.line_sums); none by default.
    played_hz : where what was played ends by itself, as a sweep does; None where it does not.
    """

    rate_hz: int
    channels: Mapping[str, int]
    tone_hz: float | None
    tone_on: tuple[str, ...]
    harmonics: int
    skip_s: float | None
    length_s: float | None
    may_be_silent: bool = False
    lines_hz: tuple[float, ...] = ()
    played_hz: float | None = None


LineSums = tuple[np.ndarray, np.ndarray, np.ndarray, float]
"""What a take holds at given frequencies (signal.line_sums): these in Hz, (F,); values, complex
(C, F), steady-sine scale; a bound on what rang on after the end, (C, F), same scale; the length of
the record in s."""


@dataclass(frozen=True)
class TakeMeasurement:
    """All that one take gave. `names` are the channels in the fit's order.

    calibrator_db : level of a calibrator's tone, dB re full scale (the batch fills it in).
    lines : sums at the frequencies that were asked for, or None.
    """

    checks: list[quality.Check]
    names: tuple[str, ...] = ()
    fit: tone.ToneFit | None = None
    noise: NoiseSpectrum | None = None
    density: np.ndarray | None = field(default=None, repr=False)
    calibrator_db: float | None = None
    lines: LineSums | None = None


def measure_take(
    path: Path,
    info: recordings.RecordingInfo,
    wanted: Expectation,
    limits: Mapping[str, quality.Entry],
) -> TakeMeasurement:
    """Measure one take and check it, as far as the file allows.

    Parameters
    ----------
    path, info : the recording and its header (recordings.probe).
    wanted : what it should hold.
    limits : the table of checks (signal.quality).

    Returns
    -------
    TakeMeasurement; its fit is None when the file is too faulty to be measured, and its
    checks then say why. Comparison with the room take is the caller's: it knows the gains.
    """
    if wanted.skip_s is None:
        return _where_it_sounds(path, info, wanted, limits)
    checks = quality.file_checks(
        limits,
        remarks=codes.several([info.remark, recordings.other_rate(info, wanted.rate_hz)]),
        truncated=info.truncated,
        rate_hz=info.rate_hz,
        wanted_rate_hz=wanted.rate_hz,
        channels=info.channels,
        wanted_channels=1 + max(wanted.channels.values()),
        seconds=info.frames / info.rate_hz,
        wanted_s=wanted.skip_s + (wanted.length_s or SHORTEST_S),
    )
    if any(row.verdict == Verdict.FAIL and row.check != "rate" for row in checks):
        return TakeMeasurement(checks)
    try:
        found, facts_of, edge_hz = _analyse(path, info, wanted)
    except errors.InputError as error:
        return TakeMeasurement([*checks, unreadable(codes.several(error.notes), limits)])
    for name, facts in zip(found.names, facts_of, strict=True):
        has_tone = wanted.tone_hz is not None and name in wanted.tone_on
        checks += quality.sample_checks(
            facts,
            limits,
            channel=name,
            rate_hz=info.rate_hz,
            tone_hz=wanted.tone_hz if has_tone else None,
            may_be_silent=wanted.may_be_silent or not (has_tone or wanted.tone_hz is None),
        )
    checks += quality.edge_checks(edge_hz, limits, rate_hz=info.rate_hz, played_hz=wanted.played_hz)
    for index, name in enumerate(found.names):
        if found.fit is not None and name in wanted.tone_on:
            checks += quality.tone_checks(
                found.fit,
                facts_of[index],
                limits,
                channel=name,
                index=index,
                tone_hz=wanted.tone_hz,
            )
    return replace(found, checks=checks)


def step_of(info: recordings.RecordingInfo) -> float:
    """The smallest step of a recording's format, full scale = 1."""
    return 2.0 ** -STEP_BITS.get(info.subtype, 23)


def unreadable(why: str, limits: Mapping[str, quality.Entry]) -> quality.Check:
    """The failed check of a recording that cannot be opened or read; `why`, a cell of notes."""
    return quality.check("readable", 1.0, limits)._replace(source=why)


def _where_it_sounds(
    path: Path,
    info: recordings.RecordingInfo,
    wanted: Expectation,
    limits: Mapping[str, quality.Entry],
) -> TakeMeasurement:
    """The take from where its tone has settled, with a row that says where that is."""
    found = measure_take(path, info, replace(wanted, skip_s=SETTLE_S), limits)
    if found.fit is None:
        return found
    rate, begins, ends = info.rate_hz, 0, info.frames
    needed = round(SETTLE_S * rate) + round(wanted.length_s * rate)
    if _in_doubt(path, wanted, found, amid=info.frames // 2, needed=needed):
        begins, ends = _stretch(path, info, wanted, needed=needed)
    start_s = begins / rate + SETTLE_S
    if begins + needed > ends:
        why = codes.note(
            "measure.tone_lasts", tone_hz=wanted.tone_hz, from_s=begins / rate, to_s=ends / rate,
            needed_s=needed / rate, settle_s=SETTLE_S,
        )  # fmt: skip
        lacking = quality.check("tone_short", (begins + needed - ends) / rate, limits)
        return TakeMeasurement(
            [*(row for row in found.checks if not row.channel), lacking._replace(source=why)]
        )
    if begins:
        found = measure_take(path, info, replace(wanted, skip_s=start_s), limits)
        found.checks.extend(
            _gain_moves(path, info, wanted, limits, at=(begins, begins + needed, ends))
        )
    return replace(found, checks=[*found.checks, quality.check("window", start_s, limits)])


def _gain_moves(
    path: Path,
    info: recordings.RecordingInfo,
    wanted: Expectation,
    limits: Mapping[str, quality.Entry],
    *,
    at: tuple[int, int, int],
) -> list[quality.Check]:
    """What the noise before, in and after the tone tells of the recorder.

    at : frames at which the tone begins, what is analysed of it ends, and the tone ends.
    """
    (begins, settled, ends), rate = at, info.rate_hz
    beside, settle = round(BESIDE_S * rate), round(SETTLE_S * rate)
    before, during, after = (
        recordings.read_window(path, start=first, frames=max(last - first, 1))[
            wanted.channels["response"]
        ]
        for first, last in (
            (max(begins - beside, 0), begins - settle),
            (max(settled - beside, begins + settle), settled),
            (ends - beside // 2, min(ends + beside, info.frames)),
        )
    )
    read = {"rate_hz": rate, "step": samples.smallest_step(during, step_of(info))}
    noise = [
        gain_moves.noise_floors(x, **read, tone_hz=wanted.tone_hz)[0] for x in (before, during)
    ]
    gate = gain_moves.gate_db(*gain_moves.noise_floors(np.concatenate([before, after]), **read))
    return quality.gain_checks(gate, gain_moves.masked_db(*noise), limits)


def _in_doubt(
    path: Path, wanted: Expectation, found: TakeMeasurement, *, amid: int, needed: int
) -> bool:
    """The tone does not hold in what was analysed, or is far louder amid the take."""
    if not wanted.tone_on or any(row.verdict == Verdict.FAIL for row in found.checks):
        return True
    if amid < needed:
        return False
    name, at = wanted.tone_on[0], {"rate_hz": wanted.rate_hz, "tone_hz": wanted.tone_hz}
    x = recordings.read_window(path, start=amid, frames=tone_window.block_frames(**at))[
        wanted.channels[name]
    ]
    first = quality.decibels(abs(found.fit.amplitude[found.names.index(name), 0]) ** 2)
    return bool(tone_window.block_levels(x, **at) > first + tone_window.ALIKE_DB)


def _stretch(
    path: Path, info: recordings.RecordingInfo, wanted: Expectation, *, needed: int
) -> tuple[int, int]:
    """(first frame, frame after the last) of where the tone sounds, the block in which it ends left
    out: in the first channel that shows it; else of the whole take."""
    at = {"rate_hz": info.rate_hz, "tone_hz": wanted.tone_hz}
    frames = tone_window.block_frames(**at)
    picked = [wanted.channels[name] for name in wanted.tone_on or wanted.channels]
    count, rest = divmod(info.frames // frames, BLOCKS_AT_ONCE)
    many = BLOCKS_AT_ONCE * frames
    parts = [
        tone_window.block_levels(x[picked].reshape(len(picked), -1, frames), **at)
        for x in chain(
            recordings.windows(path, start=0, frames_each=many, count=count),
            recordings.windows(path, start=count * many, frames_each=frames, count=rest),
        )
    ]
    for levels in np.concatenate(parts, axis=1):
        if found := tone_window.stretch_of(levels, needed=-(-needed // frames)):
            first, end = found
            return first * frames, info.frames if end == levels.size else (end - 1) * frames
    return 0, info.frames


def _pieces(info: recordings.RecordingInfo, wanted: Expectation) -> tuple[int, int, int]:
    """(first frame, frames of a piece, number of pieces): coherent, at most 10 s each."""
    rate = info.rate_hz
    start = round(wanted.skip_s * rate)
    most = round(wanted.length_s * rate) if wanted.length_s is not None else info.frames
    frames = min(info.frames - start, most)
    # One frame over 10 s must not halve the piece: hence the small allowance.
    count = max(1, int(np.ceil(frames / (tone.MAX_SEGMENT_S * rate) - 1e-6)))
    return start, tone.record_length(frames // count), count


def _analyse(
    path: Path, info: recordings.RecordingInfo, wanted: Expectation
) -> tuple[TakeMeasurement, list[samples.SampleFacts], float | None]:
    """The take without its checks; the facts of each channel; where its spectrum ends, in Hz."""
    start, n, count = _pieces(info, wanted)
    names = tuple(wanted.channels)
    picked = [wanted.channels[name] for name in names]
    facts: list[list[samples.SampleFacts]] = []
    fits: list[tone.ToneFit] = []
    sums, ends, levels = 0.0, None, []
    density = np.zeros(n // 2 + 1)
    read = {"step": step_of(info), "rate_hz": info.rate_hz, "tone_hz": wanted.tone_hz}
    for x in recordings.windows(path, start=start, frames_each=n, count=count):
        x = x if picked == list(range(len(x))) else x[picked]
        facts.append([samples.describe(row, **read) for row in x])
        if not all(fact.finite for fact in facts[-1]):
            continue
        levels.append(frame_levels(x[0], rate_hz=info.rate_hz))
        spectrum = np.stack([rfft(row) for row in x])
        if wanted.tone_hz is not None:
            fits.append(
                tone.fit_tone(
                    spectrum,
                    n=n,
                    rate_hz=info.rate_hz,
                    nominal_hz=wanted.tone_hz,
                    harmonics=wanted.harmonics,
                )
            )
        density += windowed_density(spectrum[0], n=n, rate_hz=info.rate_hz)
        if wanted.lines_hz:
            at = {"rate_hz": info.rate_hz, "frequencies_hz": wanted.lines_hz}
            sums = sums + line_sums(x, first=len(facts) * n - n, **at)
            ends = end_levels(x, **at)
    whole = [reduce(samples.merge, channel) for channel in zip(*facts, strict=True)]
    if not all(fact.finite for fact in whole):
        return TakeMeasurement([], names), whole, None
    density /= count
    starts = [(start + i * n) / info.rate_hz for i in range(len(fits))]
    fit = tone.join_fits(fits, starts_s=starts) if fits else None
    noise = noise_spectrum(
        density,
        n=n,
        rate_hz=info.rate_hz,
        tone_hz=fit.frequency_hz if fit else None,
    )
    lines = None
    if wanted.lines_hz:
        seconds = n * count / info.rate_hz
        missing = missing_tail(ends, frequencies_hz=wanted.lines_hz, seconds=seconds)
        lines = (np.array(wanted.lines_hz), 2.0 * sums / (n * count), missing, seconds)
    # Pieces are of one length, which may be too short to tell.
    told = {"rate_hz": info.rate_hz, "step": whole[0].step}
    return (
        TakeMeasurement([], names, fit, noise, density, lines=lines),
        whole,
        band_edge(np.mean(levels, axis=0), **told) if levels[0] is not None else None,
    )


def hum_of(measured: TakeMeasurement) -> tuple[float, float]:
    """(mean square, hertz) of the strongest mains line in the response of a take with a density;
    (0, 0) if none."""
    tone_hz = measured.fit.frequency_hz if measured.fit else None
    return strongest_line(measured.density, step_hz=measured.noise.step_hz, tone_hz=tone_hz)


CALIBRATOR_HZ = (160.0, 1250.0)
APART_DB = 0.5
OVER_NOISE_DB = 20.0  # less than this: the calibrator was not sounding


@dataclass(frozen=True)
class LevelScale:
    """`offset_db` is added to dB re full scale; `absolute`: the result is dB SPL.

    basis, warning : notes of what the levels are relative to, and of what is odd about it.
    """

    offset_db: float
    unit: str
    absolute: bool
    basis: str
    warning: str = ""


RELATIVE = LevelScale(0.0, words.say("measure.full_scale_unit"), False, "measure.relative")


def level_scale(channels: Channels, readings: Sequence[float]) -> LevelScale:
    """The scale of one batch's response channel.

    readings : level of each calibrator take in dB re full scale, gain taken off.
    """
    full_db, calibrator_db = channels.full_scale_db, channels.calibrator_db
    if channels.response_kind != "microphone" or (full_db is None and calibrator_db is None):
        return RELATIVE
    if full_db is not None:
        basis = codes.note("measure.full_scale", level_db=full_db)
        return LevelScale(full_db, "dB SPL", True, basis)
    if not readings:
        return replace(RELATIVE, warning="measure.no_calibrator")
    spread = max(readings) - min(readings)
    warning = (
        codes.note("measure.apart", spread_db=spread, limit_db=APART_DB)
        if spread > APART_DB
        else ""
    )
    basis = codes.note("measure.calibrator", takes=len(readings), level_db=calibrator_db)
    offset = calibrator_db - float(np.mean(readings))
    return LevelScale(offset, "dB SPL", True, basis, warning)


def calibrator_tone(
    path: Path, info: recordings.RecordingInfo, *, channel: int
) -> tuple[float, float]:
    """The strongest tone between 160 and 1250 Hz: level in dB re full scale, and dB over all other
    sound.

    channel : 0-based number of the microphone's channel. The middle of the recording is read,
    at most 10 s, away from the handling at both ends.
    """
    n = tone.record_length(min(info.frames, int(tone.MAX_SEGMENT_S * info.rate_hz)))
    spectrum = rfft(recordings.read_window(path, start=(info.frames - n) // 2, frames=n)[channel])[
        None, :
    ]
    density = windowed_density(spectrum[0], n=n, rate_hz=info.rate_hz)
    low, high = (round(f * n / info.rate_hz) for f in CALIBRATOR_HZ)
    tone_hz = (low + int(np.argmax(density[low : high + 1]))) * info.rate_hz / n
    fit = tone.fit_tone(spectrum, n=n, rate_hz=info.rate_hz, nominal_hz=tone_hz, harmonics=3)
    noise = noise_spectrum(density, n=n, rate_hz=info.rate_hz, tone_hz=fit.frequency_hz)
    level = level_db(fit, channel=0, harmonic=1).value
    return level, level - 10.0 * float(np.log10(max(2.0 * noise.power(), 1e-40)))
