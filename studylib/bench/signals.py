"""The WAV files that the schedule plays, and a table of their levels.

Written to `signals/` in the study folder: one file for each tone, drive step, sweep and silence
that some take needs, 24 bit, one channel, at the study's rate. A tone at full drive peaks at [plan]
full_drive_dbfs; a lower drive is lower by just so many dB, so that amplifier and driver stay as
they are set. The same study gives the same bytes; a file that is as it should be is left alone.

Functions: `signal_name`, `write_signals`.
"""

import hashlib
import io
import math
from collections import Counter

import numpy as np
import pandas as pd
import soundfile

from studylib import codes, errors, sheets, words, writing
from studylib.measure.batch import Progress
from studylib.sheets.rows import TONE_KINDS
from studylib.signal.stimuli import (
    SILENCE_AFTER_S,
    levels,
    played_sweep,
    quantised,
    steady_tone,
    whole_periods,
)
from studylib.signal.sweep import SweepShape

FOLDER, TABLE, SILENCE = "signals", "signals.csv", "silence.wav"
USUAL_RATE_HZ = 48_000
QUIETEST_DBFS = -100.0  # below, little is left of a 24-bit signal
FADE_S = 0.5  # slow enough for an ear to notice before it is loud
COLUMNS = (
    *("file", "kind", "tone_hz", "drive_db", "seconds", "peak_dbfs", "level_dbfs", "crest_db"),
    *("periods", "whole_at_s", "used_by", "caution"),
)


def signal_name(take: sheets.Take) -> str:
    """The file below signals/ that is played for a take; "" where nothing is played."""
    if take.kind == "room":
        return SILENCE
    down = f"-down{-take.drive_db:02g}" if take.drive_db else ""
    if take.kind == "sweep":
        return f"sweep{down}.wav"
    return f"tone{take.tone_hz:.10g}{down}.wav" if take.kind in TONE_KINDS else ""


def write_signals(study: sheets.Study, *, progress: Progress | None = None) -> pd.DataFrame:
    """Write every signal of the schedule, and signals.csv.

    Parameters
    ----------
    study : from `sheets.read_study`; takes with and without a recording count alike.
    progress : called as (done, total, what).

    Returns
    -------
    columns `COLUMNS`, quietest first: periods in the analysed length, whole_at_s the nearest length
    with a whole number of them, used_by the number of takes.

    Raises
    ------
    InputError : a tone at or above half the rate, a sweep that [sweep] does not describe, or a
        drive that leaves nothing to hear.
    OSError : the files cannot be written; those written before stay whole.
    """
    takes = [t for batch in study.all_batches for t in study.scheduled_of(batch)]
    used = Counter(name for t in takes if (name := signal_name(t)))
    first = {signal_name(t): t for t in reversed(takes)}
    rate_hz = study.settings.channels.rate_hz or USUAL_RATE_HZ
    errors.InputError.refuse_all(
        [fault for name in used if (fault := _fault(study, first[name], rate_hz))]
    )
    tell = progress or (lambda *_: None)
    rows = []
    for done, name in enumerate(used):
        tell(done, len(used), name)
        rows.append(_written(study, first[name], name, used[name], rate_hz))
    table = pd.DataFrame(rows, columns=list(COLUMNS)).sort_values(
        ["peak_dbfs", "file"], kind="stable", ignore_index=True
    )
    writing.write_whole(
        study.folder / FOLDER / TABLE, table.to_csv(index=False, lineterminator="\n")
    )
    tell(len(used), len(used), "done")
    return table


def _fault(study: sheets.Study, take: sheets.Take, rate_hz: int) -> str:
    """Why the signal of a take cannot be played, as a note; "" where it can."""
    sweep, row = study.settings.sweep, {"file": "takes.csv", "row": take.row}
    swept, tone = take.kind == "sweep", take.kind in TONE_KINDS
    faults = codes.holding(
        (swept and not sweep.known, codes.note("bench.no_sweep", **row)),
        (
            swept and sweep.known and sweep.highest_hz >= rate_hz / 2,
            codes.note(
                "bench.sweep_too_high",
                **{"file": "study.toml", "section": "[sweep]", "key": "highest_hz"},
                **{"highest_hz": sweep.highest_hz, "rate_hz": rate_hz},
            ),
        ),
        (
            tone and take.tone_hz >= rate_hz / 2,
            codes.note(
                "bench.tone_too_high",
                **{**row, "column": "tone_hz", "tone_hz": take.tone_hz, "rate_hz": rate_hz},
            ),
        ),
        (
            take.kind != "room" and _peak_dbfs(study, take) < QUIETEST_DBFS,
            codes.note("bench.too_quiet", **row, column="drive_db", drive_db=take.drive_db),
        ),
    )
    return faults[0] if faults else ""


def _peak_dbfs(study: sheets.Study, take: sheets.Take) -> float:
    return study.settings.plan.full_drive_dbfs + take.drive_db


def _written(
    study: sheets.Study, take: sheets.Take, name: str, used_by: int, rate_hz: int
) -> tuple:
    """Write one signal; its row of the table."""
    peak = 10.0 ** (_peak_dbfs(study, take) / 20.0)
    samples, sounding = _samples(study, take, peak, rate_hz)
    digest = hashlib.sha256(name.encode("utf-8")).digest()
    whole = quantised(samples, rng=np.random.default_rng(list(digest)))
    held = io.BytesIO()
    # libsndfile takes the upper 24 of 32 bits.
    soundfile.write(held, whole << 8, rate_hz, format="WAV", subtype="PCM_24")
    path, data = study.folder / FOLDER / name, held.getvalue()
    if not (path.is_file() and path.read_bytes() == data):
        writing.write_whole(path, data)
    tone = periods = nearest = math.nan
    kind, drive_db = take.kind, take.drive_db
    if kind in TONE_KINDS:
        kind, tone = "tone", take.tone_hz
        periods, nearest = whole_periods(
            tone, length_s=study.settings.tone.length_s, rate_hz=rate_hz
        )
    elif kind == "room":
        kind, drive_db = "silence", math.nan
    full = kind == "tone" and drive_db == 0
    caution = "" if kind == "silence" else words.say("bench.signal_caution", kind=kind, full=full)
    measured = (samples.size / rate_hz, *levels(whole / 2.0**23, sounding=sounding))
    return (
        name, kind, tone, drive_db, *(round(value, 3) for value in measured), round(periods, 6),
        nearest, used_by, caution,
    )  # fmt: skip


def _samples(
    study: sheets.Study, take: sheets.Take, peak: float, rate_hz: int
) -> tuple[np.ndarray, slice]:
    """The signal, and the part of it in which it sounds at its full strength."""
    seconds = study.settings.plan.play_s
    if take.kind == "room":
        return np.zeros(round(seconds * rate_hz)), slice(None)
    if take.kind == "sweep":
        sweep = study.settings.sweep
        shape = SweepShape(sweep.lowest_hz, sweep.highest_hz, sweep.length_s)
        samples = played_sweep(shape, rate_hz=rate_hz, peak=peak)
        return samples, slice(0, samples.size - round(SILENCE_AFTER_S * rate_hz))
    tone = steady_tone(take.tone_hz, rate_hz=rate_hz, seconds=seconds, peak=peak, fade_s=FADE_S)
    fade = round(FADE_S * rate_hz)
    return tone, slice(fade, tone.size - fade)
