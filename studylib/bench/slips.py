"""Slips at the bench: what a recording most likely is, where it is not what its row says.

A few seconds from the middle of a file tell a steady tone, a sweep, knocks that die away and a
quiet room apart, by short spectra one behind the other. What is none of these for certain is called
nothing, and nothing is said of it. A tone is then held against the schedule.

Levels are held against repeats of the same mount alone: between mounts, boards differ by more than
a step of an amplifier. Channels that were exchanged show by their noise, which no board changes, or
by their levels against repeats. Where one of two takes must be wrong, both are named and neither is
blamed.

Conventions: one row a channel, the response first; dB re a sine of full scale; a slip is a note,
"" for none.
Source: the limits are common practice without a source. How often they accuse falsely is counted in
tests/test_slips.py.

Functions: `hear`, `slip_of`, `copy_of`, `owner_of`, `slips`. Class: `Heard`.
"""

import filecmp
from collections.abc import Callable, Sequence
from functools import cache
from pathlib import Path, PurePosixPath
from typing import NamedTuple

import numpy as np

from studylib import codes, errors, recordings
from studylib.bench.sheet import setting
from studylib.sheets import Study, Take, settings

HOLDS = {
    "tone": "tone", "loopback": "tone", "driver": "tone", "airborne": "tone",
    "sweep": "sweep", "tap": "tap", "room": "silence", "idle": "silence",
}  # fmt: skip
OTHER, EXCHANGED, PAIR = ("slips.copy", "slips.other"), "slips.exchanged", "slips.pair"
# Of a file; short spectra a second; those that tell anything; their first bin, 40 Hz.
HEARD_S, A_SECOND, FEWEST, LOWEST = 3, 20, 8, 2
# A tone: one sharp peak all the time, at one level, and nothing far louder.
SHARP, ALL, STEADY_DB, OVER_DB = 0.3, 0.95, 3.0, 10.0
# A sweep: peaks that climb along a straight line of their logarithm.
SWEPT_DB, STRAIGHT, OCTAVES = 30.0, 0.85, 1.0
# Taps: sudden, and soon over. Silence: even and low.
ONSET_DB, LOUD_DB, NEAR_TOP_DB, SHORT, EVEN_DB, QUIET_DB = 15.0, 20.0, 10.0, 0.25, 10.0, -40.0
MATCH, HUM_HZ = 0.005, 310.0  # of a frequency, as the check of a tone allows; hum lies below
RATES = [r * 2.0**n for r in (147 / 160, 160 / 147) for n in (-1, 0, 1)]  # 44.1 kHz taken for 48
# The row's tone below the one that sounds; a tone over the noise; no noise at all.
ABSENT_DB, NO_TRACE_DB, TRACE_DB, STRONG_DB, EMPTY_DB = 10.0, 30.0, 20.0, 40.0, -200.0
# Repeats; takes at other drive, as no driver is linear; what agrees; channels; steps.
APART_DB, DRIVEN_DB, AGREE_DB, TURNED_DB = 3.0, 5.0, 1.5, 9.0
STEPS_DB, STEP_DB, NEAREST = (6.0, 10.0, 12.0, 18.0, 20.0), 1.0, 6


class Heard(NamedTuple):
    """What a recording holds.

    kind : "tone", "sweep", "tap", "silence"; "" where it cannot be told.
    tone_hz : of the tone, else 0.  levels : of each tone of the schedule, by its hertz, (C,).
    top_db, noise_db : (C,), the strongest line, and the median bin of the same spectrum.
    """

    kind: str
    tone_hz: float
    levels: dict[float, np.ndarray]
    top_db: np.ndarray
    noise_db: np.ndarray
    info: recordings.RecordingInfo


def hear(study: Study, path: Path) -> Heard | None:
    """What a file holds in the channels that the study names; None where that cannot be read."""
    own, rows = study.settings.channels, (*study.takes, *study.planned)
    try:
        info = recordings.probe(path)
        frames = min(info.frames, HEARD_S * info.rate_hz)
        x = recordings.read_window(path, start=(info.frames - frames) // 2, frames=frames)
    except errors.InputError:
        return None
    x = x[[c - 1 for c in (own.response, own.drive) if c and c <= len(x)]]
    size = info.rate_hz // A_SECOND
    if not len(x) or frames < FEWEST * size or not np.isfinite(x).all():
        return None
    # Padded with zeros to the whole length, a line is known to a third of a hertz.
    window, width = np.hanning(frames), 2.0 * info.rate_hz / frames
    spectrum = np.abs(np.fft.rfft(x * window, n=HEARD_S * info.rate_hz)) * 2.0 / window.sum()
    hz = np.arange(spectrum.shape[1]) / HEARD_S
    spectrum[:, hz < LOWEST * A_SECOND] = 0.0
    top_db, noise_db = _db(spectrum.max(axis=1)), _db(np.median(spectrum, axis=1))
    clear = int(np.argmax(top_db - noise_db))  # the channel that tells most
    kind = _kind(x[clear, : frames // size * size].reshape(-1, size))
    return Heard(
        kind=kind,
        tone_hz=float(hz[spectrum[clear].argmax()]) if kind == "tone" else 0.0,
        levels={
            f: _db(spectrum[:, abs(hz - f) <= max(MATCH * f, width)].max(axis=1, initial=0.0))
            for f in {t.tone_hz for t in rows} - {None}
        },
        top_db=top_db,
        noise_db=noise_db,
        info=info,
    )


def _kind(blocks: np.ndarray) -> str:
    """What one channel holds, by its short spectra one behind the other."""
    window = np.hanning(blocks.shape[1])
    # So that a sine of full scale gives 1 in all.
    power = np.abs(np.fft.rfft(blocks * window)) ** 2 * (4.0 / (window.size * (window @ window)))
    power[:, :LOWEST] = 0.0
    energy, peak = power.sum(axis=1), power.argmax(axis=1)
    level, sharp = 10.0 * np.log10(energy + 1e-30), power.max(axis=1) > SHARP * energy
    low, top, most = *np.percentile(level, (10, 90)), level.max()
    swept = np.flatnonzero(level > top - SWEPT_DB)
    octaves = np.log2(np.maximum(peak[swept], 1))
    onset = level[2:] > np.maximum(level[:-2], level[1:-1]) + ONSET_DB
    return codes.holding(
        (
            np.mean(sharp & (abs(peak - np.median(peak)) <= 1)) > ALL
            and top - low < STEADY_DB
            and most < top + OVER_DB,
            "tone",
        ),
        (
            swept.size >= FEWEST
            and np.ptp(octaves) > OCTAVES
            and np.corrcoef(swept, octaves)[0, 1] > STRAIGHT,
            "sweep",
        ),
        (
            np.any(onset & (level[2:] > most - LOUD_DB))
            and np.mean(level > most - NEAR_TOP_DB) < SHORT,
            "tap",
        ),
        (top - low < EVEN_DB and top < QUIET_DB, "silence"),
        (True, ""),
    )[0]


def _db(amplitude: np.ndarray) -> np.ndarray:
    return 20.0 * np.log10(np.maximum(amplitude, 1e-15))


def _multiple(hz: float, of_hz: float | None) -> int:
    """Which multiple of another frequency one is; 0 for none."""
    k = round(hz / of_hz) if of_hz else 0
    return k if k and abs(hz / (k * of_hz) - 1.0) < MATCH else 0


def slip_of(study: Study, take: Take, hears: Callable[[Take], Heard | None]) -> str:
    """The likeliest slip with the recording of a take.

    Parameters
    ----------
    study : its `takes` are those recorded so far, which the take is held against.
    hears : gives what the recording of a take holds (`hear`).

    Returns
    -------
    a note; "" where nothing is likely.
    """
    heard = hears(take)
    found = _other(study, take, heard) if heard else ""
    if found or not heard or take.kind != "tone" or heard.kind != "tone":
        return found
    own, here = (take.batch, take.kind, take.tone_hz, False), setting(take)
    # Those of its own mount first, then the nearest in takes.csv.
    alike = sorted(
        (t for t in study.takes if (t.batch, t.kind, t.tone_hz, t.exclude) == own),
        key=lambda t: (setting(t) != here, abs(t.row - take.row)),
    )
    others = [
        (t, one)
        for t in sorted(alike[: NEAREST + 1], key=lambda t: t.row)
        if t.take != take.take
        and (one := hears(t))
        and _multiple(one.tone_hz, t.tone_hz) == 1
        and one.top_db.size == heard.top_db.size
    ]
    repeats = [other for other in others if setting(other[0]) == here]
    return (
        _dead(study, take, heard)
        or (min(heard.top_db.size, len(others)) > 1 and _exchanged(take, heard, others))
        or (repeats and _level(take, heard, repeats))
        or ""
    )


def _other(study: Study, take: Take, heard: Heard) -> str:
    """Another signal than the row's."""
    wanted, kind, hz, tone_hz = HOLDS.get(take.kind), heard.kind, heard.tone_hz, take.tone_hz
    known = next((f for f in heard.levels if _multiple(hz, f) == 1), None)
    mains = bool(0 < hz < HUM_HZ and settings.mains_multiple(hz))
    if hz and wanted == "tone":
        # A driver may hang free, and be heard as little else than its harmonics and the hum.
        told = take.kind in ("tone", "loopback") or (known and study.settings.channels.drive)
        least = ABSENT_DB if known and not _multiple(hz, tone_hz) else NO_TRACE_DB
        sure = (known or not mains) and told and min(heard.top_db - heard.levels[tone_hz]) > least
    elif hz:
        sure = wanted and known and not mains
    else:  # a knock in a quiet room is nobody's tap
        sure = wanted not in (None, kind) and (wanted, kind) != ("silence", "tap")
    here, rows = setting(take), study.scheduled_of(take.batch)
    same = sorted(
        (t for t in rows if HOLDS.get(t.kind) == kind and (not hz or t.tone_hz == known)),
        key=lambda t: (setting(t) != here, t not in study.planned),
    )
    waits = [t.file for t in same if setting(t) == here and t in study.planned]
    return codes.note(
        "slips.other", heard=kind, heard_hz=hz, wanted=wanted, tone_hz=tone_hz, mains=mains,
        other=same[0].take if same else "", file=waits[0] if len(waits) == 1 else "",
        more=len(same) - 1 if same and setting(same[0]) != here else 0,
        rates=bool(tone_hz and any(abs(hz / tone_hz / r - 1.0) < MATCH / 2 for r in RATES)),
    ) if sure and kind not in ("", "silence") else ""  # fmt: skip


def _dead(study: Study, take: Take, heard: Heard) -> str:
    """One channel without a trace of the tone that the other holds."""
    over, own = heard.levels[take.tone_hz] - heard.noise_db, study.settings.channels
    name, empty = ("response", "drive")[over.argmin()], heard.top_db[over.argmin()] < EMPTY_DB
    return (
        codes.note("slips.dead", number=getattr(own, name), name=name, empty=bool(empty))
        if over.max() > STRONG_DB and over.min() < TRACE_DB
        else ""
    )


def _exchanged(take: Take, heard: Heard, others: list) -> str:
    """Response and drive in each other's place, by their noise, which no board changes.

    Of the levels, and of the noise: 1 where the channels differ the other way round than in the
    others, -1 as in them, 0 where that cannot be told. Levels alone are no ground between mounts.
    """
    own, *usual = (
        np.diff([one.levels[take.tone_hz], one.noise_db])[:, 0]
        for one in (heard, *(one for _, one in others))
    )
    middle, least = np.median(usual, axis=0), np.maximum(TURNED_DB, 2.0 * np.ptp(usual, axis=0))
    far, back = abs(own - middle), abs(own + middle)
    level, noise = np.where(
        np.maximum(far, back) > least, 1 * (far > 3.0 * back) - 1 * (back > 3.0 * far), 0
    )
    return codes.note(EXCHANGED, others=[t.take for t, _ in others]) if noise > 0 <= level else ""


def _level(take: Take, heard: Heard, repeats: list) -> str:
    """A level that the rows do not explain, against repeats of the mount that agree; where each
    channel has the level that the other has there, the two are exchanged."""
    same = [other for other in repeats if other[0].drive_db == take.drive_db]
    least, against = (APART_DB, same) if same else (DRIVEN_DB, repeats)
    levels = [one.levels[take.tone_hz] - t.drive_db - t.gain_db for t, one in against]
    own = heard.levels[take.tone_hz] - take.drive_db - take.gain_db
    others = [t.take for t, _ in against]
    shifts, turned = (np.median(each - levels, axis=0) for each in (own, own[::-1]))
    most, both = int(np.abs(shifts).argmax()), shifts.size > 1 and np.ptp(shifts) < AGREE_DB
    if abs(shifts[most]) < least or np.ptp(levels, axis=0).max() > AGREE_DB:
        return ""
    if shifts.size > 1 and np.abs(turned).max() < AGREE_DB:
        return codes.note(EXCHANGED, others=others)
    return codes.note(
        "slips.level" if len(against) > 1 else PAIR,
        take=take.take, shift_db=shifts[most], others=others,
        step=next((step for step in STEPS_DB if abs(abs(shifts[most]) - step) < STEP_DB), 0.0),
        channel="both" if both else ("response", "drive")[most] if shifts.size > 1 else "",
    )  # fmt: skip


def copy_of(study: Study, take: Take) -> str:
    """A slip where the recording of another take has the very bytes of this one."""
    return next(
        (
            codes.note("slips.copy", other=t.take, file=t.file)
            for t in study.takes
            if t.take != take.take
            and study.path_of(t).is_file()
            and filecmp.cmp(study.path_of(take), study.path_of(t), shallow=False)
        ),
        "",
    )


def owner_of(study: Study, file: str, waiting: Sequence[Take]) -> tuple[Take, bool] | None:
    """The take that a file without a row is most likely the recording of, and whether its name
    says so, misspelt or in another folder.

    Parameters
    ----------
    file : relative to the study folder.
    waiting : takes to be recorded, the one expected first.

    Returns
    -------
    None where the content fits none, or several of which none is the next.
    """
    path, name = study.folder / file, PurePosixPath(file).name.casefold()
    heard, places = hear(study, path), [(t, study.path_of(t)) for t in waiting]
    free = [t for t, own in places if heard and (not own.exists() or own.samefile(path))]
    named = [t for t in free if PurePosixPath(t.file).name.casefold() == name]
    if len(named) == 1 and not _other(study, named[0], heard):
        return named[0], True
    fitting = [t for t in free if _fits(study, t, heard)]
    return (
        (fitting[0], False) if len(fitting) == 1 or (fitting and fitting[0] == waiting[0]) else None
    )


def _fits(study: Study, take: Take, heard: Heard) -> bool:
    """Signal, rate, channels and length are those of a take."""
    own, tone, info = study.settings.channels, study.settings.tone, heard.info
    return (
        heard.kind == HOLDS.get(take.kind)
        and (not heard.tone_hz or _multiple(heard.tone_hz, take.tone_hz) == 1)
        and info.rate_hz == (own.rate_hz or info.rate_hz)
        and info.channels
        >= max(
            own.response, (take.kind in ("tone", "sweep", "driver", "airborne") and own.drive) or 1
        )
        and (
            not take.tone_hz or info.frames >= ((tone.skip_s or 0.0) + tone.length_s) * info.rate_hz
        )
    )


def slips(study: Study) -> dict[str, str]:
    """Take -> the slip with its recording. Pairs that disagree are left to
    `report.at_the_bench.repeats_apart`, which looks at more than levels."""
    hears = cache(lambda take: hear(study, study.path_of(take)))
    found = {t.take: slip_of(study, t, hears) for t in study.takes if not t.exclude}
    return {take: slip for take, slip in found.items() if codes.code_of(slip) not in ("", PAIR)}
